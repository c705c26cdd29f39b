//! Agreement of two occasions or raters: Bland–Altman limits, and the coefficient of variation within subjects.
//!
//! Comes in: paired values in one unit, or a table of values, a row a subject. Goes out: bias and limits in that unit, or,
//! where the differences grow with the mean, as ratios; the CV in %.
//!
//! Bland & Altman 1986 (Lancet 327:307–310): limits bias ± 1.96 SD of the differences, standard error of a limit
//! √(3 SD²/n); 1999 (Stat. Methods Med. Res. 8:135–160): differences and their absolute residuals regressed on the mean,
//! logarithms where they grow with it. Whether they do is two tests for every pair of occasions; a table's pairs share one
//! chance of [`GROWS_P`] (Bonferroni): without that, growth would be found in every tenth table of two occasions that has
//! none. Ratios are given only where their own differences do not depend on the mean.
//!
//! ```
//! use analysis::statistics::agreement::BlandAltman;
//!
//! let (first, retest) = ([21.0, 25.5, 18.2, 30.1], [22.0, 24.9, 19.0, 31.3]); // newtons
//! let limits = BlandAltman::of(&first, &retest).ok_or("fewer than three pairs")?.limits;
//! assert_eq!(format!("{:.2} N, {:.2} to {:.2} N", limits.bias.value, limits.lower.value, limits.upper.value),
//!     "0.60 N, -1.00 to 2.20 N");
//! # Ok::<(), &str>(())
//! ```
use super::anova::OneWay;
use super::line::Line;
use super::moments::{Moments, beyond_rounding};
use super::quantiles::{chi_squared, normal, student_t};
use super::sem::Estimate;
use serde::{Deserialize, Serialize};

/// p below which differences are said to grow with the mean, of all tests of a table together.
pub const GROWS_P: f64 = 0.05;

/// Bias and limits of agreement.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// Pairs.
    pub n: usize,
    /// Mean difference, later minus earlier, with its 95 % interval.
    pub bias: Estimate,
    /// Standard deviation of the differences (n − 1).
    pub sd: f64,
    /// Lower limit of agreement with its 95 % interval.
    pub lower: Estimate,
    /// Upper limit of agreement with its 95 % interval.
    pub upper: Estimate,
}

/// The whole comparison of two occasions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlandAltman {
    /// Limits of the differences, in the values' unit.
    pub limits: Limits,
    /// Differences regressed on the means: does the bias grow?
    pub bias_on_mean: Option<Line>,
    /// Absolute residuals regressed on the means: does the scatter grow?
    pub scatter_on_mean: Option<Line>,
    /// One of the two grows (p < [`GROWS_P`] divided by the tests of the table's pairs).
    pub grows: bool,
    /// Limits as ratios later / earlier, from logarithms; given where differences grow, every value is above zero, and the
    /// logarithms' differences do not depend on the mean.
    pub ratio: Option<Limits>,
}

impl BlandAltman {
    /// Compares paired values; `None` with fewer than three pairs or a value that is not finite.
    pub fn of(earlier: &[f64], later: &[f64]) -> Option<BlandAltman> {
        BlandAltman::among(earlier, later, 1)
    }

    /// The same as one of so many pairs of occasions, which share the chance of finding growth without any.
    pub fn among(earlier: &[f64], later: &[f64], pairs: usize) -> Option<BlandAltman> {
        let differences = differences(earlier, later);
        let (bias_on_mean, scatter_on_mean) = growth(earlier, later, &differences);
        let grows = found(bias_on_mean, scatter_on_mean, pairs);
        let ratio = if grows && !logs_grow(earlier, later, pairs) { ratio(earlier, later) } else { None };
        Some(BlandAltman { limits: limits(&differences)?, bias_on_mean, scatter_on_mean, grows, ratio })
    }
}

/// Later minus earlier, without what rounding alone makes.
fn differences(earlier: &[f64], later: &[f64]) -> Vec<f64> {
    let greatest = earlier.iter().chain(later).fold(0.0_f64, |most, value| most.max(value.abs()));
    beyond_rounding(earlier.iter().zip(later).map(|(a, b)| b - a).collect(), greatest)
}

/// The differences, and their absolute residuals, regressed on the means.
fn growth(earlier: &[f64], later: &[f64], differences: &[f64]) -> (Option<Line>, Option<Line>) {
    let means: Vec<f64> = earlier.iter().zip(later).map(|(a, b)| 0.5 * (a + b)).collect();
    let bias = Line::through(&means, differences);
    let residuals: Option<Vec<f64>> = bias.map(|line| {
        means.iter().zip(differences).map(|(m, d)| (d - line.intercept - line.slope * m).abs()).collect()
    });
    (bias, residuals.and_then(|residuals| Line::through(&means, &residuals)))
}

