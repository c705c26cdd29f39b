//! The pure pipeline: journal records in, samples in newtons and holds out.
//!
//! decode (frames) → device time (segments, gaps) → force (counts to N) → holds. Fed from the journal's records and
//! nothing else, in their order, live and when sealing; the same records give the same bits, however the bytes are
//! split. No clock, no I/O, no logging.
//!
//! Several sensors at once: each port has its own conversation and its own sensor with its own segments, gaps, zeros and
//! finders; nothing of one waits for another. Port p's sensor has the number p + 1, whichever answers first; a sensor that
//! is accepted in another's place gets the next free one. Two that say the same serial number are refused, and one that
//! comes back on another port of the recording is known by its serial number. Only the host's time places them side by
//! side: when sealing, each segment's clock map with its bound.

mod adopt;
pub mod device_time;
pub mod force;
pub mod link;
mod sensor;
pub mod setting;
pub mod text;
mod text_port;

pub use sensor::{Block, ChannelIdentity, SensorIdentity};

use crate::journal::record::Anchor;
use crate::journal::{Record, Stamped};
use analysis::holds::{Event, Hold};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::properties::Properties;
use device_time::{Began, Gap, HostLoss, Interruption};
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::{Condition, DeviceMessage, HostMessage, Identity, MessageFault};
use link::{Link, Word};
use sensor::Sensor;
use serde::{Deserialize, Serialize};
use setting::Setting;
use std::sync::Arc;
use text_port::{TextPort, profile_of};

/// What a person (or the program's end) asks for. Travels as [`Record::Action`] (JSON).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "action", rename_all = "kebab-case")]
pub enum Action {
    /// Take a new zero now.
    Tare {
        /// Whose.
        #[serde(flatten)]
        which: Which,
        /// The sensor's orientation, as typed; "" not said.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        orientation: String,
    },
    /// Take a new zero as soon as nothing is on the sensor (the visit asks for it after the hand was turned).
    SeekZero(Which),
    /// Go on with another sensor than the one the recording began with.
    AcceptSensor,
    /// End the recording: stop the board.
    Stop {
        /// Why.
        reason: String,
    },
}

/// Which sensor and channel, from 1; where none is named, all of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Which {
    /// Sensor.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sensor: Option<usize>,
    /// Channel.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<usize>,
}

impl Action {
    /// As it is put into the journal.
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// What comes out.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Append this record and feed it back: it takes effect then.
    Journal(Record),
    /// Write these bytes to the port.
    Send {
        /// Port number.
        port: u8,
        /// A whole frame.
        bytes: Vec<u8>,
    },
    /// A sensor said who it is.
    Identified {
        /// Port number.
        port: u8,
        /// Sensor, from 1.
        sensor: usize,
        /// Who it is.
        identity: SensorIdentity,
    },
    /// A segment began.
    Began(usize, Began),
    /// A calibration is in force for this sensor.
    Calibrated(usize, Arc<Certificate>),
    /// What else is known of the sensor of a serial number.
    Properties(Arc<Properties>),
    /// Samples.
    Block(Block),
    /// Samples are missing.
    Gap(usize, Gap),
    /// A frame came that was there already.
    Duplicate(usize),
    /// A setting is in force from this position on.
    Set(Setting, u64),
    /// A channel has no zero yet, and why.
    NoZero {
        /// Sensor, from 1.
        sensor: usize,
        /// Channel, from 1.
        channel: usize,
        /// Why.
        why: force::NoZero,
    },
    /// The finder said something.
    Holds(Found),
    /// The board's supply and temperature.
    Condition(usize, Condition),
    /// A ping was answered: when it was sent and answered (ns), and the device time in between (µs).
    Pong {
        /// Sensor, from 1.
        sensor: usize,
        /// Host's monotonic clock at sending, ns.
        sent_ns: u64,
        /// Host's monotonic clock at arrival, ns.
        arrived_ns: u64,
        /// Device time, µs.
        device_time_us: u64,
        /// Boot id.
        boot_id: u32,
    },
    /// The conversation changed.
    Link(u8, LinkState),
}

/// What the finder said of a channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Channel, from 1.
    pub channel: usize,
    /// Segment, from 0.
    pub segment: u64,
    /// Positions of the first and last sample, for a hold that ended.
    pub positions: Option<(u64, u64)>,
    /// What it said.
    pub event: Event,
}

impl Found {
    /// The hold that ended.
    pub fn hold(&self) -> Option<&Hold> {
        if let Event::Ended(hold) = &self.event { Some(hold) } else { None }
    }
}

