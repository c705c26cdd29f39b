//! What to do with a visit's folder: a decision table.
//!
//! | the folder | decision |
//! | --- | --- |
//! | is locked by a running program | in use: left alone |
//! | holds no recording, and at most a journal's empty segments | nothing there |
//! | holds no recording, and a journal that had records, of which none can be read | lost: said, nothing done |
//! | holds a recording that is whole and made from this very journal | sealed: nothing to do |
//! | holds a recording that is damaged, or older than its journal | seal again, as the next recording |
//! | held a recording that is damaged or gone, and its journal was removed or is unreadable | lost: said, nothing done |
//! | holds a journal that was finished, and no recording | seal |
//! | holds an unfinished journal of a plan, under 12 h old, and nobody named this visit | interrupted: waits |
//! | holds any other unfinished journal | seal what there is |
//!
//! Temporary files of a sealing that was cut off are removed before it is done again. A recording that was never verified
//! is looked at like one that was: it reads back whole, or it is damaged. Damage in a journal (a torn tail, unreadable
//! bytes, a missing segment) changes no decision by itself: what can be read is sealed, and what cannot is reported, as
//! an event and inside a gap. Records that a failed sync left twice are no damage. Where the first segment is missing,
//! the plan is unknown with it, so such a visit is sealed and does not wait; whose it is stands in every header.

use crate::core::Begun;
use crate::journal::format::HEADER_BYTES_MAX;
use crate::journal::record::Anchor;
use crate::journal::{self, Damage, Disk, JournalError, Reader, Record, Stamped};
use crate::tidy;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// An unfinished visit this old is not resumed any more, ns.
pub const ABANDONED_NS: i64 = 12 * 3600 * 1_000_000_000;
/// How the name of a recording that is being written ends: it gets its own only when it is whole.
const LEFTOVER: &str = ".partial";

/// What a visit's folder looks like.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Look {
    /// A running program has it.
    pub locked: bool,
    /// It holds a journal with at least one record that can be read.
    pub journal: bool,
    /// The journal was finished, and why.
    pub finished: Option<String>,
    /// It was a visit by a plan.
    pub planned: bool,
    /// Since the journal was last written, by its own clocks, ns.
    pub age_ns: i64,
    /// The newest recording, and whether it is whole and made from this journal.
    pub recording: Option<(PathBuf, bool)>,
    /// Its journal was removed, because a recording of it had been verified.
    pub removed: bool,
    /// No record of its journal can be read, but there were some.
    pub unreadable: bool,
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
    /// There was a recording or a journal, and nothing is left that can be read.
    Lost,
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
        (Some((_, false)), false) => Decision::Lost,
        (None, false) if look.removed || look.unreadable => Decision::Lost,
        (None, false) => Decision::Nothing,
        (None, true) if look.finished.is_some() || named => Decision::Seal,
        (None, true) if look.planned && look.age_ns < ABANDONED_NS => Decision::Interrupted,
        (None, true) => Decision::Seal,
    }
}

/// Looks at a journal: was it finished, was it by a plan, how old is it, what is wrong with it, and was it removed.
///
/// # Errors
/// It cannot be read, or is from a newer version.
pub fn look_at_journal(
    disk: &Arc<dyn Disk>,
    folder: &Path,
    now_utc_ns: i64,
) -> Result<(Look, Vec<Damage>), JournalError> {
    let removed = tidy::removed(&**disk, folder)?.is_some();
    let mut look = Look { removed, ..Look::default() };
    let mut reader = match Reader::open(Arc::clone(disk), folder) {
        Ok(reader) => reader,
        Err(JournalError::NoJournal { .. }) => return Ok((look, Vec::new())),
        Err(JournalError::NoHeader { .. }) => {
            look.unreadable = had_records(&**disk, folder)?;
            return Ok((look, unreadable(&**disk, folder)?));
        }
        Err(error) => return Err(error),
    };
    let mut age = Age::default();
    for stamped in &mut reader {
        let stamped = stamped?;
        age.step(&stamped);
        look.journal = true;
        match stamped.record {
            Record::Begun(text) => {
                let begun = serde_json::from_str::<Begun>(&text);
                look.planned = begun.as_ref().is_ok_and(|begun| !begun.plan.is_empty());
                age.started_utc_ns = begun.ok().and_then(|begun| utc_ns(&begun.started_utc));
            }
            Record::Finished(reason) => look.finished = Some(reason),
            Record::Opened { .. } => look.finished = None,
            _ => {}
        }
    }
    look.age_ns = age.at(now_utc_ns);
    look.unreadable = !look.journal && had_records(&**disk, folder)?;
    Ok((look, reader.damage().to_vec()))
}

