//! What a page shows of sealed recordings. Runs in a child, because it opens HDF5 files.
//!
//! Comes in: recordings. Goes out: results as the page lists them, what was corrected and is still to be entered, one
//! trial's force with its marks; a visit as it is shown before the next one, and the changes since. Forces N, times s since
//! the segment's start. What a plan hides from the examiner is left out.

use super::view::{Listed, Outcome, View};
use crate::visit::plan::{Item, Plan, Sees};
use analysis::command::compare::{self, limit_words, verdict_words};
use analysis::console::{Hint, advised};
use analysis::corrections::Change;
use analysis::measures::repeats;
use analysis::recording::layout::ObservationRow;
use analysis::recording::read::Recording;
use analysis::recording::revise::{self, Effect};
use analysis::report::page::condition_line;
use analysis::study::comparison::{self, Rules};
use analysis::study::procedure::{OfVisit, Repeats};
use analysis::study::visit::Visit;
use analysis::trial::Test;
use anyhow::Context;
use serde::Serialize;
use std::path::Path;

/// Force is shown from this long before the hold to this long after it, s.
const AROUND_S: f64 = 1.0;
/// Least and greatest force of at most this many stretches.
const STRETCHES: usize = 1500;

/// The results.
#[derive(Debug, Serialize)]
pub struct Results {
    trials: Vec<Listed>,
    results: Vec<Outcome>,
    /// Where the procedure's error beside each result comes from, or why there is none, a line each.
    procedure: Vec<String>,
    /// What was corrected, by whom and why.
    corrections: Vec<Effect>,
    /// What was seen, in words.
    observed: Vec<String>,
    /// What was to be seen and was not entered.
    missing: Vec<Missing>,
    /// Its revision.
    revision: i64,
}

/// An observation that the plan asks for and nobody entered.
#[derive(Debug, PartialEq, Eq, Serialize)]
pub struct Missing {
    /// Item, from 1; -1 the visit.
    item: i64,
    /// Which muscle.
    muscle: String,
    /// `active motion`, `length` or `pain after`.
    kind: String,
}

/// What the visit writes where nobody answers.
const NOT_ENTERED: &str = "not entered";

/// What is still to be entered: answers that the plan asks for, and pain after a side that was asked after in vain.
fn missing(plan: &Plan, observations: &[ObservationRow]) -> Vec<Missing> {
    let entered = |item: i64, kind: &str| {
        let own = |row: &&ObservationRow| row.item == item && row.kind == kind;
        observations.iter().filter(own).any(|row| row.value != NOT_ENTERED)
    };
    let looked_at = (1..).zip(&plan.items).filter_map(|(number, item)| {
        let kind = match item.test {
            Test::ActiveMotion => "active motion",
            Test::Length => "length",
            _ => return None,
        };
        Some(Missing { item: number, muscle: item.muscle.to_string(), kind: kind.to_owned() })
    });
    let asked = observations.iter().filter(|row| row.kind == "pain after" && row.value == NOT_ENTERED);
    let pain = asked.map(|row| {
        let muscle = planned(plan, row.item).map(|item| item.muscle.to_string());
        Missing { item: row.item, muscle: muscle.unwrap_or_default(), kind: row.kind.clone() }
    });
    looked_at.chain(pain).filter(|it| !entered(it.item, &it.kind)).collect()
}

