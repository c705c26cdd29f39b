//! Yields: sudden partial falls of force, and what followed them.
//!
//! A yield falls fast and then stays, while contact continues. One that recovers is a give-way; force that falls and
//! rises again in part undulates; a fall to nothing is a release or a slip, which force alone cannot tell apart.
//! Searched on a mean over one cycle of physiological tremor; the time is then fitted on the values themselves.

use super::errors::Errors;
use super::fit::{self, Candidates, Shape};
use super::onset::walk_back;
use super::release::Fall;
use super::{Parameters, release, wave};

/// Spacing of the smoothed force that is searched, s.
const STRIDE_S: f64 = 0.010;
/// Stretch over which force before a fall is judged, s.
const BEFORE_S: f64 = 1.0;
/// Stretch over which force after a fall must be flat, s.
const FLAT_S: f64 = 0.1;

/// What a fall of force was.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Yield {
    /// Force fell and stayed: where it began, where that was certain, and what was left, N.
    Broke { at: f64, certain: usize, after_n: f64 },
    /// Force fell and came back.
    GaveWay,
}

/// Finds the first yield in `values` (N above the level the pull started from) within `from..to`.
pub(super) fn find(values: &[f64], from: usize, to: usize, errors: &Errors, p: &Parameters) -> Option<Yield> {
    let search = Search::new(values, from, to, errors, p)?;
    let (mut i, mut fresh, mut high, mut highest, mut gave_way) = (0, 0, 0, 0, false);
    while i < search.y.len() {
        highest = search.highest(highest, fresh, i);
        let peak = search.y[highest];
        if search.y[i] >= 0.95 * peak {
            high = i;
        }
        if !search.falls(i, high, peak) {
            i += 1;
            continue;
        }
        let next = match search.follow(i, peak) {
            Follow::Flat(flat) => {
                if let Some(back) = search.regained(i, flat, peak) {
                    gave_way |= search.drop(high, i, flat).is_swift(p);
                    back
                } else if let Some(found) = search.judge(high, i, flat, peak) {
                    return Some(found);
                } else {
                    flat
                }
            }
            Follow::Gone(gone) => gone,
        };
        (i, fresh, high) = (next + 1, next + 1, next + 1);
    }
    gave_way.then_some(Yield::GaveWay)
}

enum Follow {
    Flat(usize),
    Gone(usize),
}

struct Search<'a> {
    /// Smoothed force at every stride, N.
    y: Vec<f64>,
    stride: usize,
    /// Place of the first of them in `values`.
    first: usize,
    /// The smoothing delays them by so many values.
    delay: usize,
    step_s: f64,
    values: &'a [f64],
    errors: &'a Errors,
    p: &'a Parameters,
}

impl<'a> Search<'a> {
    fn new(
        values: &'a [f64],
        from: usize,
        to: usize,
        errors: &'a Errors,
        p: &'a Parameters,
    ) -> Option<Search<'a>> {
        let stride = errors.count(STRIDE_S);
        let step_s = stride as f64 * errors.dt_s;
        let strides = (libm::round(p.yield_smoothing_s / step_s) as usize).max(1);
        let lead = (from / stride).min(strides);
        let end = (to + errors.count(0.35)).min(values.len());
        let smooth = wave::trailing_strides(values.get(from - lead * stride..end)?, stride, strides);
        let y = smooth.get(lead..)?.to_vec();
        Some(Search { y, stride, first: from, delay: strides * stride / 2, step_s, values, errors, p })
    }

    fn steps(&self, seconds: f64) -> usize {
        (libm::round(seconds / self.step_s) as usize).max(1)
    }

    /// The place of the last value that a step has seen.
    fn place(&self, k: usize) -> usize {
        self.first + (k + 1) * self.stride - 1
    }

    /// Place of the greatest force of the last second, no further back than `fresh`; `last` was it a step ago.
    fn highest(&self, last: usize, fresh: usize, i: usize) -> usize {
        let from = fresh.max(i.saturating_sub(self.steps(BEFORE_S)));
        if last >= from {
            return if self.y[i] >= self.y[last] { i } else { last };
        }
        (from..=i).fold(from, |best, k| if self.y[k] >= self.y[best] { k } else { best })
    }

    /// Whether force has dropped far and fast enough; `high` is where it was last near the peak.
    fn falls(&self, i: usize, high: usize, peak: f64) -> bool {
        // Smoothing and what is still to come take their part of the drop: it is judged again when it is over.
        let least = (0.75 * self.p.yield_drop_share * peak).max(self.p.yield_drop_n);
        peak > 2.0 * self.p.yield_drop_n
            && peak - self.y[i] >= least
            && i - high <= self.steps(self.p.yield_time_s)
    }

    /// Follows a fall from `i`: does it go flat while force is still there?
    fn follow(&self, i: usize, peak: f64) -> Follow {
        let y = &self.y;
        let flat = self.steps(FLAT_S).max(2);
        let short = (flat / 3).max(1);
        let mut steepest = 0.0_f64;
        let end = y.len().min(i + self.steps(self.p.yield_flat_s));
        for j in i.max(flat)..end {
            let slope = (y[j - flat] - y[j]) / flat as f64;
            steepest = steepest.max((y[j - short] - y[j]) / short as f64);
            if y[j] < self.p.yield_keep_share * peak {
                return Follow::Gone(j);
            }
            if j - i >= flat && slope < self.p.yield_flat_share * steepest {
                return Follow::Flat(j);
            }
        }
        Follow::Gone(end.saturating_sub(1).max(i))
    }

    /// Where the force is back.
    fn regained(&self, i: usize, flat: usize, peak: f64) -> Option<usize> {
        let until = (i + self.steps(self.p.regain_s)).min(self.y.len());
        (flat..until).find(|&k| self.y[k] >= self.p.regain_share * peak)
    }

    /// The drop between the steps `high` and `flat`, fitted.
    fn drop(&self, high: usize, i: usize, flat: usize) -> Drop {
        let (high, candidate) = (self.place(high).saturating_sub(self.delay), self.place(i));
        refine(self.values, high, candidate, self.place(flat), self.errors)
    }

    /// Whether force that fell and went flat at `flat` was a yield.
    fn judge(&self, high: usize, i: usize, flat: usize, peak: f64) -> Option<Yield> {
        let after = &self.y[flat..];
        let soon = &after[..self.steps(self.p.undulation_s).min(after.len())];
        let back = soon.iter().copied().fold(f64::NEG_INFINITY, f64::max) - self.y[flat];
        let stay = after.iter().position(|v| *v < 0.7 * self.y[flat]).unwrap_or(after.len());
        // What was cut short had less time to come back.
        let seen = soon.len().min(stay) as f64 / self.steps(self.p.undulation_s) as f64;
        let most = self.p.undulation_share * (0.3 + 0.7 * seen) * (peak - self.y[flat]);
        if back > most || stay < self.steps(self.p.yield_stay_s) {
            return None;
        }
        let drop = self.drop(high, i, flat);
        let shallow = drop.share < self.p.yield_drop_share;
        (drop.is_swift(self.p) && !shallow).then_some(Yield::Broke {
            at: drop.at,
            certain: self.place(flat),
            after_n: drop.after_n,
        })
    }
}

