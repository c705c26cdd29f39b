//! A frame of samples.
//!
//! Comes in: a body's fields or a [`Samples`]. Goes out: the other of the two. Readings in counts, times in µs and ns.

use super::{MAX_CHANNELS, MAX_U64, MessageFault, field};
use crate::bytes::{Reader, Writer, place};
use crate::frame::MAX_MESSAGE;

/// Status bit: at least one reading of this frame was at the end of the converter's range.
pub const SATURATED: u8 = 1;
/// Status bit: the device dropped samples between the last samples frame it sent and this one.
pub const OVERRUN: u8 = 2;

/// Length of a samples message without its counts.
pub(super) const HEADER: usize = 32;
/// Most counts, of all channels together, that fit behind the header.
pub(super) const MOST_COUNTS: usize = (MAX_MESSAGE - HEADER) / 4;

/// Most samples (of `channels` counts each) that fit into one frame; 0 where `channels` is not 1 to
/// [`MAX_CHANNELS`].
#[must_use]
pub const fn max_samples(channels: u8) -> u8 {
    match channels {
        1 => (MOST_COUNTS) as u8,
        2 => (MOST_COUNTS / 2) as u8,
        3 => (MOST_COUNTS / 3) as u8,
        4 => (MOST_COUNTS / 4) as u8,
        5 => (MOST_COUNTS / 5) as u8,
        6 => (MOST_COUNTS / 6) as u8,
        7 => (MOST_COUNTS / 7) as u8,
        8 => (MOST_COUNTS / 8) as u8,
        _ => 0,
    }
}

// The number of samples is one byte on the wire.
const _: () = assert!(MOST_COUNTS <= u8::MAX as usize && MAX_CHANNELS == 8);

/// Writes counts in their form on the wire to the front of `out` and returns that part; `None` where it is too small.
pub fn put_counts<'a>(counts: &[i32], out: &'a mut [u8]) -> Option<&'a [u8]> {
    let mut length = 0;
    for count in counts {
        length = place(out, length, &count.to_le_bytes())?;
    }
    out.get(..length)
}

/// Consecutive samples of all channels.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Samples<'a> {
    /// As in the identity.
    pub boot_id: u32,
    /// Number of this samples frame among those handed to the port since the start of streaming, from 0; wraps. A step
    /// of more than 1 is loss on the line.
    pub sequence: u32,
    /// How many samples the converter produced between the start of streaming and this frame's first one. What the
    /// device dropped is counted too.
    pub first_sample: u64,
    /// Device time at the end of the first sample's conversion, µs since boot.
    pub device_time_us: u64,
    /// True time between samples by the device's own clock, ns; not 0.
    pub interval_ns: u32,
    /// [`SATURATED`] and [`OVERRUN`]; all other bits are 0.
    pub status: u8,
    /// How many channels, 1 to 8.
    pub channels: u8,
    /// How many samples, 1 to [`max_samples`].
    pub samples: u8,
    /// The counts as they travel: i32 little-endian, all channels of the first sample, then of the next
    /// ([`put_counts`] makes them).
    pub counts_le: &'a [u8],
}

impl<'a> Samples<'a> {
    /// At least one reading was at the end of the converter's range.
    #[must_use]
    pub fn saturated(&self) -> bool {
        self.status & SATURATED != 0
    }

    /// The device dropped samples between the last samples frame it sent and this one.
    #[must_use]
    pub fn overrun(&self) -> bool {
        self.status & OVERRUN != 0
    }

    /// The counter that the sample after this frame's last one has.
    #[must_use]
    pub fn next_sample(&self) -> u64 {
        self.first_sample.saturating_add(u64::from(self.samples))
    }

    /// The counts of `sample` (from 0) on `channel` (from 0).
    #[must_use]
    pub fn count(&self, sample: usize, channel: usize) -> Option<i32> {
        let channels = usize::from(self.channels);
        if sample >= usize::from(self.samples) || channel >= channels {
            return None;
        }
        let index = sample.checked_mul(channels)?.checked_add(channel)?;
        let (counts, _) = self.counts_le.as_chunks::<4>();
        counts.get(index).map(|&count| i32::from_le_bytes(count))
    }

    /// All counts: every channel of the first sample, then of the next.
    pub fn iter(&self) -> impl Iterator<Item = i32> + Clone + use<'a> {
        let (counts, _) = self.counts_le.as_chunks::<4>();
        counts.iter().map(|&count| i32::from_le_bytes(count))
    }

    pub(super) fn decode(mut reader: Reader<'a>) -> Result<Self, MessageFault> {
        let header = Self {
            boot_id: reader.u32()?,
            sequence: reader.u32()?,
            first_sample: reader.u64()?,
            device_time_us: reader.u64()?,
            interval_ns: reader.u32()?,
            status: reader.u8()?,
            channels: reader.u8()?,
            samples: reader.u8()?,
            counts_le: &[],
        };
        header.check()?;
        Ok(Self { counts_le: reader.last(header.counts_length())?, ..header })
    }

    pub(super) fn encode(&self, mut writer: Writer<'_>) -> Result<usize, MessageFault> {
        self.check()?;
        field(self.counts_le.len() == self.counts_length(), "counts")?;
        writer.put(&self.boot_id.to_le_bytes())?;
        writer.put(&self.sequence.to_le_bytes())?;
        writer.put(&self.first_sample.to_le_bytes())?;
        writer.put(&self.device_time_us.to_le_bytes())?;
        writer.put(&self.interval_ns.to_le_bytes())?;
        writer.put(&[self.status, self.channels, self.samples])?;
        writer.put(self.counts_le)?;
        Ok(writer.length())
    }

    /// How many bytes the counts take.
    fn counts_length(&self) -> usize {
        usize::from(self.channels).saturating_mul(usize::from(self.samples)).saturating_mul(4)
    }

    fn check(&self) -> Result<(), MessageFault> {
        field(self.next_sample() <= MAX_U64, "first_sample")?;
        field(self.device_time_us <= MAX_U64, "device_time_us")?;
        field(self.interval_ns != 0, "interval_ns")?;
        field(self.status & !(SATURATED | OVERRUN) == 0, "status")?;
        field(max_samples(self.channels) != 0, "channels")?;
        field((1..=max_samples(self.channels)).contains(&self.samples), "samples")
    }
}
