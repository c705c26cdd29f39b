//! Between trials: which of an item's trials count, their mean, SD, CV and best, and whether a further one is advised.
//!
//! Comes in: rows of `/trials` (forces N). Goes out: an [`Item`] for each item of the plan and a [`Group`] for each
//! channel with holds that belong to none, every trial in its place: counted, further, or left out with its reason.
//!
//! The primary result is the mean of the peaks above zero of the first three valid scored trials, always: a further
//! trial is shown apart and replaces none, so nobody can choose among trials after seeing them.
use crate::recording::layout::TrialRow;
use crate::recording::trial_row::REACHED_CAP;
use crate::sensor::instrument::Uncertainty;
use crate::statistics::intervals::{self, Interval};
use crate::statistics::moments::Moments;
use crate::trial::{Outcome, Test};
use serde::Serialize;

/// Number of trials behind a primary result.
pub const SCORED: usize = 3;
/// Loaded attempts an item is given at most, failed ones included; beyond them none is advised.
pub const MOST_ATTEMPTS: usize = 5;
/// CV above which a further trial is advised, % (common practice; no published limit for finger forces).
pub const CV_ADVISED_PERCENT: f64 = 15.0;
/// Lead of the third trial over the better of the first two above which one is advised, % (common practice: the person
/// is still learning).
pub const LEAD_ADVISED_PERCENT: f64 = 10.0;
/// Spread or lead in force that is never a reason, N: at small forces a high CV is contact noise.
pub const NEGLIGIBLE_N: f64 = 1.0;
/// Spread that is never a reason, as a share of the mean.
pub const NEGLIGIBLE_SHARE: f64 = 0.1;
/// Confidence level of the CV's interval.
pub const CV_LEVEL: f64 = 0.95;

/// `kind` of an effort; anything else is too small or too short to count.
pub const HOLD: &str = "hold";

/// One trial (or hold without one) and its standing among the repeats.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Trial {
    /// Trial number within the item, from 1; −1 unassigned.
    pub number: i64,
    /// Attempt within the item, failed ones included, from 1; −1 unassigned.
    pub attempt: i64,
    /// Order in the visit, from 1.
    pub order: i64,
    /// `hold`, `touch`, or empty where no hold was found.
    pub kind: String,
    /// How it ended, as recorded.
    pub outcome: String,
    /// Model-fitted start, s since the segment's start.
    pub onset_s: Option<f64>,
    /// Peak above the level the pull started from, N.
    pub peak_n: Option<f64>,
    /// Peak above zero, N: the one results are made of.
    pub peak_zero_n: Option<f64>,
    /// Best 1-s mean above the level the pull started from, N.
    pub mean_n: Option<f64>,
    /// The instrument's expanded uncertainty (95 %) of the peak, N: nothing of it is the procedure's.
    pub expanded_uncertainty_n: Option<f64>,
    /// The same of the best 1-s mean, N.
    pub mean_expanded_uncertainty_n: Option<f64>,
    /// The peak's budget: its terms, and those that are not in it.
    pub uncertainty: Option<Uncertainty>,
    /// Whether it counts, as recorded.
    pub valid: bool,
    /// Why it does not count, as recorded.
    pub why_not: String,
    /// Whether it is one of those behind the mean, SD, CV and best.
    pub used: bool,
    /// Why it is not; empty where it is.
    pub why_not_used: String,
    /// A valid trial after those behind the result.
    pub further: bool,
}

impl Trial {
    /// A pull to get used to the test, before the scored ones: it has no number.
    #[must_use]
    pub fn is_familiarisation(&self) -> bool {
        self.number < 0
    }
}

