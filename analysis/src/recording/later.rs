//! Which later recording of its visit replaces one.
//!
//! Comes in: a recording's path, visit and revision. Goes out: the latest recording beside it, `recording-N.h5`, that says
//! it is of the same visit and of a later revision. One that cannot be read replaces none.

use super::layout::Root;
use super::read::Recording;
use std::path::{Path, PathBuf};

/// The recording that replaces this one, if one does.
pub fn replacement(path: &Path, root: &Root) -> Option<PathBuf> {
    // The files' numbers are the revisions: only those that can be later are opened.
    let later = |number: &u32| i64::from(*number) > root.revision;
    let replaces = |other: &Path| {
        Recording::open_unverified(other).is_ok_and(|other| {
            !root.visit_id.is_empty()
                && other.root().visit_id == root.visit_id
                && other.root().revision > root.revision
        })
    };
    let mut beside: Vec<(u32, PathBuf)> = std::fs::read_dir(folder(path))
        .ok()?
        .filter_map(|entry| entry.ok().map(|entry| entry.path()))
        .filter_map(|other| Some((number(&other).filter(later)?, other)))
        .collect();
    beside.sort();
    beside.into_iter().rev().map(|(_, other)| other).find(|other| replaces(other))
}

/// That it is replaced, in a sentence; nothing where it is not.
pub fn replaced(path: &Path, root: &Root) -> Option<String> {
    let later = replacement(path, root)?;
    let later = later.file_name().unwrap_or_default().display().to_string();
    Some(format!("{}: replaced by {later} beside it, a later recording of the same visit", path.display()))
}

fn folder(path: &Path) -> &Path {
    path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

fn number(path: &Path) -> Option<u32> {
    path.file_name()?.to_str()?.strip_prefix("recording-")?.strip_suffix(".h5")?.parse().ok()
}
