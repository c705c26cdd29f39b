//! Messages: what a frame's body says, byte for byte.
//!
//! Comes in: bodies, or messages to encode. Goes out: messages, or bodies. All fields little-endian, in the order of
//! the struct's fields; the first byte is the kind. Times in µs, intervals in ns, forces in mN, converter readings in
//! counts. Strict both ways: what one side may not send, the other does not accept.

mod host;
mod identity;
mod replies;
mod samples;

pub use host::HostMessage;
pub use identity::{ChannelIdentity, Channels, Direction, Identity, MAX_CHANNELS, Text};
pub use replies::{Condition, Pong};
pub use samples::{OVERRUN, SATURATED, Samples, max_samples, put_counts};

use crate::bytes::{Reader, Writer};
use crate::frame::MAX_MESSAGE;

/// The version of everything but the handshake, which never changes: framing, [`HostMessage::Identify`], and the
/// first two bytes of [`Identity`].
pub const PROTOCOL_VERSION: u8 = 1;

/// Largest value of every 64-bit field, so that a host may keep it in a signed integer.
pub const MAX_U64: u64 = u64::MAX >> 1;

/// First bytes of bodies. The ranges of the two directions differ: an echo is never taken for an answer.
pub mod kind {
    /// [`super::Identity`].
    pub const IDENTITY: u8 = 0x01;
    /// [`super::Samples`].
    pub const SAMPLES: u8 = 0x02;
    /// [`super::Condition`].
    pub const CONDITION: u8 = 0x03;
    /// [`super::Pong`].
    pub const PONG: u8 = 0x04;
    /// [`super::HostMessage::Identify`].
    pub const IDENTIFY: u8 = 0x81;
    /// [`super::HostMessage::Start`].
    pub const START: u8 = 0x82;
    /// [`super::HostMessage::Stop`].
    pub const STOP: u8 = 0x83;
    /// [`super::HostMessage::SetInterval`].
    pub const SET_INTERVAL: u8 = 0x84;
    /// [`super::HostMessage::Ping`].
    pub const PING: u8 = 0x85;
}

/// Why a body is not a message, or a message cannot be sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MessageFault {
    /// No bytes at all.
    Empty,
    /// The first byte is no kind that this side receives.
    UnknownKind(u8),
    /// The device speaks another version of the protocol; nothing else it sends can be understood.
    OtherVersion(u8),
    /// The body is shorter or longer than its kind and counts say.
    Length {
        /// The message's kind.
        kind: u8,
    },
    /// A field has a value that is not allowed; its name.
    BadField(&'static str),
    /// The output is too small (encoding only).
    NoRoom,
}

impl core::fmt::Display for MessageFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::Empty => f.write_str("message without a kind"),
            Self::UnknownKind(kind) => write!(f, "unknown message kind {kind:#04x}"),
            Self::OtherVersion(version) => {
                write!(
                    f,
                    "the device speaks protocol version {version}, this program version {PROTOCOL_VERSION}"
                )
            }
            Self::Length { kind } => write!(f, "message of kind {kind:#04x} with a wrong length"),
            Self::BadField(name) => write!(f, "a value that is not allowed in the field {name}"),
            Self::NoRoom => f.write_str("no room for the encoded message"),
        }
    }
}

impl core::error::Error for MessageFault {}

/// `Ok` where the field's value is allowed.
fn field(allowed: bool, name: &'static str) -> Result<(), MessageFault> {
    if allowed { Ok(()) } else { Err(MessageFault::BadField(name)) }
}

/// What a device sends.
#[derive(Debug, Clone, Copy, PartialEq)]
#[allow(clippy::large_enum_variant, reason = "no allocation here; it lives on the stack for a moment")]
pub enum DeviceMessage<'a> {
    /// Who it is and how it measures: after boot and whenever asked.
    Identity(Identity),
    /// Converter readings.
    Samples(Samples<'a>),
    /// How it is, and which sample comes next: once a second, and last after a stop.
    Condition(Condition),
    /// The answer to a ping.
    Pong(Pong),
}

impl<'a> DeviceMessage<'a> {
    /// Reads a frame's body. An identity of another version gives [`MessageFault::OtherVersion`], whatever its length.
    pub fn decode(body: &'a [u8]) -> Result<Self, MessageFault> {
        let (kind, reader) = Reader::new(body)?;
        match kind {
            kind::IDENTITY => Identity::decode(reader).map(Self::Identity),
            kind::SAMPLES => Samples::decode(reader).map(Self::Samples),
            kind::CONDITION => Condition::decode(reader).map(Self::Condition),
            kind::PONG => Pong::decode(reader).map(Self::Pong),
            other => Err(MessageFault::UnknownKind(other)),
        }
    }

    /// Writes the body and returns its length; [`MAX_MESSAGE`] bytes are always enough.
    pub fn encode(&self, out: &mut [u8]) -> Result<usize, MessageFault> {
        match self {
            Self::Identity(identity) => identity.encode(Writer::new(out, kind::IDENTITY)?),
            Self::Samples(samples) => samples.encode(Writer::new(out, kind::SAMPLES)?),
            Self::Condition(condition) => condition.encode(Writer::new(out, kind::CONDITION)?),
            Self::Pong(pong) => pong.encode(Writer::new(out, kind::PONG)?),
        }
    }
}

// Every message fits into a frame, whatever its fields say.
const _: () = assert!(samples::HEADER + 4 * samples::MOST_COUNTS <= MAX_MESSAGE);
const _: () = assert!(identity::HEADER + identity::CHANNEL * MAX_CHANNELS <= MAX_MESSAGE);
