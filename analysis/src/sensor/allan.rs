//! Allan deviation: how much averages over a time differ from the averages that follow.
//!
//! Comes in: readings at equal intervals (s). Goes out: the overlapping Allan deviation in the readings' unit over averaging
//! times (s). Falling as 1/√τ it is white noise, level it is flicker, rising it is drift: the best averaging time is where
//! it is least.
//!
//! NIST Special Publication 1065 (2008), eq. 11 (overlapping, from phase data).

use crate::statistics::quantiles::chi_squared;
use serde::{Deserialize, Serialize};

/// One averaging time.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Allan {
    /// Averaging time, s.
    pub tau_s: f64,
    /// Overlapping Allan deviation.
    pub deviation: f64,
    /// Upper end of its 95 % interval, by chi-squared with the degrees of freedom of averages that do not overlap (fewer
    /// than there are, so the interval is rather too wide).
    pub upper: Option<f64>,
}

/// The overlapping Allan deviation of averages of `m` readings; `None` with fewer than `2 m + 1`.
pub fn overlapping(readings: &[f64], m: usize) -> Option<f64> {
    if m == 0 || readings.len() < 2 * m {
        return None;
    }
    let mean = readings.iter().sum::<f64>() / readings.len() as f64;
    // Running sums of what is above the mean: a common level would cost digits and adds nothing.
    let phase: Vec<f64> = std::iter::once(0.0)
        .chain(readings.iter().scan(0.0, |sum, reading| {
            *sum += reading - mean;
            Some(*sum)
        }))
        .collect();
    let terms = phase.len() - 2 * m;
    let squares: f64 = (0..terms)
        .map(|i| phase[i + 2 * m] - 2.0 * phase[i + m] + phase[i])
        .map(|difference| difference * difference)
        .sum();
    Some((squares / (2.0 * terms as f64)).sqrt() / m as f64)
}

/// Deviations over averaging times from one interval to a quarter of the record, about four an octave.
pub fn curve(readings: &[f64], interval_s: f64) -> Vec<Allan> {
    let (mut all, mut m) = (Vec::new(), 1_usize);
    while m * 4 <= readings.len() {
        if let Some(deviation) = overlapping(readings, m) {
            let df = (readings.len() / m - 1) as f64;
            let upper = chi_squared(0.025, df).map(|q| deviation * (df / q).sqrt());
            all.push(Allan { tau_s: m as f64 * interval_s, deviation, upper });
        }
        m = (m + 1).max((m as f64 * 1.19) as usize);
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: NIST SP 1065, table 31: the 1000-point test set and its deviations.
    #[test]
    fn the_thousand_points_of_nist() {
        let text = include_str!("../../../fixtures/metrology/sp1065_1000_points.csv");
        let readings: Vec<f64> = text
            .lines()
            .skip(1)
            .map(|line| line.rsplit(',').next().unwrap().trim().parse().unwrap())
            .collect();
        assert_eq!(readings.len(), 1000);
        let expected = include_str!("../../../fixtures/metrology/sp1065_expected.csv");
        let mut checked = 0;
        for line in expected.lines().filter(|line| line.starts_with("oadev,")) {
            let cells: Vec<&str> = line.split(',').collect();
            let found = overlapping(&readings, cells[1].parse().unwrap()).unwrap();
            let published: f64 = cells[2].parse().unwrap();
            assert!((found / published - 1.0).abs() < 2e-7, "{line}: {found}");
            // Computed with allantools, not published.
            let computed: f64 = cells[3].parse().unwrap();
            assert!((found / computed - 1.0).abs() < 1e-12, "{line}: {found}");
            checked += 1;
        }
        assert_eq!(checked, 3);
    }

    #[test]
    fn a_short_record_has_none_and_a_level_changes_nothing() {
        assert_eq!(overlapping(&[1.0], 1), None);
        let readings: Vec<f64> = (0..200).map(|i| f64::from(i * 7919 % 101)).collect();
        let lifted: Vec<f64> = readings.iter().map(|r| r + 8e6).collect();
        for (a, b) in curve(&readings, 0.1).iter().zip(curve(&lifted, 0.1)) {
            assert!((a.deviation / b.deviation - 1.0).abs() < 1e-7, "{a:?} {b:?}");
        }
    }
}
