//! The short messages of a device: its condition, and the answer to a ping.
//!
//! Comes in: a body's fields or the struct. Goes out: the other of the two. Times in µs, supply in mV, temperature in
//! hundredths of a kelvin.

use super::{MAX_U64, MessageFault, field};
use crate::bytes::{Reader, Writer};

/// On the wire, a measure that the device does not have.
const UNKNOWN: u16 = u16::MAX;

/// How a device is, and which sample it sends next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Condition {
    /// As in the identity.
    pub boot_id: u32,
    /// Device time when this was due, µs since boot.
    pub device_time_us: u64,
    /// Every sample of the stream with a smaller counter was sent before this message or dropped by the device, none
    /// comes after it: so it tells how many are missing at the end, too.
    pub next_sample: u64,
    /// More samples may follow. False where the stream has ended, in the answer to a stop, and only there: so a host
    /// never takes an earlier condition for that answer.
    pub streaming: bool,
    /// Supply voltage, mV; `None` where it is not measured.
    pub supply_mv: Option<u16>,
    /// Temperature at the sensor or the board, hundredths of a kelvin; `None` where it is not measured.
    pub temperature_centikelvin: Option<u16>,
}

impl Condition {
    pub(super) fn decode(mut reader: Reader<'_>) -> Result<Self, MessageFault> {
        let known = |value| (value != UNKNOWN).then_some(value);
        let condition = Self {
            boot_id: reader.u32()?,
            device_time_us: reader.u64()?,
            next_sample: reader.u64()?,
            streaming: match reader.u8()? {
                0 => false,
                1 => true,
                _ => return Err(MessageFault::BadField("streaming")),
            },
            supply_mv: known(reader.u16()?),
            temperature_centikelvin: known(reader.u16()?),
        };
        reader.end()?;
        condition.check()?;
        Ok(condition)
    }

    pub(super) fn encode(&self, mut writer: Writer<'_>) -> Result<usize, MessageFault> {
        self.check()?;
        writer.put(&self.boot_id.to_le_bytes())?;
        writer.put(&self.device_time_us.to_le_bytes())?;
        writer.put(&self.next_sample.to_le_bytes())?;
        writer.put(&[u8::from(self.streaming)])?;
        writer.put(&self.supply_mv.unwrap_or(UNKNOWN).to_le_bytes())?;
        writer.put(&self.temperature_centikelvin.unwrap_or(UNKNOWN).to_le_bytes())?;
        Ok(writer.length())
    }

    fn check(&self) -> Result<(), MessageFault> {
        field(self.device_time_us <= MAX_U64, "device_time_us")?;
        field(self.next_sample <= MAX_U64, "next_sample")?;
        field(self.supply_mv != Some(UNKNOWN), "supply_mv")?;
        field(self.temperature_centikelvin != Some(UNKNOWN), "temperature_centikelvin")
    }
}

/// The answer to a ping.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pong {
    /// As in the identity.
    pub boot_id: u32,
    /// The ping's token.
    pub token: u32,
    /// Device time when the ping was read, µs since boot.
    pub device_time_us: u64,
}

impl Pong {
    pub(super) fn decode(mut reader: Reader<'_>) -> Result<Self, MessageFault> {
        let pong = Self { boot_id: reader.u32()?, token: reader.u32()?, device_time_us: reader.u64()? };
        reader.end()?;
        pong.check()?;
        Ok(pong)
    }

    pub(super) fn encode(&self, mut writer: Writer<'_>) -> Result<usize, MessageFault> {
        self.check()?;
        writer.put(&self.boot_id.to_le_bytes())?;
        writer.put(&self.token.to_le_bytes())?;
        writer.put(&self.device_time_us.to_le_bytes())?;
        Ok(writer.length())
    }

    fn check(&self) -> Result<(), MessageFault> {
        field(self.device_time_us <= MAX_U64, "device_time_us")
    }
}
