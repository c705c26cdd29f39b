//! The start of a change of force, fitted by change curves with what is known about the errors.
//!
//! Comes in: values that rise (N; a fall is given upside down) at a spacing (s). Goes out: where the change starts (in
//! values, fractional), its standard deviation, how well the best curve fits and how fast it is. Each curve has a
//! start, a time scale, a level before, its slope and a height; they are fitted by generalised least squares
//! (Gauss–Newton, damped), because the errors are not white: besides the sensor's noise there are the slow wander of a
//! resting hand, and the fluctuation and tremor of a pulling one, which grow with the force.

use super::errors::Errors;

/// Values of a window are averaged into at most this many bins.
const BINS: usize = 48;
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
/// A curve whose squares exceed the least by so much has no weight.
const HOPELESS: f64 = 40.0;
/// What more squares are not worth another round.
const ENOUGH: f64 = 0.01;
/// Unknowns of a curve.
const UNKNOWNS: usize = 5;

/// A rise from 0 towards 1 by time since the start over a time scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Curve {
    /// So many equal first-order lags in a row (the response of a muscle to a burst of activation).
    Lags(u32),
    /// Minimum jerk (a smooth voluntary movement).
    MinimumJerk,
    /// The smoothest rise with a quadratic start.
    Smooth,
    /// A quadratic corner, then a straight line (a hand that pulls steadily).
    Ramp,
}

/// The curves fitted to a rise.
pub(super) const RISES: [Curve; 7] = [
    Curve::Lags(1),
    Curve::Lags(2),
    Curve::Lags(3),
    Curve::Lags(4),
    Curve::MinimumJerk,
    Curve::Smooth,
    Curve::Ramp,
];

/// The curves fitted to a fall.
pub(super) const FALLS: [Curve; 5] =
    [Curve::Lags(2), Curve::Lags(3), Curve::Lags(4), Curve::MinimumJerk, Curve::Smooth];

impl Curve {
    /// Height and slope at `x` time scales after the start.
    fn at(self, x: f64) -> (f64, f64) {
        if x <= 0.0 {
            return (0.0, 0.0);
        }
        match self {
            Curve::Lags(n) => lags(n, x),
            Curve::MinimumJerk if x < 1.0 => {
                (x * x * x * (10.0 + x * (-15.0 + 6.0 * x)), 30.0 * x * x * (1.0 - x) * (1.0 - x))
            }
            Curve::Smooth if x < 1.0 => (x * x * (3.0 - 2.0 * x), 6.0 * x * (1.0 - x)),
            Curve::MinimumJerk | Curve::Smooth => (1.0, 0.0),
            Curve::Ramp if x < 1.0 => (0.5 * x * x, x),
            Curve::Ramp => (x - 0.5, 1.0),
        }
    }

    /// Where the curve has a height.
    fn inverse(self, height: f64) -> f64 {
        let (mut low, mut high) = (0.0, 40.0);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if self.at(middle).0 < height { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}

/// 1 − e^−x · Σ x^k/k! (k < n) and its slope e^−x · x^(n−1)/(n−1)!.
fn lags(n: u32, x: f64) -> (f64, f64) {
    let decay = libm::exp(-x);
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..n {
        term *= x / f64::from(k);
        sum += term;
    }
    (1.0 - sum * decay, term * decay)
}

/// What is known before the fit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Known {
    /// What is known about the errors.
    pub errors: Errors,
    /// Value at which no force is pulled.
    pub rest_n: f64,
    /// How steep the level before may be, as a standard deviation, N/s; 0 for level.
    pub slope_n_per_s: f64,
    /// Level before, N.
    pub level_n: f64,
    /// Where the change passes 15 % of `height_n`, in values from the window's first.
    pub low_at: f64,
    /// Where it reaches `height_n`: the window's end.
    pub high_at: f64,
    /// Height of the window's end above the level, N.
    pub height_n: f64,
    /// Height of the whole change, N.
    pub whole_n: f64,
    /// How well that is known, as a share of it; 0 where it is not.
    pub whole_sd: f64,
}

/// The result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Fitted {
    /// Start, in values from the window's first.
    pub at: f64,
    /// Standard deviation: within the curves and between them, in values.
    pub sd: f64,
    /// By how many of its standard deviations the best curve's chi-square exceeds its expectation.
    pub misfit: f64,
    /// Time of the best curve from 20 to 80 % of the whole change, s.
    pub swiftness_s: f64,
}

/// A window in bins, with its errors' covariance factored.
struct Window {
    n: usize,
    /// Width of a bin of several values, s; 0 where each is one.
    width_s: f64,
    time_s: [f64; BINS],
    value: [f64; BINS],
    /// Lower triangle of the Cholesky factor, row by row.
    factor: Vec<f64>,
}