/// Where a drop began, its share of the force before it, what was left (N), and its time from 20 to 80 %.
struct Drop {
    at: f64,
    share: f64,
    after_n: f64,
    swiftness_s: Option<f64>,
}

impl Drop {
    /// A deep drop may take longer than the least one: it is as fast, and nothing undulates so far.
    fn is_swift(&self, p: &Parameters) -> bool {
        let depth = (self.share / p.yield_drop_share).clamp(1.0, 1.5);
        self.swiftness_s.is_none_or(|s| s <= p.yield_swift_s * depth)
    }
}

/// Fits the drop from the last high place up to `flat`.
fn refine(values: &[f64], high: usize, candidate: usize, flat: usize, errors: &Errors) -> Drop {
    let count = |seconds: f64| errors.count(seconds);
    let low = high.saturating_sub(count(0.35));
    let end = (flat + 1).min(values.len());
    let y = wave::centred(values.get(low..end).unwrap_or(&[]), count(0.02) | 1);
    if y.len() < 6 {
        return Drop { at: high as f64, share: 0.0, after_n: 0.0, swiftness_s: None };
    }
    let head = (candidate + 1).saturating_sub(low).clamp(2, y.len());
    let peak = wave::greatest(&y[..head]);
    let tail = &y[y.len() - count(0.05).max(2).min(y.len())..];
    let rest = tail.iter().sum::<f64>() / tail.len() as f64;
    let fall = Fall { earliest: low, knee: low + peak, latest: flat, high_n: y[peak], low_n: rest };
    let fitted = release::fit(values, fall, 0.8, errors);
    let share = (y[peak] - rest) / y[peak];
    match fitted {
        Some(fitted) if fitted.misfit < 50.0 => {
            Drop { at: fitted.at, share, after_n: rest, swiftness_s: Some(fitted.swiftness_s) }
        }
        _ => {
            let at = low as f64 + knee(&values[low..end], &y, peak, y[peak] - rest, errors);
            Drop { at, share, after_n: rest, swiftness_s: None }
        }
    }
}

/// The same where no curve fits: a straight line, then a quadratic fall, up to 45 % of the drop. `y` is `values`
/// smoothed.
fn knee(values: &[f64], y: &[f64], peak: usize, drop: f64, errors: &Errors) -> f64 {
    let count = |seconds: f64| errors.count(seconds);
    let mut e = peak;
    while e < y.len() - 1 && y[e] > y[peak] - 0.45 * drop {
        e += 1;
    }
    let k = walk_back(e, |k| y[k] < y[peak] - 0.10 * drop);
    let first = k.saturating_sub(count(0.15));
    let from = (first + 2).max(k.saturating_sub(count(0.10)));
    let to = (from + 2).max(e.saturating_sub(1));
    let Some(window) = values.get(first..=e).filter(|window| window.len() >= 6) else { return k as f64 };
    let step = ((to - from) as f64 / 150.0).max(1.0);
    let candidates = Candidates { from: (from - first) as f64, to: (to - first) as f64, step };
    fit::knee(window, candidates, Shape::Power(2)).map_or(k as f64, |s| s.at + first as f64)
}
