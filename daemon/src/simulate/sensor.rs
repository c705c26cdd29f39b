//! The simulated sensor: hand, converter, the board's own firmware logic, and a line with faults. Pure.
//!
//! In: the host's monotonic time (ns) and its bytes. Out: bytes for the port, and at the end the truth about every
//! sample. It reads no clock and opens no port, so a whole visit can be simulated in memory, from a seed, as fast as
//! the machine computes; [`super::run`] puts it behind a pseudo-terminal in real time.
//!
//! ```text
//! hand or trace ─► converter ─► board ─► line (faults) ─► port
//! ```
//!
//! The board's conversation is the protocol crate's, as on a real board; the converter, the line and the clock are
//! simulated.

use super::converter::{self, Converter};
use super::faults::{Dice, Event, FaultError, Faults, Schedule};
use super::led::Order;
use super::line::{Frame, Line};
use super::random::Random;
use super::source::Source;
use super::tally::{Cargo, Heard, Tally};
use analysis::console::Advice;
use firmware_protocol::board::Board;
use firmware_protocol::frame::{Accumulator, MAX_FRAME};
use firmware_protocol::message::{
    Channels, DeviceMessage, HostMessage, Identity, MAX_CHANNELS, PROTOCOL_VERSION, Text,
};

/// Shortest interval that the simulated converter can do, ns.
pub const SHORTEST_INTERVAL_NS: u32 = 50_000;
/// Longest interval, ns.
pub const LONGEST_INTERVAL_NS: u32 = 1_000_000_000;
/// A board is up this long after its power came or it was reset, ns.
const BOOT_NS: u64 = 100_000_000;
/// Noise comes at this rate.
const NOISE_BYTES_PER_S: u64 = 3_000;
/// Between two of its looks at the board, time moves at most this far, ns.
const LONGEST_REST_NS: u64 = 10_000_000;
/// Samples are due together in groups of about this length, ns.
const GROUP_NS: u64 = 2_000_000;

const NS_PER_S: f64 = 1e9;

/// What the sensor is like.
#[derive(Debug, Clone)]
pub struct Settings {
    /// Serial number: 1 to 16 printable characters.
    pub serial: String,
    /// Everything random is drawn from it.
    pub seed: u64,
    /// Time between samples by the device's clock, ns.
    pub interval_ns: u32,
    /// The converter.
    pub converter: converter::Settings,
    /// What goes wrong.
    pub faults: Faults,
    /// No samples after this long since the first start, s.
    pub lasts_s: Option<f64>,
    /// What the board's port buffers, bytes.
    pub buffer_bytes: usize,
    /// Keep every sample's counts for [`Sensor::take_counts`].
    pub keep_counts: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            serial: "SIM-0001".to_owned(),
            seed: 1,
            interval_ns: 1_000_000,
            converter: converter::Settings::default(),
            faults: Faults::default(),
            lasts_s: None,
            buffer_bytes: 32 * 1024,
            keep_counts: false,
        }
    }
}

/// Settings that no sensor can have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SettingsError {
    /// The serial number.
    #[error("the serial number `{0}` is not 1 to 16 printable ASCII characters")]
    Serial(String),
    /// A number out of range.
    #[error("{name} is {value}, must be {expected}")]
    Number {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        expected: &'static str,
    },
    /// The fault plan.
    #[error(transparent)]
    Fault(#[from] FaultError),
    /// A row of an exact trace that the converter cannot show.
    #[error("row {row} of the trace is {force_n} N, the converter's range is ±{highest_n:.1} N")]
    BeyondRange {
        /// Row, from 1.
        row: usize,
        /// Its force.
        force_n: f64,
        /// The largest force that has counts.
        highest_n: f64,
    },
}

impl Advice for SettingsError {
    fn hint(&self) -> String {
        match self {
            SettingsError::BeyondRange { .. } => "give a larger --rated".to_owned(),
            _ => "see `fingerforced simulate --help` for what each option means".to_owned(),
        }
    }
}

/// Where the cable is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Plug {
    /// In.
    In,
    /// Being pulled: nothing more is sent. The port is to let its reader have what it took, close, and then call
    /// [`Sensor::unplugged`].
    Leaving {
        /// Since when, ns.
        since_ns: u64,
    },
    /// Out, until then (ns) or for ever.
    Out {
        /// When it comes back.
        back_ns: Option<u64>,
    },
}

