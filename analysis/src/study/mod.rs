//! Several visits together: which values may be compared, how repeatable they are, and whether a change is real.
//!
//! Comes in: recordings, tables, published figures. Goes out: plain values (N, %, ratios) with the reason for whatever
//! cannot be said. Nothing here draws or prints.

pub mod comparison;
pub mod conditions;
pub mod errors;
pub mod procedure;
pub mod protocol;
pub mod published;
pub mod reliability;
pub mod series;
pub mod sides;
pub mod table;
pub mod visit;
pub mod visit_trend;
