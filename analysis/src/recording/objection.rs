//! Why a new correction is not to be made: nothing would be different, a trial would become what it never was, or the plan
//! has no such trial.
//!
//! Comes in: a [`Change`] and what the recording holds. Goes out: why not, and what to do instead. Those that were taken
//! once are made whatever this says: otherwise a recording could not be made again.

use super::layout::{Sensor, TrialRow};
use super::plan::{self, Item};
use super::revise::place;
use crate::corrections::{Assignment, Change};
use crate::observed::KINDS;

/// How trials are named.
pub const NAMED: &str = "a trial's number is the N of its `[trial-N]` in the report and on the terminal; \
                     `fingerforce export RECORDING --to csv` has it as `order`";

/// What a recording holds that a correction may be about.
pub struct Held<'a> {
    /// Its sensors.
    pub sensors: &'a [Sensor],
    /// `/trials`.
    pub trials: &'a [TrialRow],
    /// The plan's text; "" none.
    pub plan: &'a str,
}

impl Held<'_> {
    /// Why a new correction is not to be made, and what to do instead.
    pub fn objection(&self, change: &Change) -> Option<(String, String)> {
        let nothing = |why: String| Some((format!("{why}: nothing would be different"), NAMED.to_owned()));
        match change {
            Change::Mark { trial, mark, time_s } => {
                let mut row = self.trial(*trial)?.clone();
                let there = *place(&mut row, *mark) == *time_s;
                there
                    .then(|| format!("the {} of trial {trial} is there already", mark.word()))
                    .and_then(nothing)
            }
            Change::Trial { trial, to, valid } => {
                let row = self.trial(*trial)?;
                let by_plan = !self.plan.is_empty();
                let items = plan::read(self.plan).items;
                not_to_be_judged_so(row, by_plan, *to, *valid)
                    .or_else(|| nothing(as_it_is(row, *to, *valid)?))
                    .or_else(|| not_in_plan(&items, self.trials, row, (*to)?))
            }
            Change::Calibration { sensor, channel, rated_counts, rated_force_n, source } => {
                let there = self.sensors.get(sensor.wrapping_sub(1))?;
                let there = there.channels.get(channel.wrapping_sub(1))?;
                let same = (there.rated_counts, there.rated_force_n, &there.calibration)
                    == (*rated_counts, *rated_force_n, source);
                same.then(|| format!("sensor {sensor} channel {channel} is calibrated so already"))
                    .and_then(nothing)
            }
            Change::Observation { kind, .. } if !KINDS.contains(&kind.as_str()) => Some((
                format!("`{kind}` is no kind of observation"),
                format!("use one of {}; what is none of these is a `text`", KINDS.join(", ")),
            )),
            Change::Observation { item, .. } => {
                let items = plan::read(self.plan).items;
                let there = items.is_empty() || *item == -1 || item_of(&items, *item).is_some();
                (!there).then(|| no_such_item(&items, *item))
            }
        }
    }

    fn trial(&self, order: i64) -> Option<&TrialRow> {
        self.trials.iter().find(|row| row.order == order)
    }
}

/// Why a trial cannot be made a result, and what to do instead. No force is named: the plan may hide it from who reads this.
fn not_to_be_judged_so(
    row: &TrialRow,
    by_plan: bool,
    to: Option<Assignment>,
    valid: Option<bool>,
) -> Option<(String, String)> {
    let (order, what) = (row.order, row.what());
    // A pull before the scored ones has an item and no number.
    let familiarisation = row.item > 0 && row.number < 0;
    if familiarisation && (valid == Some(true) || to.is_some_and(|to| to.number > 0)) {
        let why =
            format!("trial {order} ({what}) is a pull to get used to the test: it is kept and never scored");
        return Some((why, format!("was another one meant? {NAMED}")));
    }
    if by_plan && row.item <= 0 && to.is_none() && valid == Some(true) {
        let why =
            format!("trial {order} ({what}) belongs to no item of the plan, so it would enter no result");
        let assign = "fingerforced correct RECORDING --by CODE --why TEXT assign";
        let hint = format!(
            "say which trial it is: {assign} --trial {order} --item ITEM --number NUMBER --muscle \"SIDE DIGIT DIRECTION\""
        );
        return Some((why, hint));
    }
    None
}

fn item_of(items: &[Item], number: i64) -> Option<&Item> {
    items.get(usize::try_from(number).ok()?.checked_sub(1)?)
}

fn no_such_item(items: &[Item], number: i64) -> (String, String) {
    let all: Vec<String> =
        (1..).zip(items).map(|(number, item)| format!("{number} {}, {}", item.muscle, item.test)).collect();
    (format!("the plan has no item {number}"), format!("its items are: {}", all.join("; ")))
}

/// Why the plan has no such trial for this one to be; nothing where there is no plan.
fn not_in_plan(
    items: &[Item],
    rows: &[TrialRow],
    row: &TrialRow,
    to: Assignment,
) -> Option<(String, String)> {
    if items.is_empty() {
        return None;
    }
    let Some(item) = item_of(items, to.item) else { return Some(no_such_item(items, to.item)) };
    let order = row.order;
    if item.muscle.parse().ok() != Some(to.muscle) {
        let why = format!("item {} of the plan is of {}, not of {}", to.item, item.muscle, to.muscle);
        return Some((why, no_such_item(items, to.item).1));
    }
    if row.item > 0 && row.test != item.test {
        let why = format!("trial {order} is one of {} test, item {} one of {}", row.test, to.item, item.test);
        return Some((why, "exclude it instead".to_owned()));
    }
    let of_item = || rows.iter().filter(|other| other.item == to.item && other.order != order);
    let taken = of_item().find(|other| other.valid != 0 && other.number == to.number);
    if to.number >= 1 && taken.is_none() {
        return None;
    }
    let why = match taken {
        Some(other) => format!("trial {} is number {} of item {} already", other.order, to.number, to.item),
        None => format!("there is no number {}: trials of an item count from 1", to.number),
    };
    let next = of_item().map(|other| other.number).max().unwrap_or(0).max(0) + 1;
    Some((why, format!("the next free number of item {} is {next}", to.item)))
}

