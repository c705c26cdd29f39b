//! The identity of a device: who it is, how fast it measures, what its counts mean.
//!
//! Comes in: a body's fields or an [`Identity`]. Goes out: the other of the two. Units stand in the fields' names.

use super::{MAX_U64, MessageFault, PROTOCOL_VERSION, field};
use crate::bytes::{Reader, Writer};

/// Most channels that a device can have.
pub const MAX_CHANNELS: usize = 8;

/// Length of an identity without its channels.
pub(super) const HEADER: usize = 63;
/// Length of one channel.
pub(super) const CHANNEL: usize = 13;

/// Sixteen bytes of text: printable ASCII (20h to 7Eh), at least one character, padded with zeros.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Text {
    bytes: [u8; Text::LENGTH],
    length: usize,
}

impl Text {
    /// Most characters.
    pub const LENGTH: usize = 16;

    /// `None` where `text` is empty, longer than 16 characters, or not printable ASCII.
    #[must_use]
    pub fn new(text: &str) -> Option<Self> {
        let mut bytes = [0; Self::LENGTH];
        bytes.get_mut(..text.len())?.copy_from_slice(text.as_bytes());
        Self::from_bytes(bytes).filter(|made| made.length == text.len()) // no zeros at its end
    }

    /// From its form on the wire.
    #[must_use]
    pub fn from_bytes(bytes: [u8; Self::LENGTH]) -> Option<Self> {
        let length = bytes.iter().position(|&byte| byte == 0).unwrap_or(Self::LENGTH);
        let (text, padding) = bytes.split_at_checked(length)?;
        let well = !text.is_empty()
            && text.iter().all(|byte| (0x20..=0x7E).contains(byte))
            && padding.iter().all(|&byte| byte == 0);
        well.then_some(Self { bytes, length })
    }

    /// The text without its padding.
    #[must_use]
    pub fn as_str(&self) -> &str {
        // Checked when it was made.
        core::str::from_utf8(self.bytes.get(..self.length).unwrap_or_default()).unwrap_or_default()
    }
}

impl core::fmt::Debug for Text {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        core::fmt::Debug::fmt(self.as_str(), f)
    }
}

impl core::fmt::Display for Text {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.pad(self.as_str())
    }
}

/// Which way a channel can be loaded.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Direction {
    /// Pushed on.
    #[default]
    Compression,
    /// Pulled at.
    Tension,
    /// Either.
    Both,
}

impl Direction {
    fn from_byte(byte: u8) -> Option<Self> {
        match byte {
            0 => Some(Self::Compression),
            1 => Some(Self::Tension),
            2 => Some(Self::Both),
            _ => None,
        }
    }

    fn to_byte(self) -> u8 {
        match self {
            Self::Compression => 0,
            Self::Tension => 1,
            Self::Both => 2,
        }
    }
}

/// What one channel's counts mean without a calibration: nominal force = `rated_force` × (counts − zero) ÷ rated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct ChannelIdentity {
    /// Counts without load.
    pub zero_counts: i32,
    /// Counts above `zero_counts` at rated force; not 0, negative where counts fall as force grows.
    pub rated_counts: i32,
    /// Rated force, mN; not 0.
    pub rated_force_mn: u32,
    /// Which way it can be loaded.
    pub direction: Direction,
}

impl ChannelIdentity {
    fn check(&self) -> Result<(), MessageFault> {
        field(self.rated_counts != 0, "rated_counts")?;
        field(self.rated_force_mn != 0, "rated_force_mn")
    }

    fn decode(reader: &mut Reader<'_>) -> Result<Self, MessageFault> {
        let channel = Self {
            zero_counts: reader.i32()?,
            rated_counts: reader.i32()?,
            rated_force_mn: reader.u32()?,
            direction: Direction::from_byte(reader.u8()?).ok_or(MessageFault::BadField("direction"))?,
        };
        channel.check()?;
        Ok(channel)
    }

    fn encode(&self, writer: &mut Writer<'_>) -> Result<(), MessageFault> {
        self.check()?;
        writer.put(&self.zero_counts.to_le_bytes())?;
        writer.put(&self.rated_counts.to_le_bytes())?;
        writer.put(&self.rated_force_mn.to_le_bytes())?;
        writer.put(&[self.direction.to_byte()])
    }
}

/// One to [`MAX_CHANNELS`] channels; reads like a slice.
#[derive(Clone, Copy)]
pub struct Channels {
    items: [ChannelIdentity; MAX_CHANNELS],
    count: u8,
}