/// Either slope is more than chance, among the two of each of so many pairs.
fn found(bias: Option<Line>, scatter: Option<Line>, pairs: usize) -> bool {
    let level = GROWS_P / (2 * pairs.max(1)) as f64;
    [bias, scatter].iter().any(|line| line.is_some_and(|line| line.p.is_some_and(|p| p < level)))
}

/// Whether ratios do not hold for all values either: one is not above zero, or the logarithms' differences depend on the
/// mean as well.
pub fn logs_grow(earlier: &[f64], later: &[f64], pairs: usize) -> bool {
    if !earlier.iter().chain(later).all(|value| *value > 0.0) {
        return true;
    }
    let [earlier, later] =
        [earlier, later].map(|values| values.iter().map(|value| libm::log(*value)).collect::<Vec<f64>>());
    let (bias, scatter) = growth(&earlier, &later, &differences(&earlier, &later));
    found(bias, scatter, pairs)
}

/// Bias and limits of differences; `None` with fewer than three. Differences that are all the same have no intervals.
pub fn limits(differences: &[f64]) -> Option<Limits> {
    let moments = Moments::of(differences).filter(|moments| moments.n > 2)?;
    let (n, sd) = (moments.n as f64, moments.sd?);
    let (t, z) = (student_t(0.975, n - 1.0)?, normal(0.975)?);
    let around = |value: f64, se: f64| {
        let end = |margin: f64| (sd > 0.0).then_some(value + margin);
        Estimate { value, low: end(-t * se), high: end(t * se) }
    };
    let limit_se = sd * (3.0 / n).sqrt();
    Some(Limits {
        n: moments.n,
        bias: around(moments.mean, sd / n.sqrt()),
        sd,
        lower: around(moments.mean - z * sd, limit_se),
        upper: around(moments.mean + z * sd, limit_se),
    })
}

fn ratio(earlier: &[f64], later: &[f64]) -> Option<Limits> {
    let logs: Vec<f64> = earlier.iter().zip(later).map(|(a, b)| libm::log(b / a)).collect();
    let of = limits(&logs)?;
    let back = |e: Estimate| Estimate {
        value: libm::exp(e.value),
        low: e.low.map(libm::exp),
        high: e.high.map(libm::exp),
    };
    Some(Limits { bias: back(of.bias), lower: back(of.lower), upper: back(of.upper), ..of })
}

/// Coefficient of variation within subjects, %, with its 95 % interval: √(exp(s²) − 1), with s² the variance within
/// subjects of the logarithms (Quan & Shih 1996, Biometrics 52:1195–1203); subjects may have different numbers of values.
/// `None` where a value is not above zero, or no subject has two.
pub fn cv_within_percent(rows: &[Vec<f64>]) -> Option<Estimate> {
    if !rows.iter().flatten().all(|value| *value > 0.0) {
        return None;
    }
    let logs: Vec<Vec<f64>> =
        rows.iter().map(|row| row.iter().map(|value| libm::log(*value)).collect()).collect();
    let of = OneWay::of(&logs).ok()?;
    let df = of.df_within();
    let percent = |variance: f64| 100.0 * libm::expm1(variance).sqrt();
    let end = |p: f64| {
        let quantile = chi_squared(p, df).filter(|_| of.ms_within > 0.0)?;
        Some(percent(of.ms_within * df / quantile))
    };
    Some(Estimate { value: percent(of.ms_within), low: end(0.975), high: end(0.025) })
}

#[cfg(test)]
mod tests {
    use super::super::anova::tests::table;
    use super::*;

    fn peak_flow() -> (Vec<f64>, Vec<f64>) {
        let rows = table(include_str!("../../../fixtures/reliability/bland_altman_1986.csv"));
        // First reading by each meter; the paper takes large minus mini.
        rows.iter().map(|row| (row[2], row[0])).unzip()
    }

