//! The simulated sensor: a hand (or a trace), a converter, the board's own side of the conversation, and faults.
//!
//! [`Sensor`] is pure: time comes in (ns), bytes come in and go out, from a seed. [`pty`] and the command put it behind a
//! pseudo-terminal and let it run in real time.

pub mod converter;
pub mod faults;
pub mod hand;
pub mod pty;

use converter::{Converter, Errors, RATED_COUNTS};
use faults::{Fate, Faults};
use firmware_protocol::board::Board;
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, Direction, Identity, PROTOCOL_VERSION, Text,
};
use hand::Hand;
use serde::Serialize;

/// Where the force comes from.
#[derive(Debug, Clone)]
pub enum Source {
    /// A hand.
    Hand(Hand),
    /// A trace, interpolated in time (s, N).
    Trace(Vec<f64>, Vec<f64>),
    /// A trace, one sample a row, without noise.
    Exact(Vec<f64>),
}

/// What the sensor is like.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Serial number, up to 16 characters.
    pub serial: String,
    /// Sample interval, ns.
    pub interval_ns: u32,
    /// Channels, 1 to 8. The first carries the force, the others a share of it.
    pub channels: u8,
    /// Rated force, N.
    pub rated_n: f64,
    /// Counts of the unloaded sensor.
    pub zero_counts: i32,
    /// The converter's errors.
    pub errors: Errors,
    /// Seed of all chance.
    pub seed: u64,
    /// Protocol version it claims.
    pub version: u8,
    /// What goes wrong on the line.
    pub faults: Faults,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            serial: "SIM-0001".to_owned(),
            interval_ns: 1_000_000,
            channels: 1,
            rated_n: 200.0,
            zero_counts: 120_000,
            errors: Errors { noise_n: 0.02, drift_n_per_s: 0.0, hum_n: 0.0, average: 1 },
            seed: 1,
            version: PROTOCOL_VERSION,
            faults: Faults::default(),
        }
    }
}

/// What one boot of the board sent: the truth that a recording is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Boot {
    /// Its id.
    pub boot_id: u32,
    /// Samples converted since the stream began.
    pub produced_samples: u64,
    /// Samples the device had to drop, because the line was full.
    pub device_dropped_samples: u64,
    /// Samples in frames that were lost.
    pub lost_samples: u64,
    /// Samples in frames that were damaged.
    pub damaged_samples: u64,
    /// Samples in frames that came twice.
    pub duplicated_samples: u64,
    /// Samples in frames sent while nothing was plugged in.
    pub unplugged_samples: u64,
}

/// The sensor.
pub struct Sensor {
    settings: Settings,
    source: Source,
    board: Board,
    converters: Vec<Converter>,
    random: fastrand::Rng,
    boots: Vec<Boot>,
    /// When this boot's stream began, ns.
    stream_ns: Option<u64>,
    /// When the first stream began, ns: the source's time 0.
    first_ns: Option<u64>,
    /// Samples converted in all, over all boots: the row of an exact trace.
    converted: u64,
    /// Samples in frames handed to the line, this boot.
    framed: u64,
    counts: Vec<i32>,
    log: Option<Vec<i32>>,
    ended: bool,
}

impl Sensor {
    /// A sensor that boots at `now_ns`.
    ///
    /// # Errors
    /// The settings make no sensor; says which one.
    pub fn new(settings: Settings, source: Source, now_ns: u64) -> Result<Sensor, String> {
        let seed = settings.seed;
        let converters = (0..settings.channels).map(|channel| {
            Converter::new(
                settings.zero_counts,
                settings.rated_n,
                settings.errors,
                seed ^ (u64::from(channel) << 32),
            )
        });
        let board = Board::new(identity(&settings, 0)?, now_ns / 1000);
        let mut sensor = Sensor {
            converters: converters.collect(),
            random: fastrand::Rng::with_seed(seed.wrapping_mul(31).wrapping_add(7)),
            boots: vec![Boot { boot_id: boot_id(seed, 0), ..Boot::default() }],
            stream_ns: None,
            first_ns: None,
            converted: 0,
            framed: 0,
            counts: Vec::new(),
            log: None,
            ended: false,
            settings,
            source,
            board,
        };
        sensor.counts.reserve(usize::from(sensor.settings.channels));
        Ok(sensor)
    }