impl Channels {
    /// `None` where there is no channel or more than [`MAX_CHANNELS`].
    #[must_use]
    pub fn new(channels: &[ChannelIdentity]) -> Option<Self> {
        let mut items = [ChannelIdentity::default(); MAX_CHANNELS];
        items.get_mut(..channels.len())?.copy_from_slice(channels);
        let count = u8::try_from(channels.len()).ok().filter(|&count| count > 0)?;
        Some(Self { items, count })
    }

    /// How many, 1 to [`MAX_CHANNELS`].
    #[must_use]
    pub fn count(&self) -> u8 {
        self.count
    }

    fn decode(reader: &mut Reader<'_>) -> Result<Self, MessageFault> {
        let count = usize::from(reader.u8()?);
        let mut items = [ChannelIdentity::default(); MAX_CHANNELS];
        let used = items.get_mut(..count).ok_or(MessageFault::BadField("channels"))?;
        for channel in used.iter_mut() {
            *channel = ChannelIdentity::decode(reader)?;
        }
        Self::new(used).ok_or(MessageFault::BadField("channels"))
    }
}

impl core::ops::Deref for Channels {
    type Target = [ChannelIdentity];

    fn deref(&self) -> &[ChannelIdentity] {
        self.items.get(..usize::from(self.count)).unwrap_or_default()
    }
}

impl PartialEq for Channels {
    fn eq(&self, other: &Self) -> bool {
        **self == **other
    }
}

impl Eq for Channels {}

impl core::fmt::Debug for Channels {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        core::fmt::Debug::fmt(&**self, f)
    }
}

/// Who a device is and how it measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Identity {
    /// [`PROTOCOL_VERSION`]. Encoding writes what stands here (a simulated device can claim another version);
    /// decoding accepts only ours.
    pub protocol_version: u8,
    /// Drawn anew at each boot, so that a reset is seen.
    pub boot_id: u32,
    /// Serial number: the same for the life of the device, different from every other's.
    pub serial: Text,
    /// Firmware's name and version.
    pub firmware: Text,
    /// True time between samples by the device's own clock, ns; not 0.
    pub interval_ns: u32,
    /// By how much a sample shows the force of an earlier moment than its conversion's end, ns.
    pub group_delay_ns: u32,
    /// Bandwidth (−3 dB), mHz; 0 where unknown.
    pub bandwidth_millihertz: u32,
    /// Time until a step is followed within the converter's noise, ns; 0 where unknown.
    pub settling_ns: u32,
    /// Device time when this was asked for, µs since boot.
    pub device_time_us: u64,
    /// The channels, in the order of their counts.
    pub channels: Channels,
}

impl Identity {
    pub(super) fn decode(mut reader: Reader<'_>) -> Result<Self, MessageFault> {
        let protocol_version = reader.u8()?;
        if protocol_version != PROTOCOL_VERSION {
            return Err(MessageFault::OtherVersion(protocol_version));
        }
        let text = |bytes, name| Text::from_bytes(bytes).ok_or(MessageFault::BadField(name));
        let identity = Self {
            protocol_version,
            boot_id: reader.u32()?,
            serial: text(reader.bytes()?, "serial")?,
            firmware: text(reader.bytes()?, "firmware")?,
            interval_ns: reader.u32()?,
            group_delay_ns: reader.u32()?,
            bandwidth_millihertz: reader.u32()?,
            settling_ns: reader.u32()?,
            device_time_us: reader.u64()?,
            channels: Channels::decode(&mut reader)?,
        };
        reader.end()?;
        identity.check()?;
        Ok(identity)
    }

    pub(super) fn encode(&self, mut writer: Writer<'_>) -> Result<usize, MessageFault> {
        self.check()?;
        writer.put(&[self.protocol_version])?;
        writer.put(&self.boot_id.to_le_bytes())?;
        writer.put(&self.serial.bytes)?;
        writer.put(&self.firmware.bytes)?;
        writer.put(&self.interval_ns.to_le_bytes())?;
        writer.put(&self.group_delay_ns.to_le_bytes())?;
        writer.put(&self.bandwidth_millihertz.to_le_bytes())?;
        writer.put(&self.settling_ns.to_le_bytes())?;
        writer.put(&self.device_time_us.to_le_bytes())?;
        writer.put(&[self.channels.count])?;
        for channel in self.channels.iter() {
            channel.encode(&mut writer)?;
        }
        Ok(writer.length())
    }

    fn check(&self) -> Result<(), MessageFault> {
        field(self.interval_ns != 0, "interval_ns")?;
        field(self.device_time_us <= MAX_U64, "device_time_us")
    }
}
