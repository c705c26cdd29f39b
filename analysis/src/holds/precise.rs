//! The precise times and forces of a hold, from its kept values, once it has ended.
//!
//! Comes in: the track (N) and the pull as the state machine saw it. Goes out: a [`Hold`].

use super::errors::Errors;
use super::onset::{self, Onset, Rise};
use super::pull::{Job, Pull};
use super::track::{Mark, Track};
use super::yields::Yield;
use super::{Flag, Hold, Kind, Parameters, level, release, wave, yields};
use crate::measures::mean::Sums;
use crate::measures::{self, Stretch, Yielded};
use crate::trial::Test;

/// What is looked at before a pull, s.
pub(super) const BEFORE_S: f64 = 3.0;
/// A level above zero by more than this is pretension, N.
const PRETENSION_N: f64 = 0.3;
/// Stretch over which the level before a pull is taken, s.
const LEVEL_S: f64 = 1.0;

/// Onset of a pull that has just been confirmed, as a position.
pub(super) fn onset_so_far(track: &Track, pull: &Pull, now: u64) -> f64 {
    let first = first_kept(track, pull);
    let values = track.slice(first, now);
    let height = values.last().map_or(0.0, |v| v - pull.base.force_n);
    let rise = rise_of(pull, first, 0.8 * height, track.dt_s());
    let found = onset::quick(values, rise).map_or(pull.cross as f64 - first as f64, |onset| onset.at);
    first as f64 + found
}

fn first_kept(track: &Track, pull: &Pull) -> u64 {
    pull.cross.saturating_sub((BEFORE_S / track.dt_s()) as u64).max(track.start())
}

fn rise_of(pull: &Pull, first: u64, height_n: f64, dt_s: f64) -> Rise {
    Rise {
        cross: pull.cross.saturating_sub(first) as usize,
        earliest: pull.earliest.saturating_sub(first) as usize,
        base_n: pull.base.force_n,
        sd_n: pull.base.sd_n,
        height_n: height_n.max(0.3).max(8.0 * pull.base.sd_n),
        dt_s,
    }
}

/// The values of a hold above the level it started from, with a little before and after.
struct Values {
    first: u64,
    above: Vec<f64>,
    cross: usize,
    close: usize,
    earliest: usize,
    dt_s: f64,
    /// The level, N.
    level_n: f64,
    /// Means over 20 ms or three values, whichever is longer.
    smooth: Vec<f64>,
    /// Where they are greatest.
    peak: usize,
}

impl Values {
    fn new(job: &Job) -> Values {
        let (track, pull) = (&job.track, &job.pull);
        let first = first_kept(track, pull);
        let level_n = pull.base.force_n;
        let above: Vec<f64> = track.slice(first, track.end()).iter().map(|v| v - level_n).collect();
        let last = above.len().saturating_sub(1);
        let local = |position: u64| (position.saturating_sub(first) as usize).min(last);
        let (cross, close, dt_s) = (local(pull.cross), local(job.close), track.dt_s());
        let width = (libm::round(0.020 / dt_s) as usize).max(3) | 1;
        // Nobody looks at the means before the pull.
        let from = cross.saturating_sub(width);
        let mut smooth = vec![0.0; from];
        smooth.extend(wave::centred(&above[from..], width));
        let peak = cross + wave::greatest(&smooth[cross..=close]);
        let earliest = local(pull.earliest);
        Values { first, cross, close, earliest, above, dt_s, level_n, smooth, peak }
    }

    fn peak_n(&self) -> f64 {
        self.smooth[self.peak]
    }

    fn count(&self, seconds: f64) -> usize {
        (libm::round(seconds / self.dt_s) as usize).max(1)
    }

    /// Moves the level.
    fn relevel(&mut self, by_n: f64) {
        self.level_n += by_n;
        for values in [&mut self.above, &mut self.smooth] {
            for value in values {
                *value -= by_n;
            }
        }
    }

    /// Level in the stretch before a place, N: the median of means over 50 ms.
    fn level_before(&self, place: f64) -> Option<f64> {
        let to = (place as usize).saturating_sub(self.count(0.05));
        let from = self.earliest.max(to.saturating_sub(self.count(LEVEL_S)));
        let bins = self.above.get(from..to)?.rchunks_exact(self.count(0.05));
        let mut means: Vec<f64> = bins.map(|bin| bin.iter().sum::<f64>() / bin.len() as f64).collect();
        (means.len() >= 4).then(|| level::median(&mut means))
    }
}

