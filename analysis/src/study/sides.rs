//! Difference of the sides, with its formula named and its interval.
//!
//! Comes in: a visit's items. Goes out: a [`SideDifference`] for each muscle and test measured on both sides (N, %).
//!
//! Nine formulas are in use and give different numbers for one hand (Bishop et al. 2016, Strength Cond. J. 38:27–32), so
//! none is printed without its name. For tests of one side at a time the percentage difference is advised (Bishop et al.
//! 2018, Strength Cond. J. 40:1–6). Whether the sides differ at all is asked of the trials: only where the interval of
//! right minus left leaves out 0 do they differ more than the repeats. Nothing is said where the sides were measured under
//! conditions that differ, or that are recorded of one side only. What is recorded of neither is taken to be the same within a
//! visit, and that is said.
//!
//! ```
//! use analysis::study::sides::of_peaks;
//! let of = of_peaks("index abduction", "make", &[19.0, 20.0, 21.0], &[24.0, 25.0, 26.0]);
//! assert_eq!(of.and_then(|of| of.percent), Some(20.0));
//! ```
use super::conditions::Vouched;
use super::visit::{CONCENTRIC, Visit};
use crate::measures::repeats::{Item, Trial};
use crate::statistics::intervals::welch;
use crate::trial::{Muscle, Side};
use serde::Serialize;

/// Confidence level of the interval.
const LEVEL: f64 = 0.95;

/// The formula of the percentage.
pub const FORMULA: &str = "percentage difference 100·(M − m)/M, M the stronger side's mean, m the weaker's";

/// The sides of one muscle and test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SideDifference {
    /// Muscle key without its side.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// Mean of the left side's peaks, N.
    pub left_n: f64,
    /// Mean of the right side's peaks, N.
    pub right_n: f64,
    /// Trials on the left and on the right.
    pub trials: (usize, usize),
    /// Which side is the stronger; `None` where they are equal, or it cannot be said.
    pub stronger: Option<Side>,
    /// Percentage difference.
    pub percent: Option<f64>,
    /// Its formula.
    pub formula: &'static str,
    /// Right minus left, N.
    pub difference_n: f64,
    /// Its 95 % Welch interval, N; `None` where the trials give none.
    pub interval_n: Option<(f64, f64)>,
    /// The interval leaves out 0: the sides differ more than the repeats. `None` without an interval, or where it cannot be
    /// said.
    pub beyond_repeats: Option<bool>,
    /// Why it cannot be said.
    pub cannot_say: Vec<String>,
    /// Conditions that are recorded of neither side, and taken to be the same.
    pub taken_as_same: Vec<&'static str>,
}

/// How many differences have an interval, and how many of those would leave out 0 by chance were all sides equal.
pub fn by_chance(sides: &[SideDifference]) -> Option<(usize, f64)> {
    let shown = sides.iter().filter(|of| of.interval_n.is_some()).count();
    (shown > 0).then_some((shown, (1.0 - LEVEL) * shown as f64))
}

/// The differences at a visit; none is judged where its two sides' conditions do not match.
pub fn of_visit(visit: &Visit, vouched: &Vouched) -> Vec<SideDifference> {
    let items: Vec<Item> = visit.items.iter().map(|measured| measured.item.clone()).collect();
    let mut found: Vec<SideDifference> = sides(&items).into_iter().map(|(of, _)| of).collect();
    for of in &mut found {
        let side = |side: Side| visit.find(&format!("{side} {}", of.muscle), &of.test);
        let Some((left, right)) = side(Side::Left).zip(side(Side::Right)) else { continue };
        of.cannot_say.extend(left.is_concentric().then(|| CONCENTRIC.to_owned()));
        of.taken_as_same = left.conditions.unsaid(&right.conditions);
        of.taken_as_same.retain(|name| !vouched.covers(name));
        let mut own = vouched.clone();
        own.0.extend(of.taken_as_same.iter().map(|name| (*name).to_owned()));
        of.cannot_say.extend(left.unlike(right, &own));
        if of.beyond_repeats.is_none() {
            of.cannot_say.push("too few trials".to_owned());
        }
        if !of.cannot_say.is_empty() {
            (of.stronger, of.beyond_repeats) = (None, None);
        }
    }
    found
}

