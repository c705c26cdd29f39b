//! Files of a data folder that hold a participant's code, beside their visits.
//!
//! Comes in: a data folder and a code. Goes out: what this program made of recordings, which goes with the participant, and
//! whatever else holds the code or cannot be looked into, which only its owner can judge. Anybody may have put anything
//! there: no link is followed, only regular files are opened, and no more is read of one than [`BYTES_MAX`].
//!
//! The code is looked for as a whole word, in names and in texts: P01 is not in P010, but in `P01-report`, because a dash
//! stands in names as often as in codes. What was made here is theirs only if the code is evidence ([`Code`]). What is no
//! text (a copy of a recording) is searched byte by byte and only named; nothing is found in a figure's pixels: where figures
//! went stands in the register. What is packed is named, whatever is in it.

use crate::files::BYTES_MAX;
use analysis::export::made::{self, Made};
use nix::fcntl::OFlag;
use sha2::{Digest, Sha256};
use std::collections::BTreeSet;
use std::fs::{self, File, FileType, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Folders in folders that are looked into.
const DEPTH_MAX: usize = 16;
/// Files that are looked at.
const FILES_MAX: usize = 200_000;
/// What has a zero in its first bytes is no text.
const HEAD_BYTES: u64 = 8192;
/// What is no text, or too large for one, is read in pieces.
const PIECE_BYTES: u64 = 1 << 20;
/// Bytes before a code that are looked at: an escape.
const BEFORE_BYTES: usize = 6;
/// Such a code stands everywhere by chance.
const SHORT: usize = 2;
/// Such a one does in bytes that are no text, unless something ends it on both sides.
const RATHER_SHORT: usize = 3;
/// How files begin whose content nobody sees without unpacking them: gzip, zip (and what offices write), xz, Zstandard, 7z,
/// bzip2, RAR.
const PACKED: [&[u8]; 7] = [
    b"\x1f\x8b",
    b"PK\x03\x04",
    b"\xfd7zXZ\0",
    b"\x28\xb5\x2f\xfd",
    b"7z\xbc\xaf\x27\x1c",
    b"BZh91AY&SY",
    b"Rar!\x1a\x07",
];
/// A trace that this program packs: its name says whose it is, and only numbers are in it.
const TRACE: &str = "_physio.tsv.gz";
/// What this program keeps there is never taken for something that was made of recordings.
const KEPT: [&str; 4] = ["erasures", "exports", "sensors", "server"];

/// A participant's code, and what it says where it stands.
#[derive(Debug, Clone)]
pub struct Code<'a> {
    code: &'a str,
    /// It stands for them and nothing else. A number, or what is an examiner's code too, stands in anybody's results.
    is_evidence: bool,
    /// Codes of the data folder's other participants.
    others: BTreeSet<String>,
}

impl<'a> Code<'a> {
    /// A code in a data folder with these other participants and these examiners.
    pub fn new(code: &'a str, others: BTreeSet<String>, examiners: &BTreeSet<String>) -> Code<'a> {
        let is_number = code.bytes().all(|byte| byte.is_ascii_digit());
        let is_evidence = code.len() > SHORT && !is_number && !examiners.contains(code);
        Code { code, is_evidence, others }
    }

    /// Whether what holds it is theirs.
    pub fn is_evidence(&self) -> bool {
        self.is_evidence
    }

    /// Whether it is in a text.
    pub fn is_in(&self, text: &[u8]) -> bool {
        holds(text, self.code)
    }

    /// Whether it is in a file's name: some formats leave out there whatever is no letter and no digit.
    pub fn is_in_name(&self, name: &str) -> bool {
        let label: String = self.code.chars().filter(char::is_ascii_alphanumeric).collect();
        self.is_in(name.as_bytes()) || holds(name.as_bytes(), &label)
    }

    /// Whether another participant's is, of those who are not expected there.
    pub fn another_is_in(&self, text: &[u8], expected: &[String]) -> bool {
        self.others.iter().any(|other| !expected.contains(other) && holds(text, other))
    }
}

/// What holds the code, by paths within the data folder.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Searched {
    /// Made of recordings: each, and whether it holds others, too.
    pub made: Vec<(PathBuf, bool)>,
    /// Whatever else, each with why it stays.
    pub left: Vec<String>,
    /// What is packed.
    pub packed: Vec<PathBuf>,
}

