//! One sensor: its frames in their places, its counts in newtons, its channels searched for holds.

use super::device_time::{self, FramePlace, HostLoss, Interruption, Placed, Sequencer};
use super::force::{NoZero, Scale, ZeroSearch};
use super::setting::{Setting, Tare};
use super::{Found, Output};
use crate::journal::Record;
use analysis::holds::{Event, Parameters, Sample, Stream};
use analysis::sensor::curve::Curves;
use firmware_protocol::message::{Identity, Samples};
use std::borrow::Cow;

/// A hole longer than this begins the search for a zero anew, s.
const ZERO_GAP_S: f64 = 0.1;

/// Who a sensor is.
#[derive(Debug, Clone, PartialEq)]
pub struct SensorIdentity {
    /// Serial number.
    pub serial: String,
    /// Firmware's name and version.
    pub firmware: String,
    /// Declared sample interval, ns.
    pub interval_ns: u32,
    /// Group delay of the converter, s.
    pub group_delay_s: f64,
    /// Bandwidth, Hz; NaN unknown.
    pub bandwidth_hz: f64,
    /// Settling time, s; NaN unknown.
    pub settling_s: f64,
    /// Channels.
    pub channels: Vec<ChannelIdentity>,
}

/// Who a channel is.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelIdentity {
    /// Nominal scale.
    pub scale: Scale,
    /// Counts above zero at the rated force.
    pub rated_counts: i32,
    /// `compression`, `tension` or `both`.
    pub direction: String,
}

impl From<&Identity> for SensorIdentity {
    fn from(identity: &Identity) -> Self {
        let known = |value: u32, unit: f64| if value == 0 { f64::NAN } else { f64::from(value) * unit };
        SensorIdentity {
            serial: identity.serial.as_str().to_owned(),
            firmware: identity.firmware.as_str().to_owned(),
            interval_ns: identity.interval_ns,
            group_delay_s: f64::from(identity.group_delay_ns) * 1e-9,
            bandwidth_hz: known(identity.bandwidth_millihertz, 1e-3),
            settling_s: known(identity.settling_ns, 1e-9),
            channels: identity
                .channels
                .iter()
                .map(|channel| ChannelIdentity {
                    scale: Scale::nominal(channel.zero_counts, channel.rated_counts, channel.rated_force_mn),
                    rated_counts: channel.rated_counts,
                    direction: format!("{:?}", channel.direction).to_lowercase(),
                })
                .collect(),
        }
    }
}

impl SensorIdentity {
    /// A sensor of which nothing is known, and nothing came.
    pub(crate) fn unknown() -> Self {
        SensorIdentity::nothing_but(0, 1)
    }

    /// A sensor of which only samples are left: its counts are kept, their force is unknown.
    pub(super) fn nameless(frame: &Samples) -> Self {
        SensorIdentity::nothing_but(frame.interval_ns, usize::from(frame.channels))
    }

    fn nothing_but(interval_ns: u32, channels: usize) -> Self {
        let scale = Scale { zero_counts: 0.0, n_per_count: f64::NAN, rated_n: f64::NAN };
        let channel = ChannelIdentity { scale, rated_counts: 0, direction: "unknown".to_owned() };
        SensorIdentity {
            serial: String::new(),
            firmware: String::new(),
            interval_ns,
            group_delay_s: 0.0,
            bandwidth_hz: f64::NAN,
            settling_s: f64::NAN,
            channels: vec![channel; channels],
        }
    }
}

/// A frame's new samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Where they stand.
    pub placed: Placed,
    /// How many.
    pub samples: u64,
    /// Frame sequence number.
    pub sequence: u32,
    /// Device's counter of the first one.
    pub counter: u64,
    /// Device time of the first one, µs.
    pub device_time_us: u64,
    /// When the frame's last byte arrived, host's monotonic clock, ns.
    pub arrival_ns: u64,
    /// Status flags as sent.
    pub status: u8,
    /// A sample of the frame was at the converter's end.
    pub saturated: bool,
    /// Counts, sample-major.
    pub counts: Vec<i32>,
    /// Force, tare removed, N, sample-major.
    pub force_n: Vec<f32>,
    /// Time since the segment's first sample, group delay taken off, s.
    pub device_time_s: Vec<f64>,
}

impl Block {
    /// How many channels.
    pub fn channels(&self) -> usize {
        self.counts.len() / self.samples.max(1) as usize
    }