/// What the trials that count come to. Unknown is `None`; forces are peaks above zero, N.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Spread {
    /// Mean of the peaks.
    pub mean_of_peaks_n: Option<f64>,
    /// Standard deviation of the peaks (n − 1).
    pub sd_n: Option<f64>,
    /// SD as a share of the mean, %.
    pub cv_percent: Option<f64>,
    /// Lower end of the CV's 95 % interval, % (modified McKay, Vangel 1996).
    pub cv_low_percent: Option<f64>,
    /// Upper end; `None` where the trials set none.
    pub cv_high_percent: Option<f64>,
    /// The instrument's expanded uncertainty (95 %) of the mean: the greatest of its peaks', because what a calibration is
    /// off by, averaging does not take away. Never to be merged with the procedure's standard error of measurement.
    pub expanded_uncertainty_n: Option<f64>,
    /// What is not in it, because nobody knows it; each with its reason.
    pub uncertainty_not_included: Vec<String>,
    /// Greatest of the peaks.
    pub best_n: Option<f64>,
    /// How far the mean lies below the best, % of the best.
    pub best_to_mean_gap_percent: Option<f64>,
    /// Number of trials behind all this.
    pub trials_used: usize,
}

impl Spread {
    /// What these peaks (N) come to.
    pub fn of(peaks_n: &[f64]) -> Spread {
        let Some(moments) = Moments::of(peaks_n) else {
            return Spread::default();
        };
        let cv = moments.cv();
        let interval: Option<Interval> =
            cv.and_then(|cv| intervals::coefficient_of_variation(cv, moments.n, CV_LEVEL));
        let best_n = peaks_n.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Spread {
            mean_of_peaks_n: Some(moments.mean),
            sd_n: moments.sd,
            cv_percent: cv.map(|cv| 100.0 * cv),
            cv_low_percent: interval.map(|interval| 100.0 * interval.low),
            cv_high_percent: interval.and_then(|interval| interval.high).map(|high| 100.0 * high),
            expanded_uncertainty_n: None,
            uncertainty_not_included: Vec::new(),
            best_n: Some(best_n),
            best_to_mean_gap_percent: (best_n > 0.0).then(|| 100.0 * (best_n - moments.mean) / best_n),
            trials_used: moments.n,
        }
    }
}

/// The trials of one item of the plan: one muscle, one side, one kind of test.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Item {
    /// Item of the plan, from 1.
    pub item: i64,
    /// Muscle key: side, digit, direction.
    pub muscle: String,
    /// Side of the body.
    pub side: String,
    /// Kind of test.
    pub test: String,
    /// Sensor that it was measured with, from 1.
    pub sensor: i64,
    /// Channel of it, from 1.
    pub channel: i64,
    /// Every trial, in the order of the visit.
    pub trials: Vec<Trial>,
    /// What those that count come to.
    #[serde(flatten)]
    pub spread: Spread,
    /// What a reader of the result must know; empty where there is nothing.
    pub notes: Vec<String>,
    /// Why a further trial is advised; `None` where none is.
    pub further_trial_advised: Option<String>,
}

/// Holds of one channel that belong to no item.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Group {
    /// Sensor, from 1.
    pub sensor: i64,
    /// Channel, from 1.
    pub channel: i64,
    /// Every hold, in order.
    pub trials: Vec<Trial>,
    /// What those that count come to: all of them, not the first three.
    #[serde(flatten)]
    pub spread: Spread,
}

/// The items of the plan that have trials, in the plan's order.
pub fn items(rows: &[TrialRow]) -> Vec<Item> {
    let mut numbers: Vec<i64> = rows.iter().map(|row| row.item).filter(|item| *item > 0).collect();
    numbers.sort_unstable();
    numbers.dedup();
    numbers.into_iter().filter_map(|number| item(&in_order(rows, |row| row.item == number))).collect()
}

/// The holds that belong to no item, a group a channel.
pub fn unassigned(rows: &[TrialRow]) -> Vec<Group> {
    let mut channels: Vec<(i64, i64)> =
        rows.iter().filter(|row| row.item <= 0).map(|row| (row.sensor, row.channel)).collect();
    channels.sort_unstable();
    channels.dedup();
    let of = |&(sensor, channel): &(i64, i64)| {
        let holds = in_order(rows, |row| row.item <= 0 && (row.sensor, row.channel) == (sensor, channel));
        let trials: Vec<Trial> = holds.iter().map(|row| trial(row, fault_of_hold(row))).collect();
        let spread = spread(&trials, &peaks_used(&trials));
        Group { sensor, channel, trials, spread }
    };
    channels.iter().map(of).collect()
}