    /// Keeps every reading from now on.
    pub fn keep_log(&mut self) {
        self.log = Some(Vec::new());
    }

    /// The readings kept since they were last taken.
    pub fn take_log(&mut self) -> Vec<i32> {
        self.log.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// The faults it was made with.
    pub fn faults(&self) -> &Faults {
        &self.settings.faults
    }

    /// Bytes from the host.
    pub fn receive(&mut self, bytes: &[u8], now_ns: u64) {
        self.board.receive(bytes, self.device_us(now_ns));
    }

    /// Time since the source began, s.
    pub fn source_s(&self, now_ns: u64) -> Option<f64> {
        Some(now_ns.saturating_sub(self.first_ns?) as f64 * 1e-9)
    }

    /// The source has nothing more to give, or was told so.
    pub fn has_ended(&self) -> bool {
        self.ended
    }

    /// The stream was stopped by the host and everything was handed to the line.
    pub fn is_stopped(&self) -> bool {
        self.first_ns.is_some() && !self.board.streaming() && self.board.idle()
    }

    /// No conversions any more.
    pub fn end(&mut self) {
        self.ended = true;
    }

    fn device_us(&self, now_ns: u64) -> u64 {
        (now_ns as f64 * (1.0 + self.settings.faults.clock_drift_ppm * 1e-6) / 1000.0) as u64
    }

    /// Converts what is due.
    pub fn advance(&mut self, now_ns: u64) {
        if self.board.streaming() {
            let began_ns = *self.stream_ns.get_or_insert(now_ns);
            self.first_ns.get_or_insert(now_ns);
            let rate = 1.0 + self.settings.faults.clock_drift_ppm * 1e-6;
            let interval_ns = f64::from(self.settings.interval_ns);
            let due = (now_ns.saturating_sub(began_ns) as f64 * rate / interval_ns) as u64;
            while !self.ended && self.board.produced() < due {
                self.convert(began_ns);
            }
        }
        self.board.poll(self.device_us(now_ns));
        if let Some(interval_ns) = self.board.take_interval_request() {
            self.board.set_interval(interval_ns);
            self.settings.interval_ns = interval_ns;
        }
        self.tally();
    }

    fn convert(&mut self, began_ns: u64) {
        let interval_ns = u64::from(self.settings.interval_ns);
        let done = self.board.produced();
        let since_first_ns = began_ns - self.first_ns.unwrap_or(began_ns) + done * interval_ns;
        let time_s = since_first_ns as f64 * 1e-9;
        let force_n = match &self.source {
            Source::Hand(hand) => {
                self.ended = hand.end_s().is_some_and(|end_s| time_s >= end_s);
                hand.force_n(time_s)
            }
            Source::Trace(times_s, forces_n) => {
                self.ended = times_s.last().is_none_or(|last| time_s >= *last);
                interpolated(times_s, forces_n, time_s)
            }
            Source::Exact(forces_n) => {
                let row = usize::try_from(self.converted).unwrap_or(usize::MAX);
                self.ended = row.saturating_add(1) >= forces_n.len();
                forces_n.get(row).copied().unwrap_or(0.0)
            }
        };
        self.counts.clear();
        let mut saturated = false;
        for (channel, converter) in self.converters.iter_mut().enumerate() {
            let (counts, at_end) = converter.convert(force_n / (channel as f64 + 1.0), time_s);
            self.counts.push(counts);
            saturated |= at_end;
        }
        if let Some(log) = &mut self.log {
            log.extend_from_slice(&self.counts);
        }
        let device_us = self.device_us(began_ns) + done * interval_ns / 1000;
        self.board.sample(&self.counts, saturated, device_us);
        self.converted += 1;
    }

    /// Puts the next frame on the line, as it arrives; `false` when there is none. Without a line (`plugged` false) it
    /// is lost.
    pub fn next_frame(&mut self, plugged: bool, line: &mut Vec<u8>) -> bool {
        let Some(frame) = self.board.transmit() else { return false };
        let frame = frame.to_vec();
        self.board.sent();
        let samples = samples_in(&frame);
        self.framed += samples;
        let Some(boot) = self.boots.last_mut() else { return true };
        if !plugged {
            boot.unplugged_samples += samples;
            return true;
        }
        // Replies are few, and the host asks again; faults are for the samples.
        let fate = if samples == 0 { Fate::Whole } else { self.settings.faults.fate(&mut self.random) };
        match fate {
            Fate::Whole => line.extend_from_slice(&frame),
            Fate::Dropped => boot.lost_samples += samples,
            Fate::Flipped(place, change) => {
                boot.damaged_samples += samples;
                let mut frame = frame;
                let length = frame.len().saturating_sub(1);
                let at = ((u64::from(place) * length as u64) >> 32) as usize;
                if let Some(byte) = frame.get_mut(at) {
                    *byte ^= change;
                }
                line.extend_from_slice(&frame);
            }
            Fate::Twice => {
                boot.duplicated_samples += samples;
                line.extend_from_slice(&frame);
                line.extend_from_slice(&frame);
            }
        }
        true
    }

    /// Everything that was converted has been handed to the line: a reset now loses nothing.
    pub fn is_at_frame_boundary(&self) -> bool {
        self.framed + self.board.dropped() == self.board.produced() && self.board.idle()
    }

    /// The device restarts.
    ///
    /// # Errors
    /// As [`Sensor::new`].
    pub fn reset(&mut self, now_ns: u64) -> Result<(), String> {
        self.tally();
        let number = self.boots.len() as u32;
        self.board = Board::new(identity(&self.settings, number)?, self.device_us(now_ns));
        self.boots.push(Boot { boot_id: boot_id(self.settings.seed, number), ..Boot::default() });
        (self.stream_ns, self.framed) = (None, 0);
        Ok(())
    }

    /// Another device answers when the port returns.
    ///
    /// # Errors
    /// As [`Sensor::new`].
    pub fn replace(&mut self, serial: &str, now_ns: u64) -> Result<(), String> {
        serial.clone_into(&mut self.settings.serial);
        self.reset(now_ns)
    }

    fn tally(&mut self) {
        if let Some(boot) = self.boots.last_mut() {
            boot.produced_samples = self.board.produced();
            boot.device_dropped_samples = self.board.dropped();
        }
    }

    /// What every boot sent.
    pub fn boots(&self) -> &[Boot] {
        &self.boots
    }
}

/// Another id at each boot, from the seed.
fn boot_id(seed: u64, boot: u32) -> u32 {
    fastrand::Rng::with_seed(seed.wrapping_add(u64::from(boot) << 17)).u32(1..)
}

fn identity(settings: &Settings, boot: u32) -> Result<Identity, String> {
    let rated_force_mn = (settings.rated_n * 1000.0).round();
    if !(1.0..4e9).contains(&rated_force_mn) {
        return Err(format!("a rated force of {} N cannot be", settings.rated_n));
    }
    let channel = ChannelIdentity {
        zero_counts: settings.zero_counts,
        rated_counts: RATED_COUNTS,
        rated_force_mn: rated_force_mn as u32,
        direction: Direction::Both,
    };
    let channels = vec![channel; usize::from(settings.channels)];
    let delay_ns = settings.errors.average.saturating_sub(1).saturating_mul(settings.interval_ns / 2);
    Ok(Identity {
        protocol_version: settings.version,
        boot_id: boot_id(settings.seed, boot),
        serial: Text::new(&settings.serial)
            .ok_or_else(|| format!("serial number `{}`: use up to 16 ASCII characters", settings.serial))?,
        firmware: Text::new("simulated 1").ok_or("no firmware text")?,
        interval_ns: settings.interval_ns,
        group_delay_ns: delay_ns,
        bandwidth_millihertz: 0,
        settling_ns: settings.errors.average.saturating_mul(settings.interval_ns),
        device_time_us: 0,
        channels: Channels::new(&channels).ok_or_else(|| "use 1 to 8 channels".to_owned())?,
    })
}

fn samples_in(frame: &[u8]) -> u64 {
    let mut accumulator = Accumulator::new();
    let mut input = frame;
    match accumulator.push(&mut input) {
        Some(Ok(body)) => match DeviceMessage::decode(body) {
            Ok(DeviceMessage::Samples(samples)) => u64::from(samples.samples),
            _ => 0,
        },
        _ => 0,
    }
}

fn interpolated(times_s: &[f64], forces_n: &[f64], time_s: f64) -> f64 {
    let after = times_s.partition_point(|t| *t <= time_s);
    let (Some(before), true) = (after.checked_sub(1), after < times_s.len()) else {
        return forces_n.get(after.saturating_sub(1)).copied().unwrap_or(0.0);
    };
    match (times_s.get(before..=after), forces_n.get(before..=after)) {
        (Some([t0, t1]), Some([f0, f1])) if t1 > t0 => f0 + (f1 - f0) * (time_s - t0) / (t1 - t0),
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use firmware_protocol::message::HostMessage;

    fn started(faults: Faults) -> Sensor {
        let source = Source::Hand(Hand::new(hand::Script::default(), 2));
        let mut sensor = Sensor::new(Settings { faults, ..Settings::default() }, source, 0).unwrap();
        sensor.receive(&crate::pipeline::framed(HostMessage::Start), 0);
        sensor
    }

    #[test]
    fn every_sample_is_delivered_or_counted_under_every_fault() {
        let faults =
            Faults { drop: 0.1, flip: 0.1, duplicate: 0.1, clock_drift_ppm: 150.0, ..Faults::default() };
        let mut sensor = started(faults);
        let (mut accumulator, mut delivered) = (Accumulator::new(), std::collections::BTreeSet::new());
        for step in 1..2000_u64 {
            sensor.advance(step * 3_000_000);
            let mut line = Vec::new();
            while sensor.next_frame(step % 50 != 0, &mut line) {}
            let mut input = line.as_slice();
            while let Some(frame) = accumulator.push(&mut input) {
                if let Some(DeviceMessage::Samples(samples)) =
                    frame.ok().and_then(|b| DeviceMessage::decode(b).ok())
                {
                    delivered.extend(samples.first_sample..samples.first_sample + u64::from(samples.samples));
                }
            }
        }
        while !sensor.is_at_frame_boundary() {
            sensor.end();
            sensor.advance(9_000_000_000);
            while sensor.next_frame(false, &mut Vec::new()) {}
        }
        let boot = sensor.boots()[0];
        let counted =
            boot.lost_samples + boot.damaged_samples + boot.unplugged_samples + boot.device_dropped_samples;
        assert_eq!(delivered.len() as u64 + counted, boot.produced_samples, "{boot:?}");
        assert!(boot.lost_samples > 100 && boot.damaged_samples > 100 && boot.duplicated_samples > 100);
    }

    #[test]
    fn an_exact_trace_gives_a_sample_a_row() {
        let rows: Vec<f64> = (0..500).map(|i| f64::from(i) * 0.01).collect();
        let errors = Errors { noise_n: 0.0, ..Settings::default().errors };
        let settings = Settings { zero_counts: 0, errors, ..Settings::default() };
        let mut sensor = Sensor::new(settings, Source::Exact(rows), 0).unwrap();
        sensor.keep_log();
        sensor.receive(&crate::pipeline::framed(HostMessage::Start), 0);
        (0..200).for_each(|step| sensor.advance(step * 5_000_000));
        let log = sensor.take_log();
        assert!(sensor.has_ended());
        assert_eq!((log.len(), log[1], log[499]), (500, 400, 199_600));
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes() {
        let bytes = || {
            let mut sensor = started(Faults { drop: 0.2, flip: 0.2, ..Faults::default() });
            let mut line = Vec::new();
            for step in 0..300_u64 {
                sensor.advance(step * 4_000_000);
                while sensor.next_frame(true, &mut line) {}
            }
            line
        };
        assert_eq!(bytes(), bytes());
    }
}