impl Window {
    fn new(values: &[f64], known: &Known) -> Option<Window> {
        let per = values.len().div_ceil(BINS).max(1);
        // Bins are counted from the end: the rise is what must not lose a part of a bin.
        let first = values.len() % per;
        let n = values.len() / per;
        let width_s = if per > 1 { per as f64 * known.errors.dt_s } else { 0.0 };
        let mut window = Window {
            n,
            width_s,
            time_s: [0.0; BINS],
            value: [0.0; BINS],
            factor: vec![0.0; n * (n + 1) / 2],
        };
        for (k, bin) in values[first..].chunks_exact(per).enumerate() {
            window.value[k] = bin.iter().sum::<f64>() / per as f64;
            window.time_s[k] =
                (first as f64 + k as f64 * per as f64 + (per - 1) as f64 / 2.0) * known.errors.dt_s;
        }
        window.factorise(per, known).then_some(window)
    }

    /// Covariance of the bins' errors, and its Cholesky factor in its place.
    fn factorise(&mut self, per: usize, known: &Known) -> bool {
        let noise = known.errors.variance_of_mean(per);
        // Correlated noise reaches over so many bins.
        let reach = known.errors.correlated / per as f64;
        let wander = known.errors.wander_n * known.errors.wander_n;
        let force = |k: usize| (self.value[k] - known.rest_n).abs();
        let bell = |gap: f64, scale: f64| libm::exp(-0.5 * gap * gap / (scale * scale));
        let gap = self.time_s[1.min(self.n - 1)] - self.time_s[0];
        let mut slow = [0.0; BINS];
        let mut fast = [0.0; BINS];
        for k in 0..self.n {
            let shared = (1.0 - k as f64 / reach).max(0.0);
            let noise = if k == 0 { 1.02 * noise + 1e-9 } else { noise * shared };
            slow[k] = noise + wander * bell(gap * k as f64, WANDER_S);
            let apart = gap * k as f64;
            let phase = libm::cos(core::f64::consts::TAU * TREMOR_HZ * apart);
            fast[k] = FLUCTUATION * FLUCTUATION * bell(apart, FLUCTUATION_S)
                + known.errors.tremor * known.errors.tremor * phase * bell(apart, TREMOR_S);
        }
        let n = self.n;
        for i in 0..n {
            let row = i * (i + 1) / 2;
            for j in 0..=i {
                let other = j * (j + 1) / 2;
                let mut sum = slow[i - j] + force(i) * force(j) * fast[i - j];
                for k in 0..j {
                    sum -= self.factor[row + k] * self.factor[other + k];
                }
                if i == j {
                    if sum <= 0.0 || !sum.is_finite() {
                        return false;
                    }
                    self.factor[row + i] = sum.sqrt();
                } else {
                    self.factor[row + j] = sum / self.factor[other + j];
                }
            }
        }
        true
    }

    /// Makes the errors of each column white and of unit size. (A row holds one bin of all columns, so that a compiler
    /// can work on them side by side.)
    fn whiten(&self, rows: &mut [Row; BINS]) {
        for i in 0..self.n {
            let factor = &self.factor[i * (i + 1) / 2..][..=i];
            let (before, rest) = rows.split_at_mut(i);
            let row = &mut rest[0];
            for (weight, earlier) in factor.iter().zip(before) {
                for (value, other) in row.iter_mut().zip(earlier) {
                    *value -= weight * *other;
                }
            }
            let scale = 1.0 / factor[i];
            for value in row {
                *value *= scale;
            }
        }
    }
}

/// The derivatives by the unknowns, the residual, and room to make the row's length a power of two.
type Row = [f64; 8];
/// Where the residual is in a row.
const RESIDUAL: usize = UNKNOWNS;

/// Start (s), logarithm of the time scale (s), level (N), height (N), slope (N/s).
type Unknowns = [f64; UNKNOWNS];

struct Best {
    unknowns: Unknowns,
    squares: f64,
    variance_s2: f64,
    curve: Curve,
}

