//! Noise and drift of a steady signal.
//!
//! Comes in: readings (N) at equal intervals (s) while nothing changes, and the full scale (N). Goes out: RMS and
//! peak-to-peak noise, noise-free resolution and bits, drift.
//!
//! Noise is what is left about the least-squares line. Noise-free resolution: 6.6 standard deviations, which enclose 99.9 %
//! of Gaussian noise; bits as log₂ of full scale over it (common practice of converter makers' application notes).

use super::Figure;
use crate::statistics::line::Line;
use crate::statistics::quantiles::{chi_squared, student_t};
use serde::{Deserialize, Serialize};

/// Peak to peak in standard deviations.
pub const PEAK_TO_PEAK: f64 = 6.6;
/// Parts into which a stretch is averaged for its drift: their scatter shows noise that lasts longer than one sample.
const PARTS: usize = 20;

/// Noise of one stretch.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// How long it was, s.
    pub duration_s: f64,
    /// Standard deviation about the line, N.
    pub rms_n: Figure,
    /// Greatest minus least, N.
    pub peak_to_peak_n: f64,
    /// 6.6 standard deviations, N.
    pub noise_free_n: f64,
    /// log₂(full scale ÷ noise-free resolution).
    pub noise_free_bits: f64,
    /// log₂(full scale ÷ standard deviation).
    pub effective_bits: f64,
    /// Change, N/h.
    pub drift_n_per_h: Figure,
}

/// Noise and drift of readings; `None` with fewer than 40, or where they do not change at all in any digit (what that noise
/// is, the resolution hides).
pub fn of(readings: &[f64], interval_s: f64, full_scale_n: f64) -> Option<Noise> {
    let n = readings.len();
    if n < 2 * PARTS || interval_s.is_nan() || interval_s <= 0.0 {
        return None;
    }
    let time: Vec<f64> = (0..n).map(|i| i as f64 * interval_s).collect();
    let line = Line::through(&time, readings)?;
    let left = readings.iter().zip(&time).map(|(r, t)| r - line.intercept - line.slope * t);
    let (low, high) = left.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    let rms_n = line.residual_sd;
    let bits = |of: f64| if of > 0.0 { libm::log2(full_scale_n / of) } else { f64::NAN };
    Some(Noise {
        duration_s: n as f64 * interval_s,
        rms_n: Figure { value: rms_n, expanded: spread_of_sd(rms_n, line.df) },
        peak_to_peak_n: high - low,
        noise_free_n: PEAK_TO_PEAK * rms_n,
        noise_free_bits: bits(PEAK_TO_PEAK * rms_n),
        effective_bits: bits(rms_n),
        drift_n_per_h: drift(readings, interval_s)?,
    })
    .filter(|noise| noise.rms_n.value > 0.0)
}

/// Half width of the wider side of a standard deviation's 95 % interval (chi-squared).
pub fn spread_of_sd(sd: f64, df: f64) -> f64 {
    chi_squared(0.025, df).map_or(f64::NAN, |q| sd * (df / q).sqrt() - sd)
}

/// Least-squares slope over the means of twenty parts, N/h.
pub fn drift(readings: &[f64], interval_s: f64) -> Option<Figure> {
    let size = readings.len() / PARTS;
    let means: Vec<f64> = readings
        .chunks_exact(size.max(1))
        .take(PARTS)
        .map(|part| part.iter().sum::<f64>() / part.len() as f64)
        .collect();
    let time: Vec<f64> = (0..means.len()).map(|i| (i * size) as f64 * interval_s).collect();
    let line = Line::through(&time, &means)?;
    let t = student_t(0.975, line.df)?;
    Some(Figure { value: line.slope, expanded: t * line.slope_se }.times(3600.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two levels, one step apart in turn: the standard deviation is half a step (algebra), the bits follow.
    #[test]
    fn bits_follow_from_the_noise() {
        let readings: Vec<f64> = (0..4000).map(|i| if i % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let noise = of(&readings, 0.01, 6.6 * 1024.0).unwrap();
        assert!((noise.rms_n.value - 1.0).abs() < 1e-3, "{noise:?}");
        assert!((noise.noise_free_bits - 10.0).abs() < 1e-3 && (noise.peak_to_peak_n - 2.0).abs() < 1e-2);
        // Common practice: effective and noise-free bits differ by log₂ 6.6 = 2.72.
        assert!((noise.effective_bits - noise.noise_free_bits - 2.72).abs() < 0.003);
        assert!(noise.drift_n_per_h.covers(0.0));
    }

    #[test]
    fn drift_is_found_under_noise() {
        let readings: Vec<f64> =
            (0..6000).map(|i| 1e-4 * f64::from(i) + 0.01 * f64::from(i * 7919 % 101 - 50) / 50.0).collect();
        let noise = of(&readings, 0.1, 200.0).unwrap();
        assert!(noise.drift_n_per_h.covers(3.6), "{noise:?}");
        assert!(noise.drift_n_per_h.expanded < 0.01);
        assert_eq!(of(&readings[..10], 0.1, 200.0), None);
        assert_eq!(of(&[1.0; 100], 0.1, 200.0), None);
    }
}
