//! What is known of a sensor beside its calibration: what its zero does by attitude, how it creeps, what its checks said.
//!
//! Kept by the sensor's serial number; in force for a recording from its first sample, and whole in its events
//! ([`crate::recording::layout::PROPERTIES`]), so that the instrument's uncertainty can be computed again from it alone.

use super::attitude::Attitude;
use super::check::Check;
use serde::{Deserialize, Serialize};

/// Creep as it was measured with a guided procedure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredCreep {
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// The load, N.
    pub load_n: f64,
    /// How long it was observed, s.
    pub lasted_s: f64,
    /// Change and its expanded uncertainty together, as a share of the load.
    pub relative: f64,
    /// The visit in whose recording the samples are.
    pub visit_id: String,
}

/// Zeros by attitude as they were measured with a guided procedure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MeasuredAttitude {
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// The zeros.
    pub attitude: Attitude,
    /// The visit in whose recording the samples are.
    pub visit_id: String,
}

/// What is known of one channel of a sensor; what was never measured is not there.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Properties {
    /// Serial number.
    pub serial: String,
    /// Channel, from 1.
    pub channel: usize,
    /// Zero by attitude.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub attitude: Option<MeasuredAttitude>,
    /// Creep.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub creep: Option<MeasuredCreep>,
    /// Checks, in order.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub checks: Vec<Check>,
}

impl Properties {
    /// Greatest deviation of the checks since `when_utc`, as a share of the force; `None` without one.
    pub fn drift_since(&self, when_utc: &str) -> Option<f64> {
        let since = self.checks.iter().filter(|check| check.when_utc.as_str() >= when_utc);
        let shares = since.map(|check| (check.deviation_n() / check.reference_n).abs());
        shares.filter(|share| share.is_finite()).max_by(f64::total_cmp)
    }
}