    /// Force of one channel, from 1; none where there is no such channel.
    pub fn channel_force_n(&self, channel: usize) -> Cow<'_, [f32]> {
        let channels = self.channels();
        match channel {
            1 if channels == 1 => Cow::Borrowed(&self.force_n),
            channel if (1..=channels).contains(&channel) => {
                self.force_n.iter().skip(channel - 1).step_by(channels).copied().collect()
            }
            _ => Cow::Borrowed(&[]),
        }
    }
}

struct Channel {
    scale: Scale,
    /// Its calibration; without one the scale is the sensor's own.
    curves: Option<Curves>,
    nominal: Scale,
    zero_search: Option<ZeroSearch>,
    /// A zero is sought: at any level, and the orientation that was said.
    zeroing: Option<(bool, String)>,
    stream: Stream,
}

impl Channel {
    fn all(identity: &SensorIdentity, find: bool) -> Vec<Channel> {
        let channel = |channel: &ChannelIdentity| Channel {
            scale: channel.scale,
            curves: None,
            nominal: channel.scale,
            zero_search: None,
            zeroing: find.then(|| (false, String::new())),
            stream: Stream::new(Parameters::default()),
        };
        identity.channels.iter().map(channel).collect()
    }

    fn force_n(&self, counts: i32) -> f64 {
        match &self.curves {
            Some(curves) => curves.force_n(f64::from(counts) - self.scale.zero_counts),
            None => self.scale.force_n(counts),
        }
    }
}

/// One sensor's state.
pub(super) struct Sensor {
    number: usize,
    identity: SensorIdentity,
    boot_id: Option<u32>,
    sequencer: Sequencer,
    segment: u64,
    interval_s: f64,
    channels: Vec<Channel>,
    found: Vec<device_time::Found>,
    events: Vec<Event>,
    samples: Vec<Sample>,
}

impl Sensor {
    pub(super) fn new(number: usize, identity: SensorIdentity, find: bool) -> Self {
        Sensor {
            number,
            channels: Channel::all(&identity, find),
            identity,
            boot_id: None,
            sequencer: Sequencer::default(),
            segment: 0,
            interval_s: 0.0,
            found: Vec::new(),
            events: Vec::new(),
            samples: Vec::new(),
        }
    }

    /// Its number, from 1.
    pub(super) fn number(&self) -> usize {
        self.number
    }

    /// That it is on this port.
    pub(super) fn identified(&self, port: u8) -> Output {
        Output::Identified { port, sensor: self.number, identity: self.identity.clone() }
    }

    pub(super) fn identity(&self) -> &SensorIdentity {
        &self.identity
    }

    pub(super) fn position(&self) -> u64 {
        self.sequencer.position()
    }

    pub(super) fn duplicates(&self) -> u64 {
        self.sequencer.duplicates()
    }

    pub(super) fn lost(&mut self, what: HostLoss) {
        self.sequencer.lost(what);
    }

    /// The boot id the board gives; true when it is another one than before.
    pub(super) fn boot(&mut self, boot_id: u32) -> bool {
        self.boot_id.replace(boot_id).is_some_and(|before| before != boot_id)
    }

    /// A new zero is asked for, of one channel or of all, in this orientation; `any_level` where a person answers for the level.
    pub(super) fn seek_zero(&mut self, which: Option<usize>, any_level: bool, orientation: &str) {
        let meant = (1..).zip(&mut self.channels);
        for (_, channel) in meant.filter(|(number, _)| which.is_none_or(|which| which == *number)) {
            channel.zeroing = Some((any_level, orientation.to_owned()));
            channel.zero_search = None;
        }
    }

    /// A calibration of one channel; false where it is none of this sensor.
    pub(super) fn calibrate(&mut self, channel: usize, serial: &str, curves: &Curves) -> bool {
        let own = self.identity.serial == serial && !self.is_nameless();
        match channel.checked_sub(1).and_then(|at| self.channels.get_mut(at)).filter(|_| own) {
            Some(channel) => {
                channel.curves = Some(curves.clone());
                true
            }
            None => false,
        }
    }

    /// The segment ends; its stream may go on afterwards.
    pub(super) fn interrupt(&mut self, why: Interruption, out: &mut Vec<Output>) {
        self.end(out);
        self.sequencer.interrupt(why);
    }

