//! Opens HDF5 files for reading: told by their signature, with their claims about sizes checked.
//!
//! Comes in: a path. Goes out: an open file, or an error that tells a missing file from a foreign and a damaged one.
//! libhdf5 itself crashes and hangs on some damaged files: commands open files under [`crate::supervise`].

use crate::console::Advice;
use std::fs;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

/// The first bytes of an HDF5 superblock (HDF5 File Format Specification 3.0, section II.A).
const SIGNATURE: [u8; 8] = *b"\x89HDF\r\n\x1a\n";
/// Deflate cannot do better than 1032 to 1 (zlib's technical details), so a file cannot hold more.
const EXPANSION_MAX: u64 = 1100;
/// Chunks that were never written take no room at all: this much may be claimed without any.
const UNWRITTEN_MAX_BYTES: u64 = 64 << 20;

/// Why a file could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// It could not be read at all.
    #[error("cannot read {}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is a folder.
    #[error("{} is a folder", path.display())]
    Folder {
        /// The folder.
        path: PathBuf,
        /// A recording in it, where there is one.
        inside: Option<PathBuf>,
    },
    /// It has no HDF5 signature.
    #[error("{} is not an HDF5 file", .0.display())]
    NotHdf5(PathBuf),
    /// It has the signature, but cannot be read.
    #[error("damaged file {}: {what}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What was found.
        what: String,
    },
}

impl Advice for OpenError {
    fn hint(&self) -> String {
        match self {
            OpenError::Io { source, .. } if source.kind() == io::ErrorKind::NotFound => {
                "check the path; recordings end in `.h5`".to_owned()
            }
            OpenError::Io { .. } => "check that you may read the file".to_owned(),
            OpenError::Folder { inside: Some(inside), .. } => {
                format!("give a file, such as {}", inside.display())
            }
            OpenError::Folder { inside: None, .. } => {
                "give a recording: a file whose name ends in `.h5`".to_owned()
            }
            OpenError::NotHdf5(_) => "give a recording or another HDF5 file".to_owned(),
            OpenError::Damaged { .. } => DAMAGED_HINT.to_owned(),
        }
    }
}

/// What to do about a damaged file.
pub const DAMAGED_HINT: &str = "use a copy of the file; if it is a recording, its journal can be sealed again with `fingerforced recover`";

/// An open HDF5 file and how long it is.
#[derive(Debug)]
pub struct Opened {
    /// The file, open for reading only.
    pub file: hdf5::File,
    /// Where it is.
    pub path: PathBuf,
    /// Its length in bytes.
    pub bytes: u64,
}

impl Opened {
    /// Whether a file of this length can hold `elements` of `size` bytes. A damaged header may claim anything.
    pub fn can_hold(&self, elements: usize, size: usize) -> bool {
        let claimed = (elements as u64).checked_mul(size as u64);
        claimed.is_some_and(|bytes| bytes <= self.bytes.saturating_mul(EXPANSION_MAX) + UNWRITTEN_MAX_BYTES)
    }

    /// The error "damaged file", naming this file.
    pub fn damaged(&self, what: impl Into<String>) -> OpenError {
        OpenError::Damaged { path: self.path.clone(), what: what.into() }
    }
}

/// Whether a file is HDF5, by its signature: at byte 0, or at 512, 1024, 2048, … behind a user block.
pub fn is_hdf5(path: &Path) -> io::Result<bool> {
    let metadata = fs::metadata(path)?;
    // A pipe is not even opened: that would wait for its writer, and take what it writes away from who reads it.
    if !metadata.is_file() {
        return Ok(false);
    }
    let mut file = fs::File::open(path)?;
    let mut at = 0_u64;
    while at.saturating_add(SIGNATURE.len() as u64) <= metadata.len() {
        file.seek(SeekFrom::Start(at))?;
        let mut found = [0_u8; SIGNATURE.len()];
        file.read_exact(&mut found)?;
        if found == SIGNATURE {
            return Ok(true);
        }
        at = if at == 0 { 512 } else { at.saturating_mul(2) };
    }
    Ok(false)
}

