//! The firmware's side of the conversation, without input or output of its own.
//!
//! Comes in: bytes from the host, readings (counts), the time (µs since boot, never going back). Goes out: encoded
//! frames for the port. A board supplies "read the converter" and "what time is it" and calls, round and round:
//!
//! ```
//! # use firmware_protocol::{board::Board, message::{ChannelIdentity, Channels, Direction, Identity, Text, PROTOCOL_VERSION}};
//! # fn main() -> Result<(), &'static str> {
//! # struct Port; impl Port { fn read(&mut self) -> &[u8] { &[] } fn write(&mut self, b: &[u8]) -> usize { b.len() } }
//! # let (mut port, clock_us, reading) = (Port, || 0_u64, || Some(([0_i32], false)));
//! # let channel = ChannelIdentity { zero_counts: 0, rated_counts: 1_000_000, rated_force_mn: 100_000, direction: Direction::Both };
//! # let identity = Identity { protocol_version: PROTOCOL_VERSION, boot_id: 7,
//! #     serial: Text::new("A-1").ok_or("serial")?, firmware: Text::new("example 1.0").ok_or("firmware")?,
//! #     interval_ns: 12_500_000, group_delay_ns: 0, bandwidth_millihertz: 0, settling_ns: 0, device_time_us: 0,
//! #     channels: Channels::new(&[channel]).ok_or("channels")? };
//! let mut board = Board::new(identity, clock_us());
//! # for _ in 0..3 {
//! board.receive(port.read(), clock_us());
//! if let Some((counts, saturated)) = reading() {
//!     board.sample(&counts, saturated, clock_us());
//! }
//! if let Some(wanted_ns) = board.take_interval_request() {
//!     board.set_interval(wanted_ns); // or the nearest that the converter can do
//! }
//! board.poll(clock_us());
//! while let Some(bytes) = board.transmit() {
//!     let taken = port.write(bytes);
//!     board.advance(taken);
//!     if taken == 0 {
//!         break; // full: try again next time round; the queue counts what it has to drop
//!     }
//! }
//! # }
//! # Ok(()) }
//! ```

mod outgoing;
mod packing;
mod queue;

use crate::frame::{Accumulator, FaultCounts};
use crate::message::{Condition, DeviceMessage, HostMessage, Identity, OVERRUN, Pong, Samples, max_samples};
use outgoing::{Cargo, Fate, Outgoing};
use packing::{Head, Packing};
use queue::Queue;

/// A samples frame holds no more than this many µs (or one sample, where samples are slower).
pub const FRAME_US: u64 = 20_000;
/// While streaming, the condition is sent this often, µs.
pub const CONDITION_US: u64 = 1_000_000;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Stopped,
    Streaming,
    /// Stopped, but samples or the condition that ends the stream still wait for the port.
    Draining {
        stopped_us: u64,
        /// A start came meanwhile: the next stream begins when this one is out.
        restart: bool,
    },
}

/// Answers that wait for the port, each at most once.
#[derive(Debug, Clone, Copy, Default)]
struct Replies {
    /// Device time when it was asked for.
    identity_us: Option<u64>,
    pong: Option<Pong>,
    /// Device time when it was due.
    condition_us: Option<u64>,
}

/// The firmware's side of the conversation. Takes about 7.5 KB, and 1 KB of stack while it encodes.
#[derive(Debug)]
pub struct Board {
    identity: Identity,
    supply_mv: Option<u16>,
    temperature_centikelvin: Option<u16>,
    phase: Phase,
    incoming: Accumulator,
    interval_request: Option<u32>,
    replies: Replies,
    packing: Packing,
    queue: Queue,
    outgoing: Outgoing,
    sequence: u32,
    produced: u64,
    dropped: u64,
    /// The counter after the last sample that was sent: a samples frame that does not begin here follows an overrun.
    sent_to: u64,
    condition_due_us: u64,
}

impl Board {
    /// A board that has just booted: its identity waits to be sent, then it waits for a start. `identity` is sent with
    /// the time of each occasion as its `device_time_us`.
    #[must_use]
    pub const fn new(identity: Identity, now_us: u64) -> Self {
        Self {
            identity,
            supply_mv: None,
            temperature_centikelvin: None,
            phase: Phase::Stopped,
            incoming: Accumulator::new(),
            interval_request: None,
            replies: Replies { identity_us: Some(now_us), pong: None, condition_us: None },
            packing: Packing::new(),
            queue: Queue::new(),
            outgoing: Outgoing::new(),
            sequence: 0,
            produced: 0,
            dropped: 0,
            sent_to: 0,
            condition_due_us: 0,
        }
    }