/// Finds the onset, and with it the level the pull started from, which is moved to.
fn find_onset(values: &mut Values, pull: &Pull, errors: &mut Errors) -> Option<Onset> {
    let mut onset = None;
    errors.in_pull(&values.above, values.cross, values.close);
    for _ in 0..2 {
        let peak_n = values.peak_n();
        let rising = &values.above[..=values.peak];
        let mut rise = rise_of(pull, values.first, 0.01 * peak_n, values.dt_s);
        rise.base_n = 0.0;
        onset = onset::fit_whole(rising, rise, errors, peak_n).or_else(|| {
            let found = onset::fit(rising, rise);
            found.and_then(|onset| turning(values, pull, onset.at)).or(found)
        });
        let at = onset.map_or(values.cross as f64, |onset| onset.at);
        let Some(moved) = values.level_before(at) else { break };
        values.relevel(moved);
        if moved.abs() < pull.base.sd_n.max(0.02) {
            break;
        }
    }
    onset
}

/// Where force dipped before the pull, the pull starts where it turns.
fn turning(values: &Values, pull: &Pull, at: f64) -> Option<Onset> {
    let from = (at as usize).saturating_sub(values.count(0.2)).max(values.earliest);
    let to = at as usize + values.count(0.05);
    let smooth = wave::centred(values.above.get(from..to)?, values.count(0.015).max(3) | 1);
    let lowest = (0..smooth.len()).min_by(|&a, &b| smooth[a].total_cmp(&smooth[b]))?;
    let base_n = smooth[lowest];
    if base_n > -(4.0 * pull.base.sd_n).max(0.1) {
        return None;
    }
    let rise = Rise {
        cross: from + lowest + 1,
        earliest: from + lowest,
        base_n,
        sd_n: pull.base.sd_n,
        height_n: (8.0 * pull.base.sd_n).max(0.3).max(-base_n),
        dt_s: values.dt_s,
    };
    onset::fit(&values.above, rise)
}

/// Measures a pull that is over.
pub(super) fn measure(job: &Job) -> Hold {
    let Job { track, grid, pull, flag, parameters, .. } = job;
    let mut values = Values::new(job);
    let mut errors = Errors::white(values.dt_s, pull.base.noise_n);
    let onset = find_onset(&mut values, pull, &mut errors);
    let last = values.above.len().saturating_sub(1);
    let onset_at = onset.map_or(values.cross as f64, |o| o.at).clamp(0.0, last as f64);
    let (peak_at, peak_n) = (values.peak, values.peak_n());
    let open = matches!(flag, Some(Flag::Cut | Flag::TooLong));
    let width = values.count(0.010) | 1;
    let end_at = release::last_crossing(&values.above, values.close, parameters.end_share * peak_n, width);
    let end = if open { values.close as f64 } else { end_at };
    let found = yields::find(&values.above, values.cross, values.close, &errors, parameters);
    let (yielded, fall_from) = match found {
        Some(Yield::Broke { at, certain, after_n }) => {
            let before_n = peak_until(&values.smooth, values.cross, at);
            (Some(Yielded { at, before_n, after_n }), certain.saturating_sub(values.count(0.05)))
        }
        _ => (None, values.cross),
    };
    let release_at =
        if open { None } else { release::start(&values.above, fall_from, values.close, &errors) };
    let stretch = Stretch {
        values: &values.above,
        dt_s: values.dt_s,
        onset: onset_at,
        onset_sd: onset.map(|o| o.sd),
        release: release_at,
        end,
        peak: peak_at,
        peak_n,
        yielded,
    };
    let sums = Sums::of(&stretch);
    let rise5 = rise5(&values, onset_at, 0.05 * peak_n);
    let level_n = values.level_n;
    let broke = yielded.filter(|_| parameters.test == Test::Break);
    let time_s = |at: f64| track.time_s(values.first as f64 + at);
    Hold {
        kind: kind(&values, rise5, onset_at, end, parameters),
        first_index: grid.index((values.first as f64 + onset_at).ceil() as u64),
        last_index: grid.index((values.first as f64 + end) as u64),
        onset_s: time_s(onset_at),
        onset_sd_s: onset.map(|o| o.sd * values.dt_s),
        rise5_s: rise5.map(time_s),
        break_s: broke.map(|y| time_s(y.at)),
        break_n: broke.map(|y| y.before_n),
        release_s: release_at.map(time_s),
        end_s: if open { None } else { Some(time_s(end_at)) },
        rest_n: level_n,
        contact_s: pull.contact_s,
        contact_n: if pull.contact_s.is_some() { level_n - pull.zero_n } else { 0.0 },
        peak_n,
        peak_s: time_s(peak_at as f64),
        peak_zero_n: peak_n + level_n - pull.zero_n,
        mean_n: sums.best(1.0),
        measures: measures::all(&stretch, &sums, parameters),
        flags: flags(job, &values, onset_at, found),
    }
}

