//! A stretch of values in bins, with the covariance of their errors.
//!
//! Comes in: values, N, and what is known about their errors. Goes out: bins (N) and columns of them made white.

use super::change::Known;
use super::wave;

/// Values of a window are averaged into at most this many bins.
pub(super) const BINS: usize = 48;
/// Correlation time of the wander of a resting level, s.
const WANDER_S: f64 = 0.3;
/// Correlation time of the fluctuation of a pull, s.
const FLUCTUATION_S: f64 = 0.10;
/// Frequency of physiological tremor, Hz, and the time over which its phase is kept, s.
const TREMOR_HZ: f64 = 10.0;
/// See above.
const TREMOR_S: f64 = 0.12;
/// Standard deviation of the fluctuation of a pull, as a share of its force.
const FLUCTUATION: f64 = 0.015;

/// A window in bins, with its errors' covariance factored.
pub(super) struct Window {
    /// Number of bins.
    pub n: usize,
    /// Middle of the first bin, s.
    pub first_s: f64,
    /// Spacing of the bins, s.
    pub step_s: f64,
    /// Whether each is a mean of several values.
    pub averaged: bool,
    value: [f64; BINS],
    /// Lower triangle of the Cholesky factor, row by row.
    factor: Vec<f64>,
    /// Value, one and time of each bin, whitened.
    pub fixed: Rows,
}

/// A few columns of bins, a row a bin. (A row's length is a power of two, so that a compiler can work on its columns
/// side by side.)
pub(super) type Rows = [[f64; 4]; BINS];

impl Window {
    /// Puts values into bins. `None` where the errors cannot be told.
    pub fn new(values: &[f64], known: &Known) -> Option<Window> {
        let per = values.len().div_ceil(BINS).max(1);
        // Bins are counted from the end: the rise is what must not lose a part of a bin.
        let first = values.len() % per;
        let n = values.len() / per;
        let dt_s = known.errors.dt_s;
        let mut window = Window {
            n,
            first_s: (first as f64 + (per - 1) as f64 / 2.0) * dt_s,
            step_s: per as f64 * dt_s,
            averaged: per > 1,
            value: [0.0; BINS],
            factor: vec![0.0; n * (n + 1) / 2],
            fixed: [[0.0; 4]; BINS],
        };
        for (value, bin) in window.value.iter_mut().zip(values[first..].chunks_exact(per)) {
            *value = bin.iter().sum::<f64>() / per as f64;
        }
        if !window.factorise(per, known) {
            return None;
        }
        let mut fixed = [[0.0; 4]; BINS];
        for (k, (row, value)) in fixed.iter_mut().zip(&window.value).take(n).enumerate() {
            *row = [*value, 1.0, window.first_s + k as f64 * window.step_s, 0.0];
        }
        window.whiten(&mut fixed, 0);
        window.fixed = fixed;
        Some(window)
    }

    /// Covariance of the bins' errors, and its Cholesky factor in its place.
    fn factorise(&mut self, per: usize, known: &Known) -> bool {
        let noise = known.errors.variance_of_mean(per);
        // Correlated noise reaches over so many bins.
        let reach = known.errors.correlated / per as f64;
        let wander = known.errors.wander_n * known.errors.wander_n;
        let force = |k: usize| (self.value[k] - known.rest_n).abs();
        let bell = |gap: f64, scale: f64| libm::exp(-0.5 * gap * gap / (scale * scale));
        let gap = self.step_s;
        let mut slow = [0.0; BINS];
        let mut fast = [0.0; BINS];
        for k in 0..self.n {
            let shared = (1.0 - k as f64 / reach).max(0.0);
            let noise = if k == 0 { 1.02 * noise + 1e-9 } else { noise * shared };
            slow[k] = noise;
            if wander > 0.0 {
                slow[k] += wander * bell(gap * k as f64, WANDER_S);
            }
            let apart = gap * k as f64;
            let phase = libm::cos(core::f64::consts::TAU * TREMOR_HZ * apart);
            fast[k] = FLUCTUATION * FLUCTUATION * bell(apart, FLUCTUATION_S)
                + known.errors.tremor * known.errors.tremor * phase * bell(apart, TREMOR_S);
        }
        // Column by column: what a column needs is then long known, and nothing waits.
        for j in 0..self.n {
            let column = j * (j + 1) / 2;
            for i in j..self.n {
                let row = i * (i + 1) / 2;
                let (this, that) = (&self.factor[row..row + j], &self.factor[column..column + j]);
                let sum = slow[i - j] + force(i) * force(j) * fast[i - j] - wave::dot(this, that);
                if i > j {
                    self.factor[row + j] = sum / self.factor[column + j];
                } else if sum > 0.0 && sum.is_finite() {
                    self.factor[column + j] = sum.sqrt();
                } else {
                    return false;
                }
            }
        }
        true
    }

    /// Makes the errors of each column white and of unit size. Rows before `from` are zero and stay so.
    pub fn whiten(&self, rows: &mut Rows, from: usize) {
        let factor = |i: usize| &self.factor[i * (i + 1) / 2..][..=i];
        let mut i = from;
        // Two rows at a time: neither waits for the other.
        while i + 1 < self.n {
            let (here, next) = (factor(i), factor(i + 1));
            let (before, rest) = rows.split_at_mut(i);
            let (mut row, mut after) = (rest[0], rest[1]);
            for ((a, b), earlier) in here[from..i].iter().zip(&next[from..i]).zip(&before[from..]) {
                for k in 0..4 {
                    row[k] -= a * earlier[k];
                    after[k] -= b * earlier[k];
                }
            }
            let (scale, scale_after) = (1.0 / here[i], 1.0 / next[i + 1]);
            for k in 0..4 {
                rest[0][k] = row[k] * scale;
                rest[1][k] = (after[k] - next[i] * rest[0][k]) * scale_after;
            }
            i += 2;
        }
        if i < self.n {
            let here = factor(i);
            let (before, rest) = rows.split_at_mut(i);
            let mut row = rest[0];
            for (a, earlier) in here[from..i].iter().zip(&before[from..]) {
                for k in 0..4 {
                    row[k] -= a * earlier[k];
                }
            }
            let scale = 1.0 / here[i];
            rest[0] = row.map(|value| value * scale);
        }
    }
}