/// What is wanted of a trial and is so already, if all of it is.
fn as_it_is(row: &TrialRow, to: Option<Assignment>, valid: Option<bool>) -> Option<String> {
    let there = to
        .is_none_or(|to| (row.item, row.number, &row.muscle) == (to.item, to.number, &to.muscle.to_string()));
    let left_out = row.valid == 0 && !row.why_not.is_empty();
    // A hold without a plan counts unless it is said why not.
    let counts = row.valid != 0 || (row.item <= 0 && !left_out);
    let judged = valid.is_none_or(|valid| if valid { counts } else { left_out });
    let how = match valid {
        Some(true) => " counts already".to_owned(),
        Some(false) => format!(" does not count already: {}", row.why_not),
        None => " is that trial already".to_owned(),
    };
    (there && judged).then(|| format!("trial {} ({}){how}", row.order, row.what()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::repeats::tests::make_row;

    #[test]
    fn a_pull_to_get_used_to_it_is_never_scored_and_a_hold_of_no_trial_is_assigned_first() {
        let to = |number| Assignment { item: 1, number, muscle: "left index abduction".parse().unwrap() };
        let told = |row: &TrialRow, by_plan, to, valid| {
            not_to_be_judged_so(row, by_plan, to, valid).map(|(why, hint)| format!("{why} | {hint}"))
        };
        let scored = TrialRow { valid: 0, why_not: "slipped".into(), ..make_row(3, 12.0) };
        let familiar = TrialRow { number: -1, ..scored.clone() };
        let free = TrialRow { item: -1, number: -1, muscle: String::new(), ..scored.clone() };
        for (row, by_plan, to, valid, words) in [
            (&familiar, true, None, Some(true), "never scored"),
            (&familiar, true, Some(to(2)), None, "never scored"),
            (&free, true, None, Some(true), "assign --trial 3 "),
        ] {
            let why = told(row, by_plan, to, valid).unwrap_or_default();
            assert!(why.contains(words) && why.contains("trial 3 ("), "{why}");
            assert!(!why.contains("12"), "the plan may hide the force: {why}");
        }
        for (row, by_plan, to, valid) in [
            (&scored, true, None, Some(true)),
            (&familiar, true, None, Some(false)),
            (&free, true, Some(to(2)), None),
            (&free, true, Some(to(2)), Some(true)),
            (&free, false, None, Some(true)),
        ] {
            assert_eq!(told(row, by_plan, to, valid), None, "{row:?} {valid:?}");
        }
    }

    #[test]
    fn a_trial_is_assigned_only_to_what_the_plan_has() {
        let item =
            |muscle: &str, test: &str| Item { muscle: muscle.into(), test: test.into(), ..Item::default() };
        let items = [item("left index abduction", "make"), item("right index abduction", "break")];
        let row = TrialRow { test: "make".into(), ..make_row(3, 12.0) };
        let rows = [row.clone(), TrialRow { order: 4, number: 4, ..row.clone() }];
        let told = |item, number, muscle: &str| {
            let to = Assignment { item, number, muscle: muscle.parse().unwrap() };
            not_in_plan(&items, &rows, &row, to)
                .map_or(String::new(), |(why, hint)| format!("{why} | {hint}"))
        };
        for (item, number, muscle, words) in [
            (
                3,
                1,
                "left index abduction",
                "no item 3 | its items are: 1 left index abduction, make; 2 right",
            ),
            (0, 1, "left index abduction", "no item 0"),
            (1, 1, "right index abduction", "item 1 of the plan is of left index abduction, not of right"),
            (2, 1, "right index abduction", "trial 3 is one of make test, item 2 one of break"),
            (
                1,
                4,
                "left index abduction",
                "trial 4 is number 4 of item 1 already | the next free number of item 1 is 5",
            ),
            (1, 0, "left index abduction", "no number 0"),
        ] {
            let told = told(item, number, muscle);
            assert!(told.contains(words), "{told}");
        }
        assert_eq!(told(1, 1, "left index abduction"), "");
        let free = Assignment { item: 9, number: 1, muscle: "left index abduction".parse().unwrap() };
        assert_eq!(not_in_plan(&[], &rows, &row, free), None);
    }

    #[test]
    fn what_is_so_already_is_told() {
        let counts = make_row(3, 12.0);
        let out = TrialRow { valid: 0, why_not: "slipped".into(), ..counts.clone() };
        let free = TrialRow { item: -1, valid: 0, ..counts.clone() };
        let here = Assignment { item: 1, number: 3, muscle: "left index abduction".parse().unwrap() };
        let told = |row, to, valid| as_it_is(row, to, valid).is_some();
        assert!(told(&counts, None, Some(true)) && !told(&counts, None, Some(false)));
        assert!(told(&out, None, Some(false)) && !told(&out, None, Some(true)));
        assert!(told(&free, None, Some(true)) && !told(&free, None, Some(false)));
        assert!(
            told(&counts, Some(here), None) && !told(&counts, Some(Assignment { number: 2, ..here }), None)
        );
    }
}
