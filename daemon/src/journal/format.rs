//! The bytes of a journal: headers and records to bytes and back. Pure; no files, no clock.
//!
//! The layout is in the [parent module's page](super); this is the only code that knows it.

use super::record::{Anchor, Record, Stamped};
use crc::{CRC_32_ISO_HDLC, Crc, Table};
use uuid::Uuid;

/// First bytes of every segment. The line feed shows a transfer that rewrote line ends.
pub const MAGIC: [u8; 8] = *b"ffjourn\n";
/// The format this version writes, and the newest it reads.
///
/// - 1: the first.
pub const FORMAT_VERSION: u32 = 1;
/// Length of a segment's header without the software's name.
pub const HEADER_BYTES_MIN: usize = 48;
/// Longest header.
pub const HEADER_BYTES_MAX: usize = HEADER_BYTES_MIN + 255;
/// A record's bytes before its payload.
pub const HEAD_BYTES: usize = 21;
/// A record's bytes beside its payload: the shortest record.
pub const FRAME_BYTES: usize = HEAD_BYTES + 4;
/// Longest payload. It bounds what a reader must hold and what a damaged length can make it look at.
pub const PAYLOAD_BYTES_MAX: usize = 4 << 20;

static CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);

/// A segment's header.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Header {
    /// Format version of the segment.
    pub version: u32,
    /// Whose journal this is a part of.
    pub visit: Uuid,
    /// Which part, from 0.
    pub segment: u32,
    /// Number of the segment's first record.
    pub first_number: u64,
    /// What wrote it, with its version.
    pub software: String,
}

/// Why bytes are no header.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum HeaderFault {
    /// The file ends before the header does.
    #[error("the file ends before the header does")]
    Short,
    /// It begins with something else.
    #[error("it does not begin as a journal does")]
    Magic,
    /// Its checksum or a field is wrong.
    #[error("its checksum does not hold")]
    Damaged,
}

impl Header {
    /// The header's bytes. A software name over 255 bytes is cut.
    #[must_use]
    pub fn encode(&self) -> Vec<u8> {
        let software = cut_text(&self.software, HEADER_BYTES_MAX - HEADER_BYTES_MIN);
        let length = HEADER_BYTES_MIN + software.len();
        let mut out = Vec::with_capacity(length);
        out.extend(MAGIC);
        out.extend(self.version.to_le_bytes());
        out.extend((length as u32).to_le_bytes());
        out.extend(self.visit.as_bytes());
        out.extend(self.segment.to_le_bytes());
        out.extend(self.first_number.to_le_bytes());
        out.extend(software.as_bytes());
        out.extend(CRC.checksum(&out).to_le_bytes());
        out
    }

    /// Reads the header that `bytes` begin with, and says how long it is.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn decode(bytes: &[u8]) -> Result<(Self, usize), HeaderFault> {
        if !bytes.starts_with(&MAGIC) {
            let cut = bytes.len() < MAGIC.len() && MAGIC.starts_with(bytes);
            return Err(if cut { HeaderFault::Short } else { HeaderFault::Magic });
        }
        let mut fields = Fields(bytes.get(MAGIC.len()..).unwrap_or_default());
        let version = fields.u32().ok_or(HeaderFault::Short)?;
        let length = fields.u32().ok_or(HeaderFault::Short)? as usize;
        if !(HEADER_BYTES_MIN..=HEADER_BYTES_MAX).contains(&length) {
            return Err(HeaderFault::Damaged);
        }
        let whole = bytes.get(..length).ok_or(HeaderFault::Short)?;
        if !checksum_holds(whole) {
            return Err(HeaderFault::Damaged);
        }
        let visit = fields.array().map(Uuid::from_bytes).ok_or(HeaderFault::Damaged)?;
        let segment = fields.u32().ok_or(HeaderFault::Damaged)?;
        let first_number = fields.u64().ok_or(HeaderFault::Damaged)?;
        let software = whole.get(HEADER_BYTES_MIN - 4..length - 4).ok_or(HeaderFault::Damaged)?;
        let software = std::str::from_utf8(software).map_err(|_| HeaderFault::Damaged)?.to_owned();
        Ok((Self { version, visit, segment, first_number, software }, length))
    }
}

/// A record's bytes before its payload, read but not yet proved by the checksum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Length of the whole record, checksum included.
    pub record_bytes: usize,
    /// Kind byte.
    pub kind: u8,
    /// Record number.
    pub number: u64,
    /// Time stamp.
    pub monotonic_ns: u64,
}

impl Head {
    /// Reads the head that `bytes` begin with; `None` when it cannot be one (too short, or a length over the limit).
    #[must_use]
    pub fn decode(bytes: &[u8]) -> Option<Self> {
        let mut fields = Fields(bytes);
        let payload_bytes = fields.u32()? as usize;
        let [kind] = fields.array()?;
        let number = fields.u64()?;
        let monotonic_ns = fields.u64()?;
        (payload_bytes <= PAYLOAD_BYTES_MAX).then_some(Self {
            record_bytes: FRAME_BYTES + payload_bytes,
            kind,
            number,
            monotonic_ns,
        })
    }
}

