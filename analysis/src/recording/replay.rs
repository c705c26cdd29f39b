//! Finds the holds of a recording again, as they were found when it was made.
//!
//! Comes in: a recording. Goes out: the holds of each sensor and channel, in order, with the parameters that were in
//! force at each sample, as the recording's events say: the rows of `/trials` that have a hold, again.

use super::layout::{EventRow, FOR_SENSOR, FrameRow, PORT_CLOSED, PORT_OPENED, SEGMENT_BEGAN, SegmentRow};
use super::read::{OwnedSamples, ReadError, Recording};
use crate::holds::{Event, Hold, Parameters, Sample, Stream};
use serde::{Deserialize, Serialize};
use std::iter::Peekable;
use std::ops::Range;
use std::sync::Arc;
use std::vec::IntoIter;

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
    /// The parameters it was found with.
    #[serde(skip)]
    pub parameters: Arc<Parameters>,
}

/// The finder's parameters of a channel, and from which sample on they are in force.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct InForce {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Channel, from 1.
    pub channel: usize,
    /// Position of the first sample they are in force for.
    pub from_sample: u64,
    /// The parameters.
    pub parameters: Box<Parameters>,
}

/// What the holds of a recording were found with: the finder's parameters of every channel, as they came.
pub fn in_force(recording: &Recording) -> Result<Vec<InForce>, ReadError> {
    let events = recording.events()?;
    let mut all = Vec::new();
    for (sensor, tables) in (1..).zip(recording.sensors()) {
        for channel in 1..=tables.channels.len() {
            all.extend(changes(&events, sensor, channel).into_iter().filter_map(|change| {
                let Setting::Finder { parameters, .. } = change.setting else { return None };
                Some(InForce { sensor, channel, from_sample: change.from, parameters })
            }));
        }
    }
    Ok(all)
}

/// What an event that concerns the finder says.
#[derive(Debug, Deserialize)]
#[serde(tag = "setting", rename_all = "kebab-case")]
enum Setting {
    Tare { channel: usize },
    Finder { channel: usize, parameters: Box<Parameters> },
}

/// Finds the holds of one channel of a sensor (both from 1). Whatever parameters were in force, `adjust` may change
/// some of them first.
pub fn replay(
    recording: &Recording,
    sensor: usize,
    channel: usize,
    adjust: &dyn Fn(&mut Parameters),
) -> Result<Vec<Placed>, ReadError> {
    replay_scaled(recording, sensor, channel, adjust, 1.0)
}

/// The same, where the forces are to be those of the recording times a factor, each rounded as it would be stored.
pub(super) fn replay_scaled(
    recording: &Recording,
    sensor: usize,
    channel: usize,
    adjust: &dyn Fn(&mut Parameters),
    factor: f64,
) -> Result<Vec<Placed>, ReadError> {
    let channels =
        sensor.checked_sub(1).and_then(|k| recording.sensors().get(k)).map_or(0, |s| s.channels.len());
    let segments = recording.segments(sensor)?;
    if !(1..=channels).contains(&channel) {
        return Err(recording.no_such(format!("channel {channel} of sensor {sensor}")));
    }
    let frames = recording.frames(sensor)?;
    let mut parameters = Parameters::default();
    adjust(&mut parameters);
    let mut finder = Replay {
        in_force: Arc::new(parameters.clone()),
        stream: Stream::new(parameters),
        changes: changes(&recording.events()?, sensor, channel).into_iter().peekable(),
        adjust,
        events: Vec::new(),
        place: (sensor, channel, -1),
        out: Vec::new(),
    };
    let mut samples = Vec::new();
    let mut cursor = Cursor::new(recording, (sensor, channel), factor);
    let mut frames = frames.iter().peekable();
    for (number, segment) in (0_i64..).zip(&segments) {
        let (first, last) = bounds(segment);
        // What came between the end of the segment before and this one's first sample.
        finder.change(|change| change.from <= first);
        finder.begin(number, segment.interval_ns as f64 * 1e-9);
        while let Some(frame) = frames.next_if(|frame| frame.segment == number) {
            let from = as_u64(frame.first_sample);
            finder.change(|change| change.from <= from);
            let to = (from + as_u64(frame.samples)).min(last);
            cursor.read(segment, frame, from.max(first)..to, &mut samples)?;
            finder.push(&samples);
        }
        finder.change(|change| change.from <= last && !change.after_close);
        finder.end();
    }
    Ok(finder.out)
}

