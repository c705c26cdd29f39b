//! Device time: puts frames on the sensor's own sample counter, finds segments, gaps and duplicates.
//!
//! Comes in: what a samples frame says of its place (counter, sequence, boot id, interval ns, device time µs). Goes out:
//! where its samples stand (segment, index in the segment, position in the recording), and what is missing and why.
//! Sample time is the counter times the declared interval; the device's clock only tells segments apart.

use std::collections::VecDeque;

/// A device clock that disagrees with the sample counter by more than this between two frames has stepped, µs …
const STEP_US: i64 = 5_000;
/// … plus this share of the time between them (a declared interval may be a little off), as 1/100.
const STEP_PERCENT: i64 = 2;
/// Positions are looked up for holds that are at most this long ago, s: the finder closes a hold after 120 s.
const LOOK_BACK_S: f64 = 180.0;

/// What a samples frame says of its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FramePlace {
    /// Boot id.
    pub boot_id: u32,
    /// Frame sequence number.
    pub sequence: u32,
    /// Counter of the first sample.
    pub counter: u64,
    /// Number of samples.
    pub samples: u64,
    /// Device time of the first sample, µs.
    pub device_time_us: u64,
    /// Declared sample interval, ns.
    pub interval_ns: u32,
    /// Number of channels.
    pub channels: u8,
    /// The device says that it had to drop samples before this frame.
    pub overrun: bool,
}

/// Where a frame's new samples stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placed {
    /// Segment, from 0.
    pub segment: u64,
    /// How many of the frame's first samples were already there.
    pub skip: u64,
    /// Index in the segment (counter since its start) of the first new sample.
    pub index: u64,
    /// Position in the recording of the first new sample.
    pub position: u64,
}

/// A segment's beginning.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Began {
    /// Segment, from 0.
    pub segment: u64,
    /// Position of its first sample.
    pub position: u64,
    /// Counter of its first sample.
    pub counter: u64,
    /// Device time of its first sample, µs.
    pub device_start_us: u64,
    /// Boot id.
    pub boot_id: u32,
    /// Declared interval, ns.
    pub interval_ns: u32,
    /// Why it began.
    pub reason: &'static str,
}

/// Missing samples.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Segment, from 0.
    pub segment: u64,
    /// Position of the last sample before it; `None` at the very start.
    pub after: Option<u64>,
    /// How many are missing; `None` where it cannot be known.
    pub missing: Option<u64>,
    /// Index in the segment of the first missing sample; negative when they precede the segment.
    pub index: i64,
    /// Why.
    pub reason: &'static str,
}

/// What placing a frame found, in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Found {
    /// A segment began.
    Began(Began),
    /// Samples are missing.
    Gap(Gap),
    /// The frame's samples stand here.
    Placed(Placed),
    /// The frame was there already.
    Duplicate,
}

#[derive(Debug, Clone)]
struct Open {
    segment: u64,
    boot_id: u32,
    interval_ns: u32,
    channels: u8,
    first_counter: u64,
    next_counter: u64,
    next_sequence: u32,
    last: (u64, u64), // counter and device time (µs) of the last frame
}

/// Why a segment ends although its stream may go on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Interruption {
    /// The port is gone.
    Unplugged,
    /// The host slept: its monotonic clock stood still, so device time has another place in it from now on.
    HostSlept,
}

impl Interruption {
    /// Why the next segment of the same stream begins, why samples between the two are missing, and why the end of a
    /// stream that never went on is unknown.
    fn reasons(self) -> [&'static str; 3] {
        match self {
            Interruption::Unplugged => ["port returned", "unplugged", "unplugged at the end"],
            Interruption::HostSlept => ["host slept", "host slept", "host slept at the end"],
        }
    }
}

/// A stream whose segment was ended from outside.
#[derive(Debug, Clone, Copy)]
struct Interrupted {
    why: Interruption,
    boot_id: u32,
    next_counter: u64,
    segment: u64,
    /// Index in the segment of the first sample that is missing.
    index: i64,
}

