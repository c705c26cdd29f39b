//! The precise times and forces of a hold, from its kept values, once it has ended.
//!
//! Comes in: the track (N) and the pull as the state machine saw it. Goes out: a [`Hold`].

use super::finder::Pull;
use super::front::Front;
use super::onset::{self, Rise};
use super::track::{Mark, Track};
use super::yields::Yield;
use super::{Flag, Hold, Kind, Parameters, release, wave, yields};
use crate::measures::{self, Stretch};
use crate::trial::Test;

/// What is looked at before a pull, s.
const BEFORE_S: f64 = 3.0;

/// Onset of a pull that has just been confirmed, as a position.
pub(super) fn onset_so_far(track: &Track, pull: &Pull, now: u64) -> f64 {
    let first = first_kept(track, pull);
    let values = track.slice(first, now);
    let height = values.last().map_or(0.0, |v| v - pull.base.force_n);
    let rise = rise_of(pull, first, 0.8 * height, track.dt_s());
    let found = onset::fit(values, rise).map_or(pull.cross as f64 - first as f64, |onset| onset.at);
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

/// The values of a hold above the level it started from.
struct Values {
    first: u64,
    above: Vec<f64>,
    cross: usize,
    close: usize,
    dt_s: f64,
}

impl Values {
    fn count(&self, seconds: f64) -> usize {
        (libm::round(seconds / self.dt_s) as usize).max(1)
    }
}

/// Measures a pull that ended at `close` and was seen until `now`.
pub(super) fn measure(
    track: &Track,
    front: &Front,
    pull: &Pull,
    close: u64,
    now: u64,
    flag: Option<Flag>,
    parameters: &Parameters,
) -> Hold {
    let first = first_kept(track, pull);
    let base_n = pull.base.force_n;
    let above: Vec<f64> = track.slice(first, now).iter().map(|v| v - base_n).collect();
    let last = above.len().saturating_sub(1);
    let local = |position: u64| (position.saturating_sub(first) as usize).min(last);
    let values = Values { first, cross: local(pull.cross), close: local(close), above, dt_s: track.dt_s() };
    let time_s = |at: f64| track.time_s(first as f64 + at);

    let open = matches!(flag, Some(Flag::Cut | Flag::TooLong));
    let width = values.count(0.020).max(3) | 1;
    let smooth = wave::centred(&values.above, width);
    let peak_at = values.cross + wave::greatest(&smooth[values.cross..=values.close]);
    let peak_n = smooth[peak_at];

    let absolute: Vec<f64> = track.slice(first, now).to_vec();
    let onset = onset::fit(&absolute, rise_of(pull, first, 0.05 * peak_n, values.dt_s));
    let onset_at = onset.map_or(values.cross as f64, |o| o.at).clamp(0.0, last as f64);
    let rise5 = rise5(&values, onset_at, 0.05 * peak_n);
    let end_at = release::last_crossing(
        &values.above,
        values.close,
        parameters.end_share * peak_n,
        values.count(0.010) | 1,
    );
    let found = yields::find(&values.above, values.cross, values.close, values.dt_s, parameters);
    let (broke, fall_from) = match found {
        Some(Yield::Broke { at, certain }) => (Some(at), certain.saturating_sub(values.count(0.05))),
        _ => (None, values.cross),
    };
    let break_n = broke.map(|at| peak_until(&smooth, values.cross, at));
    let release_at =
        if open { None } else { release::start(&values.above, fall_from, values.close, values.dt_s) };
    let stretch = Stretch {
        values: &values.above,
        dt_s: values.dt_s,
        onset: onset_at,
        end: if open { values.close as f64 } else { end_at },
        peak: peak_at,
        peak_n,
        broke,
    };
    let mut hold = Hold {
        kind: kind(&values, onset_at, stretch.end, parameters),
        first_index: front.index((first as f64 + onset_at).ceil() as u64),
        last_index: front.index((first as f64 + stretch.end) as u64),
        onset_s: time_s(onset_at),
        onset_sd_s: onset.map(|o| o.sd * values.dt_s),
        rise5_s: rise5.map(time_s),
        break_s: broke.filter(|_| parameters.test == Test::Break).map(time_s),
        break_n: break_n.filter(|_| parameters.test == Test::Break),
        release_s: release_at.map(time_s),
        end_s: if open { None } else { Some(time_s(end_at)) },
        rest_n: base_n,
        contact_s: pull.contact.map(|(since, _)| track.time_s(since as f64)),
        contact_n: pull.contact.map_or(0.0, |(_, level_n)| level_n),
        peak_n,
        peak_s: time_s(peak_at as f64),
        peak_zero_n: peak_n + base_n - pull.zero_n,
        mean_n: measures::best_mean(&stretch, 1.0),
        measures: measures::all(&stretch, parameters),
        flags: Vec::new(),
    };
    hold.flags = flags(track, pull, &values, onset_at, found, flag, parameters);
    hold
}

/// First crossing of 5 % of the peak on the way up.
fn rise5(values: &Values, onset_at: f64, level: f64) -> Option<f64> {
    let smooth = wave::centred(&values.above, values.count(0.010) | 1);
    let mut k = onset::walk_back(values.cross, |i| smooth[i] >= level);
    while k < values.close && smooth[k] < level {
        k += 1;
    }
    let k = k.checked_sub(1)?;
    Some(wave::between(&smooth, k, level).max(onset_at.min(k as f64)))
}

fn peak_until(smooth: &[f64], from: usize, at: f64) -> f64 {
    let to = (at as usize + 1).clamp(from + 1, smooth.len());
    smooth[from..to].iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

/// A hold is large enough for long enough; the level that counts is one that was held.
fn kind(values: &Values, onset: f64, end: f64, parameters: &Parameters) -> Kind {
    let held =
        wave::trailing(&values.above[values.cross..=values.close], values.count(parameters.hold_held_s));
    let top = held.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let long = (end - onset) * values.dt_s >= parameters.hold_min_s;
    if top >= parameters.hold_min_n && long { Kind::Hold } else { Kind::Touch }
}

fn flags(
    track: &Track,
    pull: &Pull,
    values: &Values,
    onset: f64,
    found: Option<Yield>,
    flag: Option<Flag>,
    parameters: &Parameters,
) -> Vec<Flag> {
    let at = values.first as f64 + onset;
    let (from, to) = (at as u64, values.first + values.close as u64);
    let mut flags: Vec<Flag> = flag.into_iter().collect();
    let mut put = |flag: Flag, when: bool| {
        if when {
            flags.push(flag);
        }
    };
    put(Flag::Saturated, track.marked(Mark::Saturated, from, to + 1));
    let near = pull.gap_near(track, at);
    put(Flag::GapNearOnset, near);
    put(Flag::Gap, !near && track.marked(Mark::Missing, from, to + 1));
    put(Flag::LateArm, pull.late);
    put(Flag::Pretension, pull.contact.is_some_and(|(_, level_n)| level_n > 0.3));
    let before = (onset as usize).saturating_sub(values.count(0.2))..onset as usize;
    let before = values.above.get(before).unwrap_or(&[]);
    let quiet = wave::centred(before, values.count(0.015) | 1);
    let lowest = quiet.iter().copied().fold(0.0, f64::min);
    let furthest = quiet.iter().map(|v| v.abs()).fold(0.0, f64::max);
    put(Flag::Countermovement, lowest < -(3.0 * pull.base.sd_n).max(0.1));
    put(Flag::UnstableRest, furthest > (3.0 * pull.base.sd_n).max(0.1));
    match found {
        Some(Yield::Broke { .. }) => put(Flag::PossibleYield, parameters.test != Test::Break),
        Some(Yield::GaveWay) => put(Flag::GiveWay, true),
        None => {}
    }
    flags
}
