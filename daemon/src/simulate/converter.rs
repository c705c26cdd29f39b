//! A 24-bit converter: force in N to counts, with its faults.

use std::f64::consts::TAU;

/// Greatest code; it and its negative mean saturation.
const CODE_MAX: f64 = 8_388_607.0;
/// Counts above zero at the rated force.
pub const RATED_COUNTS: i32 = 8_000_000;

/// How the converter errs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Errors {
    /// Standard deviation of white noise, N.
    pub noise_n: f64,
    /// Drift of the zero, N/s.
    pub drift_n_per_s: f64,
    /// Amplitude of mains hum at 50 Hz, N.
    pub hum_n: f64,
    /// How many of its own samples it averages: its group delay is half of that.
    pub average: u32,
}

/// The converter of one channel.
#[derive(Debug, Clone)]
pub struct Converter {
    zero_counts: i32,
    counts_per_n: f64,
    errors: Errors,
    random: fastrand::Rng,
    window: std::collections::VecDeque<f64>,
    spare: Option<f64>,
}

impl Converter {
    /// A converter whose [`RATED_COUNTS`] stand for `rated_n`.
    pub fn new(zero_counts: i32, rated_n: f64, errors: Errors, seed: u64) -> Self {
        Converter {
            zero_counts,
            counts_per_n: f64::from(RATED_COUNTS) / rated_n,
            errors,
            random: fastrand::Rng::with_seed(seed),
            window: std::collections::VecDeque::new(),
            spare: None,
        }
    }

    /// A reading, and whether it is at the end of the range.
    pub fn convert(&mut self, force_n: f64, time_s: f64) -> (i32, bool) {
        let errors = self.errors;
        let hum_n = if errors.hum_n > 0.0 { errors.hum_n * libm::sin(TAU * 50.0 * time_s) } else { 0.0 };
        let seen_n = self.averaged(force_n + hum_n) + errors.drift_n_per_s * time_s;
        let noise_n = if errors.noise_n > 0.0 { errors.noise_n * self.gaussian() } else { 0.0 };
        let code = ((seen_n + noise_n) * self.counts_per_n + f64::from(self.zero_counts)).round();
        (code.clamp(-CODE_MAX - 1.0, CODE_MAX) as i32, code >= CODE_MAX || code < -CODE_MAX)
    }

    fn averaged(&mut self, force_n: f64) -> f64 {
        if self.errors.average <= 1 {
            return force_n;
        }
        self.window.push_back(force_n);
        if self.window.len() > self.errors.average as usize {
            self.window.pop_front();
        }
        self.window.iter().sum::<f64>() / self.window.len() as f64
    }

    /// Box and Muller 1958: two at a time.
    fn gaussian(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(1.0 - self.random.f64())).sqrt();
        let angle = TAU * self.random.f64();
        self.spare = Some(radius * libm::sin(angle));
        radius * libm::cos(angle)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NONE: Errors = Errors { noise_n: 0.0, drift_n_per_s: 0.0, hum_n: 0.0, average: 1 };

    #[test]
    fn force_becomes_counts_and_the_ends_are_flagged() {
        let mut converter = Converter::new(100, 200.0, NONE, 1);
        assert_eq!(converter.convert(0.0, 0.0), (100, false));
        assert_eq!(converter.convert(10.0, 0.0), (400_100, false));
        assert_eq!(converter.convert(500.0, 0.0), (8_388_607, true));
        assert_eq!(converter.convert(-500.0, 0.0), (-8_388_608, true));
    }

    #[test]
    fn noise_has_the_size_asked_for() {
        let mut converter = Converter::new(0, 200.0, Errors { noise_n: 0.05, ..NONE }, 7);
        let values: Vec<f64> =
            (0..20_000).map(|_| f64::from(converter.convert(0.0, 0.0).0) / 40_000.0).collect();
        let mean = values.iter().sum::<f64>() / 20_000.0;
        let sd = (values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / 19_999.0).sqrt();
        assert!(mean.abs() < 0.002 && (sd / 0.05 - 1.0).abs() < 0.03, "{mean} {sd}");
    }
}
