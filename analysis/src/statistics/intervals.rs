//! Confidence intervals.
//!
//! Comes in: an estimate, the number of values behind it, a confidence level. Goes out: the interval in the estimate's
//! unit.
use super::moments::Moments;
use super::quantiles::{chi_squared, student_t};

/// A confidence interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end; `None` where the data set no upper bound.
    pub high: Option<f64>,
}

/// Largest coefficient of variation (a ratio) for which its interval's approximation holds.
pub const CV_LIMIT: f64 = 1.0 / 3.0;

/// Interval of a coefficient of variation (a ratio) of `n` normally distributed values, by the modified McKay method
/// (Vangel 1996, Am. Stat. 50:21–26). `None` with fewer than two values, at or below zero, above [`CV_LIMIT`], or for a
/// level whose quantiles are not trusted.
pub fn coefficient_of_variation(cv: f64, n: usize, level: f64) -> Option<Interval> {
    if n < 2 || !(cv > 0.0 && cv <= CV_LIMIT) {
        return None;
    }
    let tail = (1.0 - level) / 2.0;
    let degrees_of_freedom = n as f64 - 1.0;
    let squared =
        |quantile: f64| ((quantile + 2.0) / n as f64 - 1.0) * cv * cv + quantile / degrees_of_freedom;
    let low = squared(chi_squared(1.0 - tail, degrees_of_freedom)?);
    let high = squared(chi_squared(tail, degrees_of_freedom)?);
    let end = |squared: f64| (squared > 0.0).then(|| cv / squared.sqrt());
    Some(Interval { low: end(low)?, high: end(high) })
}

/// Interval of the difference of two means, `b` minus `a`, whose variances may differ (Welch 1947, Biometrika 34:28–35).
/// `None` with fewer than two values on a side, or without any spread.
pub fn welch(a: &[f64], b: &[f64], level: f64) -> Option<(f64, f64)> {
    let (first, second) = (Moments::of(a)?, Moments::of(b)?);
    let share = |of: &Moments| of.sd.map(|sd| sd * sd / of.n as f64);
    let (u, v) = (share(&first)?, share(&second)?);
    let df = (u + v) * (u + v) / (u * u / (first.n as f64 - 1.0) + v * v / (second.n as f64 - 1.0));
    let margin = student_t(0.5 + level / 2.0, df)? * (u + v).sqrt();
    let difference = second.mean - first.mean;
    Some((difference - margin, difference + margin))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_difference_of_two_means_has_its_interval() {
        // Computed, not published: SciPy's ttest_ind(equal_var=False).confidence_interval().
        let (low, high) = welch(&[20.0, 21.5, 19.0], &[25.0, 24.0, 27.5], 0.95).unwrap();
        assert!(
            (low - 1.6376286140910437).abs() < 1e-9 && (high - 9.02903805257562).abs() < 1e-9,
            "{low} {high}"
        );
        assert_eq!(welch(&[1.0], &[1.0, 2.0], 0.95), None);
        assert_eq!(welch(&[1.0, 1.0], &[2.0, 2.0], 0.95), None);
    }

    #[test]
    fn the_published_example_is_met() {
        // Published: the ten values worked in thread 18576 of the BEBAC bioequivalence forum, after Vangel 1996:
        // CV 0.05263158, modified McKay 0.03617573 to 0.09632067 (seven digits printed).
        let moments = Moments::of(&[3.8, 3.9, 3.9, 3.8, 4.1, 4.0, 3.4, 3.6, 3.8, 3.7]).unwrap();
        let cv = moments.cv().unwrap();
        let interval = coefficient_of_variation(cv, moments.n, 0.95).unwrap();
        assert!((cv - 0.05263158).abs() < 5e-9, "{cv}");
        assert!((interval.low - 0.03617573).abs() < 5e-9, "{interval:?}");
        assert!((interval.high.unwrap() - 0.09632067).abs() < 5e-9, "{interval:?}");
    }

    #[test]
    fn further_examples_recomputed_elsewhere_are_met() {
        // Computed, not published: the same formula in Python with SciPy's quantiles.
        for (cv, n, low, high) in [
            (0.04459102203890677, 5, 0.02670044466064668, 0.12866730800672374),
            (0.1489795918367347, 40, 0.12158370955826171, 0.19256286114842308),
        ] {
            let interval = coefficient_of_variation(cv, n, 0.95).unwrap();
            assert!((interval.low / low - 1.0).abs() < 1e-9, "{interval:?}");
            assert!((interval.high.unwrap() / high - 1.0).abs() < 1e-9, "{interval:?}");
        }
    }

    #[test]
    fn three_trials_that_scatter_much_set_no_upper_bound() {
        let interval = coefficient_of_variation(0.30, 3, 0.95).unwrap();
        assert!(interval.low > 0.15 && interval.high.is_none(), "{interval:?}");
    }

    #[test]
    fn an_interval_outside_the_method_is_refused() {
        for (cv, n, level) in
            [(0.1, 1, 0.95), (0.0, 3, 0.95), (0.34, 3, 0.95), (f64::NAN, 3, 0.95), (0.1, 3, 0.9999)]
        {
            assert_eq!(coefficient_of_variation(cv, n, level), None, "{cv} {n} {level}");
        }
    }
}
