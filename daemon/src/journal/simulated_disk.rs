//! A disk in memory with a disk's faults, all from a script or a seed.
//!
//! In: a plan of faults. Out: a [`Disk`] like any other, and the same again after a crash. The fault model:
//!
//! - **Any call can fail**, the n-th or all from the n-th on ([`SimulatedDisk::fail`]). A failing append has written
//!   some of the bytes, none or all.
//! - **A short write** takes some of the bytes and says so.
//! - **A full disk** takes what fits.
//! - **A failed sync loses what it was about**, for ever, while reads still show it and later syncs succeed: a kernel
//!   reports a lost page once and then calls it clean (Rebello et al., *Can Applications Recover from fsync Failures?*,
//!   USENIX ATC 2020).
//! - **Power loss** ([`SimulatedDisk::lose_power`]) drops what was not synced, or keeps it, sector by sector in any
//!   combination; the length may be ahead of the contents, which are then zeros. Names that were not synced go back, the
//!   last ones first, a new folder's with all that is in it. What else was synced stays, always.
//! - **The process's death** loses nothing but its locks.
//!
//! Left out, because no program can answer for it: a disk that says it synced and has not, and bytes that rot (tests
//! damage files themselves, with [`SimulatedDisk::edit`]).

use super::disk::{AppendFile, Disk, Entry, Held, Locking, ReadFile};
use std::collections::{BTreeMap, BTreeSet};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What is lost or kept as one.
const SECTOR_BYTES: usize = 512;

/// Which calls fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fail {
    /// The n-th from here, counted from 0.
    Only(u64),
    /// That one and all after it.
    From(u64),
    /// Every n-th, for n above 0.
    Every(u64),
}

/// A disk in memory. Clones are the same disk.
#[derive(Debug, Clone)]
pub struct SimulatedDisk(Arc<Mutex<World>>);

#[derive(Debug)]
struct World {
    random: u64,
    folders: BTreeSet<PathBuf>,
    names: BTreeMap<PathBuf, usize>,
    files: Vec<Contents>,
    /// Changes of names since their folder was synced, oldest first.
    unsynced_names: Vec<NameChange>,
    locks: BTreeMap<PathBuf, String>,
    calls: u64,
    fail: Option<Fail>,
    failed: Vec<(u64, &'static str)>,
    short_writes: bool,
    capacity_bytes: u64,
    during_sync: Option<Meanwhile>,
}

/// Something done while a file is being synced.
struct Meanwhile(Box<dyn FnOnce() + Send>);

impl std::fmt::Debug for Meanwhile {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Meanwhile")
    }
}

#[derive(Debug, Default)]
struct Contents {
    bytes: Vec<u8>,
    /// Contents as they are certain to survive; as long as what was synced.
    durable: Vec<u8>,
    /// Ranges that a failed sync lost: no later sync saves them.
    lost: Vec<(usize, usize)>,
}

#[derive(Debug)]
enum NameChange {
    Added(PathBuf),
    FolderAdded(PathBuf),
    Removed(PathBuf, usize),
    Renamed { from: PathBuf, to: PathBuf, replaced: Option<usize> },
}