/// One sample as it was produced.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counted {
    /// The number of its stream, from 0.
    pub stream: usize,
    /// Its number within the stream, from 0.
    pub sample: u64,
    /// Counts; the first [`converter::Settings::channels`] are in use.
    pub counts: [i32; MAX_CHANNELS],
}

/// The simulated sensor.
#[derive(Debug)]
pub struct Sensor {
    settings: Settings,
    source: Source,
    converter: Converter,
    board: Option<Box<Board>>,
    boot_ids: Random,
    noise: Random,
    /// When the board comes up, while it is down.
    boots_ns: Option<u64>,
    /// The host's time at which the board's clock was 0.
    booted_ns: u64,
    /// Device time at which the next conversion ends, ns; `None` while none is due.
    next_sample_ns: Option<u64>,
    interval_ns: u32,
    streaming: bool,
    /// The last stream was ended by the host: the next one begins the script anew.
    stopped_by_host: bool,
    /// The host's time at which the script began.
    script_from_ns: Option<u64>,
    /// The host's time after which there are no more samples.
    until_ns: u64,
    row: u64,
    /// A reset waits until the board has sent all it has.
    reset_is_due: bool,
    plug: Plug,
    schedule: Schedule,
    dice: Dice,
    line: Line,
    /// The stream that the frame in the board's hand belongs to.
    in_hand: Option<Option<usize>>,
    tally: Tally,
    ears: Accumulator,
    kept: Vec<Counted>,
    now_ns: u64,
}

impl Sensor {
    /// A sensor that gets its power at `now_ns`. A [`Source::Rows`] makes its converter exact.
    ///
    /// # Errors
    /// [`SettingsError`].
    pub fn new(mut settings: Settings, source: Source, now_ns: u64) -> Result<Self, SettingsError> {
        if matches!(source, Source::Rows(_)) {
            settings.converter = settings.converter.exact();
        }
        check(&settings, &source)?;
        let seed = settings.seed;
        Ok(Sensor {
            converter: Converter::new(settings.converter.clone(), seed),
            board: None,
            boot_ids: Random::fork(seed, 5),
            noise: Random::fork(seed, 6),
            boots_ns: Some(now_ns),
            booted_ns: now_ns,
            next_sample_ns: None,
            interval_ns: settings.interval_ns,
            streaming: false,
            stopped_by_host: false,
            script_from_ns: None,
            until_ns: u64::MAX,
            row: 0,
            reset_is_due: false,
            plug: Plug::In,
            schedule: Schedule::default(),
            dice: Dice::new(&settings.faults, seed),
            line: Line::new(settings.buffer_bytes),
            in_hand: None,
            tally: Tally::default(),
            ears: Accumulator::new(),
            kept: Vec::new(),
            now_ns,
            source,
            settings,
        })
    }

    /// Lets time pass until `now_ns`: all that is due until then has happened, in order.
    pub fn advance(&mut self, now_ns: u64) {
        while let Some((at_ns, event)) = self.next_event(now_ns) {
            self.run(at_ns);
            match event {
                Some(event) => self.suffer(event),
                None => self.plug_in(),
            }
        }
        self.run(now_ns);
    }

    /// Bytes from the host, read at `now_ns`.
    pub fn hear(&mut self, bytes: &[u8], now_ns: u64) {
        self.advance(now_ns);
        listen(&mut self.ears, bytes, &mut self.tally.heard);
        let device_ns = self.device_ns(now_ns);
        if let Some(board) = &mut self.board {
            board.receive(bytes, device_ns / 1_000);
            if let Some(wanted_ns) = board.take_interval_request()
                && self.source.rows().is_none()
            {
                self.interval_ns = wanted_ns.clamp(SHORTEST_INTERVAL_NS, LONGEST_INTERVAL_NS);
                board.set_interval(self.interval_ns);
            }
        }
        self.follow_board();
        self.pump();
    }

    /// The next bytes for the port. Not all that waits need be in it: ask again after [`Sensor::take`].
    #[must_use]
    pub fn output(&self) -> &[u8] {
        self.line.rest()
    }

    /// The port took `count` of those bytes.
    pub fn take(&mut self, count: usize) {
        self.line.take(count, &mut self.tally);
        self.pump();
    }

    /// The reader has read all that the port took so far.
    pub fn settle(&mut self) {
        self.line.settle(&mut self.tally);
    }

