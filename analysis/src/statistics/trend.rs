//! Learning or fatigue: whether values drift over occasions or trials.
//!
//! Comes in: a complete table, a row a subject and a column an occasion in their order. Goes out: the mean slope an
//! occasion in the values' unit with its interval, and the test that it is 0.
//!
//! ```
//! use analysis::statistics::trend::trend;
//!
//! // Three people's peaks over three trials, newtons: fatigue.
//! let rows = [[22.0, 21.0, 20.1], [30.3, 29.0, 28.5], [18.0, 17.4, 16.1]].map(|row| row.to_vec());
//! let found = trend(&rows).ok_or("fewer than three people")?;
//! assert_eq!(format!("{:.2} N a trial", found.slope.value), "-0.93 N a trial");
//! # Ok::<(), &str>(())
//! ```
use super::moments::{Moments, beyond_rounding};
use super::quantiles::{student_t, t_both_tails};
use super::sem::Estimate;
use serde::{Deserialize, Serialize};

/// The drift over occasions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Trend {
    /// Mean over subjects of each one's least-squares slope, an occasion, with its 95 % interval.
    pub slope: Estimate,
    /// p of the hypothesis that it is 0; `None` where all subjects drift alike.
    pub p: Option<f64>,
    /// Subjects.
    pub n: usize,
}

/// The linear trend. A slope a subject, then Student's t over subjects: it supposes nothing about how occasions covary.
pub fn trend(rows: &[Vec<f64>]) -> Option<Trend> {
    let slopes: Option<Vec<f64>> = rows.iter().map(|row| slope(row)).collect();
    let greatest = rows.iter().flatten().fold(0.0_f64, |most, value| most.max(value.abs()));
    let moments = Moments::of(&beyond_rounding(slopes?, greatest)).filter(|moments| moments.n > 2)?;
    let n = moments.n as f64;
    let se = moments.sd? / n.sqrt();
    let margin = student_t(0.975, n - 1.0)? * se;
    // Subjects that all drift alike leave nothing to judge by.
    let p = if se > 0.0 { t_both_tails(moments.mean / se, n - 1.0) } else { None };
    let end = |margin: f64| (se > 0.0).then_some(moments.mean + margin);
    let slope = Estimate { value: moments.mean, low: end(-margin), high: end(margin) };
    Some(Trend { slope, p, n: moments.n })
}

fn slope(row: &[f64]) -> Option<f64> {
    let middle = (row.len() as f64 - 1.0) / 2.0;
    let weights = (0..row.len()).map(|at| at as f64 - middle);
    let squares: f64 = weights.clone().map(|weight| weight * weight).sum();
    (squares > 0.0).then(|| weights.zip(row).map(|(weight, value)| weight * value).sum::<f64>() / squares)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_common_drift_is_found_and_its_absence_too() {
        // By hand: slopes 1, 2, 3: mean 2, SD 1, t = 2√3 with 2 degrees of freedom.
        let rows = vec![vec![0.0, 1.0, 2.0], vec![5.0, 7.0, 9.0], vec![1.0, 4.0, 7.0]];
        let found = trend(&rows).unwrap();
        assert_eq!((found.slope.value, found.n), (2.0, 3));
        let t = 2.0 * 3.0_f64.sqrt();
        // With 2 degrees of freedom: p = 1 − t/√(2 + t²).
        assert!((found.p.unwrap() - (1.0 - t / (2.0 + t * t).sqrt())).abs() < 1e-12);
        let flat = trend(&[vec![1.0, 2.0], vec![2.0, 1.0], vec![3.0, 3.0]]).unwrap();
        assert_eq!((flat.slope.value, flat.p), (0.0, Some(1.0)));
        assert_eq!(trend(&[vec![1.0], vec![2.0], vec![3.0]]), None);
        let decimals = [20.1, 31.7, 8.9].map(|value| vec![value, value + 0.3, value + 0.6]);
        assert_eq!(trend(&decimals).map(|of| (of.slope.low, of.p)), Some((None, None)));
        let alike = trend(&[vec![1.0, 2.0], vec![2.0, 3.0], vec![5.0, 6.0]]).unwrap();
        assert_eq!((alike.slope, alike.p), (Estimate { value: 1.0, low: None, high: None }, None));
    }
}
