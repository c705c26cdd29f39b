//! The level force stands at, how much it varies there, and how steeply it moves: from means of short steps.
//!
//! Comes in: the values of one step after another, N. Goes out: level and noise (N) over the rest window, slopes (N/s).

/// Steps remembered; a power of two.
const KEPT: usize = 128;

/// A level that force stands at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    /// The level, N.
    pub force_n: f64,
    /// Standard deviation about it of a mean over the smoothing time, N.
    pub sd_n: f64,
    /// Standard deviation of single values, N.
    pub noise_n: f64,
}

/// Means and variances of the latest steps.
#[derive(Debug)]
pub(super) struct Steps {
    means: [f64; KEPT],
    variances: [f64; KEPT],
    count: u64,
}

impl Steps {
    /// No steps yet.
    pub fn new() -> Steps {
        Steps { means: [0.0; KEPT], variances: [0.0; KEPT], count: 0 }
    }

    /// Number of steps so far.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Takes the values of the next step.
    pub fn push(&mut self, values: &[f64]) {
        let n = values.len().max(1) as f64;
        let mean = values.iter().sum::<f64>() / n;
        let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
        let at = self.count as usize % KEPT;
        self.means[at] = mean;
        self.variances[at] = if values.len() > 1 { squares / (n - 1.0) } else { 0.0 };
        self.count += 1;
    }

    /// Mean of the step that is `back` steps old (0: the latest).
    pub fn mean(&self, back: u64) -> f64 {
        self.means[(self.count.wrapping_sub(back + 1)) as usize % KEPT]
    }

    /// Mean over `length` steps, the latest of which is `back` steps old.
    pub fn mean_of(&self, back: u64, length: u64) -> f64 {
        let sum: f64 = (back..back + length).map(|k| self.mean(k)).sum();
        sum / length.max(1) as f64
    }

    /// Level over the `length` steps before the latest `guard` ones; `smoothed` values make a smoothed one.
    pub fn level(&self, guard: u64, length: u64, smoothed: usize, floor_n: f64) -> Level {
        let length = (length as usize).clamp(1, KEPT);
        let mut sorted = [0.0; KEPT];
        let sorted = &mut sorted[..length];
        let mut variance = 0.0;
        for (k, slot) in sorted.iter_mut().enumerate() {
            let at = self.count.wrapping_sub(guard + k as u64 + 1) as usize % KEPT;
            *slot = self.means[at];
            variance += self.variances[at];
        }
        let force_n = median(sorted);
        for value in sorted.iter_mut() {
            *value = (*value - force_n).abs();
        }
        let wander = 1.4826 * median(sorted);
        let variance = variance / length as f64;
        let sd_n = (variance / smoothed.max(1) as f64 + wander * wander).sqrt().max(floor_n);
        Level { force_n, sd_n, noise_n: variance.sqrt().max(floor_n) }
    }
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { 0.5 * (values[half - 1] + values[half]) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_level_is_the_median_and_ignores_a_bump() {
        let mut steps = Steps::new();
        for k in 0..24 {
            let bump = if (8..13).contains(&k) { 1.0 } else { 0.0 };
            steps.push(&[1.9 + bump, 2.1 + bump]);
        }
        let level = steps.level(0, 24, 1, 0.002);
        assert!((level.force_n - 2.0).abs() < 1e-12);
        assert!((level.noise_n - 0.02_f64.sqrt()).abs() < 1e-12);
    }
}
