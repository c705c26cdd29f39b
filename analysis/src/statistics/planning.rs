//! Planning a study: how many participants, how many trials averaged.
//!
//! Comes in: the ICC expected and the width of its interval wanted, or variances between and within visits. Goes out:
//! numbers of participants; SEM and MDC in the values' unit.
//!
//! ```
//! use analysis::statistics::planning;
//!
//! // An ICC of 0.8 expected, two visits each, an interval 0.2 wide wanted.
//! assert_eq!(planning::participants(0.8, 2, 0.2, 0.95), Some(55));
//! // Variances in N²: 0.30 of a visit's mean of three trials, 0.36 of a trial.
//! let averaged = planning::averaging(0.30, 3, 0.36, 10).ok_or("no variances")?;
//! // Ten trials: √(0.18 + 0.036) N. What lies between visits no number of trials averages away.
//! assert_eq!(format!("{:.2} N", averaged[9].sem), "0.46 N");
//! # Ok::<(), &str>(())
//! ```
use super::quantiles::normal;
use super::sem::change_factor;
use serde::{Deserialize, Serialize};

/// Fewest participants that are planned for: the formula is one of large samples, and at an ICC near 1 it would be content
/// with three, of whom one who is unlike the others makes another ICC.
pub const FEWEST: usize = 10;

/// Participants needed so that the interval of a one-way or consistency ICC is expected to be `width` wide, with `repeats`
/// values each (Bonett 2002, Stat. Med. 21:1331–1335: the correction of 5·ICC for two repeats at an ICC of 0.7 and more
/// included), and not fewer than [`FEWEST`]. About half of such studies find a wider one. `None` for what cannot be planned.
pub fn participants(icc: f64, repeats: usize, width: f64, level: f64) -> Option<usize> {
    if !((0.0..1.0).contains(&icc) && repeats >= 2 && width > 0.0 && width < 1.0) {
        return None;
    }
    let (k, z) = (repeats as f64, normal(0.5 + level / 2.0)?);
    let (apart, together) = (1.0 - icc, 1.0 + (k - 1.0) * icc);
    let n = 1.0 + 8.0 * z * z * apart * apart * together * together / (k * (k - 1.0) * width * width);
    let extra = if repeats == 2 && icc >= 0.7 { 5.0 * icc } else { 0.0 };
    Some(((n + extra).ceil() as usize).max(FEWEST))
}

/// SEM and MDC95 with a number of trials averaged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Averaged {
    /// Trials averaged.
    pub trials: usize,
    /// Standard error of measurement.
    pub sem: f64,
    /// Minimal detectable change at 95 %.
    pub mdc95: f64,
}

/// How SEM and MDC95 fall with trials averaged: variance = σ² between visits + σ² of a trial / trials, the first taken
/// from the variance seen with `averaged` trials, at least 0. What lies between visits no number of trials averages away.
pub fn averaging(seen: f64, averaged: usize, of_trial: f64, up_to: usize) -> Option<Vec<Averaged>> {
    if !(seen >= 0.0 && of_trial >= 0.0 && averaged > 0) {
        return None;
    }
    let between = (seen - of_trial / averaged as f64).max(0.0);
    let factor = change_factor(0.05)?;
    let of = |trials: usize| {
        let sem = (between + of_trial / trials as f64).sqrt();
        Averaged { trials, sem, mdc95: factor * sem }
    };
    Some((1..=up_to).map(of).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn participants_follow_the_published_formula() {
        // By hand from the formula: ICC 0.8, 3 repeats, width 0.2: 1 + 8·3.8415·0.04·6.76/(6·0.04) = 35.6.
        assert_eq!(participants(0.8, 3, 0.2, 0.95), Some(36));
        // Two repeats: 1 + 8·3.8415·0.04·3.24/(2·0.04) + 4 = 54.8.
        assert_eq!(participants(0.8, 2, 0.2, 0.95), Some(55));
        assert!(participants(0.8, 2, 0.1, 0.95) > participants(0.9, 2, 0.1, 0.95));
        // 1 + 8·3.8415·0.0004·8.7616/(6·0.04) would be 2.
        assert_eq!(participants(0.98, 3, 0.2, 0.95), Some(FEWEST));
        assert_eq!((participants(1.0, 2, 0.2, 0.95), participants(0.8, 1, 0.2, 0.95)), (None, None));
    }

    #[test]
    fn averaging_takes_away_the_trials_and_not_the_visits() {
        // By hand: seen 4 with 3 averaged, a trial 9: between visits 1, so 1 trial √10, 3 trials 2, 9 trials √2.
        let table = averaging(4.0, 3, 9.0, 9).unwrap();
        assert!((table[0].sem - 10.0_f64.sqrt()).abs() < 1e-12 && (table[2].sem - 2.0).abs() < 1e-12);
        assert!((table[8].sem - 2.0_f64.sqrt()).abs() < 1e-12);
        assert!((table[2].mdc95 / table[2].sem - 2.771_807_648).abs() < 1e-9);
    }
}
