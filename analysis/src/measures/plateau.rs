//! How steady the plateau of a hold is: its variation and its tremor.
//!
//! The plateau is the hold without its first second and its last half second, where 2 s are left; a yield ends it. It is
//! looked at in means over 5 ms (where values come faster), so that the result does not depend on the rate.

use super::{Stretch, line};
use crate::filter::LowPass;
use std::f64::consts::TAU;

/// Shortest plateau, s.
const LEAST_S: f64 = 2.0;
/// Slowest rate at which tremor is measured, Hz.
const TREMOR_RATE_HZ: f64 = 40.0;
/// Slowest tremor, Hz.
const SLOWEST: usize = 4;
/// Whole hertz from the slowest to the fastest.
const LINES: usize = 9;

/// A plateau, detrended.
#[derive(Debug)]
pub(super) struct Plateau {
    /// Deviations from the line, N.
    deviations: Vec<f64>,
    mean_n: f64,
    dt_s: f64,
}

/// Tremor of a plateau.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Tremor {
    /// RMS between 8 and 12 Hz, N.
    pub physiological_n: f64,
    /// The same as a share of the mean, %.
    pub percent: f64,
    /// RMS between 4 and 8 Hz, N.
    pub slow_n: f64,
    /// Frequency of the greatest power between 4 and 12 Hz, Hz.
    pub peak_hz: f64,
}

impl Plateau {
    /// The plateau of a hold, where there is one.
    pub fn of(hold: &Stretch) -> Option<Plateau> {
        let end = hold.yielded.map_or(hold.end, |y| y.at) - 0.5 / hold.dt_s;
        let start = hold.onset + 1.0 / hold.dt_s;
        if (end - start) * hold.dt_s < LEAST_S {
            return None;
        }
        let values = hold.values.get(start.max(0.0) as usize..end.max(0.0) as usize)?;
        let per = ((0.005 / hold.dt_s + 1e-9) as usize).max(1);
        let means: Vec<f64> =
            values.chunks_exact(per).map(|block| block.iter().sum::<f64>() / per as f64).collect();
        let dt_s = per as f64 * hold.dt_s;
        let (slope, mean_n) = line(&means, dt_s)?;
        let middle = (means.len() as f64 - 1.0) / 2.0;
        let trend = |k: usize| mean_n + slope * dt_s * (k as f64 - middle);
        let deviations = means.iter().enumerate().map(|(k, mean)| mean - trend(k)).collect();
        (mean_n > 0.0).then_some(Plateau { deviations, mean_n, dt_s })
    }

    /// 100 · SD (n − 1) / mean of the detrended plateau, low-passed at 20 Hz without delay: a Butterworth filter of
    /// order 2 run both ways (order 4 in all). (Marmon et al. 2011 relate the steadiness of index abduction to the
    /// function of the hand.)
    pub fn steadiness_percent(&self) -> Option<f64> {
        let filter = LowPass::twice(2, 20.0, 1.0 / self.dt_s).ok()?;
        let smooth = filter.zero_phase(&self.deviations);
        let n = smooth.len() as f64;
        let mean = smooth.iter().sum::<f64>() / n;
        let squares: f64 = smooth.iter().map(|v| (v - mean) * (v - mean)).sum();
        Some(100.0 * (squares / (n - 1.0)).sqrt() / self.mean_n)
    }

    /// Power between 4 and 12 Hz by Welch's method (periodograms of Hann windows of 1 s, half overlapping): bands are
    /// sums of the bins at whole hertz, those at 8 Hz counted half in each.
    pub fn tremor(&self) -> Option<Tremor> {
        let rate_hz = 1.0 / self.dt_s;
        let length = libm::round(rate_hz) as usize;
        if rate_hz < TREMOR_RATE_HZ || self.deviations.len() < length {
            return None;
        }
        let circle = circle(length);
        let window: Vec<f64> = circle.iter().map(|(cos, _)| 0.5 - 0.5 * cos).collect();
        let energy: f64 = window.iter().map(|w| w * w).sum();
        let powers = self.powers(&circle, &window).map(|power| power / energy);
        // One-sided density times the spacing of the bins (1 Hz at whole seconds): RMS² of a band.
        let scale = 2.0 / rate_hz * (rate_hz / length as f64);
        let band = |from: usize, to: usize| -> f64 {
            let inner: f64 = powers[from - SLOWEST + 1..to - SLOWEST].iter().sum();
            (scale * (inner + 0.5 * (powers[from - SLOWEST] + powers[to - SLOWEST]))).sqrt()
        };
        let peak = powers.iter().enumerate().max_by(|a, b| a.1.total_cmp(b.1)).map_or(0, |(k, _)| k);
        let physiological_n = band(8, 12);
        Some(Tremor {
            physiological_n,
            percent: 100.0 * physiological_n / self.mean_n,
            slow_n: band(4, 8),
            peak_hz: (peak + SLOWEST) as f64 * rate_hz / length as f64,
        })
    }

