//! How uncertain values are: the sensor's noise, whether it is white, the wander of a resting hand, the tremor of a
//! pulling one.
//!
//! Comes in: values at rest or of a pull, N. Goes out: standard deviations, N, and shares.

use super::level::median;
use super::wave;

/// Noise is measured between values this far apart, where even an averaging converter's are independent.
const APART: usize = 6;
/// Stretch before a pull that is looked at, s.
const REST_S: f64 = 3.0;

/// What is known about a hold's errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Errors {
    /// Spacing, s.
    pub dt_s: f64,
    /// Noise of single values, N.
    pub noise_n: f64,
    /// Over how many values it is correlated (1: white).
    pub correlated: f64,
    /// Wander of the level before the pull, N.
    pub wander_n: f64,
    /// Tremor of the pull, as a share of its force.
    pub tremor: f64,
}

impl Errors {
    /// Errors with a white noise that is known already.
    pub fn white(dt_s: f64, noise_n: f64) -> Errors {
        Errors { dt_s, noise_n, correlated: 1.0, wander_n: 0.0, tremor: 0.003 }
    }

    /// Values in so many seconds, at least one.
    pub fn count(&self, seconds: f64) -> usize {
        (libm::round(seconds / self.dt_s) as usize).max(1)
    }

    /// Measures noise and wander on the rest before a pull, values from `earliest` up to `to`. `sd_n` is the deviation
    /// of smoothed values there, and stands in for what too short a rest does not show.
    pub fn at_rest(&mut self, values: &[f64], earliest: usize, to: usize, sd_n: f64) {
        let from = earliest.max(to.saturating_sub(self.count(REST_S)));
        let rest = values.get(from..to).unwrap_or(&[]);
        if rest.len() >= 8 * APART {
            let (near, far) = (difference_variance(rest, 1), difference_variance(rest, APART));
            if far > 0.0 {
                self.noise_n = far.sqrt();
                // A moving average over c values leaves 1/c of the variance between neighbours.
                let ratio = far / near.max(1e-3 * far);
                self.correlated = if ratio > 1.4 { ratio.min(APART as f64) } else { 1.0 };
            }
        }
        self.wander_n = self.wander(rest).unwrap_or(sd_n);
    }

    /// Variance of a mean over `width` values that comes from noise, N².
    pub fn variance_of_mean(&self, width: usize) -> f64 {
        let width = width as f64;
        self.noise_n * self.noise_n * (self.correlated / width).min(1.0)
    }

    /// Standard deviation of the slow part of a level: of means over 50 ms.
    fn wander(&self, rest: &[f64]) -> Option<f64> {
        let per = self.count(0.05);
        let mut means: Vec<f64> =
            rest.rchunks_exact(per).map(|bin| bin.iter().sum::<f64>() / per as f64).collect();
        if means.len() < 8 {
            return None;
        }
        let level = median(&mut means);
        for mean in &mut means {
            *mean = (*mean - level).abs();
        }
        let deviation = 1.4826 * median(&mut means);
        Some((deviation * deviation - self.variance_of_mean(per)).max(0.0).sqrt())
    }

    /// Measures the tremor over the middle half of a pull of values `from..to` above its level: what a mean over 25 ms
    /// shows and one over 100 ms does not.
    pub fn in_pull(&mut self, above: &[f64], from: usize, to: usize) {
        const LEAST: f64 = 0.003;
        self.tremor = LEAST;
        let quarter = to.saturating_sub(from) / 4;
        let Some(middle) = above.get(from + quarter..to.saturating_sub(quarter)) else { return };
        let (short, long) = (self.count(0.025) | 1, self.count(0.1) | 1);
        if middle.len() < 2 * long {
            return;
        }
        let means = wave::Running::of(middle);
        let looked_at = || (0..middle.len()).step_by(self.count(0.005));
        let mut force: Vec<f64> = looked_at().map(|k| means.centred(k, long)).collect();
        let mut swing: Vec<f64> =
            looked_at().zip(&force).map(|(k, force)| (means.centred(k, short) - force).abs()).collect();
        let swing = 1.4826 * median(&mut swing);
        let white = self.variance_of_mean(short) - self.variance_of_mean(long);
        let force = median(&mut force).max(1e-9);
        self.tremor = ((swing * swing - white).max(0.0).sqrt() / force).clamp(LEAST, 0.2);
    }
}

/// Half the variance of differences between values `apart`, from the smaller nine tenths of a thousand or so of them:
/// artefacts and steps do not count. (Of normal deviates, the smaller nine tenths have 0.623 of the mean square.)
fn difference_variance(values: &[f64], apart: usize) -> f64 {
    let every = values.len() / 1000 + 1;
    let starts = (0..values.len().saturating_sub(apart)).step_by(every);
    let step = |k: usize| values[k + apart] - values[k];
    // As bits, which order like the numbers: none is negative.
    let mut squares: Vec<u64> = starts.map(|k| (step(k) * step(k)).to_bits()).collect();
    let kept = squares.len() * 9 / 10;
    if kept == 0 {
        return 0.0;
    }
    squares.select_nth_unstable(kept - 1);
    squares[..kept].iter().map(|bits| f64::from_bits(*bits)).sum::<f64>() / kept as f64 / 0.623 / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize) -> Vec<f64> {
        let mut state = 1_u64;
        (0..n)
            .map(|_| {
                let mut sum = -6.0;
                for _ in 0..12 {
                    state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
                    sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
                }
                0.05 * sum
            })
            .collect()
    }

    #[test]
    fn white_noise_is_white_and_has_its_deviation() {
        let mut errors = Errors::white(0.001, 1.0);
        errors.at_rest(&noise(3000), 0, 3000, 0.01);
        assert_eq!(errors.correlated, 1.0);
        assert!((errors.noise_n / 0.05 - 1.0).abs() < 0.1, "{errors:?}");
        assert!(errors.wander_n < 0.01);
    }

    #[test]
    fn the_noise_of_an_averaging_converter_is_correlated() {
        let averaged = wave::trailing(&noise(3000), 4);
        let mut errors = Errors::white(0.001, 1.0);
        errors.at_rest(&averaged, 10, 3000, 0.01);
        assert!((errors.correlated - 4.0).abs() < 0.7, "{errors:?}");
        assert!((errors.noise_n / 0.025 - 1.0).abs() < 0.15, "{errors:?}");
    }

    #[test]
    fn a_spike_is_no_noise() {
        let mut values = noise(3000);
        values[1500] = 30.0;
        let mut errors = Errors::white(0.001, 1.0);
        errors.at_rest(&values, 0, 3000, 0.01);
        assert!((errors.noise_n / 0.05 - 1.0).abs() < 0.1, "{errors:?}");
    }

    #[test]
    fn tremor_is_a_share_of_the_force() {
        let values: Vec<f64> =
            (0..4000).map(|k| 20.0 * (1.0 + 0.03 * libm::sin(k as f64 * 0.0628))).collect();
        let mut errors = Errors::white(0.001, 0.0);
        errors.in_pull(&values, 0, 4000);
        assert!((errors.tremor / 0.03 - 1.0).abs() < 0.15, "{errors:?}");
    }
}
