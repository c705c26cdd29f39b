//! Where exports of a data folder's recordings went, so that erasing a participant finds them.
//!
//! Comes in: recordings and where the export goes. Goes out: a file of its own in `DATA/exports/`, on the disk before
//! the export is written.

use serde::Serialize;
use std::fs;
use std::io::{self, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

/// Folder of the register in a data folder.
pub const FOLDER: &str = "exports";

/// An export.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Entry {
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// Whose data are in it: codes.
    pub participants: Vec<String>,
    /// The recordings.
    pub recordings: Vec<PathBuf>,
    /// The file it was written to, as an absolute path; words where it went elsewhere.
    pub to: String,
    /// Without what could say who somebody is.
    pub deidentified: bool,
}

/// The data folder that a recording is in: `DATA/visits/<visit>/recording-N.h5`.
pub fn data_folder(recording: &Path) -> Option<PathBuf> {
    let recording = recording.canonicalize().ok()?;
    let visits = recording.parent()?.parent()?;
    (visits.file_name()? == "visits").then(|| visits.parent().map(Path::to_owned)).flatten()
}

/// Writes an entry down; returns once it survives power loss.
///
/// # Errors
/// The folder cannot be written: then nothing may be exported, because nobody would know of it.
pub fn note(data: &Path, entry: &Entry) -> io::Result<PathBuf> {
    let folder = data.join(FOLDER);
    fs::DirBuilder::new().recursive(true).mode(0o700).create(&folder)?;
    let time: String = entry.when_utc.chars().filter(char::is_ascii_alphanumeric).collect();
    for attempt in 0.. {
        let path = folder.join(format!("{time}-{}-{attempt}.json", std::process::id()));
        match fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path) {
            Ok(mut file) => {
                file.write_all(&serde_json::to_vec_pretty(entry)?)?;
                file.sync_all()?;
                fs::File::open(&folder)?.sync_all()?;
                return Ok(path);
            }
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists && attempt < 1000 => {}
            Err(error) => return Err(error),
        }
    }
    Err(io::ErrorKind::AlreadyExists.into())
}
