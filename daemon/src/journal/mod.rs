//! The journal: append-only, totally ordered, checksummed.

pub mod record;

pub use record::{Record, Stamped};
