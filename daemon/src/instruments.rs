//! What is known of the instruments of a visit, and from it the uncertainty of each trial's peak, mean and moment.
//!
//! Comes in: what the pipeline says of sensors (their calibrations, properties and temperatures), rows of
//! trials. Goes out: the rows' columns of uncertainty and their flags. The rules are in [`analysis::sensor::instrument`].

use crate::pipeline::setting::Tare;
use crate::pipeline::{Block, Output};
use crate::visit::plan::Item;
use analysis::recording::layout::TrialRow;
use analysis::sensor::certificate::Certificate;
use analysis::sensor::instrument::{InUse, Lever, Uncertainty, Zero};
use analysis::sensor::properties::Properties;
use std::sync::Arc;

/// What is known of them.
#[derive(Default)]
pub struct Instruments {
    calibrations: Vec<(usize, Arc<Certificate>)>,
    properties: Vec<Arc<Properties>>,
    /// Latest temperature by sensor, °C.
    temperatures: Vec<(usize, f64)>,
    /// Rated forces by sensor, a channel each, N, and whether it is above it now.
    rated: Vec<(usize, Vec<(f64, bool)>)>,
    /// Day of the visit (YYYY-MM-DD); "" unknown.
    today: String,
}

/// An overload is told of again once the force was below this share of the rated one.
const OVERLOAD_OVER: f64 = 0.95;

impl Instruments {
    /// The pipeline said something.
    pub fn hear(&mut self, output: &Output) {
        match output {
            Output::Identified { sensor, identity, .. } => {
                self.rated.retain(|(known, _)| known != sensor);
                let rated = identity.channels.iter().map(|channel| (channel.scale.rated_n.abs(), false));
                self.rated.push((*sensor, rated.collect()));
            }
            Output::Calibrated(sensor, of) => {
                self.calibrations.retain(|(s, other)| (*s, other.channel) != (*sensor, of.channel));
                self.calibrations.push((*sensor, Arc::clone(of)));
            }
            Output::Properties(of) => {
                self.properties.retain(|old| (&old.serial, old.channel) != (&of.serial, of.channel));
                self.properties.push(Arc::clone(of));
            }
            Output::Condition(sensor, condition) => {
                let Some(centikelvin) = condition.temperature_centikelvin else { return };
                self.temperatures.retain(|(known, _)| known != sensor);
                self.temperatures.push((*sensor, f64::from(centikelvin) / 100.0 - 273.15));
            }
            _ => {}
        }
    }

    /// The day on which the visit began.
    pub fn is_on(&mut self, started_utc: &str) {
        self.today = started_utc.chars().take(10).collect();
    }

    /// A channel that has just gone beyond its rated force, in words for whoever loads it.
    pub fn overload(&mut self, block: &Block) -> Option<String> {
        let (_, rated) = self.rated.iter_mut().find(|(sensor, _)| *sensor == block.sensor)?;
        let mut told = None;
        for (channel, (rated_n, over)) in (1..).zip(rated) {
            let forces = block.channel_force_n(channel);
            let peak_n = forces.iter().map(|force_n| f64::from(force_n.abs())).fold(0.0, f64::max);
            if peak_n > *rated_n && !std::mem::replace(over, true) {
                told = Some(format!(
                    "OVERLOAD: sensor {}, channel {} at {peak_n:.1} N, rated {rated_n} N: unload it, then check it",
                    block.sensor, channel
                ));
            }
            *over &= peak_n >= OVERLOAD_OVER * *rated_n;
        }
        told
    }

    /// The instrument's uncertainty of a trial's peak and mean, where the sensor is calibrated; what is unusual is flagged.
    pub fn fill(&self, row: &mut TrialRow, tare: Option<&Tare>, item: Option<&Item>) {
        let (sensor, channel) = (row.sensor as usize, row.channel as usize);
        let of = self.calibrations.iter().find(|(s, of)| (*s, of.channel) == (sensor, channel));
        let Some((_, certificate)) = of.filter(|_| row.peak_zero_n.is_finite()) else { return };
        let serial = &certificate.serial;
        let properties = self.properties.iter().find(|of| (&of.serial, of.channel) == (serial, channel));
        let temperature = self.temperatures.iter().find(|(known, _)| *known == sensor);
        let orientation = item.map(Item::orientation).unwrap_or_default();
        let in_use = InUse {
            certificate,
            properties: properties.map(|of| &**of),
            zero: tare.map(|tare| Zero {
                sd_n: tare.sd_n,
                samples: tare.samples,
                orientation: &tare.orientation,
            }),
            orientation: &orientation,
            temperature_c: temperature.map(|(_, celsius)| *celsius),
        };
        let of_peak = Uncertainty::of_force(row.peak_zero_n, &in_use);
        // A mean stands on the level that its pull started from: what was read is both together.
        let of_mean = Uncertainty::of_force(row.mean_n + row.rest_n, &in_use);
        row.mean_expanded_uncertainty_n = of_mean.map_or(f64::NAN, |of| of.budget.expanded);
        row.expanded_uncertainty_n = of_peak.as_ref().map_or(f64::NAN, |of| of.budget.expanded);
        row.uncertainty_budget = of_peak.as_ref().map(Uncertainty::to_json).unwrap_or_default();
        if of_peak.is_none() {
            row.flag("beyond_calibration");
        }
        if row.peak_zero_n.abs() > certificate.rated_force_n {
            row.flag("beyond_rated_force");
        }
        if certificate.is_expired(&self.today) {
            row.flag("calibration_expired");
        }
    }
}

/// The instrument's uncertainty of a trial's moment, from its peak's and the item's lever arm.
pub fn fill_moment(row: &mut TrialRow, item: &Item) {
    let lever = item.lever_mm.map(|mm| Lever {
        mm,
        uncertain_mm: item.lever_uncertainty_mm,
        angle_deg: item.angle_deg,
    });
    let of = Uncertainty::from_json(&row.uncertainty_budget).zip(lever);
    let of = of.map(|(force, lever)| force.of_moment(row.peak_zero_n, &lever));
    row.moment_expanded_uncertainty_n_cm = of.map_or(f64::NAN, |of| of.budget.expanded);
}