impl SimulatedDisk {
    /// An empty disk without faults, of unlimited size.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(Arc::new(Mutex::new(World {
            random: seed,
            folders: BTreeSet::new(),
            names: BTreeMap::new(),
            files: Vec::new(),
            unsynced_names: Vec::new(),
            locks: BTreeMap::new(),
            calls: 0,
            fail: None,
            failed: Vec::new(),
            short_writes: false,
            capacity_bytes: u64::MAX,
            during_sync: None,
        })))
    }

    /// It, as the journal takes it.
    #[must_use]
    pub fn shared(&self) -> Arc<dyn Disk> {
        Arc::new(self.clone())
    }

    /// Sets which calls fail, counting from now; `None` for no more.
    pub fn fail(&self, fail: Option<Fail>) {
        let mut world = self.world();
        world.calls = 0;
        world.fail = fail;
    }

    /// Lets every append take a random part of what it is given.
    pub fn set_short_writes(&self, short: bool) {
        self.world().short_writes = short;
    }

    /// Lets something happen during the next sync of a file: after what the sync saves is settled, before it returns.
    pub fn during_next_sync(&self, meanwhile: impl FnOnce() + Send + 'static) {
        self.world().during_sync = Some(Meanwhile(Box::new(meanwhile)));
    }

    /// Sets how much the disk holds.
    pub fn set_capacity_bytes(&self, bytes: u64) {
        self.world().capacity_bytes = bytes;
    }

    /// How many calls there were since [`SimulatedDisk::fail`].
    #[must_use]
    pub fn calls(&self) -> u64 {
        self.world().calls
    }

    /// The calls that failed: their number and what they were.
    #[must_use]
    pub fn failed(&self) -> Vec<(u64, &'static str)> {
        self.world().failed.clone()
    }

    /// The power goes: whatever was not synced may be gone. Locks are free again.
    pub fn lose_power(&self) {
        self.world().lose_power();
    }

    /// The process dies: only locks are gone.
    pub fn kill_process(&self) {
        self.world().locks.clear();
    }

    /// Changes a file's contents behind everybody's back; `false` when it is not there.
    pub fn edit(&self, path: &Path, change: impl FnOnce(&mut Vec<u8>)) -> bool {
        let mut world = self.world();
        let Some(contents) = world.contents(path) else { return false };
        change(&mut contents.bytes);
        contents.durable.clone_from(&contents.bytes);
        true
    }

    /// A file's contents, when it is there.
    #[must_use]
    pub fn contents(&self, path: &Path) -> Option<Vec<u8>> {
        self.world().contents(path).map(|contents| contents.bytes.clone())
    }

    fn world(&self) -> MutexGuard<'_, World> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn file(&self, index: usize) -> SimulatedFile {
        SimulatedFile { disk: self.clone(), index }
    }
}

impl World {
    /// SplitMix64 (Steele, Lea and Flood, OOPSLA 2014): enough for a plan of faults.
    fn random(&mut self) -> u64 {
        self.random = self.random.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.random;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        mixed ^ (mixed >> 31)
    }

    fn random_below(&mut self, end: usize) -> usize {
        (self.random() % (end.max(1) as u64)) as usize
    }

    /// Counts a call, and says whether it fails.
    fn call(&mut self, what: &'static str) -> io::Result<()> {
        let number = self.calls;
        self.calls += 1;
        let fails = match self.fail {
            Some(Fail::Only(n)) => number == n,
            Some(Fail::From(n)) => number >= n,
            Some(Fail::Every(n)) => n > 0 && number % n == n - 1,
            None => false,
        };
        if !fails {
            return Ok(());
        }
        self.failed.push((number, what));
        Err(io::Error::other(format!("simulated fault in call {number}, {what}")))
    }

    fn contents(&mut self, path: &Path) -> Option<&mut Contents> {
        let index = *self.names.get(path)?;
        self.files.get_mut(index)
    }

    fn used_bytes(&self) -> u64 {
        self.names
            .values()
            .filter_map(|index| self.files.get(*index))
            .map(|file| file.bytes.len() as u64)
            .sum()
    }

    fn create(&mut self, path: &Path) -> io::Result<usize> {
        if !path.parent().is_some_and(|folder| self.folders.contains(folder)) {
            return Err(io::ErrorKind::NotFound.into());
        }
        let index = self.files.len();
        self.files.push(Contents::default());
        self.names.insert(path.to_owned(), index);
        self.unsynced_names.push(NameChange::Added(path.to_owned()));
        Ok(index)
    }

    fn append(&mut self, index: usize, bytes: &[u8]) -> io::Result<usize> {
        let failing = self.call("append");
        let room =
            usize::try_from(self.capacity_bytes.saturating_sub(self.used_bytes())).unwrap_or(usize::MAX);
        let mut taken = bytes.len().min(room);
        if failing.is_err() {
            taken = self.random_below(taken + 1);
        } else if self.short_writes && taken > 1 {
            taken = 1 + self.random_below(taken);
        }
        if let Some(file) = self.files.get_mut(index) {
            file.bytes.extend(bytes.get(..taken).unwrap_or_default());
        }
        failing?;
        if taken == 0 && !bytes.is_empty() { Err(io::ErrorKind::StorageFull.into()) } else { Ok(taken) }
    }

    fn sync(&mut self, index: usize) -> io::Result<()> {
        let failing = self.call("sync");
        if let Some(file) = self.files.get_mut(index) {
            if failing.is_err() {
                file.lost.push((file.durable.len(), file.bytes.len()));
            } else {
                file.durable.clone_from(&file.bytes);
                for (from, to) in &file.lost {
                    file.durable.iter_mut().take(*to).skip(*from).for_each(|byte| *byte = 0);
                }
            }
        }
        failing
    }

