//! Frames: a body with its checksum, byte-stuffed so that a zero byte can only be the end of a frame.
//!
//! Comes in: bodies to encode, or bytes as a serial line delivers them, split anywhere. Goes out: encoded frames, or
//! bodies and faults in the order of their delimiters. Lengths in bytes.
//!
//! Checksum: CRC-32/ISO-HDLC, little-endian, after the body. Stuffing: COBS (Cheshire & Baker 1999, IEEE/ACM Trans.
//! Netw. 7:159–172). Both come from libraries; the `cobs` crate's state machine is used byte by byte because its
//! ready-made accumulator treats the tail of an overlong frame as a new frame, while here everything up to the next
//! delimiter is discarded.

use cobs::{CobsEncoder, DecodeResult, DecoderState};
use crc::{CRC_32_ISO_HDLC, Crc, Table};

use crate::bytes::place;

/// Longest decoded frame: body and checksum.
pub const MAX_BODY: usize = 1024;

/// Length of the checksum that follows a body.
pub const CHECKSUM_LENGTH: usize = 4;

/// Longest body that fits into a frame.
pub const MAX_MESSAGE: usize = MAX_BODY - CHECKSUM_LENGTH;

/// Longest encoded frame, its delimiter included.
pub const MAX_FRAME: usize = cobs::max_encoding_length(MAX_BODY) + 1;

/// The byte that ends a frame, and occurs nowhere else.
pub const DELIMITER: u8 = 0;

const CHECKSUM: Crc<u32, Table<1>> = Crc::<u32, Table<1>>::new(&CRC_32_ISO_HDLC);

/// The body is longer than [`MAX_MESSAGE`], or its frame does not fit into the output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FrameTooLong;

impl core::fmt::Display for FrameTooLong {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "the body is longer than {MAX_MESSAGE} bytes, or its frame does not fit into the output")
    }
}

impl core::error::Error for FrameTooLong {}

/// Encodes one frame: body, checksum, stuffing, delimiter. Returns how many bytes of `out` it takes; [`MAX_FRAME`]
/// bytes are always enough. (A body has at least its kind byte: the frame of an empty one is [`FrameFault::Short`] to
/// every receiver.)
pub fn encode(body: &[u8], out: &mut [u8]) -> Result<usize, FrameTooLong> {
    if body.len() > MAX_MESSAGE {
        return Err(FrameTooLong);
    }
    let mut encoder = CobsEncoder::new(out);
    encoder.push(body).map_err(|_| FrameTooLong)?;
    encoder.push(&CHECKSUM.checksum(body).to_le_bytes()).map_err(|_| FrameTooLong)?;
    let end = encoder.finalize();
    place(out, end, &[DELIMITER]).ok_or(FrameTooLong)
}

/// Why the bytes before a delimiter are not a frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FrameFault {
    /// More than [`MAX_BODY`] decoded bytes.
    Overlong,
    /// A code byte promises more bytes than came before the delimiter.
    Malformed,
    /// The checksum does not belong to the body.
    Checksum,
    /// Too short to hold a kind byte and a checksum.
    Short,
}

impl core::fmt::Display for FrameFault {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(match self {
            Self::Overlong => "frame longer than allowed",
            Self::Malformed => "frame cut or damaged: its stuffing does not end at the delimiter",
            Self::Checksum => "frame damaged: its checksum does not match",
            Self::Short => "frame too short for a message and its checksum",
        })
    }
}

impl core::error::Error for FrameFault {}

/// How many frames were refused, by fault. An overlong one counts as soon as it is too long, the others at their
/// delimiter.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FaultCounts {
    /// [`FrameFault::Overlong`].
    pub overlong: u64,
    /// [`FrameFault::Malformed`].
    pub malformed: u64,
    /// [`FrameFault::Checksum`].
    pub checksum: u64,
    /// [`FrameFault::Short`].
    pub short: u64,
}

impl FaultCounts {
    /// All faults together.
    #[must_use]
    pub fn total(&self) -> u64 {
        self.overlong.saturating_add(self.malformed).saturating_add(self.checksum).saturating_add(self.short)
    }

