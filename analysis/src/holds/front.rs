//! The front end: samples of any rate become evenly spaced values at 1.5 kHz or less, without artefacts.
//!
//! Comes in: [`Sample`]s, N. Goes out: values of a [`Track`], N. Above 1.5 kHz values are means of whole blocks of
//! samples, down to 1 kHz. Artefacts of up to 2 ms are taken out when their neighbours are known. Missing samples are
//! bridged by a straight line between clean values and marked, where they are few; a longer gap is reported and ends
//! what was going on.

use super::Sample;
use super::pull::Grid;
use super::track::{Mark, Track};
use super::wave;
use std::collections::VecDeque;

/// Values beyond this cannot be forces, N: they count as missing.
const ABSURD_N: f64 = 1e12;
/// Positions beyond this are no sample counter's: they count as missing too.
const ABSURD_INDEX: u64 = 1 << 60;
/// Values in a neighbourhood, at most.
const WIDEST: usize = 32;
/// Samples looked at at once.
const RUN: usize = 256;
/// Values looked at side by side.
const ABREAST: usize = 64;
/// The time of a value is noted every so many values, and after each gap.
const TIME_EVERY: u64 = 256;

/// What became of the samples offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taken {
    /// So many of them were taken.
    Some(usize),
    /// Too many are missing before the first: the caller ends what is going on and begins anew with it.
    AfterGap,
}

/// What is to be known about one value.
#[derive(Debug, Clone, Copy)]
enum Note {
    /// Its time, s.
    Time(f64),
    /// So many values are missing before it.
    Gap(u64),
    /// One of its samples was at the converter's end.
    Saturated,
}

/// The samples of the value being gathered.
#[derive(Debug, Default, Clone, Copy)]
struct Block {
    sum: f64,
    count: u64,
    saturated: bool,
    /// Time of the first of them, and its place in the block.
    time_s: f64,
    place: u64,
}

/// A straight line over missing values, as far as it has been handed over.
#[derive(Debug, Clone, Copy)]
struct Bridge {
    from_n: f64,
    missing: u64,
    done: u64,
}

/// The state between samples.
#[derive(Debug)]
pub(super) struct Front {
    interval_s: f64,
    per_value: u64,
    half_width: usize,
    origin: Option<u64>,
    next_index: u64,
    block: Block,
    /// Position of the block being gathered.
    block_at: u64,
    /// Values taken, in order, missing ones left out. Those before `handed` have been handed over and are neighbours
    /// of what follows; those before `cleaned` are clean.
    values: Vec<f64>,
    handed: usize,
    cleaned: usize,
    /// Notes on values not handed over yet, by their place in `values`.
    notes: VecDeque<(usize, Note)>,
    bridge: Option<Bridge>,
}

impl Front {
    /// For samples `interval_s` apart, with artefacts of up to `spike_s`.
    pub fn new(interval_s: f64, spike_s: f64) -> Front {
        let interval_s = if interval_s.is_finite() { interval_s.clamp(1e-7, 1.0) } else { 0.001 };
        let rate_hz = 1.0 / interval_s;
        let per_value = if rate_hz > 1500.0 { (rate_hz / 1000.0 + 1e-9) as u64 } else { 1 };
        // An artefact touches one value more where values are means of blocks.
        let dt_s = interval_s * per_value as f64;
        let values = (libm::round(spike_s / dt_s) as usize).max(1) + usize::from(per_value > 1);
        let half_width = values.min(WIDEST / 2 - 3);
        Front {
            interval_s,
            per_value,
            half_width,
            origin: None,
            next_index: 0,
            block: Block::default(),
            block_at: 0,
            values: Vec::with_capacity(4 * RUN),
            handed: 0,
            cleaned: 0,
            notes: VecDeque::with_capacity(RUN),
            bridge: None,
        }
    }

    /// Spacing of the values, s.
    pub fn dt_s(&self) -> f64 {
        self.interval_s * self.per_value as f64
    }

    /// Values on each side that must be known before a value can be judged an artefact.
    fn reach(&self) -> usize {
        self.half_width + 2
    }