    /// Takes bytes from the host, split anywhere.
    pub fn receive(&mut self, bytes: &[u8], now_us: u64) {
        let mut rest = bytes;
        while let Some(frame) = self.incoming.push(&mut rest) {
            // What cannot be read is not answered: the host asks again.
            if let Some(message) = frame.ok().and_then(|body| HostMessage::decode(body).ok()) {
                self.obey(message, now_us);
            }
        }
    }

    /// Takes one conversion: a reading per channel, whether any of them was at the end of its range, and the time at
    /// the conversion's end. Without effect while not streaming. Where `counts` has not one reading per channel the
    /// sample counts as produced and dropped.
    pub fn sample(&mut self, counts: &[i32], saturated: bool, now_us: u64) {
        if self.phase != Phase::Streaming {
            return;
        }
        let head = Head {
            boot_id: self.identity.boot_id,
            first_sample: self.produced,
            device_time_us: now_us,
            interval_ns: self.identity.interval_ns,
            channels: self.identity.channels.count(),
        };
        self.produced = self.produced.saturating_add(1);
        if counts.len() != usize::from(head.channels) {
            self.close_frame();
            self.drop_samples(1);
            return;
        }
        self.packing.add(head, counts, saturated);
        if self.packing.samples() >= samples_per_frame(head.channels, head.interval_ns) {
            self.close_frame();
        }
    }

    /// Lets time pass: call it at least every few ms.
    pub fn poll(&mut self, now_us: u64) {
        if self.phase != Phase::Streaming {
            return;
        }
        if self.packing.head().is_some_and(|head| now_us.saturating_sub(head.device_time_us) >= FRAME_US) {
            self.close_frame();
        }
        if now_us >= self.condition_due_us {
            self.condition_due_us = now_us.saturating_add(CONDITION_US);
            self.replies.condition_us = Some(now_us);
        }
    }

    /// What the port should take now: the rest of a frame; `None` when there is nothing to send.
    pub fn transmit(&mut self) -> Option<&[u8]> {
        if self.outgoing.is_empty() {
            self.load_next();
        }
        self.outgoing.rest()
    }

    /// The port took `count` of the bytes that [`Board::transmit`] gave.
    pub fn advance(&mut self, count: usize) {
        if self.outgoing.advance(count) {
            self.outgoing.clear();
        }
    }

    /// The port took all that [`Board::transmit`] gave.
    pub fn sent(&mut self) {
        self.advance(usize::MAX);
    }

    /// The port is full and the frame that [`Board::transmit`] gave is given up. Its samples count as dropped, and the
    /// next samples frame says so. (A board may as well wait; then the queue drops what no longer fits.)
    pub fn not_sent(&mut self) {
        let fate = self.outgoing.give_up();
        if let Some(Cargo { first_sample, samples }) = self.outgoing.cargo().filter(|_| fate != Fate::Whole) {
            self.drop_samples(samples.into());
            self.sent_to = first_sample;
            if fate == Fate::Unsent {
                self.sequence = self.sequence.wrapping_sub(1);
            }
        }
        self.outgoing.clear();
    }

    /// The interval that the host asked for, once; only while stopped. The board sets its converter and then calls
    /// [`Board::set_interval`].
    pub fn take_interval_request(&mut self) -> Option<u32> {
        self.interval_request.take()
    }

    /// The true interval, ns, by the board's own clock, from now on. 0 is ignored.
    pub fn set_interval(&mut self, interval_ns: u32) {
        if interval_ns != 0 {
            self.close_frame(); // a frame has one interval
            self.identity.interval_ns = interval_ns;
        }
    }

    /// What the next conditions report: supply voltage, mV, and temperature, hundredths of a kelvin.
    pub fn set_condition(&mut self, supply_mv: Option<u16>, temperature_centikelvin: Option<u16>) {
        // The largest value means "unknown" on the wire.
        self.supply_mv = supply_mv.filter(|&value| value != u16::MAX);
        self.temperature_centikelvin = temperature_centikelvin.filter(|&value| value != u16::MAX);
    }

    /// Samples are being taken.
    #[must_use]
    pub fn streaming(&self) -> bool {
        self.phase == Phase::Streaming
    }

    /// Samples converted since the last start.
    #[must_use]
    pub fn produced(&self) -> u64 {
        self.produced
    }

    /// Samples dropped since the last start, because the port did not take them in time.
    #[must_use]
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Nothing waits for the port: no samples, no reply.
    #[must_use]
    pub fn idle(&self) -> bool {
        self.outgoing.is_empty()
            && self.queue.is_empty()
            && self.packing.head().is_none()
            && self.replies.identity_us.is_none()
            && self.replies.pong.is_none()
            && self.replies.condition_us.is_none()
            && !matches!(self.phase, Phase::Draining { .. })
    }

