//! Quantiles and tails of the distributions that intervals and tests need.
//!
//! Comes in: a probability, or a value of the statistic, and degrees of freedom. Goes out: the quantile or the tail's
//! probability, or `None` outside the range in which they were checked.
//!
//! The library's incomplete beta function is right far out, its quantiles are not; so those of F, t and the normal
//! distribution are found here by halving an interval of the logarithm until the tail is met.
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use statrs::function::beta::checked_beta_reg;

/// Probabilities for which the library's quantiles were checked; in the far tails they are wrong by large factors.
pub const TRUSTED: std::ops::RangeInclusive<f64> = 0.001..=0.999;

/// The `p` quantile of the chi-squared distribution; `None` outside [`TRUSTED`] or without a positive, finite number of
/// degrees of freedom.
pub fn chi_squared(p: f64, degrees_of_freedom: f64) -> Option<f64> {
    if !TRUSTED.contains(&p) {
        return None;
    }
    let distribution = ChiSquared::new(degrees_of_freedom).ok()?;
    Some(distribution.inverse_cdf(p)).filter(|quantile| quantile.is_finite())
}

/// Smallest tail for which the solved quantiles were checked; family-wise limits need tails below [`TRUSTED`].
pub const SMALLEST_TAIL: f64 = 1e-6;

/// The `p` quantile of the F distribution; `None` with a tail below [`SMALLEST_TAIL`] or without positive, finite degrees
/// of freedom.
pub fn f(p: f64, numerator: f64, denominator: f64) -> Option<f64> {
    f_tail(1.0, numerator, denominator)?;
    solved(
        p,
        |x| beta(numerator, denominator, numerator * x, denominator),
        |x| beta(denominator, numerator, denominator, numerator * x),
    )
}

/// The `p` quantile of Student's t distribution; `None` as for [`f()`].
pub fn student_t(p: f64, degrees_of_freedom: f64) -> Option<f64> {
    let upper = |x: f64| t_both_tails(x, degrees_of_freedom).map(|tails| 0.5 * tails);
    upper(1.0)?;
    symmetric(p, upper)
}

/// The `p` quantile of the standard normal distribution; `None` with a tail below [`SMALLEST_TAIL`].
pub fn normal(p: f64) -> Option<f64> {
    symmetric(p, |x| Some(Normal::standard().sf(x)))
}

/// Probability that an F statistic is at least `value`; `None` without positive, finite degrees of freedom.
pub fn f_tail(value: f64, numerator: f64, denominator: f64) -> Option<f64> {
    let given = (numerator * denominator).is_finite() && !value.is_nan();
    match value {
        _ if !given => None,
        f64::INFINITY => Some(0.0),
        _ => beta(denominator, numerator, denominator, numerator * value.max(0.0)),
    }
}

/// Probability that a t statistic is at least as far from zero as `value`, on either side; `None` as for [`f_tail`].
pub fn t_both_tails(value: f64, degrees_of_freedom: f64) -> Option<f64> {
    f_tail(value * value, 1.0, degrees_of_freedom)
}

/// The incomplete beta function with parameters a/2 and b/2 at here / (here + there). Taken as a ratio, because 1 − x
/// would lose the digits of a small one.
fn beta(a: f64, b: f64, here: f64, there: f64) -> Option<f64> {
    checked_beta_reg(a / 2.0, b / 2.0, here / (here + there)).ok()
}

/// A quantile of a distribution that is symmetric about zero, from its upper tail.
fn symmetric(p: f64, upper: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    if p == 0.5 {
        return Some(0.0);
    }
    let quantile = solved(p.max(1.0 - p), |_| None, upper)?;
    Some(if p < 0.5 { -quantile } else { quantile })
}

/// The positive quantile, from whichever tail is the smaller.
fn solved(p: f64, lower: impl Fn(f64) -> Option<f64>, upper: impl Fn(f64) -> Option<f64>) -> Option<f64> {
    let tail = p.min(1.0 - p);
    // (A comparison with NaN is false.)
    if !(SMALLEST_TAIL..=0.5).contains(&tail) {
        return None;
    }
    let below = |x: f64| Some(if p < 0.5 { lower(x)? < tail } else { upper(x)? > tail });
    let (mut low, mut high) = (-200.0_f64, 200.0_f64);
    while high - low > 1e-15 * f64::max(1.0, high.abs()) {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if below(libm::exp(middle))? { low = middle } else { high = middle }
    }
    // At an end of the range searched the quantile lies outside it.
    (low > -199.0 && high < 199.0).then(|| libm::exp(0.5 * (low + high)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed, not published: SciPy 1.17.1.
    const FIXTURE: &str = include_str!("../../../fixtures/statistics/chi_squared_quantiles.csv");

    #[test]
    fn chi_squared_agrees_with_scipy() {
        let mut checked = 0;
        for line in FIXTURE.lines().skip(1) {
            let cells: Vec<f64> = line.split(',').map(|cell| cell.parse().unwrap()).collect();
            let quantile = chi_squared(cells[0], cells[1]).unwrap();
            assert!((quantile / cells[2] - 1.0).abs() < 1e-9, "{line}: {quantile}");
            checked += 1;
        }
        assert_eq!(checked, 90);
    }

    #[test]
    fn what_was_not_checked_is_refused() {
        for (p, degrees_of_freedom) in
            [(1e-6, 1.0), (0.9999, 2.0), (f64::NAN, 2.0), (0.5, 0.0), (0.5, f64::NAN)]
        {
            assert_eq!(chi_squared(p, degrees_of_freedom), None, "{p} {degrees_of_freedom}");
        }
    }

    /// Computed, not published: SciPy (`scipy.stats`), distribution, p, degrees of freedom, quantile.
    const OTHERS: &str = include_str!("../../../fixtures/statistics/quantiles.csv");

    #[test]
    fn f_t_and_normal_agree_with_scipy_far_into_the_tails() {
        let mut checked = 0;
        for line in OTHERS.lines().skip(1) {
            let cells: Vec<&str> = line.split(',').collect();
            let numbers: Vec<f64> = cells[1..].iter().map(|cell| cell.parse().unwrap()).collect();
            let (p, expected) = (numbers[0], numbers[3]);
            let quantile = match cells[0] {
                "f" => f(p, numbers[1], numbers[2]),
                "t" => student_t(p, numbers[1]),
                _ => normal(p),
            };
            let quantile = quantile.unwrap_or_else(|| panic!("{line}"));
            assert!((quantile - expected).abs() <= 1e-9 * expected.abs(), "{line}: {quantile}");
            checked += 1;
        }
        assert!(checked > 300, "{checked}");
    }

    #[test]
    fn tails_are_those_of_their_quantiles() {
        for p in [1e-5, 0.025, 0.5, 0.95, 0.999_99] {
            let there = f_tail(f(p, 3.0, 7.5).unwrap(), 3.0, 7.5).unwrap();
            assert!((there - (1.0 - p)).abs() < 1e-12, "{p} {there}");
        }
        assert!((t_both_tails(student_t(0.975, 4.0).unwrap(), 4.0).unwrap() - 0.05).abs() < 1e-13);
        assert_eq!(f_tail(f64::NAN, 1.0, 1.0), None);
        assert_eq!((f(1e-9, 1.0, 1.0), normal(1.0), student_t(0.9, 0.0)), (None, None, None));
    }
}