    /// The grid of samples behind positions.
    pub fn grid(&self) -> Grid {
        Grid { origin: self.origin.unwrap_or(0), per_value: self.per_value }
    }

    /// Forgets the trace: the next sample begins another.
    pub fn restart(&mut self) {
        self.origin = None;
        self.clear();
    }

    fn clear(&mut self) {
        self.block = Block::default();
        self.values.clear();
        self.notes.clear();
        (self.handed, self.cleaned, self.bridge) = (0, 0, None);
    }

    /// Begins at a sample: the first of a trace, or the first after a long gap. Gives its position.
    pub fn begin(&mut self, sample: &Sample) -> u64 {
        self.clear();
        let origin = *self.origin.get_or_insert(sample.index);
        self.block_at = sample.index.saturating_sub(origin) / self.per_value;
        let position = self.block_at;
        self.add(sample, true);
        position
    }

    /// Whether nothing has been taken yet.
    pub fn is_new(&self) -> bool {
        self.origin.is_none()
    }

    /// Whether a sample can be used at all.
    pub fn is_usable(sample: &Sample) -> bool {
        // (A comparison with NaN is false.)
        sample.force_n.abs() <= ABSURD_N && sample.index <= ABSURD_INDEX
    }

    /// Takes as many of the samples (at least one) as can be taken at once. Samples that go back, and values that are
    /// no number, are left out.
    pub fn take(&mut self, samples: &[Sample], bridge_max_s: f64) -> Taken {
        let run = self.run(samples);
        if run > 0 {
            self.take_run(&samples[..run]);
            return Taken::Some(run);
        }
        let Some(sample) = samples.first() else { return Taken::Some(0) };
        if !Front::is_usable(sample) || sample.index < self.next_index {
            return Taken::Some(1);
        }
        let position = (sample.index - self.origin.unwrap_or(0)) / self.per_value;
        let missing = position.saturating_sub(self.block_at + u64::from(self.block.count > 0));
        if missing as f64 * self.dt_s() > bridge_max_s {
            return Taken::AfterGap;
        }
        if position > self.block_at {
            self.close();
            if missing > 0 {
                self.notes.push_back((self.values.len(), Note::Gap(missing)));
            }
            self.block_at = position;
        }
        self.add(sample, missing > 0);
        Taken::Some(1)
    }

    /// Takes forces that follow the last sample one after the other, their times `interval_s` apart from 0 at index 0:
    /// as many as can be taken at once, which may be none.
    pub fn take_even(&mut self, first_index: u64, interval_s: f64, forces: &[f64]) -> usize {
        let forces = &forces[..forces.len().min(RUN)];
        // (Without a way out in the middle, a compiler looks at several side by side.)
        let good = forces.iter().fold(true, |all, force| all & (force.abs() <= ABSURD_N));
        if self.per_value > 1 || self.is_new() || self.next_index != first_index || !good {
            return 0;
        }
        let until_note = ((TIME_EVERY - self.block_at % TIME_EVERY) % TIME_EVERY) as usize;
        for k in (until_note..forces.len()).step_by(TIME_EVERY as usize) {
            let time_s = (first_index + k as u64) as f64 * interval_s;
            self.notes.push_back((self.values.len() + k, Note::Time(time_s)));
        }
        self.values.extend_from_slice(forces);
        self.block_at += forces.len() as u64;
        self.next_index += forces.len() as u64;
        forces.len()
    }

    /// How many of the samples follow the last one without a fault.
    fn run(&self, samples: &[Sample]) -> usize {
        let mut run = 0;
        for (sample, index) in samples.iter().take(RUN).zip(self.next_index..) {
            if sample.index != index || !Front::is_usable(sample) || sample.saturated {
                break;
            }
            run += 1;
        }
        run
    }

    fn take_run(&mut self, samples: &[Sample]) {
        if self.per_value > 1 {
            for sample in samples {
                self.add(sample, false);
            }
            return;
        }
        let first = self.block_at;
        let until_note = (TIME_EVERY - first % TIME_EVERY) % TIME_EVERY;
        for (k, sample) in samples.iter().enumerate().skip(until_note as usize).step_by(TIME_EVERY as usize) {
            self.notes.push_back((self.values.len() + k, Note::Time(sample.time_s)));
        }
        self.values.extend(samples.iter().map(|sample| sample.force_n));
        self.block_at = first + samples.len() as u64;
        self.next_index += samples.len() as u64;
    }

