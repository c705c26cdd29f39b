//! What a guided session is asked to do: the same for the terminal's options and for a page's form.

use super::{bench, loads};
use crate::guide::programme::{Programme, Step};
use analysis::console::Usage;
use analysis::recording::layout::CHANNELS_MAX;
use analysis::sensor::dead_weight::{CONVENTIONAL_AIR, Gravity, KnownForce};
use clap::Parser;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Which way the sensor is loaded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "lowercase")]
pub enum Way {
    /// Compression, or whichever is positive.
    Compression,
    /// The other way.
    Tension,
    /// One after the other.
    Both,
}

/// What is asked for.
#[derive(Debug, Clone, clap::Args, Serialize, Deserialize, ToSchema)]
#[serde(default, deny_unknown_fields)]
pub struct Asked {
    /// A mass, kg, hook included; repeatable
    #[arg(long = "mass", value_name = "KG", conflicts_with = "reference")]
    pub masses: Vec<f64>,
    /// Largest error of the masses, % of each: the class's limit, or how well they were weighed
    #[arg(long, value_name = "PERCENT")]
    pub tolerance: Option<f64>,
    /// Density of the masses, kg/m³: steel 7850 to 8000, brass 8400, iron 7200
    #[arg(long, value_name = "KG_M3", default_value_t = 8000.0)]
    pub density: f64,
    /// Density of the air, kg/m³
    #[arg(long, value_name = "KG_M3", default_value_t = CONVENTIONAL_AIR)]
    pub air_density: f64,
    /// Latitude of the place, degrees
    #[arg(
        long,
        value_name = "DEG",
        requires = "height",
        conflicts_with = "gravity",
        allow_negative_numbers = true
    )]
    pub latitude: Option<f64>,
    /// Height of the place above the sea, m
    #[arg(long, value_name = "M", requires = "latitude", allow_negative_numbers = true)]
    pub height: Option<f64>,
    /// Measured local gravity, m/s²
    #[arg(long, value_name = "M_S2", requires = "gravity_uncertainty")]
    pub gravity: Option<f64>,
    /// Its standard uncertainty, m/s²
    #[arg(long, value_name = "M_S2")]
    pub gravity_uncertainty: Option<f64>,
    /// A reference sensor tells the forces: what it shows is typed in
    #[arg(long, requires = "reference_uncertainty")]
    pub reference: bool,
    /// Expanded uncertainty (k = 2) of the reference sensor, %
    #[arg(long, value_name = "PERCENT")]
    pub reference_uncertainty: Option<f64>,
    /// About how much to load, N, with a reference sensor; repeatable
    #[arg(long = "load", value_name = "N", requires = "reference")]
    pub loads: Vec<f64>,
    /// Which way: compression, tension or both; tension counts as negative
    #[arg(long, value_name = "WAY", default_value = "compression")]
    pub direction: Way,
    /// Mountings: the first, and each further one turned by an equal part of a turn
    #[arg(long, value_name = "N", default_value_t = 3)]
    pub mountings: u32,
    /// How long a load must have been there before it is read, s
    #[arg(long, value_name = "S", default_value_t = 5.0)]
    pub still: f64,
    /// Creep in 30 min, % of the load, where it was measured (`fingerforce sensor`)
    #[arg(long, value_name = "PERCENT")]
    pub creep: Option<f64>,
    /// How long the calibration is used, days
    #[arg(long, value_name = "DAYS", default_value_t = 365)]
    pub valid_days: u32,
    /// Who calibrates (code)
    #[arg(long, value_name = "CODE", default_value = "")]
    pub operator: String,
    /// Temperature, °C
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    pub temperature: Option<f64>,
    /// Largest effect of temperature on the force, % per kelvin, where it is stated (data sheet) or measured
    #[arg(long, value_name = "PERCENT_PER_K", requires = "temperature")]
    pub temperature_effect: Option<f64>,
    /// Which of the sensor's channels, from 1
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub channel: usize,
    /// A check with one mass instead: before and after the session
    #[arg(long, conflicts_with_all = ["attitude", "creep_test", "step_test"])]
    pub check: bool,
    /// The zero in six orientations instead: what the weight of the sensor's own parts does to it
    #[arg(long, conflicts_with_all = ["creep_test", "step_test"])]
    pub attitude: bool,
    /// Creep and recovery under one mass instead (OIML R 60: 30 min loaded, 30 min unloaded)
    #[arg(long, conflicts_with = "step_test")]
    pub creep_test: bool,
    /// The step response instead: one mass on a thread, cut off at once, three times
    #[arg(long)]
    pub step_test: bool,
    /// How long the creep test lasts, loaded and unloaded each, minutes
    #[arg(long, value_name = "MIN", default_value_t = 30.0, requires = "creep_test")]
    pub minutes: f64,
}

