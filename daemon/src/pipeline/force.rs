//! Counts to newtons, and the zero.
//!
//! Comes in: counts as sent. Goes out: force in N, tare removed. Without a calibration the scale is the sensor's own
//! rated force over its rated counts, and is called nominal.
//!
//! A zero (tare) is the mean of a second in which nothing moved: standard deviation below three times the noise of the
//! sensor, slope below 0.05 N/s (beyond its own uncertainty), and a level that an unloaded sensor can have: near its own
//! zero, and not above the lowest steady level seen, because a steady touch is no zero, however long it lasts. Common
//! practice of force measurement; the limits are this program's.

use std::collections::VecDeque;

/// Length averaged for a zero, s.
const WINDOW_S: f64 = 1.0;
/// Greatest slope of a zero, N/s.
const SLOPE_LIMIT_N_PER_S: f64 = 0.05;
/// Smallest noise assumed, N: a sensor that repeats one code has no measurable noise.
const NOISE_FLOOR_N: f64 = 0.002;
/// A level beyond this share of the rated force is a load, not a zero …
const LEVEL_SHARE: f64 = 0.05;
/// … but this much is always allowed, N.
const LEVEL_FLOOR_N: f64 = 2.0;

/// How one channel's counts become force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Counts of the unloaded sensor.
    pub zero_counts: f64,
    /// Newtons per count.
    pub n_per_count: f64,
    /// Rated force, N.
    pub rated_n: f64,
}

impl Scale {
    /// The sensor's own (nominal) scale.
    pub fn nominal(zero_counts: i32, rated_counts: i32, rated_force_mn: u32) -> Self {
        let rated_n = f64::from(rated_force_mn) / 1000.0;
        let counts = if rated_counts == 0 { 1 } else { rated_counts };
        Scale { zero_counts: f64::from(zero_counts), n_per_count: rated_n / f64::from(counts), rated_n }
    }

    /// Force of a count, N.
    pub fn force_n(&self, counts: i32) -> f64 {
        (f64::from(counts) - self.zero_counts) * self.n_per_count
    }
}

/// Length over which a level counts as steady for the lowest one, s.
const STEADY_S: f64 = 0.25;
/// A zero may lie this far above the lowest steady level, N.
const ABOVE_LOWEST_N: f64 = 0.2;

/// A zero that was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zero {
    /// Mean, counts.
    pub zero_counts: f64,
    /// Standard deviation, N.
    pub sd_n: f64,
    /// Slope, N/s.
    pub slope_n_per_s: f64,
    /// How many samples were averaged.
    pub samples: u64,
}

/// Why a window made no zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoZero {
    /// Not a whole window yet.
    TooFew,
    /// It moved.
    Unsteady,
    /// It stands at this force by the sensor's own zero: loaded, or a sensor that needs a look.
    Loaded(f64),
    /// It stands this far above the lowest steady level, N: touched.
    Touched(f64),
}

/// Collects samples for a zero.
#[derive(Debug, Clone)]
pub struct ZeroSearch {
    counts: VecDeque<i32>,
    needed: usize,
    interval_s: f64,
    nominal: Scale,
    any_level: bool,
    steady: usize,
    lowest_n: f64,
    seen: usize,
}

/// What a stretch of samples is like.
struct Stretch {
    mean: f64,
    sd_n: f64,
    noise_n: f64,
    slope_n_per_s: f64,
    slope_sd_n_per_s: f64,
}

impl ZeroSearch {
    /// A search on a sensor of this interval; `any_level` when a person asked for the zero and answers for the level.
    pub fn new(interval_s: f64, nominal: Scale, any_level: bool) -> Self {
        let needed = (WINDOW_S / interval_s).clamp(8.0, 1e6) as usize;
        let steady = (STEADY_S / interval_s).clamp(4.0, 1e6) as usize;
        let counts = VecDeque::with_capacity(needed);
        ZeroSearch {
            counts,
            needed,
            interval_s,
            nominal,
            any_level,
            steady,
            lowest_n: f64::INFINITY,
            seen: 0,
        }
    }

    /// Samples are missing or the level has changed hands: begin again.
    pub fn clear(&mut self) {
        self.counts.clear();
    }

    /// Takes a sample; when a window is full, the zero or why there is none.
    pub fn push(&mut self, counts: i32) -> Result<Zero, NoZero> {
        self.counts.push_back(counts);
        self.seen += 1;
        if self.seen.is_multiple_of(self.steady) {
            self.note_level();
        }
        if self.counts.len() < self.needed {
            return Err(NoZero::TooFew);
        }
        let judged = self.judge();
        if judged.is_err() {
            // The next window overlaps this one by three quarters.
            self.counts.drain(..self.needed.div_ceil(4));
        } else {
            self.counts.clear();
        }
        judged
    }

    /// The lowest steady level so far.
    fn note_level(&mut self) {
        let from = self.counts.len().saturating_sub(self.steady);
        let stretch = self.stretch(from);
        if self.counts.len() >= self.steady && stretch.sd_n < 3.0 * stretch.noise_n {
            self.lowest_n = self.lowest_n.min(self.nominal.n_per_count * stretch.mean);
        }
    }

