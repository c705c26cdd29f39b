//! How good a sensor is: calibration with its uncertainty, and validation figures.
//!
//! Comes in: known forces (N) with what the sensor indicated (any unit), and traces of its counts (s, counts). Goes out:
//! curves, uncertainty budgets and figures of merit, each with its own uncertainty. Pure.
//!
//! Terms are those of JCGM 200:2012 (VIM) and JCGM 100:2008 (GUM), and where those have none, of OIML R 60:2021 and ISO
//! 376:2011. Nothing here is an accredited calibration, and the results say so.

pub mod allan;
pub mod attitude;
pub mod budget;
pub mod calibration;
pub mod certificate;
pub mod check;
pub mod creep;
pub mod curve;
pub mod dead_weight;
pub mod instrument;
pub mod lines;
pub mod noise;
pub mod points;
pub mod polynomial;
pub mod properties;
pub mod readings;
pub mod spectrum;
pub mod stability;
pub mod step;
pub mod timing;
pub mod units;
pub mod validation;

/// A figure with its expanded uncertainty (95 %), both in one unit.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct Figure {
    /// The value.
    #[serde(deserialize_with = "or_nan")]
    pub value: f64,
    /// Half width of its 95 % interval; NaN where it cannot be said.
    #[serde(deserialize_with = "or_nan")]
    pub expanded: f64,
}

/// JSON has no NaN: it is written as null and read back here.
fn or_nan<'de, D: serde::Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
    let value: Option<f64> = serde::Deserialize::deserialize(from)?;
    Ok(value.unwrap_or(f64::NAN))
}

impl Figure {
    /// Whether `truth` lies within the stated interval.
    pub fn covers(&self, truth: f64) -> bool {
        (truth - self.value).abs() <= self.expanded
    }

    /// The same in another unit.
    pub fn times(self, factor: f64) -> Figure {
        Figure { value: self.value * factor, expanded: self.expanded * factor.abs() }
    }
}
