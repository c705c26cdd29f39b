//! Whose a visit is, and which visits a participant had.
//!
//! Comes in: a data folder. Goes out: codes, and recordings. A code is in no path, so the visits are looked into: their
//! journals, or their recordings where a journal is gone.

use crate::core::Begun;
use crate::data_folder::{self, FolderError};
use crate::journal::{Disk, Reader, Record};
use crate::seal;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, PoisonError};

/// Whose codes are a visit's.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Codes {
    /// The participant's; "" none.
    pub participant: String,
    /// The examiner's; "" none.
    pub examiner: String,
}

/// Whose visit it is, by its journal or, where that is gone, its latest recording that can be read.
pub fn participant(disk: &Arc<dyn Disk>, folder: &Path) -> Option<String> {
    codes(disk, folder).map(|codes| codes.participant)
}

/// The same, with who examined them.
pub fn codes(disk: &Arc<dyn Disk>, folder: &Path) -> Option<Codes> {
    by_journal(disk, folder).or_else(|| {
        let recordings = seal::recordings(&**disk, folder).unwrap_or_default();
        recordings.iter().rev().find_map(|(_, path)| by_recording(path))
    })
}

fn by_journal(disk: &Arc<dyn Disk>, folder: &Path) -> Option<Codes> {
    let first = Reader::open(Arc::clone(disk), folder).ok()?.next()?.ok()?;
    let Record::Begun(text) = first.record else { return None };
    let Begun { participant, examiner, .. } = serde_json::from_str(&text).ok()?;
    Some(Codes { participant, examiner })
}

/// In a child: libhdf5 may crash on a damaged file.
fn by_recording(path: &Path) -> Option<Codes> {
    let program = std::env::current_exe().ok()?;
    let shown = Command::new(program)
        .arg("show")
        .arg(path)
        .arg("--participant")
        .stderr(Stdio::null())
        .output()
        .ok()?;
    let text = String::from_utf8_lossy(&shown.stdout);
    let mut lines = text.lines().map(str::to_owned);
    let mut next = || lines.next().unwrap_or_default();
    shown.status.success().then(|| Codes { participant: next(), examiner: next() })
}

/// Whose the visits of a data folder are, as far as somebody asked: a folder is looked into once.
#[derive(Debug, Default)]
pub struct Visits(Mutex<BTreeMap<PathBuf, String>>);

impl Visits {
    /// Latest recordings of a participant's visits, the newest visit first.
    ///
    /// # Errors
    /// The folder cannot be listed.
    pub fn of(&self, disk: &Arc<dyn Disk>, data: &Path, code: &str) -> Result<Vec<PathBuf>, FolderError> {
        let folders = data_folder::visits(&**disk, data)?;
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.retain(|folder, _| folders.contains(folder));
        let mut found = Vec::new();
        for folder in folders.into_iter().rev() {
            if !known.contains_key(&folder)
                && let Some(whose) = participant(disk, &folder)
            {
                known.insert(folder.clone(), whose);
            }
            if known.get(&folder).is_some_and(|whose| whose == code) {
                found.extend(seal::recordings(&**disk, &folder).unwrap_or_default().pop());
            }
        }
        Ok(found.into_iter().map(|(_, recording)| recording).collect())
    }
}
