//! Step response: what the sensor shows when a load is dropped or taken off at once.
//!
//! Comes in: readings (N) at equal intervals (s) across one step. Goes out: rise time, overshoot, settling time and the
//! bandwidth that the rise time suggests.
//!
//! 10 to 90 % time; overshoot beyond the final level in % of the step; settling to within 1 % of the step for good; bandwidth
//! 0.35 ÷ rise time (exact for one pole: ln 9 ÷ 2π = 0.3497). A thread that is cut is the step; a hand that lifts is not.

use super::stability::Stretch;
use serde::{Deserialize, Serialize};

/// Response to one step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Size, N (negative: unloaded).
    pub size_n: f64,
    /// From 10 to 90 % of it, s.
    pub rise_s: f64,
    /// How well that is known, s: crossings lie between two samples.
    pub rise_within_s: f64,
    /// Beyond the final level, % of the step.
    pub overshoot_percent: f64,
    /// From 10 % until it stays within 1 % of the final level, s.
    pub settling_s: f64,
    /// 0.35 ÷ rise time, Hz.
    pub bandwidth_hz: f64,
}

/// The response between two stretches; `None` where nothing was stepped.
pub fn between(readings: &[f64], interval_s: f64, before: &Stretch, after: &Stretch) -> Option<Step> {
    let size_n = after.level - before.level;
    let part = readings.get(before.samples.end..after.samples.start + after.samples.len() / 2)?;
    if size_n == 0.0 || part.len() < 3 {
        return None;
    }
    let share: Vec<f64> = part.iter().map(|reading| (reading - before.level) / size_n).collect();
    let crossing = |level: f64| {
        let at = share.iter().position(|share| *share >= level)?;
        let left = at.checked_sub(1).map(|left| share[left])?;
        Some(at as f64 - (share[at] - level) / (share[at] - left))
    };
    let (low, high) = (crossing(0.1)?, crossing(0.9)?);
    let outside = share.iter().rposition(|share| (share - 1.0).abs() > 0.01)?;
    let highest = share.iter().copied().fold(0.0, f64::max);
    let rise_s = (high - low) * interval_s;
    Some(Step {
        size_n,
        rise_s,
        rise_within_s: interval_s,
        overshoot_percent: 100.0 * (highest - 1.0).max(0.0),
        settling_s: ((outside + 1) as f64 - low).max(0.0) * interval_s,
        bandwidth_hz: if rise_s > 0.0 { 0.35 / rise_s } else { f64::NAN },
    })
}

#[cfg(test)]
mod tests {
    use super::super::stability::stretches;
    use super::*;

    #[test]
    fn one_pole_rises_in_ln_9_time_constants() {
        // Textbook: 10–90 % of one pole takes ln 9 = 2.197 time constants; to 1 %: ln 100 − ln(10/9) after 10 %.
        let tau_s = 0.05;
        let at = |i: usize| {
            let t = (i as f64 - 3000.0) * 0.001;
            if t < 0.0 { 40.0 } else { 40.0 * libm::exp(-t / tau_s) }
        };
        let readings: Vec<f64> = (0..8000).map(at).collect();
        let of = stretches(&readings, 0.001);
        let step = between(&readings, 0.001, &of[0], &of[1]).unwrap();
        assert!((step.rise_s - 2.1972 * tau_s).abs() < step.rise_within_s, "{step:?}");
        assert!((step.size_n + 40.0).abs() < 0.01);
        assert!((step.settling_s - (4.6052 - 0.1054) * tau_s).abs() < 0.004, "{step:?}");
        assert!((step.bandwidth_hz - 0.35 / (2.1972 * tau_s)).abs() < 0.1);
        assert!(step.overshoot_percent < 0.1);
    }
}
