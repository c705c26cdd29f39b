//! The data folder: whose it is now, and where visits are.
//!
//! `DATA/visits/<UTC>-<short id>/{journal-NNN, recording-N.h5}`. No codes in paths. Files 0600, folders 0700. One program
//! at a time has a data folder; one has a visit. Comes in: paths and times as values (nothing here reads a clock).

use crate::journal::disk::{Entry, Held, Locking};
use crate::journal::{Disk, JournalError, SystemDisk};
use analysis::console::Advice;
use etcetera::BaseStrategy;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use uuid::Uuid;

/// Name of the lock in a data folder and in a visit's folder.
pub const LOCK: &str = "lock";

/// Why a data folder cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// Somebody has it.
    #[error("{what} {} is in use by {holder}", path.display())]
    InUse {
        /// `data folder` or `visit`.
        what: &'static str,
        /// Which.
        path: PathBuf,
        /// Who has it, by their own word.
        holder: String,
    },
    /// The file system refused something.
    #[error(transparent)]
    Disk(#[from] JournalError),
    /// There is no home to put it in.
    #[error("no data folder: this user has no home folder")]
    NoHome,
}

impl Advice for FolderError {
    fn hint(&self) -> String {
        match self {
            FolderError::InUse { .. } => {
                "wait until it has ended, or choose another folder with --data".to_owned()
            }
            FolderError::Disk(error) => error.hint(),
            FolderError::NoHome => "choose one with --data".to_owned(),
        }
    }
}

/// A lock; given back when it is dropped or the process ends.
#[derive(Debug)]
pub struct Lock {
    _held: Box<dyn Held>,
}

/// A data folder that is ours.
#[derive(Debug)]
pub struct DataFolder {
    disk: Arc<dyn Disk>,
    path: PathBuf,
    _lock: Lock,
}

impl DataFolder {
    /// Takes the data folder (the default one where none is named), made if need be.
    ///
    /// # Errors
    /// It cannot be made or is in use.
    pub fn open(path: Option<&Path>) -> Result<DataFolder, FolderError> {
        let path = path.map_or_else(default_path, |path| Ok(path.to_owned()))?;
        DataFolder::on(SystemDisk::shared(), path)
    }

    /// Takes a data folder on this disk, made if need be.
    ///
    /// # Errors
    /// It cannot be made or is in use.
    pub fn on(disk: Arc<dyn Disk>, path: PathBuf) -> Result<DataFolder, FolderError> {
        let visits = path.join("visits");
        disk.make_folder(&visits).map_err(JournalError::io("make the folder", &visits))?;
        let lock = lock(&*disk, "data folder", &path)?;
        Ok(DataFolder { disk, path, _lock: lock })
    }

