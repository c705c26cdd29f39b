//! `fingerforce info --verify FOLDER`: whether all recordings below a folder are whole.
//!
//! Comes in: a folder. Goes out: for each `*.h5` below it whether every checksum and the digest of its contents hold, whether
//! it names the recording before it by its digest, and whether the journal beside it is still the one it was made from. One
//! that fails is named and the next one is looked at. Each is read in a child: libhdf5 crashes and hangs on damaged files.

use crate::console::{self, Hint, clean};
use crate::documents;
use crate::prose::counted;
use anyhow::Context;
use serde::Serialize;
use serde_json::Value;
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{self, IsTerminal, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// One recording.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
struct Verified {
    file: PathBuf,
    /// Everything that was looked at holds.
    whole: bool,
    /// What does not.
    why_not: Vec<String>,
    /// The journal beside it: `agrees`, `differs`, or `absent`; `earlier` where a later recording was made from it.
    journal: &'static str,
    content_sha256: String,
}

#[derive(Debug, Serialize)]
struct Summary {
    folder: PathBuf,
    recordings: Vec<Verified>,
    /// What could not be looked into.
    unreadable: Vec<String>,
    whole: usize,
    failed: usize,
}

/// Verifies all recordings below a folder; an error where one of them is not whole.
pub(super) fn below(folder: &Path, as_json: bool) -> anyhow::Result<()> {
    let (mut files, mut unreadable) = (Vec::new(), Vec::new());
    find(folder, &mut files, &mut unreadable);
    files.sort();
    let mut told = Progress::of(files.len(), as_json);
    let mut recordings: Vec<Verified> = Vec::new();
    // Digests by folder and revision: whoever comes next names the one before.
    let mut known = BTreeMap::new();
    for (at, file) in files.iter().enumerate() {
        let newest = files.get(at + 1).is_none_or(|next| next.parent() != file.parent());
        let one = verified(file, newest, &mut known)?;
        told.tell(&one);
        recordings.push(one);
    }
    let whole = recordings.iter().filter(|one| one.whole).count();
    let failed = recordings.len() - whole + unreadable.len();
    let summary = Summary { folder: folder.to_owned(), recordings, unreadable, whole, failed };
    console::result(&if as_json { documents::json(documents::VERIFIED, &summary)? } else { text(&summary) })?;
    match (failed, whole) {
        (0, 0) => Err(anyhow::anyhow!("there is no recording below {}", folder.display())
            .context(Hint::new("recordings end in `.h5`; the data folder holds them under `visits`"))),
        (0, _) => Ok(()),
        _ => Err(anyhow::anyhow!("{failed} of {} are not whole, or cannot be read", whole + failed)
            .context(Hint::new(crate::recording::open::DAMAGED_HINT))),
    }
}

/// Recordings below a folder; links are not followed.
fn find(folder: &Path, files: &mut Vec<PathBuf>, unreadable: &mut Vec<String>) {
    let entries = match fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(error) => return unreadable.push(format!("{}: {error}", folder.display())),
    };
    for entry in entries {
        match entry.and_then(|entry| Ok((entry.file_type()?, entry.path()))) {
            Ok((kind, path)) if kind.is_dir() => find(&path, files, unreadable),
            Ok((kind, path)) if kind.is_file() && path.extension().is_some_and(|end| end == "h5") => {
                files.push(path);
            }
            Ok(_) => {}
            Err(error) => unreadable.push(format!("{}: {error}", folder.display())),
        }
    }
}

type Known = BTreeMap<(PathBuf, String, i64), String>;