/// Whether a file's name says that it is HDF5, as a recording's does.
pub fn is_named_so(path: &Path) -> bool {
    path.extension().is_some_and(|extension| extension == "h5")
}

/// The first HDF5 file in a folder, by name; a data folder has them two folders down.
fn first_inside(folder: &Path, depth: u8) -> Option<PathBuf> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder).ok()?.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    let here = paths.iter().filter(|path| is_named_so(path)).find(|path| is_hdf5(path).unwrap_or(false));
    let below = || paths.iter().filter(|path| path.is_dir()).find_map(|path| first_inside(path, depth - 1));
    here.cloned().or_else(|| if depth > 0 { below() } else { None })
}

/// Opens files without a lock. Recordings are written once, under a name nobody knows, so nothing needs one; and locks
/// fail on network folders and while a child process that has inherited the open file is still there.
pub fn unlocked() -> hdf5::FileBuilder {
    let mut builder = hdf5::File::with_options();
    builder.access_plist().file_locking(false);
    builder
}

/// Opens an HDF5 file for reading.
pub fn open(path: &Path) -> Result<Opened, OpenError> {
    let io = |source| OpenError::Io { path: path.to_owned(), source };
    let bytes = fs::metadata(path).map_err(io)?.len();
    if path.is_dir() {
        return Err(OpenError::Folder { path: path.to_owned(), inside: first_inside(path, 2) });
    }
    if !is_hdf5(path).map_err(io)? {
        let what = if bytes == 0 { "it is empty" } else { "it does not begin as an HDF5 file does" };
        return Err(match is_named_so(path) {
            true => OpenError::Damaged { path: path.to_owned(), what: what.to_owned() },
            false => OpenError::NotHdf5(path.to_owned()),
        });
    }
    match unlocked().open(path) {
        Ok(file) => Ok(Opened { file, path: path.to_owned(), bytes }),
        Err(error) => Err(OpenError::Damaged { path: path.to_owned(), what: summary(&error) }),
    }
}

/// What libhdf5 said, in one line; where the system refused, what the system said instead of libhdf5's own details.
pub fn summary(error: &hdf5::Error) -> String {
    let told = error.to_string().split_whitespace().collect::<Vec<_>>().join(" ");
    let system = told.split_once("error message = '").and_then(|(_, rest)| rest.split_once('\''));
    match (told.split_once(": time = "), system) {
        (Some((what, _)), Some((system, _))) => format!("{what}: {system}"),
        _ => told,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_told_by_its_signature_also_behind_a_user_block() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("named-without-extension");
        fs::write(&path, b"time_s,force_n\n0,1\n").unwrap();
        assert!(!is_hdf5(&path).unwrap());
        assert!(matches!(open(&path), Err(OpenError::NotHdf5(_))));
        let mut bytes = vec![0; 1024];
        bytes.extend(SIGNATURE);
        fs::write(&path, bytes).unwrap();
        assert!(is_hdf5(&path).unwrap());
        assert!(matches!(open(&path), Err(OpenError::Damaged { .. })));
    }

    #[test]
    fn one_that_is_named_as_a_recording_and_does_not_begin_as_one_is_damaged() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("recording-1.h5");
        for (bytes, what) in [(&b""[..], "it is empty"), (b"\x88HDF\r\n\x1a\n", "does not begin")] {
            fs::write(&path, bytes).unwrap();
            let error = open(&path).unwrap_err();
            assert!(
                matches!(error, OpenError::Damaged { .. }) && error.to_string().contains(what),
                "{error}"
            );
        }
    }

    #[test]
    fn a_pipe_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pipe");
        nix::unistd::mkfifo(&path, nix::sys::stat::Mode::S_IRWXU).unwrap();
        // Opening it would wait forever for a writer.
        assert!(!is_hdf5(&path).unwrap());
    }

    #[test]
    fn a_missing_file_is_not_called_damaged() {
        let error = open(Path::new("/nowhere/at-all.h5")).unwrap_err();
        assert!(matches!(error, OpenError::Io { .. }), "{error}");
    }
}
