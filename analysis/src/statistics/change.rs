//! Is a change larger than measurement error?
//!
//! Comes in: a change and a standard error of measurement with the number of participants behind it (all in one unit), and
//! the number of comparisons made together. Goes out: the limit that the change is held against, and the verdict.
//!
//! With few participants an SEM is itself uncertain (with 20, its 95 % interval runs from 0.76 to 1.46 times the value),
//! so the upper end of its interval decides until there are [`SURE_PARTICIPANTS`]. From then on its value does, with
//! Student's t in the place of z: the error is still an estimate, and over many comparisons z would be too little.
//! Comparisons that were not named
//! beforehand share one chance of a false change (Bonferroni), so that of the visits without any change at most `alpha`
//! show one.
//!
//! ```
//! use analysis::statistics::change::{Verdict, limit, verdict};
//! use analysis::statistics::sem::built;
//! // A variance of error of 1 N² with 19 degrees of freedom: the MDC95 is 2.77 N, and its upper end decides.
//! let limit = built(1.0, 19.0).and_then(|sem| limit(&sem, 20, 1)).ok_or("no limit")?;
//! assert!((limit.mdc.value - 2.7718).abs() < 1e-4 && limit.by_upper_end && limit.decides > 4.0);
//! assert_eq!(verdict(3.5, &limit), Verdict::WithinError);
//! # Ok::<(), &str>(())
//! ```
use super::quantiles::student_t;
use super::sem::{Estimate, Sem, change_factor};
use serde::{Deserialize, Serialize};

/// Participants from which the value itself decides, and not the upper end of its interval.
pub const SURE_PARTICIPANTS: usize = 50;
/// Chance of a false change that is accepted.
pub const ALPHA: f64 = 0.05;
/// Items that a plan may name to be judged singly.
pub const PRIMARY_MOST: usize = 3;

/// What a change is held against.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Chance of a false change in this one comparison.
    pub alpha: f64,
    /// Detectable change at that chance, with its interval.
    pub mdc: Estimate,
    /// The figure that decides.
    pub decides: f64,
    /// It is the interval's upper end.
    pub by_upper_end: bool,
}

/// The limit of one comparison among `together` that share the chance of a false change (1: judged singly). `None` where
/// the upper end is needed and unknown, or the chance is too small for the quantiles.
pub fn limit(sem: &Sem, participants: usize, together: usize) -> Option<Limit> {
    let alpha = ALPHA / together.max(1) as f64;
    let mdc = sem.sem.times(change_factor(alpha)?);
    let by_upper_end = participants < SURE_PARTICIPANTS;
    let decides = if by_upper_end {
        mdc.high?
    } else {
        std::f64::consts::SQRT_2 * sem.sem.value * student_t(1.0 - alpha / 2.0, sem.df)?
    };
    Some(Limit { alpha, mdc, decides, by_upper_end })
}

/// What can be said of a change.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Greater than the limit, upwards.
    Increased,
    /// Greater than the limit, downwards.
    Decreased,
    /// Within the limit: measurement error alone can make it.
    WithinError,
}

/// Holds a change against its limit.
pub fn verdict(change: f64, limit: &Limit) -> Verdict {
    if change.abs() <= limit.decides {
        Verdict::WithinError
    } else if change > 0.0 {
        Verdict::Increased
    } else {
        Verdict::Decreased
    }
}

/// False changes to expect among visits without any change: `singly` comparisons at [`ALPHA`] each, and one [`ALPHA`] for
/// all the `together`. An upper bound where upper ends decide.
pub fn false_changes(singly: usize, together: usize) -> f64 {
    ALPHA * singly as f64 + if together > 0 { ALPHA } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::super::sem::built;
    use super::*;

    #[test]
    fn few_participants_widen_the_limit() {
        let sem = built(1.0, 19.0).unwrap();
        let (few, many) = (limit(&sem, 20, 1).unwrap(), limit(&sem, 50, 1).unwrap());
        // By hand: 1.959964·√2 = 2.771808; times 1.460572. With t of 19 degrees of freedom: 2.093024·√2 = 2.959984.
        assert!((many.mdc.value - 2.771_808).abs() < 1e-6);
        assert!((many.decides - 2.959_983).abs() < 1e-5 && !many.by_upper_end);
        assert!((few.decides - 2.771_808 * 1.460_572).abs() < 1e-5 && few.by_upper_end);
        assert_eq!(verdict(3.0, &many), Verdict::Increased);
        assert_eq!(verdict(-3.0, &many), Verdict::Decreased);
        assert_eq!(verdict(3.0, &few), Verdict::WithinError);
    }

    #[test]
    fn comparisons_together_share_the_chance() {
        let sem = built(1.0, 60.0).unwrap();
        let (one, many) = (limit(&sem, 61, 1).unwrap(), limit(&sem, 61, 28).unwrap());
        assert!((many.alpha - 0.05 / 28.0).abs() < 1e-15 && many.decides > one.decides);
        assert!((false_changes(3, 25) - 0.20).abs() < 1e-15);
        assert_eq!(false_changes(0, 0), 0.0);
    }
}
