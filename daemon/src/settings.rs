//! Settings of a data folder: `DATA/settings.toml`, written by its owner. Nothing is removed that it does not name.
//!
//! ```toml
//! practice_days = 90           # an examiner's practice is due again after so long (90 without this line)
//! retention_days = 3650        # visits older than this are listed as overdue, never erased by themselves
//!
//! [journals]
//! after_sealing = "remove"     # or "keep", as without this file
//! after_days = 30              # so long after the visit, once its recording is verified
//! ```

use crate::files;
use crate::journal::{Disk, JournalError};
use crate::visit::plan::PlanError;
use analysis::console::Advice;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// The file's name.
pub const FILE: &str = "settings.toml";

/// Settings.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Settings {
    /// Visits older than this many days are overdue.
    #[serde(default)]
    pub retention_days: Option<u32>,
    /// An examiner's practice is due again after this many days.
    #[serde(default)]
    pub practice_days: Option<u32>,
    /// What happens to journals.
    #[serde(default)]
    pub journals: Journals,
}

/// What happens to the journals of sealed and verified visits.
#[derive(Debug, Clone, PartialEq, Eq, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Journals {
    /// What.
    #[serde(default)]
    pub after_sealing: AfterSealing,
    /// How many days after the visit.
    #[serde(default)]
    pub after_days: u32,
}

/// What happens to a journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum AfterSealing {
    /// It stays.
    #[default]
    Keep,
    /// It is removed.
    Remove,
}

/// Why settings cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error(transparent)]
    Disk(#[from] JournalError),
    /// It is not as it should be.
    #[error("{}: {why}", path.display())]
    Wrong {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        why: String,
    },
}

impl Advice for SettingsError {
    fn hint(&self) -> String {
        match self {
            SettingsError::Disk(error) => error.hint(),
            SettingsError::Wrong { .. } => {
                "it may hold practice_days, retention_days, and [journals] with after_sealing and after_days"
                    .to_owned()
            }
        }
    }
}

/// The settings of a data folder; without a file, nothing is overdue and everything stays.
///
/// # Errors
/// The file cannot be read or understood: then nothing may be removed by it.
pub fn read(disk: &dyn Disk, data: &Path) -> Result<Settings, SettingsError> {
    let path = data.join(FILE);
    let text = String::from_utf8_lossy(&files::read(disk, &path)?).into_owned();
    toml::from_str(&text).map_err(|error| SettingsError::Wrong {
        path,
        why: PlanError::of_toml(&text, &error).with_line(&text),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::SystemDisk;

    #[test]
    fn without_a_word_everything_stays() {
        assert_eq!(toml::from_str::<Settings>("").unwrap(), Settings::default());
        assert_eq!(Settings::default().journals.after_sealing, AfterSealing::Keep);
        let text = "retention_days = 10\n[journals]\nafter_sealing = \"remove\"\nafter_days = 30\n";
        let journals = Journals { after_sealing: AfterSealing::Remove, after_days: 30 };
        let settings = Settings { retention_days: Some(10), practice_days: None, journals };
        assert_eq!(toml::from_str::<Settings>(text).unwrap(), settings);
        for wrong in ["retention = 1", "[journals]\nafter_sealing = \"delete\"", "retention_days = -1"] {
            assert!(toml::from_str::<Settings>(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn what_is_wrong_is_told_in_one_line_with_its_place() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(FILE), "practice_days = 9\nretention = 5\n").unwrap();
        let error = read(&SystemDisk, folder.path()).unwrap_err().to_string();
        assert!(error.contains("settings.toml: line 2, `retention = 5`: unknown key `retention`"), "{error}");
        assert!(error.contains("did you mean `retention_days`?") && !error.contains(['|', '\n']), "{error}");
    }
}