    /// Who this board says it is.
    #[must_use]
    pub fn identity(&self) -> &Identity {
        &self.identity
    }

    /// Faults in what the host sent.
    #[must_use]
    pub fn faults(&self) -> FaultCounts {
        self.incoming.counts()
    }

    fn obey(&mut self, message: HostMessage, now_us: u64) {
        match message {
            HostMessage::Identify => self.replies.identity_us = Some(now_us),
            HostMessage::Start => self.start(now_us),
            HostMessage::Stop => self.stop(now_us),
            HostMessage::SetInterval { interval_ns } => {
                if self.phase != Phase::Streaming {
                    self.interval_request = Some(interval_ns);
                }
                self.replies.identity_us = Some(now_us);
            }
            HostMessage::Ping { token } => {
                self.replies.pong =
                    Some(Pong { boot_id: self.identity.boot_id, token, device_time_us: now_us });
            }
        }
    }

    fn start(&mut self, now_us: u64) {
        match &mut self.phase {
            Phase::Streaming => {}
            Phase::Draining { restart, .. } => *restart = true,
            Phase::Stopped => self.begin_stream(now_us),
        }
    }

    fn begin_stream(&mut self, now_us: u64) {
        self.phase = Phase::Streaming;
        self.sequence = 0;
        self.produced = 0;
        self.dropped = 0;
        self.sent_to = 0;
        self.condition_due_us = now_us.saturating_add(CONDITION_US);
    }

    fn stop(&mut self, now_us: u64) {
        self.close_frame();
        self.replies.condition_us = None; // the one that ends the stream comes instead
        self.phase = Phase::Draining { stopped_us: now_us, restart: false };
    }

    /// Puts the frame that is being filled into the queue, or counts its samples as dropped.
    fn close_frame(&mut self) {
        let Some(message) = self.packing.message() else { return };
        let samples = u64::from(message.samples);
        if self.queue.push(&message).is_none() {
            self.drop_samples(samples);
        }
        self.packing.clear();
    }

    fn drop_samples(&mut self, samples: u64) {
        self.dropped = self.dropped.saturating_add(samples);
    }

    /// Encodes what goes next: replies first, then samples, and the condition that ends a stream last.
    fn load_next(&mut self) {
        if let Some(device_time_us) = self.replies.identity_us.take() {
            let identity = Identity { device_time_us, ..self.identity };
            self.outgoing.load(&DeviceMessage::Identity(identity));
        } else if let Some(pong) = self.replies.pong.take() {
            self.outgoing.load(&DeviceMessage::Pong(pong));
        } else if let Some(due_us) = self.replies.condition_us.take() {
            self.load_condition(due_us, true);
        } else if !self.queue.is_empty() {
            self.load_samples();
        } else if let Phase::Draining { stopped_us, restart } = self.phase {
            self.load_condition(stopped_us, false);
            self.phase = Phase::Stopped;
            if restart {
                self.begin_stream(stopped_us);
            }
        }
    }

    fn load_condition(&mut self, device_time_us: u64, streaming: bool) {
        let condition = Condition {
            boot_id: self.identity.boot_id,
            device_time_us,
            next_sample: self.next_to_send(),
            streaming,
            supply_mv: self.supply_mv,
            temperature_centikelvin: self.temperature_centikelvin,
        };
        self.outgoing.load(&DeviceMessage::Condition(condition));
    }

    fn load_samples(&mut self) {
        if let Some(waiting) = self.queue.front() {
            let overrun = if waiting.first_sample == self.sent_to { 0 } else { OVERRUN };
            let samples = Samples { sequence: self.sequence, status: waiting.status | overrun, ..waiting };
            self.outgoing.load(&DeviceMessage::Samples(samples));
            self.sent_to = samples.next_sample();
            self.sequence = self.sequence.wrapping_add(1);
        }
        self.queue.pop();
    }

    /// The counter of the first sample that is still to be sent: everything before was sent or dropped.
    fn next_to_send(&self) -> u64 {
        let waiting = self.queue.front().map(|samples| samples.first_sample);
        waiting.or(self.packing.head().map(|head| head.first_sample)).unwrap_or(self.produced)
    }
}

/// As many samples as 20 ms hold, at least one, at most what fits.
fn samples_per_frame(channels: u8, interval_ns: u32) -> u8 {
    let frame_ns = FRAME_US.saturating_mul(1_000);
    let timely = frame_ns.checked_div(u64::from(interval_ns)).unwrap_or(1).max(1);
    u8::try_from(timely).unwrap_or(u8::MAX).min(max_samples(channels))
}