/// First crossing of 5 % of the peak on the way up.
fn rise5(values: &Values, onset_at: f64, level: f64) -> Option<f64> {
    let width = values.count(0.010) | 1;
    let smooth = |k: usize| wave::mean_at(&values.above, k, width);
    let mut k = onset::walk_back(values.cross, |i| smooth(i) >= level);
    while k < values.close && smooth(k) < level {
        k += 1;
    }
    let k = k.checked_sub(1)?;
    let at = k as f64 + onset::part(smooth(k), smooth(k + 1), level);
    Some(at.max(onset_at.min(k as f64)))
}

fn peak_until(smooth: &[f64], from: usize, at: f64) -> f64 {
    let to = (at as usize + 1).clamp(from + 1, smooth.len());
    smooth[from..to].iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// A hold is large enough for long enough: its least peak is held without a break, and it lasts from 5 % of the peak
/// to its end.
fn kind(values: &Values, rise5: Option<f64>, onset: f64, end: f64, parameters: &Parameters) -> Kind {
    let held = values.count(parameters.hold_held_s);
    let mut run = 0;
    let mut longest = 0;
    for value in &values.smooth[values.cross..=values.close] {
        run = if *value >= parameters.hold_min_n { run + 1 } else { 0 };
        longest = longest.max(run);
        if longest >= held {
            break;
        }
    }
    let long = (end - rise5.map_or(onset, |at| at.max(onset))) * values.dt_s >= parameters.hold_min_s;
    if longest >= held && long { Kind::Hold } else { Kind::Touch }
}

fn flags(job: &Job, values: &Values, onset: f64, found: Option<Yield>) -> Vec<Flag> {
    let Job { track, pull, flag, parameters, .. } = job;
    let at = values.first as f64 + onset;
    let (from, to) = (at as u64, values.first + values.close as u64);
    let mut flags: Vec<Flag> = flag.iter().copied().collect();
    let mut put = |flag: Flag, when: bool| {
        if when {
            flags.push(flag);
        }
    };
    put(Flag::Saturated, track.marked(Mark::Saturated, from, to + 1));
    let near = values.count(0.05) as f64;
    let (around, beyond) = ((at - near).max(0.0) as u64, (at + near) as u64 + 1);
    let near = track.marked(Mark::Missing, around, beyond);
    put(Flag::GapNearOnset, near);
    put(Flag::Gap, !near && track.marked(Mark::Missing, from, to + 1));
    put(Flag::LateArm, pull.late);
    // What falls below the level it started from was pretension too, if zero was not known.
    let after = values.above.len().saturating_sub(values.count(0.1));
    let after = &values.above[after..];
    let fell_below =
        flag.is_none() && after.iter().sum::<f64>() / (after.len().max(1) as f64) < -PRETENSION_N;
    put(
        Flag::Pretension,
        fell_below || pull.contact_s.is_some() && values.level_n - pull.zero_n > PRETENSION_N,
    );
    put(Flag::DoublePull, pulled_twice(values, onset));
    let before = (onset as usize).saturating_sub(values.count(0.2))..onset as usize;
    let before = values.above.get(before).unwrap_or(&[]);
    let quiet = wave::centred(before, values.count(0.015).max(3) | 1);
    let lowest = quiet.iter().copied().fold(0.0, f64::min);
    let furthest = quiet.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let most = (4.0 * pull.base.sd_n).max(0.1);
    put(Flag::Countermovement, lowest < -most);
    put(Flag::UnstableRest, furthest > most);
    match found {
        Some(Yield::Broke { .. }) => put(Flag::PossibleYield, parameters.test != Test::Break),
        Some(Yield::GaveWay) => put(Flag::GiveWay, true),
        None => put(Flag::ReleaseOrSlip, parameters.test == Test::Break && flag.is_none()),
    }
    flags.sort_unstable();
    flags
}

/// Whether force fell below 70 % of an early local peak before it reached 90 % of the hold's.
fn pulled_twice(values: &Values, onset: f64) -> bool {
    let rise = values.above.get(onset as usize..=values.peak).unwrap_or(&[]);
    let smooth = wave::trailing_strides(rise, values.count(0.01), 5);
    let peak = smooth.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let mut highest = (0.1 * peak).max(0.5);
    for value in smooth.iter().take_while(|v| **v < 0.9 * peak) {
        if *value < 0.7 * highest && highest > (0.1 * peak).max(0.5) {
            return true;
        }
        highest = highest.max(*value);
    }
    false
}
