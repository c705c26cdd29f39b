//! The disk behind a seam: what the journal, the visits' folders and recovery need of a file system, and no more.
//!
//! In: paths and bytes. Out: `io::Result`. [`SystemDisk`] is the real one (files 0600, folders 0700);
//! [`super::simulated_disk::SimulatedDisk`] one in memory that fails, cuts writes short and loses what was not synced,
//! all from a script or a seed. Nothing else under `journal` touches a file.

use nix::fcntl::{Flock, FlockArg, OFlag};
use std::ffi::OsString;
use std::fmt::Debug;
use std::fs::{DirBuilder, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt, FileExt, OpenOptionsExt};
use std::path::Path;
use std::sync::Arc;

/// A file that only grows. Shared: one thread appends while another syncs.
pub trait AppendFile: Send + Sync + Debug {
    /// Writes at the end; may take fewer bytes than given (never 0 of some). What it took survives the process.
    ///
    /// # Errors
    /// Whatever the file system says; some of the bytes may have been written all the same.
    fn append(&self, bytes: &[u8]) -> io::Result<usize>;

    /// Returns once everything appended so far survives power loss.
    ///
    /// # Errors
    /// After an error nothing is known about what was not yet synced, and a later success proves nothing about it:
    /// the kernel reports a lost page once, then calls it clean.
    fn sync(&self) -> io::Result<()>;

    /// Shortens the file to `bytes`, to take back an append that failed half-way.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn cut(&self, bytes: u64) -> io::Result<()>;
}

/// A file that is read at any place.
pub trait ReadFile: Send + Debug {
    /// Its length, in bytes.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn length(&self) -> io::Result<u64>;

    /// Reads up to `into.len()` bytes from byte `at`; 0 only at the end.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn read_at(&self, at: u64, into: &mut [u8]) -> io::Result<usize>;
}

/// One name in a folder.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Entry {
    /// Its name, without the folder. Bytes that are no UTF-8 are replaced: such a name is none of ours.
    pub name: String,
    /// A folder, not a file.
    pub is_folder: bool,
}

/// Keeps a lock until dropped.
pub trait Held: Send + Sync + Debug {}

/// What came of asking for a lock.
#[derive(Debug)]
pub enum Locking {
    /// It is ours until this is dropped (or the process ends).
    Taken(Box<dyn Held>),
    /// Somebody has it; what their lock file says about them.
    HeldBy(String),
}

/// A file system.
pub trait Disk: Send + Sync + Debug {
    /// Makes a folder and those above it, for the owner only. One that is there already is fine.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn create_folder(&self, path: &Path) -> io::Result<()>;

    /// The same, and returns once their names survive power loss.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn make_folder(&self, path: &Path) -> io::Result<()> {
        let Some(above) = path.parent() else { return Ok(()) };
        let above = if above.as_os_str().is_empty() { Path::new(".") } else { above };
        match self.list(above) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => self.make_folder(above)?,
            there => drop(there?),
        }
        self.create_folder(path)?;
        self.sync_folder(above)
    }

    /// What is in a folder, sorted by name.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn list(&self, folder: &Path) -> io::Result<Vec<Entry>>;

    /// The same with names as they are, whatever bytes are in them, and whether each is a folder: what is to be removed
    /// has to be called by its own name.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn names(&self, folder: &Path) -> io::Result<Vec<(OsString, bool)>> {
        Ok(self.list(folder)?.into_iter().map(|entry| (entry.name.into(), entry.is_folder)).collect())
    }

    /// Creates a file for appending; one that exists is an error, never overwritten.
    ///
    /// # Errors
    /// `AlreadyExists`, or whatever else the file system says.
    fn create_new(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>>;

    /// Opens a file for appending, creating it when it is not there.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn open_append(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>>;

    /// Opens a file for reading.
    ///
    /// # Errors
    /// `NotFound`, or whatever else the file system says.
    fn open_read(&self, path: &Path) -> io::Result<Box<dyn ReadFile>>;

    /// Gives a file another name, atomically, replacing what had that name.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;

    /// Removes a file.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn remove(&self, path: &Path) -> io::Result<()>;

    /// Removes a folder that holds nothing.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn remove_folder(&self, path: &Path) -> io::Result<()>;

    /// Bytes an ordinary user can still write where this folder is.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn free_bytes(&self, folder: &Path) -> io::Result<u64>;

    /// Returns once a file that nobody is appending to survives power loss.
    ///
    /// # Errors
    /// As [`AppendFile::sync`].
    fn sync_file(&self, path: &Path) -> io::Result<()>;

    /// Returns once the names in a folder survive power loss.
    ///
    /// # Errors
    /// Whatever the file system says.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;

    /// Asks for the exclusive lock that a file stands for, without waiting, and writes `owner` into it.
    ///
    /// # Errors
    /// Whatever the file system says; a lock that somebody holds is no error but an answer.
    fn lock(&self, path: &Path, owner: &str) -> io::Result<Locking>;

    /// Somebody holds that lock. Asking makes and changes no file.
    fn is_locked(&self, path: &Path) -> bool;
}

