//! What to do with a visit's folder: a decision table.
//!
//! | the folder | decision |
//! | --- | --- |
//! | is locked by a running program | in use: left alone |
//! | holds no journal and no recording | nothing there |
//! | holds a recording that is whole and made from this very journal | sealed: nothing to do |
//! | holds a recording that is damaged, or older than its journal | seal again, as the next recording |
//! | holds a journal that was finished, and no recording | seal |
//! | holds an unfinished journal of a plan, under 12 h old, and nobody named this visit | interrupted: waits |
//! | holds any other unfinished journal | seal what there is |
//!
//! Temporary files of a sealing that was cut off are removed before it is done again. Damage in a journal (a torn tail,
//! unreadable bytes, a missing segment) changes no decision: what can be read is sealed, and what cannot is reported.

use crate::core::Begun;
use crate::journal::{self, Damage, Disk, JournalError, Reader, Record};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// An unfinished visit this old is not resumed any more, ns.
pub const ABANDONED_NS: i64 = 12 * 3600 * 1_000_000_000;

/// What a visit's folder looks like.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Look {
    /// A running program has it.
    pub locked: bool,
    /// It holds journal segments.
    pub journal: bool,
    /// The journal was finished, and why.
    pub finished: Option<String>,
    /// It was a visit by a plan.
    pub planned: bool,
    /// Since the journal was last written, ns.
    pub age_ns: i64,
    /// The newest recording, and whether it is whole and made from this journal.
    pub recording: Option<(PathBuf, bool)>,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// Left alone.
    InUse,
    /// Nothing there.
    Nothing,
    /// Nothing to do.
    Sealed,
    /// Sealed, because the recording there is damaged or older than its journal.
    SealAgain,
    /// Sealed.
    Seal,
    /// Waits to be resumed or finished.
    Interrupted,
}

/// Decides by the table; `named` when a person named this visit.
pub fn decide(look: &Look, named: bool) -> Decision {
    if look.locked {
        return Decision::InUse;
    }
    match (&look.recording, look.journal) {
        (Some((_, true)), _) => Decision::Sealed,
        (Some((_, false)), true) => Decision::SealAgain,
        (Some((_, false)), false) | (None, false) => Decision::Nothing,
        (None, true) if look.finished.is_some() || named => Decision::Seal,
        (None, true) if look.planned && look.age_ns < ABANDONED_NS => Decision::Interrupted,
        (None, true) => Decision::Seal,
    }
}

/// Looks at a journal: was it finished, was it by a plan, and what is wrong with it.
///
/// # Errors
/// It cannot be read.
pub fn look_at_journal(disk: &Arc<dyn Disk>, folder: &Path) -> Result<(Look, Vec<Damage>), JournalError> {
    let mut look = Look { journal: !journal::segments(&**disk, folder)?.is_empty(), ..Look::default() };
    if !look.journal {
        return Ok((look, Vec::new()));
    }
    let mut reader = Reader::open(Arc::clone(disk), folder)?;
    for stamped in &mut reader {
        match stamped?.record {
            Record::Begun(text) => {
                look.planned = serde_json::from_str::<Begun>(&text).is_ok_and(|begun| !begun.plan.is_empty());
            }
            Record::Finished(reason) => look.finished = Some(reason),
            Record::Opened { .. } => look.finished = None,
            _ => {}
        }
    }
    Ok((look, reader.damage().to_vec()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn unfinished(hours: i64, planned: bool) -> Look {
        Look { journal: true, planned, age_ns: hours * 3600 * 1_000_000_000, ..Look::default() }
    }

    fn with_recording(whole: bool) -> Look {
        Look { recording: Some((PathBuf::from("recording-1.h5"), whole)), ..unfinished(1, true) }
    }

    #[test]
    fn in_use_is_left_alone_whatever_else() {
        assert_eq!(decide(&Look { locked: true, ..with_recording(false) }, true), Decision::InUse);
    }

    #[test]
    fn an_empty_folder_is_nothing() {
        assert_eq!(decide(&Look::default(), true), Decision::Nothing);
    }

    #[test]
    fn a_whole_recording_is_not_made_again() {
        assert_eq!(decide(&with_recording(true), true), Decision::Sealed);
    }

    #[test]
    fn a_damaged_or_older_recording_is_followed_by_another() {
        assert_eq!(decide(&with_recording(false), false), Decision::SealAgain);
    }

    #[test]
    fn without_its_journal_a_damaged_recording_cannot_be_made_again() {
        assert_eq!(decide(&Look { journal: false, ..with_recording(false) }, true), Decision::Nothing);
    }

    #[test]
    fn a_finished_journal_is_sealed() {
        let look = Look { finished: Some("plan finished".into()), ..unfinished(0, true) };
        assert_eq!(decide(&look, false), Decision::Seal);
    }

    #[test]
    fn an_interrupted_plan_waits_half_a_day_unless_named() {
        assert_eq!(decide(&unfinished(11, true), false), Decision::Interrupted);
        assert_eq!(decide(&unfinished(11, true), true), Decision::Seal);
        assert_eq!(decide(&unfinished(13, true), false), Decision::Seal);
    }

    #[test]
    fn a_free_recording_has_nothing_to_resume() {
        assert_eq!(decide(&unfinished(0, false), false), Decision::Seal);
    }
}