fn verified(file: &Path, newest: bool, known: &mut Known) -> anyhow::Result<Verified> {
    let mut one = Verified {
        file: file.to_owned(),
        whole: false,
        why_not: Vec::new(),
        journal: "absent",
        content_sha256: String::new(),
    };
    let output = Command::new(std::env::current_exe()?)
        .arg("info")
        .arg(file)
        .args(["--verify", "--json"])
        .stdin(Stdio::null())
        .output()
        .context("cannot start a second process")?;
    if !output.status.success() {
        let said = String::from_utf8_lossy(&output.stderr);
        let error = said.lines().find_map(|line| line.strip_prefix("error: ")).unwrap_or("it cannot be read");
        one.why_not.push(error.to_owned());
        return Ok(one);
    }
    let info: Value = serde_json::from_slice(&output.stdout).context("a second process said nothing")?;
    let of = |name: &str| info[name].as_str().unwrap_or_default().to_owned();
    one.content_sha256 = of("content_sha256");
    let folder = file.parent().unwrap_or(Path::new("."));
    let revision = info["revision"].as_i64().unwrap_or(0);
    let place = |revision| (folder.to_owned(), of("visit_id"), revision);
    let supersedes = of("supersedes");
    let before = known.get(&place(revision - 1));
    // Where the one before was damaged or older than its journal it is named by its file.
    if before.is_some_and(|before| is_digest(&supersedes) && *before != supersedes) {
        one.why_not.push(format!("it supersedes {supersedes}, which is not the recording before it"));
    }
    known.insert(place(revision), one.content_sha256.clone());
    one.journal = match journal_sha256(folder) {
        Ok(None) => "absent",
        Ok(Some(digest)) if digest == of("journal_sha256") => "agrees",
        Ok(Some(_)) if !newest => "earlier",
        Ok(Some(_)) => {
            one.why_not.push("the journal beside it is not the one it was made from".to_owned());
            "differs"
        }
        Err(error) => {
            one.why_not.push(format!("the journal beside it cannot be read: {error}"));
            "differs"
        }
    };
    one.whole = one.why_not.is_empty();
    Ok(one)
}

fn is_digest(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit())
}

/// SHA-256 of the journal in a visit's folder, its segments (`journal-NNN`) one after the other; `None` without one.
fn journal_sha256(folder: &Path) -> io::Result<Option<String>> {
    let mut segments = Vec::new();
    for entry in fs::read_dir(folder)? {
        let path = entry?.path();
        let name = path.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        if let Some(number) = name.strip_prefix("journal-").and_then(|number| number.parse::<u32>().ok()) {
            segments.push((number, path));
        }
    }
    if segments.is_empty() {
        return Ok(None);
    }
    segments.sort();
    let mut digest = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    for (_, path) in segments {
        let mut file = File::open(path)?;
        loop {
            match file.read(&mut piece)? {
                0 => break,
                came => digest.update(&piece[..came]),
            }
        }
    }
    Ok(Some(digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()))
}

/// What is said meanwhile, on stderr: how many are done on a terminal; each that failed, where stdout is for a program.
struct Progress {
    done: usize,
    all: usize,
    as_json: bool,
    on_terminal: bool,
}

impl Progress {
    fn of(all: usize, as_json: bool) -> Progress {
        Progress { done: 0, all, as_json, on_terminal: io::stderr().is_terminal() }
    }

    fn tell(&mut self, one: &Verified) {
        self.done += 1;
        let mut text = String::new();
        if !one.whole && self.as_json {
            text += &format!("{}\n", words(one));
        }
        if self.on_terminal {
            let end = if self.done == self.all { "\n" } else { "" };
            text = format!("\r\u{1b}[K{text}{} of {} looked at{end}", self.done, self.all);
        }
        // Nothing is left to do where even stderr is closed.
        let _ = io::stderr().write_all(text.as_bytes());
    }
}

fn words(one: &Verified) -> String {
    clean(&format!("NOT WHOLE {}: {}", one.file.display(), one.why_not.join("; ")))
}

fn text(of: &Summary) -> String {
    let failed: String = of.recordings.iter().filter(|one| !one.whole).map(|one| words(one) + "\n").collect();
    let unreadable: String =
        of.unreadable.iter().map(|what| format!("cannot read {}\n", clean(what))).collect();
    let with_journal = of.recordings.iter().filter(|one| one.journal == "agrees").count();
    format!(
        "{failed}{unreadable}{} {} whole ({with_journal} with their journal), {} {} not\n",
        counted(of.whole, "recording"),
        be(of.whole),
        of.failed,
        be(of.failed)
    )
}

fn be(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}
