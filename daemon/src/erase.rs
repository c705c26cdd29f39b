//! Erasing a participant: the one exception to never deleting.
//!
//! What is to go is found first and shown: visits, what went out by the register of exports, and what [`search`] finds of it
//! in the data folder; then written down (`DATA/erasures/<time>-<id>.json`, `begun`); then erased, file
//! after file; then the note becomes a tombstone (`done`): when, how much, which visits by their ids, and no code. A
//! crash anywhere leaves a note that the next run completes. Erasing twice is erasing once. Storage may keep what was
//! erased until it is written over, and backups and copies made by hand are not known here.

pub mod search;

use crate::data_folder::{self, DataFolder, FolderError, Lock};
use crate::files;
use crate::journal::{Disk, JournalError};
use crate::visits;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::io::ErrorKind;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// Folder of the notes in a data folder.
const NOTES: &str = "erasures";

/// What is known of a participant.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Found {
    /// Folders of their visits, with journals, recordings and corrections, within the data folder.
    pub visits: Vec<PathBuf>,
    /// Files in those folders.
    pub files: usize,
    /// Their bytes.
    pub bytes: u64,
    /// Other files of the data folder that were made of their recordings and hold their code, within it.
    #[serde(default)]
    pub derived: Vec<PathBuf>,
    /// Exports, reports and figures that hold something of theirs, by the register.
    pub exports: Vec<PathBuf>,
    /// Of all these, what holds others, too: it has to be made again without this participant.
    #[serde(default)]
    pub again: Vec<PathBuf>,
    /// Entries of the register of exports, within the data folder.
    pub entries: Vec<PathBuf>,
    /// Exports that went elsewhere than into a file.
    pub unreachable: Vec<String>,
    /// Files of the data folder that hold their code or could not be looked into, and stay: somebody else wrote them.
    #[serde(default)]
    pub left: Vec<String>,
}

impl Found {
    /// Whether there is nothing to erase.
    pub fn is_empty(&self) -> bool {
        [&self.visits, &self.derived, &self.exports, &self.entries].iter().all(|list| list.is_empty())
    }

    /// A word that stands for exactly this list: who gives it has seen it.
    pub fn word(&self) -> String {
        let list = serde_json::to_vec(self).unwrap_or_default();
        Sha256::digest(list).iter().take(4).map(|byte| format!("{byte:02x}")).collect()
    }
}

/// An erasure: begun, with what is to go; or done, a tombstone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "state", rename_all = "kebab-case")]
enum Note {
    Begun {
        begun_utc: String,
        found: Found,
    },
    Done {
        begun_utc: String,
        visits: Vec<String>,
        files: usize,
        bytes: u64,
        #[serde(default)]
        derived: usize,
        exports: usize,
    },
}

/// An entry in the register of exports, as far as it matters here.
#[derive(Debug, Deserialize)]
struct Entry {
    #[serde(default)]
    when_utc: String,
    participants: Vec<String>,
    to: String,
    #[serde(default)]
    files: Vec<PathBuf>,
}

impl Entry {
    /// Where its files were written; none where it went elsewhere.
    fn places(&self) -> Vec<PathBuf> {
        let to = Path::new(&self.to);
        let within = |file: &&PathBuf| file.components().all(|part| matches!(part, Component::Normal(_)));
        let in_folder = self.files.iter().filter(within).map(|file| to.join(file));
        let all = if self.files.is_empty() { vec![to.to_owned()] } else { in_folder.collect() };
        all.into_iter().filter(|place| place.is_absolute()).collect()
    }

    /// Why nothing of it can be erased.
    fn unreachable(&self) -> String {
        match Path::new(&self.to) {
            to if !to.is_absolute() => self.to.clone(),
            to if to.is_dir() => format!("{} (a folder)", self.to),
            _ => format!("{} (not there any more: moved?)", self.to),
        }
    }
}

