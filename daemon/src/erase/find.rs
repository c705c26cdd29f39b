//! Finding everything of a participant: visits, what went out by the register of exports, and what [`search`] finds.
//!
//! Comes in: a data folder and a code. Goes out: a list ([`Found`]) with what is in each file now; nothing is changed.

use super::search::{self, Code};
use super::{Found, NOT_THERE, names};
use crate::data_folder::{self, FolderError, LOCK};
use crate::files;
use crate::journal::{Disk, JournalError};
use crate::visits;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

/// An entry in the register of exports, as far as it matters here.
#[derive(Debug, Deserialize)]
struct Entry {
    #[serde(default)]
    when_utc: String,
    participants: Vec<String>,
    to: String,
    #[serde(default)]
    files: Vec<PathBuf>,
    #[serde(default)]
    deidentified: bool,
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

    /// Folders within the one that it went to, which were made for this file.
    fn folders_of<'a>(&'a self, place: &'a Path) -> impl Iterator<Item = &'a Path> {
        let to = Path::new(&self.to);
        place.ancestors().skip(1).take_while(move |folder| folder.starts_with(to) && *folder != to)
    }

    /// Why nothing of it can be erased.
    fn unreachable(&self) -> String {
        match Path::new(&self.to) {
            to if !to.is_absolute() => self.to.clone(),
            to if to.is_dir() && self.files.is_empty() => format!("{} (a folder)", self.to),
            _ => format!("{} ({NOT_THERE})", self.to),
        }
    }
}

/// Finds everything of a participant in a data folder; also visits of whom nobody can say whose they are.
///
/// # Errors
/// The folder cannot be listed, or a visit is in use.
pub fn find(disk: &Arc<dyn Disk>, data: &Path, code: &str) -> Result<(Found, Vec<PathBuf>), FolderError> {
    let (mut found, mut unknown) = (Found::default(), Vec::new());
    let (mut others, mut examiners) = (BTreeSet::new(), BTreeSet::new());
    for folder in data_folder::visits(&**disk, data)? {
        match visits::codes(disk, &folder) {
            Some(codes) => {
                examiners.insert(codes.examiner);
                if codes.participant != code {
                    others.insert(codes.participant);
                    continue;
                }
                let _free = data_folder::lock_visit(&**disk, &folder)?;
                // The lock holds who has it, which is another one every time: the list's word must not depend on it.
                let names = disk.names(&folder).map_err(JournalError::io("list", &folder))?;
                for (name, _) in names.into_iter().filter(|(name, _)| name != LOCK) {
                    found.files += 1;
                    found.bytes += std::fs::metadata(folder.join(name)).map_or(0, |file| file.len());
                }
                found.visits.push(relative(&folder, data));
            }
            // What cannot even be listed is somebody's, too.
            None if is_empty(disk, &folder).unwrap_or(false) => {}
            None => unknown.push(folder),
        }
    }
    let own = code;
    let code = &Code::new(code, others, &examiners);
    find_exports(disk, data, (own, code), &mut found)?;
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
    found.left.extend(searched.left);
    found.packed = searched.packed;
    let mut seen = BTreeMap::new();
    found.derived.retain(|file| see(&data.join(file), file, &mut seen, &mut found.left));
    found.exports.retain(|file| see(file, file, &mut seen, &mut found.left));
    found.left.sort();
    found.left.dedup();
    found.seen = seen;
    Ok((found, unknown))
}

/// Notes what is in a file, so that only that is removed; `false` where it cannot be read.
fn see(at: &Path, file: &Path, seen: &mut BTreeMap<PathBuf, String>, left: &mut Vec<String>) -> bool {
    match search::digest(at) {
        Ok(digest) => seen.insert(file.to_owned(), digest).is_none(),
        Err(error) => {
            left.push(format!("{} (cannot be looked into: {error})", file.display()));
            false
        }
    }
}

