//! A sensor's curve: what it indicates at a force, and back.
//!
//! Comes in: a force (N) or an indication above the reading without load (the sensor's unit). Goes out: the other one.

use serde::{Deserialize, Serialize};

/// Steps of Newton's method that are tried; a curve that is nearly straight needs three.
const STEPS: usize = 30;

/// Indication = Σ coefficient · forceⁱ, the constant first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Coefficients; the constant is the indication without load.
    pub coefficients: Vec<f64>,
    /// Smallest force that was calibrated, N (by size).
    pub low_n: f64,
    /// Greatest force that was calibrated, N (by size; negative on the negative side).
    pub high_n: f64,
}

impl Curve {
    /// Whether it can be read backwards: it has a slope of one sign from no load to a fifth beyond the greatest.
    pub fn is_usable(&self) -> bool {
        let finite = self.coefficients.iter().all(|c| c.is_finite()) && self.high_n.is_finite();
        let slopes: Vec<f64> = (0..=60).map(|i| self.slope(self.high_n * f64::from(i) / 50.0)).collect();
        let one_sign = slopes.iter().all(|s| *s > 0.0) || slopes.iter().all(|s| *s < 0.0);
        finite && self.coefficients.len() >= 2 && self.high_n != 0.0 && one_sign
    }

    /// Indication at a force.
    pub fn indication(&self, force_n: f64) -> f64 {
        self.coefficients.iter().rev().fold(0.0, |sum, coefficient| sum * force_n + coefficient)
    }

    /// Change of the indication per newton at a force.
    pub fn slope(&self, force_n: f64) -> f64 {
        let powers = self.coefficients.iter().enumerate().skip(1).rev();
        powers.fold(0.0, |sum, (power, coefficient)| sum * force_n + power as f64 * coefficient)
    }

    /// Force at an indication: classical calibration, the curve read backwards by Newton's method.
    pub fn force_n(&self, indication: f64) -> f64 {
        let constant = self.coefficients.first().copied().unwrap_or(0.0);
        let linear = self.coefficients.get(1).copied().unwrap_or(f64::NAN);
        let mut force_n = (indication - constant) / linear;
        if self.coefficients.len() <= 2 {
            return force_n;
        }
        // Beyond half as much again a polynomial may turn back: it goes on as a straight line there.
        let end_n = 1.5 * self.high_n;
        let at_end = self.indication(end_n);
        if (at_end - constant) * (indication - at_end) > 0.0 {
            return end_n + (indication - at_end) / self.slope(end_n);
        }
        for _ in 0..STEPS {
            let step = (self.indication(force_n) - indication) / self.slope(force_n);
            force_n -= step;
            if step.is_nan() || step.abs() <= 1e-14 * force_n.abs() {
                break;
            }
        }
        force_n
    }
}

/// The curves of both directions of force, ready for use: indications are above the reading without load.
#[derive(Debug, Clone, PartialEq)]
pub struct Curves {
    positive: Option<Curve>,
    negative: Option<Curve>,
    /// Indications above zero are forces above zero.
    rises: bool,
}

impl Curves {
    /// From the curves that were calibrated; `None` where there is none.
    pub fn new(positive: Option<Curve>, negative: Option<Curve>) -> Option<Curves> {
        let rises = positive.as_ref().or(negative.as_ref())?.slope(0.0) > 0.0;
        Some(Curves { positive, negative, rises })
    }

    /// Force, N. In a direction that was not calibrated the other one's slope at zero goes on.
    pub fn force_n(&self, above_zero: f64) -> f64 {
        let is_positive = (above_zero > 0.0) == self.rises;
        let (own, other) =
            if is_positive { (&self.positive, &self.negative) } else { (&self.negative, &self.positive) };
        match (own, other) {
            (Some(curve), _) => {
                curve.force_n(above_zero + curve.coefficients.first().copied().unwrap_or(0.0))
            }
            (None, Some(curve)) => above_zero / curve.slope(0.0),
            (None, None) => f64::NAN,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_load_cell_of_the_handbook_reads_back() {
        // Published: NIST StRD Pontius (coefficients) and NIST/SEMATECH e-Handbook 4.6.1.10 (1.239722 reads 1705106).
        let curve = Curve {
            coefficients: vec![0.673565789473684e-3, 0.732059160401003e-6, -0.316081871345029e-14],
            low_n: 150_000.0,
            high_n: 3_000_000.0,
        };
        assert_eq!(curve.force_n(1.239722).round(), 1_705_106.0);
        assert!(curve.is_usable());
    }

    proptest! {
        #[test]
        fn forth_and_back_is_where_one_was(bow in -0.15..0.15_f64, share in -0.3..1.4_f64) {
            let curve = Curve { coefficients: vec![120.0, 40_000.0, bow * 200.0, bow * 0.3], low_n: 1.0, high_n: 200.0 };
            let force_n = share * 200.0;
            let back = curve.force_n(curve.indication(force_n));
            prop_assert!((back - force_n).abs() < 1e-9, "{back} {force_n}");
        }
    }

    #[test]
    fn a_curve_that_turns_back_is_not_usable() {
        let bent = Curve { coefficients: vec![0.0, 1.0, -0.01], low_n: 1.0, high_n: 100.0 };
        assert!(!bent.is_usable());
        let none = Curve { coefficients: vec![], low_n: 0.0, high_n: 1.0 };
        assert!(!none.is_usable() && none.force_n(1.0).is_nan());
    }

    #[test]
    fn each_direction_has_its_curve_and_zero_comes_from_the_tare() {
        let curve = |constant: f64, slope: f64, high_n: f64| Curve {
            coefficients: vec![constant, slope],
            low_n: 0.1 * high_n,
            high_n,
        };
        let both = Curves::new(Some(curve(7.0, -10.0, 50.0)), Some(curve(0.0, -20.0, -50.0))).unwrap();
        assert_eq!((both.force_n(-100.0), both.force_n(100.0), both.force_n(0.0)), (10.0, -5.0, 0.0));
        let one = Curves::new(Some(curve(7.0, 10.0, 50.0)), None).unwrap();
        assert_eq!((one.force_n(100.0), one.force_n(-100.0)), (10.0, -10.0));
        assert!(Curves::new(None, None).is_none());
    }
}
