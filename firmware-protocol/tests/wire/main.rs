//! The wire protocol from outside: published values, shared vectors, properties, and the specification itself.
//!
//! Comes in: the crate's public interface, `fixtures/wire/`, `SPECIFICATION.md`. Tests live here rather than in the
//! sources, so that only a change of the protocol's code asks for a look at its specification.
#![allow(clippy::expect_used, clippy::panic, clippy::unwrap_used, reason = "tests stop where they fail")]

mod board;
mod c_side;
mod frame;
mod generate;
mod message;
mod published;
mod specification;
mod table;
mod vectors;
