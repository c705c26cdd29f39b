//! Holds sought again in a channel whose forces were scaled, and which row of `/trials` each one is.
//!
//! The finder's thresholds are newtons, so that another scale may find other holds; and `/trials` must be what `fingerforce
//! holds` finds in the recording. Comes in: a recording, the factor on a channel's forces, its rows already scaled. Goes out:
//! the rows as the finder sees them now. A hold is the one of a row where their samples overlap most. What belongs to the
//! visit (item, muscle, outcome, what was entered) stays; a trial without a hold does not count any more, and says why; marks
//! that a person set stay and are not sought.

use super::layout::{FrameRow, SegmentRow, TrialRow};
use super::read::{ReadError, Recording};
use super::replay::{Placed, replay_scaled};
use crate::holds::Flag;
use crate::trial::Test;

/// Why a trial does not count whose hold is not found any more.
const GONE: &str = "no hold was found with the corrected calibration";

/// A channel whose forces were scaled: sensor and channel from 1, and the factor on what the recording holds.
pub(super) struct Scaled {
    pub sensor: usize,
    pub channel: usize,
    pub factor: f64,
}

/// How many holds are new, and how many are gone.
pub(super) struct Refound {
    pub same: usize,
    pub new: usize,
    pub gone: usize,
}

/// Seeks the holds of a scaled channel; `by_hand` says whether somebody set a mark of the trial with this order.
pub(super) fn seek(
    recording: &Recording,
    of: &Scaled,
    rows: &mut Vec<TrialRow>,
    by_hand: impl Fn(i64) -> bool,
) -> Result<Refound, ReadError> {
    let found = replay_scaled(recording, of.sensor, of.channel, &|_| {}, of.factor)?;
    let places = Places { segments: recording.segments(of.sensor)?, frames: recording.frames(of.sensor)? };
    let mut open: Vec<(Placed, i64, i64)> = found
        .into_iter()
        .filter_map(|placed| {
            let first = places.position(placed.segment, placed.hold.first_index)?;
            let last = places.position(placed.segment, placed.hold.last_index)?;
            Some((placed, first, last))
        })
        .collect();
    let mut refound = Refound { same: 0, new: 0, gone: 0 };
    let ours = |row: &TrialRow| (row.sensor, row.channel) == (of.sensor as i64, of.channel as i64);
    for row in rows.iter_mut().filter(|row| ours(row) && !row.kind.is_empty()) {
        match best(&open, row) {
            Some(at) => {
                let (placed, first, last) = open.remove(at);
                refound.same += 1;
                if !by_hand(row.order) {
                    put(row, Some(&placed), first, last);
                }
            }
            None if by_hand(row.order) => {}
            None => {
                refound.gone += 1;
                put(row, None, -1, -1);
                if row.item > 0 {
                    (row.valid, row.why_not) = (0, GONE.to_owned());
                }
            }
        }
    }
    // A hold that belongs to no trial and is none any more says nothing.
    rows.retain(|row| !ours(row) || row.item > 0 || !row.kind.is_empty());
    for (placed, first, last) in open {
        let mut row = TrialRow::of_hold(None);
        row.order = rows.iter().map(|row| row.order).max().unwrap_or(0) + 1;
        (row.sensor, row.channel) = (of.sensor as i64, of.channel as i64);
        row.test = Test::Free.word().to_owned();
        put(&mut row, Some(&placed), first, last);
        rows.push(row);
        refound.new += 1;
    }
    Ok(refound)
}

/// The hold whose samples overlap a row's most.
fn best(open: &[(Placed, i64, i64)], row: &TrialRow) -> Option<usize> {
    let overlap = |(placed, first, last): &(Placed, i64, i64)| {
        let shared = row.last_sample.min(*last) - row.first_sample.max(*first) + 1;
        if placed.segment == row.segment { shared } else { 0 }
    };
    let all = open.iter().map(overlap).enumerate().filter(|(_, shared)| *shared > 0);
    all.max_by_key(|(_, shared)| *shared).map(|(at, _)| at)
}

fn put(row: &mut TrialRow, placed: Option<&Placed>, first: i64, last: i64) {
    let is_of_hold = |flag: &&str| serde_json::from_value::<Flag>((*flag).into()).is_ok();
    let before = std::mem::take(&mut row.flags);
    row.set_hold(placed.map(|placed| &placed.hold));
    before.split(',').filter(|flag| !flag.is_empty() && !is_of_hold(flag)).for_each(|flag| row.flag(flag));
    (row.segment, row.first_sample, row.last_sample) =
        (placed.map_or(-1, |placed| placed.segment), first, last);
    row.moment_n_cm = row.peak_zero_n * row.lever_mm / 10.0;
}

struct Places {
    segments: Vec<SegmentRow>,
    frames: Vec<FrameRow>,
}

impl Places {
    /// Position of a sample by its index within its segment.
    fn position(&self, segment: i64, index: u64) -> Option<i64> {
        let start = self.segments.get(usize::try_from(segment).ok()?)?.first_counter;
        let index = i64::try_from(index).ok()?;
        let within = |frame: &&FrameRow| {
            let from = frame.counter - start;
            frame.segment == segment && (from..from + frame.samples).contains(&index)
        };
        let frame = self.frames.iter().find(within)?;
        Some(frame.first_sample + index - (frame.counter - start))
    }
}
