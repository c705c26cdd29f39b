//! The final fall: when it started, and when force was down to a share of the peak.

use super::fit::{self, Candidates, Shape};
use super::wave;

/// Start of the final fall in `values` (N above the level the pull started from): the knee in front of the steepest
/// part of `from..=close`. Position in values.
pub(super) fn start(values: &[f64], from: usize, close: usize, dt_s: f64) -> Option<f64> {
    let count = |seconds: f64| (libm::round(seconds / dt_s) as usize).max(1);
    let low = from.max(close.saturating_sub(count(3.5)));
    let y = wave::centred(values.get(low..=close)?, count(0.03) | 1);
    if y.len() < 6 {
        return Some(close as f64);
    }
    let n = count(0.04);
    let slope = |k: usize| if k >= n { y[k] - y[k - n] } else { 0.0 };
    let steepest = (0..y.len()).min_by(|&a, &b| slope(a).total_cmp(&slope(b)))?;
    let mut k = steepest;
    while k > 0 && slope(k) < 0.15 * slope(steepest) {
        k -= 1;
    }
    let k = k.saturating_sub(n / 2);
    let fall = (y.len() - 1 - k).max(3);
    let before = &y[k.saturating_sub(count(0.1))..=k];
    let level = before.iter().sum::<f64>() / before.len() as f64;
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
    let smooth = wave::centred(values, width);
    let mut k = close.min(smooth.len().saturating_sub(1));
    while k + 1 < smooth.len() && smooth[k] >= level {
        k += 1;
    }
    while k > 0 && smooth[k] < level {
        k -= 1;
    }
    wave::between(&smooth, k, level)
}
