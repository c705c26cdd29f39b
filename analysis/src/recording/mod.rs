//! The recording file (HDF5): its layout in one place, writing, reading, checking.

pub mod layout;
pub mod open;