/// Fits all curves and averages their onsets by likelihood.
pub(super) fn fit(values: &[f64], known: &Known, curves: &[Curve]) -> Option<Fitted> {
    if values.len() < 8 || known.high_at <= known.low_at {
        return None;
    }
    let window = Window::new(values, known)?;
    let mut fits: Vec<Best> = Vec::with_capacity(curves.len());
    let mut least = f64::INFINITY;
    for &curve in curves {
        if let Some(best) = fit_curve(&window, curve, known, least) {
            least = least.min(best.squares);
            fits.push(best);
        }
    }
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for best in &fits {
        let weight = libm::exp(-0.5 * (best.squares - least));
        let at = best.unknowns[0];
        sum += weight;
        first += weight * at;
        second += weight * (at * at + best.variance_s2);
    }
    let mean = first / sum;
    let sd = (second / sum - mean * mean).max(0.0).sqrt();
    let freedom = window.n.saturating_sub(4).max(1) as f64;
    let misfit = (least / freedom - 1.0) / (2.0 / freedom).sqrt();
    let best = fits.iter().min_by(|a, b| a.squares.total_cmp(&b.squares))?;
    let share = (known.whole_n / best.unknowns[3]).min(1.0);
    let spread = best.curve.inverse(0.8 * share) - best.curve.inverse(0.2 * share);
    let swiftness_s = spread * libm::exp(best.unknowns[1]);
    (sum > 0.0).then_some(Fitted {
        at: mean / known.errors.dt_s,
        sd: sd / known.errors.dt_s,
        misfit,
        swiftness_s,
    })
}

fn guess(curve: Curve, known: &Known) -> Unknowns {
    let (low_s, high_s) = (known.low_at * known.errors.dt_s, known.high_at * known.errors.dt_s);
    if curve == Curve::Ramp {
        let slope = 0.85 * known.height_n / (high_s - low_s);
        let scale = (0.3 * (high_s - low_s)).clamp(0.02, 0.2);
        let start = low_s - 0.15 * known.height_n / slope - 0.5 * scale;
        return [start, libm::log(scale), known.level_n, slope * scale, 0.0];
    }
    let share = (known.height_n / known.whole_n).clamp(0.01, 0.95);
    let (low, high) = (curve.inverse(0.15 * share), curve.inverse(share));
    let scale = (high_s - low_s) / (high - low);
    [low_s - low * scale, libm::log(scale), known.level_n, known.whole_n, 0.0]
}

/// Damped Gauss–Newton. Given up when the curve cannot come near the least squares of another one: its likelihood
/// would be nothing.
fn fit_curve(window: &Window, curve: Curve, known: &Known, least: f64) -> Option<Best> {
    let guess = guess(curve, known);
    let mut unknowns = guess;
    let mut here = linearise(window, curve, &unknowns, known);
    let mut damping = 1e-3;
    for round in 0..12 {
        let Some(change) = solve(&here, damping) else { break };
        let promise: f64 = change.iter().zip(&here.gradient).map(|(a, b)| a * b).sum();
        if round > 1 && here.squares - 3.0 * promise > least + HOPELESS {
            return None;
        }
        if promise < ENOUGH {
            break;
        }
        let mut next = unknowns;
        for (value, by) in next.iter_mut().zip(change) {
            *value += by;
        }
        next[1] = next[1].clamp(-7.0, 1.6);
        let there = linearise(window, curve, &next, known);
        if there.squares < here.squares {
            (unknowns, here) = (next, there);
            damping *= 0.2;
        } else {
            damping *= 8.0;
            if damping > 1e4 {
                break;
            }
        }
    }
    let variance = invert_first(&here)?;
    let good = here.squares.is_finite() && unknowns[3] > 0.0 && unknowns.iter().all(|v| v.is_finite());
    good.then_some(Best { unknowns, squares: here.squares, variance_s2: variance, curve })
}

type Square = [[f64; UNKNOWNS]; UNKNOWNS];

/// Normal equations about a point.
#[derive(Default)]
struct Linear {
    squares: f64,
    gradient: [f64; UNKNOWNS],
    normal: Square,
}

/// Height, slope, and place times slope of a curve.
fn curve_at(curve: Curve, x: f64) -> [f64; 3] {
    let (height, slope) = curve.at(x);
    [height, slope, x.max(0.0) * slope]
}

/// Means over a bin from its edges and its middle.
fn simpson(start: [f64; 3], middle: [f64; 3], end: [f64; 3]) -> [f64; 3] {
    let mean = |k: usize| (start[k] + 4.0 * middle[k] + end[k]) / 6.0;
    [mean(0), mean(1), mean(2)]
}

