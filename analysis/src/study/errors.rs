//! What can go wrong with tables and files of a study, each with its advice.
use crate::console::Advice;
use std::path::PathBuf;

/// Why a study's file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum StudyError {
    /// It cannot be read.
    #[error("cannot read {}", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// Its contents are not what they should be.
    #[error("{}: {what}", path.display())]
    Contents {
        /// The file.
        path: PathBuf,
        /// What is wrong, and where.
        what: String,
        /// What to do.
        hint: String,
    },
}

impl Advice for StudyError {
    fn hint(&self) -> String {
        match self {
            StudyError::Read { .. } => "check the path and that you may read the file".to_owned(),
            StudyError::Contents { hint, .. } => hint.clone(),
        }
    }
}