/// Finds everything of a participant in a data folder; also visits of whom nobody can say whose they are.
///
/// # Errors
/// The folder cannot be listed, or a visit is in use.
pub fn find(disk: &Arc<dyn Disk>, data: &Path, code: &str) -> Result<(Found, Vec<PathBuf>), FolderError> {
    let (mut found, mut unknown) = (Found::default(), Vec::new());
    for folder in data_folder::visits(&**disk, data)? {
        match visits::participant(disk, &folder) {
            Some(participant) if participant == code => {
                let _free = data_folder::lock_visit(&**disk, &folder)?;
                for entry in disk.list(&folder).map_err(JournalError::io("list", &folder))? {
                    found.files += 1;
                    found.bytes += std::fs::metadata(folder.join(entry.name)).map_or(0, |file| file.len());
                }
                found.visits.push(relative(&folder, data));
            }
            Some(_) => {}
            None if is_empty(disk, &folder)? => {}
            None => unknown.push(folder),
        }
    }
    find_exports(disk, data, code, &mut found)?;
    let without: Vec<PathBuf> = found.visits.iter().chain(&found.entries).cloned().collect();
    let searched = search::search(data, code, &without);
    let whole = data.canonicalize().unwrap_or_else(|_| data.to_owned());
    for (file, of_several) in searched.made {
        // The register knows it, too.
        let known = whole.join(&file);
        let registered = found.again.contains(&known);
        found.exports.retain(|export| *export != known);
        found.again.retain(|again| *again != known);
        if of_several || registered {
            found.again.push(file.clone());
        }
        found.derived.push(file);
    }
    // What lies in a visit goes with it.
    found.exports.retain(|export| !found.visits.iter().any(|visit| export.starts_with(whole.join(visit))));
    found.left = searched.left;
    Ok((found, unknown))
}

fn find_exports(disk: &Arc<dyn Disk>, data: &Path, code: &str, found: &mut Found) -> Result<(), FolderError> {
    let register = data.join(analysis::export::register::FOLDER);
    let mut entries = Vec::new();
    for name in names(disk, &register, ".json")? {
        let path = register.join(&name);
        if let Ok(entry) = serde_json::from_slice::<Entry>(&files::read(&**disk, &path)?) {
            entries.push((path, entry));
        }
    }
    entries.sort_by_cached_key(|(_, entry)| entry.when_utc.parse::<jiff::Timestamp>().ok());
    // A report may have been written over another one: a file is theirs whose it was made last.
    let mut last = BTreeMap::new();
    for (at, (_, entry)) in entries.iter().enumerate() {
        last.extend(entry.places().into_iter().map(|place| (place, at)));
    }
    for (at, (path, entry)) in entries.iter().enumerate() {
        if !entry.participants.iter().any(|participant| participant == code) {
            continue;
        }
        found.entries.push(relative(path, data));
        let mut places = entry.places();
        let all = places.len();
        places.retain(|place| last.get(place) == Some(&at));
        let written_over = places.len() < all;
        places.retain(|place| search::is_regular(place));
        if places.is_empty() && !written_over {
            found.unreachable.push(entry.unreachable());
        }
        if entry.participants.iter().any(|participant| participant != code) {
            found.again.extend(places.iter().cloned());
        }
        found.exports.extend(places);
    }
    for list in [&mut found.exports, &mut found.again] {
        list.sort();
        list.dedup();
    }
    found.unreachable.sort();
    found.unreachable.dedup();
    Ok(())
}

fn relative(path: &Path, data: &Path) -> PathBuf {
    path.strip_prefix(data).unwrap_or(path).to_owned()
}

fn names(disk: &Arc<dyn Disk>, folder: &Path, end: &str) -> Result<Vec<String>, JournalError> {
    match disk.list(folder) {
        Ok(entries) => {
            Ok(entries.into_iter().map(|entry| entry.name).filter(|name| name.ends_with(end)).collect())
        }
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(JournalError::io("list", folder)(error)),
    }
}

fn is_empty(disk: &Arc<dyn Disk>, folder: &Path) -> Result<bool, JournalError> {
    let entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    Ok(entries.iter().all(|entry| entry.name == "lock"))
}