    /// The port is closed; its reader never read the last `unread_bytes` that it took. To be called when the cable is
    /// [`Plug::Leaving`].
    pub fn unplugged(&mut self, unread_bytes: u64) {
        self.line.close(unread_bytes, &mut self.tally);
        if let Plug::Leaving { since_ns } = self.plug {
            let stays_ns = self.settings.faults.return_after_s.map(|stays_s| (stays_s * NS_PER_S) as u64);
            let back_ns = stays_ns.map(|stays_ns| self.now_ns.max(since_ns + stays_ns));
            self.plug = Plug::Out { back_ns };
            if self.settings.faults.unplug_resets {
                self.power_off(back_ns);
            }
        }
    }

    /// The simulation ends: the port is closed, its reader never read the last `unread_bytes`.
    pub fn end(&mut self, unread_bytes: u64) {
        self.line.close(unread_bytes, &mut self.tally);
        self.tally.board_gone(0);
    }

    /// Where the cable is.
    #[must_use]
    pub fn plug(&self) -> Plug {
        self.plug
    }

    /// Nothing waits for the port.
    #[must_use]
    pub fn is_drained(&self) -> bool {
        self.line.is_empty()
    }

    /// The script or trace is over.
    #[must_use]
    pub fn is_over(&self) -> bool {
        let Some(from_ns) = self.script_from_ns else { return false };
        let passed_ns = self.now_ns.saturating_sub(from_ns);
        if self.now_ns >= self.until_ns {
            return true;
        }
        match self.source.rows() {
            // A host that stops early sees the trace's time pass, as it does with a hand.
            Some(rows) => {
                self.row >= rows || !self.streaming && passed_ns >= rows * u64::from(self.interval_ns)
            }
            None => {
                let passed_s = passed_ns as f64 / NS_PER_S;
                self.source.duration_s().is_some_and(|duration_s| passed_s >= duration_s)
            }
        }
    }

    /// The host has ended the stream and has been told all there is to tell.
    #[must_use]
    pub fn is_stopped(&self) -> bool {
        let idle = self.board.as_ref().is_some_and(|board| board.idle());
        self.stopped_by_host && !self.streaming && idle && self.line.is_empty()
    }

    /// Samples are being taken.
    #[must_use]
    pub fn is_streaming(&self) -> bool {
        self.streaming
    }

    /// When it should be advanced next, ns, so that nothing comes late.
    #[must_use]
    pub fn next_ns(&self) -> u64 {
        let group = (GROUP_NS / u64::from(self.interval_ns)).saturating_sub(1);
        let sample_ns = self.next_sample_ns.map(|at_ns| at_ns + group * u64::from(self.interval_ns));
        let sample_ns = sample_ns.map(|device_ns| self.host_ns(device_ns));
        let latest_ns = self.now_ns + LONGEST_REST_NS;
        let event_ns = self.next_event(u64::MAX).map(|(at_ns, _)| at_ns);
        // What is past and still waits (a silent board never boots) waits for something else than time.
        let due = [sample_ns, event_ns, self.boots_ns].into_iter().flatten();
        due.filter(|at_ns| *at_ns > self.now_ns).fold(latest_ns, u64::min)
    }

    /// The time it was advanced to, ns.
    #[must_use]
    pub fn now_ns(&self) -> u64 {
        self.now_ns
    }

    /// What it is like.
    #[must_use]
    pub fn settings(&self) -> &Settings {
        &self.settings
    }

    /// What really happened so far.
    #[must_use]
    pub fn tally(&self) -> &Tally {
        &self.tally
    }

    /// What the force comes from.
    #[must_use]
    pub fn source(&self) -> &Source {
        &self.source
    }

    /// Tells the hand something, now; one that plays a script or a trace does not listen.
    pub fn tell(&mut self, order: Order) {
        self.source.tell(order, self.script_s());
    }

    /// How long the script has been running, s; 0 before the first start.
    #[must_use]
    pub fn script_s(&self) -> f64 {
        self.script_from_ns.map_or(0.0, |from_ns| self.now_ns.saturating_sub(from_ns) as f64 / NS_PER_S)
    }

    /// The samples produced since the last call, where the settings say to keep them.
    pub fn take_counts(&mut self) -> Vec<Counted> {
        std::mem::take(&mut self.kept)
    }

