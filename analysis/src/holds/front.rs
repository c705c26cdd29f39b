//! The front end: samples of any rate become evenly spaced values at 1.5 kHz or less.
//!
//! Comes in: [`Sample`]s, N. Goes out: values of a [`Track`], N. Missing samples are bridged by a straight line and
//! marked when they are few; a longer gap is reported and ends what was going on. Above 1.5 kHz values are means of
//! whole blocks of samples, down to 1 kHz. Artefacts of one or two values are taken out later ([`Front::clean`]),
//! when their neighbours are known.

use super::Sample;
use super::track::{Mark, Track};

/// Values beyond this cannot be forces, N: they count as missing.
const ABSURD_N: f64 = 1e12;

/// Positions beyond this are no sample counter's: they count as missing too.
const ABSURD_INDEX: u64 = 1 << 60;

/// What became of a sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Taken {
    /// It continues the trace.
    Continues,
    /// Too many are missing before it: the caller ends what is going on, then offers it again.
    AfterGap,
}

/// The state between samples.
#[derive(Debug)]
pub(super) struct Front {
    interval_s: f64,
    per_value: u64,
    origin: Option<u64>,
    next_index: u64,
    last_time_s: f64,
    block: Block,
    last_value: f64,
    half_width: usize,
}

/// The samples of the value being gathered.
#[derive(Debug, Default, Clone, Copy)]
struct Block {
    position: u64,
    sum: f64,
    count: u64,
    time_s: f64,
    saturated: bool,
}

impl Front {
    /// For samples `interval_s` apart.
    pub fn new(interval_s: f64) -> Front {
        let interval_s = if interval_s.is_finite() { interval_s.clamp(1e-7, 1.0) } else { 0.001 };
        let rate_hz = 1.0 / interval_s;
        let per_value = if rate_hz > 1500.0 { (rate_hz / 1000.0 + 1e-9) as u64 } else { 1 };
        // An artefact of up to 2 ms touches one value more where values are means of blocks.
        let dt_s = interval_s * per_value as f64;
        let half_width = (libm::round(0.002 / dt_s) as usize).max(1) + usize::from(per_value > 1);
        Front {
            interval_s,
            per_value,
            origin: None,
            next_index: 0,
            last_time_s: 0.0,
            block: Block::default(),
            last_value: 0.0,
            half_width,
        }
    }

    /// Spacing of the values, s.
    pub fn dt_s(&self) -> f64 {
        self.interval_s * self.per_value as f64
    }

    /// Values on each side that decide whether a value is an artefact.
    pub fn half_width(&self) -> u64 {
        self.half_width as u64
    }

    /// The grid index of the sample at the middle of a value, rounded down.
    pub fn index(&self, position: u64) -> u64 {
        let offset = position.saturating_mul(self.per_value).saturating_add((self.per_value - 1) / 2);
        self.origin.unwrap_or(0).saturating_add(offset)
    }

    /// Forgets the trace: the next sample begins another.
    pub fn restart(&mut self) {
        self.origin = None;
        self.block = Block::default();
    }

    /// Takes a sample. Samples that go back, and values that are no number, are left out.
    pub fn take(&mut self, sample: &Sample, bridge_max_s: f64, track: &mut Track) -> Taken {
        let force = sample.force_n;
        if !force.is_finite() || force.abs() > ABSURD_N || sample.index > ABSURD_INDEX {
            return Taken::Continues;
        }
        let Some(origin) = self.origin else {
            self.begin(sample, track);
            return Taken::Continues;
        };
        if sample.index < self.next_index {
            return Taken::Continues;
        }
        let position = (sample.index - origin) / self.per_value;
        let missing = position.saturating_sub(self.block.position + u64::from(self.block.count > 0));
        if missing > 0 && missing as f64 * self.dt_s() > bridge_max_s {
            return Taken::AfterGap;
        }
        let extrapolated = self.last_time_s + (sample.index + 1 - self.next_index) as f64 * self.interval_s;
        let good = sample.time_s.is_finite() && sample.time_s > self.last_time_s;
        self.last_time_s = if good { sample.time_s } else { extrapolated };
        if position > self.block.position {
            self.close(track);
            self.bridge(position, sample.force_n, track);
        }
        self.add(sample, position);
        self.next_index = sample.index.saturating_add(1);
        if self.next_index - origin >= (position + 1) * self.per_value {
            self.close(track);
        }
        Taken::Continues
    }

    /// Begins again at a sample after a gap.
    pub fn begin(&mut self, sample: &Sample, track: &mut Track) {
        let origin = *self.origin.get_or_insert(sample.index);
        let position = sample.index.saturating_sub(origin) / self.per_value;
        self.last_time_s = if sample.time_s.is_finite() { sample.time_s } else { 0.0 };
        self.next_index = sample.index.saturating_add(1);
        self.block = Block { position, ..Block::default() };
        track.restart(position);
        self.add(sample, position);
        if self.per_value == 1 {
            self.close(track);
        }
    }

    fn add(&mut self, sample: &Sample, position: u64) {
        let block = &mut self.block;
        block.position = position;
        block.sum += sample.force_n;
        block.count += 1;
        block.saturated |= sample.saturated;
        // The value's time is that of its middle.
        let middle = (position * self.per_value) as f64 + (self.per_value - 1) as f64 / 2.0;
        let here = (sample.index - self.origin.unwrap_or(0)) as f64;
        block.time_s = self.last_time_s + (middle - here) * self.interval_s;
    }

