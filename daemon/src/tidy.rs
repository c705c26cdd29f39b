//! Keeping journal folders small, by the rule in the data folder's settings and by nothing else.
//!
//! A journal may go when its visit is old enough and its latest recording has been read back whole and was made from this
//! very journal. First it is written down (`journal-removed.json`: when, which files, the journal's digest, the
//! recording); then the segments go, the last one first. A crash between is completed by the next run; meanwhile the note
//! says that the recording is complete, so that nobody seals what is left of the journal.

use crate::files;
use crate::journal::{self, Disk, JournalError};
use serde::{Deserialize, Serialize};
use std::path::Path;
use std::sync::Arc;

/// The note's name in a visit's folder.
const NOTE: &str = "journal-removed.json";

/// A journal that was removed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Removed {
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// The journal's SHA-256, as in the recording.
    pub journal_sha256: String,
    /// The recording that was verified.
    pub recording: String,
    /// Its segments.
    pub segments: Vec<String>,
}

/// The note of a removal, where there is one.
///
/// # Errors
/// It cannot be read.
pub fn removed(disk: &dyn Disk, folder: &Path) -> Result<Option<Removed>, JournalError> {
    Ok(serde_json::from_slice(&files::read(disk, &folder.join(NOTE))?).ok())
}

/// Removes a visit's journal, from which `recording` was made and which was verified (`made_from`: the digest that the
/// recording carries). Gives the note; `None` where the journal is another.
///
/// # Errors
/// The disk refuses; the next run goes on.
pub fn remove_journal(
    disk: &Arc<dyn Disk>,
    folder: &Path,
    recording: &str,
    made_from: &str,
    now_utc: &str,
) -> Result<Option<Removed>, JournalError> {
    let segments = journal::segments(&**disk, folder)?;
    let note = match removed(&**disk, folder)? {
        Some(note) if note.journal_sha256 == made_from => note,
        _ => {
            if segments.is_empty() || journal::read::sha256(&**disk, folder)? != made_from {
                return Ok(None);
            }
            let name = |(number, _): &(u32, _)| journal::segment_name(*number);
            let note = Removed {
                when_utc: now_utc.to_owned(),
                journal_sha256: made_from.to_owned(),
                recording: recording.to_owned(),
                segments: segments.iter().map(name).collect(),
            };
            files::replace(
                &**disk,
                &folder.join(NOTE),
                &serde_json::to_vec_pretty(&note).unwrap_or_default(),
            )?;
            note
        }
    };
    for (_, path) in segments.iter().rev() {
        disk.remove(path).map_err(JournalError::io("remove", path))?;
    }
    disk.sync_folder(folder).map_err(JournalError::io("sync", folder))?;
    Ok((!segments.is_empty()).then_some(note))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};
    use crate::journal::{Options, Record, Writer};

    const FOLDER: &str = "/data/visits/one";

    fn world(seed: u64) -> (SimulatedDisk, String) {
        let disk = SimulatedDisk::new(seed);
        let options =
            Options { segment_bytes: 100, sync_interval: None, reserve_bytes: 0, ..Options::default() };
        let folder = Path::new(FOLDER);
        let mut writer = Writer::create(disk.shared(), folder, uuid::Uuid::nil(), "x", options).unwrap();
        for n in 0..5 {
            writer.append(n, &Record::Bytes { port: 0, bytes: vec![0; 100] }).unwrap();
        }
        writer.finish().unwrap();
        let digest = journal::read::sha256(&*disk.shared(), folder).unwrap();
        (disk, digest)
    }

    fn left(disk: &SimulatedDisk) -> usize {
        journal::segments(&*disk.shared(), Path::new(FOLDER)).unwrap().len()
    }

    fn remove(disk: &SimulatedDisk, made_from: &str) -> Result<Option<Removed>, JournalError> {
        remove_journal(&disk.shared(), Path::new(FOLDER), "recording-1.h5", made_from, "2026-03-02T09:00:00Z")
    }

    #[test]
    fn a_journal_of_which_the_recording_was_not_made_stays() {
        let (disk, _) = world(1);
        let before = left(&disk);
        assert_eq!(remove(&disk, "another").unwrap(), None);
        assert!(left(&disk) == before && before > 2);
    }

    #[test]
    fn whichever_call_fails_it_is_written_down_before_anything_goes_and_the_next_run_completes_it() {
        for n in 0.. {
            let (disk, digest) = world(n);
            let all = left(&disk);
            disk.fail(Some(Fail::Only(n)));
            let done = remove(&disk, &digest);
            let failed = !disk.failed().is_empty();
            disk.fail(None);
            assert_eq!(done.is_err(), failed, "call {n}");
            let note = removed(&*disk.shared(), Path::new(FOLDER)).unwrap();
            assert!(left(&disk) == all || note.is_some_and(|note| note.segments.len() == all), "call {n}");
            remove(&disk, &digest).unwrap();
            assert_eq!(left(&disk), 0);
            if !failed {
                break;
            }
        }
    }
}
