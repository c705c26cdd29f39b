//! What a host sends.
//!
//! Comes in: a body or a [`HostMessage`]. Goes out: the other of the two. Intervals in ns.

use super::{MessageFault, field, kind};
use crate::bytes::{Reader, Writer};

/// What a host sends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HostMessage {
    /// Who are you? Answered with an identity, at any time. Never changes in any version.
    Identify,
    /// Begin a new stream, sample and frame counters from 0. Ignored while streaming.
    Start,
    /// End the stream. Answered with a condition after the last samples frame, also where nothing was streaming.
    Stop,
    /// Measure at this interval from now on, or at the nearest one possible. Ignored while streaming. Answered with
    /// an identity, which has the interval in force.
    SetInterval {
        /// Wanted time between samples, ns; not 0.
        interval_ns: u32,
    },
    /// What time is it? Answered with a pong, at any time.
    Ping {
        /// Comes back in the pong.
        token: u32,
    },
}

impl HostMessage {
    /// Reads a frame's body.
    pub fn decode(body: &[u8]) -> Result<Self, MessageFault> {
        let (kind, mut reader) = Reader::new(body)?;
        let message = match kind {
            kind::IDENTIFY => Self::Identify,
            kind::START => Self::Start,
            kind::STOP => Self::Stop,
            kind::SET_INTERVAL => Self::SetInterval { interval_ns: reader.u32()? },
            kind::PING => Self::Ping { token: reader.u32()? },
            other => return Err(MessageFault::UnknownKind(other)),
        };
        reader.end()?;
        message.check()?;
        Ok(message)
    }

    /// Writes the body and returns its length, at most 5.
    pub fn encode(&self, out: &mut [u8]) -> Result<usize, MessageFault> {
        self.check()?;
        let (kind, field) = match *self {
            Self::Identify => (kind::IDENTIFY, None),
            Self::Start => (kind::START, None),
            Self::Stop => (kind::STOP, None),
            Self::SetInterval { interval_ns } => (kind::SET_INTERVAL, Some(interval_ns)),
            Self::Ping { token } => (kind::PING, Some(token)),
        };
        let mut writer = Writer::new(out, kind)?;
        if let Some(value) = field {
            writer.put(&value.to_le_bytes())?;
        }
        Ok(writer.length())
    }

    fn check(&self) -> Result<(), MessageFault> {
        field(!matches!(self, Self::SetInterval { interval_ns: 0 }), "interval_ns")
    }
}
