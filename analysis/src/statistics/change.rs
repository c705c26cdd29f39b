//! Is a change larger than measurement error?
//!
//! Comes in: a change and a standard error of measurement with the number of participants behind it (all in one unit), and
//! the numbers of comparisons at a visit. Goes out: the limit that the change is held against, and the verdict.
//!
//! With few participants an SEM is itself uncertain (with 20, its 95 % interval runs from 0.76 to 1.46 times the value),
//! so the upper end of its interval decides until there are [`SURE_PARTICIPANTS`]. From then on its value does, with
//! Student's t in the place of z: the error is still an estimate, and over many comparisons z would be too little.
//! All comparisons at a visit have one chance of a false change, [`ALPHA`], which [`shares`] divides before any change is
//! looked at (Bonferroni), so that of the visits without any change at most that share show one.
//!
//! ```
//! use analysis::statistics::change::{Verdict, limit, shares, verdict};
//! use analysis::statistics::sem::built;
//! // A variance of error of 1 N² with 19 degrees of freedom: the MDC95 is 2.77 N, and its upper end decides.
//! let alone = shares(1, 0).primary;
//! let limit = built(1.0, 19.0).and_then(|sem| limit(&sem, 20, alone)).ok_or("no limit")?;
//! assert!((limit.mdc.value - 2.7718).abs() < 1e-4 && limit.by_upper_end && limit.decides > 4.0);
//! assert_eq!(verdict(3.5, &limit), Verdict::WithinError);
//! # Ok::<(), &str>(())
//! ```
use super::quantiles::student_t;
use super::sem::{Estimate, Sem, change_factor};
use serde::{Deserialize, Serialize};

/// Participants from which the value itself decides, and not the upper end of its interval.
pub const SURE_PARTICIPANTS: usize = 50;
/// Chance of a false change that is accepted at a visit.
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

/// The chance of a false change in each single comparison at a visit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shares {
    /// In each primary comparison.
    pub primary: f64,
    /// In each other one.
    pub other: f64,
}

/// Divides a visit's [`ALPHA`]: half to the primary comparisons and half to the others, equally within each kind; all of it
/// to the one kind where there is no other. So a primary comparison's limit does not depend on how many others there are,
/// and one that is alone is held against MDC95.
pub fn shares(primary: usize, others: usize) -> Shares {
    let kind = if primary > 0 && others > 0 { ALPHA / 2.0 } else { ALPHA };
    let each = |comparisons: usize| kind / comparisons.max(1) as f64;
    Shares { primary: each(primary), other: each(others) }
}

/// The limit of one comparison with this chance of a false change. `None` where the upper end is needed and unknown, or the
/// chance is too small for the quantiles.
pub fn limit(sem: &Sem, participants: usize, alpha: f64) -> Option<Limit> {
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

#[cfg(test)]
mod tests {
    use super::super::sem::built;
    use super::*;

    #[test]
    fn few_participants_widen_the_limit() {
        let sem = built(1.0, 19.0).unwrap();
        let (few, many) = (limit(&sem, 20, ALPHA).unwrap(), limit(&sem, 50, ALPHA).unwrap());
        // By hand: 1.959964·√2 = 2.771808; times 1.460572. With t of 19 degrees of freedom: 2.093024·√2 = 2.959984.
        assert!((many.mdc.value - 2.771_808).abs() < 1e-6);
        assert!((many.decides - 2.959_983).abs() < 1e-5 && !many.by_upper_end);
        assert!((few.decides - 2.771_808 * 1.460_572).abs() < 1e-5 && few.by_upper_end);
        assert_eq!(verdict(3.0, &many), Verdict::Increased);
        assert_eq!(verdict(-3.0, &many), Verdict::Decreased);
        assert_eq!(verdict(3.0, &few), Verdict::WithinError);
    }

    #[test]
    fn a_visits_one_chance_is_divided_and_never_exceeded() {
        assert_eq!(shares(1, 0).primary, ALPHA);
        assert_eq!(shares(0, 28).other, ALPHA / 28.0);
        // Half of it, in three parts, however many the others are.
        assert_eq!((shares(3, 1).primary, shares(3, 25).primary), (0.025 / 3.0, 0.025 / 3.0));
        for (primary, others) in (0..=3).flat_map(|primary| (0..=28).map(move |others| (primary, others))) {
            let of = shares(primary, others);
            let all = of.primary * primary as f64 + of.other * others as f64;
            let expected = if primary + others > 0 { ALPHA } else { 0.0 };
            assert!((all - expected).abs() < 1e-15, "{primary} {others}: {all}");
        }
    }

    #[test]
    fn a_smaller_chance_has_a_greater_limit() {
        // Computed with SciPy 1.17.1: √2·t.ppf(1 − 0.0125, 60) and √2·norm.ppf(1 − 0.0125).
        let sem = built(1.0, 60.0).unwrap();
        let (one, half) = (limit(&sem, 61, ALPHA).unwrap(), limit(&sem, 61, ALPHA / 2.0).unwrap());
        assert!((half.decides - 3.251_341_443).abs() < 1e-8 && (half.mdc.value - 3.169_822_136).abs() < 1e-8);
        assert!(half.decides > one.decides);
    }
}
