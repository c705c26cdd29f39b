//! When a pull started: rise shapes fitted back from a level that the pull surely reached.
//!
//! A level is reached late by a time that depends on how the pull starts, so several rise shapes are fitted and their
//! starts averaged by likelihood; the spread over the shapes is the uncertainty. (In the manner of the likelihood-ratio
//! onset detectors of Staude, Flachenecker, Daumer and Wolf, EURASIP J Appl Signal Process 2001:67–81, with the fit of
//! the initial rise of Botzer and Karniel, Front Neurosci 2009;3:002.)

use super::curve::RISES;
use super::errors::Errors;
use super::fit::{self, Candidates, Shape};
use super::{change, wave};

/// What the fit needs to know.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rise {
    /// Where the force was first seen above its level.
    pub cross: usize,
    /// Nothing before this belongs to the level.
    pub earliest: usize,
    /// The level, N.
    pub base_n: f64,
    /// Noise of smoothed values, N.
    pub sd_n: f64,
    /// The fit goes up to this height above the level, N.
    pub height_n: f64,
    /// Spacing, s.
    pub dt_s: f64,
}

/// A fitted onset: position in values and spread, in values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Onset {
    /// Where.
    pub at: f64,
    /// Standard deviation, in values.
    pub sd: f64,
    /// Level before it, N.
    pub level_n: f64,
}

/// Fits the onset of a rise in `values` with powers of time alone: for what is still going on.
pub(super) fn quick(values: &[f64], rise: Rise) -> Option<Onset> {
    fit_shapes(values, rise, &POWERS)
}

/// Fits the onset of a rise in `values`.
pub(super) fn fit(values: &[f64], rise: Rise) -> Option<Onset> {
    let corners = [0.020, 0.040, 0.080, 0.160, 0.320].map(|c| Shape::Corner(c / rise.dt_s));
    let mut shapes = POWERS.to_vec();
    shapes.extend(corners);
    fit_shapes(values, rise, &shapes)
}

const POWERS: [Shape; 3] = [Shape::Power(1), Shape::Power(2), Shape::Power(3)];

fn fit_shapes(values: &[f64], rise: Rise, shapes: &[Shape]) -> Option<Onset> {
    let per_s = 1.0 / rise.dt_s;
    let width = (libm::round(0.010 * per_s) as usize).max(1) | 1;
    let above = |k: usize| wave::mean_at(values, k, width) - rise.base_n;
    let low = (2.0 * rise.sd_n).max(0.02);
    let last = values.len().checked_sub(1)?;
    let mut k = walk_back(rise.cross.min(last), |i| above(i) > low);
    while k < last && above(k) < rise.height_n {
        k += 1;
    }
    let height = above(k);
    let half = walk_back(k, |i| above(i) > 0.5 * height);
    let slope = 0.5 * height / ((k - half) as f64 * rise.dt_s).max(0.5 * rise.dt_s);
    if slope.is_nan() || slope <= 0.0 {
        return None;
    }
    let reach = (3.5 * height / slope * per_s).min(3.0 * per_s) as usize;
    let foot = walk_back(k, |i| above(i) > low).max(k.saturating_sub(reach));
    let length = (k - foot).max(3);
    let back = length.max((0.02 * per_s) as usize);
    let earliest = rise.earliest + 3;
    let from = foot.saturating_sub(back).min(k.saturating_sub(3));
    let from =
        from.max(k.saturating_sub(reach + (0.02 * per_s) as usize)).max(earliest.min(k.saturating_sub(3)));
    let to = k.min(foot + (0.7 * length as f64) as usize + 2).max(from + 2);
    let before = ((2.0 * reach as f64 * rise.dt_s).clamp(0.12, 0.5) * per_s) as usize;
    let first = from.saturating_sub(before).max(rise.earliest.min(from));
    let window = values.get(first..=k)?;
    if window.len() < 8 {
        return None;
    }
    let step = ((to - from) as f64 / 200.0).max(1.0);
    let candidates = Candidates { from: (from - first) as f64, to: (to - first) as f64, step };
    let starts: Vec<_> = shapes.iter().filter_map(|&shape| fit::rise(window, candidates, shape)).collect();
    let (at, sd) = fit::average(&starts, window.len(), 4)?;
    let best = starts.iter().min_by(|a, b| a.misfit.total_cmp(&b.misfit))?;
    Some(Onset { at: at + first as f64, sd, level_n: best.level })
}

/// Steps back from `k` while `high`.
pub(super) fn walk_back(mut k: usize, high: impl Fn(usize) -> bool) -> usize {
    while k > 0 && high(k) {
        k -= 1;
    }
    k
}

/// Fits the whole rise up to a share of the peak by rise curves; the largest share that fits well counts.
pub(super) fn fit_whole(values: &[f64], rise: Rise, errors: &mut Errors, peak_n: f64) -> Option<Onset> {
    let per_s = 1.0 / rise.dt_s;
    let width = (libm::round(0.010 * per_s) as usize).max(1) | 1;
    let above = |k: usize| wave::mean_at(values, k, width) - rise.base_n;
    let mut known_errors = false;
    for share in [0.7, 0.5, 0.25, 0.12] {
        let height_n = share * peak_n;
        if height_n < 8.0 * rise.sd_n {
            break;
        }
        let high = (rise.cross..values.len()).find(|&k| above(k) >= height_n)?;
        let low = walk_back(high, |k| above(k) > 0.15 * height_n);
        let between = |k: usize, level: f64| k as f64 + part(above(k), above(k + 1), level);
        let low_at = between(low, 0.15 * height_n);
        let high_at = between(high.saturating_sub(1), height_n);
        let span = high_at - low_at;
        if share > 0.5 && span * rise.dt_s > 0.15 {
            continue;
        }
        let foot = low_at - 0.8 * span;
        let first = (foot - (0.15 * per_s).max(0.5 * span)).max(rise.earliest as f64).max(0.0) as usize;
        let window = values.get(first..=high)?;
        if !known_errors {
            errors.at_rest(values, rise.earliest, foot.max(0.0) as usize, rise.sd_n);
            known_errors = true;
        }
        let known = change::Known {
            errors: *errors,
            rest_n: rise.base_n,
            slope_n_per_s: 0.0,
            level_n: rise.base_n,
            low_at: low_at - first as f64,
            high_at: high_at - first as f64,
            height_n,
            whole_n: peak_n,
            whole_sd: 0.0,
        };
        let fitted = change::fit(window, &known, &RISES);
        if let Some(f) = fitted
            && f.misfit < 4.0
        {
            return Some(Onset { at: f.at + first as f64, sd: f.sd, level_n: rise.base_n });
        }
    }
    None
}

/// Which part of the way from `a` to `b` passes `level`.
pub(super) fn part(a: f64, b: f64, level: f64) -> f64 {
    if a == b { 0.0 } else { ((level - a) / (b - a)).clamp(0.0, 1.0) }
}
