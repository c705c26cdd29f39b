//! The measures of a hold, a file a family.
//!
//! Comes in: a [`Stretch`] of values (N above the level the pull started from). Goes out: [`Measures`].

mod fatigue;
pub mod mean;
mod plateau;
mod rate;
pub mod repeats;

use crate::holds::Parameters;
use mean::Sums;
use serde::{Deserialize, Serialize};

/// A hold to be measured: its values with a little before and after, and where things are in them.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// Force above the level the pull started from, N.
    pub values: &'a [f64],
    /// Spacing, s.
    pub dt_s: f64,
    /// Onset, in values.
    pub onset: f64,
    /// Standard deviation of the onset, in values; `None` where it could not be fitted.
    pub onset_sd: Option<f64>,
    /// Start of the final fall, in values; `None` where the hold was cut.
    pub release: Option<f64>,
    /// End, in values.
    pub end: f64,
    /// Peak, in values.
    pub peak: usize,
    /// Peak, N.
    pub peak_n: f64,
    /// Yield: where it began, in values, and the force before and after it, N.
    pub yielded: Option<Yielded>,
}

/// A yield in a hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yielded {
    /// Where it began, in values.
    pub at: f64,
    /// Greatest 20-ms mean until then, N.
    pub before_n: f64,
    /// Mean force just after, N.
    pub after_n: f64,
}

/// Why a rate of force development is not given.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Refusal {
    /// Sampled more slowly than `rfd_min_rate_hz`.
    RateTooLow,
    /// The onset is less certain than `rfd_onset_sd_s`.
    OnsetUnsure,
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
    /// Steepest rise over 20 ms between onset and peak, N/s.
    pub rfd_max_n_per_s: Option<f64>,
    /// Why the rates of force development are not given.
    pub rfd_refused: Option<Refusal>,
    /// Coefficient of variation of the detrended, 20 Hz low-passed plateau, %.
    pub steadiness_percent: Option<f64>,
    /// Share of the force lost at the break, %.
    pub drop_percent: Option<f64>,
    /// End minus onset, s.
    pub duration_s: Option<f64>,
    /// Best 0.5-s mean, N.
    pub mean_half_s_n: Option<f64>,
    /// Best 3-s mean, N.
    pub mean_3_s_n: Option<f64>,
    /// Mean from onset to end, N.
    pub mean_hold_n: Option<f64>,
    /// Loss of the last 0.5 s before release against the best 0.5 s, %; of holds of 5 s and more.
    pub fatigue_window_percent: Option<f64>,
    /// 1 minus the mean from peak to end over the peak, %; of holds of 5 s and more.
    pub fatigue_area_percent: Option<f64>,
    /// Slope of force from peak to release against its mean, %/s; of holds of 5 s and more.
    pub decay_percent_per_s: Option<f64>,
    /// RMS of force between 8 and 12 Hz on the plateau, N.
    pub tremor_n: Option<f64>,
    /// The same as a share of the plateau's mean, %.
    pub tremor_percent: Option<f64>,
    /// Frequency of the greatest power between 4 and 12 Hz, Hz.
    pub tremor_peak_hz: Option<f64>,
    /// RMS of force between 4 and 8 Hz on the plateau, N.
    pub slow_tremor_n: Option<f64>,
}

/// All measures of a hold.
pub fn all(hold: &Stretch, sums: &Sums, parameters: &Parameters) -> Measures {
    let refused = rate::refusal(hold, parameters);
    let rfd = |seconds: f64| if refused.is_some() { None } else { rate::force_rise(hold, seconds) };
    let plateau = plateau::Plateau::of(hold);
    let tremor = plateau.as_ref().and_then(plateau::Plateau::tremor);
    let impulse_n_s = mean::integral(hold, hold.onset, hold.end);
    let duration_s = Some((hold.end - hold.onset) * hold.dt_s).filter(|t| *t >= 0.0);
    let fatigue = fatigue::of(hold, sums);
    Measures {
        loading_rate_n_per_s: rate::loading(hold),
        impulse_n_s,
        time_to_peak_s: Some((hold.peak as f64 - hold.onset) * hold.dt_s).filter(|t| *t >= 0.0),
        time_to_90_percent_s: rate::time_to_share(hold, 0.9),
        rfd_50_n_per_s: rfd(0.050),
        rfd_100_n_per_s: rfd(0.100),
        rfd_200_n_per_s: rfd(0.200),
        rfd_max_n_per_s: if refused.is_some() { None } else { rate::steepest(hold, 0.020) },
        rfd_refused: refused,
        steadiness_percent: plateau.as_ref().and_then(plateau::Plateau::steadiness_percent),
        drop_percent: hold
            .yielded
            .map(|y| 100.0 * (y.before_n - y.after_n) / y.before_n)
            .filter(|d| d.is_finite()),
        duration_s,
        mean_half_s_n: sums.best(0.5),
        mean_3_s_n: sums.best(3.0),
        mean_hold_n: impulse_n_s.zip(duration_s).map(|(impulse, duration)| impulse / duration),
        fatigue_window_percent: fatigue.window_percent,
        fatigue_area_percent: fatigue.area_percent,
        decay_percent_per_s: fatigue.decay_percent_per_s,
        tremor_n: tremor.map(|t| t.physiological_n),
        tremor_percent: tremor.map(|t| t.percent),
        tremor_peak_hz: tremor.map(|t| t.peak_hz),
        slow_tremor_n: tremor.map(|t| t.slow_n),
    }
}

/// Force at a place between values, by a straight line, N.
fn at(hold: &Stretch, place: f64) -> Option<f64> {
    // (A comparison with NaN is false.)
    if !(0.0..=hold.values.len() as f64).contains(&place) {
        return None;
    }
    let k = place.floor();
    let a = *hold.values.get(k as usize)?;
    let b = *hold.values.get(k as usize + 1).unwrap_or(&a);
    Some(a + (place - k) * (b - a))
}

/// Slope of the least-squares line through values `dt_s` apart, and their mean.
fn line(values: &[f64], dt_s: f64) -> Option<(f64, f64)> {
    if values.len() < 3 {
        return None;
    }
    let n = values.len() as f64;
    let middle = (n - 1.0) / 2.0;
    let (mut sum, mut along) = (0.0, 0.0);
    for (k, value) in values.iter().enumerate() {
        sum += value;
        along += (k as f64 - middle) * value;
    }
    Some((along / (n * (n * n - 1.0) / 12.0) / dt_s, sum / n))
}