/// Searches a data folder; `without` are files and folders in it that go anyway.
pub fn search(data: &Path, code: &Code<'_>, without: &[PathBuf]) -> Searched {
    let mut found = Searched::default();
    let (mut files, mut not_searched) = (0, 0);
    let mut folders = vec![(PathBuf::new(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let entries = match entries(&data.join(&folder)) {
            Ok(entries) => entries,
            Err(error) => {
                found.left.push(format!("{} (cannot be looked into: {error})", named(&folder)));
                continue;
            }
        };
        for (path, kind) in entries.into_iter().map(|(name, kind)| (folder.join(name), kind)) {
            let is_folder = kind.is_dir();
            if without.contains(&path) {
                continue;
            }
            if kind.is_symlink() {
                // Visits are looked for here, and this may be one.
                if folder == Path::new("visits") {
                    found.left.push(format!("{} (a link: nothing behind it is looked at)", path.display()));
                }
            } else if is_folder && depth == DEPTH_MAX {
                found.left.push(format!("{} (too deep to be looked into)", path.display()));
            } else if is_folder {
                folders.push((path, depth + 1));
            } else if files == FILES_MAX {
                found.left.push(format!(
                    "{} (the first of more than {FILES_MAX} files: not looked at)",
                    path.display()
                ));
                return sorted(found);
            } else {
                files += 1;
                not_searched += usize::from(!look(data, path, code, &mut found));
            }
        }
    }
    if not_searched > 0 {
        let code = code.code;
        found
            .left
            .push(format!("{not_searched} files that are no text (not searched: `{code}` is too short)"));
    }
    sorted(found)
}

fn sorted(mut found: Searched) -> Searched {
    found.made.sort();
    found.made.dedup();
    found.left.sort();
    found.packed.sort();
    found
}

fn named(folder: &Path) -> String {
    if folder.as_os_str().is_empty() { "the data folder".to_owned() } else { folder.display().to_string() }
}

/// Names of regular files, folders and links in a folder.
fn entries(folder: &Path) -> io::Result<Vec<(PathBuf, FileType)>> {
    let mut entries = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        if kind.is_dir() || kind.is_file() || kind.is_symlink() {
            entries.push((PathBuf::from(entry.file_name()), kind));
        }
    }
    entries.sort_by(|(a, _), (b, _)| a.cmp(b));
    Ok(entries)
}

/// What is in a file.
enum Inside {
    Text(Vec<u8>),
    /// No text, or too large for one: whether the code is in it; `None` such a code is not looked for there.
    Other(Option<bool>),
    Packed,
}

/// Looks into a file; `false` where such a code is not looked for.
fn look(data: &Path, path: PathBuf, code: &Code<'_>, found: &mut Searched) -> bool {
    let shown = path.display().to_string();
    let (text, holds) = match inside(&data.join(&path), code) {
        Ok(Inside::Text(text)) => {
            let holds = code.is_in(&text);
            (text, Some(holds))
        }
        Ok(Inside::Other(holds)) => (Vec::new(), holds),
        Ok(Inside::Packed) => {
            if !shown.ends_with(TRACE) {
                found.packed.push(path.clone());
            }
            (Vec::new(), Some(false))
        }
        // It went while it was looked for.
        Err(error) if error.kind() == io::ErrorKind::NotFound => return true,
        Err(error) => {
            found.left.push(format!("{shown} (cannot be looked into: {error})"));
            return true;
        }
    };
    let is_named = code.code.len() > SHORT && code.is_in(shown.as_bytes());
    if !is_named && holds != Some(true) {
        return holds.is_some();
    }
    let kept = path.iter().next().is_some_and(|first| KEPT.iter().any(|kept| first == *kept));
    // A path that is no text cannot be written down, so it cannot be promised that it goes.
    match made::of(&text).filter(|_| !kept && path.to_str().is_some()) {
        Some(made) if code.is_evidence => {
            let of_several = made == Made::Reliability || code.another_is_in(&text, &[]);
            // The same figure in pixels, in which nothing can be looked for.
            let pixels = path.with_extension("png");
            if made == Made::Figure && is_regular(&data.join(&pixels)) {
                found.made.push((pixels, of_several));
            }
            found.made.push((path, of_several));
        }
        Some(_) => found.left.push(format!("{shown} (holds the code, which may stand for something else)")),
        None => found.left.push(format!("{shown} (holds the code)")),
    }
    true
}

/// A file's text; `None` where it is none, or too large for one.
///
/// # Errors
/// It cannot be read.
pub fn text(path: &Path) -> io::Result<Option<Vec<u8>>> {
    Ok(opened(path)?.and_then(|(_, begin, is_text)| is_text.then_some(begin)))
}

/// What is in a file, in short; the same again only as long as it is the same.
///
/// # Errors
/// It cannot be read.
pub fn digest(path: &Path) -> io::Result<String> {
    let Some(mut file) = open(path)? else { return Err(io::ErrorKind::InvalidInput.into()) };
    let mut hash = Sha256::new();
    io::copy(&mut file, &mut hash)?;
    Ok(hex(&hash.finalize()))
}

/// Bytes as they are written down.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Whether there is a regular file: a link is none.
pub fn is_regular(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|it| it.is_file())
}

