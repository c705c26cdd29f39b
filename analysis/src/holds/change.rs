//! The start of a change of force, fitted by change curves with what is known about the errors.
//!
//! Comes in: values that rise (N; a fall is given upside down) at a spacing (s). Goes out: where the change starts (in
//! values, fractional), its standard deviation, how well the best curve fits and how fast it is. Each curve has a
//! start, a time scale, a level before, its slope and a height; they are fitted by generalised least squares
//! (Gauss–Newton, damped), because the errors are not white: besides the sensor's noise there are the slow wander of a
//! resting hand, and the fluctuation and tremor of a pulling one, which grow with the force.

use super::curve::{Curve, Point};
use super::errors::Errors;
use super::window::{BINS, Rows, Window};

/// A curve whose squares exceed the least by so much has no weight.
const HOPELESS: f64 = 40.0;
/// What more squares are not worth another round.
const ENOUGH: f64 = 0.01;
/// Unknowns of a curve.
const UNKNOWNS: usize = 5;

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
    let mut scratch = Scratch { rows: [[0.0; 4]; BINS], points: [[0.0; 3]; 2 * BINS + 1] };
    for &curve in curves {
        if let Some(best) = fit_curve(&window, curve, known, least, &mut scratch) {
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
fn fit_curve(
    window: &Window,
    curve: Curve,
    known: &Known,
    least: f64,
    scratch: &mut Scratch,
) -> Option<Best> {
    let guess = guess(curve, known);
    let mut unknowns = guess;
    let mut here = linearise(window, curve, &unknowns, known, scratch);
    let mut damping = 1e-3;
    for round in 0..12 {
        let Some(change) = solve(&here, damping) else { break };
        let promise: f64 = change.iter().zip(here.gradient()).map(|(a, b)| a * b).sum();
        if round > 1 && here.squares() - 3.0 * promise > least + HOPELESS {
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
        let there = linearise(window, curve, &next, known, scratch);
        if there.squares() < here.squares() {
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
    let good = here.squares().is_finite() && unknowns[3] > 0.0 && unknowns.iter().all(|v| v.is_finite());
    good.then_some(Best { unknowns, squares: here.squares(), variance_s2: variance, curve })
}

/// What a linearisation is worked out in: bins' derivatives, and the curve at their edges and middles.
struct Scratch {
    rows: Rows,
    points: [Point; 2 * BINS + 1],
}

type Square = [[f64; UNKNOWNS]; UNKNOWNS];

/// Normal equations about a point.
#[derive(Default)]
struct Linear {
    /// Sums of products of the columns, the residual the last of them: of each pair the one in the upper triangle.
    products: [[f64; UNKNOWNS + 1]; UNKNOWNS + 1],
}

impl Linear {
    /// Sum of squared residuals.
    fn squares(&self) -> f64 {
        self.products[UNKNOWNS][UNKNOWNS]
    }

    /// Derivative by each unknown.
    fn gradient(&self) -> Unknowns {
        std::array::from_fn(|k| self.products[k][UNKNOWNS])
    }

    /// Takes up what is expected of an unknown: its weight, that times its excess, and that times the excess again.
    fn expect(&mut self, k: usize, weight: f64, pull: f64, square: f64) {
        self.products[k][k] += weight;
        self.products[k][UNKNOWNS] -= pull;
        self.products[UNKNOWNS][UNKNOWNS] += square;
    }
}

/// Means over a bin from its edges and its middle.
fn simpson(start: Point, middle: Point, end: Point) -> Point {
    let mean = |k: usize| (start[k] + 4.0 * middle[k] + end[k]) / 6.0;
    [mean(0), mean(1), mean(2)]
}

fn linearise(
    window: &Window,
    curve: Curve,
    unknowns: &Unknowns,
    known: &Known,
    scratch: &mut Scratch,
) -> Linear {
    let [start, log_scale, level, height, slope] = *unknowns;
    let scale = libm::exp(log_scale);
    let sloped = known.slope_n_per_s > 0.0;
    let Scratch { rows, points } = scratch;
    let (n, step_s) = (window.n, window.step_s);
    let first_s = window.first_s - start;
    let derivatives =
        |[g, steepness, stretched]: Point| [-height * steepness / scale, -height * stretched, g, 0.0];
    if window.averaged {
        // Edges and middles by turns.
        curve.fill((first_s - 0.5 * step_s) / scale, 0.5 * step_s / scale, &mut points[..=2 * n]);
        for (k, row) in rows[..n].iter_mut().enumerate() {
            *row = derivatives(simpson(points[2 * k], points[2 * k + 1], points[2 * k + 2]));
        }
    } else {
        curve.fill(first_s / scale, step_s / scale, &mut points[..n]);
        for (row, point) in rows.iter_mut().zip(&points[..n]) {
            *row = derivatives(*point);
        }
    }
    let flat = rows[..n].iter().position(|row| *row != [0.0; 4]).unwrap_or(n);
    window.whiten(rows, flat);
    // Row by row of four, so that a compiler can add to them side by side.
    let (mut products, mut with_time, mut with_residual) = ([[0.0; 4]; 4], [0.0; 4], [0.0; 4]);
    let mut linear = Linear::default();
    let [.., last_but_one, last] = &mut linear.products;
    for (row, &[value, one, time, _]) in rows.iter().zip(&window.fixed).take(window.n) {
        let time = if sloped { time } else { 0.0 };
        let residual = value - level * one - height * row[2] - slope * time;
        let columns = [row[0], row[1], one, row[2]];
        for (products, a) in products.iter_mut().zip(columns) {
            for k in 0..4 {
                products[k] += a * columns[k];
            }
        }
        for k in 0..4 {
            with_time[k] += columns[k] * time;
            with_residual[k] += columns[k] * residual;
        }
        last_but_one[4] += time * time;
        last_but_one[5] += time * residual;
        last[5] += residual * residual;
    }
    for (k, row) in linear.products.iter_mut().take(4).enumerate() {
        row[..4].copy_from_slice(&products[k]);
        (row[4], row[5]) = (with_time[k], with_residual[k]);
    }
    let prior = if sloped { 1.0 / (known.slope_n_per_s * known.slope_n_per_s) } else { 1.0 };
    linear.expect(4, prior, prior * slope, prior * slope * slope);
    if known.whole_sd > 0.0 && curve != Curve::Ramp {
        let sd = known.whole_sd * known.whole_n;
        let excess = height - known.whole_n;
        linear.expect(3, 1.0 / (sd * sd), excess / (sd * sd), excess * excess / (sd * sd));
    }
    linear
}

/// Cholesky factor of the damped normal equations.
fn factor(linear: &Linear, damping: f64) -> Option<Square> {
    let mut l = [[0.0; UNKNOWNS]; UNKNOWNS];
    for i in 0..UNKNOWNS {
        for j in 0..=i {
            let damped =
                if i == j { linear.products[j][i] * (1.0 + damping) + 1e-12 } else { linear.products[j][i] };
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
    factor(linear, damping).map(|l| substitute(&l, linear.gradient()))
}

/// Variance of the first unknown.
fn invert_first(linear: &Linear) -> Option<f64> {
    factor(linear, 1e-6).map(|l| substitute(&l, [1.0, 0.0, 0.0, 0.0, 0.0])[0])
}

#[cfg(test)]
mod tests {
    use super::super::curve::RISES;
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
