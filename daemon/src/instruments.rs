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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::device_time::Placed;
    use crate::pipeline::force::Scale;
    use crate::pipeline::{ChannelIdentity, SensorIdentity};
    use crate::sensors::tests::certificate;

    fn row(peak_zero_n: f64) -> TrialRow {
        TrialRow {
            sensor: 1,
            channel: 1,
            peak_zero_n,
            mean_n: peak_zero_n,
            rest_n: 0.0,
            ..TrialRow::of_hold(None)
        }
    }

    fn flags(of: &Instruments, peak_zero_n: f64) -> String {
        let mut row = row(peak_zero_n);
        of.fill(&mut row, None, None);
        row.flags
    }

    #[test]
    fn a_trial_says_that_its_calibration_had_expired_or_did_not_reach_so_far() {
        let mut of = Instruments::default();
        assert_eq!(flags(&of, 20.0), "", "not calibrated: nothing to say");
        of.hear(&Output::Calibrated(1, Arc::new(certificate("A-1", "2026-01-05T09:00:00Z", 400.0))));
        // Its last day is 2027-01-01; it was loaded with 50 N at most, and is rated at 200 N.
        for (day, expired) in [("2027-01-01T23:59:59Z", false), ("2027-01-02T00:00:00Z", true)] {
            of.is_on(day);
            for (peak_n, beyond) in [
                (20.0, &[][..]),
                (60.0, &["beyond_calibration"]),
                (210.0, &["beyond_calibration", "beyond_rated_force"]),
            ] {
                let expected: Vec<&str> =
                    beyond.iter().copied().chain(expired.then_some("calibration_expired")).collect();
                assert_eq!(flags(&of, peak_n), expected.join(","), "{day}, {peak_n} N");
            }
        }
    }

    fn block(force_n: &[f32]) -> Block {
        Block {
            sensor: 1,
            placed: Placed { segment: 0, index: 0, position: 0, skip: 0 },
            samples: force_n.len() as u64,
            sequence: 0,
            counter: 0,
            device_time_us: 0,
            arrival_ns: 0,
            status: 0,
            saturated: false,
            counts: vec![0; force_n.len()],
            force_n: force_n.to_vec(),
            device_time_s: vec![0.0; force_n.len()],
        }
    }

    #[test]
    fn an_overload_is_told_once_in_either_direction_until_the_load_is_off() {
        let mut of = Instruments::default();
        assert_eq!(of.overload(&block(&[500.0])), None, "nobody knows its rated force");
        let scale = Scale { zero_counts: 0.0, n_per_count: 0.001, rated_n: 100.0 };
        let channel = ChannelIdentity { scale, rated_counts: 100_000, direction: "both".to_owned() };
        let identity = SensorIdentity {
            serial: "A-1".to_owned(),
            firmware: String::new(),
            interval_ns: 1_000_000,
            group_delay_s: 0.0,
            bandwidth_hz: f64::NAN,
            settling_s: f64::NAN,
            channels: vec![channel],
        };
        of.hear(&Output::Identified { port: 0, sensor: 1, identity });
        let mut told = |force_n: &[f32]| of.overload(&block(force_n)).is_some();
        assert!(!told(&[99.0, 100.0]));
        assert!(told(&[99.0, 100.5, 90.0]) && !told(&[120.0]), "once");
        // Between 95 and 100 % it is still the same overload.
        assert!(!told(&[96.0]) && !told(&[110.0]));
        assert!(!told(&[94.0]) && told(&[-101.0]), "a new one, the other way");
    }
}