    /// The disk it is on.
    pub fn disk(&self) -> &Arc<dyn Disk> {
        &self.disk
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Makes and locks the folder of a new visit.
    ///
    /// # Errors
    /// It cannot be made.
    pub fn new_visit(&self, id: Uuid, utc_ns: i64) -> Result<(PathBuf, Lock), FolderError> {
        let short = id.simple().to_string().chars().take(8).collect::<String>();
        let folder = self.path.join("visits").join(format!("{}-{short}", stamp(utc_ns)));
        self.disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
        let lock = lock_visit(&*self.disk, &folder)?;
        Ok((folder, lock))
    }
}

/// Where data are kept when nobody says: the service's state folder, or the user's data home.
///
/// # Errors
/// There is no home.
pub fn default_path() -> Result<PathBuf, FolderError> {
    if let Some(state) = std::env::var_os("STATE_DIRECTORY").filter(|state| !state.is_empty()) {
        return Ok(PathBuf::from(state));
    }
    let strategy = etcetera::choose_base_strategy().map_err(|_| FolderError::NoHome)?;
    Ok(strategy.data_dir().join("finger-force"))
}

/// Folders of visits in a data folder, in order of time.
///
/// # Errors
/// The folder cannot be listed.
pub fn visits(disk: &dyn Disk, data: &Path) -> Result<Vec<PathBuf>, FolderError> {
    let folder = data.join("visits");
    let entries = disk.list(&folder).map_err(JournalError::io("list", &folder))?;
    let mut visits: Vec<PathBuf> =
        entries.iter().filter(|entry| entry.is_folder).map(|entry| folder.join(&entry.name)).collect();
    visits.sort();
    Ok(visits)
}

/// A running program has this visit. Nothing is changed by asking.
pub fn is_in_use(disk: &dyn Disk, folder: &Path) -> bool {
    disk.is_locked(&folder.join(LOCK))
}

/// Takes a visit's lock.
///
/// # Errors
/// It is in use, or cannot be locked.
pub fn lock_visit(disk: &dyn Disk, folder: &Path) -> Result<Lock, FolderError> {
    lock(disk, "visit", folder)
}

fn lock(disk: &dyn Disk, what: &'static str, folder: &Path) -> Result<Lock, FolderError> {
    let owner = format!("process {}", std::process::id());
    match disk.lock(&folder.join(LOCK), &owner).map_err(JournalError::io("lock", folder))? {
        Locking::Taken(held) => Ok(Lock { _held: held }),
        Locking::HeldBy(holder) => {
            let holder = if holder.is_empty() { "another program".to_owned() } else { holder };
            Err(FolderError::InUse { what, path: folder.to_owned(), holder })
        }
    }
}

/// Removes a visit's folder and all that is in it, the lock last: as long as it is there and held, nobody else begins
/// with the visit.
///
/// # Errors
/// A file or the folder cannot be removed.
pub fn discard(disk: &dyn Disk, folder: &Path) -> Result<(), FolderError> {
    let mut entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    entries.sort_by_key(|entry| entry.name == LOCK);
    for Entry { name, is_folder } in entries {
        let path = folder.join(name);
        if is_folder {
            discard(disk, &path)?;
        } else {
            disk.remove(&path).map_err(JournalError::io("remove", &path))?;
        }
    }
    disk.sync_folder(folder).map_err(JournalError::io("sync", folder))?;
    Ok(disk.remove_folder(folder).map_err(JournalError::io("remove", folder))?)
}

/// Civil time as it stands in a folder's name: `20260302T090000Z`.
fn stamp(utc_ns: i64) -> String {
    let second = jiff::Timestamp::from_second(utc_ns.div_euclid(1_000_000_000));
    second.map(|time| time.strftime("%Y%m%dT%H%M%SZ").to_string()).unwrap_or_default()
}

/// When a visit began, by its folder's name (RFC 3339).
pub fn began_utc(name: &str) -> Option<String> {
    let (stamp, _) = name.split_once("Z-")?;
    let time = jiff::civil::DateTime::strptime("%Y%m%dT%H%M%S", stamp).ok()?;
    Some(format!("{time}Z"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};
    use crate::journal::{Options, Record, Writer, read};
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn a_data_folder_is_private_and_has_one_owner_at_a_time() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("data");
        let data = DataFolder::open(Some(&path)).unwrap();
        let mode = std::fs::metadata(path.join("visits")).unwrap().permissions().mode();
        assert_eq!(mode & 0o777, 0o700);
        let refused = DataFolder::open(Some(&path)).unwrap_err();
        assert!(
            refused.to_string().contains(&format!("in use by process {}", std::process::id())),
            "{refused}"
        );
        assert!(!refused.hint().is_empty());
        drop(data);
        DataFolder::open(Some(&path)).unwrap();
    }

    #[test]
    fn a_visit_that_is_discarded_leaves_no_trace_and_a_disk_that_refuses_is_heard() {
        let disk = SimulatedDisk::new(1);
        let folder = Path::new("/data/visits/one");
        let make = || {
            disk.shared().create_folder(folder).unwrap();
            disk.shared().open_append(&folder.join("lock")).unwrap();
            disk.shared().open_append(&folder.join("journal-000")).unwrap();
            disk.shared().create_folder(&folder.join("plots")).unwrap();
            disk.shared().open_append(&folder.join("plots/overview.png")).unwrap();
        };
        make();
        disk.fail(None);
        discard(&*disk.shared(), folder).unwrap();
        let calls = disk.calls();
        assert_eq!((calls, disk.shared().list(Path::new("/data/visits")).unwrap()), (9, vec![]));
        for n in 0..calls {
            make();
            disk.fail(Some(Fail::Only(n)));
            assert!(matches!(discard(&*disk.shared(), folder), Err(FolderError::Disk(_))), "call {n}");
            disk.fail(None);
            discard(&*disk.shared(), folder).unwrap();
        }
    }

    #[test]
    fn what_is_synced_of_a_new_visit_survives_power_loss_in_a_folder_that_does() {
        for seed in 0..50 {
            let disk = SimulatedDisk::new(seed);
            let data = DataFolder::on(disk.shared(), "/home/one/data".into()).unwrap();
            let (folder, lock) = data.new_visit(Uuid::nil(), 0).unwrap();
            let options = Options { sync_interval: None, reserve_bytes: 0, ..Options::default() };
            let mut writer = Writer::create(disk.shared(), &folder, Uuid::nil(), "x", options).unwrap();
            writer.append(1, &Record::Tick).unwrap();
            writer.sync_now().unwrap();
            drop((writer, lock));
            disk.lose_power();
            let left = visits(&*disk.shared(), data.path());
            assert_eq!(left.unwrap(), std::slice::from_ref(&folder), "seed {seed}");
            assert_eq!(read::read_all(disk.shared(), &folder).unwrap().0.len(), 1, "seed {seed}");
        }
    }

    #[test]
    fn visits_are_named_by_time_and_id_and_listed_in_order() {
        let place = tempfile::tempdir().unwrap();
        let data = DataFolder::open(Some(place.path())).unwrap();
        let id = |n: u128| Uuid::from_u128(n << 96);
        let (later, _lock) = data.new_visit(id(0xabcd_ef01), 1_772_442_000_000_000_000).unwrap();
        let (earlier, _other) = data.new_visit(id(0x0000_0001), 0).unwrap();
        assert!(later.ends_with("visits/20260302T090000Z-abcdef01"), "{later:?}");
        assert_eq!(began_utc("20260302T090000Z-abcdef01").unwrap(), "2026-03-02T09:00:00Z");
        assert_eq!(began_utc("somebody's folder"), None);
        let listed = visits(&SystemDisk, place.path()).unwrap();
        assert_eq!(listed, [earlier, later.clone()]);
        assert!(matches!(lock_visit(&SystemDisk, &later), Err(FolderError::InUse { .. })));
    }
}