/// Erases what was found, and leaves a tombstone.
///
/// # Errors
/// A visit is in use, and nothing is erased; or the disk refuses, and what is left is erased on the next run.
pub fn erase(data: &DataFolder, found: &Found, now_utc: &str) -> Result<PathBuf, FolderError> {
    let disk = data.disk();
    let locks = lock_all(&**disk, data.path(), found)?;
    let folder = data.path().join(NOTES);
    disk.create_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
    let id = uuid::Uuid::new_v4().simple().to_string();
    let time: String = now_utc.chars().filter(char::is_ascii_alphanumeric).take(15).collect();
    let note = folder.join(format!("{time}-{}.json", id.get(..8).unwrap_or_default()));
    let begun = Note::Begun { begun_utc: now_utc.to_owned(), found: found.clone() };
    write(disk, &note, &begun)?;
    complete(data, &note, now_utc, found, &locks)?;
    Ok(note)
}

/// Completes erasures that a crash interrupted; gives their tombstones.
///
/// # Errors
/// A visit is in use, or the disk refuses.
pub fn complete_begun(data: &DataFolder) -> Result<Vec<PathBuf>, FolderError> {
    let disk = data.disk();
    let folder = data.path().join(NOTES);
    // Cut off while it was written: the erasure has not begun, or its note is whole beside it.
    for name in names(disk, &folder, ".partial")? {
        remove(&**disk, &folder.join(name))?;
    }
    let mut completed = Vec::new();
    for note in begun(disk, data.path())? {
        if let Ok(Note::Begun { begun_utc, found }) = serde_json::from_slice(&files::read(&**disk, &note)?) {
            let locks = lock_all(&**disk, data.path(), &found)?;
            complete(data, &note, &begun_utc, &found, &locks)?;
            tracing::warn!(note = %note.display(), "an erasure had been interrupted: it is complete now");
            completed.push(note);
        }
    }
    Ok(completed)
}

/// The visits that are there, each locked: a recovery must not seal one while it goes.
fn lock_all(disk: &dyn Disk, data: &Path, found: &Found) -> Result<Vec<(PathBuf, Lock)>, FolderError> {
    let mut locks = Vec::new();
    for visit in &found.visits {
        let folder = data.join(visit);
        match disk.list(&folder) {
            Ok(_) => locks.push((folder.clone(), data_folder::lock_visit(disk, &folder)?)),
            Err(error) if error.kind() == ErrorKind::NotFound => {}
            Err(error) => return Err(JournalError::io("list", &folder)(error).into()),
        }
    }
    Ok(locks)
}

/// Notes of erasures that are not complete.
///
/// # Errors
/// The disk refuses.
pub fn begun(disk: &Arc<dyn Disk>, data: &Path) -> Result<Vec<PathBuf>, FolderError> {
    let folder = data.join(NOTES);
    let mut begun = Vec::new();
    for name in names(disk, &folder, ".json")? {
        let note = folder.join(name);
        if matches!(serde_json::from_slice(&files::read(&**disk, &note)?), Ok(Note::Begun { .. })) {
            begun.push(note);
        }
    }
    Ok(begun)
}

fn complete(
    data: &DataFolder,
    note: &Path,
    begun_utc: &str,
    found: &Found,
    locks: &[(PathBuf, Lock)],
) -> Result<(), FolderError> {
    let disk = data.disk();
    for (folder, _held) in locks {
        data_folder::discard(&**disk, folder)?;
    }
    let visits = data.path().join("visits");
    disk.sync_folder(&visits).map_err(JournalError::io("sync", &visits))?;
    // The register last: until then it says where the exports are.
    let within = |files: &[PathBuf]| files.iter().map(|file| data.path().join(file)).collect::<Vec<_>>();
    for path in within(&found.derived).iter().chain(&found.exports).chain(&within(&found.entries)) {
        remove(&**disk, path)?;
    }
    let name = |visit: &PathBuf| {
        visit.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    };
    let done = Note::Done {
        begun_utc: begun_utc.to_owned(),
        visits: found.visits.iter().map(name).collect(),
        files: found.files,
        bytes: found.bytes,
        derived: found.derived.len(),
        exports: found.exports.len(),
    };
    write(disk, note, &done)
}

/// Removes a file for good: after a power cut it is not there again. What is not there needs no erasing.
fn remove(disk: &dyn Disk, path: &Path) -> Result<(), JournalError> {
    match disk.remove(path) {
        Err(error) if error.kind() != ErrorKind::NotFound => {
            return Err(JournalError::io("erase", path)(error));
        }
        _ => {}
    }
    let folder = path.parent().unwrap_or(Path::new("."));
    match disk.sync_folder(folder) {
        Err(error) if error.kind() != ErrorKind::NotFound => Err(JournalError::io("sync", folder)(error)),
        _ => Ok(()),
    }
}