/// A regular file; `None` what is none.
fn open(path: &Path) -> io::Result<Option<File>> {
    // What was a file when the folder was listed may be a link or a pipe by now.
    let flags = OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK;
    let file = OpenOptions::new().read(true).custom_flags(flags.bits()).open(path)?;
    Ok(file.metadata()?.is_file().then_some(file))
}

/// A file, how it begins, and whether that is a whole text.
fn opened(path: &Path) -> io::Result<Option<(File, Vec<u8>, bool)>> {
    let Some(file) = open(path)? else { return Ok(None) };
    let mut begin = take(&file, HEAD_BYTES)?;
    if begin.contains(&0) {
        return Ok(Some((file, begin, false)));
    }
    begin.extend(take(&file, BYTES_MAX - HEAD_BYTES + 1)?);
    let is_whole = begin.len() as u64 <= BYTES_MAX;
    Ok(Some((file, begin, is_whole)))
}

fn inside(path: &Path, code: &Code<'_>) -> io::Result<Inside> {
    let Some((file, begin, is_text)) = opened(path)? else { return Ok(Inside::Other(Some(false))) };
    if PACKED.iter().any(|packed| begin.starts_with(packed)) {
        return Ok(Inside::Packed);
    }
    if is_text {
        return Ok(Inside::Text(begin));
    }
    if code.code.len() <= SHORT {
        return Ok(Inside::Other(None));
    }
    let bounded = if code.code.len() <= RATHER_SHORT && begin.contains(&0) { is_ended } else { is_word };
    let (length, mut text, mut from) = (code.code.len(), begin, 0);
    loop {
        let piece = take(&file, PIECE_BYTES)?;
        let is_end = piece.is_empty();
        // What ends where the piece does is looked at with the next one.
        let is_there = stands(&text, code.code, from, is_end, bounded);
        if is_there || is_end {
            return Ok(Inside::Other(Some(is_there)));
        }
        let kept = text.len().min(length + BEFORE_BYTES);
        text.drain(..text.len() - kept);
        from = kept.saturating_sub(length);
        text.extend(piece);
    }
}

fn take(file: &File, bytes: u64) -> io::Result<Vec<u8>> {
    let mut taken = Vec::new();
    file.take(bytes).read_to_end(&mut taken)?;
    Ok(taken)
}

/// Whether a text holds a code as a whole word.
fn holds(text: &[u8], code: &str) -> bool {
    stands(text, code, 0, true, is_word)
}

/// Whether a code stands in bytes from here on, with what `bounded` says of the bytes before and after it; where more bytes
/// follow, one after the code must be there to be judged.
fn stands(text: &[u8], code: &str, from: usize, is_end: bool, bounded: fn(&[u8], &[u8]) -> bool) -> bool {
    let code = code.as_bytes();
    let Some(first) = code.first() else { return false };
    let begins = text.iter().enumerate().skip(from).filter(|(_, byte)| *byte == first);
    begins.map(|(at, _)| text.split_at(at)).any(|(before, begin)| {
        begin.strip_prefix(code).is_some_and(|after| (is_end || !after.is_empty()) && bounded(before, after))
    })
}

