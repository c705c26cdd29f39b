//! Falls of force: when they started, and when force was down to a share of the peak.

use super::change::{self, Fitted, Known};
use super::curve::FALLS;
use super::errors::Errors;
use super::fit::{self, Candidates, Shape};
use super::onset::{part, walk_back};
use super::{level, wave};

/// Where a fall may have started, and from and to which force it goes.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fall {
    /// Nothing before this belongs to it.
    pub earliest: usize,
    /// A place at which force has started to fall or soon will.
    pub knee: usize,
    /// Nothing after this belongs to it.
    pub latest: usize,
    /// Force before, N.
    pub high_n: f64,
    /// Force after, N.
    pub low_n: f64,
}

/// Fits the first part of a fall in `values` (N above the level the pull started from). Its start is a position in
/// `values`.
pub(super) fn fit(values: &[f64], fall: Fall, share: f64, errors: &Errors) -> Option<Fitted> {
    let whole_n = fall.high_n - fall.low_n;
    let latest = fall.latest.min(values.len().checked_sub(1)?);
    let near = values.get(fall.knee..=latest)?;
    let smooth = wave::centred(near, errors.count(0.010) | 1);
    let height_n = share * whole_n;
    let high = smooth.iter().position(|v| *v <= fall.high_n - height_n)?;
    let low = walk_back(high, |k| smooth[k] < fall.high_n - 0.15 * height_n);
    let low_at = fall.knee as f64 + wave::between(&smooth, low, fall.high_n - 0.15 * height_n);
    let high = fall.knee + high;
    let span = high as f64 - low_at;
    let before = (0.8 * span + errors.count(0.1) as f64).max(1.3 * span);
    let first = ((low_at - before).max(0.0) as usize).max(fall.earliest);
    let window: Vec<f64> = values.get(first..=high)?.iter().map(|v| -v).collect();
    let known = Known {
        errors: Errors { wander_n: 0.0, ..*errors },
        rest_n: 0.0,
        slope_n_per_s: 0.3 * fall.high_n.abs(),
        level_n: -fall.high_n,
        low_at: low_at - first as f64,
        high_at: high as f64 - first as f64,
        height_n,
        whole_n,
        whole_sd: 0.1,
    };
    let fitted = change::fit(&window, &known, &FALLS)?;
    Some(Fitted { at: fitted.at + first as f64, ..fitted })
}

/// Start of the final fall in `values` (N above the level the pull started from): the knee in front of the steepest
/// part that comes after force was last as high as it was half of the time (up to 3.5 s before `close`). Position in
/// values.
pub(super) fn start(values: &[f64], from: usize, close: usize, errors: &Errors) -> Option<f64> {
    let count = |seconds: f64| errors.count(seconds);
    let low = from.max(close.saturating_sub(count(3.5)));
    let y = wave::centred(values.get(low..=close)?, count(0.03) | 1);
    if y.len() < 6 {
        return Some(close as f64);
    }
    let n = count(0.04);
    let slope = |k: usize| if k >= n { y[k] - y[k - n] } else { 0.0 };
    let middle_n = level::median(&mut y.clone());
    let high = y.iter().rposition(|v| *v >= middle_n).unwrap_or(0);
    let (_, steepest) =
        (high..y.len()).map(|k| (slope(k), k)).reduce(|a, b| if b.0 < a.0 { b } else { a })?;
    let k = walk_back(steepest, |k| slope(k) < 0.15 * slope(steepest)).saturating_sub(n / 2);
    let before = &y[k.saturating_sub(count(0.1))..=k];
    let level = before.iter().sum::<f64>() / before.len() as f64;
    let after = values.get(close..(close + count(0.3)).min(values.len())).unwrap_or(&[]);
    let after = &after[after.len().saturating_sub(count(0.15))..];
    let low_n = if after.is_empty() { 0.0 } else { after.iter().sum::<f64>() / after.len() as f64 };
    let fall = Fall {
        earliest: from,
        knee: low + k,
        latest: close + count(0.2),
        high_n: level,
        low_n: low_n.min(0.5 * level),
    };
    match fit(values, fall, 0.8, errors) {
        Some(fitted) if fitted.misfit < 50.0 => Some(fitted.at),
        _ => simple_start(values, &y, low, k, level, errors),
    }
}

/// The same where no curve fits: a straight line, then a quadratic or cubic fall, down to 45 %.
fn simple_start(values: &[f64], y: &[f64], low: usize, k: usize, level: f64, errors: &Errors) -> Option<f64> {
    let count = |seconds: f64| errors.count(seconds);
    let fall = (y.len() - 1 - k).max(3);
    let mut d = k;
    while d < y.len() - 1 && y[d] > 0.45 * level {
        d += 1;
    }
    let first = k.saturating_sub(count(0.15).max((0.4 * fall as f64) as usize));
    let earliest = (first + 2).max(k.saturating_sub(count(0.06).max((0.3 * fall as f64) as usize)));
    let latest = (earliest + 2).max(d.saturating_sub(1));
    let fallback = Some((low + k) as f64);
    let window = values.get(low + first..=low + d)?;
    if window.len() < 6 {
        return fallback;
    }
    let step = ((latest - earliest) as f64 / 150.0).max(1.0);
    let candidates = Candidates { from: (earliest - first) as f64, to: (latest - first) as f64, step };
    let starts: Vec<_> =
        [2, 3].into_iter().filter_map(|p| fit::knee(window, candidates, Shape::Power(p))).collect();
    fit::average(&starts, window.len(), 5).map(|(at, _)| at + (low + first) as f64).or(fallback)
}

/// Last crossing of `level` on the way down before `close`, in a centred mean over `width` values.
pub(super) fn last_crossing(values: &[f64], close: usize, level: f64, width: usize) -> f64 {
    let smooth = |k: usize| wave::mean_at(values, k, width);
    let last = values.len().saturating_sub(1);
    let mut k = close.min(last);
    while k < last && smooth(k) >= level {
        k += 1;
    }
    let k = walk_back(k, |k| smooth(k) < level);
    k as f64 + part(smooth(k), smooth((k + 1).min(last)), level)
}
