//! Readiness: the examiner's steady touch, seen in the force itself.
//!
//! Comes in: samples (s of the visit's clock, N above zero). Goes out: whether the touch has been steady for a second, and
//! whether there is any touch now. Independent of the finder of holds, whose contact serves its onset.

use std::collections::VecDeque;

/// A touch must be steady for this long, s.
pub const STEADY_S: f64 = 1.0;
/// Force is averaged over this, s.
const BIN_S: f64 = 0.05;
/// Least mean force of a touch, N: the finder's least contact.
const LEAST_N: f64 = 0.35;
/// Greatest mean force of a touch, N, for a muscle whose strength is not known …
const MOST_N: f64 = 3.0;
/// … and as a share of its expected maximum.
const MOST_SHARE: f64 = 0.3;
/// A steady touch stays within this range, N …
const RANGE_N: f64 = 0.6;
/// … or this share of its mean.
const RANGE_SHARE: f64 = 0.3;
/// Below this share of [`LEAST_N`] for [`LOST_S`] the touch is lost.
const LOST_SHARE: f64 = 0.5;
/// See [`LOST_SHARE`], s.
const LOST_S: f64 = 0.3;
/// Unloaded for this long: a zero may be taken, s.
const FREE_S: f64 = 0.5;

/// Follows the touch.
#[derive(Debug, Clone, Default)]
pub struct Contact {
    /// Means of the last bins, N.
    bins: VecDeque<f64>,
    bin: Option<i64>,
    sum_n: f64,
    count: u32,
}

impl Contact {
    /// Forgets what it saw: samples are missing, or the sensor has another zero.
    pub fn clear(&mut self) {
        *self = Contact::default();
    }

    /// Takes a sample.
    pub fn push(&mut self, time_s: f64, force_n: f64) {
        let bin = libm::floor(time_s / BIN_S) as i64;
        match self.bin {
            Some(own) if own == bin => {}
            Some(own) => {
                // A hole in time is no touch.
                if bin - own > 2 {
                    self.bins.clear();
                }
                if self.count > 0 {
                    self.bins.push_back(self.sum_n / f64::from(self.count));
                }
                while self.bins.len() > bins(STEADY_S) {
                    self.bins.pop_front();
                }
                (self.bin, self.sum_n, self.count) = (Some(bin), 0.0, 0);
            }
            None => self.bin = Some(bin),
        }
        self.sum_n += force_n;
        self.count += 1;
    }

    /// The touch has been steady for a second; `expected_n` is the muscle's expected maximum, where it is known.
    pub fn is_steady(&self, expected_n: Option<f64>) -> bool {
        if self.bins.len() < bins(STEADY_S) {
            return false;
        }
        let least = self.bins.iter().copied().fold(f64::INFINITY, f64::min);
        let most = self.bins.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mean = self.bins.iter().sum::<f64>() / self.bins.len() as f64;
        least >= LEAST_N
            && most <= Contact::most_n(expected_n)
            && most - least <= RANGE_N.max(RANGE_SHARE * mean)
    }

    /// Greatest force of a touch, N.
    pub fn most_n(expected_n: Option<f64>) -> f64 {
        expected_n.map_or(MOST_N, |expected_n| (MOST_SHARE * expected_n).max(MOST_N))
    }

    /// There is no touch any more.
    pub fn is_lost(&self) -> bool {
        self.last(LOST_S).is_some_and(|mut last| last.all(|mean| mean < LOST_SHARE * LEAST_N))
    }

    /// Nothing has been on the sensor for a while: a zero may be taken.
    pub fn is_free(&self) -> bool {
        self.last(FREE_S).is_some_and(|mut last| last.all(|mean| mean.abs() < LEAST_N))
    }

    fn last(&self, seconds: f64) -> Option<impl Iterator<Item = f64>> {
        let wanted = bins(seconds);
        (self.bins.len() >= wanted).then(|| self.bins.iter().rev().take(wanted).copied())
    }
}

fn bins(seconds: f64) -> usize {
    libm::round(seconds / BIN_S) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(seconds: f64, force: impl Fn(f64) -> f64) -> Contact {
        let mut contact = Contact::default();
        for i in 0..(seconds * 100.0) as u32 {
            let time_s = f64::from(i) * 0.01;
            contact.push(time_s, force(time_s));
        }
        contact
    }

    #[test]
    fn a_touch_is_steady_after_a_second_and_not_before() {
        let touch = |t: f64| 1.5 + 0.1 * libm::sin(t);
        assert!(seen(1.2, touch).is_steady(None));
        assert!(!seen(0.9, touch).is_steady(None));
    }

    #[test]
    fn what_moves_is_too_strong_or_too_light_is_no_steady_touch() {
        assert!(!seen(2.0, |t| 1.0 + t).is_steady(None), "it grows");
        assert!(!seen(2.0, |_| 5.0).is_steady(None), "a pull held still");
        assert!(seen(2.0, |_| 5.0).is_steady(Some(20.0)), "a strong muscle is touched more firmly");
        assert!(!seen(2.0, |_| 0.2).is_steady(None));
        assert!(!seen(2.0, |t| if t > 1.5 { 0.0 } else { 1.5 }).is_steady(None));
    }

    #[test]
    fn a_touch_that_goes_is_lost_and_then_the_sensor_is_free() {
        let goes = |t: f64| if t > 1.0 { 0.0 } else { 1.5 };
        assert!(!seen(1.2, goes).is_lost() && seen(1.4, goes).is_lost());
        assert!(!seen(1.4, goes).is_free() && seen(1.6, goes).is_free());
        assert!(!seen(0.2, |_| 0.0).is_lost(), "too little seen to say so");
    }
}