    fn add(&mut self, fault: FrameFault) {
        let count = match fault {
            FrameFault::Overlong => &mut self.overlong,
            FrameFault::Malformed => &mut self.malformed,
            FrameFault::Checksum => &mut self.checksum,
            FrameFault::Short => &mut self.short,
        };
        *count = count.saturating_add(1);
    }
}

#[derive(Debug)]
enum State {
    /// Idle or in a frame, which the library's state knows; all well so far.
    Reading(DecoderState),
    /// Too long: everything up to the delimiter is discarded.
    Discarding,
}

/// Collects frames from a line's bytes in a fixed buffer. After any fault it goes on at the next delimiter.
#[derive(Debug)]
pub struct Accumulator {
    decoded: [u8; MAX_BODY],
    length: usize,
    state: State,
    counts: FaultCounts,
}

impl Default for Accumulator {
    fn default() -> Self {
        Self::new()
    }
}

impl Accumulator {
    /// Idle, with nothing counted.
    #[must_use]
    pub const fn new() -> Self {
        Self {
            decoded: [0; MAX_BODY],
            length: 0,
            state: State::Reading(DecoderState::Idle),
            counts: FaultCounts { overlong: 0, malformed: 0, checksum: 0, short: 0 },
        }
    }

    /// Consumes `input` up to and including one delimiter that ends a frame, and yields the frame's body without its
    /// checksum, or the fault. `None` when the input is used up. Delimiters in a row are ignored.
    pub fn push<'a>(&'a mut self, input: &mut &[u8]) -> Option<Result<&'a [u8], FrameFault>> {
        while let Some((&byte, rest)) = input.split_first() {
            *input = rest;
            if let Some(ended) = self.step(byte) {
                return Some(match ended {
                    Ok(length) => Ok(self.decoded.get(..length).unwrap_or_default()),
                    Err(fault) => Err(fault),
                });
            }
        }
        None
    }

    /// Faults so far; [`Accumulator::reset`] keeps them.
    #[must_use]
    pub fn counts(&self) -> FaultCounts {
        self.counts
    }

    /// Forgets a partial frame: for a port that was opened again, where the next byte may well begin a frame.
    pub fn reset(&mut self) {
        self.state = State::Reading(DecoderState::Idle);
    }

    /// One byte; at the delimiter of a frame, the length of its body or its fault.
    fn step(&mut self, byte: u8) -> Option<Result<usize, FrameFault>> {
        match &mut self.state {
            State::Discarding if byte == DELIMITER => {
                self.reset();
                Some(Err(FrameFault::Overlong)) // counted when it became too long
            }
            State::Discarding => None,
            State::Reading(decoder) => match decoder.feed(byte) {
                // A delimiter while idle, or a code byte that brings no zero.
                Ok(DecodeResult::NoData) => None,
                Ok(DecodeResult::DataStart) => {
                    self.length = 0;
                    None
                }
                Ok(DecodeResult::DataContinue(data)) => {
                    self.append(data);
                    None
                }
                Ok(DecodeResult::DataComplete) => Some(self.end_frame(true)),
                Err(_) => Some(self.end_frame(false)),
            },
        }
    }

    fn append(&mut self, data: u8) {
        match place(&mut self.decoded, self.length, &[data]) {
            Some(length) => self.length = length,
            None => {
                self.counts.add(FrameFault::Overlong);
                self.state = State::Discarding;
            }
        }
    }

    /// At a delimiter, where the library's state is idle again.
    fn end_frame(&mut self, well_formed: bool) -> Result<usize, FrameFault> {
        let decoded = self.decoded.get(..self.length).unwrap_or_default();
        let ended = if well_formed { checked_body(decoded) } else { Err(FrameFault::Malformed) };
        if let Err(fault) = ended {
            self.counts.add(fault);
        }
        ended
    }
}

/// The length of the body in front of its checksum.
fn checked_body(decoded: &[u8]) -> Result<usize, FrameFault> {
    let (body, checksum) = decoded.split_last_chunk::<CHECKSUM_LENGTH>().ok_or(FrameFault::Short)?;
    if body.is_empty() {
        return Err(FrameFault::Short);
    }
    if CHECKSUM.checksum(body) == u32::from_le_bytes(*checksum) {
        Ok(body.len())
    } else {
        Err(FrameFault::Checksum)
    }
}
