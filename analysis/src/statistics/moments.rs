//! Mean, standard deviation (n − 1) and coefficient of variation of repeated values.
//!
//! Comes in: values in one unit. Goes out: mean and SD in that unit, CV as a ratio (1 = 100 %).
//!
//! Corrected two-pass algorithm (Chan, Golub & LeVeque 1983, Am. Stat. 37:242–247) over compensated sums (Neumaier
//! 1974, ZAMM 54:39–51): the mean is refined by the mean of the residuals, and what rounding leaves in their sum is
//! taken out of the sum of squares. A one-pass variance loses every digit where the mean is large beside the SD.

/// Mean and spread of repeated values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moments {
    /// Number of values.
    pub n: usize,
    /// Arithmetic mean, in the values' unit.
    pub mean: f64,
    /// Standard deviation with n − 1, in the values' unit; `None` for a single value.
    pub sd: Option<f64>,
}

impl Moments {
    /// Mean and spread of `values`; `None` where there are none, or one is not finite.
    pub fn of(values: &[f64]) -> Option<Moments> {
        if values.is_empty() || values.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let n = values.len() as f64;
        let rough = compensated_sum(values.iter().copied()) / n;
        let mean = rough + compensated_sum(values.iter().map(|value| value - rough)) / n;
        let left = compensated_sum(values.iter().map(|value| value - mean));
        let squares = compensated_sum(values.iter().map(|value| (value - mean) * (value - mean)));
        let variance = (squares - left * left / n) / (n - 1.0);
        let sd = (values.len() > 1).then(|| variance.max(0.0).sqrt());
        Some(Moments { n: values.len(), mean, sd })
    }

    /// Coefficient of variation as a ratio: SD over mean. `None` for a single value, and where the mean is not above
    /// zero (a ratio to it would say nothing).
    pub fn cv(&self) -> Option<f64> {
        self.sd.filter(|_| self.mean > 0.0).map(|sd| sd / self.mean)
    }
}

/// How far from each other reading decimals and adding them may put values that are the same, where the numbers that they are
/// made of reach `greatest`.
pub fn rounding(greatest: f64) -> f64 {
    /// Units in the last place: of four numbers that are added or taken off.
    const ROUNDINGS: f64 = 4.0;
    ROUNDINGS * f64::EPSILON * greatest.abs()
}

/// Values that differ by no more than [`rounding()`], made one: their spread would be taken for one that was measured.
pub fn beyond_rounding(values: Vec<f64>, greatest: f64) -> Vec<f64> {
    let first = values.first().copied().unwrap_or_default();
    let are_one = values.iter().all(|value| (value - first).abs() <= rounding(greatest));
    if are_one { vec![first; values.len()] } else { values }
}

