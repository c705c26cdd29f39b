//! The recording file (HDF5): its layout in one place, writing, reading, checking.
//!
//! Written once, by [`write::Writer`], and never edited; read by [`read::Recording`]. What makes two recordings equal
//! is defined in [`digest`].

mod build;
pub mod digest;
pub mod later;
pub mod layout;
mod objection;
pub mod open;
pub mod plan;
pub mod read;
mod refind;
pub mod replay;
pub mod revise;
pub mod scales;
pub mod trial_row;
pub mod write;