    fn stretch(&self, from: usize) -> Stretch {
        let counts = || self.counts.iter().skip(from);
        let n = counts().count() as f64;
        let mean = counts().map(|&c| f64::from(c)).sum::<f64>() / n;
        let middle = (n - 1.0) / 2.0;
        let (mut squares, mut steps, mut moment, mut before) = (0.0, 0.0, 0.0, None);
        for (i, &count) in counts().enumerate() {
            let away = f64::from(count) - mean;
            squares += away * away;
            moment += away * (i as f64 - middle);
            steps += before.map_or(0.0, |b: f64| (away - b) * (away - b));
            before = Some(away);
        }
        let newtons = self.nominal.n_per_count.abs();
        // Noise from successive differences, which slow movement hardly enters (von Neumann 1941).
        let noise_n = ((steps / (2.0 * (n - 1.0))).sqrt() * newtons).max(NOISE_FLOOR_N);
        let spread = n * (n * n - 1.0) / 12.0;
        Stretch {
            mean,
            sd_n: (squares / (n - 1.0)).sqrt() * newtons,
            noise_n,
            slope_n_per_s: moment / spread / self.interval_s * self.nominal.n_per_count,
            slope_sd_n_per_s: noise_n / spread.sqrt() / self.interval_s,
        }
    }

    fn judge(&self) -> Result<Zero, NoZero> {
        let stretch = self.stretch(0);
        let Stretch { mean, sd_n, noise_n, slope_n_per_s, slope_sd_n_per_s } = stretch;
        if sd_n >= 3.0 * noise_n || slope_n_per_s.abs() >= SLOPE_LIMIT_N_PER_S + 2.0 * slope_sd_n_per_s {
            return Err(NoZero::Unsteady);
        }
        let level_n = (mean - self.nominal.zero_counts) * self.nominal.n_per_count;
        if !self.any_level && level_n.abs() > (LEVEL_SHARE * self.nominal.rated_n).max(LEVEL_FLOOR_N) {
            return Err(NoZero::Loaded(level_n));
        }
        let above_n = mean * self.nominal.n_per_count - self.lowest_n;
        if !self.any_level && above_n > ABOVE_LOWEST_N.max(3.0 * sd_n) {
            return Err(NoZero::Touched(above_n));
        }
        Ok(Zero { zero_counts: mean, sd_n, slope_n_per_s, samples: self.counts.len() as u64 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn search() -> ZeroSearch {
        ZeroSearch::new(0.01, Scale::nominal(1000, 10_000, 100_000), false)
    }

    fn last(samples: impl Iterator<Item = i32>) -> Result<Zero, NoZero> {
        let mut search = search();
        samples.map(|count| search.push(count)).last().unwrap()
    }

    #[test]
    fn the_nominal_scale_is_the_sensors_own() {
        let scale = Scale::nominal(1000, 10_000, 100_000);
        assert_eq!(scale.force_n(1000), 0.0);
        assert_eq!(scale.force_n(11_000), 100.0);
        assert!(Scale::nominal(0, 0, 5).force_n(3).is_finite());
    }

    #[test]
    fn a_steady_second_is_a_zero() {
        let zero = last((0..100).map(|i| 1050 + i % 2)).unwrap();
        assert_eq!((zero.zero_counts, zero.samples), (1050.5, 100));
        assert!(zero.slope_n_per_s.abs() < 0.01);
    }

    #[test]
    fn a_moving_level_and_a_load_are_refused() {
        assert_eq!(last((0..100).map(|i| 1000 + i * 3)), Err(NoZero::Unsteady));
        assert_eq!(last((0..100).map(|i| 1000 + if i > 50 { 40 } else { 0 })), Err(NoZero::Unsteady));
        assert_eq!(last((0..100).map(|i| 3000 + i % 2)), Err(NoZero::Loaded(20.005)));
    }

    #[test]
    fn a_steady_touch_is_no_zero_however_long_it_lasts_unless_somebody_says_so() {
        // Half a second of rest, then 1.5 N of contact (150 counts) for ten seconds, then rest again.
        let level = |i: i32| if (50..1050).contains(&i) { 1150 } else { 1000 };
        let mut search = search();
        let found: Vec<_> = (0..1400).filter_map(|i| search.push(level(i) + i % 3).ok()).collect();
        assert!((found[0].zero_counts - 1001.0).abs() < 0.1, "{:?}", found[0]);
        let mut asked = ZeroSearch::new(0.01, Scale::nominal(1000, 10_000, 100_000), true);
        let found: Vec<_> = (0..1000).filter_map(|i| asked.push(level(i) + i % 3).ok()).collect();
        assert!((found[0].zero_counts - 1151.0).abs() < 0.1);
    }

    #[test]
    fn after_an_unsteady_window_a_steady_one_is_found() {
        let mut search = search();
        let found: Vec<_> = (0..400)
            .filter_map(|i| search.push(if i < 100 { 1000 + i * 5 } else { 1003 + i % 3 }).ok())
            .collect();
        assert!(!found.is_empty());
        assert!((found[0].zero_counts - 1004.0).abs() < 0.1);
    }
}