/// What the host lost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HostLoss {
    /// Bytes, because it was too slow.
    Bytes,
    /// Records of the journal.
    Records,
}

impl HostLoss {
    fn reason(self) -> &'static str {
        match self {
            HostLoss::Bytes => "host overflow",
            HostLoss::Records => "journal damaged",
        }
    }
}

/// Where a run of samples without gaps begins.
#[derive(Debug, Clone, Copy)]
struct Run {
    segment: u64,
    index: u64,
    position: u64,
}

/// Puts one sensor's frames in their places.
#[derive(Debug, Clone, Default)]
pub struct Sequencer {
    open: Option<Open>,
    /// The stream that was interrupted by the port.
    interrupted: Option<Interrupted>,
    segments: u64,
    position: u64,
    /// What was lost on the host since the last frame: the next gap is its fault.
    lost: Option<HostLoss>,
    duplicates: u64,
    /// The board has said how many samples the open segment's stream had.
    counted: bool,
    /// This boot was asked to start, and no frame of it has come.
    asked: Option<u32>,
    /// There was a boot that was asked to start, and none of its frames ever came.
    missed: bool,
    runs: VecDeque<Run>,
}

impl Sequencer {
    /// Samples placed so far: the position of the next one.
    pub fn position(&self) -> u64 {
        self.position
    }

    /// Frames that had been there already.
    pub fn duplicates(&self) -> u64 {
        self.duplicates
    }

    /// Something was lost on the host: the next gap is its fault.
    pub fn lost(&mut self, what: HostLoss) {
        self.lost = Some(what);
    }

    /// The open segment ends; its stream may go on afterwards.
    pub fn interrupt(&mut self, why: Interruption) {
        if let Some(open) = self.open.take() {
            self.interrupted = Some(Interrupted {
                why,
                boot_id: open.boot_id,
                next_counter: open.next_counter,
                segment: open.segment,
                index: signed(open.next_counter) - signed(open.first_counter),
            });
        }
    }

    /// The board was asked to start.
    pub fn started(&mut self, boot_id: u32) {
        self.missed |= self.asked.is_some_and(|asked| asked != boot_id);
        let on = self.open.as_ref().map(|open| open.boot_id).or(self.interrupted.map(|lost| lost.boot_id));
        if on != Some(boot_id) {
            self.asked = Some(boot_id);
        }
    }

