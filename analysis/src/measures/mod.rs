//! The measures of a hold, a file a family.
//!
//! Comes in: a [`Stretch`] of values (N above the level the pull started from). Goes out: [`Measures`].

mod rate;
pub mod repeats;

use crate::holds::Parameters;
use crate::holds::wave;
use serde::{Deserialize, Serialize};

pub use rate::force_rise;

/// A hold to be measured: its values with a little before and after, and where things are in them.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// Force above the level the pull started from, N.
    pub values: &'a [f64],
    /// Spacing, s.
    pub dt_s: f64,
    /// Onset, in values.
    pub onset: f64,
    /// End, in values.
    pub end: f64,
    /// Peak, in values.
    pub peak: usize,
    /// Peak, N.
    pub peak_n: f64,
    /// Yield, in values.
    pub broke: Option<f64>,
}

/// The measures of one hold that need the whole of it. Unknown or refused is `None`; forces are above the level the
/// pull started from.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Measures {
    /// Rate at which force rose over the last 0.5 s before the break (or peak, without one), N/s.
    pub loading_rate_n_per_s: Option<f64>,
    /// Trapezoidal integral of force from onset to end, N·s.
    pub impulse_n_s: Option<f64>,
    /// Peak time minus onset, s.
    pub time_to_peak_s: Option<f64>,
    /// First time at 90 % of the peak minus onset, s.
    pub time_to_90_percent_s: Option<f64>,
    /// (F(onset + 50 ms) − F(onset)) / 50 ms, N/s.
    pub rfd_50_n_per_s: Option<f64>,
    /// The same over 100 ms, N/s.
    pub rfd_100_n_per_s: Option<f64>,
    /// The same over 200 ms, N/s.
    pub rfd_200_n_per_s: Option<f64>,
    /// Coefficient of variation of the detrended, 20 Hz low-passed plateau, %.
    pub steadiness_percent: Option<f64>,
    /// Share of the force lost at the break, %.
    pub drop_percent: Option<f64>,
}

/// All measures of a hold.
pub fn all(hold: &Stretch, parameters: &Parameters) -> Measures {
    let rate_hz = 1.0 / hold.dt_s;
    let rfd =
        |seconds: f64| if rate_hz < parameters.rfd_min_rate_hz { None } else { force_rise(hold, seconds) };
    Measures {
        impulse_n_s: impulse(hold),
        time_to_peak_s: Some((hold.peak as f64 - hold.onset) * hold.dt_s).filter(|t| *t >= 0.0),
        rfd_50_n_per_s: rfd(0.050),
        rfd_100_n_per_s: rfd(0.100),
        rfd_200_n_per_s: rfd(0.200),
        ..Measures::default()
    }
}

/// Best mean over `seconds` within the hold, N; `None` where the hold is shorter.
pub fn best_mean(hold: &Stretch, seconds: f64) -> Option<f64> {
    let width = libm::round(seconds / hold.dt_s) as usize;
    let (from, to) =
        (hold.onset.ceil().max(0.0) as usize, (hold.end.floor() as usize + 1).min(hold.values.len()));
    let inside = hold.values.get(from..to)?;
    if width == 0 || inside.len() < width {
        return None;
    }
    wave::trailing(inside, width).get(width - 1..)?.iter().copied().reduce(f64::max)
}

/// Trapezoidal integral from onset to end, N·s, of the straight lines between values.
fn impulse(hold: &Stretch) -> Option<f64> {
    integral(hold, hold.onset, hold.end)
}

/// Trapezoidal integral between two places, N·s.
pub(crate) fn integral(hold: &Stretch, from: f64, to: f64) -> Option<f64> {
    if !(from >= 0.0 && to > from && to <= (hold.values.len() as f64 - 1.0)) {
        return None;
    }
    let (first, last) = (from.ceil() as usize, to.floor() as usize);
    if first > last {
        return Some(0.5 * (at(hold, from)? + at(hold, to)?) * (to - from) * hold.dt_s);
    }
    let head = 0.5 * (at(hold, from)? + hold.values[first]) * (first as f64 - from);
    let tail = 0.5 * (hold.values[last] + at(hold, to)?) * (to - last as f64);
    let whole: f64 = hold.values[first..=last].windows(2).map(|pair| 0.5 * (pair[0] + pair[1])).sum();
    Some((head + whole + tail) * hold.dt_s)
}

/// Force at a place between values, N.
pub(crate) fn at(hold: &Stretch, place: f64) -> Option<f64> {
    let k = place.floor();
    let share = place - k;
    let a = *hold.values.get(k as usize)?;
    let b = *hold.values.get(k as usize + 1).unwrap_or(&a);
    Some(a + share * (b - a))
}
