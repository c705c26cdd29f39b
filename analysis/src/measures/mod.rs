//! The measures of a hold, a file a family.

pub mod repeats;

use serde::{Deserialize, Serialize};

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
