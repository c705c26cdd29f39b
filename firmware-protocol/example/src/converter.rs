//! A 24-bit bridge converter that is not there: `../c/example/simulated_converter.h` once more.
//!
//! Comes in: the time (µs since boot). Goes out: how many conversions have ended and when, and the code of each. Its
//! clock is 0.3 % slow, as real ones are.

/// The interval that its data sheet would have.
pub const NOMINAL_NS: u32 = 12_500_000;
const TRUE_NS: u64 = 12_537_500;

/// Conversions that ended until now, and when the last did, µs. On a real board a timer counts and captures the edges of
/// the converter's data line.
pub fn ended(now_us: u64) -> (u32, u64) {
    let conversions = now_us * 1000 / TRUE_NS;
    (conversions as u32, conversions * TRUE_NS / 1000)
}

/// Two's complement, 24 bits; each 250th is at an end of the range.
pub fn code(conversion: u32) -> u32 {
    match conversion % 500 {
        249 => 0x7F_FFFF,
        499 => 0x80_0000,
        _ => conversion.wrapping_mul(40_503) & 0xFF_FFFF,
    }
}
