//! The record of a calibration: what was found, with what, by whom, and until when it is used.
//!
//! Comes in: a calibration and how it was made. Goes out: a record (JSON) that stands in the data folder and, whole, in every
//! recording made with it; forces from indications, and the instrument's expanded uncertainty of a force.

use super::calibration::Calibration;
use super::curve::Curves;
use super::dead_weight::Gravity;
use super::points::Point;
use serde::{Deserialize, Serialize};

/// `kind` of the record.
pub const KIND: &str = "finger-force sensor calibration";

/// The record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Certificate {
    /// [`KIND`].
    pub kind: String,
    /// Version of this format: 1.
    pub version: u32,
    /// What it is not.
    pub statement: String,
    /// The sensor's serial number.
    pub serial: String,
    /// Channel, from 1.
    pub channel: usize,
    /// When it was made (RFC 3339, UTC).
    pub when_utc: String,
    /// The last day on which it is used (YYYY-MM-DD).
    pub valid_until: String,
    /// By whom (code).
    pub operator: String,
    /// What the known forces came from.
    pub reference: String,
    /// Local gravity, where masses were used.
    pub gravity: Option<Gravity>,
    /// Density of the air, kg/m³, where masses were used.
    pub air_density: Option<f64>,
    /// Temperature, °C, where it was given.
    pub temperature_c: Option<f64>,
    /// Largest effect of temperature on a force, % of it per kelvin, where it is stated (data sheet or measured).
    #[serde(default)]
    pub temperature_percent_per_k: Option<f64>,
    /// The sensor's rated force, N.
    pub rated_force_n: f64,
    /// The visit in whose recording the samples are.
    pub visit_id: String,
    /// Program and version.
    pub software: String,
    /// The readings: means of counts.
    pub points: Vec<Point>,
    /// What they came to.
    pub calibration: Calibration,
}

impl Certificate {
    /// What readings came to; whose they are, when and how they were taken is still to be said.
    pub fn new(points: Vec<Point>, calibration: Calibration) -> Certificate {
        Certificate {
            kind: KIND.to_owned(),
            version: 1,
            statement: String::new(),
            serial: String::new(),
            channel: 1,
            when_utc: String::new(),
            valid_until: String::new(),
            operator: String::new(),
            reference: String::new(),
            gravity: None,
            air_density: None,
            temperature_c: None,
            temperature_percent_per_k: None,
            rated_force_n: f64::NAN,
            visit_id: String::new(),
            software: String::new(),
            points,
            calibration,
        }
    }

    /// Curves for use.
    pub fn curves(&self) -> Option<Curves> {
        let of = |positive| self.calibration.branch(positive).map(|branch| branch.curve.clone());
        Curves::new(of(true), of(false))
    }

    /// Counts above zero at the rated force (by the branch that was calibrated; the positive one, where both were).
    pub fn rated_counts(&self) -> Option<f64> {
        let branch = self.calibration.branch(true).or(self.calibration.branch(false))?;
        let rated_n = if branch.positive { self.rated_force_n } else { -self.rated_force_n };
        let above = branch.curve.indication(rated_n) - branch.curve.coefficients.first()?;
        Some(if branch.positive { above } else { -above }).filter(|above| above.is_finite() && *above != 0.0)
    }

    /// The calibration's expanded uncertainty (95 %) of a force; `None` where it was not calibrated. What use adds is in
    /// [`super::instrument`].
    pub fn expanded_n(&self, force_n: f64) -> Option<f64> {
        self.calibration.branch(force_n >= 0.0)?.expanded_at(force_n)
    }

    /// Greatest expanded uncertainty over the loads, N.
    pub fn worst_n(&self) -> f64 {
        let loads = self.calibration.branches.iter().flat_map(|branch| &branch.loads);
        loads.map(|load| load.budget.expanded).fold(f64::NAN, f64::max)
    }

    /// Whether it is past its last day; `today` as YYYY-MM-DD.
    pub fn is_expired(&self, today: &str) -> bool {
        today > self.valid_until.as_str()
    }

    /// In a line.
    pub fn label(&self) -> String {
        let day = self.when_utc.get(..10).unwrap_or(&self.when_utc);
        format!(
            "calibrated {day}, valid until {}, U(95 %) up to {:.3} N, visit {}",
            self.valid_until,
            self.worst_n(),
            self.visit_id
        )
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::calibration::{Known, calibrate};
    use super::super::points::Direction;
    use super::*;

    /// A sensor of 40 000 counts a newton, in two mountings; its budget holds a reference of 0.05 %.
    pub fn made() -> Certificate {
        let points: Vec<Point> = [("0", "A", 0.0), ("0", "B", 12.0), ("120", "C", 40.0)]
            .iter()
            .flat_map(|(mounting, series, shift)| {
                [0.0, 10.0, 20.0, 50.0, 100.0, 0.0].iter().enumerate().map(move |(i, n)| Point {
                    reference_n: *n,
                    indication: 40_000.0 * n + shift * n / 100.0,
                    series: (*series).to_owned(),
                    mounting: (*mounting).to_owned(),
                    direction: if i == 5 { Direction::Down } else { Direction::Up },
                })
            })
            .collect();
        let known = Known {
            resolution: 1.0,
            reference_relative: Some(5e-4),
            creep_relative: None,
            highest_degree: 3,
        };
        let calibration = calibrate(&points, &known).unwrap();
        Certificate {
            serial: "SIM-0001".to_owned(),
            when_utc: "2026-03-02T09:00:00Z".to_owned(),
            valid_until: "2027-03-02".to_owned(),
            reference: "masses".to_owned(),
            rated_force_n: 200.0,
            ..Certificate::new(points, calibration)
        }
    }

    #[test]
    fn it_goes_through_json_unchanged_and_is_used() {
        let made = made();
        let text = serde_json::to_string(&made).unwrap();
        let read: Certificate = serde_json::from_str(&text).unwrap();
        // (NaN is not equal to itself: the texts are compared.)
        assert_eq!(serde_json::to_string(&read).unwrap(), text);
        let force_n = read.curves().unwrap().force_n(40_000.0 * 30.0);
        assert!((force_n - 30.0).abs() < 1e-3, "{force_n}");
        assert!((read.rated_counts().unwrap() / 8e6 - 1.0).abs() < 1e-4);
        let expanded = read.expanded_n(30.0).unwrap();
        assert!(expanded > 1.96 * 30.0 * 5e-4 && expanded < 0.1, "{expanded}");
        assert_eq!((read.expanded_n(150.0), read.expanded_n(-5.0)), (None, None));
        assert!(read.is_expired("2027-03-03") && !read.is_expired("2027-03-02"));
    }
}