    /// What happens until `until_ns`; `None` as the event is the return of the cable.
    fn next_event(&self, until_ns: u64) -> Option<(u64, Option<Event>)> {
        let back = match self.plug {
            Plug::Out { back_ns: Some(back_ns) } => Some((back_ns, None)),
            _ => None,
        };
        let planned = self.schedule.next(self.plug == Plug::In).map(|(at_ns, event)| (at_ns, Some(event)));
        let first = back.into_iter().chain(planned).min_by_key(|(at_ns, _)| *at_ns)?;
        // What should have happened while the cable was out happens now.
        (first.0 <= until_ns).then_some((first.0.max(self.now_ns), first.1))
    }

    fn suffer(&mut self, event: Event) {
        self.schedule.happened(event);
        match event {
            Event::Unplug => self.plug = Plug::Leaving { since_ns: self.now_ns },
            Event::Reset if self.settings.faults.reset_abruptly => {
                self.line.cut_by_reset(&mut self.tally);
                self.power_off(Some(self.now_ns));
            }
            Event::Reset => self.reset_is_due = true,
        }
    }

    fn plug_in(&mut self) {
        self.plug = Plug::In;
        if let Some(serial) = &self.settings.faults.returns_as {
            self.settings.serial.clone_from(serial);
            self.power_off(Some(self.now_ns));
        }
    }

    /// The board forgets everything, and comes up a moment after `back_ns`.
    fn power_off(&mut self, back_ns: Option<u64>) {
        self.tally.board_gone(self.line.samples_on_the_way());
        self.board = None;
        self.in_hand = None;
        self.next_sample_ns = None;
        self.streaming = false;
        self.reset_is_due = false;
        self.boots_ns = back_ns.map(|back_ns| back_ns + BOOT_NS);
    }

    /// Runs the board until `until_ns`, with nothing happening to it meanwhile.
    fn run(&mut self, until_ns: u64) {
        let faults = &self.settings.faults;
        if faults.noise_only {
            self.make_noise(until_ns);
        } else if !faults.silent {
            if let Some(boots_ns) = self.boots_ns.filter(|boots_ns| *boots_ns <= until_ns) {
                self.boot(boots_ns);
            }
            self.sample_until(until_ns);
            let device_us = self.device_ns(until_ns) / 1_000;
            if let Some(board) = &mut self.board {
                board.poll(device_us);
            }
            self.pump();
        }
        self.now_ns = self.now_ns.max(until_ns);
    }

    fn make_noise(&mut self, until_ns: u64) {
        let made = |ns: u64| (u128::from(ns) * u128::from(NOISE_BYTES_PER_S) / 1_000_000_000) as u64;
        let count = made(until_ns).saturating_sub(made(self.now_ns)) as usize;
        let noise = &mut self.noise;
        if self.plug == Plug::In {
            self.line.put_noise((0..count).map(|_| noise.bits() as u8));
        }
    }

    fn boot(&mut self, at_ns: u64) {
        self.boots_ns = None;
        self.booted_ns = at_ns;
        self.interval_ns = self.settings.interval_ns;
        let boot_id = self.boot_ids.bits() as u32;
        let identity = identity(&self.settings, boot_id);
        self.board = identity.map(|identity| Box::new(Board::new(identity, 0)));
        self.pump();
    }

    fn sample_until(&mut self, until_ns: u64) {
        while let Some(device_ns) = self.next_sample_ns {
            let at_ns = self.host_ns(device_ns);
            if at_ns > until_ns {
                break;
            }
            if at_ns > self.until_ns {
                self.next_sample_ns = None;
                break;
            }
            self.sample(device_ns, at_ns);
            let more = self.source.rows().is_none_or(|rows| self.row < rows);
            self.next_sample_ns = more.then(|| device_ns + u64::from(self.interval_ns));
            self.pump();
        }
    }

    fn sample(&mut self, device_ns: u64, at_ns: u64) {
        let Some(board) = &mut self.board else { return };
        let from_ns = self.script_from_ns.unwrap_or(at_ns);
        let time_s = at_ns.saturating_sub(from_ns) as f64 / NS_PER_S;
        let mut counts = [0; MAX_CHANNELS];
        let used = &mut counts[..usize::from(self.settings.converter.channels)];
        let (source, row) = (&mut self.source, self.row);
        let saturated = self.converter.convert(time_s, |time_s| source.force_n(time_s, row), used);
        let device_us = device_ns / 1_000;
        let stamp_us = device_us.saturating_add_signed(libm::round(self.converter.stamp_error_us()) as i64);
        let sample = board.produced();
        board.sample(used, saturated, stamp_us);
        board.poll(device_us);
        self.row += 1;
        if self.settings.keep_counts
            && let Some(stream) = self.tally.current()
        {
            self.kept.push(Counted { stream, sample, counts });
        }
    }

