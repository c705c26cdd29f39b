//! What a simulation reports at its end: the truth, as JSON for tests and as a table for people.
//!
//! In: a sensor that has ended. Out: a [`Report`]. Forces in N, times in s.

use super::sensor::Sensor;
use super::source::Source;
use super::tally::{Frames, Heard, Stream};
use serde::Serialize;
use std::fmt;

/// The truth about a simulation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// The sensor's serial number.
    pub serial: String,
    /// Everything random was drawn from it.
    pub seed: u64,
    /// Why it ended.
    pub ended: &'static str,
    /// All frames.
    pub frames: Frames,
    /// The samples: an entry for each stream of each boot.
    #[serde(rename = "boots")]
    pub streams: Vec<Stream>,
    /// The host's messages.
    pub heard: Heard,
    /// The efforts that the hand began since the last start.
    pub efforts: Vec<Effort>,
}

/// The true course of an effort. Times in s since the start.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Effort {
    /// What kind.
    pub kind: &'static str,
    /// Force begins to rise.
    pub onset_s: f64,
    /// The rise ends.
    pub top_s: f64,
    /// The limb begins to give way.
    pub yield_s: Option<f64>,
    /// The final fall begins.
    pub release_s: f64,
    /// The final fall ends.
    pub end_s: f64,
    /// Largest force, N above zero.
    pub peak_n: f64,
}

impl Report {
    /// The truth about `sensor`, which has `ended` for that reason.
    #[must_use]
    pub fn new(sensor: &Sensor, ended: &'static str) -> Self {
        let tally = sensor.tally();
        Report {
            serial: sensor.settings().serial.clone(),
            seed: sensor.settings().seed,
            ended,
            frames: tally.frames,
            streams: tally.streams.clone(),
            heard: tally.heard,
            efforts: efforts(sensor),
        }
    }

    /// Every sample is accounted for.
    #[must_use]
    pub fn is_balanced(&self) -> bool {
        self.streams.iter().all(Stream::is_balanced)
    }
}

fn efforts(sensor: &Sensor) -> Vec<Effort> {
    let Source::Hand(hand) = sensor.source() else { return Vec::new() };
    let mut hand = hand.clone();
    let courses = hand.courses(sensor.script_s());
    let effort = |course: super::effort::Course| Effort {
        kind: course.kind.word(),
        onset_s: course.onset_s,
        top_s: course.top_s,
        yield_s: course.yield_s,
        release_s: course.release_s,
        end_s: course.end_s,
        peak_n: hand.peak_n(&course),
    };
    courses.into_iter().map(effort).collect()
}

impl fmt::Display for Report {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "sensor {}, seed {}, ended: {}", self.serial, self.seed, self.ended)?;
        for (number, stream) in (1..).zip(&self.streams) {
            writeln!(
                f,
                "stream {number} (boot {:08x}): {} samples produced",
                stream.boot_id, stream.produced_samples
            )?;
            for (count, what) in [
                (stream.delivered_samples, "delivered"),
                (stream.device_dropped_samples, "dropped by the device, the reader being too slow"),
                (stream.lost_samples, "lost in frames that vanished"),
                (stream.damaged_samples, "lost in frames that were damaged"),
                (stream.unplugged_samples, "lost while unplugged"),
                (stream.cut_samples, "lost on their way"),
                (stream.left_samples, "left in the board"),
            ] {
                if count > 0 {
                    writeln!(f, "  {count:>10}  {what}")?;
                }
            }
        }
        let frames = &self.frames;
        writeln!(
            f,
            "frames: {} sent, {} vanished, {} damaged, {} came twice, {} while unplugged",
            frames.sent, frames.dropped, frames.damaged, frames.duplicated, frames.unplugged
        )?;
        self.efforts.iter().try_for_each(|effort| {
            writeln!(f, "{:<10} at {:7.3} s, peak {:6.2} N", effort.kind, effort.onset_s, effort.peak_n)
        })
    }
}
