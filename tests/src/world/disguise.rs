//! Frames as a board with another past would send them: with a sequence number that wraps, a clock that steps or wraps.
//!
//! In: a board's bytes. Out: the same frames with other sequence numbers and device times. It sits between the simulated
//! board, whose counters begin at 0, and the cable, because nobody can wait until a board's counters wrap by themselves.

use firmware_protocol::frame::{self, Accumulator, MAX_FRAME};
use firmware_protocol::message::{DeviceMessage, Samples};

/// How the frames are changed.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Past {
    /// From this sequence number on, numbers continue so that they wrap after as many more.
    pub wraps_after: Option<u32>,
    /// At this device time (µs) the clock steps by so much (µs).
    pub step_us: Option<(u64, i64)>,
    /// The clock has 32 bits of µs, and wraps this long (µs) after the boot.
    pub wraps_at_us: Option<u64>,
}

impl Past {
    /// Nothing is changed.
    pub fn is_plain(&self) -> bool {
        *self == Past::default()
    }

    fn sequence(&self, sequence: u32) -> u32 {
        match self.wraps_after {
            Some(after) if sequence >= after => sequence.wrapping_sub(2 * after),
            _ => sequence,
        }
    }

    fn device_time_us(&self, time_us: u64) -> u64 {
        let stepped = match self.step_us {
            Some((at_us, by_us)) if time_us >= at_us => time_us.saturating_add_signed(by_us),
            _ => time_us,
        };
        match self.wraps_at_us {
            Some(at_us) => (stepped + (1 << 32) - at_us) & 0xffff_ffff,
            None => stepped,
        }
    }

    fn message(&self, message: &mut DeviceMessage) {
        match message {
            DeviceMessage::Samples(samples) => {
                let sequence = self.sequence(samples.sequence);
                let device_time_us = self.device_time_us(samples.device_time_us);
                *samples = Samples { sequence, device_time_us, ..*samples };
            }
            DeviceMessage::Identity(identity) => {
                identity.device_time_us = self.device_time_us(identity.device_time_us)
            }
            DeviceMessage::Condition(condition) => {
                condition.device_time_us = self.device_time_us(condition.device_time_us)
            }
            DeviceMessage::Pong(pong) => pong.device_time_us = self.device_time_us(pong.device_time_us),
        }
    }
}

/// Changes frame after frame.
#[derive(Debug, Default)]
pub struct Disguise {
    past: Past,
    accumulator: Accumulator,
}

impl Disguise {
    /// By this past.
    pub fn new(past: Past) -> Self {
        Disguise { past, accumulator: Accumulator::new() }
    }

    /// The cable was pulled: half a frame is none.
    pub fn cut(&mut self) {
        self.accumulator.reset();
    }

    /// The bytes as they go on. What is no message goes nowhere: to the host it would be none either.
    pub fn put_on(&mut self, bytes: &[u8]) -> Vec<u8> {
        if self.past.is_plain() {
            return bytes.to_vec();
        }
        let (mut out, mut rest) = (Vec::new(), bytes);
        while let Some(frame) = self.accumulator.push(&mut rest) {
            let Ok(Ok(mut message)) = frame.map(DeviceMessage::decode) else { continue };
            self.past.message(&mut message);
            out.extend(framed(&message));
        }
        out
    }
}

/// A message of a board as a whole frame.
pub fn framed(message: &DeviceMessage) -> Vec<u8> {
    let (mut body, mut frame) = ([0; MAX_FRAME], [0; 2 * MAX_FRAME]);
    let length =
        message.encode(&mut body).ok().and_then(|length| frame::encode(body.get(..length)?, &mut frame).ok());
    frame.get(..length.unwrap_or(0)).unwrap_or_default().to_vec()
}
