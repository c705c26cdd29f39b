//! What travels between a force sensor's board and the host.
//!
//! Comes in: bytes from a serial line, or a board's converter readings (counts) and its clock (µs). Goes out: typed
//! messages, or encoded frames. Used by both ends, so that they cannot disagree: no `std`, no allocation, constant
//! memory, and no panic for any input. `SPECIFICATION.md` beside this crate is the same protocol for boards in other
//! languages.
//!
//! [`frame`] turns bytes into bodies and back, [`message`] bodies into messages and back, [`board`] is the
//! firmware's side of the conversation, [`counts`] reads 24-bit converter codes.
#![no_std]
#![forbid(unsafe_code)]
// "No panic for any input" is held by the compiler: whatever could panic is refused.
#![deny(
    clippy::arithmetic_side_effects,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::string_slice,
    clippy::unreachable,
    clippy::unwrap_used
)]

pub mod board;
mod bytes;
pub mod counts;
pub mod frame;
pub mod message;
