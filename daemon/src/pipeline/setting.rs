//! What a visit sets for the pipeline: the zero of a channel, the finder's parameters, and calibrations.
//!
//! Settings travel as [`Record::Parameters`](crate::journal::Record::Parameters) (JSON) and are in force from the sample
//! that follows them in the journal, so that sealing applies the very same ones at the very same samples.

use analysis::holds::Parameters;
use analysis::sensor::certificate::Certificate;
use analysis::sensor::properties::Properties;
use serde::{Deserialize, Serialize};

/// One setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "setting", rename_all = "kebab-case")]
pub enum Setting {
    /// A new zero.
    Tare(Tare),
    /// The finder's parameters of one channel.
    Finder {
        /// Sensor, from 1.
        sensor: usize,
        /// Channel, from 1.
        channel: usize,
        /// The parameters, all of them.
        parameters: Box<Parameters>,
    },
    /// A calibration: in force for the sensor of its serial number, as soon as that one says who it is.
    Calibration(Box<Certificate>),
    /// What else is known of the sensor of this serial number.
    Properties(Box<Properties>),
}

/// A zero: the mean of samples in which nothing was loaded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tare {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Channel, from 1.
    pub channel: usize,
    /// Position of the first sample averaged.
    pub first_sample: u64,
    /// How many were averaged.
    pub samples: u64,
    /// Mean, counts.
    pub zero_counts: f64,
    /// Standard deviation of the samples averaged, N.
    pub sd_n: f64,
    /// Slope of the samples averaged, N/s.
    pub slope_n_per_s: f64,
    /// The sensor's orientation: as it was typed, or as the visit's item has it; "" unknown.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub orientation: String,
}
