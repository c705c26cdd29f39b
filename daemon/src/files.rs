//! Small files of a data folder, behind the [`Disk`] seam: read whole, or replaced whole.

use crate::journal::disk::{append_all, read_full};
use crate::journal::{Disk, JournalError};
use std::io::ErrorKind;
use std::path::Path;

/// No small file is larger; of one that is, this much is read.
pub const BYTES_MAX: u64 = 64 << 20;

/// What is in a file; nothing where there is none.
///
/// # Errors
/// It cannot be read.
pub fn read(disk: &dyn Disk, path: &Path) -> Result<Vec<u8>, JournalError> {
    let file = match disk.open_read(path) {
        Ok(file) => file,
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(JournalError::io("open", path)(error)),
    };
    let length = file.length().map_err(JournalError::io("read", path))?.min(BYTES_MAX);
    let mut bytes = vec![0; usize::try_from(length).unwrap_or(0)];
    let filled = read_full(&*file, 0, &mut bytes).map_err(JournalError::io("read", path))?;
    bytes.truncate(filled);
    Ok(bytes)
}

/// Puts this in the file's place: after a crash at any point it holds all of the old or all of the new.
///
/// # Errors
/// The disk refuses; the file then holds what it held.
pub fn replace(disk: &dyn Disk, path: &Path, bytes: &[u8]) -> Result<(), JournalError> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let (folder, partial) =
        (path.parent().unwrap_or(Path::new(".")), path.with_file_name(format!(".{name}.partial")));
    // One that a crash left is begun again.
    match disk.remove(&partial) {
        Err(error) if error.kind() != ErrorKind::NotFound => {
            return Err(JournalError::io("remove", &partial)(error));
        }
        _ => {}
    }
    let file = disk.create_new(&partial).map_err(JournalError::io("create", &partial))?;
    append_all(&*file, bytes).and_then(|()| file.sync()).map_err(JournalError::io("write", &partial))?;
    disk.rename(&partial, path).map_err(JournalError::io("rename", &partial))?;
    disk.sync_folder(folder).map_err(JournalError::io("sync", folder))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};

    #[test]
    fn whichever_call_fails_a_file_holds_the_old_or_the_new() {
        let path = Path::new("/data/small.json");
        for n in 0.. {
            let disk = SimulatedDisk::new(n);
            disk.shared().create_folder(Path::new("/data")).unwrap();
            replace(&*disk.shared(), path, b"old").unwrap();
            disk.fail(Some(Fail::Only(n)));
            let done = replace(&*disk.shared(), path, b"newer");
            let failed = !disk.failed().is_empty();
            disk.fail(None);
            assert_eq!(done.is_err(), failed);
            let held = read(&*disk.shared(), path).unwrap();
            assert!(held == b"newer" || (failed && held == b"old"), "call {n}: {held:?}");
            replace(&*disk.shared(), path, b"newest").unwrap();
            if !failed {
                break;
            }
        }
    }
}