    #[test]
    fn the_published_peak_flow_limits_are_met() {
        let (mini, large) = peak_flow();
        let of = BlandAltman::of(&mini, &large).unwrap();
        let close = |value: f64, published: f64, within: f64| {
            assert!((value - published).abs() <= within, "{value} {published}");
        };
        // Published: Bland & Altman 1986, Lancet 327:307-310: bias -2.1, SD 38.8, SE of the bias 9.4 with interval -22.0 to 17.8
        // (the last two recalled from memory and recomputed). The paper's limits -79.7 and 75.5 are -2.1 ∓ 2 · 38.8;
        // unrounded with 1.96 they are -78.097 and 73.862 (computed).
        close(of.limits.bias.value, -2.1, 0.05);
        close(of.limits.sd, 38.8, 0.05);
        close(of.limits.bias.low.unwrap(), -22.0, 0.1);
        close(of.limits.bias.high.unwrap(), 17.8, 0.1);
        close(of.limits.lower.value, -78.097, 5e-3);
        close(of.limits.upper.value, 73.862, 5e-3);
        close(of.limits.bias.value - 2.0 * of.limits.sd, -79.7, 0.1);
        close(of.limits.bias.value + 2.0 * of.limits.sd, 75.5, 0.1);
        // Published there as well (recalled from memory and recomputed): the limits' standard error
        // √(3 · 38.8²/17) = 16.3, intervals -114.3 to -45.1 and 40.9 to 110.1. They are the limits of 2 SD ∓ 2.12 · 16.3 from
        // rounded figures; unrounded they lie up to 0.2 off (-114.17 to -45.13, 40.89 to 109.93).
        let half = of.limits.upper.high.unwrap() - of.limits.upper.value;
        close(half / 2.12, 16.3, 0.05);
        for (ours, published) in [(-2.0, [-114.3, -45.1]), (2.0, [40.9, 110.1])] {
            let limit = of.limits.bias.value + ours * of.limits.sd;
            close(limit - half, published[0], 0.2);
            close(limit + half, published[1], 0.2);
        }
        // What is given here: 1.96 SD and t unrounded (computed from the same data apart from this program).
        let ends = |of: Estimate| (of.low.unwrap(), of.high.unwrap());
        for (ours, computed) in
            [(ends(of.limits.lower), (-112.619, -43.576)), (ends(of.limits.upper), (39.340, 108.384))]
        {
            close(ours.0, computed.0, 2e-3);
            close(ours.1, computed.1, 2e-3);
        }
        assert!(!of.grows && of.ratio.is_none(), "{of:?}");
    }

    #[test]
    fn differences_that_grow_with_the_mean_are_given_as_ratios() {
        let earlier: Vec<f64> = (1..=20).map(|i| 5.0 * f64::from(i)).collect();
        // Alternately 8 % more and 8 % less: the scatter grows, and with it nothing else.
        let later: Vec<f64> =
            (1..).zip(&earlier).map(|(i, x)| x * if i % 2 == 0 { 1.08 } else { 1.0 / 1.08 }).collect();
        let of = BlandAltman::of(&earlier, &later).unwrap();
        let ratio = of.ratio.unwrap();
        assert!(of.grows && (ratio.bias.value - 1.0).abs() < 1e-12);
        // By hand: the logarithms are ± ln 1.08, so their SD is ln 1.08 · √(20/19).
        let limit = libm::exp(1.959_963_984_540_054 * libm::log(1.08) * (20.0_f64 / 19.0).sqrt());
        assert!((ratio.upper.value - limit).abs() < 1e-9, "{} {limit}", ratio.upper.value);
        let negative: Vec<f64> = earlier.iter().map(|x| x - 30.0).collect();
        assert_eq!(BlandAltman::of(&negative, &later).and_then(|of| of.ratio), None);
    }

    #[test]
    fn the_cv_within_is_that_of_the_simulated_scatter() {
        // By hand: pairs at x and x·e^0.1 have a variance of logarithms of 0.005.
        let rows: Vec<Vec<f64>> =
            (1..=9).map(|i| vec![f64::from(i), f64::from(i) * libm::exp(0.1)]).collect();
        let cv = cv_within_percent(&rows).unwrap();
        assert!((cv.value - 100.0 * (libm::exp(0.005) - 1.0).sqrt()).abs() < 1e-9);
        assert!(cv.low.unwrap() < cv.value && cv.high.unwrap() > cv.value);
        assert_eq!(cv_within_percent(&[vec![0.0, 1.0], vec![1.0, 1.0]]), None);
    }

    #[test]
    fn repeats_without_any_error_have_no_interval() {
        let once = [20.1, 31.7, 8.9];
        let same = BlandAltman::of(&once, &once).unwrap().limits;
        for of in [same.bias, same.lower, same.upper] {
            assert_eq!(of, Estimate { value: 0.0, low: None, high: None });
        }
        let shifted = BlandAltman::of(&once, &once.map(|value| value + 0.6)).unwrap();
        assert_eq!((shifted.limits.bias.low, shifted.limits.sd, shifted.grows), (None, 0.0, false));
        assert_eq!(
            shifted.bias_on_mean.map(|line| line.p),
            Some(None),
            "what rounding leaves grows with nothing"
        );
        let cv = cv_within_percent(&once.map(|value| vec![value; 2])).unwrap();
        assert_eq!(cv, Estimate { value: 0.0, low: None, high: None });
    }

    #[test]
    fn two_pairs_say_nothing() {
        assert_eq!(BlandAltman::of(&[1.0, 2.0], &[1.0, 3.0]), None);
    }
}
