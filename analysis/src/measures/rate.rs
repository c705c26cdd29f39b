//! Rates of force development.

use super::{Stretch, at};

/// (F(onset + T) − F(onset)) / T, N/s, between values by straight lines. (Maffiuletti et al., Eur J Appl Physiol
/// 2016;116:1091–1116.)
pub fn force_rise(hold: &Stretch, seconds: f64) -> Option<f64> {
    let later = hold.onset + seconds / hold.dt_s;
    Some((at(hold, later)? - at(hold, hold.onset)?) / seconds)
}