/// Changes of the conversation that a person wants to know of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum LinkState {
    /// Nothing usable answered within the handshake's time.
    NoAnswer {
        /// Bytes received that made no frame.
        noise_bytes: u64,
    },
    /// The board speaks another version of the protocol.
    OtherVersion(u8),
    /// Another sensor than before: it waits to be confirmed.
    OtherSensor {
        /// Serial number before.
        expected: String,
        /// Serial number now.
        found: String,
    },
    /// Another port has a sensor of this serial number already.
    Twice(String),
    /// Samples stopped although the port is open.
    Silent,
    /// Samples flow (again).
    Flowing,
    /// The port is gone.
    Closed(String),
    /// The board has stopped.
    Stopped,
}

/// Faults on the wire, all told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct WireFaults {
    /// Frames longer than any can be.
    pub overlong: u64,
    /// Frames that are no COBS.
    pub malformed: u64,
    /// Frames with a wrong checksum.
    pub checksum: u64,
    /// Frames too short to be one.
    pub short: u64,
    /// Frames whose message is none.
    pub message: u64,
    /// Frames that came twice.
    pub duplicate: u64,
    /// Bytes the host lost because it was too slow.
    pub host_dropped_bytes: u64,
}

impl WireFaults {
    /// Everything that may have cost samples.
    pub fn total(&self) -> u64 {
        self.overlong + self.malformed + self.checksum + self.short + self.message
    }
}

struct PortState {
    /// Number of the port's first sensor, whichever port answers first.
    number: usize,
    open: bool,
    opened_ns: u64,
    accumulator: Accumulator,
    link: Link,
    sensor: Option<usize>,
    stranger: Option<Box<Identity>>,
    ping: Option<(u32, u64)>,
    /// The journal has a hole since this port was opened: what was said in it is unknown.
    hole: bool,
    /// The sensor was asked to start: what streams now is ours.
    started: bool,
    /// Since a hole in the journal, and until the sensor has said who it is: frames of an unknown boot, each with its time.
    waiting: Option<Vec<(u64, Vec<u8>)>>,
    /// What is on it prints lines of numbers, and speaks no protocol.
    text: Option<Box<TextPort>>,
}

impl PortState {
    /// Its sensor has said that it is there, since the port was opened: what was on it before may be on another by now.
    fn is_at_home(&self) -> bool {
        self.open && self.stranger.is_none() && (self.text.is_some() || self.link.is_identified())
    }
}

/// The pipeline's state.
pub struct Pipeline {
    ports: Vec<PortState>,
    sensors: Vec<Sensor>,
    /// Sensors' numbers given away so far.
    numbers: usize,
    calibrations: Vec<Arc<Certificate>>,
    faults: WireFaults,
    words: Vec<Word>,
    find: bool,
    next_number: u64,
    /// The journal's first records are lost, and with them who the sensors are.
    beginning_lost: bool,
    /// How far the clock that counts suspend is ahead of the one that does not, ns.
    slept_ns: Option<u64>,
}

/// The host slept when its two clocks that never step moved apart by more than this, ns. They are read one after the
/// other, so a little is always between them.
pub const SLEPT_NS: u64 = 100_000_000;

impl Pipeline {
    /// A pipeline; without `find` it makes samples but looks for no holds and no zeros (a second pass over a journal
    /// whose settings are known).
    pub fn new(find: bool) -> Self {
        Pipeline {
            ports: Vec::new(),
            sensors: Vec::new(),
            numbers: 0,
            calibrations: Vec::new(),
            faults: WireFaults::default(),
            words: Vec::new(),
            find,
            next_number: 0,
            beginning_lost: false,
            slept_ns: None,
        }
    }

    /// Faults so far.
    pub fn faults(&self) -> WireFaults {
        let mut faults = self.faults;
        for port in &self.ports {
            let counts = port.accumulator.counts();
            faults.overlong += counts.overlong;
            faults.malformed += counts.malformed;
            faults.checksum += counts.checksum;
            faults.short += counts.short;
        }
        faults.duplicate = self.sensors.iter().map(Sensor::duplicates).sum();
        faults
    }

    /// Samples recorded so far of a sensor (from 1).
    pub fn position(&self, sensor: usize) -> u64 {
        self.sensors.iter().find(|it| it.number() == sensor).map_or(0, Sensor::position)
    }