fn write(disk: &Arc<dyn Disk>, path: &Path, note: &Note) -> Result<(), FolderError> {
    Ok(files::replace(&**disk, path, &serde_json::to_vec_pretty(note).unwrap_or_default())?)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::disk::append_all;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};

    const DATA: &str = "/data";
    const THEIRS: [&str; 7] = [
        "/data/visits/one/lock",
        "/data/visits/one/journal-000",
        "/data/visits/one/plots/overview.png",
        "/data/visits/two/recording-1.h5",
        "/data/reliability.json",
        "/elsewhere/table.csv",
        "/data/exports/one.json",
    ];
    const OTHERS: [&str; 2] = ["/data/visits/three/journal-000", "/elsewhere/mine.csv"];

    fn found() -> Found {
        Found {
            visits: vec!["visits/one".into(), "visits/two".into()],
            derived: vec!["reliability.json".into()],
            exports: vec!["/elsewhere/table.csv".into()],
            entries: vec!["exports/one.json".into()],
            ..Found::default()
        }
    }

    fn filled(seed: u64) -> (SimulatedDisk, DataFolder) {
        let disk = SimulatedDisk::new(seed);
        for path in THEIRS.into_iter().chain(OTHERS).map(Path::new) {
            let folder = path.parent().unwrap();
            disk.shared().create_folder(folder).unwrap();
            let file = disk.shared().create_new(path).unwrap();
            append_all(&*file, b"something").and_then(|()| file.sync()).unwrap();
            disk.shared().sync_folder(folder).unwrap();
        }
        let data = DataFolder::on(disk.shared(), DATA.into()).unwrap();
        (disk, data)
    }

    fn is_there(disk: &SimulatedDisk, path: &str) -> bool {
        disk.contents(Path::new(path)).is_some()
    }

    #[test]
    fn whichever_call_is_the_last_before_a_power_cut_an_erasure_is_not_begun_or_is_completed_later() {
        for n in 0.. {
            let (disk, data) = filled(n);
            disk.fail(Some(Fail::From(n)));
            let done = erase(&data, &found(), "2026-03-02T09:00:00Z");
            let failed = !disk.failed().is_empty();
            assert_eq!(done.is_err(), failed, "call {n}");
            disk.fail(None);
            drop(data);
            disk.lose_power();
            let data = DataFolder::on(disk.shared(), DATA.into()).unwrap();
            let later = complete_begun(&data).unwrap();
            let left: Vec<&str> = THEIRS.into_iter().filter(|path| is_there(&disk, path)).collect();
            let notes = disk.shared().list(Path::new("/data/erasures")).map_or(0, |entries| entries.len());
            if failed && later.is_empty() && notes == 0 {
                assert_eq!(left, THEIRS, "call {n}: not begun");
            } else {
                assert_eq!((left, notes), (vec![], 1), "call {n}");
            }
            assert!(OTHERS.into_iter().all(|path| is_there(&disk, path)), "call {n}");
            assert!(begun(data.disk(), data.path()).unwrap().is_empty());
            if !failed {
                assert!(n > 20, "{n} calls: not one of the erasure failed");
                break;
            }
        }
    }

    #[test]
    fn a_visit_that_is_being_recovered_is_not_erased_and_nothing_else_either() {
        let (disk, data) = filled(1);
        let recovering = data_folder::lock_visit(&*disk.shared(), Path::new("/data/visits/two")).unwrap();
        let refused = erase(&data, &found(), "2026-03-02T09:00:00Z");
        assert!(matches!(refused, Err(FolderError::InUse { .. })), "{refused:?}");
        assert!(THEIRS.into_iter().all(|path| is_there(&disk, path)));
        assert!(begun(data.disk(), data.path()).unwrap().is_empty(), "nothing waits to be completed");
        drop(recovering);
        erase(&data, &found(), "2026-03-02T09:00:00Z").unwrap();
        assert!(!THEIRS.into_iter().any(|path| is_there(&disk, path)));
    }
}