/// No letter and no digit is next to it.
fn is_word(before: &[u8], after: &[u8]) -> bool {
    !after.first().is_some_and(u8::is_ascii_alphanumeric)
        && (!before.last().is_some_and(u8::is_ascii_alphanumeric) || ends_with_escape(before))
}

/// It stands as recordings and journals have texts: between zeros or quotes.
fn is_ended(before: &[u8], after: &[u8]) -> bool {
    let ends = |byte: Option<&u8>| byte.is_none_or(|byte| matches!(byte, 0 | b'"'));
    ends(before.last()) && ends(after.first())
}

/// The letter before it is no letter of the text: JSON writes a line's end as `\n`, any character as `\u000a`.
fn ends_with_escape(before: &[u8]) -> bool {
    let escape = |length: usize| before.len().checked_sub(length).and_then(|at| before.get(at..));
    escape(2).is_some_and(|it| matches!(it, [b'\\', b'b' | b'f' | b'n' | b'r' | b't']))
        || escape(6).is_some_and(|it| it.starts_with(b"\\u") && it.iter().skip(2).all(u8::is_ascii_hexdigit))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::symlink;

    const RELIABILITY: &str =
        "{\"kind\":\"finger-force reliability\",\"version\":1,\"left_out\":[\"P01: no value\"]}";

    #[test]
    fn a_code_is_a_whole_word() {
        for text in [
            "P01",
            "a P01.",
            "\"P01: no value\"",
            "P01-E1-visit-1.h5",
            "x_P01_y",
            "\\nP01",
            "\\u000aP01",
            "P010 P01",
        ] {
            assert!(holds(text.as_bytes(), "P01"), "{text}");
        }
        for text in ["", "P0", "P010", "XP01", "P01a", "p01", "nP01", "u000aP01"] {
            assert!(!holds(text.as_bytes(), "P01"), "{text}");
        }
        assert!(!holds(b"anything", ""));
    }

    fn code<'a>(code: &'a str, others: &[&str], examiners: &[&str]) -> Code<'a> {
        let set = |codes: &[&str]| codes.iter().map(|code| (*code).to_owned()).collect();
        Code::new(code, set(others), &set(examiners))
    }

    #[test]
    fn what_may_stand_for_anything_is_no_evidence_and_another_participant_in_it_is_told() {
        let place = tempfile::tempdir().unwrap();
        let page = |name: &str, text: &str| {
            let text = format!("{{\"kind\":\"finger-force summary\",\"version\":1,\"of\":\"{text}\"}}");
            fs::write(place.path().join(name), text).unwrap();
        };
        page("theirs.json", "P01 by E01");
        page("both.json", "P01 and P02");
        page("other.json", "P02: 1 of 12, 123");
        let of = |code: Code| search(place.path(), &code, &[]);
        let found = of(code("P01", &["P02", "P010"], &["E01"]));
        assert_eq!(found.made, [("both.json".into(), true), ("theirs.json".into(), false)]);
        assert_eq!(found.left, [""; 0]);
        for weak in ["1", "12", "123", "E01"] {
            let found = of(code(weak, &["P02"], &["E01"]));
            assert_eq!(found.made, [], "{weak}");
            assert!(found.left.iter().any(|left| left.contains("may stand for something else")), "{found:?}");
        }
    }

    #[test]
    fn what_is_packed_is_named_whatever_it_is_called_but_for_the_traces_of_this_program() {
        let place = tempfile::tempdir().unwrap();
        for (at, packed) in PACKED.iter().enumerate() {
            fs::write(place.path().join(format!("{at}.doc")), [packed, &b"\xff\0P02"[..]].concat()).unwrap();
        }
        fs::write(place.path().join("sub-P02_task_physio.tsv.gz"), b"\x1f\x8b\xff\0").unwrap();
        fs::write(place.path().join("PK"), b"PK P02, BZh, Rar!").unwrap();
        let found = search(place.path(), &code("P01", &["P02"], &[]), &[]);
        let names: Vec<PathBuf> = (0..PACKED.len()).map(|at| format!("{at}.doc").into()).collect();
        assert_eq!((found.packed, found.made.len(), found.left.len()), (names, 0, 0));
    }

    #[test]
    fn copies_in_any_form_are_named_wherever_a_piece_ends_and_a_link_among_the_visits_is_too() {
        let place = tempfile::tempdir().unwrap();
        let data = place.path();
        let outside = tempfile::tempdir().unwrap();
        fs::create_dir(data.join("visits")).unwrap();
        symlink(outside.path(), data.join("visits/linked")).unwrap();
        let put = |name: &str, at: usize, text: &str| {
            let mut bytes = vec![0; 3 * PIECE_BYTES as usize];
            bytes.splice(at..at + text.len(), text.bytes());
            fs::write(data.join(name), bytes).unwrap();
        };
        let mut named = Vec::new();
        let end = HEAD_BYTES as usize + PIECE_BYTES as usize;
        for at in end - 16..=end + 2 {
            put(&format!("copy-{at}.h5"), at, "P01-X");
            put(&format!("other-{at}.h5"), at, "XP01-X-");
            put(&format!("longer-{at}.h5"), at, "P01-X0");
            named.push(format!("copy-{at}.h5 (holds the code)"));
        }
        named.push("visits/linked (a link: nothing behind it is looked at)".to_owned());
        assert_eq!(search(data, &code("P01-X", &[], &[]), &[]).left, named);
        fs::write(data.join("short.h5"), b"\0P01\0").unwrap();
        fs::write(data.join("chance.h5"), b"\0\x01P01\x02").unwrap();
        let found = search(data, &code("P01", &[], &[]), &[]);
        assert_eq!(
            found.left,
            ["short.h5 (holds the code)", "visits/linked (a link: nothing behind it is looked at)"]
        );
        let found = search(data, &code("P1", &[], &[]), &[]);
        assert!(found.left.iter().any(|left| left.contains("59 files that are no text")), "{found:?}");
    }

    #[test]
    fn what_was_made_here_goes_and_whatever_else_is_only_named() {
        let place = tempfile::tempdir().unwrap();
        let data = place.path();
        let put = |name: &str, text: &str| {
            let path = data.join(name);
            fs::create_dir_all(path.parent().unwrap()).unwrap();
            fs::write(path, text).unwrap();
        };
        put("reliability.json", RELIABILITY);
        put("others.json", &RELIABILITY.replace("P01", "P010"));
        put("visits/theirs/reliability.json", RELIABILITY);
        put("visits/other/corrections.jsonl", "{\"why\":\"was P01's\"}\n{}\n");
        put("sensors/A/known.json", RELIABILITY);
        put("P01.txt", "nothing");
        put("pixels.bin", "P01\0");
        put("new\nline.txt", "P01");
        let large = |name: &str, end: &str| {
            let mut text = vec![b' '; BYTES_MAX as usize + 1];
            text.extend(end.bytes());
            fs::write(data.join(name), text).unwrap();
        };
        large("large.txt", "P01.");
        large("larger.txt", "P010");
        let outside = tempfile::tempdir().unwrap();
        fs::write(outside.path().join("linked.json"), RELIABILITY).unwrap();
        symlink(outside.path().join("linked.json"), data.join("link.json")).unwrap();
        symlink(outside.path(), data.join("folder")).unwrap();
        nix::unistd::mkfifo(&data.join("pipe"), nix::sys::stat::Mode::S_IRWXU).unwrap();
        let found = search(data, &code("P01", &[], &[]), &["visits/theirs".into()]);
        assert_eq!(found.made, [("reliability.json".into(), true)]);
        assert_eq!(
            found.left,
            [
                "P01.txt (holds the code)",
                "large.txt (holds the code)",
                "new\nline.txt (holds the code)",
                "pixels.bin (holds the code)",
                "sensors/A/known.json (holds the code)",
                "visits/other/corrections.jsonl (holds the code)",
            ]
        );
    }

    #[test]
    fn folders_without_end_are_not_followed_to_it() {
        let place = tempfile::tempdir().unwrap();
        let deep: PathBuf = (0..DEPTH_MAX + 1).map(|_| "d").collect();
        fs::create_dir_all(place.path().join(&deep)).unwrap();
        fs::write(place.path().join(&deep).join("r.json"), RELIABILITY).unwrap();
        let found = search(place.path(), &code("P01", &[], &[]), &[]);
        assert_eq!(found.left, [format!("{} (too deep to be looked into)", deep.display())]);
        assert_eq!(found.made, []);
    }
}