    /// Takes one record.
    pub fn step(&mut self, stamped: &Stamped, out: &mut Vec<Output>) {
        let now_ns = stamped.monotonic_ns;
        if stamped.number > self.next_number {
            self.records_lost();
        }
        self.next_number = self.next_number.max(stamped.number.saturating_add(1));
        match &stamped.record {
            Record::Opened { port, detail } => self.opened(*port, detail, now_ns, out),
            Record::Closed { port, reason } => self.closed(*port, reason, now_ns, out),
            Record::Bytes { port, bytes } => self.bytes(*port, bytes, now_ns, out),
            Record::Dropped { port, bytes } => self.dropped(*port, *bytes),
            Record::Sent { port, bytes } => self.sent(*port, bytes, now_ns),
            Record::Tick => {
                self.each_port(now_ns, out, |port, now_ns, words| port.link.tick(now_ns, words));
                self.await_lines(now_ns, out);
            }
            Record::Action(text) => self.action(text, now_ns, out),
            Record::Parameters(text) => self.set(text, out),
            Record::Finished(_) => self.sensors.iter_mut().for_each(|sensor| sensor.finish(out)),
            Record::Anchor(anchor) => self.anchored(anchor, out),
            Record::Begun(_) | Record::Shown(_) => {}
        }
    }

    fn port(&mut self, port: u8) -> &mut PortState {
        let wanted = usize::from(port);
        while self.ports.len() <= wanted {
            self.numbers += 1;
            self.ports.push(PortState {
                number: self.numbers,
                open: false,
                opened_ns: 0,
                accumulator: Accumulator::new(),
                link: Link::default(),
                sensor: None,
                stranger: None,
                ping: None,
                // Whoever is heard of first without having been opened was opened in a hole.
                hole: true,
                started: false,
                waiting: None,
                text: None,
            });
        }
        &mut self.ports[wanted]
    }

    fn opened(&mut self, port: u8, detail: &str, now_ns: u64, out: &mut Vec<Output>) {
        let beginning_lost = self.beginning_lost;
        let state = self.port(port);
        (state.open, state.opened_ns) = (true, now_ns);
        if let Some(profile) = profile_of(detail) {
            match &mut state.text {
                Some(text) => text.reopened(now_ns),
                None => state.text = Some(Box::new(TextPort::new(profile, now_ns))),
            }
        }
        self.with_words(port, now_ns, out, |state, now_ns, words| {
            state.accumulator.reset();
            state.stranger = None;
            // Whether it was known from before, and so started at once, is in the hole where nobody was named since.
            state.hole &= state.sensor.is_none() && beginning_lost;
            // What streams without having been started by us streams for somebody who is gone.
            state.link.opened(state.started, now_ns, words);
        });
    }

    fn closed(&mut self, port: u8, reason: &str, now_ns: u64, out: &mut Vec<Output>) {
        let state = self.port(port);
        state.open = false;
        state.link.closed(now_ns);
        state.accumulator.reset();
        let sensor = state.sensor;
        if let Some(sensor) = sensor.and_then(|at| self.sensors.get_mut(at)) {
            sensor.interrupt(Interruption::Unplugged, out);
        }
        out.push(Output::Link(port, LinkState::Closed(reason.to_owned())));
    }

    fn dropped(&mut self, port: u8, bytes: u64) {
        self.faults.host_dropped_bytes = self.faults.host_dropped_bytes.saturating_add(bytes);
        let state = self.port(port);
        state.text.iter_mut().for_each(|text| text.hole());
        let sensor = state.sensor;
        if let Some(sensor) = sensor.and_then(|at| self.sensors.get_mut(at)) {
            sensor.lost(HostLoss::Bytes);
        }
    }

    /// The journal has a hole before this record.
    fn records_lost(&mut self) {
        self.beginning_lost |= self.next_number == 0;
        for port in &mut self.ports {
            port.accumulator.reset();
            port.hole = true;
            port.waiting.get_or_insert_default();
            port.text.iter_mut().for_each(|text| text.hole());
        }
        self.sensors.iter_mut().for_each(|sensor| sensor.lost(HostLoss::Records));
    }

    /// The host's clocks were read: did it sleep since the last time? Its monotonic clock stood still then, the sensor's
    /// did not.
    fn anchored(&mut self, anchor: &Anchor, out: &mut Vec<Output>) {
        let slept_ns = anchor.boottime_ns.saturating_sub(anchor.monotonic_ns);
        let before_ns = self.slept_ns.replace(slept_ns);
        if before_ns.is_some_and(|before_ns| slept_ns > before_ns.saturating_add(SLEPT_NS)) {
            self.sensors.iter_mut().for_each(|sensor| sensor.interrupt(Interruption::HostSlept, out));
        }
    }