/// Appends a record's bytes to `out`.
///
/// # Errors
/// The payload's length, when it is over [`PAYLOAD_BYTES_MAX`]; `out` is then as before.
pub fn encode(out: &mut Vec<u8>, number: u64, monotonic_ns: u64, record: &Record) -> Result<(), usize> {
    let start = out.len();
    out.extend([0; 4]);
    out.push(kind(record));
    out.extend(number.to_le_bytes());
    out.extend(monotonic_ns.to_le_bytes());
    encode_payload(out, record);
    let payload_bytes = out.len() - start - HEAD_BYTES;
    if payload_bytes > PAYLOAD_BYTES_MAX {
        out.truncate(start);
        return Err(payload_bytes);
    }
    let whole = out.get_mut(start..).unwrap_or_default();
    if let Some(length) = whole.first_chunk_mut() {
        *length = (payload_bytes as u32).to_le_bytes();
    }
    let checksum = CRC.checksum(whole);
    out.extend(checksum.to_le_bytes());
    Ok(())
}

/// Whether the last four bytes are the CRC-32 of those before.
#[must_use]
pub fn checksum_holds(whole: &[u8]) -> bool {
    whole.split_last_chunk::<4>().is_some_and(|(body, sum)| CRC.checksum(body).to_le_bytes() == *sum)
}

/// Reads a whole record whose checksum holds.
///
/// # Errors
/// What in it makes no sense to this version.
pub fn decode(whole: &[u8]) -> Result<Stamped, &'static str> {
    let head = Head::decode(whole).ok_or("its length is over the limit")?;
    let payload = whole.get(HEAD_BYTES..head.record_bytes - 4).ok_or("it is cut short")?;
    let record = decode_payload(head.kind, payload)?;
    Ok(Stamped { number: head.number, monotonic_ns: head.monotonic_ns, record })
}

fn kind(record: &Record) -> u8 {
    match record {
        Record::Begun(_) => 1,
        Record::Anchor(_) => 2,
        Record::Opened { .. } => 3,
        Record::Closed { .. } => 4,
        Record::Bytes { .. } => 5,
        Record::Dropped { .. } => 6,
        Record::Sent { .. } => 7,
        Record::Tick => 8,
        Record::Action(_) => 9,
        Record::Parameters(_) => 10,
        Record::Shown(_) => 11,
        Record::Finished(_) => 12,
    }
}

fn encode_payload(out: &mut Vec<u8>, record: &Record) {
    match record {
        Record::Begun(text)
        | Record::Action(text)
        | Record::Parameters(text)
        | Record::Shown(text)
        | Record::Finished(text) => out.extend(text.as_bytes()),
        Record::Anchor(anchor) => {
            out.extend(anchor.monotonic_ns.to_le_bytes());
            out.extend(anchor.boottime_ns.to_le_bytes());
            out.extend(anchor.utc_ns.to_le_bytes());
            out.extend(anchor.host_boot_id.as_bytes());
        }
        Record::Opened { port, detail: text } | Record::Closed { port, reason: text } => {
            out.push(*port);
            out.extend(text.as_bytes());
        }
        Record::Bytes { port, bytes } | Record::Sent { port, bytes } => {
            out.push(*port);
            out.extend(bytes);
        }
        Record::Dropped { port, bytes } => {
            out.push(*port);
            out.extend(bytes.to_le_bytes());
        }
        Record::Tick => {}
    }
}

fn decode_payload(kind: u8, payload: &[u8]) -> Result<Record, &'static str> {
    let mut fields = Fields(payload);
    let record = match kind {
        1 => Record::Begun(fields.text()?),
        2 => Record::Anchor(Anchor {
            monotonic_ns: fields.u64().ok_or(SHORT)?,
            boottime_ns: fields.u64().ok_or(SHORT)?,
            utc_ns: fields.array().map(i64::from_le_bytes).ok_or(SHORT)?,
            host_boot_id: fields.text()?,
        }),
        3 => Record::Opened { port: fields.u8().ok_or(SHORT)?, detail: fields.text()? },
        4 => Record::Closed { port: fields.u8().ok_or(SHORT)?, reason: fields.text()? },
        5 => Record::Bytes { port: fields.u8().ok_or(SHORT)?, bytes: fields.rest() },
        6 => Record::Dropped { port: fields.u8().ok_or(SHORT)?, bytes: fields.u64().ok_or(SHORT)? },
        7 => Record::Sent { port: fields.u8().ok_or(SHORT)?, bytes: fields.rest() },
        8 => Record::Tick,
        9 => Record::Action(fields.text()?),
        10 => Record::Parameters(fields.text()?),
        11 => Record::Shown(fields.text()?),
        12 => Record::Finished(fields.text()?),
        _ => return Err("its kind is unknown"),
    };
    if fields.0.is_empty() { Ok(record) } else { Err("it is longer than its kind allows") }
}

const SHORT: &str = "it is shorter than its kind allows";

/// Bytes taken from the front, field by field.
struct Fields<'a>(&'a [u8]);

impl Fields<'_> {
    fn array<const N: usize>(&mut self) -> Option<[u8; N]> {
        let (field, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(*field)
    }

    fn u8(&mut self) -> Option<u8> {
        self.array().map(u8::from_le_bytes)
    }

    fn u32(&mut self) -> Option<u32> {
        self.array().map(u32::from_le_bytes)
    }

    fn u64(&mut self) -> Option<u64> {
        self.array().map(u64::from_le_bytes)
    }

    fn rest(&mut self) -> Vec<u8> {
        std::mem::take(&mut self.0).to_vec()
    }

    fn text(&mut self) -> Result<String, &'static str> {
        String::from_utf8(self.rest()).map_err(|_| "its text is not UTF-8")
    }
}

fn cut_text(text: &str, bytes_max: usize) -> &str {
    let mut end = text.len().min(bytes_max);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    text.get(..end).unwrap_or_default()
}
