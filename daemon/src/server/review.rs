//! After the visit: what a page shows of the sealed recording. Runs in a child, because it opens an HDF5 file.
//!
//! Comes in: a recording. Goes out: its results as the page lists them, what was corrected, and one trial's force with its
//! marks. Forces N, times s since the segment's start.

use super::view::{Listed, Outcome, View};
use crate::visit::plan::{Plan, Sees};
use analysis::console::advised;
use analysis::recording::read::Recording;
use analysis::recording::revise::{self, Effect};
use anyhow::Context;
use serde::Serialize;

/// Force is shown from this long before the hold to this long after it, s.
const AROUND_S: f64 = 1.0;
/// Least and greatest force of at most this many stretches.
const STRETCHES: usize = 1500;

/// The results.
#[derive(Debug, Serialize)]
pub struct Results {
    trials: Vec<Listed>,
    results: Vec<Outcome>,
    /// What was corrected, by whom and why.
    corrections: Vec<Effect>,
    /// Its revision.
    revision: i64,
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

/// The results of a recording.
pub fn results(recording: &Recording) -> anyhow::Result<Results> {
    let rows = recording.trials().map_err(advised)?;
    let corrections = revise::effects(&recording.events().map_err(advised)?);
    let (trials, results) = View::of_recording(Plan::parse(recording.plan()).ok(), rows).results_of_all();
    Ok(Results { trials, results, corrections, revision: recording.root().revision })
}

/// A trial's force and marks; refused where the plan hides its force from the examiner.
pub fn trace(recording: &Recording, order: i64) -> anyhow::Result<Trace> {
    let rows = recording.trials().map_err(advised)?;
    let row = rows.iter().find(|row| row.order == order).context("there is no such trial")?;
    let plan = Plan::parse(recording.plan()).ok();
    let at = usize::try_from(row.item).ok().and_then(|item| item.checked_sub(1));
    let item = plan.as_ref().zip(at).and_then(|(plan, at)| plan.items.get(at));
    anyhow::ensure!(
        item.is_none_or(|item| item.examiner_sees == Sees::All),
        "the plan hides this force from the examiner"
    );
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