/// Whether something was ever written behind the header of a segment. A crash before the first record leaves a header, or
/// so many zeros, or less; whether what is longer was lost with the power or rotted since, nobody can tell: it is said.
fn had_records(disk: &dyn Disk, folder: &Path) -> Result<bool, JournalError> {
    let mut longest = 0;
    for (_, path) in journal::segments(disk, folder)? {
        let file = disk.open_read(&path).map_err(JournalError::io("open", &path))?;
        longest = longest.max(file.length().map_err(JournalError::io("read", &path))?);
    }
    Ok(longest > HEADER_BYTES_MAX as u64)
}

fn unreadable(disk: &dyn Disk, folder: &Path) -> Result<Vec<Damage>, JournalError> {
    let segments = journal::segments(disk, folder)?.into_iter();
    let why = "nothing in it can be read".to_owned();
    Ok(segments.map(|(segment, _)| Damage::BadHeader { segment, why: why.clone() }).collect())
}

/// When a journal was last written, by its own clocks: those of its files change when it is copied.
#[derive(Debug, Default)]
struct Age {
    started_utc_ns: Option<i64>,
    anchor: Option<Anchor>,
    last_monotonic_ns: u64,
}

impl Age {
    fn step(&mut self, stamped: &Stamped) {
        self.last_monotonic_ns = stamped.monotonic_ns;
        if let Record::Anchor(anchor) = &stamped.record {
            self.anchor = Some(anchor.clone());
        }
    }

    /// Where the anchors are lost, from the visit's start; where that is lost too, as old as can be. Civil time may have
    /// been stepped, so an age below zero counts like one above.
    fn at(&self, now_utc_ns: i64) -> i64 {
        let anchored = self.anchor.as_ref().map(|anchor| {
            let since_ns = self.last_monotonic_ns.saturating_sub(anchor.monotonic_ns);
            anchor.utc_ns.saturating_add_unsigned(since_ns)
        });
        let written = anchored.or(self.started_utc_ns);
        written.map_or(i64::MAX, |written_ns| now_utc_ns.saturating_sub(written_ns).saturating_abs())
    }
}

fn utc_ns(rfc_3339: &str) -> Option<i64> {
    let time: jiff::Timestamp = rfc_3339.parse().ok()?;
    i64::try_from(time.as_nanosecond()).ok()
}

