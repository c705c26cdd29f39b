//! Where what was made of a data folder's recordings went (exports, reports, figures, documents), so that erasing a
//! participant finds it.
//!
//! Comes in: recordings, whose they are and where it goes. Goes out: a file of its own in `DATA/exports/`, on the disk
//! before anything is written.

use crate::console::Hint;
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
    pub recordings: Vec<String>,
    /// The file or folder it was written to, as an absolute path; words where it went elsewhere.
    pub to: String,
    /// The files in that folder.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub files: Vec<String>,
    /// Without what could say who somebody is.
    pub deidentified: bool,
}

/// Where something goes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum To<'a> {
    /// Standard output, whatever that is.
    Stdout,
    /// Standard output, if that is a file: what is only looked at leaves nothing.
    StdoutFile,
    /// A file, in a folder that is there.
    File(&'a Path),
    /// Files in a folder that is there.
    Folder(&'a Path, Vec<String>),
}

impl To<'_> {
    /// As it stands in the register; `None` where nothing is left of it.
    fn told(&self) -> io::Result<Option<String>> {
        let stdout = || fs::read_link("/proc/self/fd/1").ok().filter(|place| place.is_file());
        let place = match self {
            To::Stdout => {
                return Ok(Some(stdout().map_or("standard output".to_owned(), |place| shown(&place))));
            }
            To::StdoutFile => stdout(),
            To::File(file) => match (file.parent(), file.file_name()) {
                (Some(folder), Some(name)) => {
                    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
                    // Where there is no folder, nothing can be written.
                    folder.canonicalize().ok().map(|folder| folder.join(name))
                }
                _ => None,
            },
            To::Folder(folder, _) => Some(folder.canonicalize()?),
        };
        Ok(place.map(|place| shown(&place)))
    }
}

fn shown(path: &Path) -> String {
    path.display().to_string()
}

/// Tells every data folder which of its recordings go where, before they go. What goes into a visit of the only
/// participant needs no entry: it is erased with the visit.
///
/// # Errors
/// A register cannot be written: then nothing may be written, because nobody would know of it.
pub fn tell<'a>(
    recordings: &[PathBuf],
    participants: impl IntoIterator<Item = &'a str>,
    to: &To<'_>,
    deidentified: bool,
) -> anyhow::Result<()> {
    let mut folders: Vec<PathBuf> = recordings.iter().filter_map(|file| data_folder(file)).collect();
    folders.sort();
    folders.dedup();
    let mut participants: Vec<String> = participants.into_iter().map(str::to_owned).collect();
    participants.sort();
    participants.dedup();
    let Some(told) = to.told()? else { return Ok(()) };
    let visit_of = |file: &PathBuf| Some(file.canonicalize().ok()?.parent()?.to_owned());
    for data in folders {
        let ours = |file: &&PathBuf| data_folder(file).as_ref() == Some(&data);
        let in_visit =
            |file: &PathBuf| visit_of(file).is_some_and(|visit| Path::new(&told).starts_with(visit));
        if participants.len() == 1 && recordings.iter().filter(ours).any(in_visit) {
            continue;
        }
        let entry = Entry {
            when_utc: jiff::Timestamp::now().to_string(),
            participants: participants.clone(),
            recordings: recordings.iter().filter(ours).map(|file| shown(file)).collect(),
            to: told.clone(),
            files: if let To::Folder(_, files) = to { files.clone() } else { Vec::new() },
            deidentified,
        };
        note(&data, &entry).map_err(|error| {
            let told = format!("cannot note in {} where this goes: {error}", data.display());
            anyhow::anyhow!(told).context(Hint::new(
                "without that an erasure would not find it: see to it that the folder can be written to",
            ))
        })?;
    }
    Ok(())
}

/// The data folder that a recording is in: `DATA/visits/<visit>/recording-N.h5`.
pub fn data_folder(recording: &Path) -> Option<PathBuf> {
    let of = |recording: PathBuf| {
        let visits = recording.parent()?.parent()?;
        (visits.file_name()? == "visits").then(|| visits.parent()?.canonicalize().ok()).flatten()
    };
    let real = recording.canonicalize().ok()?;
    // By its own path first: where `visits` is a link, its target is in no data folder.
    std::path::absolute(recording).ok().and_then(of).or_else(|| of(real))
}

/// Writes an entry down; returns once it survives power loss.
///
/// # Errors
/// The folder cannot be written: then nothing may be exported, because nobody would know of it.
fn note(data: &Path, entry: &Entry) -> io::Result<PathBuf> {
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recording_is_in_the_data_folder_that_it_was_named_in_wherever_its_visits_are_kept() {
        let place = tempfile::tempdir().unwrap();
        let place = place.path().canonicalize().unwrap();
        let (data, elsewhere) = (place.join("data"), place.join("disk/visits"));
        fs::create_dir_all(elsewhere.join("one")).unwrap();
        fs::create_dir(&data).unwrap();
        std::os::unix::fs::symlink(&elsewhere, data.join("visits")).unwrap();
        fs::write(elsewhere.join("one/recording-1.h5"), "").unwrap();
        let recording = data.join("visits/one/recording-1.h5");
        assert_eq!(data_folder(&recording).unwrap(), data);
        let link = place.join("link.h5");
        std::os::unix::fs::symlink(&recording, &link).unwrap();
        assert_eq!(data_folder(&link).unwrap(), place.join("disk"));
        fs::write(place.join("own.h5"), "").unwrap();
        assert_eq!(data_folder(&place.join("own.h5")), None);
    }
}