    /// Adds a sample to the block it belongs to, which is the one being gathered.
    fn add(&mut self, sample: &Sample, note_time: bool) {
        let offset = sample.index.saturating_sub(self.origin.unwrap_or(0));
        let place = offset % self.per_value;
        let block = &mut self.block;
        if block.count == 0 {
            (block.time_s, block.place) = (sample.time_s, place);
        }
        block.sum += sample.force_n;
        block.count += 1;
        block.saturated |= sample.saturated;
        self.next_index = sample.index.saturating_add(1);
        if note_time || (block.count == 1 && self.block_at.is_multiple_of(TIME_EVERY)) {
            // The value's time is that of its middle.
            let middle = (self.per_value - 1) as f64 / 2.0 - block.place as f64;
            let time_s = block.time_s + middle * self.interval_s;
            self.notes.push_back((self.values.len(), Note::Time(time_s)));
        }
        if place + 1 == self.per_value {
            self.close();
        }
    }

    /// The block being gathered becomes a value.
    pub fn close(&mut self) {
        if self.block.count == 0 {
            return;
        }
        if self.block.saturated {
            self.notes.push_back((self.values.len(), Note::Saturated));
        }
        self.values.push(self.block.sum / self.block.count as f64);
        self.block = Block::default();
        self.block_at += 1;
    }

    /// Hands values over to the track until it ends at `upto`, as far as their neighbours are known (`all`: without
    /// waiting for neighbours). Whether the track now ends there.
    pub fn hand_over(&mut self, track: &mut Track, upto: u64, spike_n: f64, all: bool) -> bool {
        let known = if all { self.values.len() } else { self.values.len().saturating_sub(self.reach()) };
        while track.end() < upto && self.handed < known {
            self.clean(known, spike_n);
            if self.bridge.is_some() {
                self.hand_bridge(track, upto);
                continue;
            }
            self.hand_notes(track);
            if self.bridge.is_some() {
                continue;
            }
            let next_note = self.notes.front().map_or(usize::MAX, |(at, _)| *at);
            let end = known.min(next_note).min(self.handed + (upto - track.end()) as usize);
            track.extend(&self.values[self.handed..end]);
            self.handed = end;
        }
        self.forget();
        track.end() >= upto
    }

    /// Takes up the notes on the next value.
    fn hand_notes(&mut self, track: &mut Track) {
        while self.notes.front().is_some_and(|(at, _)| *at == self.handed) {
            let end = track.end();
            match self.notes.pop_front() {
                Some((_, Note::Gap(missing))) => {
                    track.mark(Mark::Missing, end, end + missing);
                    let from_n = self.values[self.handed.saturating_sub(1)];
                    self.bridge = Some(Bridge { from_n, missing, done: 0 });
                    return;
                }
                Some((_, Note::Time(time_s))) => track.note_time(time_s),
                Some((_, Note::Saturated)) => track.mark(Mark::Saturated, end, end + 1),
                None => {}
            }
        }
    }

    fn hand_bridge(&mut self, track: &mut Track, upto: u64) {
        let Some(mut bridge) = self.bridge.take() else { return };
        let to_n = self.values[self.handed];
        while bridge.done < bridge.missing && track.end() < upto {
            bridge.done += 1;
            let share = bridge.done as f64 / (bridge.missing + 1) as f64;
            track.extend(&[bridge.from_n + share * (to_n - bridge.from_n)]);
        }
        if bridge.done < bridge.missing {
            self.bridge = Some(bridge);
        }
    }

    /// Lets go of values that are nobody's neighbours any more, once that is worth the move.
    fn forget(&mut self) {
        let gone = self.handed.saturating_sub(self.reach());
        if gone < 2 * RUN {
            return;
        }
        self.values.drain(..gone);
        self.handed -= gone;
        self.cleaned -= gone;
        for (at, _) in &mut self.notes {
            *at -= gone;
        }
    }

