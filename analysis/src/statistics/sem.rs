//! Standard error of measurement and minimal detectable change.
//!
//! Comes in: mean squares of a complete table. Goes out: SEM and MDC in the values' unit, with intervals.
//!
//! SEM is the square root of a mean square, not SD·√(1 − ICC): the latter depends on which SD and which ICC are taken, the
//! former is unique (Weir 2005, J. Strength Cond. Res. 19:231–240). Two forms are given. *Consistency*: √MS error, the
//! scatter left after a shift common to all subjects is taken off. *Agreement*: √(σ² occasions + MS error), the shift
//! included. MDC = z·√2·SEM: the change that a steady person exceeds by chance in 5 (or 10) of 100 repeats.
//!
//! ```
//! use analysis::statistics::{anova::TwoWay, sem};
//!
//! // Four people, two visits, newtons; everybody pulls harder the second time.
//! let rows = [[21.0, 22.0], [25.5, 26.1], [18.2, 19.0], [30.1, 31.3]].map(|row| row.to_vec());
//! let of = TwoWay::of(&rows)?;
//! let (consistency, agreement) = (sem::consistency(&of), sem::agreement(&of));
//! let shown = |of: Option<sem::Sem>| of.map(|of| format!("SEM {:.2} N, MDC95 {:.2} N", of.sem.value, of.mdc95.value));
//! assert_eq!(shown(consistency).as_deref(), Some("SEM 0.18 N, MDC95 0.51 N"));
//! assert_eq!(shown(agreement).as_deref(), Some("SEM 0.66 N, MDC95 1.82 N"));
//! # Ok::<(), analysis::statistics::anova::Refusal>(())
//! ```
use super::anova::TwoWay;
use super::quantiles::{chi_squared, normal};
use serde::{Deserialize, Serialize};

/// A value with the ends of its interval, in the values' unit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Lower end of its 95 % interval; `None` where there is none.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
}

impl Estimate {
    /// The estimate in another scale.
    pub fn times(self, factor: f64) -> Estimate {
        let scaled = |end: Option<f64>| end.map(|end| factor * end);
        Estimate { value: factor * self.value, low: scaled(self.low), high: scaled(self.high) }
    }
}

/// Standard error of measurement, and the smallest changes that can be told from it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Sem {
    /// The standard error of measurement.
    pub sem: Estimate,
    /// Its (effective) degrees of freedom.
    pub df: f64,
    /// Minimal detectable change at 90 %.
    pub mdc90: Estimate,
    /// Minimal detectable change at 95 %.
    pub mdc95: Estimate,
}

/// Ratio of a detectable change to the SEM: √2·z, for a two-sided chance `alpha` of a false change.
pub fn change_factor(alpha: f64) -> Option<f64> {
    Some(std::f64::consts::SQRT_2 * normal(1.0 - alpha / 2.0)?)
}

/// SEM (consistency): √MS error.
pub fn consistency(of: &TwoWay) -> Option<Sem> {
    built(of.ms_error, of.df_error())
}

/// SEM (agreement): √(σ² occasions + MS error), with σ² occasions = (MS occasions − MS error) / n, at least 0; degrees of
/// freedom after Satterthwaite 1946 (Biometrics Bull. 2:110–114).
pub fn agreement(of: &TwoWay) -> Option<Sem> {
    let n = of.subjects as f64;
    let (occasions, error) = (of.ms_occasions / n, (n - 1.0) * of.ms_error / n);
    if of.ms_occasions <= of.ms_error {
        return consistency(of);
    }
    let variance = occasions + error;
    let df =
        variance * variance / (occasions * occasions / of.df_occasions() + error * error / of.df_error());
    built(variance, df)
}

/// From a variance and its degrees of freedom; the interval is that of a variance (chi-squared). Values without any spread
/// have none: it would say that the error is known to be nothing.
pub fn built(variance: f64, df: f64) -> Option<Sem> {
    if !(variance.is_finite() && variance >= 0.0 && df > 0.0) {
        return None;
    }
    let end = |p: f64| {
        let quantile = chi_squared(p, df).filter(|_| variance > 0.0)?;
        Some((variance * df / quantile).sqrt())
    };
    let sem = Estimate { value: variance.sqrt(), low: end(0.975), high: end(0.025) };
    let mdc = |alpha: f64| change_factor(alpha).map(|factor| sem.times(factor));
    Some(Sem { sem, df, mdc90: mdc(0.10)?, mdc95: mdc(0.05)? })
}

#[cfg(test)]
mod tests {
    use super::super::anova::tests::{SHROUT_FLEISS, table};
    use super::*;

    #[test]
    fn the_published_strength_data_are_met() {
        // Published: Weir 2005, J. Strength Cond. Res. 19:231-240, data set A: SEM 7.6 (printed, √MS error). Computed:
        // 7.557, and MDC95 = SEM·1.96·√2 = 20.947 (20.946 with z unrounded).
        let rows = table(include_str!("../../../fixtures/reliability/weir_2005_a.csv"));
        let sem = consistency(&TwoWay::of(&rows).unwrap()).unwrap();
        assert!((sem.sem.value - 7.6).abs() <= 0.05, "{sem:?}");
        let rounded = 1.96 / 1.959_963_985 * sem.mdc95.value;
        assert!((rounded - 20.947).abs() < 5e-4, "{sem:?}");
        assert!((sem.mdc90.value / sem.mdc95.value - 1.644_853_627 / 1.959_963_985).abs() < 1e-9);
    }

    #[test]
    fn the_interval_is_that_of_a_standard_deviation() {
        // Published: Boost C++ libraries' table of multipliers for a standard deviation: 20 values, 95 %: 0.76049 to
        // 1.46057.
        let sem = built(1.0, 19.0).unwrap().sem;
        assert!((sem.low.unwrap() - 0.76049).abs() < 6e-6 && (sem.high.unwrap() - 1.46057).abs() < 6e-6);
    }

    #[test]
    fn repeats_without_any_error_have_no_interval() {
        let of = TwoWay::of(&[vec![1.0, 1.0], vec![2.0, 2.0], vec![4.0, 4.0]]).unwrap();
        for sem in [consistency(&of).unwrap(), agreement(&of).unwrap()] {
            assert_eq!(sem.sem, Estimate { value: 0.0, low: None, high: None });
            assert_eq!(sem.mdc95, sem.sem);
        }
    }

    #[test]
    fn a_shift_between_occasions_counts_in_agreement_only() {
        let of = TwoWay::of(&table(SHROUT_FLEISS)).unwrap();
        let (consistent, agreeing) = (consistency(&of).unwrap(), agreement(&of).unwrap());
        assert!((agreeing.sem.value - of.ms_within().sqrt()).abs() < 1e-12);
        assert!(agreeing.sem.value > 2.0 * consistent.sem.value && agreeing.df < 18.0);
        let shifted: Vec<Vec<f64>> = table(SHROUT_FLEISS)
            .into_iter()
            .map(|row| (0..).zip(row).map(|(j, value)| value + 10.0 * f64::from(j)).collect())
            .collect();
        let shifted = consistency(&TwoWay::of(&shifted).unwrap()).unwrap();
        assert!((shifted.sem.value - consistent.sem.value).abs() < 1e-12);
    }
}
