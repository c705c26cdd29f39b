//! What can go wrong with a journal as a whole: what, where, and what to do. (Damage inside one is no error but a
//! finding: [`super::read::Damage`].)

use super::format::FORMAT_VERSION;
use analysis::console::Advice;
use std::io;
use std::path::{Path, PathBuf};

/// Why a journal could not be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JournalError {
    /// The file system refused something.
    #[error("cannot {doing} {}: {source}", path.display())]
    Io {
        /// What was attempted, as the verb phrase of the message.
        doing: &'static str,
        /// With which file or folder.
        path: PathBuf,
        /// What the file system said.
        source: io::Error,
    },
    /// There is no segment in this folder.
    #[error(
        "no journal in {}",
        folder.display()
    )]
    NoJournal {
        /// The folder looked in.
        folder: PathBuf,
    },
    /// A new journal was asked for where there is one.
    #[error("{} already holds a journal", folder.display())]
    AlreadyThere {
        /// The folder.
        folder: PathBuf,
    },
    /// None of the segments has a readable header, and whose they are must be known, or they hold no record either.
    #[error(
        "no segment in {} has a readable header: these are no journal files, or all of them are damaged",
        folder.display()
    )]
    NoHeader {
        /// The folder.
        folder: PathBuf,
    },
    /// Written by a later version than this one.
    #[error(
        "{} is in journal format {found}, written by {software}; this version reads formats up to {FORMAT_VERSION}",
        path.display()
    )]
    NewerFormat {
        /// The segment.
        path: PathBuf,
        /// Its format version.
        found: u32,
        /// What wrote it, by its own header.
        software: String,
    },
    /// What is left is kept for finishing and sealing the visit.
    #[error(
        "disk nearly full: {free_bytes} bytes free at {}, {reserve_bytes} are kept to seal the visit",
        folder.display()
    )]
    DiskNearlyFull {
        /// Where.
        folder: PathBuf,
        /// How much is left.
        free_bytes: u64,
        /// How much must stay.
        reserve_bytes: u64,
    },
    /// A record larger than any that the format allows.
    #[error("a record of {bytes} bytes is over the limit of {limit}")]
    RecordTooLarge {
        /// Its payload's size.
        bytes: usize,
        /// The largest allowed.
        limit: usize,
    },
    /// An append failed and could not be taken back, so no more may be written.
    #[error(
        "the journal in {} takes no more records: an earlier write failed and could not be undone",
        folder.display()
    )]
    Broken {
        /// The folder.
        folder: PathBuf,
    },
    /// The thread that syncs could not be started.
    #[error("cannot start the journal's sync thread: {0}")]
    Thread(io::Error),
}

impl JournalError {
    pub(crate) fn io(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Io { doing, path, source }
    }
}

impl Advice for JournalError {
    fn hint(&self) -> String {
        let hint = match self {
            Self::Io { source, .. } => io_hint(source),
            Self::NoJournal { .. } => "a visit's folder holds files named journal-000, journal-001, …",
            Self::AlreadyThere { .. } => "resume it, or begin the visit in a new folder",
            Self::NoHeader { .. } => "look for a copy of the folder",
            Self::NewerFormat { software, .. } => return format!("read it with {software} or later"),
            Self::DiskNearlyFull { .. } => {
                "the visit can still be finished; free some space before the next one"
            }
            Self::RecordTooLarge { .. } => "split it",
            Self::Broken { .. } => "check the disk; what was written is intact and can be recovered",
            Self::Thread(_) => "too many threads or too little memory",
        };
        hint.to_owned()
    }
}

/// What to do about the commonest refusals of a file system.
pub(crate) fn io_hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "the disk is full; free some space, or choose another folder with --data"
        }
        io::ErrorKind::PermissionDenied => {
            "the folder must belong to the user who runs this; choose another with --data"
        }
        io::ErrorKind::ReadOnlyFilesystem => "choose a folder that can be written with --data",
        io::ErrorKind::NotFound => "check the path",
        _ => "check the disk and its cable; nothing already recorded was changed",
    }
}