fn find_exports(
    disk: &Arc<dyn Disk>,
    data: &Path,
    (own, code): (&str, &Code<'_>),
    found: &mut Found,
) -> Result<(), FolderError> {
    let register = data.join(analysis::export::register::FOLDER);
    let mut entries = Vec::new();
    for name in names(disk, &register, ".json")? {
        let path = register.join(&name);
        if let Ok(entry) = serde_json::from_slice::<Entry>(&files::read(&**disk, &path)?) {
            entries.push((path, entry));
        }
    }
    entries.sort_by_cached_key(|(_, entry)| entry.when_utc.parse::<jiff::Timestamp>().ok());
    // A report may have been written over another one. Whose was written last is asked only where the file does not say:
    // the clock may have been set back in between, and another data folder's register is not known here.
    let mut last = BTreeMap::new();
    for (at, (_, entry)) in entries.iter().enumerate() {
        last.extend(entry.places().into_iter().map(|place| (place, at)));
    }
    for (at, (path, entry)) in entries.iter().enumerate() {
        if !entry.participants.iter().any(|participant| participant == own) {
            continue;
        }
        found.entries.push(relative(path, data));
        let mut places = entry.places();
        let written_over = places.iter().any(|place| last.get(place) != Some(&at));
        places.retain(|place| search::is_regular(place));
        if places.is_empty() && !written_over {
            found.unreachable.push(entry.unreachable());
        }
        let looked: Vec<_> = places.iter().map(|place| look(place, &places, entry, code)).collect();
        let any_theirs = looked.iter().any(|looked| matches!(looked, Ok(Holds::Theirs)));
        // A result of several names nobody, nor does one without identities; of many files not each says whose it is.
        let is_silent = entry.deidentified || entry.participants.len() > 1 || any_theirs;
        for (place, looked) in places.into_iter().zip(looked) {
            let is_last = last.get(&place) == Some(&at);
            match looked {
                Ok(Holds::Theirs) if is_last || code.is_evidence() => {}
                Ok(Holds::NoText) if is_last => {}
                Ok(Holds::Nobody) if is_last && is_silent => {}
                Ok(Holds::Others | Holds::Nobody) if is_last => {
                    found.left.push(format!("{} (theirs was written there; {NOT_THEIRS})", place.display()));
                    continue;
                }
                Err(error) => {
                    found.left.push(format!("{} (cannot be looked into: {error})", place.display()));
                    continue;
                }
                // The register knows whose it is by now.
                Ok(_) => continue,
            }
            if entry.participants.iter().any(|participant| participant != own) {
                found.again.push(place.clone());
            }
            found.folders.extend(entry.folders_of(&place).map(Path::to_owned));
            found.exports.push(place);
        }
    }
    // A folder comes after those in it.
    found.folders.sort_by(|a, b| b.cmp(a));
    found.folders.dedup();
    for list in [&mut found.exports, &mut found.again] {
        list.sort();
        list.dedup();
    }
    found.unreachable.sort();
    found.unreachable.dedup();
    Ok(())
}

/// Of what does not hold the code where theirs was written.
const NOT_THEIRS: &str = "what is there now does not hold the code";

/// Whom a file tells of.
enum Holds {
    /// The code is in it.
    Theirs,
    /// Another participant's is, of whom nothing was to be in it.
    Others,
    /// It names nobody.
    Nobody,
    /// It cannot be read as a text.
    NoText,
}

fn look(place: &Path, places: &[PathBuf], entry: &Entry, code: &Code<'_>) -> std::io::Result<Holds> {
    // A figure's pixels say nothing; the same figure as a text beside it does.
    let beside = place.with_extension("svg");
    let is_pixels = place.extension().is_some_and(|end| end == "png") && places.contains(&beside);
    let Some(text) = search::text(if is_pixels { &beside } else { place })? else { return Ok(Holds::NoText) };
    let named = entry.files.iter().find(|file| place.ends_with(file));
    let named = named.map(|file| file.display().to_string()).unwrap_or_default();
    Ok(if code.is_in(&text) || code.is_in_name(&named) {
        Holds::Theirs
    } else if code.another_is_in(&text, &entry.participants) {
        Holds::Others
    } else {
        Holds::Nobody
    })
}

fn relative(path: &Path, data: &Path) -> PathBuf {
    path.strip_prefix(data).unwrap_or(path).to_owned()
}

fn is_empty(disk: &Arc<dyn Disk>, folder: &Path) -> Result<bool, JournalError> {
    let entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    Ok(entries.iter().all(|entry| entry.name == "lock"))
}
