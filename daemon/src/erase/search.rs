//! Files of a data folder that hold a participant's code, beside their visits.
//!
//! Comes in: a data folder and a code. Goes out: what this program made of recordings, which goes with the participant, and
//! whatever else holds the code or cannot be looked into, which only its owner can judge. Anybody may have put anything
//! there: no link is followed, only regular files are opened, and no more is read of one than [`BYTES_MAX`].
//!
//! The code is looked for as a whole word, in names and in texts: P01 is not in P010, but in `P01-report`, because a dash
//! stands in names as often as in codes. Nothing is found in what is no plain text (a figure's pixels, a copy of a
//! recording): where figures and exports went stands in the register.

use crate::files::BYTES_MAX;
use analysis::export::made::{self, Made};
use nix::fcntl::OFlag;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Folders in folders that are looked into.
const DEPTH_MAX: usize = 16;
/// Files that are looked at.
const FILES_MAX: usize = 200_000;
/// What has a zero in its first bytes is no text.
const HEAD_BYTES: u64 = 8192;
/// What this program keeps there is never taken for something that was made of recordings.
const KEPT: [&str; 4] = ["erasures", "exports", "sensors", "server"];

/// What holds the code, by paths within the data folder.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Searched {
    /// Made of recordings: each, and whether it is always of several participants.
    pub made: Vec<(PathBuf, bool)>,
    /// Whatever else, each with why it stays.
    pub left: Vec<String>,
}

/// Searches a data folder; `without` are files and folders in it that go anyway.
pub fn search(data: &Path, code: &str, without: &[PathBuf]) -> Searched {
    let mut found = Searched::default();
    let mut files = 0;
    let mut folders = vec![(PathBuf::new(), 0)];
    while let Some((folder, depth)) = folders.pop() {
        let entries = match entries(&data.join(&folder)) {
            Ok(entries) => entries,
            Err(error) => {
                found.left.push(format!("{} (cannot be looked into: {error})", named(&folder)));
                continue;
            }
        };
        for (path, is_folder) in entries.into_iter().map(|(name, is_folder)| (folder.join(name), is_folder)) {
            if without.contains(&path) {
                continue;
            }
            if is_folder && depth == DEPTH_MAX {
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
                look(data, path, code, &mut found);
            }
        }
    }
    sorted(found)
}

fn sorted(mut found: Searched) -> Searched {
    found.made.sort();
    found.made.dedup();
    found.left.sort();
    found
}

fn named(folder: &Path) -> String {
    if folder.as_os_str().is_empty() { "the data folder".to_owned() } else { folder.display().to_string() }
}

/// Names of regular files and of folders in a folder; a link is neither.
fn entries(folder: &Path) -> io::Result<Vec<(PathBuf, bool)>> {
    let mut entries = Vec::new();
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let kind = entry.file_type()?;
        if kind.is_dir() || kind.is_file() {
            entries.push((PathBuf::from(entry.file_name()), kind.is_dir()));
        }
    }
    entries.sort();
    Ok(entries)
}

/// What is in a file, as far as it was read.
enum Inside {
    Text(Vec<u8>),
    NoText,
    TooLarge,
}

fn look(data: &Path, path: PathBuf, code: &str, found: &mut Searched) {
    let shown = path.display().to_string();
    let text = match read(&data.join(&path)) {
        Ok(Inside::Text(text)) => text,
        Ok(Inside::NoText) => Vec::new(),
        Ok(Inside::TooLarge) => {
            found.left.push(format!("{shown} (too large to be looked into)"));
            return;
        }
        // It went while it was looked for.
        Err(error) if error.kind() == io::ErrorKind::NotFound => return,
        Err(error) => {
            found.left.push(format!("{shown} (cannot be looked into: {error})"));
            return;
        }
    };
    if !holds(&text, code) && !holds(shown.as_bytes(), code) {
        return;
    }
    let kept = path.iter().next().is_some_and(|first| KEPT.iter().any(|kept| first == *kept));
    // A path that is no text cannot be written down, so it cannot be promised that it goes.
    match made::of(&text).filter(|_| !kept && path.to_str().is_some()) {
        Some(made) => {
            // The same figure in pixels, in which nothing can be looked for.
            let pixels = path.with_extension("png");
            if made == Made::Figure && is_regular(&data.join(&pixels)) {
                found.made.push((pixels, false));
            }
            found.made.push((path, made == Made::Reliability));
        }
        None => found.left.push(format!("{shown} (holds the code)")),
    }
}

/// Whether there is a regular file: a link is none.
pub fn is_regular(path: &Path) -> bool {
    fs::symlink_metadata(path).is_ok_and(|it| it.is_file())
}

fn read(path: &Path) -> io::Result<Inside> {
    // What was a file when the folder was listed may be a link or a pipe by now.
    let flags = OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK;
    let file = OpenOptions::new().read(true).custom_flags(flags.bits()).open(path)?;
    if !file.metadata()?.is_file() {
        return Ok(Inside::NoText);
    }
    let mut text = take(&file, HEAD_BYTES)?;
    if text.contains(&0) {
        return Ok(Inside::NoText);
    }
    text.extend(take(&file, BYTES_MAX - HEAD_BYTES + 1)?);
    Ok(if text.len() as u64 > BYTES_MAX { Inside::TooLarge } else { Inside::Text(text) })
}

fn take(file: &File, bytes: u64) -> io::Result<Vec<u8>> {
    let mut taken = Vec::new();
    file.take(bytes).read_to_end(&mut taken)?;
    Ok(taken)
}

/// Whether a text holds a code as a whole word.
fn holds(text: &[u8], code: &str) -> bool {
    let code = code.as_bytes();
    let Some(first) = code.first() else { return false };
    let mut begins = text.iter().enumerate().filter(|(_, byte)| *byte == first).map(|(at, _)| at);
    begins.any(|at| {
        let (before, from) = text.split_at(at);
        from.strip_prefix(code).is_some_and(|after| {
            !after.first().is_some_and(u8::is_ascii_alphanumeric)
                && (!before.last().is_some_and(u8::is_ascii_alphanumeric) || ends_with_escape(before))
        })
    })
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
        fs::write(data.join("large.txt"), vec![b' '; BYTES_MAX as usize + 1]).unwrap();
        let outside = tempfile::tempdir().unwrap();
        fs::write(outside.path().join("linked.json"), RELIABILITY).unwrap();
        symlink(outside.path().join("linked.json"), data.join("link.json")).unwrap();
        symlink(outside.path(), data.join("folder")).unwrap();
        nix::unistd::mkfifo(&data.join("pipe"), nix::sys::stat::Mode::S_IRWXU).unwrap();
        let found = search(data, "P01", &["visits/theirs".into()]);
        assert_eq!(found.made, [("reliability.json".into(), true)]);
        assert_eq!(
            found.left,
            [
                "P01.txt (holds the code)",
                "large.txt (too large to be looked into)",
                "new\nline.txt (holds the code)",
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
        let found = search(place.path(), "P01", &[]);
        assert_eq!(found.left, [format!("{} (too deep to be looked into)", deep.display())]);
        assert_eq!(found.made, []);
    }
}