/// The finder of one channel, and what it found so far.
struct Replay<'a> {
    stream: Stream,
    changes: Peekable<IntoIter<Change>>,
    adjust: &'a dyn Fn(&mut Parameters),
    in_force: Arc<Parameters>,
    events: Vec<Event>,
    /// Sensor, channel, segment.
    place: (usize, usize, i64),
    out: Vec<Placed>,
}

impl Replay<'_> {
    fn begin(&mut self, segment: i64, interval_s: f64) {
        self.stream.begin(interval_s, &mut self.events);
        self.collect();
        self.place.2 = segment;
    }

    fn push(&mut self, samples: &[Sample]) {
        self.stream.push(samples, &mut self.events);
        self.collect();
    }

    fn end(&mut self) {
        self.stream.end(&mut self.events);
        self.collect();
    }

    /// Applies the coming changes as long as they are due.
    fn change(&mut self, due: impl Fn(&Change) -> bool) {
        while let Some(change) = self.changes.next_if(&due) {
            match change.setting {
                Setting::Tare { .. } => self.stream.zeroed(&mut self.events),
                Setting::Finder { mut parameters, .. } => {
                    (self.adjust)(&mut parameters);
                    self.in_force = Arc::new((*parameters).clone());
                    self.stream.set(*parameters);
                }
            }
            self.collect();
        }
    }

    fn collect(&mut self) {
        let (sensor, channel, segment) = self.place;
        self.out.extend(self.events.drain(..).filter_map(|event| match event {
            Event::Ended(hold) => {
                Some(Placed { sensor, channel, segment, hold: *hold, parameters: Arc::clone(&self.in_force) })
            }
            _ => None,
        }));
    }
}

fn bounds(segment: &SegmentRow) -> (u64, u64) {
    let first = as_u64(segment.first_sample);
    (first, first + as_u64(segment.samples))
}

fn as_u64(value: i64) -> u64 {
    u64::try_from(value).unwrap_or(0)
}

/// A setting of a channel.
struct Change {
    /// Position from which it is in force.
    from: u64,
    /// The port had been closed, so the segment was over: what it left open was judged without this.
    after_close: bool,
    setting: Setting,
}

/// The settings of a channel, in order.
fn changes(events: &[EventRow], sensor: usize, channel: usize) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut after_close = false;
    // With one port, whatever sensors were on it, its events stand at the first.
    let several = events.iter().any(|event| event.kind == PORT_OPENED && is_of_several(&event.detail));
    for event in events {
        let ours = usize::try_from(event.sensor) == Ok(sensor);
        match event.kind.as_str() {
            PORT_CLOSED if ours || !several => after_close = true,
            SEGMENT_BEGAN if ours => after_close = false,
            _ => {}
        }
        let Some(setting) = ours.then(|| serde_json::from_str::<Setting>(&event.detail).ok()).flatten()
        else {
            continue;
        };
        let (Setting::Tare { channel: of } | Setting::Finder { channel: of, .. }) = setting;
        if of == channel {
            changes.push(Change { from: as_u64(event.sample), after_close, setting });
        }
    }
    changes
}

fn is_of_several(detail: &str) -> bool {
    serde_json::from_str::<serde_json::Value>(detail).is_ok_and(|detail| detail.get(FOR_SENSOR).is_some())
}

/// Samples by position, read in blocks.
struct Cursor<'a> {
    recording: &'a Recording,
    sensor: usize,
    channel: usize,
    factor: f64,
    rows: u64,
    block: OwnedSamples,
}

impl<'a> Cursor<'a> {
    fn new(recording: &'a Recording, (sensor, channel): (usize, usize), factor: f64) -> Cursor<'a> {
        let rows = sensor.checked_sub(1).and_then(|k| recording.sensors().get(k)).map_or(0, |s| s.samples);
        Cursor { recording, sensor, channel, factor, rows, block: OwnedSamples::default() }
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
        // A factor of 1 leaves every bit as it is.
        let force_n = (f64::from(force_n) * self.factor) as f32;
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
