//! Polynomials by least squares.
//!
//! Comes in: pairs (x, y). Goes out: coefficients with their covariance, the fitted value with its standard uncertainty,
//! and the degree that a named criterion chooses.
//!
//! The powers of x are nearly parallel and lose digits; the fit is therefore made with polynomials that are orthogonal on
//! the points themselves (Forsythe 1957, J. SIAM 5:74–88) over x centred and scaled to ±1, each coefficient taken from
//! what the lower ones left and refined once. The powers' coefficients are expanded from them at the end.

use crate::statistics::quantiles::f_tail;
use std::ops::RangeInclusive;

/// Highest degree that is ever fitted.
pub const HIGHEST_DEGREE: usize = 5;

/// A fitted polynomial.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    centre: f64,
    scale: f64,
    /// The orthogonal polynomials' recurrence: pₖ₊₁ = (t − αₖ) pₖ − βₖ pₖ₋₁.
    recurrence: Vec<(f64, f64)>,
    /// Σ pₖ² over the points.
    norms: Vec<f64>,
    /// Weight of each orthogonal polynomial.
    weights: Vec<f64>,
    /// Each orthogonal polynomial's coefficients of the powers of x.
    powers: Vec<Vec<f64>>,
    /// Coefficients of the powers of x, the constant first.
    pub coefficients: Vec<f64>,
    /// Standard deviation about the curve (n − number of coefficients).
    pub residual_sd: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Share of the variance about the mean that the curve explains.
    pub r_squared: f64,
}

impl Fit {
    /// The polynomial of this degree through the points; `None` with fewer than `degree + 2` points, fewer than
    /// `degree + 1` different x, or a value that is not finite.
    pub fn of_degree(degree: usize, x: &[f64], y: &[f64]) -> Option<Fit> {
        Fit::weighted(degree, x, y, &vec![1.0; x.len()])
    }

    /// The same with a weight for every point, in inverse proportion to the square of its standard deviation; the
    /// standard deviation about the curve is then that of a point of weight 1.
    pub fn weighted(degree: usize, x: &[f64], y: &[f64], weight: &[f64]) -> Option<Fit> {
        let finite = x.iter().chain(y).chain(weight).all(|value| value.is_finite());
        let positive = weight.iter().all(|weight| *weight > 0.0) && weight.len() == x.len();
        let enough = x.len() == y.len() && x.len() >= degree + 2;
        if degree > HIGHEST_DEGREE || !finite || !positive || !enough {
            return None;
        }
        let (low, high) = x.iter().fold((f64::MAX, f64::MIN), |(low, high), x| (low.min(*x), high.max(*x)));
        if different(x) <= degree {
            return None;
        }
        // (All at one x: a constant is the only fit, and has no scale.)
        let (centre, scale) = (0.5 * (low + high), if high > low { 0.5 * (high - low) } else { 1.0 });
        let t: Vec<f64> = x.iter().map(|x| (x - centre) / scale).collect();
        let basis = Basis::on(&t, weight, degree)?;
        let mut left = y.to_vec();
        let mut weights = vec![0.0; degree + 1];
        for _ in 0..2 {
            for (k, of) in weights.iter_mut().enumerate() {
                let step = dot(&basis.values[k], &left, weight) / basis.norms[k];
                *of += step;
                left.iter_mut().zip(&basis.values[k]).for_each(|(left, p)| *left -= step * p);
            }
        }
        let powers = basis.powers(centre, scale);
        let coefficients = combined(&powers, &weights);
        let df = (x.len() - degree - 1) as f64;
        let squares = dot(&left, &left, weight);
        let explained: f64 = (1..=degree).map(|k| weights[k] * weights[k] * basis.norms[k]).sum();
        Some(Fit {
            centre,
            scale,
            recurrence: basis.recurrence,
            norms: basis.norms,
            weights,
            powers,
            coefficients,
            residual_sd: (squares / df).sqrt(),
            df,
            r_squared: explained / (explained + squares),
        })
    }

    /// The lowest of the degrees whose next higher term the F test (one degree of freedom over the residual) does not find
    /// at `alpha`: named so in every result.
    pub fn chosen(
        degrees: RangeInclusive<usize>,
        alpha: f64,
        x: &[f64],
        y: &[f64],
        weight: &[f64],
    ) -> Option<Fit> {
        let (lowest, highest) = degrees.into_inner();
        let mut fit = Fit::weighted(lowest, x, y, weight)?;
        for degree in lowest + 1..=highest.min(HIGHEST_DEGREE) {
            // One distinct x beyond what the next degree needs, so that it cannot pass through all means.
            if different(x) < degree + 2 {
                break;
            }
            match Fit::weighted(degree, x, y, weight) {
                Some(next) if next.last_term_p().is_some_and(|p| p < alpha) => fit = next,
                _ => break,
            }
        }
        Some(fit)
    }

    /// Degree of the polynomial.
    pub fn degree(&self) -> usize {
        self.weights.len() - 1
    }

