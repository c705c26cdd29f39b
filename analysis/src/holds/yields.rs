//! Yields: sudden partial falls of force, and what followed them.
//!
//! A yield falls fast and then stays, while contact continues. One that recovers is a give-way; a fall to nothing is a
//! release or a slip, which force alone cannot tell apart. All on a mean over one cycle of physiological tremor.

use super::fit::{self, Candidates, Shape};
use super::{Parameters, wave};

/// What a fall of force was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Yield {
    /// Force fell and stayed: where it began and where that was certain.
    Broke { at: f64, certain: usize },
    /// Force fell and came back.
    GaveWay,
}

/// Finds the first yield in `values` (N above the level the pull started from) within `from..to`.
pub(super) fn find(values: &[f64], from: usize, to: usize, dt_s: f64, p: &Parameters) -> Option<Yield> {
    let count = |seconds: f64| (libm::round(seconds / dt_s) as usize).max(1);
    let width = count(p.yield_smoothing_s);
    let lead = from.min(width);
    let end = (to + count(0.35)).min(values.len());
    let y = wave::trailing(values.get(from - lead..end)?, width);
    let y = y.get(lead..)?;
    let search = Search { y, p, flat: count(0.1).max(2), wait: count(p.yield_flat_s), second: count(1.0) };
    let time = count(p.yield_time_s);
    let (mut i, mut fresh, mut last95, mut gave_way) = (0, 0, 0, false);
    while i < y.len() {
        let window = fresh.max(i.saturating_sub(search.second));
        let peak = y[window..=i].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if y[i] >= 0.95 * peak {
            last95 = i;
        }
        let dropped = peak - y[i] >= (p.yield_drop_share * peak).max(p.yield_drop_n);
        if peak > 2.0 * p.yield_drop_n && dropped && i - last95 <= time {
            match search.follow(i, peak) {
                Follow::Flat(j) => {
                    let until = (i + count(p.regain_s)).min(y.len());
                    let back = (j..until).find(|&k| y[k] >= p.regain_share * peak);
                    let Some(back) = back else {
                        let at =
                            refine(values, from + last95.saturating_sub(width / 2), from + i, from + j, dt_s);
                        return Some(Yield::Broke { at, certain: from + j });
                    };
                    gave_way = true;
                    (i, fresh, last95) = (back, back, back);
                }
                Follow::Gone(j) => (i, fresh, last95) = (j + 1, j + 1, j + 1),
            }
        }
        i += 1;
    }
    gave_way.then_some(Yield::GaveWay)
}

enum Follow {
    Flat(usize),
    Gone(usize),
}

struct Search<'a> {
    y: &'a [f64],
    p: &'a Parameters,
    flat: usize,
    wait: usize,
    second: usize,
}

impl Search<'_> {
    /// Follows a fall from `i`: does it go flat while force is still there?
    fn follow(&self, i: usize, peak: f64) -> Follow {
        let y = self.y;
        let short = (self.flat / 3).max(1);
        let mut steepest = 0.0_f64;
        let end = y.len().min(i + self.wait);
        for j in i..end {
            if j >= self.flat {
                let slope = (y[j - self.flat] - y[j]) / self.flat as f64;
                steepest = steepest.max((y[j - short] - y[j]) / short as f64);
                if y[j] < self.p.yield_keep_share * peak {
                    return Follow::Gone(j);
                }
                if j - i >= self.flat && slope < self.p.yield_flat_share * steepest {
                    return Follow::Flat(j);
                }
            }
        }
        Follow::Gone(end.saturating_sub(1).max(i))
    }
}

/// The knee before the drop: a straight line, then a quadratic fall, up to 45 % of the drop.
fn refine(values: &[f64], high: usize, candidate: usize, flat: usize, dt_s: f64) -> f64 {
    let count = |seconds: f64| (libm::round(seconds / dt_s) as usize).max(1);
    let low = high.saturating_sub(count(0.35));
    let end = (flat + 1).min(values.len());
    let y = wave::centred(&values[low.min(end)..end], count(0.02) | 1);
    if y.len() < 6 {
        return high as f64;
    }
    let head = (candidate + 1).saturating_sub(low).clamp(2, y.len());
    let peak = wave::greatest(&y[..head]);
    let tail = &y[y.len() - count(0.05).max(2).min(y.len())..];
    let rest = tail.iter().sum::<f64>() / tail.len() as f64;
    let drop = y[peak] - rest;
    let mut e = peak;
    while e < y.len() - 1 && y[e] > y[peak] - 0.45 * drop {
        e += 1;
    }
    let mut k = e;
    while k > 0 && y[k] < y[peak] - 0.10 * drop {
        k -= 1;
    }
    let first = k.saturating_sub(count(0.15));
    let from = (first + 2).max(k.saturating_sub(count(0.10)));
    let to = (from + 2).max(e.saturating_sub(1));
    let fallback = (low + k) as f64;
    let Some(window) = values.get(low + first..=low + e) else { return fallback };
    if window.len() < 6 {
        return fallback;
    }
    let step = ((to - from) as f64 / 150.0).max(1.0);
    let candidates = Candidates { from: (from - first) as f64, to: (to - first) as f64, step };
    fit::knee(window, candidates, Shape::Power(2)).map_or(fallback, |s| s.at + (low + first) as f64)
}