    /// Takes frames from the board as long as the line has room; without a cable they go nowhere.
    fn pump(&mut self) {
        loop {
            let current = self.tally.current();
            let Some(board) = &mut self.board else { return };
            let Some(bytes) = board.transmit() else { break };
            let stream = *self.in_hand.get_or_insert(current);
            let cargo = cargo_of(bytes);
            if self.plug != Plug::In {
                self.tally.frames.unplugged += 1;
                self.tally.count(stream, cargo, |stream| &mut stream.unplugged_samples);
            } else if self.line.has_room(bytes.len()) {
                let fate = self.dice.throw(bytes.len());
                self.line.put(Frame { bytes, stream, cargo }, fate, &mut self.tally);
            } else {
                break;
            }
            board.sent();
            self.in_hand = None;
            self.follow_board();
        }
        self.follow_board();
        self.reset_if_due();
    }

    fn reset_if_due(&mut self) {
        let idle = self.board.as_ref().is_some_and(|board| board.idle());
        if self.reset_is_due && idle && self.plug == Plug::In {
            self.power_off(Some(self.now_ns));
        }
    }

    /// Notices that the board has begun or ended a stream, and what it says of it.
    fn follow_board(&mut self) {
        let Some(board) = &self.board else { return };
        let (was, is) = (self.streaming, board.streaming());
        let boot_id = board.identity().boot_id;
        let (produced, dropped) = (board.produced(), board.dropped());
        self.streaming = is;
        if is && !was {
            self.tally.begin(boot_id, self.now_ns);
            self.begin_stream();
        }
        if was || is {
            self.tally.board_says(produced, dropped);
        }
        if was && !is {
            self.next_sample_ns = None;
            self.stopped_by_host = true;
        }
    }

    fn begin_stream(&mut self) {
        let interval_ns = u64::from(self.interval_ns);
        let anew = self.stopped_by_host || self.script_from_ns.is_none();
        if self.script_from_ns.is_none() {
            self.schedule = Schedule::new(&self.settings.faults, self.now_ns);
            let lasts_ns = self.settings.lasts_s.map(|lasts_s| (lasts_s * NS_PER_S) as u64);
            self.until_ns = lasts_ns.map_or(u64::MAX, |lasts_ns| self.now_ns + lasts_ns);
        }
        if anew {
            self.script_from_ns = Some(self.now_ns);
            self.row = 0;
        } else {
            // The trace went on while the board was down.
            let passed_ns = self.script_from_ns.map_or(0, |from_ns| self.now_ns.saturating_sub(from_ns));
            self.row = self.row.max(passed_ns / interval_ns);
        }
        self.stopped_by_host = false;
        let more = self.source.rows().is_none_or(|rows| self.row < rows);
        self.next_sample_ns = more.then(|| self.device_ns(self.now_ns) + interval_ns);
    }

    /// The board's clock, ns since boot, at the host's time.
    fn device_ns(&self, at_ns: u64) -> u64 {
        let passed_ns = at_ns.saturating_sub(self.booted_ns);
        let ahead_ns = passed_ns as f64 * self.settings.faults.clock_drift_ppm * 1e-6;
        passed_ns.saturating_add_signed(libm::round(ahead_ns) as i64)
    }

    /// The host's time at a time of the board's clock.
    fn host_ns(&self, device_ns: u64) -> u64 {
        let rate = 1.0 + self.settings.faults.clock_drift_ppm * 1e-6;
        let behind_ns = device_ns as f64 / rate - device_ns as f64;
        self.booted_ns + device_ns.saturating_add_signed(libm::round(behind_ns) as i64)
    }
}