    /// p of the F test of the highest term; 0 where the curve leaves nothing.
    pub fn last_term_p(&self) -> Option<f64> {
        let (weight, norm) = (self.weights.last()?, self.norms.last()?);
        let variance = self.residual_sd * self.residual_sd;
        if variance == 0.0 {
            return Some(if *weight == 0.0 { 1.0 } else { 0.0 });
        }
        f_tail(weight * weight * norm / variance, 1.0, self.df)
    }

    /// The fitted value at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.basis_at(x).iter().zip(&self.weights).map(|(p, weight)| p * weight).sum()
    }

    /// Standard uncertainty of the fitted value at `x`.
    pub fn sd_at(&self, x: f64) -> f64 {
        let sum: f64 = self.basis_at(x).iter().zip(&self.norms).map(|(p, norm)| p * p / norm).sum();
        self.residual_sd * sum.sqrt()
    }

    /// Covariance of two coefficients (of the powers of x).
    pub fn covariance(&self, a: usize, b: usize) -> f64 {
        let of = |k: usize, power: usize| self.powers[k].get(power).copied().unwrap_or(0.0);
        let sum: f64 = (0..self.powers.len()).map(|k| of(k, a) * of(k, b) / self.norms[k]).sum();
        self.residual_sd * self.residual_sd * sum
    }

    /// Standard error of a coefficient.
    pub fn standard_error(&self, power: usize) -> f64 {
        self.covariance(power, power).sqrt()
    }

    fn basis_at(&self, x: f64) -> Vec<f64> {
        let t = (x - self.centre) / self.scale;
        let mut values = vec![1.0];
        for (k, (alpha, beta)) in self.recurrence.iter().enumerate() {
            let before = if k > 0 { values[k - 1] } else { 0.0 };
            values.push((t - alpha) * values[k] - beta * before);
        }
        values
    }
}

/// How many different values there are.
pub fn different(x: &[f64]) -> usize {
    let mut sorted = x.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.dedup();
    sorted.len()
}

/// Sum of the products, weighted, with the rounding error of every addition carried along.
fn dot(a: &[f64], b: &[f64], weight: &[f64]) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0_f64);
    for ((a, b), weight) in a.iter().zip(b).zip(weight) {
        let value = a * b * weight;
        let next = sum + value;
        lost += if sum.abs() >= value.abs() { (sum - next) + value } else { (value - next) + sum };
        sum = next;
    }
    sum + lost
}

/// Polynomials that are orthogonal on the points.
struct Basis {
    recurrence: Vec<(f64, f64)>,
    norms: Vec<f64>,
    values: Vec<Vec<f64>>,
}

impl Basis {
    fn on(t: &[f64], weight: &[f64], degree: usize) -> Option<Basis> {
        let mut values = vec![vec![1.0; t.len()]];
        let mut norms = vec![dot(&values[0], &values[0], weight)];
        let mut recurrence = Vec::new();
        for k in 0..degree {
            let shifted: Vec<f64> = t.iter().zip(&values[k]).map(|(t, p)| t * p).collect();
            let alpha = dot(&shifted, &values[k], weight) / norms[k];
            let beta = if k > 0 { norms[k] / norms[k - 1] } else { 0.0 };
            let before = |i: usize| if k > 0 { values[k - 1][i] } else { 0.0 };
            let next: Vec<f64> =
                (0..t.len()).map(|i| (t[i] - alpha) * values[k][i] - beta * before(i)).collect();
            let norm = dot(&next, &next, weight);
            if norm.is_nan() || norm <= 0.0 {
                return None;
            }
            recurrence.push((alpha, beta));
            norms.push(norm);
            values.push(next);
        }
        Some(Basis { recurrence, norms, values })
    }

    /// Each polynomial as powers of x, where t = (x − centre) / scale.
    fn powers(&self, centre: f64, scale: f64) -> Vec<Vec<f64>> {
        let mut powers: Vec<Vec<f64>> = vec![vec![1.0]];
        for (k, (alpha, beta)) in self.recurrence.iter().enumerate() {
            // (t − α) p = x p / scale − (centre / scale + α) p.
            let mut next = vec![0.0; k + 2];
            for (power, value) in powers[k].iter().enumerate() {
                next[power + 1] += value / scale;
                next[power] -= (centre / scale + alpha) * value;
            }
            if k > 0 {
                powers[k - 1].iter().enumerate().for_each(|(power, value)| next[power] -= beta * value);
            }
            powers.push(next);
        }
        powers
    }
}

