//! Quantiles of the distributions that intervals need.
//!
//! Comes in: a probability and degrees of freedom. Goes out: the quantile, or `None` outside the range in which the
//! library used was checked.
use statrs::distribution::{ChiSquared, ContinuousCDF};

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
}