    /// Why there may have been streams before this frame's of which nothing came.
    fn unseen(&self, frame: &FramePlace) -> Option<&'static str> {
        let on = self.open.as_ref().map(|open| open.boot_id).or(self.interrupted.map(|lost| lost.boot_id));
        if self.lost == Some(HostLoss::Records) && on != Some(frame.boot_id) {
            return Some("journal damaged");
        }
        let other = self.asked.is_some_and(|asked| asked != frame.boot_id);
        (self.missed || other).then_some("nothing came before a device reset")
    }

    /// The recording ends. Unless the board has said how many samples there were, nobody can say what is missing.
    pub fn end(&mut self) -> Option<Gap> {
        // The start that was sent may be what a crash took from the journal, so it is not asked for here.
        if self.segments == 0 {
            let reason = "nothing came";
            return Some(Gap { segment: 0, after: None, missing: None, index: 0, reason });
        }
        let interrupted = self.interrupted.filter(|_| self.open.is_none());
        let reason = interrupted
            .map_or("ended without the device's count", |interrupted| interrupted.why.reasons()[2]);
        self.unknown_tail(reason)
    }

    /// The gap of unknown length at the end of a stream that ended without the board's own count.
    fn unknown_tail(&mut self, reason: &'static str) -> Option<Gap> {
        let (segment, index) = match (&self.open, self.interrupted.take()) {
            (Some(open), _) if !self.counted => {
                (open.segment, signed(open.next_counter) - signed(open.first_counter))
            }
            (None, Some(lost)) => (lost.segment, lost.index),
            _ => return None,
        };
        Some(Gap { segment, after: self.position.checked_sub(1), missing: None, index, reason })
    }

    /// Is a segment open?
    pub fn is_open(&self) -> bool {
        self.open.is_some()
    }

    /// Position of an index of a segment; where that sample is missing, of the last one before it.
    pub fn position_of(&self, segment: u64, index: u64) -> Option<u64> {
        let after = self.runs.partition_point(|run| (run.segment, run.index) <= (segment, index));
        let run = self.runs.get(after.checked_sub(1)?).filter(|run| run.segment == segment)?;
        let end = self.runs.get(after).map_or(self.position, |next| next.position);
        Some((run.position + (index - run.index)).min(end.max(run.position + 1) - 1))
    }

    /// A run of samples without gaps begins here; runs that nobody can ask for any more are forgotten.
    fn run(&mut self, segment: u64, index: u64, interval_ns: u32) {
        let look_back = (LOOK_BACK_S * 1e9 / f64::from(interval_ns.max(1))) as u64;
        let oldest = self.position.saturating_sub(look_back);
        while self.runs.get(1).is_some_and(|next| next.position <= oldest) {
            self.runs.pop_front();
        }
        self.runs.push_back(Run { segment, index, position: self.position });
    }

    /// Places a frame.
    pub fn place(&mut self, frame: &FramePlace, out: &mut Vec<Found>) {
        match self.why_new_segment(frame) {
            Some(reason) => self.begin(frame, reason, out),
            None if frame.samples == 0 => return,
            None => {}
        }
        let Some(open) = &mut self.open else { return };
        let end = frame.counter.saturating_add(frame.samples);
        if end <= open.next_counter {
            self.duplicates += 1;
            out.push(Found::Duplicate);
            return;
        }
        if frame.counter > open.next_counter {
            let missing = frame.counter - open.next_counter;
            let reason = gap_reason(self.lost.take(), frame, open.next_sequence);
            out.push(Found::Gap(Gap {
                segment: open.segment,
                after: self.position.checked_sub(1),
                missing: Some(missing),
                index: signed(open.next_counter) - signed(open.first_counter),
                reason,
            }));
            let (segment, index) = (open.segment, frame.counter - open.first_counter);
            self.run(segment, index, frame.interval_ns);
        }
        let Some(open) = &mut self.open else { return };
        let skip = open.next_counter.saturating_sub(frame.counter);
        let placed = Placed {
            segment: open.segment,
            skip,
            index: frame.counter + skip - open.first_counter,
            position: self.position,
        };
        self.position += frame.samples - skip;
        open.next_counter = end;
        open.next_sequence = frame.sequence.wrapping_add(1);
        open.last = (frame.counter, frame.device_time_us);
        self.lost = None;
        out.push(Found::Placed(placed));
    }

    /// The board has stopped and says which counter the next sample would have had: what is missing at the tail. Another
    /// boot's answer says nothing about the stream that ended with the reset.
    pub fn stopped(&mut self, boot_id: u32, next_counter: u64, out: &mut Vec<Found>) {
        let Some(open) = self.open.as_mut().filter(|open| open.boot_id == boot_id) else { return };
        if next_counter < open.next_counter {
            return; // of a stream before this one
        }
        self.counted = true;
        if next_counter > open.next_counter {
            out.push(Found::Gap(Gap {
                segment: open.segment,
                after: self.position.checked_sub(1),
                missing: Some(next_counter - open.next_counter),
                index: signed(open.next_counter) - signed(open.first_counter),
                reason: self.lost.map_or("lost frame", HostLoss::reason),
            }));
            open.next_counter = next_counter;
        }
    }

    fn why_new_segment(&self, frame: &FramePlace) -> Option<&'static str> {
        let Some(open) = &self.open else {
            return Some(match self.interrupted {
                None if self.segments == 0 => "start",
                Some(lost) if lost.boot_id == frame.boot_id => lost.why.reasons()[0],
                _ => "port returned after a device reset",
            });
        };
        if open.boot_id != frame.boot_id {
            return Some("device reset");
        }
        if open.interval_ns != frame.interval_ns || open.channels != frame.channels {
            return Some("settings changed");
        }
        if frame.counter < open.next_counter {
            // The same frame again, or a stream that was started anew: only the latter is later in device time, and
            // begins with the first frame or after the board said that the one before has ended.
            let anew = (frame.counter == 0 && frame.sequence == 0) || self.counted;
            return (anew && frame.device_time_us > open.last.1).then_some("stream restarted");
        }
        let apart = (frame.counter - open.last.0).saturating_mul(u64::from(open.interval_ns)) / 1000;
        let disagreement = signed(frame.device_time_us) - signed(open.last.1).saturating_add(signed(apart));
        let allowed = STEP_US.saturating_add(signed(apart) / 100 * STEP_PERCENT);
        (disagreement.saturating_abs() > allowed).then_some("device clock step")
    }

    fn begin(&mut self, frame: &FramePlace, reason: &'static str, out: &mut Vec<Found>) {
        let segment = self.segments;
        self.segments += 1;
        // What the stream should have begun with: where the same boot left off, or 0 for a new stream.
        let interrupted = self.interrupted.map(|lost| (lost.boot_id, lost.next_counter));
        let went_on = self.open.as_ref().map(|open| (open.boot_id, open.next_counter)).or(interrupted);
        let expected = match went_on {
            Some((boot_id, next)) if boot_id == frame.boot_id && frame.counter >= next => next,
            _ => 0,
        };
        let next_sequence = match &self.open {
            Some(open) if open.boot_id == frame.boot_id && expected == open.next_counter => {
                open.next_sequence
            }
            _ => 0,
        };
        // A reset or a new stream takes with it whatever was still under way: nobody can say how much.
        if went_on.is_some_and(|(boot_id, next)| boot_id != frame.boot_id || frame.counter < next) {
            out.extend(self.unknown_tail("under way at a device reset").map(Found::Gap));
        }
        let unseen = self.unseen(frame);
        let away = self.interrupted.take().filter(|lost| lost.boot_id == frame.boot_id);
        let away = away.map(|lost| lost.why.reasons()[1]).filter(|_| self.lost.is_none());
        (self.counted, self.asked, self.missed) = (false, None, false);
        out.push(Found::Began(Began {
            segment,
            position: self.position,
            counter: frame.counter,
            device_start_us: frame.device_time_us,
            boot_id: frame.boot_id,
            interval_ns: frame.interval_ns,
            reason,
        }));
        out.extend(unseen.map(|reason| {
            let after = self.position.checked_sub(1);
            Found::Gap(Gap { segment, after, missing: None, index: -1, reason })
        }));
        if frame.counter > expected {
            let missing = frame.counter - expected;
            out.push(Found::Gap(Gap {
                segment,
                after: self.position.checked_sub(1),
                missing: Some(missing),
                index: -signed(missing),
                reason: away.unwrap_or_else(|| gap_reason(self.lost, frame, next_sequence)),
            }));
        }
        self.open = Some(Open {
            segment,
            boot_id: frame.boot_id,
            interval_ns: frame.interval_ns,
            channels: frame.channels,
            first_counter: frame.counter,
            next_counter: frame.counter,
            next_sequence: frame.sequence,
            last: (frame.counter, frame.device_time_us),
        });
        self.run(segment, 0, frame.interval_ns);
    }
}