fn in_order(rows: &[TrialRow], wanted: impl Fn(&TrialRow) -> bool) -> Vec<&TrialRow> {
    let mut chosen: Vec<&TrialRow> = rows.iter().filter(|row| wanted(row)).collect();
    chosen.sort_by_key(|row| row.order);
    chosen
}

fn item(rows: &[&TrialRow]) -> Option<Item> {
    let first = *rows.first()?;
    let mut trials: Vec<Trial> = rows.iter().map(|row| trial(row, fault_of_trial(row))).collect();
    set_further_apart(&mut trials);
    let peaks_n = peaks_used(&trials);
    let spread = spread(&trials, &peaks_n);
    let further_trial_advised = advice(first, &trials, &peaks_n);
    Some(Item {
        item: first.item,
        muscle: first.muscle.clone(),
        side: first.side.clone(),
        test: first.test.clone(),
        sensor: first.sensor,
        channel: first.channel,
        notes: notes(&trials, &spread, rows),
        trials,
        spread,
        further_trial_advised,
    })
}

fn spread(trials: &[Trial], peaks_n: &[f64]) -> Spread {
    // One that is unknown makes the whole unknown.
    let used = || trials.iter().filter(|trial| trial.used);
    let all: Option<Vec<f64>> = used().map(|trial| trial.expanded_uncertainty_n).collect();
    let greatest = all.and_then(|all| all.into_iter().max_by(f64::total_cmp));
    let mut left_out: Vec<String> = Vec::new();
    for term in used().filter_map(|trial| trial.uncertainty.as_ref()).flat_map(|of| &of.not_included) {
        if !left_out.contains(term) {
            left_out.push(term.clone());
        }
    }
    Spread { expanded_uncertainty_n: greatest, uncertainty_not_included: left_out, ..Spread::of(peaks_n) }
}

fn trial(row: &TrialRow, fault: Option<String>) -> Trial {
    Trial {
        number: row.number,
        attempt: row.attempt,
        order: row.order,
        kind: row.kind.clone(),
        outcome: row.outcome.clone(),
        onset_s: known(row.onset_s),
        peak_n: known(row.peak_n),
        peak_zero_n: known(row.peak_zero_n),
        mean_n: known(row.mean_n),
        expanded_uncertainty_n: known(row.expanded_uncertainty_n),
        mean_expanded_uncertainty_n: known(row.mean_expanded_uncertainty_n),
        uncertainty: Uncertainty::from_json(&row.uncertainty_budget),
        valid: row.valid != 0,
        why_not: row.why_not.clone(),
        used: fault.is_none(),
        why_not_used: fault.unwrap_or_default(),
        further: false,
    }
}