fn check(settings: &Settings, source: &Source) -> Result<(), SettingsError> {
    settings.faults.check()?;
    let serials = std::iter::once(&settings.serial).chain(&settings.faults.returns_as);
    for serial in serials {
        if Text::new(serial).is_none() {
            return Err(SettingsError::Serial(serial.clone()));
        }
    }
    let converter = &settings.converter;
    let least_buffer = 2.0 * (MAX_FRAME + 1) as f64;
    for (name, value, allowed, expected) in [
        ("the interval in ns", f64::from(settings.interval_ns), 50_000.0..=1e9, "from 50000 to 1000000000"),
        ("the time of the stream in s", settings.lasts_s.unwrap_or(0.0), 0.0..=1e9, "from 0 to 1000000000"),
        ("the number of channels", f64::from(converter.channels), 1.0..=8.0, "from 1 to 8"),
        ("the rated force in N", converter.rated_force_n, 0.1..=100_000.0, "from 0.1 to 100000"),
        ("the rated counts", f64::from(converter.rated_counts), 100.0..=8_388_607.0, "from 100 to 8388607"),
        ("the offset in N", converter.offset_n, -1e5..=1e5, "from -100000 to 100000"),
        ("the gain error", converter.gain_error, -0.5..=0.5, "from -0.5 to 0.5"),
        ("the noise in N", converter.noise_n, 0.0..=1e4, "from 0 to 10000"),
        ("the drift in N/min", converter.drift_n_per_min, -1e4..=1e4, "from -10000 to 10000"),
        ("the hum in N", converter.hum_n, 0.0..=1e4, "from 0 to 10000"),
        ("the averaging window in s", converter.window_s, 0.0..=2.0, "from 0 to 2"),
        ("the buffer in bytes", settings.buffer_bytes as f64, least_buffer..=1e8, "from 2060 to 100000000"),
    ] {
        if !allowed.contains(&value) {
            return Err(SettingsError::Number { name, value, expected });
        }
    }
    check_rows(converter, source)
}

fn check_rows(converter: &converter::Settings, source: &Source) -> Result<(), SettingsError> {
    let Source::Rows(trace) = source else { return Ok(()) };
    let highest_n = converter.highest_n();
    let beyond = trace.force_n.iter().position(|force_n| force_n.abs() > highest_n);
    match beyond {
        None => Ok(()),
        Some(index) => {
            Err(SettingsError::BeyondRange { row: index + 1, force_n: trace.force_n[index], highest_n })
        }
    }
}

fn identity(settings: &Settings, boot_id: u32) -> Option<Identity> {
    let converter = &settings.converter;
    let channels = vec![converter.identity(); usize::from(converter.channels)];
    Some(Identity {
        protocol_version: settings.faults.version.unwrap_or(PROTOCOL_VERSION),
        boot_id,
        serial: Text::new(&settings.serial)?,
        firmware: Text::new(concat!("simulated ", env!("CARGO_PKG_VERSION")))?,
        interval_ns: settings.interval_ns,
        group_delay_ns: (converter.group_delay_s() * NS_PER_S) as u32,
        bandwidth_millihertz: (converter.bandwidth_hz() * 1_000.0) as u32,
        settling_ns: (converter.window_s * NS_PER_S) as u32,
        device_time_us: 0,
        channels: Channels::new(&channels)?,
    })
}

/// What an encoded frame carries.
fn cargo_of(bytes: &[u8]) -> Cargo {
    let (mut accumulator, mut rest) = (Accumulator::new(), bytes);
    let Some(Ok(body)) = accumulator.push(&mut rest) else { return Cargo::default() };
    match DeviceMessage::decode(body) {
        Ok(DeviceMessage::Samples(samples)) => {
            Cargo { samples: samples.samples.into(), tells_of: samples.next_sample() }
        }
        Ok(DeviceMessage::Condition(condition)) => Cargo { samples: 0, tells_of: condition.next_sample },
        _ => Cargo::default(),
    }
}

/// Counts the host's messages, independently of the board.
fn listen(ears: &mut Accumulator, mut bytes: &[u8], heard: &mut Heard) {
    while let Some(frame) = ears.push(&mut bytes) {
        let message = frame.ok().and_then(|body| HostMessage::decode(body).ok());
        let count = match message {
            Some(HostMessage::Identify) => &mut heard.identify,
            Some(HostMessage::Start) => &mut heard.start,
            Some(HostMessage::Stop) => &mut heard.stop,
            Some(HostMessage::SetInterval { .. }) => &mut heard.set_interval,
            Some(HostMessage::Ping { .. }) => &mut heard.ping,
            None => &mut heard.unreadable,
        };
        *count += 1;
    }
}

#[cfg(test)]
mod tests;