/// Reason of a gap between two frames that follow each other.
pub const DEVICE_OVERRUN: &str = "device overrun";

fn gap_reason(lost: Option<HostLoss>, frame: &FramePlace, next_sequence: u32) -> &'static str {
    match (lost, frame.sequence == next_sequence) {
        (Some(lost), _) => lost.reason(),
        (None, true) => DEVICE_OVERRUN,
        (None, false) if frame.overrun => "lost frame and device overrun",
        (None, false) => "lost frame",
    }
}

fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(sequence: u32, counter: u64) -> FramePlace {
        FramePlace {
            boot_id: 7,
            sequence,
            counter,
            samples: 10,
            device_time_us: 5_000_000 + counter * 1000,
            interval_ns: 1_000_000,
            channels: 1,
            overrun: false,
        }
    }

    fn gaps(found: &[Found]) -> Vec<(Option<u64>, &'static str)> {
        found
            .iter()
            .filter_map(|f| if let Found::Gap(g) = f { Some((g.missing, g.reason)) } else { None })
            .collect()
    }

    fn run(frames: &[FramePlace]) -> (Sequencer, Vec<Found>) {
        let (mut sequencer, mut out) = (Sequencer::default(), Vec::new());
        for frame in frames {
            sequencer.place(frame, &mut out);
        }
        (sequencer, out)
    }

    #[test]
    fn frames_in_order_make_one_segment_without_gaps() {
        let (sequencer, out) = run(&[frame(0, 0), frame(1, 10), frame(2, 20)]);
        assert_eq!(sequencer.position(), 30);
        assert!(gaps(&out).is_empty());
    }

    #[test]
    fn a_lost_frame_and_a_device_overrun_are_told_apart() {
        let (_, out) = run(&[frame(0, 0), frame(2, 20), frame(3, 50)]);
        assert_eq!(gaps(&out), [(Some(10), "lost frame"), (Some(20), "device overrun")]);
    }

    #[test]
    fn what_was_lost_before_the_first_frame_is_counted_too() {
        let (_, out) = run(&[frame(3, 30)]);
        assert_eq!(gaps(&out), [(Some(30), "lost frame")]);
    }

    #[test]
    fn what_the_board_dropped_before_a_segment_begins_is_its_doing() {
        let dropped = |sequence, counter| FramePlace { overrun: true, ..frame(sequence, counter) };
        let (_, out) = run(&[dropped(0, 30)]);
        assert_eq!(gaps(&out), [(Some(30), "device overrun")]);
        let changed = FramePlace { interval_ns: 1_000_001, ..dropped(1, 20) };
        let (_, out) = run(&[frame(0, 0), changed]);
        assert_eq!(gaps(&out), [(Some(10), "device overrun")]);
        let changed = FramePlace { interval_ns: 1_000_001, ..frame(2, 20) };
        let (_, out) = run(&[frame(0, 0), changed]);
        assert_eq!(gaps(&out), [(Some(10), "lost frame")]);
    }

    #[test]
    fn a_frame_that_comes_twice_is_taken_once_and_an_overlap_by_its_tail() {
        let (sequencer, out) = run(&[frame(0, 0), frame(0, 0), frame(1, 10), frame(2, 15)]);
        assert_eq!((sequencer.position(), sequencer.duplicates()), (25, 1));
        assert!(matches!(out.last(), Some(Found::Placed(Placed { skip: 5, index: 20, position: 20, .. }))));
    }

    #[test]
    fn a_reset_and_a_clock_step_begin_segments() {
        let mut reset = frame(0, 0);
        reset.boot_id = 8;
        let mut step = frame(1, 10);
        step.boot_id = 8;
        step.device_time_us += 50_000;
        let (_, out) = run(&[frame(0, 0), reset, step]);
        let reasons: Vec<_> =
            out.iter().filter_map(|f| if let Found::Began(b) = f { Some(b.reason) } else { None }).collect();
        assert_eq!(reasons, ["start", "device reset", "device clock step"]);
        assert_eq!(gaps(&out), [(None, "under way at a device reset")]);
    }

    #[test]
    fn a_boot_that_was_started_and_of_which_nothing_came_is_a_gap_of_unknown_length() {
        let gap = Sequencer::default().end().unwrap();
        assert_eq!((gap.missing, gap.reason), (None, "nothing came"));

        let (mut sequencer, mut out) = (Sequencer::default(), Vec::new());
        sequencer.started(5);
        sequencer.started(5);
        sequencer.started(7);
        sequencer.place(&frame(0, 0), &mut out);
        assert_eq!(gaps(&out), [(None, "nothing came before a device reset")]);
        let Found::Gap(gap) = &out[1] else { panic!("{out:?}") };
        assert_eq!((gap.segment, gap.index), (0, -1), "it precedes the segment");

        let (mut sequencer, mut out) = (Sequencer::default(), Vec::new());
        sequencer.started(7);
        sequencer.place(&frame(0, 0), &mut out);
        sequencer.started(7);
        sequencer.place(&frame(1, 10), &mut out);
        assert!(gaps(&out).is_empty(), "a start that was sent twice is none");
    }

    #[test]
    fn a_host_that_slept_ends_a_segment_and_loses_nothing_that_came() {
        let (mut sequencer, mut out) = run(&[frame(0, 0)]);
        sequencer.interrupt(Interruption::HostSlept);
        sequencer.place(&frame(1, 10), &mut out);
        sequencer.interrupt(Interruption::HostSlept);
        sequencer.place(&frame(5, 50), &mut out);
        let reasons: Vec<_> =
            out.iter().filter_map(|f| if let Found::Began(b) = f { Some(b.reason) } else { None }).collect();
        assert_eq!(reasons, ["start", "host slept", "host slept"]);
        assert_eq!(gaps(&out), [(Some(30), "host slept")]);
    }

    #[test]
    fn what_a_hole_in_the_journal_took_is_told_from_what_the_line_took() {
        let (mut sequencer, mut out) = run(&[frame(0, 0)]);
        sequencer.lost(HostLoss::Records);
        sequencer.place(&frame(9, 90), &mut out);
        sequencer.place(&frame(11, 110), &mut out);
        assert_eq!(gaps(&out), [(Some(80), "journal damaged"), (Some(10), "lost frame")]);
        sequencer.lost(HostLoss::Records);
        sequencer.place(&FramePlace { boot_id: 8, ..frame(2, 20) }, &mut out);
        let told = gaps(&out).split_off(2);
        assert_eq!(
            told,
            [(None, "under way at a device reset"), (None, "journal damaged"), (Some(20), "journal damaged")]
        );
    }

    #[test]
    fn a_port_that_returns_leaves_an_exact_gap() {
        let (mut sequencer, mut out) = run(&[frame(0, 0)]);
        sequencer.interrupt(Interruption::Unplugged);
        sequencer.place(&frame(90, 900), &mut out);
        assert_eq!(gaps(&out), [(Some(890), "unplugged")]);
        assert_eq!(sequencer.position(), 20);
    }

    #[test]
    fn a_recording_that_ends_while_the_port_is_gone_says_that_its_tail_is_unknown() {
        let (mut sequencer, mut out) = run(&[frame(0, 0)]);
        assert_eq!(
            sequencer.end().map(|gap| gap.missing),
            Some(None),
            "the board has not said how many there were"
        );
        sequencer.interrupt(Interruption::Unplugged);
        assert_eq!(sequencer.end().map(|gap| (gap.missing, gap.index)), Some((None, 10)));
        sequencer.place(&frame(1, 10), &mut out);
        assert_eq!(sequencer.position(), 20);
    }

    #[test]
    fn the_tail_is_known_from_the_boards_own_count() {
        let (mut sequencer, mut out) = run(&[frame(0, 0)]);
        sequencer.stopped(8, 99, &mut out);
        sequencer.stopped(7, 25, &mut out);
        sequencer.stopped(7, 25, &mut out);
        assert_eq!(gaps(&out), [(Some(15), "lost frame")]);
        assert_eq!(sequencer.end(), None);
    }

    #[test]
    fn positions_are_found_across_gaps() {
        let (sequencer, _) = run(&[frame(0, 0), frame(2, 20)]);
        assert_eq!(sequencer.position_of(0, 3), Some(3));
        assert_eq!(sequencer.position_of(0, 22), Some(12));
        assert_eq!(
            sequencer.position_of(0, 15),
            Some(9),
            "a missing index stands at the last sample before it"
        );
        assert_eq!(sequencer.position_of(0, 99), Some(19));
    }

    #[test]
    fn counters_at_their_ends_do_no_harm() {
        let last = FramePlace { counter: u64::MAX - 3, device_time_us: u64::MAX, ..frame(u32::MAX, 0) };
        let (mut sequencer, mut out) = run(&[frame(0, 0), last, frame(0, 5)]);
        sequencer.stopped(7, u64::MAX, &mut out);
        assert!(sequencer.is_open());
    }
}