fn combined(powers: &[Vec<f64>], weights: &[f64]) -> Vec<f64> {
    (0..weights.len())
        .map(|power| {
            let terms = powers.iter().zip(weights).filter_map(|(p, weight)| Some(p.get(power)? * weight));
            terms.sum()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: NIST/ITL StRD, linear regression, Norris and Pontius (the calibration of load cells).
    const NORRIS: &str = include_str!("../../../fixtures/nist/norris.csv");
    const PONTIUS: &str = include_str!("../../../fixtures/nist/pontius.csv");

    /// Columns x and y of a set that is given as `y,x`.
    pub fn columns(text: &str) -> (Vec<f64>, Vec<f64>) {
        let rows = text.lines().skip(1).filter(|line| !line.trim().is_empty()).map(|line| {
            let (y, x) = line.split_once(',').unwrap();
            (x.trim().parse::<f64>().unwrap(), y.trim().parse::<f64>().unwrap())
        });
        rows.unzip()
    }

    fn digits(value: f64, certified: f64) -> f64 {
        let error = ((value - certified) / certified).abs();
        if error == 0.0 { 15.0 } else { (-libm::log10(error)).min(15.0) }
    }

    #[test]
    fn norris_is_met_to_the_digits_of_doubles() {
        let (x, y) = columns(NORRIS);
        let fit = Fit::of_degree(1, &x, &y).unwrap();
        let met = [
            digits(fit.coefficients[0], -0.262323073774029),
            digits(fit.standard_error(0), 0.232818234301152),
            digits(fit.coefficients[1], 1.00211681802045),
            digits(fit.standard_error(1), 0.429796848199937e-3),
            digits(fit.residual_sd, 0.884796396144373),
            digits(fit.r_squared, 0.999993745883712),
        ];
        println!("Norris, correct digits: {met:.2?}");
        assert!(met.iter().all(|digits| *digits > 12.5), "{met:?}");
    }

    #[test]
    fn pontius_is_met_to_the_digits_of_doubles() {
        let (x, y) = columns(PONTIUS);
        assert_eq!(x.len(), 40);
        let fit = Fit::of_degree(2, &x, &y).unwrap();
        let met = [
            digits(fit.coefficients[0], 0.673565789473684e-3),
            digits(fit.standard_error(0), 0.107938612033077e-3),
            digits(fit.coefficients[1], 0.732059160401003e-6),
            digits(fit.standard_error(1), 0.157817399981659e-9),
            digits(fit.coefficients[2], -0.316081871345029e-14),
            digits(fit.standard_error(2), 0.486652849992036e-16),
            digits(fit.residual_sd, 0.205177424076185e-3),
        ];
        println!("Pontius, correct digits: {met:.2?}");
        // The constant is a difference of numbers 3000 times as large, and the residuals are 1e-4 of the values: the
        // decimals read into doubles leave no more than about 12 digits.
        assert!(met.iter().all(|digits| *digits > 11.0), "{met:?}");
        assert!((fit.r_squared - 0.999_999_900_178_537).abs() < 1e-13, "from memory: certified R²");
    }

    #[test]
    fn the_criterion_takes_the_quadratic_for_the_load_cells_and_no_more_for_a_line() {
        let (x, y) = columns(PONTIUS);
        assert_eq!(Fit::chosen(1..=3, 0.01, &x, &y, &[1.0; 40]).unwrap().degree(), 2);
        let (x, y) = columns(NORRIS);
        assert_eq!(Fit::chosen(1..=3, 0.01, &x, &y, &[1.0; 36]).unwrap().degree(), 1);
    }

    /// Published: GUM (JCGM 100:2008) H.3: correction of a thermometer over its reading, t₀ = 20 °C.
    #[test]
    fn the_thermometer_of_the_gum() {
        let text = include_str!("../../../fixtures/metrology/gum_h3.csv");
        let (x, y): (Vec<f64>, Vec<f64>) = text
            .lines()
            .skip(1)
            .map(|line| {
                let cells: Vec<f64> = line.split(',').map(|cell| cell.trim().parse().unwrap()).collect();
                (cells[1] - 20.0, cells[2])
            })
            .unzip();
        let fit = Fit::of_degree(1, &x, &y).unwrap();
        let rounded = |value: f64, digits: f64| (value * digits).round() / digits;
        assert_eq!(rounded(fit.coefficients[0], 1e4), -0.1712);
        assert_eq!(rounded(fit.standard_error(0), 1e4), 0.0029);
        assert_eq!(rounded(fit.coefficients[1], 1e5), 0.00218);
        assert_eq!(rounded(fit.standard_error(1), 1e5), 0.00067);
        let correlation = fit.covariance(0, 1) / fit.standard_error(0) / fit.standard_error(1);
        assert_eq!(rounded(correlation, 1e3), -0.930);
        assert_eq!(rounded(fit.residual_sd, 1e4), 0.0035);
        assert_eq!(fit.df, 9.0);
        assert_eq!(rounded(fit.at(10.0), 1e4), -0.1494);
        assert_eq!(rounded(fit.sd_at(10.0), 1e4), 0.0041);
    }

    #[test]
    fn what_cannot_be_fitted_is_not() {
        assert_eq!(Fit::of_degree(1, &[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
        assert_eq!(Fit::of_degree(1, &[1.0, 2.0], &[1.0, 2.0]), None);
        assert_eq!(Fit::of_degree(1, &[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0]), None);
        assert_eq!(Fit::of_degree(6, &[0.0; 20], &[0.0; 20]), None);
    }
}