    /// Whose samples these are is lost: nothing is known but what the frames themselves say.
    pub(super) fn is_nameless(&self) -> bool {
        self.identity.serial.is_empty()
    }

    /// A nameless sensor has said who it is, between two segments.
    pub(super) fn name(&mut self, identity: SensorIdentity, find: bool) {
        self.channels = Channel::all(&identity, find);
        // No delay was taken off its times so far, and one sensor's times are all of one kind.
        self.identity = SensorIdentity { group_delay_s: self.identity.group_delay_s, ..identity };
    }

    /// It was asked to start.
    pub(super) fn started(&mut self) {
        if let Some(boot_id) = self.boot_id {
            self.sequencer.started(boot_id);
        }
    }

    /// Its latest samples are of this boot.
    pub(super) fn is_boot(&self, boot_id: u32) -> bool {
        self.boot_id == Some(boot_id)
    }

    /// The recording ends.
    pub(super) fn finish(&mut self, out: &mut Vec<Output>) {
        self.end(out);
        out.extend(self.sequencer.end().map(|gap| Output::Gap(self.number, gap)));
    }

    /// The segment ends.
    fn end(&mut self, out: &mut Vec<Output>) {
        for channel in 0..self.channels.len() {
            self.channels[channel].stream.end(&mut self.events);
            self.channels[channel].zero_search = None;
            self.report(channel, out);
        }
    }

    /// The board has stopped and says how many samples there were.
    pub(super) fn stopped(&mut self, boot_id: u32, next_counter: u64, out: &mut Vec<Output>) {
        let mut found = std::mem::take(&mut self.found);
        self.sequencer.stopped(boot_id, next_counter, &mut found);
        out.extend(found.drain(..).filter_map(|found| match found {
            device_time::Found::Gap(gap) => Some(Output::Gap(self.number, gap)),
            _ => None,
        }));
        self.found = found;
    }

    pub(super) fn set(&mut self, setting: &Setting, out: &mut Vec<Output>) {
        match setting {
            Setting::Tare(tare) => {
                let Some(at) = tare.channel.checked_sub(1).filter(|at| *at < self.channels.len()) else {
                    return;
                };
                self.channels[at].scale.zero_counts = tare.zero_counts;
                self.channels[at].stream.zeroed(&mut self.events);
                self.report(at, out);
            }
            Setting::Finder { channel, parameters, .. } => {
                if let Some(channel) = channel.checked_sub(1).and_then(|at| self.channels.get_mut(at)) {
                    channel.stream.set((**parameters).clone());
                }
            }
            // Given by serial number, not by place: Sensor::calibrate.
            Setting::Calibration(_) | Setting::Properties(_) => {}
        }
    }

    /// Takes a samples frame.
    pub(super) fn samples(&mut self, frame: &Samples, arrival_ns: u64, find: bool, out: &mut Vec<Output>) {
        if usize::from(frame.channels) != self.channels.len() {
            return; // not what the identity said; a board that changes says so first
        }
        let place = FramePlace {
            boot_id: frame.boot_id,
            sequence: frame.sequence,
            counter: frame.first_sample,
            samples: u64::from(frame.samples),
            device_time_us: frame.device_time_us,
            interval_ns: frame.interval_ns,
            channels: frame.channels,
            overrun: frame.overrun(),
        };
        let mut found = std::mem::take(&mut self.found);
        self.sequencer.place(&place, &mut found);
        for found in found.drain(..) {
            match found {
                device_time::Found::Began(began) => self.begin(began, find, out),
                device_time::Found::Gap(gap) => {
                    // A few lost samples leave a mean what it is; a long hole may hide that somebody touched the sensor.
                    if gap.missing.is_none_or(|missing| missing as f64 * self.interval_s > ZERO_GAP_S) {
                        self.channels
                            .iter_mut()
                            .filter_map(|c| c.zero_search.as_mut())
                            .for_each(ZeroSearch::clear);
                    }
                    out.push(Output::Gap(self.number, gap));
                }
                device_time::Found::Placed(placed) => self.place(frame, placed, arrival_ns, find, out),
                device_time::Found::Duplicate => out.push(Output::Duplicate(self.number)),
            }
        }
        self.found = found;
    }