impl Default for Asked {
    /// The options' own defaults, which stand in one place.
    fn default() -> Asked {
        #[derive(Parser)]
        struct Alone {
            #[command(flatten)]
            asked: Asked,
        }
        Alone::parse_from(["calibrate"]).asked
    }
}

/// What is done.
pub enum Task {
    Calibration(Option<Gravity>),
    Check(KnownForce),
    Attitude,
    /// Under a load of this name.
    Creep(String),
    /// Of a load of this name.
    Step(String),
}

impl Asked {
    /// What is done, and the steps to it.
    ///
    /// # Errors
    /// What is asked for makes no sense, or something is missing that has no default.
    pub fn task(&self) -> anyhow::Result<(Task, Vec<Step>)> {
        self.ranges()?;
        if self.attitude {
            return Ok((Task::Attitude, Programme::attitude()));
        }
        if self.creep_test {
            let load = loads::only_one(self)?;
            let steps = Programme::creep(&load, 60.0 * self.minutes);
            return Ok((Task::Creep(load), steps));
        }
        if self.step_test {
            let load = loads::only_one(self)?;
            let steps = Programme::step(&load, bench::step_still_s(self));
            return Ok((Task::Step(load), steps));
        }
        let gravity = loads::gravity(self)?;
        let loads = loads::loads(self, gravity.as_ref())?;
        if self.check {
            return match &loads[..] {
                [(name, Some(known))] => {
                    let sign = if self.direction == Way::Tension { -1.0 } else { 1.0 };
                    let known = KnownForce { force_n: sign * known.force_n, ..*known };
                    Ok((Task::Check(known), Programme::check(name, known)))
                }
                _ => Err(Usage("a check takes one --mass".to_owned()).into()),
            };
        }
        let negative = match self.direction {
            Way::Compression => vec![false],
            Way::Tension => vec![true],
            Way::Both => vec![false, true],
        };
        let steps = Programme { loads, negative, mountings: self.mountings }.steps();
        Ok((Task::Calibration(gravity), steps))
    }

    fn ranges(&self) -> anyhow::Result<()> {
        let usage = |text: String| Err(Usage(text).into());
        analysis::code::check("operator", &self.operator).map_err(|error| Usage(error.to_string()))?;
        if !(0.0..=600.0).contains(&self.still) {
            return usage("--still takes 0 to 600 s".to_owned());
        }
        for (name, value, range) in [
            ("mountings", self.mountings as usize, 1..=8),
            ("valid-days", self.valid_days as usize, 1..=3650),
            ("channel", self.channel, 1..=CHANNELS_MAX),
        ] {
            if !range.contains(&value) {
                return usage(format!("--{name} takes {} to {}", range.start(), range.end()));
            }
        }
        for (name, value, least) in [
            ("creep", self.creep, 0.0),
            ("temperature-effect", self.temperature_effect, 0.0),
            ("temperature", self.temperature, -60.0),
        ] {
            if value.is_some_and(|value| !(least..=100.0).contains(&value)) {
                return usage(format!("--{name} takes {least} to 100"));
            }
        }
        Ok(())
    }
}