    fn sent(&mut self, port: u8, frame: &[u8], now_ns: u64) {
        let mut accumulator = Accumulator::new();
        let mut input = frame;
        let Some(Ok(body)) = accumulator.push(&mut input) else { return };
        match HostMessage::decode(body) {
            Ok(HostMessage::Ping { token }) => self.port(port).ping = Some((token, now_ns)),
            Ok(HostMessage::Start) => {
                let state = self.port(port);
                state.started = true;
                state.link.started(now_ns);
                let sensor = state.sensor;
                sensor.and_then(|at| self.sensors.get_mut(at)).into_iter().for_each(Sensor::started);
            }
            _ => {}
        }
    }

    fn bytes(&mut self, port: u8, bytes: &[u8], now_ns: u64, out: &mut Vec<Output>) {
        if let Some(text) = self.port(port).text.take() {
            return self.lines(port, text, bytes, now_ns, out);
        }
        // The accumulator lends its buffer out with each frame, so it steps aside while the frame is looked at.
        let mut accumulator = std::mem::take(&mut self.ports[usize::from(port)].accumulator);
        let mut input = bytes;
        let mut useful = false;
        while let Some(frame) = accumulator.push(&mut input) {
            if let Ok(body) = frame {
                useful |= self.frame(port, body, now_ns, out);
            }
        }
        let state = &mut self.ports[usize::from(port)];
        state.accumulator = accumulator;
        if !useful {
            state.link.noise(bytes.len() as u64);
        }
    }

    fn frame(&mut self, port: u8, body: &[u8], now_ns: u64, out: &mut Vec<Output>) -> bool {
        match DeviceMessage::decode(body) {
            Ok(DeviceMessage::Samples(samples)) => {
                self.take_after_hole(port, &samples, now_ns, out);
                let state = &mut self.ports[usize::from(port)];
                let (Some(at), link, started) = (state.sensor, &state.link, state.started) else {
                    return true;
                };
                if link.takes_samples() {
                    self.with_words(port, now_ns, out, |state, now_ns, words| {
                        state.link.samples(now_ns, words)
                    });
                } else if link.phase() != link::Phase::Identifying || !started {
                    return true;
                } else if !self.is_boot(at, samples.boot_id) {
                    self.wait_for_identity(port, body, now_ns);
                    return true;
                }
                // A board that comes back is asked who it is; its boot id has said so already.
                if let Some(sensor) = self.sensors.get_mut(at) {
                    // Where the force is unknown there is nothing to find.
                    sensor.samples(&samples, now_ns, self.find && !sensor.is_nameless(), out);
                }
            }
            Ok(DeviceMessage::Identity(identity)) => self.identified(port, &identity, now_ns, out),
            Ok(DeviceMessage::Condition(condition)) => self.condition(port, condition, now_ns, out),
            Ok(DeviceMessage::Pong(pong)) => {
                let state = &mut self.ports[usize::from(port)];
                if let (Some((token, sent_ns)), Some(at)) = (state.ping, state.sensor)
                    && let Some(sensor) = self.sensors.get(at).filter(|_| token == pong.token)
                {
                    state.ping = None;
                    out.push(Output::Pong {
                        sensor: sensor.number(),
                        sent_ns,
                        arrived_ns: now_ns,
                        device_time_us: pong.device_time_us,
                        boot_id: pong.boot_id,
                    });
                }
            }
            Err(MessageFault::OtherVersion(version)) => {
                self.ports[usize::from(port)].link.refuse(now_ns);
                out.push(Output::Link(port, LinkState::OtherVersion(version)));
            }
            Err(_) => {
                self.faults.message += 1;
                return false;
            }
        }
        true
    }

    fn condition(&mut self, port: u8, condition: Condition, now_ns: u64, out: &mut Vec<Output>) {
        let state = &mut self.ports[usize::from(port)];
        // One that was under way when the stop was sent is not its answer.
        let answer = !condition.streaming;
        let phase = state.link.phase();
        // After a hole, what was taken for our stream may have been one that was stopped for ours.
        let stopping =
            answer && (phase == link::Phase::Stopping || (state.hole && phase == link::Phase::Streaming));
        let Some(sensor) = state.sensor.and_then(|at| self.sensors.get_mut(at)) else { return };
        if stopping {
            sensor.stopped(condition.boot_id, condition.next_sample, out);
        }
        out.push(Output::Condition(sensor.number(), condition));
        if answer {
            self.with_words(port, now_ns, out, |state, now_ns, words| state.link.condition(now_ns, words));
        }
    }