/// Appends all of `bytes`, however short the writes are.
///
/// # Errors
/// As [`AppendFile::append`]; some of the bytes may have been written.
pub fn append_all(file: &dyn AppendFile, mut bytes: &[u8]) -> io::Result<()> {
    while !bytes.is_empty() {
        match file.append(bytes) {
            Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
            Ok(taken) => bytes = bytes.get(taken..).unwrap_or_default(),
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

/// Reads from byte `at` until `into` is full or the file ends, and says how many bytes came.
///
/// # Errors
/// As [`ReadFile::read_at`].
pub fn read_full(file: &dyn ReadFile, at: u64, into: &mut [u8]) -> io::Result<usize> {
    let mut filled = 0;
    while let Some(rest) = into.get_mut(filled..).filter(|rest| !rest.is_empty()) {
        match file.read_at(at + filled as u64, rest) {
            Ok(0) => break,
            Ok(came) => filled += came,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
    Ok(filled)
}

/// The machine's file system.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemDisk;

impl SystemDisk {
    /// It, as the journal takes it.
    #[must_use]
    pub fn shared() -> Arc<dyn Disk> {
        Arc::new(Self)
    }
}

#[derive(Debug)]
struct SystemFile(File);

impl AppendFile for SystemFile {
    #[allow(clippy::disallowed_methods, reason = "a short write is what `append` promises")]
    fn append(&self, bytes: &[u8]) -> io::Result<usize> {
        (&self.0).write(bytes)
    }

    fn sync(&self) -> io::Result<()> {
        self.0.sync_data()
    }

    fn cut(&self, bytes: u64) -> io::Result<()> {
        self.0.set_len(bytes)
    }
}

impl ReadFile for SystemFile {
    fn length(&self) -> io::Result<u64> {
        Ok(self.0.metadata()?.len())
    }

    fn read_at(&self, at: u64, into: &mut [u8]) -> io::Result<usize> {
        FileExt::read_at(&self.0, into, at)
    }
}

#[derive(Debug)]
struct SystemLock {
    _unlocks_when_dropped: Flock<File>,
}

impl Held for SystemLock {}

impl Disk for SystemDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        DirBuilder::new().recursive(true).mode(0o700).create(path)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<Entry>> {
        let mut entries = Vec::new();
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            entries.push(Entry { name, is_folder: entry.file_type()?.is_dir() });
        }
        entries.sort();
        Ok(entries)
    }

    fn names(&self, folder: &Path) -> io::Result<Vec<(OsString, bool)>> {
        let named = |entry: io::Result<std::fs::DirEntry>| {
            let entry = entry?;
            Ok((entry.file_name(), entry.file_type()?.is_dir()))
        };
        std::fs::read_dir(folder)?.map(named).collect()
    }

    fn create_new(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>> {
        let file = OpenOptions::new().append(true).create_new(true).mode(0o600).open(path)?;
        Ok(Arc::new(SystemFile(file)))
    }

    fn open_append(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>> {
        let file = OpenOptions::new().append(true).create(true).mode(0o600).open(path)?;
        Ok(Arc::new(SystemFile(file)))
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn ReadFile>> {
        // Anybody may have put anything there: a pipe would be waited for without end.
        let file = OpenOptions::new().read(true).custom_flags(OFlag::O_NONBLOCK.bits()).open(path)?;
        if !file.metadata()?.is_file() {
            return Err(io::Error::new(io::ErrorKind::InvalidInput, "it is no regular file"));
        }
        Ok(Box::new(SystemFile(file)))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        std::fs::rename(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_file(path)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        std::fs::remove_dir(path)
    }

    fn free_bytes(&self, folder: &Path) -> io::Result<u64> {
        let told = nix::sys::statvfs::statvfs(folder)?;
        // The field's width differs between platforms.
        #[allow(clippy::unnecessary_cast, clippy::cast_lossless, reason = "u32 on some platforms")]
        Ok((told.blocks_available() as u64).saturating_mul(told.fragment_size() as u64))
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        File::open(path)?.sync_all()
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        File::open(folder)?.sync_all()
    }

    fn is_locked(&self, path: &Path) -> bool {
        let Ok(file) = File::open(path) else { return false };
        matches!(Flock::lock(file, FlockArg::LockSharedNonblock), Err((_, nix::errno::Errno::EWOULDBLOCK)))
    }

    fn lock(&self, path: &Path, owner: &str) -> io::Result<Locking> {
        // What a link leads to is somebody else's, and would be overwritten.
        let flags = (OFlag::O_NOFOLLOW | OFlag::O_NONBLOCK).bits();
        let mut options = OpenOptions::new();
        let options = options.read(true).write(true).create(true).truncate(false).mode(0o600);
        let file = options.custom_flags(flags).open(path)?;
        match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
            Ok(held) => {
                held.set_len(0)?;
                held.write_all_at(owner.as_bytes(), 0)?;
                Ok(Locking::Taken(Box::new(SystemLock { _unlocks_when_dropped: held })))
            }
            Err((mut file, nix::errno::Errno::EWOULDBLOCK)) => {
                let mut text = Vec::new();
                Read::by_ref(&mut file).take(200).read_to_end(&mut text)?;
                Ok(Locking::HeldBy(String::from_utf8_lossy(&text).trim().to_owned()))
            }
            Err((_, error)) => Err(error.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pipe_is_not_waited_for_and_what_a_link_leads_to_is_left_alone() {
        let place = tempfile::tempdir().unwrap();
        let at = |name: &str| place.path().join(name);
        nix::unistd::mkfifo(&at("settings.toml"), nix::sys::stat::Mode::S_IRWXU).unwrap();
        let refused = SystemDisk.open_read(&at("settings.toml")).unwrap_err();
        assert_eq!(refused.kind(), io::ErrorKind::InvalidInput);
        std::fs::write(at("theirs.txt"), "theirs").unwrap();
        std::os::unix::fs::symlink(at("theirs.txt"), at("lock")).unwrap();
        assert!(SystemDisk.lock(&at("lock"), "process 1").is_err());
        assert_eq!(std::fs::read_to_string(at("theirs.txt")).unwrap(), "theirs");
    }
}