    /// Takes artefacts out of the values before `to`: one that stands out of the median of its neighbourhood by more
    /// than `least_n`, and by more than four times the typical step there, takes the median's place. (Hampel's
    /// identifier with a scale from first differences.)
    fn clean(&mut self, to: usize, least_n: f64) {
        if to <= self.cleaned {
            return;
        }
        let from = std::mem::replace(&mut self.cleaned, to);
        for first in (from..to).step_by(ABREAST) {
            let end = to.min(first + ABREAST);
            if self.all_close(first, end, least_n) {
                continue;
            }
            for at in first..end {
                if let Some(median) = self.artefact(at, least_n) {
                    self.values[at] = median;
                }
            }
        }
    }

    /// Whether each of the values `from..to` has half of its neighbours close to it, so that none is an artefact. Those
    /// near an end are not looked at.
    fn all_close(&self, from: usize, to: usize, least_n: f64) -> bool {
        let half = self.half_width;
        if from < half || to + half > self.values.len() {
            return false;
        }
        // (Rounding keeps order: no difference in there is greater.)
        let (low, high) = wave::range(&self.values[from - half..to + half]);
        if high - low <= least_n {
            return true;
        }
        let mut close = [0_u64; ABREAST];
        let mut near = [0_u64; ABREAST + WIDEST / 2];
        for apart in 1..=half {
            let (earlier, later) = (&self.values[from - apart..to], &self.values[from..to + apart]);
            for (near, (a, b)) in near.iter_mut().zip(earlier.iter().zip(later)) {
                *near = u64::from((b - a).abs() <= least_n);
            }
            for (close, (before, after)) in close.iter_mut().zip(near.iter().zip(&near[apart..])) {
                *close += before + after;
            }
        }
        close[..to - from].iter().fold(true, |all, close| all & (*close >= half as u64))
    }