    fn action(&mut self, text: &str, now_ns: u64, out: &mut Vec<Output>) {
        match serde_json::from_str(text) {
            Ok(Action::Tare { which, orientation }) => self.seek_zero(which, true, &orientation),
            Ok(Action::SeekZero(which)) => self.seek_zero(which, false, ""),
            Ok(Action::AcceptSensor) => self.accept_stranger(now_ns, out),
            Ok(Action::Stop { .. }) => {
                let lines = (0..).zip(&self.ports).filter(|(_, state)| state.text.is_some());
                out.extend(lines.map(|(port, _)| Output::Link(port, LinkState::Stopped)));
                self.each_port(now_ns, out, |port, now_ns, words| port.link.stop(now_ns, words))
            }
            Err(_) => {} // an action of a newer version: it is kept in the journal and means nothing here
        }
    }

    fn seek_zero(&mut self, which: Which, any_level: bool, orientation: &str) {
        let meant = |sensor: &&mut Sensor| which.sensor.is_none_or(|number| number == sensor.number());
        for sensor in self.sensors.iter_mut().filter(meant) {
            sensor.seek_zero(which.channel, any_level, orientation);
        }
    }

    fn accept_stranger(&mut self, now_ns: u64, out: &mut Vec<Output>) {
        // All of them leave before any is taken: they may have changed places.
        let strangers = self.ports.iter_mut().map(|state| {
            let stranger = state.stranger.take()?;
            state.sensor = None;
            Some(stranger)
        });
        for (port, identity) in (0..).zip(strangers.collect::<Vec<_>>()) {
            let Some(identity) = identity else { continue };
            self.with_words(port, now_ns, out, |state, now_ns, words| {
                state.started = false;
                state.link.opened(false, now_ns, words)
            });
            self.identified(port, &identity, now_ns, out);
        }
    }

    fn set(&mut self, text: &str, out: &mut Vec<Output>) {
        let Ok(setting) = serde_json::from_str::<Setting>(text) else { return };
        let sensor = match &setting {
            Setting::Tare(tare) => tare.sensor,
            Setting::Finder { sensor, .. } => *sensor,
            Setting::Calibration(certificate) => {
                self.calibrations.push(Arc::new((**certificate).clone()));
                return self.calibrate(out);
            }
            // It changes no force: whoever says how uncertain one is wants it.
            Setting::Properties(of) => return out.push(Output::Properties(Arc::new((**of).clone()))),
        };
        if let Some(sensor) = self.sensors.iter_mut().find(|it| it.number() == sensor) {
            sensor.set(&setting, out);
            let position = sensor.position();
            out.push(Output::Set(setting, position));
        }
    }

    /// The calibration that was set last is in force for each sensor that has said who it is: each is used once.
    fn calibrate(&mut self, out: &mut Vec<Output>) {
        let sensors = &mut self.sensors;
        self.calibrations.retain(|certificate| {
            let Some(curves) = certificate.curves() else { return false };
            let mut used = sensors.iter_mut().filter_map(|sensor| {
                let is_its = sensor.calibrate(certificate.channel, &certificate.serial, &curves);
                is_its.then_some(sensor.number())
            });
            let number = used.next();
            out.extend(number.map(|number| Output::Calibrated(number, Arc::clone(certificate))));
            number.is_none()
        });
    }

    fn each_port(&mut self, now_ns: u64, out: &mut Vec<Output>, f: fn(&mut PortState, u64, &mut Vec<Word>)) {
        for port in 0..self.ports.len() as u8 {
            self.with_words(port, now_ns, out, f);
        }
    }

    fn with_words(
        &mut self,
        port: u8,
        now_ns: u64,
        out: &mut Vec<Output>,
        f: impl FnOnce(&mut PortState, u64, &mut Vec<Word>),
    ) {
        // Nothing is said to what speaks no protocol.
        let Some(state) = self.ports.get_mut(usize::from(port)).filter(|state| state.text.is_none()) else {
            return;
        };
        f(state, now_ns, &mut self.words);
        out.extend(self.words.drain(..).map(|word| match word {
            Word::Send(message) => Output::Send { port, bytes: framed(message) },
            Word::NoAnswer { noise_bytes } => Output::Link(port, LinkState::NoAnswer { noise_bytes }),
            Word::Silent => Output::Link(port, LinkState::Silent),
            Word::Flowing => Output::Link(port, LinkState::Flowing),
            Word::Stopped => Output::Link(port, LinkState::Stopped),
        }));
    }
}

/// A host message as a whole frame.
pub fn framed(message: HostMessage) -> Vec<u8> {
    let mut body = [0; 64];
    let mut frame = [0; 96];
    let framed = message.encode(&mut body).ok().and_then(|length| {
        let body = body.get(..length)?;
        firmware_protocol::frame::encode(body, &mut frame).ok()
    });
    frame.get(..framed.unwrap_or(0)).unwrap_or_default().to_vec()
}