/// The differences at a visit, by its items, each with the orders of the trials behind it.
pub fn sides(items: &[Item]) -> Vec<(SideDifference, Vec<i64>)> {
    let used = |item: &Item| item.trials.iter().filter(|trial| trial.used).cloned().collect::<Vec<Trial>>();
    let peaks = |trials: &[Trial]| trials.iter().filter_map(|trial| trial.peak_zero_n).collect::<Vec<f64>>();
    let mut found = Vec::new();
    for left in items {
        let Ok(muscle) = left.muscle.parse::<Muscle>() else { continue };
        let opposite = Muscle { side: Side::Right, ..muscle }.to_string();
        let right = items.iter().find(|item| item.muscle == opposite && item.test == left.test);
        let Some(right) = right.filter(|_| muscle.side == Side::Left) else { continue };
        let (left_trials, right_trials) = (used(left), used(right));
        let of = of_peaks(&muscle.without_side(), &left.test, &peaks(&left_trials), &peaks(&right_trials));
        let orders = left_trials.iter().chain(&right_trials).map(|trial| trial.order).collect();
        found.extend(of.map(|of| (of, orders)));
    }
    found
}

/// The difference of two sides' peaks, N; `None` where a side has none.
pub fn of_peaks(muscle: &str, test: &str, left: &[f64], right: &[f64]) -> Option<SideDifference> {
    let mean = |peaks: &[f64]| (!peaks.is_empty()).then(|| peaks.iter().sum::<f64>() / peaks.len() as f64);
    let (left_n, right_n) = (mean(left)?, mean(right)?);
    let stronger = match left_n.total_cmp(&right_n) {
        std::cmp::Ordering::Less => Some(Side::Right),
        std::cmp::Ordering::Equal => None,
        std::cmp::Ordering::Greater => Some(Side::Left),
    };
    let (low, high) = (left_n.min(right_n), left_n.max(right_n));
    let interval_n = welch(left, right, LEVEL);
    Some(SideDifference {
        muscle: muscle.to_owned(),
        test: test.to_owned(),
        left_n,
        right_n,
        trials: (left.len(), right.len()),
        stronger,
        percent: (high > 0.0).then(|| 100.0 * (high - low) / high),
        formula: FORMULA,
        difference_n: right_n - left_n,
        interval_n,
        beyond_repeats: interval_n.map(|(low, high)| low > 0.0 || high < 0.0),
        cannot_say: Vec::new(),
        taken_as_same: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_percentage_and_its_interval_are_of_the_same_trials() {
        // By hand: 20 against 25 is 20 % by this formula.
        let of = of_peaks("index abduction", "make", &[19.0, 20.0, 21.0], &[24.0, 25.0, 26.0]).unwrap();
        assert_eq!((of.percent, of.stronger, of.difference_n), (Some(20.0), Some(Side::Right), 5.0));
        // Equal spreads of 1 with 3 and 3: t(4) · √(2/3) = 2.7764 · 0.8165 = 2.2669.
        let (low, high) = of.interval_n.unwrap();
        assert!((low - (5.0 - 2.26695)).abs() < 1e-4 && (high - (5.0 + 2.26695)).abs() < 1e-4);
        assert_eq!(of.beyond_repeats, Some(true));
        let mirrored = of_peaks("x", "make", &[24.0, 25.0, 26.0], &[19.0, 20.0, 21.0]).unwrap();
        assert_eq!((mirrored.beyond_repeats, mirrored.stronger), (Some(true), Some(Side::Left)));
        let scattered = of_peaks("x", "make", &[10.0, 20.0, 30.0], &[15.0, 25.0, 35.0]).unwrap();
        assert_eq!(scattered.beyond_repeats, Some(false));
        assert_eq!(of_peaks("x", "make", &[], &[1.0]), None);
        assert_eq!(of_peaks("x", "make", &[1.0], &[1.0]).unwrap().beyond_repeats, None);
    }
}
