//! The stretch of force that is kept: evenly spaced values with what is unusual about them and their times.
//!
//! Comes in: values one after another, N. Goes out: slices, marks and times by position. Positions count from the
//! trace's first value and never repeat; what is no longer needed is let go, so memory stays bounded.

use std::collections::VecDeque;

/// Times are noted every so many values and interpolated between.
const ANCHOR_EVERY: u64 = 256;

/// What is unusual about a run of values.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// Missing samples, bridged by a straight line.
    Missing,
    /// At the converter's end.
    Saturated,
}

#[derive(Debug, Clone, Copy)]
struct Run {
    mark: Mark,
    start: u64,
    end: u64,
}

/// The kept stretch.
#[derive(Debug)]
pub(super) struct Track {
    start: u64,
    values: Vec<f64>,
    runs: VecDeque<Run>,
    anchors: VecDeque<(u64, f64)>,
    last: (u64, f64),
    dt_s: f64,
}

impl Track {
    /// An empty track of values `dt_s` apart with room for `capacity` of them.
    pub fn new(dt_s: f64, capacity: usize) -> Track {
        Track {
            start: 0,
            values: Vec::with_capacity(capacity),
            runs: VecDeque::new(),
            anchors: VecDeque::with_capacity(capacity / ANCHOR_EVERY as usize + 4),
            last: (0, 0.0),
            dt_s,
        }
    }

    /// Forgets everything; the next value has this position.
    pub fn restart(&mut self, position: u64) {
        self.start = position;
        self.values.clear();
        self.runs.clear();
        self.anchors.clear();
    }

    /// Appends a value and the time of it.
    pub fn push(&mut self, value: f64, time_s: f64) {
        let position = self.end();
        if self.anchors.back().is_none_or(|&(at, _)| position - at >= ANCHOR_EVERY) {
            self.anchors.push_back((position, time_s));
        }
        self.last = (position, time_s);
        self.values.push(value);
    }

    /// Marks values from `start` up to `end`.
    pub fn mark(&mut self, mark: Mark, start: u64, end: u64) {
        match self.runs.iter_mut().rev().find(|run| run.mark == mark) {
            Some(run) if run.end >= start => run.end = run.end.max(end),
            _ => self.runs.push_back(Run { mark, start, end }),
        }
    }

    /// Values that fit into the memory taken.
    #[cfg(test)]
    pub fn room(&self) -> usize {
        self.values.capacity()
    }

    /// Position of the first value kept.
    pub fn start(&self) -> u64 {
        self.start
    }

    /// Position after the last value.
    pub fn end(&self) -> u64 {
        self.start + self.values.len() as u64
    }

    /// Spacing, s.
    pub fn dt_s(&self) -> f64 {
        self.dt_s
    }

    /// The values from `from` up to `to`, as far as they are kept.
    pub fn slice(&self, from: u64, to: u64) -> &[f64] {
        let (from, to) = self.range(from, to);
        &self.values[from..to]
    }

    /// The same, to change them.
    pub fn slice_mut(&mut self, from: u64, to: u64) -> &mut [f64] {
        let (from, to) = self.range(from, to);
        &mut self.values[from..to]
    }

    fn range(&self, from: u64, to: u64) -> (usize, usize) {
        let to = (to.saturating_sub(self.start) as usize).min(self.values.len());
        let from = (from.saturating_sub(self.start) as usize).min(to);
        (from, to)
    }

    /// Whether any value from `from` up to `to` has the mark.
    pub fn marked(&self, mark: Mark, from: u64, to: u64) -> bool {
        self.runs.iter().any(|run| run.mark == mark && run.start < to && run.end > from)
    }

    /// Time of a position, which may lie between values.
    pub fn time_s(&self, position: f64) -> f64 {
        let after = self.anchors.partition_point(|&(at, _)| (at as f64) <= position);
        let before = self.anchors.get(after.saturating_sub(1)).copied().unwrap_or(self.last);
        let next = self.anchors.get(after).copied().unwrap_or(self.last);
        let span = next.0 as f64 - before.0 as f64;
        let step = if span > 0.0 && after > 0 { (next.1 - before.1) / span } else { self.dt_s };
        before.1 + (position - before.0 as f64) * step
    }

    /// Lets go of what lies before `position`, once that is worth the move.
    pub fn release(&mut self, position: u64) {
        let gone = position.saturating_sub(self.start) as usize;
        if gone < 1024 || gone > self.values.len() || gone < self.values.len() - gone {
            return;
        }
        self.values.copy_within(gone.., 0);
        self.values.truncate(self.values.len() - gone);
        self.start = position;
        while self.runs.front().is_some_and(|run| run.end <= position) {
            self.runs.pop_front();
        }
        while self.anchors.get(1).is_some_and(|&(at, _)| at <= position) {
            self.anchors.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(n: u64) -> Track {
        let mut track = Track::new(0.001, 4096);
        for k in 0..n {
            track.push(k as f64, 5.0 + k as f64 * 0.001);
        }
        track
    }

    #[test]
    fn positions_keep_their_values_and_times_when_old_ones_are_let_go() {
        let mut track = filled(5000);
        let (value, time) = (track.slice(4000, 4001)[0], track.time_s(4000.5));
        track.release(3900);
        assert_eq!(track.start(), 3900);
        assert_eq!(track.slice(4000, 4001)[0], value);
        assert!((track.time_s(4000.5) - time).abs() < 1e-12);
        assert!((time - 9.0005).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_kept_is_an_empty_slice() {
        let mut track = filled(5000);
        track.release(3900);
        assert!(track.slice(0, 100).is_empty());
        assert!(track.slice(6000, 7000).is_empty());
        assert!(track.slice(4500, 4400).is_empty());
    }

    #[test]
    fn marks_join_and_are_found() {
        let mut track = filled(100);
        track.mark(Mark::Missing, 10, 12);
        track.mark(Mark::Missing, 12, 15);
        track.mark(Mark::Saturated, 50, 51);
        assert_eq!(track.runs.len(), 2);
        assert!(track.marked(Mark::Missing, 14, 20) && !track.marked(Mark::Missing, 15, 60));
        assert!(track.marked(Mark::Saturated, 40, 60));
    }
}
