//! The level force stands at, how much it varies there, and how steeply it moves: from means of short steps.
//!
//! Comes in: the values of one step after another, N. Goes out: level and noise (N) over the rest window, slopes (N/s).

/// Steps remembered; a power of two.
const KEPT: usize = 128;

const NO_RANGE: (f64, f64) = (f64::INFINITY, f64::NEG_INFINITY);

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
    /// Least and greatest value of the latest two steps, the latest last.
    ranges: [(f64, f64); 2],
}

impl Steps {
    /// No steps yet.
    pub fn new() -> Steps {
        Steps { means: [0.0; KEPT], variances: [0.0; KEPT], count: 0, ranges: [NO_RANGE; 2] }
    }

    /// Number of steps so far.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Takes the values of the next step.
    pub fn push(&mut self, values: &[f64]) {
        // About the first value, so that squares of a high level do not swallow its noise.
        let about = values.first().copied().unwrap_or(0.0);
        let (mut sum, mut squares) = ([0.0; 4], [0.0; 4]);
        let (mut low, mut high) = ([about; 4], [about; 4]);
        let (quads, rest) = values.as_chunks::<4>();
        for &value in rest {
            sum[0] += value - about;
            squares[0] += (value - about) * (value - about);
            low[0] = if value < low[0] { value } else { low[0] };
            high[0] = if value > high[0] { value } else { high[0] };
        }
        for quad in quads {
            for k in 0..4 {
                let above = quad[k] - about;
                sum[k] += above;
                squares[k] += above * above;
                low[k] = if quad[k] < low[k] { quad[k] } else { low[k] };
                high[k] = if quad[k] > high[k] { quad[k] } else { high[k] };
            }
        }
        let (n, sum): (f64, f64) = (values.len().max(1) as f64, sum.iter().sum());
        let squares = squares.iter().sum::<f64>() - sum * sum / n;
        let at = self.count as usize % KEPT;
        self.means[at] = about + sum / n;
        self.variances[at] = if values.len() > 1 { (squares / (n - 1.0)).max(0.0) } else { 0.0 };
        self.count += 1;
        let range = if values.is_empty() {
            NO_RANGE
        } else {
            let less = |a: f64, b: f64| if b < a { b } else { a };
            let more = |a: f64, b: f64| if b > a { b } else { a };
            (
                less(less(low[0], low[1]), less(low[2], low[3])),
                more(more(high[0], high[1]), more(high[2], high[3])),
            )
        };
        self.ranges = [self.ranges[1], range];
    }

    /// Least and greatest value of the latest two steps.
    pub fn range(&self) -> (f64, f64) {
        let [(a, b), (c, d)] = self.ranges;
        (a.min(c), b.max(d))
    }

    /// The next step does not follow the latest.
    pub fn interrupt(&mut self) {
        self.ranges = [NO_RANGE; 2];
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
        let (mut means, mut work) = ([0.0; KEPT], [0.0; KEPT]);
        let mut variance = 0.0;
        for (k, mean) in means[..length].iter_mut().enumerate() {
            let at = self.count.wrapping_sub(guard + (length - k) as u64) as usize % KEPT;
            *mean = self.means[at];
            variance += self.variances[at];
        }
        let (means, work) = (&means[..length], &mut work[..length]);
        work.copy_from_slice(means);
        let half = length / 2;
        // Drift is no noise: deviations are from the line through the medians of both halves.
        let sort = |values: &mut [f64]| {
            values.sort_unstable_by(f64::total_cmp);
            middle_of(values, &[])
        };
        let (before, after) = (sort(&mut work[..half]), sort(&mut work[length - half..]));
        let drift = if half < 2 { 0.0 } else { (after - before) / (length - half) as f64 };
        sort(&mut work[half..]);
        let force_n = middle_of(&work[..half], &work[half..]);
        for (k, (deviation, mean)) in work.iter_mut().zip(means).enumerate() {
            let line = force_n + drift * (k as f64 - (length as f64 - 1.0) / 2.0);
            *deviation = (mean - line).abs();
        }
        let wander = 1.4826 * median(work);
        let variance = variance / length as f64;
        let sd_n = (variance / smoothed.max(1) as f64 + wander * wander).sqrt().max(floor_n);
        Level { force_n, sd_n, noise_n: variance.sqrt().max(floor_n) }
    }
}

/// Median of the values of two sorted runs; 0 of nothing.
fn middle_of(a: &[f64], b: &[f64]) -> f64 {
    let total = a.len() + b.len();
    let (mut i, mut j) = (0, 0);
    let (mut other, mut middle) = (0.0, 0.0);
    while i + j <= total / 2 && i + j < total {
        let from_a = i < a.len() && b.get(j).is_none_or(|b| a[i].total_cmp(b).is_le());
        other = middle;
        if from_a {
            middle = a[i];
            i += 1;
        } else {
            middle = b[j];
            j += 1;
        }
    }
    if total.is_multiple_of(2) { 0.5 * (other + middle) } else { middle }
}

/// Median; reorders the values. Not of nothing.
pub(super) fn median(values: &mut [f64]) -> f64 {
    let (total, half) = (values.len(), values.len() / 2);
    let (below, &mut middle, _) = values.select_nth_unstable_by(half, f64::total_cmp);
    let odd = below.len() * 2 + 1 == total;
    if odd {
        return middle;
    }
    let other = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    0.5 * (other + middle)
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
        assert!(level.sd_n < 0.15, "{level:?}");
        assert!((level.noise_n - 0.02_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn the_middle_of_sorted_runs_is_the_median_of_all() {
        let values: Vec<f64> = (0..23).map(|k| f64::from(k * k % 17) - 5.0).collect();
        for n in 1..values.len() {
            for cut in 0..=n {
                let (mut a, mut b) = (values[..cut].to_vec(), values[cut..n].to_vec());
                a.sort_unstable_by(f64::total_cmp);
                b.sort_unstable_by(f64::total_cmp);
                assert_eq!(middle_of(&a, &b), median(&mut values[..n].to_vec()), "{n} {cut}");
            }
        }
        assert_eq!(middle_of(&[], &[]), 0.0);
    }

    #[test]
    fn drift_is_no_noise() {
        let mut steps = Steps::new();
        for k in 0..24 {
            steps.push(&[0.05 * f64::from(k)]);
        }
        assert!(steps.level(0, 24, 1, 0.002).sd_n < 0.01);
    }
}
