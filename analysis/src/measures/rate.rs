//! How fast force rises: rates of force development, loading rate, times to a share of the peak.

use super::{Refusal, Stretch, at, line};
use crate::holds::{Parameters, wave};

/// Why rates of force development would mean nothing for this hold. (Maffiuletti et al., Eur J Appl Physiol
/// 2016;116:1091–1116 ask for 1 kHz and a sure onset.)
pub(super) fn refusal(hold: &Stretch, parameters: &Parameters) -> Option<Refusal> {
    if 1.0 / hold.dt_s < parameters.rfd_min_rate_hz {
        return Some(Refusal::RateTooLow);
    }
    let sure = hold.onset_sd.is_some_and(|sd| sd * hold.dt_s <= parameters.rfd_onset_sd_s);
    if sure { None } else { Some(Refusal::OnsetUnsure) }
}

/// (F(onset + T) − F(onset)) / T, N/s, between values by straight lines. (Maffiuletti et al. 2016.)
pub(super) fn force_rise(hold: &Stretch, seconds: f64) -> Option<f64> {
    let later = hold.onset + seconds / hold.dt_s;
    Some((at(hold, later)? - at(hold, hold.onset)?) / seconds)
}

/// Steepest rise over a sliding window between onset and peak, N/s.
pub(super) fn steepest(hold: &Stretch, seconds: f64) -> Option<f64> {
    let width = (libm::round(seconds / hold.dt_s) as usize).max(1);
    let rising = hold.values.get(hold.onset.max(0.0) as usize..=hold.peak)?;
    wave::greatest_rise(rising, width).map(|most| most / (width as f64 * hold.dt_s))
}

/// Slope of the least-squares line over the last 0.5 s before the yield (without one: before the peak), N/s; from the
/// onset on, where that is later. A proxy of the examiner's speed, on which the force of a break depends (Burns and
/// Spanier, Arch Phys Med Rehabil 2005;86:1420–1426).
pub(super) fn loading(hold: &Stretch) -> Option<f64> {
    let to = hold.yielded.map_or(hold.peak as f64, |y| y.at);
    let from = (to - 0.5 / hold.dt_s).max(hold.onset).max(0.0);
    let (slope, _) = line(hold.values.get(from as usize..to.max(0.0) as usize)?, hold.dt_s)?;
    Some(slope)
}

/// First time from the onset at which a mean over 20 ms reaches a share of the peak, s.
pub(super) fn time_to_share(hold: &Stretch, share: f64) -> Option<f64> {
    let half = (libm::round(0.010 / hold.dt_s) as usize).max(1);
    let level = share * hold.peak_n * (2 * half + 1) as f64;
    let from = (hold.onset.max(0.0) as usize).max(half);
    let mut sum: f64 = hold.values.get(from - half..=from + half)?.iter().sum();
    let mut before = sum;
    for k in from..=hold.peak {
        if sum >= level {
            let part = if sum > before { (level - before) / (sum - before) } else { 1.0 };
            return Some((k as f64 - 1.0 + part.clamp(0.0, 1.0) - hold.onset) * hold.dt_s)
                .map(|t| t.max(0.0));
        }
        before = sum;
        sum += hold.values.get(k + half + 1)? - hold.values[k - half];
    }
    None
}
