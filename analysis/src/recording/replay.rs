//! Finds the holds of a recording again, as they were found when it was made.
//!
//! Comes in: a recording. Goes out: the holds of each sensor and channel, in order, with the parameters that were in
//! force at each sample, as the recording's events say: the rows of `/trials` that have a hold, again.

use super::layout::{EventRow, FrameRow, SegmentRow};
use super::read::{OwnedSamples, ReadError, Recording};
use crate::holds::{Event, Hold, Parameters, Sample, Stream};
use serde::{Deserialize, Serialize};
use std::ops::Range;

/// Samples read at a time: a chunk of the file.
const BLOCK: u64 = 16_384;

/// A hold and where it was found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Placed {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Channel, from 1.
    pub channel: usize,
    /// Segment, from 0.
    pub segment: i64,
    /// The hold.
    #[serde(flatten)]
    pub hold: Hold,
}

/// What an event that concerns the finder says.
#[derive(Debug, Deserialize)]
#[serde(tag = "setting", rename_all = "kebab-case")]
enum Setting {
    Tare { channel: usize },
    Finder { channel: usize, parameters: Box<Parameters> },
}

/// Finds the holds of one channel of a sensor (both from 1). With `instead`, those parameters are used throughout.
pub fn replay(
    recording: &Recording,
    sensor: usize,
    channel: usize,
    instead: Option<&Parameters>,
) -> Result<Vec<Placed>, ReadError> {
    let channels =
        sensor.checked_sub(1).and_then(|k| recording.sensors().get(k)).map_or(0, |s| s.channels.len());
    let segments = recording.segments(sensor)?;
    if !(1..=channels).contains(&channel) {
        return Err(recording.no_such(format!("channel {channel} of sensor {sensor}")));
    }
    let frames = recording.frames(sensor)?;
    let mut settings = settings(&recording.events()?, sensor, channel).into_iter().peekable();
    let mut stream = Stream::new(instead.cloned().unwrap_or_default());
    let mut out = Vec::new();
    let mut events = Vec::new();
    let mut samples = Vec::new();
    let mut cursor = Cursor::new(recording, sensor, channel);
    for (number, segment) in (0_i64..).zip(&segments) {
        let (first, last) = bounds(segment);
        stream.begin(segment.interval_ns as f64 * 1e-9, &mut events);
        let mut place = |events: &mut Vec<Event>| {
            out.extend(events.drain(..).filter_map(|event| match event {
                Event::Ended(hold) => Some(Placed { sensor, channel, segment: number, hold: *hold }),
                _ => None,
            }));
        };
        for frame in frames.iter().filter(|frame| frame.segment == number) {
            let from = as_u64(frame.first_sample);
            while let Some((_, setting)) = settings.next_if(|(at, _)| *at <= from) {
                apply(&mut stream, &setting, instead, &mut events);
                place(&mut events);
            }
            let to = (from + as_u64(frame.samples)).min(last);
            cursor.read(segment, frame, from.max(first)..to, &mut samples)?;
            stream.push(&samples, &mut events);
            place(&mut events);
        }
        stream.end(&mut events);
        place(&mut events);
    }
    Ok(out)
}

fn bounds(segment: &SegmentRow) -> (u64, u64) {
    let first = as_u64(segment.first_sample);
    (first, first + as_u64(segment.samples))
}

fn as_u64(value: i64) -> u64 {
    u64::try_from(value).unwrap_or(0)
}

/// The settings of a channel with the positions from which they are in force, in order.
fn settings(events: &[EventRow], sensor: usize, channel: usize) -> Vec<(u64, Setting)> {
    let of_sensor = events.iter().filter(|event| usize::try_from(event.sensor) == Ok(sensor));
    let told = of_sensor.filter_map(|event| {
        let setting: Setting = serde_json::from_str(&event.detail).ok()?;
        let at = match setting {
            Setting::Tare { channel } | Setting::Finder { channel, .. } => channel,
        };
        (at == channel).then_some((as_u64(event.sample), setting))
    });
    told.collect()
}

/// A new zero begins a new finder; parameters are in force from the next sample.
fn apply(stream: &mut Stream, setting: &Setting, instead: Option<&Parameters>, events: &mut Vec<Event>) {
    match setting {
        Setting::Tare { .. } => stream.zeroed(events),
        Setting::Finder { parameters, .. } if instead.is_none() => stream.set((**parameters).clone()),
        Setting::Finder { .. } => {}
    }
}

/// Samples by position, read in blocks.
struct Cursor<'a> {
    recording: &'a Recording,
    sensor: usize,
    channel: usize,
    rows: u64,
    block: OwnedSamples,
}

impl<'a> Cursor<'a> {
    fn new(recording: &'a Recording, sensor: usize, channel: usize) -> Cursor<'a> {
        let rows = sensor.checked_sub(1).and_then(|k| recording.sensors().get(k)).map_or(0, |s| s.samples);
        Cursor { recording, sensor, channel, rows, block: OwnedSamples::default() }
    }

    /// Force (N) and device time (s) of the sample at a position.
    fn at(&mut self, position: u64) -> Result<(f64, f64), ReadError> {
        let inside = position >= self.block.first && position - self.block.first < self.block.len() as u64;
        if !inside {
            let end = (position / BLOCK + 1) * BLOCK;
            // A position beyond the end is the reader's error to tell.
            let end = if position < self.rows { end.min(self.rows) } else { position + 1 };
            self.block = self.recording.samples(self.sensor, position..end)?;
        }
        let row = (position - self.block.first) as usize;
        let column = (self.channel - 1).min(self.block.channels.saturating_sub(1));
        let force_n = self.block.force_n[row * self.block.channels + column];
        Ok((f64::from(force_n), self.block.device_time_s[row]))
    }

    /// The samples of a frame as the finder takes them.
    fn read(
        &mut self,
        segment: &SegmentRow,
        frame: &FrameRow,
        range: Range<u64>,
        samples: &mut Vec<Sample>,
    ) -> Result<(), ReadError> {
        samples.clear();
        let saturated = frame.status & 1 != 0;
        for position in range {
            let within = as_u64(frame.counter.saturating_sub(segment.first_counter));
            let index = within.saturating_add(position - as_u64(frame.first_sample));
            let (force_n, time_s) = self.at(position)?;
            samples.push(Sample { index, time_s, force_n, saturated });
        }
        Ok(())
    }
}
