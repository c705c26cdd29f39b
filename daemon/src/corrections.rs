//! Corrections of a visit: appended to its `corrections.jsonl`, never changed.
//!
//! Comes in: a correction. Goes out: a line that survives power loss, or an error and a file that reads as before. A
//! crash may leave a torn last line: what comes next begins a line of its own, and who reads it is told.

use crate::files;
use crate::journal::disk::append_all;
use crate::journal::{Disk, JournalError};
use analysis::corrections::{self, BadLine, Correction};
use std::path::Path;

/// The corrections of a visit, and lines that are none.
///
/// # Errors
/// The file cannot be read.
pub fn read(disk: &dyn Disk, folder: &Path) -> Result<(Vec<Correction>, Vec<BadLine>), JournalError> {
    Ok(corrections::parse(&files::read(disk, &folder.join(corrections::FILE))?))
}

/// Appends a correction under the next number, and gives it as it was written.
///
/// # Errors
/// The disk refuses; the file then reads as before.
pub fn append(
    disk: &dyn Disk,
    folder: &Path,
    correction: Correction,
    held: u64,
) -> Result<Correction, JournalError> {
    let path = folder.join(corrections::FILE);
    let io = |doing| JournalError::io(doing, &path);
    let existing = files::read(disk, &folder.join(corrections::FILE))?;
    let refused = |why: &str| Err(io("append to")(std::io::Error::other(why.to_owned())));
    if existing.len() as u64 >= files::BYTES_MAX {
        return refused(
            "it is so large that what is appended would never be read; it cannot have been made here",
        );
    }
    let (known, _) = corrections::parse(&existing);
    // The file may be damaged, gone or an older one: a number that the recording holds already would never be applied.
    let last = known.iter().map(|known| known.number).max().unwrap_or(0).max(held);
    let Some(number) = last.checked_add(1) else {
        return refused("a correction in it has the last number there is: it is damaged");
    };
    let correction = Correction { number, ..correction };
    let line = corrections::line(&correction, &existing)
        .map_err(|error| JournalError::io("write", &path)(error.into()))?;
    let file = disk.open_append(&path).map_err(io("open"))?;
    let written =
        append_all(&*file, &line).and_then(|()| file.sync()).and_then(|()| disk.sync_folder(folder));
    if let Err(error) = written {
        // Nothing was promised yet: what was written of it is taken back. A torn line costs only itself anyway.
        let _ = file.cut(existing.len() as u64);
        return Err(io("write")(error));
    }
    Ok(correction)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};
    use analysis::corrections::Change;

    const FOLDER: &str = "/data/visits/one";

    fn correction(why: &str) -> Correction {
        Correction {
            number: 0,
            when_utc: "2026-03-05T08:00:00Z".to_owned(),
            who: "E01".to_owned(),
            why: why.to_owned(),
            change: Change::Trial { trial: 1, to: None, valid: Some(false) },
        }
    }

    fn numbers(disk: &SimulatedDisk) -> Vec<u64> {
        let (read, bad) = read(&*disk.shared(), Path::new(FOLDER)).unwrap();
        assert_eq!(bad, []);
        read.iter().map(|correction| correction.number).collect()
    }

    #[test]
    fn corrections_are_numbered_and_survive_power_loss_once_written() {
        let disk = SimulatedDisk::new(1);
        disk.shared().make_folder(Path::new(FOLDER)).unwrap();
        for number in 1..=3 {
            let written = append(&*disk.shared(), Path::new(FOLDER), correction("slipped"), 0).unwrap();
            assert_eq!(written.number, number);
            disk.lose_power();
        }
        assert_eq!(numbers(&disk), [1, 2, 3]);
    }

    #[test]
    fn whichever_call_fails_the_corrections_before_are_there_and_the_next_one_is_taken() {
        for n in 0.. {
            let disk = SimulatedDisk::new(n);
            let folder = Path::new(FOLDER);
            disk.shared().make_folder(folder).unwrap();
            append(&*disk.shared(), folder, correction("first"), 0).unwrap();
            disk.fail(Some(Fail::Only(n)));
            let second = append(&*disk.shared(), folder, correction("second"), 0);
            let failed = !disk.failed().is_empty();
            disk.fail(None);
            assert_eq!(second.is_err(), failed, "call {n}");
            let before = numbers(&disk);
            assert_eq!(before[0], 1);
            append(&*disk.shared(), folder, correction("third"), 0).unwrap();
            assert_eq!(numbers(&disk).len(), before.len() + 1, "call {n}");
            if !failed {
                assert!(n > 4, "only {n} calls");
                break;
            }
        }
    }
}