    /// Mean squared amplitudes of the windowed Fourier sums at each of the whole frequencies, in cycles per window.
    fn powers(&self, circle: &[(f64, f64)], window: &[f64]) -> [f64; LINES] {
        let length = window.len();
        // All waves side by side, so that a compiler can add to all sums at once.
        let mut waves = vec![[0.0; 2 * LINES]; length];
        for line in 0..LINES {
            let mut turn = 0;
            for (wave, weight) in waves.iter_mut().zip(window) {
                let (cos, sin) = circle[turn];
                (wave[line], wave[LINES + line]) = (weight * cos, weight * sin);
                turn += SLOWEST + line;
                if turn >= length {
                    turn -= length;
                }
            }
        }
        let starts = (0..=self.deviations.len() - length).step_by((length / 2).max(1));
        let (mut sums, mut count) = ([0.0; LINES], 0);
        for start in starts {
            let mut parts = [0.0; 2 * LINES];
            for (value, wave) in self.deviations[start..start + length].iter().zip(&waves) {
                for k in 0..2 * LINES {
                    parts[k] += value * wave[k];
                }
            }
            for (line, sum) in sums.iter_mut().enumerate() {
                let (re, im) = (parts[line], parts[LINES + line]);
                *sum += re * re + im * im;
            }
            count += 1;
        }
        sums.map(|sum| sum / f64::from(count.max(1)))
    }
}

/// Cosine and sine of `length` equal parts of a turn, each from the one before.
fn circle(length: usize) -> Vec<(f64, f64)> {
    let part = TAU / length.max(1) as f64;
    let (cos, sin) = (libm::cos(part), libm::sin(part));
    let mut at = (1.0, 0.0);
    let mut all = Vec::with_capacity(length);
    for _ in 0..length {
        all.push(at);
        at = (at.0 * cos - at.1 * sin, at.0 * sin + at.1 * cos);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hold(values: &[f64]) -> Stretch<'_> {
        Stretch {
            values,
            dt_s: 0.001,
            onset: 0.0,
            onset_sd: None,
            release: None,
            end: values.len() as f64 - 1.0,
            peak: 0,
            peak_n: 0.0,
            yielded: None,
        }
    }

    #[test]
    fn a_pure_tremor_has_its_rms_and_its_frequency() {
        for (hz, amplitude) in [(10.0, 0.5), (6.0, 0.3)] {
            let values: Vec<f64> =
                (0..6000).map(|k| 20.0 + amplitude * libm::sin(TAU * hz * k as f64 * 0.001)).collect();
            let tremor = Plateau::of(&hold(&values)).unwrap().tremor().unwrap();
            let rms = amplitude / 2.0_f64.sqrt();
            let found = if hz > 8.0 { tremor.physiological_n } else { tremor.slow_n };
            assert!((found / rms - 1.0).abs() < 0.01, "{tremor:?} instead of {rms}");
            assert!((tremor.peak_hz - hz).abs() < 0.5);
        }
    }

    #[test]
    fn steadiness_is_the_variation_below_20_hz_about_the_trend() {
        let wave = |hz: f64, k: usize| libm::sin(TAU * hz * k as f64 * 0.001);
        let values: Vec<f64> =
            (0..6000).map(|k| 20.0 - 0.0005 * k as f64 + 0.2 * wave(2.0, k) + 0.2 * wave(60.0, k)).collect();
        let found = Plateau::of(&hold(&values)).unwrap().steadiness_percent().unwrap();
        let wanted = 100.0 * 0.2 / 2.0_f64.sqrt() / 18.6;
        assert!((found / wanted - 1.0).abs() < 0.02, "{found} instead of {wanted}");
    }

    #[test]
    fn a_short_hold_has_no_plateau() {
        assert!(Plateau::of(&hold(&vec![20.0; 3400])).is_none());
        assert!(Plateau::of(&hold(&vec![20.0; 3600])).is_some());
    }
}
