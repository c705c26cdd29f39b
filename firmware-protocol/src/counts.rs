//! Codes of 24-bit converters.
//!
//! Comes in: a code as the converter sends it (24 bits, in the low bits of a `u32`, or three bytes, most significant
//! first). Goes out: signed counts and whether the converter was at the end of its range.
//!
//! Bridge converters send two's complement, 800000h to 7FFFFFh, and stay at these ends when the input leaves the range
//! (data sheet of the common 24-bit bridge converter). Some drivers hand on offset binary instead, the same code with
//! its top bit inverted: a board must know which it has.

/// Half of the range: offset binary's zero.
const MIDDLE: i32 = 0x0080_0000;

/// The ends of the range.
const LOWEST: i32 = -0x0080_0000;
const HIGHEST: i32 = 0x007F_FFFF;

/// What a converter's code means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// Signed counts, −8 388 608 to 8 388 607.
    pub counts: i32,
    /// The converter is at an end of its range: the true value may lie beyond.
    pub saturated: bool,
}

impl Reading {
    fn of(counts: i32) -> Self {
        Self { counts, saturated: counts == LOWEST || counts == HIGHEST }
    }
}

/// Reads a two's complement code; bits above the 24th are ignored.
#[must_use]
pub fn twos_complement(code: u32) -> Reading {
    // Moved to the top and back with its sign.
    Reading::of((code << 8).cast_signed() >> 8)
}

/// Reads an offset binary code (0 is the lowest value); bits above the 24th are ignored.
#[must_use]
pub fn offset_binary(code: u32) -> Reading {
    Reading::of((code & 0x00FF_FFFF).cast_signed().wrapping_sub(MIDDLE))
}

/// The code in three bytes, most significant first, as converters shift it out.
#[must_use]
pub fn code_from_bytes(bytes: [u8; 3]) -> u32 {
    let [high, middle, low] = bytes;
    u32::from_be_bytes([0, high, middle, low])
}