    /// The median that takes the place of a value, where that is an artefact.
    fn artefact(&self, at: usize, least_n: f64) -> Option<f64> {
        let first = at.saturating_sub(self.reach());
        let near = &self.values[first..(at + self.reach() + 1).min(self.values.len())];
        let at = at - first;
        let half = self.half_width.min(at).min(near.len() - at - 1);
        let value = near[at];
        // With half of its neighbours as close, the value's distance from their median is no greater.
        let close = near[at - half..=at + half].iter().filter(|v| (**v - value).abs() <= least_n).count();
        if close > half {
            return None;
        }
        let mut window = [0.0; WIDEST];
        let window = &mut window[..2 * half + 1];
        window.copy_from_slice(&near[at - half..=at + half]);
        window.sort_unstable_by(f64::total_cmp);
        let median = window[half];
        if (value - median).abs() <= least_n {
            return None;
        }
        let mut steps = [0.0; WIDEST];
        let steps = &mut steps[..near.len() - 1];
        for (step, pair) in steps.iter_mut().zip(near.windows(2)) {
            *step = (pair[1] - pair[0]).abs();
        }
        steps.sort_unstable_by(f64::total_cmp);
        let typical = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        ((value - median).abs() > 4.0 * typical).then_some(median)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(index: u64, force_n: f64) -> Sample {
        Sample { index, time_s: index as f64 * 0.001, force_n, saturated: false }
    }

    fn taken(samples: &[Sample], interval_s: f64) -> Track {
        let mut front = Front::new(interval_s, 0.002);
        let mut track = Track::new(front.dt_s(), 1024);
        let first = samples.iter().position(Front::is_usable).unwrap();
        track.restart(front.begin(&samples[first]));
        let mut rest = &samples[first + 1..];
        while !rest.is_empty() {
            let Taken::Some(n) = front.take(rest, 0.08) else { panic!("a gap that should be bridged") };
            rest = &rest[n..];
        }
        front.close();
        front.hand_over(&mut track, u64::MAX, 0.5, true);
        track
    }

    #[test]
    fn missing_samples_are_bridged_by_a_line_and_marked() {
        let track = taken(&[sample(7, 1.0), sample(8, 2.0), sample(11, 5.0)], 0.001);
        assert_eq!(track.slice(0, 9), [1.0, 2.0, 3.0, 4.0, 5.0]);
        assert!(track.marked(Mark::Missing, 2, 3) && !track.marked(Mark::Missing, 0, 2));
        assert!((track.time_s(2.0) - 0.009).abs() < 1e-12);
    }

    #[test]
    fn a_long_gap_is_reported_whatever_its_length() {
        let mut front = Front::new(0.001, 0.002);
        front.begin(&sample(0, 1.0));
        for index in [100, 1_000_000_000, ABSURD_INDEX] {
            assert_eq!(front.take(&[sample(index, 1.0)], 0.08), Taken::AfterGap);
        }
        assert_eq!(front.take(&[sample(u64::MAX, 1.0)], 0.08), Taken::Some(1));
        assert_eq!(front.begin(&sample(ABSURD_INDEX, 1.0)), ABSURD_INDEX);
        assert_eq!(front.take(&[sample(ABSURD_INDEX, 1.0)], 0.08), Taken::Some(1));
    }

    #[test]
    fn samples_at_10_khz_become_means_at_1_khz_with_the_time_of_their_middle() {
        let samples: Vec<Sample> = (0..30)
            .map(|k| Sample { index: k, time_s: k as f64 * 1e-4, force_n: k as f64, saturated: k == 12 })
            .collect();
        let track = taken(&samples, 1e-4);
        assert_eq!(track.slice(0, 5), [4.5, 14.5, 24.5]);
        assert!((track.time_s(1.0) - 0.00145).abs() < 1e-12);
        assert!(track.marked(Mark::Saturated, 1, 2) && !track.marked(Mark::Saturated, 2, 3));
    }

    #[test]
    fn a_spike_goes_and_a_steep_rise_stays() {
        let mut values: Vec<f64> =
            (0..40).map(|k| if k < 20 { 0.0 } else { (k - 20) as f64 * 2.0 }).collect();
        let clean = values.clone();
        values[10] += 12.0;
        values[11] += 12.0;
        let samples: Vec<Sample> = values.iter().enumerate().map(|(k, &v)| sample(k as u64, v)).collect();
        assert_eq!(taken(&samples, 0.001).slice(0, 40), clean);
    }

    #[test]
    fn where_all_values_have_close_neighbours_none_is_an_artefact() {
        let (mut state, mut force_n) = (1_u64, 0.0);
        let mut front = Front::new(0.001, 0.002);
        for _ in 0..20_000 {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            force_n += 0.4 * ((state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5);
            let spike = if state >> 58 == 0 { 2.0 } else { 0.0 };
            front.values.push(force_n + spike);
        }
        let mut seen = [0, 0];
        for from in (8..19_900).step_by(7) {
            let to = from + 1 + from % ABREAST;
            let close = front.all_close(from, to, 0.5);
            let artefacts = (from..to).filter(|at| front.artefact(*at, 0.5).is_some()).count();
            assert!(!close || artefacts == 0, "{from} to {to}");
            seen[usize::from(artefacts > 0)] += usize::from(close == (artefacts == 0));
        }
        assert!(seen.iter().all(|count| *count > 100), "{seen:?}");
    }

    #[test]
    fn a_spike_beside_a_gap_goes_before_the_gap_is_bridged() {
        for spike in [9, 14] {
            let samples: Vec<Sample> = (0..30)
                .filter(|k| !(10..14).contains(k))
                .map(|k| sample(k, if k == spike { 21.0 } else { 1.0 }))
                .collect();
            assert_eq!(taken(&samples, 0.001).slice(0, 30), [1.0; 30], "spike at {spike}");
        }
    }

    #[test]
    fn backward_indexes_and_impossible_values_are_left_out() {
        let odd =
            [sample(5, 1.0), sample(4, 9.0), sample(6, f64::NAN), sample(7, f64::INFINITY), sample(8, 1.0)];
        assert_eq!(taken(&odd, 0.001).slice(0, 9), [1.0, 1.0, 1.0, 1.0]);
    }
}