/// A number, unless it is the recording's "unknown".
pub fn known(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

fn peaks_used(trials: &[Trial]) -> Vec<f64> {
    trials.iter().filter(|trial| trial.used).filter_map(|trial| trial.peak_zero_n).collect()
}

fn set_further_apart(trials: &mut [Trial]) {
    for trial in trials.iter_mut().filter(|trial| trial.used).skip(SCORED) {
        trial.used = false;
        trial.further = true;
        trial.why_not_used = "further trial, after the three that count".to_owned();
    }
}

/// Why a trial of an item cannot be averaged with the others; `None` where it can.
fn fault_of_trial(row: &TrialRow) -> Option<String> {
    let by_outcome = fault_of_outcome(row);
    if row.valid != 0 {
        return by_outcome.or_else(|| fault_of_peak(row));
    }
    let recorded = Some(row.why_not.clone()).filter(|why| !why.trim().is_empty());
    recorded.or(by_outcome).or_else(|| Some("recorded as not counting, without a reason".to_owned()))
}

/// Why a trial that ended like this is a result of its own and not one of a mean.
fn fault_of_outcome(row: &TrialRow) -> Option<String> {
    let is_break = row.test == Test::Break.word();
    let fault = match row.outcome.parse::<Outcome>() {
        Err(_) => return Some(format!("unknown outcome `{}`", row.outcome)),
        Ok(Outcome::BelowMeasurable) => "below measurable: a result of its own, not averaged",
        Ok(Outcome::HeldToLimit) if is_break => {
            "held to the limit: at least this force, not averaged with breaks"
        }
        Ok(Outcome::Released) if is_break => "released before a break",
        Ok(Outcome::Slipped) => "slipped",
        Ok(Outcome::PainLimited) => "pain-limited",
        Ok(Outcome::Stopped) => "stopped",
        Ok(Outcome::Broke | Outcome::HeldToLimit | Outcome::Released) => return None,
    };
    Some(fault.to_owned())
}

fn fault_of_peak(row: &TrialRow) -> Option<String> {
    known(row.peak_zero_n).is_none().then(|| "no peak was measured".to_owned())
}

/// Why a hold that belongs to no trial does not count. Nobody judged it, so its own marks do.
fn fault_of_hold(row: &TrialRow) -> Option<String> {
    if row.valid == 0 && !row.why_not.trim().is_empty() {
        return Some(row.why_not.clone());
    }
    if row.kind != HOLD {
        return Some("touch: too small or too short to count".to_owned());
    }
    let flagged = |flag: &str| row.flags.split(',').any(|word| word.trim() == flag);
    let fault = if flagged("saturated") {
        "the sensor was at its end: the peak is not known"
    } else if flagged("cut") {
        "cut off by the end of the recording"
    } else if flagged("too_long") {
        "closed by force: no end within the longest hold"
    } else {
        return fault_of_peak(row);
    };
    Some(fault.to_owned())
}

fn notes(trials: &[Trial], spread: &Spread, rows: &[&TrialRow]) -> Vec<String> {
    let mut notes = Vec::new();
    if spread.trials_used < SCORED {
        notes.push(format!(
            "{} of the {SCORED} trials that a result is made of: no verdict on change can rest on it",
            spread.trials_used
        ));
    }
    let at_limit = rows.iter().filter(|row| row.is_flagged(REACHED_CAP));
    notes.extend(at_limit.map(|row| format!("trial-{} went to its limit of {:.1} N", row.order, row.cap_n)));
    let ended = |outcome: Outcome| {
        trials.iter().filter(|trial| !trial.used && trial.outcome == outcome.word()).count()
    };
    for outcome in [Outcome::BelowMeasurable, Outcome::HeldToLimit, Outcome::PainLimited] {
        match ended(outcome) {
            0 => {}
            1 => notes.push(format!("1 trial ended {outcome}: a result beside the mean, not in it")),
            n => notes.push(format!("{n} trials ended {outcome}: results beside the mean, not in it")),
        }
    }
    notes
}

/// Whether a further trial is advised to an item, and why.
fn advice(first: &TrialRow, trials: &[Trial], peaks_n: &[f64]) -> Option<String> {
    let any_further = trials.iter().any(|trial| trial.further);
    let test = first.test.parse().unwrap_or(Test::Free);
    if any_further { None } else { further_trial(test, trials.len(), peaks_n, CV_ADVISED_PERCENT) }
}

/// Whether a further trial is advised after these attempts with these peaks (N), and why. Common practice, not a
/// published limit; in concentric tests the force is the examiner's, so its scatter says nothing about the person.
pub fn further_trial(test: Test, attempts: usize, peaks_n: &[f64], cv_limit_percent: f64) -> Option<String> {
    if peaks_n.len() != SCORED || attempts >= MOST_ATTEMPTS || test == Test::Concentric {
        return None;
    }
    let spread = Spread::of(peaks_n);
    let (mean_n, sd_n, cv_percent) = (spread.mean_of_peaks_n?, spread.sd_n?, spread.cv_percent?);
    if cv_percent > cv_limit_percent && sd_n > NEGLIGIBLE_N.max(NEGLIGIBLE_SHARE * mean_n) {
        return Some(format!("the CV is {cv_percent:.0} %, above {cv_limit_percent} %"));
    }
    let (third_n, before_n) = (peaks_n[2], peaks_n[0].max(peaks_n[1]));
    let lead_percent = 100.0 * (third_n - before_n) / before_n;
    (before_n > 0.0 && lead_percent > LEAD_ADVISED_PERCENT && third_n - before_n > NEGLIGIBLE_N).then(|| {
        format!("the third trial is the best by {lead_percent:.0} %, above {LEAD_ADVISED_PERCENT} %")
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A valid trial of item 1, a make test.
    pub fn make_row(order: i64, peak_zero_n: f64) -> TrialRow {
        TrialRow {
            item: 1,
            muscle: "left index abduction".into(),
            side: "left".into(),
            test: "make".into(),
            outcome: "released".into(),
            number: order,
            order,
            attempt: order,
            sensor: 1,
            channel: 1,
            kind: "hold".into(),
            peak_n: peak_zero_n - 0.1,
            peak_zero_n,
            valid: 1,
            ..TrialRow::of_hold(None)
        }
    }

    fn makes(peaks_n: &[f64]) -> Vec<TrialRow> {
        (1..).zip(peaks_n).map(|(order, peak_n)| make_row(order, *peak_n)).collect()
    }

    fn only(rows: &[TrialRow]) -> Item {
        let mut items = items(rows);
        assert_eq!(items.len(), 1);
        items.remove(0)
    }

    #[test]
    fn three_trials_give_mean_sd_cv_and_best() {
        // By hand: mean 21, deviations −1, 0, 1, so SD 1 and CV 100/21 %; the mean is 100/22 % below the best.
        let item = only(&makes(&[20.0, 21.0, 22.0]));
        let spread = &item.spread;
        assert_eq!((spread.mean_of_peaks_n, spread.sd_n, spread.trials_used), (Some(21.0), Some(1.0), 3));
        assert!((spread.cv_percent.unwrap() - 100.0 / 21.0).abs() < 1e-12);
        assert!((spread.best_to_mean_gap_percent.unwrap() - 100.0 / 22.0).abs() < 1e-12);
        assert_eq!(spread.best_n, Some(22.0));
        assert!(spread.cv_low_percent.unwrap() < 4.76 && spread.cv_high_percent.unwrap() > 4.77);
        assert!(item.notes.is_empty() && item.further_trial_advised.is_none());
    }

    #[test]
    fn a_further_trial_is_shown_and_changes_nothing() {
        let three = only(&makes(&[20.0, 21.0, 22.0]));
        let four = only(&makes(&[20.0, 21.0, 22.0, 40.0]));
        assert_eq!(four.spread, three.spread);
        assert!(four.trials[3].further && !four.trials[3].used && !four.trials[3].why_not_used.is_empty());
    }

    #[test]
    fn the_first_three_valid_ones_count_in_the_visits_order_whatever_the_rows_order() {
        let mut rows = makes(&[20.0, 99.0, 21.0, 22.0, 23.0]);
        rows[1].valid = 0;
        rows[1].why_not = "slipped".into();
        rows.reverse();
        let item = only(&rows);
        assert_eq!(item.spread.mean_of_peaks_n, Some(21.0));
        assert_eq!(item.trials[1].why_not_used, "slipped");
        assert!(item.trials[4].further);
    }

    #[test]
    fn fewer_than_three_is_said() {
        let two = only(&makes(&[20.0, 22.0]));
        assert_eq!((two.spread.mean_of_peaks_n, two.spread.trials_used), (Some(21.0), 2));
        assert!(two.notes[0].starts_with("2 of the 3"), "{:?}", two.notes);
        let one = only(&makes(&[20.0]));
        assert_eq!(
            (one.spread.mean_of_peaks_n, one.spread.sd_n, one.spread.cv_percent),
            (Some(20.0), None, None)
        );
        let mut rows = makes(&[20.0]);
        rows[0].valid = 0;
        let none = only(&rows);
        assert_eq!(none.spread, Spread::default());
        assert_eq!(none.trials[0].why_not_used, "recorded as not counting, without a reason");
    }

    #[test]
    fn in_a_break_test_only_breaks_are_averaged() {
        let mut rows = makes(&[20.0, 21.0, 30.0, 22.0, 5.0]);
        for (row, outcome) in rows.iter_mut().zip(["broke", "broke", "held-to-limit", "broke", "released"]) {
            row.test = "break".into();
            row.outcome = outcome.into();
        }
        let item = only(&rows);
        assert_eq!((item.spread.mean_of_peaks_n, item.spread.trials_used), (Some(21.0), 3));
        assert!(item.trials[2].why_not_used.starts_with("held to the limit"));
        assert_eq!(item.trials[4].why_not_used, "released before a break");
        assert!(item.notes.iter().any(|note| note.contains("held-to-limit")), "{:?}", item.notes);
    }

    #[test]
    fn below_measurable_is_a_result_and_never_a_zero() {
        let mut rows = makes(&[4.0, 5.0, f64::NAN, 6.0]);
        rows[2].outcome = "below-measurable".into();
        rows[2].kind = String::new();
        let item = only(&rows);
        assert_eq!((item.spread.mean_of_peaks_n, item.spread.trials_used), (Some(5.0), 3));
        assert!(item.trials[2].why_not_used.starts_with("below measurable"));
        assert!(item.notes.iter().any(|note| note.contains("below-measurable")), "{:?}", item.notes);
    }

    #[test]
    fn a_further_trial_is_advised_when_the_trials_scatter_or_still_rise() {
        let advised = |peaks_n: &[f64]| only(&makes(peaks_n)).further_trial_advised;
        assert!(advised(&[20.0, 28.0, 20.0]).unwrap().contains("CV"));
        assert!(advised(&[20.0, 20.0, 22.5]).unwrap().contains("third"));
        assert_eq!(advised(&[20.0, 20.0, 21.9]), None);
        // 22 % CV, but within 1 N: contact noise.
        assert_eq!(advised(&[3.0, 3.8, 2.4]), None);
        assert_eq!(advised(&[3.0, 3.0, 3.6]), None);
        // Too few, or one already there, or no attempt left.
        assert_eq!(advised(&[20.0, 28.0]), None);
        assert_eq!(advised(&[20.0, 28.0, 20.0, 21.0]), None);
        let mut rows = makes(&[20.0, 28.0, 20.0, 21.0, 21.0]);
        rows[3].valid = 0;
        rows[4].valid = 0;
        assert_eq!(only(&rows).further_trial_advised, None);
        let mut rows = makes(&[20.0, 28.0, 20.0]);
        rows.iter_mut().for_each(|row| row.test = "concentric".into());
        assert_eq!(only(&rows).further_trial_advised, None);
    }

    #[test]
    fn free_holds_are_grouped_by_channel_and_touches_do_not_count() {
        let mut rows = makes(&[20.0, 22.0, 24.0, 26.0, 0.4, 30.0, 9.0]);
        for row in &mut rows {
            (row.item, row.number, row.test) = (-1, -1, "free".into());
        }
        rows[4].kind = "touch".into();
        rows[5].flags = "pretension,saturated".into();
        rows[6].channel = 2;
        let groups = unassigned(&rows);
        assert_eq!(items(&rows), vec![]);
        assert_eq!(groups.iter().map(|group| group.channel).collect::<Vec<_>>(), [1, 2]);
        assert_eq!((groups[0].spread.mean_of_peaks_n, groups[0].spread.trials_used), (Some(23.0), 4));
        assert!(groups[0].trials[4].why_not_used.starts_with("touch"));
        assert!(groups[0].trials[5].why_not_used.contains("sensor was at its end"));
    }

    proptest! {
        #[test]
        fn every_trial_is_used_or_has_its_reason(
            cells in prop::collection::vec((0..7_usize, 0..2_u8, prop::num::f64::ANY, -1..3_i64), 0..30),
        ) {
            let rows: Vec<TrialRow> = (1..).zip(cells).map(|(order, (outcome, valid, peak_n, item))| TrialRow {
                outcome: Outcome::ALL[outcome].word().into(), valid, item, ..make_row(order, peak_n)
            }).collect();
            let (items, groups) = (items(&rows), unassigned(&rows));
            let trials: Vec<&Trial> =
                items.iter().flat_map(|item| &item.trials).chain(groups.iter().flat_map(|group| &group.trials)).collect();
            prop_assert_eq!(trials.len(), rows.len());
            prop_assert!(trials.iter().all(|trial| trial.used == trial.why_not_used.is_empty()));
            prop_assert!(items.iter().all(|item| item.spread.trials_used <= SCORED));
        }
    }
}