/// Removes what a sealing that was cut off left.
///
/// # Errors
/// The folder cannot be listed, or a file not removed.
pub fn remove_leftovers(disk: &dyn Disk, folder: &Path) -> Result<(), JournalError> {
    let entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    for entry in entries.iter().filter(|entry| !entry.is_folder && entry.name.ends_with(LEFTOVER)) {
        let path = folder.join(&entry.name);
        disk.remove(&path).map_err(JournalError::io("remove", &path))?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::format::Header;
    use crate::journal::simulated_disk::{Fail, SimulatedDisk};
    use crate::journal::{Options, Writer};

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
    fn without_its_journal_a_damaged_recording_or_none_at_all_is_lost() {
        let removed = Look { removed: true, ..Look::default() };
        assert_eq!(decide(&Look { journal: false, ..with_recording(false) }, true), Decision::Lost);
        assert_eq!(decide(&removed, false), Decision::Lost);
        assert_eq!(
            decide(&Look { removed: true, journal: false, ..with_recording(true) }, false),
            Decision::Sealed
        );
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

    const HOUR_NS: i64 = 3600 * 1_000_000_000;
    const FOLDER: &str = "/data/visits/one";

    fn begun(plan: &str) -> Record {
        let begun = Begun {
            plan: plan.to_owned(),
            started_utc: "1970-01-01T00:00:00Z".to_owned(),
            ..Begun::default()
        };
        Record::Begun(serde_json::to_string(&begun).unwrap())
    }

    fn anchor(monotonic_ns: u64, utc_ns: i64) -> Record {
        Record::Anchor(Anchor { monotonic_ns, boottime_ns: 0, utc_ns, host_boot_id: "boot".into() })
    }

    /// An unfinished journal of a plan, last written an hour after civil time 0, in segments of a record or two.
    fn interrupted() -> (SimulatedDisk, Writer) {
        let disk = SimulatedDisk::new(1);
        let options =
            Options { segment_bytes: 150, sync_interval: None, reserve_bytes: 0, ..Options::default() };
        let folder = Path::new(FOLDER);
        let mut writer = Writer::create(disk.shared(), folder, uuid::Uuid::nil(), "x", options).unwrap();
        let bytes = || Record::Bytes { port: 0, bytes: vec![0; 100] };
        for record in [begun("a plan"), anchor(7, 0), bytes(), bytes(), bytes()] {
            writer.append(7, &record).unwrap();
        }
        writer.append(7 + HOUR_NS as u64, &Record::Tick).unwrap();
        (disk, writer)
    }

    fn at_hour(disk: &SimulatedDisk, hour: i64) -> (Decision, Vec<Damage>) {
        let (look, damage) = look_at_journal(&disk.shared(), Path::new(FOLDER), hour * HOUR_NS).unwrap();
        (decide(&look, false), damage)
    }

    fn segment(number: u32) -> PathBuf {
        Path::new(FOLDER).join(journal::segment_name(number))
    }

    #[test]
    fn age_is_counted_from_the_last_record_by_the_journals_own_clocks() {
        let (disk, _writer) = interrupted();
        assert_eq!(at_hour(&disk, 12), (Decision::Interrupted, vec![]));
        assert_eq!(at_hour(&disk, 13), (Decision::Seal, vec![]));
    }

    #[test]
    fn civil_time_that_was_set_back_does_not_keep_a_visit_waiting_for_ever() {
        let (disk, _writer) = interrupted();
        assert_eq!(at_hour(&disk, 0).0, Decision::Interrupted);
        assert_eq!(at_hour(&disk, -1000).0, Decision::Seal);
    }

    #[test]
    fn a_visit_that_was_resumed_is_not_finished() {
        let (disk, mut writer) = interrupted();
        writer.append(9, &Record::Finished("signal".into())).unwrap();
        assert_eq!(at_hour(&disk, 2).0, Decision::Seal);
        writer.append(9, &Record::Opened { port: 0, detail: String::new() }).unwrap();
        writer.append(9, &anchor(9, HOUR_NS)).unwrap();
        assert_eq!(at_hour(&disk, 2).0, Decision::Interrupted);
    }

    #[test]
    fn a_crash_before_the_first_record_leaves_nothing() {
        for left in [vec![], vec![0; HEADER_BYTES_MAX], b"ffjourn\n".to_vec()] {
            let (disk, writer) = interrupted();
            drop(writer);
            for (_, path) in journal::segments(&*disk.shared(), Path::new(FOLDER)).unwrap() {
                disk.edit(&path, |bytes| bytes.clone_from(&left));
            }
            let (decision, damage) = at_hour(&disk, 2);
            assert_eq!(decision, Decision::Nothing);
            assert!(
                damage.iter().all(|damage| matches!(damage, Damage::BadHeader { .. })) && damage.len() > 2
            );
        }
        let disk = SimulatedDisk::new(1);
        disk.shared().create_folder(Path::new(FOLDER)).unwrap();
        assert_eq!(at_hour(&disk, 2), (Decision::Nothing, vec![]));
    }

    #[test]
    fn a_journal_that_had_records_of_which_none_can_be_read_is_lost_and_its_damage_is_said() {
        let noise = |length: u32| (0..length).map(|n| (n.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
        for left in [vec![0; 96_000], noise(96_000), vec![0; HEADER_BYTES_MAX + 1]] {
            let (disk, writer) = interrupted();
            drop(writer);
            let segments = journal::segments(&*disk.shared(), Path::new(FOLDER)).unwrap();
            for (_, path) in &segments {
                assert!(disk.edit(path, |bytes| bytes.clone_from(&left)));
            }
            let (decision, damage) = at_hour(&disk, 2);
            assert_eq!((decision, damage.len()), (Decision::Lost, segments.len()), "{damage:?}");
            // The header alone is left of it.
            let header = Header {
                version: 1,
                visit: uuid::Uuid::nil(),
                segment: 0,
                first_number: 0,
                software: "x".into(),
            };
            disk.edit(&segment(0), |bytes| *bytes = [header.encode(), left.clone()].concat());
            let (decision, damage) = at_hour(&disk, 2);
            assert!(decision == Decision::Lost && damage.len() >= segments.len(), "{decision:?} {damage:?}");
        }
    }

    #[test]
    fn a_torn_tail_changes_no_decision_and_is_said() {
        let (disk, _writer) = interrupted();
        disk.edit(&segment(2), |bytes| bytes.extend([1, 2, 3]));
        for (hour, decision) in [(2, Decision::Interrupted), (20, Decision::Seal)] {
            let (decided, damage) = at_hour(&disk, hour);
            assert_eq!(decided, decision);
            assert!(matches!(damage[..], [Damage::TornTail { segment: 2, bytes: 3, .. }]), "{damage:?}");
        }
    }

    #[test]
    fn a_missing_segment_changes_no_decision_and_is_said() {
        let (disk, _writer) = interrupted();
        disk.shared().remove(&segment(1)).unwrap();
        for (hour, decision) in [(2, Decision::Interrupted), (20, Decision::Seal)] {
            let (decided, damage) = at_hour(&disk, hour);
            assert_eq!(decided, decision);
            assert!(
                matches!(damage[..], [Damage::MissingSegment { segment: 1 }, Damage::Lost { .. }]),
                "{damage:?}"
            );
        }
    }

    #[test]
    fn a_missing_first_segment_is_sealed_as_the_visit_that_the_other_headers_name() {
        let (disk, _writer) = interrupted();
        disk.shared().remove(&segment(0)).unwrap();
        let (decided, damage) = at_hour(&disk, 2);
        // That it was by a plan is lost with the segment, so nobody can resume it.
        assert_eq!(decided, Decision::Seal);
        assert!(matches!(damage[0], Damage::MissingSegment { segment: 0 }), "{damage:?}");
        let (survey, sealed) = crate::seal::look_through(&disk.shared(), Path::new(FOLDER)).unwrap();
        let survey = survey.unwrap();
        let begun = survey.begun.unwrap();
        assert_eq!((begun.visit_id, begun.software.as_str()), (uuid::Uuid::nil().to_string(), "x"));
        assert_eq!(sealed, damage);
        assert_eq!(survey.events[0].kind, "records lost");
    }

    #[test]
    fn without_an_anchor_age_is_counted_from_the_visits_start() {
        let (disk, _writer) = interrupted();
        disk.shared().remove(&segment(1)).unwrap();
        assert_eq!(at_hour(&disk, 11).0, Decision::Interrupted);
        assert_eq!(at_hour(&disk, 12).0, Decision::Seal);
    }

    #[test]
    fn a_failed_sync_leaves_records_twice_which_is_no_damage() {
        let (disk, writer) = interrupted();
        let segments = || journal::segments(&*disk.shared(), Path::new(FOLDER)).unwrap().len();
        let before = segments();
        disk.fail(Some(Fail::Only(0)));
        writer.sync_now().unwrap();
        disk.fail(None);
        assert_eq!(segments(), before + 1);
        assert_eq!(at_hour(&disk, 2), (Decision::Interrupted, vec![]));
    }

    #[test]
    fn a_newer_journal_is_refused_and_not_taken_for_nothing() {
        let (disk, _writer) = interrupted();
        let header = Header {
            version: 2,
            visit: uuid::Uuid::nil(),
            segment: 0,
            first_number: 0,
            software: "later 2".into(),
        };
        disk.edit(&segment(0), |bytes| *bytes = header.encode());
        let refused = look_at_journal(&disk.shared(), Path::new(FOLDER), 0);
        assert!(matches!(refused, Err(JournalError::NewerFormat { found: 2, .. })), "{refused:?}");
    }

    #[test]
    fn whichever_call_fails_a_journal_is_not_taken_for_less_than_it_is() {
        let (disk, _writer) = interrupted();
        let look = look_at_journal(&disk.shared(), Path::new(FOLDER), 0).unwrap();
        for n in 0.. {
            disk.fail(Some(Fail::Only(n)));
            match look_at_journal(&disk.shared(), Path::new(FOLDER), 0) {
                Ok(looked) => {
                    assert_eq!(looked, look);
                    assert!(disk.failed().len() as u64 == n && n > 10, "call {n} failed unnoticed");
                    break;
                }
                Err(error) => assert!(matches!(error, JournalError::Io { .. }), "{error:?}"),
            }
        }
    }

    #[test]
    fn only_leftovers_are_removed() {
        let (disk, _writer) = interrupted();
        let folder = Path::new(FOLDER);
        for name in [".recording-1.h5.17-0.partial", "recording-1.h5", "notes.txt"] {
            disk.shared().create_new(&folder.join(name)).unwrap();
        }
        let names = || {
            let entries = disk.shared().list(folder).unwrap();
            entries.into_iter().map(|entry| entry.name).collect::<Vec<_>>()
        };
        let mut before = names();
        remove_leftovers(&*disk.shared(), folder).unwrap();
        before.retain(|name| !name.ends_with("partial"));
        assert_eq!(names(), before);
    }
}