fn linearise(window: &Window, curve: Curve, unknowns: &Unknowns, known: &Known) -> Linear {
    let [start, log_scale, level, height, slope] = *unknowns;
    let scale = libm::exp(log_scale);
    let sloped = known.slope_n_per_s > 0.0;
    let mut rows: [Row; BINS] = [[0.0; 8]; BINS];
    let mut edge = curve_at(curve, (window.time_s[0] - 0.5 * window.width_s - start) / scale);
    for (row, (&time_s, &value)) in
        rows.iter_mut().zip(window.time_s.iter().zip(&window.value)).take(window.n)
    {
        let middle = curve_at(curve, (time_s - start) / scale);
        let [g, steepness, stretched] = if window.width_s > 0.0 {
            let end = curve_at(curve, (time_s + 0.5 * window.width_s - start) / scale);
            let mean = simpson(edge, middle, end);
            edge = end;
            mean
        } else {
            middle
        };
        row[0] = -height * steepness / scale;
        row[1] = -height * stretched;
        row[2] = 1.0;
        row[3] = g;
        row[4] = if sloped { time_s } else { 0.0 };
        row[RESIDUAL] = value - level - height * g - slope * row[4];
    }
    window.whiten(&mut rows);
    let mut products = [[0.0; 8]; UNKNOWNS + 1];
    for row in &rows[..window.n] {
        for (sums, &a) in products.iter_mut().zip(row) {
            for (sum, &b) in sums.iter_mut().zip(row) {
                *sum += a * b;
            }
        }
    }
    let mut linear = Linear { squares: products[RESIDUAL][RESIDUAL], ..Linear::default() };
    for (k, sums) in products[..UNKNOWNS].iter().enumerate() {
        linear.gradient[k] = sums[RESIDUAL];
        linear.normal[k].copy_from_slice(&sums[..UNKNOWNS]);
    }
    let prior = if sloped { 1.0 / (known.slope_n_per_s * known.slope_n_per_s) } else { 1.0 };
    linear.squares += prior * slope * slope;
    linear.gradient[4] -= prior * slope;
    linear.normal[4][4] += prior;
    if known.whole_sd > 0.0 && curve != Curve::Ramp {
        let sd = known.whole_sd * known.whole_n;
        let excess = height - known.whole_n;
        linear.squares += excess * excess / (sd * sd);
        linear.gradient[3] -= excess / (sd * sd);
        linear.normal[3][3] += 1.0 / (sd * sd);
    }
    linear
}

/// Cholesky factor of the damped normal equations.
fn factor(linear: &Linear, damping: f64) -> Option<Square> {
    let mut l = [[0.0; UNKNOWNS]; UNKNOWNS];
    for i in 0..UNKNOWNS {
        for j in 0..=i {
            let damped =
                if i == j { linear.normal[i][j] * (1.0 + damping) + 1e-12 } else { linear.normal[i][j] };
            let sum = damped - l[i].iter().zip(&l[j]).take(j).map(|(a, b)| a * b).sum::<f64>();
            if i == j {
                if sum <= 0.0 || !sum.is_finite() {
                    return None;
                }
                l[i][i] = sum.sqrt();
            } else {
                l[i][j] = sum / l[j][j];
            }
        }
    }
    Some(l)
}

/// Solves L·Lᵀ·x = right.
fn substitute(l: &Square, right: Unknowns) -> Unknowns {
    let mut x = right;
    for i in 0..UNKNOWNS {
        let sum: f64 = l[i].iter().zip(&x).take(i).map(|(a, b)| a * b).sum();
        x[i] = (x[i] - sum) / l[i][i];
    }
    for i in (0..UNKNOWNS).rev() {
        let sum: f64 = (i + 1..UNKNOWNS).map(|k| l[k][i] * x[k]).sum();
        x[i] = (x[i] - sum) / l[i][i];
    }
    x
}

fn solve(linear: &Linear, damping: f64) -> Option<Unknowns> {
    factor(linear, damping).map(|l| substitute(&l, linear.gradient))
}

/// Variance of the first unknown.
fn invert_first(linear: &Linear) -> Option<f64> {
    factor(linear, 1e-6).map(|l| substitute(&l, [1.0, 0.0, 0.0, 0.0, 0.0])[0])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_curve_is_found_again() {
        for curve in RISES {
            let scale = if curve == Curve::Ramp { 0.03 } else { 0.15 };
            let (start, height) = (0.2503, 20.0);
            let values: Vec<f64> =
                (0..1200).map(|k| 1.0 + height * curve.at((k as f64 * 0.001 - start) / scale).0).collect();
            let high = values.iter().position(|v| *v > 11.0).unwrap();
            let low = values.iter().position(|v| *v > 2.5).unwrap();
            let known = Known {
                errors: Errors::white(0.001, 0.01),
                rest_n: 1.0,
                slope_n_per_s: 0.0,
                level_n: 1.0,
                low_at: low as f64,
                high_at: high as f64,
                height_n: 10.0,
                whole_n: height,
                whole_sd: 0.0,
            };
            let fitted = fit(&values[..=high], &known, &[curve]).unwrap();
            assert!((fitted.at - 250.3).abs() < 1.0, "{curve:?} {fitted:?}");
        }
    }
}
