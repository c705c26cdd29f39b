//! The stretch of force that is kept: evenly spaced values with what is unusual about them and their times.
//!
//! Comes in: values one after another, N. Goes out: slices, marks and times by position. Positions count from the
//! trace's first value and never repeat; what is no longer needed is let go, so memory stays bounded.

use std::collections::VecDeque;

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
    times: VecDeque<(u64, f64)>,
    dt_s: f64,
}

impl Track {
    /// An empty track of values `dt_s` apart with room for `capacity` of them.
    pub fn new(dt_s: f64, capacity: usize) -> Track {
        Track {
            start: 0,
            values: Vec::with_capacity(capacity),
            runs: VecDeque::new(),
            times: VecDeque::with_capacity(capacity / 256 + 4),
            dt_s,
        }
    }

    /// Forgets everything; the next value has this position.
    pub fn restart(&mut self, position: u64) {
        self.start = position;
        self.values.clear();
        self.runs.clear();
        self.times.clear();
    }

    /// A copy of the values from `from` up to `to`, with their marks and times.
    pub fn excerpt(&self, from: u64, to: u64) -> Track {
        let start = from.max(self.start);
        let first_time = self.times.partition_point(|&(at, _)| at <= start).saturating_sub(1);
        Track {
            start,
            values: self.slice(start, to).to_vec(),
            runs: self.runs.iter().copied().filter(|run| run.end > start && run.start < to).collect(),
            times: self.times.iter().copied().skip(first_time).collect(),
            dt_s: self.dt_s,
        }
    }

    /// Appends values.
    pub fn extend(&mut self, values: &[f64]) {
        self.values.extend_from_slice(values);
    }

    /// Says the time of the next value. A time that is no number or goes back is not believed.
    pub fn note_time(&mut self, time_s: f64) {
        let position = self.end();
        let believed = match self.times.back() {
            Some(&(at, before_s)) if !(time_s > before_s && time_s.is_finite()) => {
                before_s + (position - at) as f64 * self.dt_s
            }
            None if !time_s.is_finite() => 0.0,
            _ => time_s,
        };
        self.times.push_back((position, believed));
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

    fn range(&self, from: u64, to: u64) -> (usize, usize) {
        let to = (to.saturating_sub(self.start) as usize).min(self.values.len());
        let from = (from.saturating_sub(self.start) as usize).min(to);
        (from, to)
    }

    /// Whether any value from `from` up to `to` has the mark.
    pub fn marked(&self, mark: Mark, from: u64, to: u64) -> bool {
        self.runs.iter().any(|run| run.mark == mark && run.start < to && run.end > from)
    }

    /// Time of a position, which may lie between values: between the times noted by a straight line.
    pub fn time_s(&self, position: f64) -> f64 {
        let after = self.times.partition_point(|&(at, _)| (at as f64) <= position);
        let Some(&(at, time_s)) = self.times.get(after.saturating_sub(1)) else {
            return position * self.dt_s;
        };
        let step_s = match self.times.get(after) {
            Some(&(next, next_s)) if after > 0 && next > at => (next_s - time_s) / (next - at) as f64,
            _ => self.dt_s,
        };
        time_s + (position - at as f64) * step_s
    }

    /// Lets go of what lies before `position`, once that is worth the move.
    pub fn release(&mut self, position: u64) {
        let gone = position.saturating_sub(self.start) as usize;
        let Some(kept) = self.values.len().checked_sub(gone) else { return };
        // The more room there is, the longer the move can wait.
        let worth = if self.values.len() < self.values.capacity() / 2 { 3 * kept } else { kept };
        if gone < 1024.max(worth) {
            return;
        }
        self.values.copy_within(gone.., 0);
        self.values.truncate(kept);
        self.start = position;
        while self.runs.front().is_some_and(|run| run.end <= position) {
            self.runs.pop_front();
        }
        while self.times.get(1).is_some_and(|&(at, _)| at <= position) {
            self.times.pop_front();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn filled(n: u64) -> Track {
        let mut track = Track::new(0.001, 4096);
        for k in 0..n {
            if k % 100 == 0 {
                track.note_time(5.0 + k as f64 * 0.001);
            }
            track.extend(&[k as f64]);
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
        let excerpt = track.excerpt(3950, 4200);
        assert_eq!((excerpt.start(), excerpt.end()), (3950, 4200));
        assert_eq!(excerpt.slice(4000, 4001)[0], value);
        assert_eq!(excerpt.time_s(4000.5), track.time_s(4000.5));
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
