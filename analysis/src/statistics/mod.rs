//! Statistics of repeated values.
//!
//! Comes in: plain values in one unit. Goes out: moments, quantiles and intervals in the same unit (or as ratios).

pub mod intervals;
pub mod moments;
pub mod quantiles;