/// A trial's force and marks.
#[derive(Debug, Serialize)]
pub struct Trace {
    order: i64,
    /// Start of each stretch, its least and its greatest force.
    bins: Vec<(f64, f64, f64)>,
    /// `onset`, `break`, `release`, `end`, where there is one.
    marks: Vec<(&'static str, f64)>,
}

/// The results of a recording; with the site's own repeats the procedure's error beside each.
pub fn results(path: &Path, repeats: Option<&Repeats>) -> anyhow::Result<Results> {
    let recording = &Recording::open(path).map_err(advised)?;
    let rows = recording.trials().map_err(advised)?;
    let plan = Plan::parse(recording.plan()).ok();
    let mut corrections = revise::effects(&recording.events().map_err(advised)?);
    for effect in &mut corrections {
        let (Change::Mark { trial, .. } | Change::Trial { trial, .. }) = effect.correction.change else {
            continue;
        };
        if rows.iter().any(|row| row.order == trial && !is_open(plan.as_ref(), row.item)) {
            effect.changed.clear();
        }
    }
    let observations = recording.observations().map_err(advised)?;
    let missing = plan.as_ref().map_or_else(Vec::new, |plan| missing(plan, &observations));
    let (trials, mut results) = View::of_recording(plan, rows).results_of_all();
    let errors = OfVisit::of(&Visit::of(recording, path).map_err(advised)?, repeats);
    let mut procedure = Vec::new();
    for result in &mut results {
        let Some(of) = errors.get(result.item) else { continue };
        result.procedure_sem = of.sem();
        procedure.push(format!("{}, {}: {}", result.muscle, result.test, of.words()));
    }
    let (observed, revision) = (observed(&observations), recording.root().revision);
    Ok(Results { trials, results, procedure, corrections, observed, missing, revision })
}

fn observed(observations: &[ObservationRow]) -> Vec<String> {
    let words = |row: &ObservationRow| {
        let item = if row.item > 0 { format!("item {}: ", row.item) } else { String::new() };
        format!("{item}{}: {}", row.kind, row.value)
    };
    observations.iter().map(words).collect()
}

/// A visit, as it is shown before the participant's next one.
#[derive(Debug, Serialize)]
pub struct Earlier {
    started_utc: String,
    examiner: String,
    title: String,
    items: Vec<Was>,
    observed: Vec<String>,
}

/// What an item came to, and how it was taken.
#[derive(Debug, Serialize)]
struct Was {
    #[serde(flatten)]
    result: Outcome,
    conditions: String,
}

/// A visit, as it is shown before the next one.
pub fn earlier(recording: &Recording) -> anyhow::Result<Earlier> {
    let rows = recording.trials().map_err(advised)?;
    let told = analysis::recording::plan::read(recording.plan());
    let conditions: Vec<String> = repeats::items(&rows)
        .iter()
        .map(|item| condition_line(item, &rows, &told).unwrap_or_default())
        .collect();
    let (_, results) = View::of_recording(Plan::parse(recording.plan()).ok(), rows).results_of_all();
    let items = results.into_iter().zip(conditions).map(|(result, conditions)| Was { result, conditions });
    let root = recording.root();
    Ok(Earlier {
        started_utc: root.started_utc.clone(),
        examiner: root.examiner.clone(),
        title: told.title.clone(),
        items: items.collect(),
        observed: observed(&recording.observations().map_err(advised)?),
    })
}

/// The changes since an earlier visit, as `fingerforce compare` tells them.
#[derive(Debug, Serialize)]
pub struct Compared {
    changes: Vec<Changed>,
    /// What a reader must know, a line each.
    told: Vec<String>,
    /// Changes that are not shown, because a plan hides their forces from the examiner.
    hidden: usize,
}

/// One change.
#[derive(Debug, Serialize)]
struct Changed {
    muscle: String,
    test: String,
    primary: bool,
    earlier_n: Option<f64>,
    later_n: Option<f64>,
    change_n: Option<f64>,
    change_percent: Option<f64>,
    limit: String,
    verdict: &'static str,
}

/// The changes from one recording to another.
pub fn compared(earlier: &Path, later: &Path, rules: &Rules) -> anyhow::Result<Compared> {
    let visits = [Visit::read(earlier).map_err(advised)?, Visit::read(later).map_err(advised)?];
    let mut found = comparison::compare(&visits, rules)?;
    let hiding: Vec<Plan> = [earlier, later]
        .into_iter()
        .filter_map(|path| Plan::parse(Recording::open_unverified(path).ok()?.plan()).ok())
        .collect();
    let is_hidden = |muscle: &str, test: &str| {
        let mut items = hiding.iter().flat_map(|plan| &plan.items);
        items.any(|item| {
            item.examiner_sees != Sees::All && item.muscle.to_string() == muscle && item.test.word() == test
        })
    };
    let all = found.changes.len();
    found.changes.retain(|change| !is_hidden(&change.muscle, &change.test));
    let told = compare::remarks(&found.changes) + &compare::counted(&found);
    let changes = found.changes.iter().map(|change| Changed {
        muscle: change.muscle.clone(),
        test: change.test.clone(),
        primary: change.primary,
        earlier_n: change.earlier_n,
        later_n: change.later_n,
        change_n: change.change_n,
        change_percent: change.change_percent,
        limit: limit_words(change).map_or_else(String::new, |words| words.to_string()),
        verdict: verdict_words(change),
    });
    Ok(Compared {
        hidden: all - found.changes.len(),
        changes: changes.collect(),
        told: told.lines().map(str::to_owned).collect(),
    })
}

/// Refuses a report of forces that a plan hides from the examiner.
pub fn may_be_reported(recording: &Recording) -> anyhow::Result<()> {
    let plan = Plan::parse(recording.plan()).ok();
    let hides = plan.is_some_and(|plan| plan.items.iter().any(|item| item.examiner_sees != Sees::All));
    anyhow::ensure!(
        !hides,
        anyhow::anyhow!("the plan hides forces from the examiner, and a report shows them")
            .context(Hint::new("whoever may see them makes it with `fingerforce report`"))
    );
    Ok(())
}

fn planned(plan: &Plan, number: i64) -> Option<&Item> {
    plan.items.get(usize::try_from(number).ok()?.checked_sub(1)?)
}

/// The examiner may see the force of this item (from 1).
fn is_open(plan: Option<&Plan>, number: i64) -> bool {
    plan.and_then(|plan| planned(plan, number)).is_none_or(|item| item.examiner_sees == Sees::All)
}

/// A trial's force and marks; refused where the plan hides its force from the examiner.
pub fn trace(recording: &Recording, order: i64) -> anyhow::Result<Trace> {
    let rows = recording.trials().map_err(advised)?;
    let row = rows.iter().find(|row| row.order == order).context("there is no such trial")?;
    let plan = Plan::parse(recording.plan()).ok();
    anyhow::ensure!(is_open(plan.as_ref(), row.item), "the plan hides this force from the examiner");
    let sensor = usize::try_from(row.sensor)?;
    let segments = recording.segments(sensor).map_err(advised)?;
    let segment = usize::try_from(row.segment).ok().and_then(|at| segments.get(at));
    let segment = segment.context("this trial has no samples: nothing was found in its window")?;
    let around = (AROUND_S * 1e9 / segment.interval_ns.max(1) as f64) as i64;
    let end = segment.first_sample.saturating_add(segment.samples);
    let first = row.first_sample.saturating_sub(around).max(segment.first_sample).max(0);
    let last = row.last_sample.saturating_add(around).min(end).max(first);
    let samples = recording.samples(sensor, first.unsigned_abs()..last.unsigned_abs()).map_err(advised)?;
    let force_n: Vec<f64> = samples.channel_force_n(usize::try_from(row.channel)?).collect();
    let length = force_n.len().div_ceil(STRETCHES).max(1);
    let bins =
        samples.device_time_s.chunks(length).zip(force_n.chunks(length)).filter_map(|(time_s, force_n)| {
            let least = force_n.iter().copied().fold(f64::INFINITY, f64::min);
            let greatest = force_n.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            time_s.first().map(|time_s| (*time_s, least, greatest))
        });
    let marks =
        [("onset", row.onset_s), ("break", row.break_s), ("release", row.release_s), ("end", row.end_s)];
    Ok(Trace {
        order,
        bins: bins.collect(),
        marks: marks.into_iter().filter(|(_, time_s)| time_s.is_finite()).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_nobody_answered_is_missing_until_somebody_enters_it() {
        let item = |test: &str| format!("[[item]]\nmuscle = \"left index abduction\"\ntest = \"{test}\"\n");
        let text = ["active-motion", "make", "length"].map(item).concat();
        let plan = Plan::parse(&format!("title = \"t\"\nprocedure = \"examined\"\n{text}")).unwrap();
        let row = |item: i64, kind: &str, value: &str| ObservationRow {
            item,
            kind: kind.to_owned(),
            value: value.to_owned(),
            scale: String::new(),
            entered_utc: String::new(),
            by: String::new(),
        };
        let mut seen = vec![
            row(1, "active motion", "reduced"),
            row(2, "text", "skipped"),
            row(3, "length", "not entered"),
            row(2, "pain after", "not entered"),
        ];
        let asked = |seen: &[ObservationRow]| {
            missing(&plan, seen).into_iter().map(|it| (it.item, it.kind)).collect::<Vec<_>>()
        };
        assert_eq!(asked(&seen), [(3, "length".to_owned()), (2, "pain after".to_owned())]);
        seen.extend([row(3, "length", "tight"), row(2, "pain after", "2")]);
        assert_eq!(asked(&seen), []);
        assert_eq!(
            asked(&[]),
            [(1, "active motion".to_owned()), (3, "length".to_owned())],
            "a visit ended early"
        );
    }
}