/// Sum that carries the rounding error of every addition along.
fn compensated_sum(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut lost) = (0.0_f64, 0.0_f64);
    for value in values {
        let next = sum + value;
        lost += if sum.abs() >= value.abs() { (sum - next) + value } else { (value - next) + sum };
        sum = next;
    }
    sum + lost
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A NIST StRD set: values as published, certified mean and SD, and the digits that must be reached.
    struct Certified {
        name: &'static str,
        text: &'static str,
        n: usize,
        mean: f64,
        sd: f64,
        mean_digits: f64,
        sd_digits: f64,
    }

    macro_rules! certified {
        ($name:literal, $n:literal, $mean:literal, $sd:literal, $mean_digits:literal, $sd_digits:literal) => {
            Certified {
                name: $name,
                text: include_str!(concat!("../../../fixtures/nist/", $name, ".csv")),
                n: $n,
                mean: $mean,
                sd: $sd,
                mean_digits: $mean_digits,
                sd_digits: $sd_digits,
            }
        };
    }

    /// Published: NIST/ITL Statistical Reference Datasets, univariate summary statistics. The digits demanded are what
    /// exact arithmetic on the nearest doubles gives, rounded down to a tenth (computed): 15 certified digits are the
    /// most there is to agree with, and reading the decimals into doubles alone leaves NumAcc3 9.46 and NumAcc4 8.25
    /// digits of the SD, Michelso 13.8, Mavro 13.1.
    const SETS: [Certified; 8] = [
        certified!("numacc1", 3, 10000002.0, 1.0, 15.0, 15.0),
        certified!("numacc2", 1001, 1.2, 0.1, 15.0, 15.0),
        certified!("numacc3", 1001, 1000000.2, 0.1, 15.0, 9.4),
        certified!("numacc4", 1001, 10000000.2, 0.1, 15.0, 8.2),
        certified!("lew", 200, -177.435, 277.332168044316, 15.0, 15.0),
        certified!("michelso", 100, 299.8524, 0.0790105478190518, 15.0, 13.8),
        certified!("mavro", 50, 2.001856, 0.000429123454003053, 15.0, 13.1),
        certified!("lottery", 218, 518.95871559633, 291.699727470969, 15.0, 15.0),
    ];

    /// Correct digits: minus the decimal logarithm of the relative error, 15 where there is none.
    fn correct_digits(value: f64, certified: f64) -> f64 {
        let error = ((value - certified) / certified).abs();
        if error == 0.0 { 15.0 } else { (-libm::log10(error)).min(15.0) }
    }

    #[test]
    fn the_nist_reference_sets_are_met_as_closely_as_doubles_allow() {
        for set in SETS {
            let values: Vec<f64> =
                set.text.lines().skip(1).map(|line| line.trim().parse().unwrap()).collect();
            let moments = Moments::of(&values).unwrap();
            let sd = moments.sd.unwrap();
            let (mean_digits, sd_digits) =
                (correct_digits(moments.mean, set.mean), correct_digits(sd, set.sd));
            println!("{}: mean {mean_digits:.2}, SD {sd_digits:.2} correct digits", set.name);
            assert_eq!(moments.n, set.n, "{}", set.name);
            assert!(
                mean_digits >= set.mean_digits,
                "{}: mean {}, {mean_digits} digits",
                set.name,
                moments.mean
            );
            assert!(sd_digits >= set.sd_digits, "{}: SD {sd}, {sd_digits} digits", set.name);
            assert_eq!(moments.cv().is_some(), set.mean > 0.0, "{}", set.name);
        }
    }

    #[test]
    fn what_cannot_be_said_is_not_said() {
        assert_eq!(Moments::of(&[]), None);
        assert_eq!(Moments::of(&[1.0, f64::NAN]), None);
        let single = Moments::of(&[20.0]).unwrap();
        assert_eq!((single.n, single.mean, single.sd, single.cv()), (1, 20.0, None, None));
        assert_eq!(Moments::of(&[-1.0, 1.0]).unwrap().cv(), None);
    }

    #[test]
    fn only_what_reading_decimals_leaves_is_made_one() {
        let differences: Vec<f64> = [20.1, 31.7, 8.9].map(|value| (value + 0.6) - value).to_vec();
        assert_ne!(Moments::of(&differences).and_then(|of| of.sd), Some(0.0));
        let one = beyond_rounding(differences, 32.0);
        assert_eq!(Moments::of(&one).and_then(|of| of.sd), Some(0.0));
        let measured = vec![0.3, 0.3 + 1e-12, 0.3];
        assert_eq!(beyond_rounding(measured.clone(), 32.0), measured);
        assert_eq!(beyond_rounding(Vec::new(), 1.0), Vec::<f64>::new());
    }

    proptest! {
        #[test]
        fn order_and_a_shift_change_nothing_but_the_mean(
            values in prop::collection::vec(-100.0..100.0_f64, 2..50), shift in -1e6..1e6_f64,
        ) {
            let moments = Moments::of(&values).unwrap();
            let shifted: Vec<f64> = values.iter().rev().map(|value| value + shift).collect();
            let other = Moments::of(&shifted).unwrap();
            prop_assert!((other.mean - shift - moments.mean).abs() < 1e-8);
            prop_assert!((other.sd.unwrap() - moments.sd.unwrap()).abs() < 1e-8);
        }
    }
}