    /// Hands the gathered value to the track.
    pub fn close(&mut self, track: &mut Track) {
        if self.block.count == 0 {
            return;
        }
        let value = self.block.sum / self.block.count as f64;
        if self.block.saturated {
            track.mark(Mark::Saturated, self.block.position, self.block.position + 1);
        }
        track.push(value, self.block.time_s);
        self.last_value = value;
        self.block = Block { position: self.block.position + 1, ..Block::default() };
    }

    /// A straight line over the missing values up to `position`, where `value` is.
    fn bridge(&mut self, position: u64, value: f64, track: &mut Track) {
        let from = track.end();
        let steps = position.saturating_sub(from);
        for k in 1..=steps {
            let share = k as f64 / (steps + 1) as f64;
            let back = (steps + 1 - k) as f64 * self.dt_s();
            track.push(self.last_value + share * (value - self.last_value), self.last_time_s - back);
        }
        if steps > 0 {
            track.mark(Mark::Missing, from, position);
        }
    }

    /// Takes artefacts out of the values from `from` up to `to`: one that stands out of the median of its
    /// neighbourhood by more than `least_n`, and by more than four times the typical step there, takes the median's
    /// place. (Hampel's identifier with a scale from first differences.)
    pub fn clean(&self, from: u64, to: u64, least_n: f64, track: &mut Track) {
        let around = track.slice(from.saturating_sub(self.half_width()), to + self.half_width());
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for &value in around {
            low = low.min(value);
            high = high.max(value);
        }
        if high - low <= least_n {
            return;
        }
        for position in from..to {
            self.clean_one(position, least_n, track);
        }
    }

    fn clean_one(&self, position: u64, least_n: f64, track: &mut Track) {
        const WIDEST: usize = 32;
        let reach = (self.half_width() + 2).min(WIDEST as u64 / 2 - 1);
        let first = position.saturating_sub(reach).max(track.start());
        let near = track.slice(first, position + reach + 1);
        let at = (position - first) as usize;
        let half = self.half_width.min(at).min(near.len().saturating_sub(at + 1));
        let Some(&value) = near.get(at) else { return };
        let mut window = [0.0; WIDEST];
        let window = &mut window[..2 * half + 1];
        window.copy_from_slice(&near[at - half..=at + half]);
        window.sort_unstable_by(f64::total_cmp);
        let median = window[half];
        if (value - median).abs() <= least_n {
            return;
        }
        let mut steps = [0.0; WIDEST];
        let steps = &mut steps[..near.len() - 1];
        for (step, pair) in steps.iter_mut().zip(near.windows(2)) {
            *step = (pair[1] - pair[0]).abs();
        }
        steps.sort_unstable_by(f64::total_cmp);
        let typical = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        if (value - median).abs() > 4.0 * typical {
            track.slice_mut(position, position + 1)[0] = median;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(index: u64, force_n: f64) -> Sample {
        Sample { index, time_s: index as f64 * 0.001, force_n, saturated: false }
    }

    fn taken(samples: &[Sample], interval_s: f64) -> (Front, Track) {
        let mut front = Front::new(interval_s);
        let mut track = Track::new(front.dt_s(), 1024);
        for s in samples {
            assert_eq!(front.take(s, 0.08, &mut track), Taken::Continues);
        }
        (front, track)
    }

    #[test]
    fn missing_samples_are_bridged_by_a_line_and_marked() {
        let (_, track) = taken(&[sample(7, 1.0), sample(8, 2.0), sample(11, 5.0)], 0.001);
        assert_eq!(track.slice(0, 9), [1.0, 2.0, 3.0, 4.0, 5.0]);
        assert!(track.marked(Mark::Missing, 2, 3) && !track.marked(Mark::Missing, 0, 2));
        assert!((track.time_s(2.0) - 0.009).abs() < 1e-12);
    }

    #[test]
    fn a_long_gap_is_reported_whatever_its_length() {
        let mut front = Front::new(0.001);
        let mut track = Track::new(0.001, 64);
        front.take(&sample(0, 1.0), 0.08, &mut track);
        for index in [100, 1_000_000_000, ABSURD_INDEX] {
            assert_eq!(front.take(&sample(index, 1.0), 0.08, &mut track), Taken::AfterGap);
        }
        assert_eq!(front.take(&sample(u64::MAX, 1.0), 0.08, &mut track), Taken::Continues);
        front.begin(&sample(ABSURD_INDEX, 1.0), &mut track);
        assert_eq!(front.take(&sample(ABSURD_INDEX, 1.0), 0.08, &mut track), Taken::Continues);
        assert_eq!(track.end(), ABSURD_INDEX + 1);
    }

    #[test]
    fn samples_at_10_khz_become_means_at_1_khz_with_the_time_of_their_middle() {
        let samples: Vec<Sample> = (0..30)
            .map(|k| Sample { index: k, time_s: k as f64 * 1e-4, force_n: k as f64, saturated: k == 12 })
            .collect();
        let (_, track) = taken(&samples, 1e-4);
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
        let (front, mut track) = taken(&samples, 0.001);
        front.clean(0, 40, 0.5, &mut track);
        assert_eq!(track.slice(0, 40), clean);
    }

    #[test]
    fn backward_indexes_and_impossible_values_are_left_out() {
        let (_, track) = taken(
            &[sample(5, 1.0), sample(4, 9.0), sample(6, f64::NAN), sample(7, f64::INFINITY), sample(8, 1.0)],
            0.001,
        );
        assert_eq!(track.slice(0, 9), [1.0, 1.0, 1.0, 1.0]);
    }
}