    fn lose_power(&mut self) {
        self.locks.clear();
        let keep = self.random_below(self.unsynced_names.len() + 1);
        while self.unsynced_names.len() > keep {
            match self.unsynced_names.pop() {
                Some(NameChange::Added(path)) => {
                    self.names.remove(&path);
                }
                Some(NameChange::FolderAdded(folder)) => {
                    self.folders.retain(|path| !path.starts_with(&folder));
                    self.names.retain(|path, _| !path.starts_with(&folder));
                }
                Some(NameChange::Removed(path, index)) => {
                    self.names.insert(path, index);
                }
                Some(NameChange::Renamed { from, to, replaced }) => {
                    let index = self.names.remove(&to);
                    self.names.extend(index.map(|index| (from, index)));
                    self.names.extend(replaced.map(|index| (to, index)));
                }
                None => {}
            }
        }
        self.unsynced_names.clear();
        for index in 0..self.files.len() {
            let flips: Vec<u64> = (0..=self.files.get(index).map_or(0, Contents::sectors) / 64)
                .map(|_| self.random())
                .collect();
            let cut = self.random();
            if let Some(file) = self.files.get_mut(index) {
                file.lose_power(&flips, cut);
            }
        }
    }
}

impl Contents {
    fn sectors(&self) -> usize {
        self.bytes.len().div_ceil(SECTOR_BYTES)
    }

    /// Keeps what is durable, of the rest the sectors whose bit in `flips` is set, and a length that `cut` chooses.
    fn lose_power(&mut self, flips: &[u64], cut: u64) {
        let durable = self.durable.len();
        let unsynced = self.bytes.len().saturating_sub(durable);
        let length = durable + (cut % (unsynced as u64 + 1)) as usize;
        let mut after = std::mem::take(&mut self.durable);
        for at in durable..length {
            let sector = at / SECTOR_BYTES;
            let kept = flips.get(sector / 64).is_some_and(|bits| bits >> (sector % 64) & 1 == 1);
            let lost = self.lost.iter().any(|(from, to)| (*from..*to).contains(&at));
            after.push(self.bytes.get(at).copied().filter(|_| kept && !lost).unwrap_or(0));
        }
        self.bytes.clone_from(&after);
        self.durable = after;
        self.lost.clear();
    }
}

#[derive(Debug)]
struct SimulatedFile {
    disk: SimulatedDisk,
    index: usize,
}

impl AppendFile for SimulatedFile {
    fn append(&self, bytes: &[u8]) -> io::Result<usize> {
        self.disk.world().append(self.index, bytes)
    }

    fn sync(&self) -> io::Result<()> {
        let mut world = self.disk.world();
        let synced = world.sync(self.index);
        let meanwhile = world.during_sync.take();
        drop(world);
        if let Some(Meanwhile(act)) = meanwhile {
            act();
        }
        synced
    }

    fn cut(&self, bytes: u64) -> io::Result<()> {
        let mut world = self.disk.world();
        world.call("cut")?;
        if let Some(file) = world.files.get_mut(self.index) {
            let length = usize::try_from(bytes).unwrap_or(usize::MAX);
            file.bytes.truncate(length);
            file.durable.truncate(length);
            // What is written there next is another page's worth: only what was lost below the cut stays lost.
            file.lost.iter_mut().for_each(|(_, to)| *to = (*to).min(length));
        }
        Ok(())
    }
}

impl ReadFile for SimulatedFile {
    fn length(&self) -> io::Result<u64> {
        let mut world = self.disk.world();
        world.call("length")?;
        Ok(world.files.get(self.index).map_or(0, |file| file.bytes.len() as u64))
    }

    fn read_at(&self, at: u64, into: &mut [u8]) -> io::Result<usize> {
        let mut world = self.disk.world();
        world.call("read")?;
        let at = usize::try_from(at).unwrap_or(usize::MAX);
        let rest = world.files.get(self.index).and_then(|file| file.bytes.get(at..)).unwrap_or_default();
        let came = rest.len().min(into.len());
        into.iter_mut().zip(rest).for_each(|(to, from)| *to = *from);
        Ok(came)
    }
}

#[derive(Debug)]
struct SimulatedLock {
    disk: SimulatedDisk,
    path: PathBuf,
}

