//! What a finger-force trace means: holds, their measures, repeats, recordings, plots.
//!
//! Comes in: samples (`time_s`, `force_n`) from a recording, a CSV trace or any HDF5 dataset. Goes out: holds with
//! their times (s) and forces (N), tables and plots. Everything but files, plots and commands is pure.

#[doc = include_str!("../METHODS_AND_ERRORS.md")]
pub mod methods {}

pub mod cautions;
pub mod code;
pub mod command;
pub mod console;
pub mod corrections;
pub mod documents;
pub mod export;
pub mod filter;
pub mod holds;
pub mod measures;
pub mod observed;
pub mod plot;
pub mod prose;
pub mod recording;
pub mod report;
pub mod sensor;
pub mod spelling;
pub mod statistics;
pub mod study;
pub mod supervise;
pub mod trace;
pub mod trial;
