//! How force decays during a hold of at least 5 s.

use super::mean::{self, Sums};
use super::{Stretch, line};

/// Shortest hold for which decay is given, s.
const LEAST_S: f64 = 5.0;

/// The measures of decay.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Fatigue {
    /// 100·(1 − mean of the last 0.5 s before release / best 0.5-s mean), %.
    pub window_percent: Option<f64>,
    /// 100·(1 − ∫f dt from peak to end / (peak · duration)), % (Surakka et al. 2004: from memory).
    pub area_percent: Option<f64>,
    /// Slope of the least-squares line from peak to release over the mean there, %/s.
    pub decay_percent_per_s: Option<f64>,
}

/// The decay of a hold; nothing of a short or cut one, or of one that yielded.
pub(super) fn of(hold: &Stretch, sums: &Sums) -> Fatigue {
    let Some(release) = hold.release.filter(|_| hold.yielded.is_none()) else { return Fatigue::default() };
    if (hold.end - hold.onset) * hold.dt_s < LEAST_S {
        return Fatigue::default();
    }
    let half_s = libm::round(0.5 / hold.dt_s);
    let last =
        hold.values.get((release - half_s).max(0.0) as usize..release.max(0.0) as usize).unwrap_or(&[]);
    let last = last.iter().sum::<f64>() / last.len().max(1) as f64;
    let peak = hold.peak as f64;
    let area = mean::integral(hold, peak, hold.end);
    let held = hold.values.get(hold.peak..release.max(0.0) as usize).and_then(|held| line(held, hold.dt_s));
    Fatigue {
        window_percent: sums.best(0.5).map(|best| 100.0 * (1.0 - last / best)),
        area_percent: area.map(|area| 100.0 * (1.0 - area / (hold.peak_n * (hold.end - peak) * hold.dt_s))),
        decay_percent_per_s: held.map(|(slope, mean)| 100.0 * slope / mean),
    }
}
