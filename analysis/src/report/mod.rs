//! The report: one self-contained page for the chart or the lab book.
//!
//! Comes in: recordings and what was made of them (N, %, s). Goes out: HTML without scripts or anything from outside, in
//! which every printed number has an id that leads back to samples, calibration and formula.

pub mod chart;
pub mod html;
pub mod listing;
pub mod methods;
pub mod nerve;
pub mod number;
pub mod page;
pub mod sensor;