impl Held for SimulatedLock {}

impl Drop for SimulatedLock {
    fn drop(&mut self) {
        self.disk.world().locks.remove(&self.path);
    }
}

impl Disk for SimulatedDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.call("create folder")?;
        let mut added: Vec<_> = path.ancestors().filter(|folder| !world.folders.contains(*folder)).collect();
        added.reverse();
        // The root has no name.
        let named = added.iter().filter(|folder| folder.parent().is_some());
        world.unsynced_names.extend(named.map(|folder| NameChange::FolderAdded((*folder).to_owned())));
        world.folders.extend(added.into_iter().map(Path::to_owned));
        Ok(())
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<Entry>> {
        let mut world = self.world();
        world.call("list")?;
        if !world.folders.contains(folder) {
            return Err(io::ErrorKind::NotFound.into());
        }
        let files = world.names.keys().map(|path| (path, false));
        let folders = world.folders.iter().map(|path| (path, true));
        let mut entries: Vec<_> = files
            .chain(folders)
            .filter(|(path, _)| path.parent() == Some(folder))
            .filter_map(|(path, is_folder)| {
                Some((path.file_name()?.to_string_lossy().into_owned(), is_folder))
            })
            .map(|(name, is_folder)| Entry { name, is_folder })
            .collect();
        entries.sort();
        Ok(entries)
    }

    fn create_new(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>> {
        let mut world = self.world();
        world.call("create")?;
        if world.names.contains_key(path) {
            return Err(io::ErrorKind::AlreadyExists.into());
        }
        let index = world.create(path)?;
        Ok(Arc::new(self.file(index)))
    }

    fn open_append(&self, path: &Path) -> io::Result<Arc<dyn AppendFile>> {
        let mut world = self.world();
        world.call("open for appending")?;
        let there = world.names.get(path).copied();
        let index = there.map_or_else(|| world.create(path), Ok)?;
        Ok(Arc::new(self.file(index)))
    }

    fn open_read(&self, path: &Path) -> io::Result<Box<dyn ReadFile>> {
        let mut world = self.world();
        world.call("open for reading")?;
        let index = *world.names.get(path).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(self.file(index)))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.call("rename")?;
        let index = world.names.remove(from).ok_or(io::ErrorKind::NotFound)?;
        let replaced = world.names.insert(to.to_owned(), index);
        let (from, to) = (from.to_owned(), to.to_owned());
        world.unsynced_names.push(NameChange::Renamed { from, to, replaced });
        Ok(())
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.call("remove")?;
        let index = world.names.remove(path).ok_or(io::ErrorKind::NotFound)?;
        world.unsynced_names.push(NameChange::Removed(path.to_owned(), index));
        Ok(())
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.call("remove folder")?;
        let held = world.names.keys().chain(&world.folders).any(|held| held.parent() == Some(path));
        if held {
            return Err(io::ErrorKind::DirectoryNotEmpty.into());
        }
        if world.folders.remove(path) { Ok(()) } else { Err(io::ErrorKind::NotFound.into()) }
    }

    fn free_bytes(&self, _folder: &Path) -> io::Result<u64> {
        let mut world = self.world();
        world.call("free space")?;
        Ok(world.capacity_bytes.saturating_sub(world.used_bytes()))
    }

    fn sync_file(&self, path: &Path) -> io::Result<()> {
        let mut world = self.world();
        let index = *world.names.get(path).ok_or(io::ErrorKind::NotFound)?;
        world.sync(index)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        let mut world = self.world();
        world.call("sync folder")?;
        world.unsynced_names.retain(|change| {
            let (NameChange::Added(path)
            | NameChange::FolderAdded(path)
            | NameChange::Removed(path, _)
            | NameChange::Renamed { to: path, .. }) = change;
            path.parent() != Some(folder)
        });
        Ok(())
    }

    fn lock(&self, path: &Path, owner: &str) -> io::Result<Locking> {
        let mut world = self.world();
        world.call("lock")?;
        if let Some(by) = world.locks.get(path) {
            return Ok(Locking::HeldBy(by.clone()));
        }
        world.locks.insert(path.to_owned(), owner.to_owned());
        Ok(Locking::Taken(Box::new(SimulatedLock { disk: self.clone(), path: path.to_owned() })))
    }

    fn is_locked(&self, path: &Path) -> bool {
        self.world().locks.contains_key(path)
    }
}