    fn begin(&mut self, began: device_time::Began, find: bool, out: &mut Vec<Output>) {
        self.end(out);
        self.segment = began.segment;
        self.interval_s = f64::from(began.interval_ns) * 1e-9;
        self.boot_id = Some(began.boot_id);
        if find {
            for channel in &mut self.channels {
                channel.stream.begin(self.interval_s, &mut self.events);
            }
        }
        out.push(Output::Began(self.number, began));
    }

    fn place(&mut self, frame: &Samples, placed: Placed, arrival_ns: u64, find: bool, out: &mut Vec<Output>) {
        let channels = self.channels.len();
        let counts: Vec<i32> = frame.iter().skip(placed.skip as usize * channels).collect();
        let force_n: Vec<f32> =
            counts.iter().zip(self.channels.iter().cycle()).map(|(&c, ch)| ch.force_n(c) as f32).collect();
        let samples = (counts.len() / channels.max(1)) as u64;
        let delay_s = self.identity.group_delay_s;
        let device_time_s: Vec<f64> =
            (0..samples).map(|i| (placed.index + i) as f64 * self.interval_s - delay_s).collect();
        let block = Block {
            sensor: self.number,
            placed,
            samples,
            sequence: frame.sequence,
            counter: frame.first_sample + placed.skip,
            device_time_us: frame.device_time_us + placed.skip * u64::from(frame.interval_ns) / 1000,
            arrival_ns,
            status: frame.status,
            saturated: frame.saturated(),
            counts,
            force_n,
            device_time_s,
        };
        if !find {
            out.push(Output::Block(block));
            return;
        }
        let at = out.len();
        for channel in 0..channels {
            self.search(channel, &block, out);
        }
        // The samples come before what was found in them.
        out.insert(at, Output::Block(block));
    }

    fn search(&mut self, at: usize, block: &Block, out: &mut Vec<Output>) {
        let channels = self.channels.len();
        let saturated = block.saturated;
        let force_n = block.force_n.iter().skip(at).step_by(channels);
        self.samples.clear();
        self.samples.extend(force_n.zip(&block.device_time_s).zip(block.placed.index..).map(
            |((&force_n, &time_s), index)| Sample { index, time_s, force_n: f64::from(force_n), saturated },
        ));
        self.channels[at].stream.push(&self.samples, &mut self.events);
        self.report(at, out);
        self.zero(at, block, out);
    }

    fn zero(&mut self, at: usize, block: &Block, out: &mut Vec<Output>) {
        let channels = self.channels.len();
        let (number, interval_s) = (self.number, self.interval_s);
        let channel = &mut self.channels[at];
        let Some((any_level, orientation)) = &channel.zeroing else { return };
        let nominal = channel.nominal;
        let search =
            channel.zero_search.get_or_insert_with(|| ZeroSearch::new(interval_s, nominal, *any_level));
        let mut reason = None;
        for (i, &count) in block.counts.iter().skip(at).step_by(channels).enumerate() {
            match search.push(count) {
                Ok(zero) => {
                    let last = block.placed.position + i as u64;
                    let setting = Setting::Tare(Tare {
                        sensor: number,
                        channel: at + 1,
                        first_sample: (last + 1).saturating_sub(zero.samples),
                        samples: zero.samples,
                        zero_counts: zero.zero_counts,
                        sd_n: zero.sd_n,
                        slope_n_per_s: zero.slope_n_per_s,
                        orientation: orientation.clone(),
                    });
                    channel.zeroing = None;
                    channel.zero_search = None;
                    out.push(Output::Journal(Record::Parameters(json(&setting))));
                    return;
                }
                Err(NoZero::TooFew) => {}
                Err(why) => reason = Some(why),
            }
        }
        out.extend(reason.map(|why| Output::NoZero { sensor: number, channel: at + 1, why }));
    }

    fn report(&mut self, at: usize, out: &mut Vec<Output>) {
        for event in self.events.drain(..) {
            let positions = match &event {
                Event::Ended(hold) => {
                    let at = |index| self.sequencer.position_of(self.segment, index);
                    at(hold.first_index).zip(at(hold.last_index))
                }
                _ => None,
            };
            out.push(Output::Holds(Found {
                sensor: self.number,
                channel: at + 1,
                segment: self.segment,
                positions,
                event,
            }));
        }
    }
}

/// A value as JSON text; a value that has none (there is no such value here) is empty.
pub(super) fn json<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_string(value).unwrap_or_default()
}
