//! Readings that a guided procedure marked in a recording.
//!
//! Comes in: a recording's events and counts. Goes out: calibration points whose indications are means of the samples that
//! were marked. The events say which samples; the values are always taken from the samples themselves.

use super::points::{Direction, Point};
use crate::recording::layout::EventRow;
use crate::recording::read::{ReadError, Recording};
use serde::{Deserialize, Serialize};

/// One reading, as it stands in the events (`action`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The known force, N.
    pub reference_n: f64,
    /// Its standard uncertainty, N; `None` where nobody states it.
    #[serde(default)]
    pub reference_u_n: Option<f64>,
    /// Series.
    pub series: String,
    /// Mounting.
    pub mounting: String,
    /// Which way the load came.
    pub direction: Direction,
    /// Position of the first sample averaged.
    pub first_sample: u64,
    /// How many.
    pub samples: u64,
    /// Channel, from 1.
    #[serde(default = "first")]
    pub channel: usize,
}

fn first() -> usize {
    1
}

#[derive(Deserialize)]
#[serde(tag = "action", rename_all = "kebab-case")]
enum Marked {
    Reading(Reading),
    /// It was taken again: the reading that begins with this sample does not count.
    ReadingWithdrawn {
        first_sample: u64,
    },
}

/// The readings among a recording's events, but for those that were withdrawn.
pub fn marked(events: &[EventRow]) -> Vec<Reading> {
    let mut readings: Vec<Reading> = Vec::new();
    let action = events.iter().filter(|event| event.kind == "action");
    for marked in action.filter_map(|event| serde_json::from_str(&event.detail).ok()) {
        match marked {
            Marked::Reading(reading) => readings.push(reading),
            Marked::ReadingWithdrawn { first_sample } => {
                readings.retain(|of| of.first_sample != first_sample)
            }
        }
    }
    readings
}

/// The points of one channel of sensor 1, counts as indication.
pub fn points(recording: &Recording, readings: &[Reading], channel: usize) -> Result<Vec<Point>, ReadError> {
    let mut points = Vec::new();
    for reading in readings.iter().filter(|reading| reading.channel == channel && reading.samples > 0) {
        let samples = recording
            .samples(1, reading.first_sample..reading.first_sample.saturating_add(reading.samples))?;
        let counts = samples.counts.iter().skip(channel - 1).step_by(samples.channels.max(1));
        let sum: f64 = counts.map(|counts| f64::from(*counts)).sum();
        points.push(Point {
            reference_n: reading.reference_n,
            indication: sum / reading.samples as f64,
            series: reading.series.clone(),
            mounting: reading.mounting.clone(),
            direction: reading.direction,
        });
    }
    Ok(points)
}

/// The greatest relative standard uncertainty of the known forces; `None` where one of them is not stated.
pub fn reference_relative(readings: &[Reading]) -> Option<f64> {
    let loaded = readings.iter().filter(|reading| reading.reference_n != 0.0);
    let shares: Option<Vec<f64>> =
        loaded.map(|reading| Some(reading.reference_u_n? / reading.reference_n.abs())).collect();
    shares.filter(|shares| !shares.is_empty()).map(|shares| shares.into_iter().fold(0.0, f64::max))
}
