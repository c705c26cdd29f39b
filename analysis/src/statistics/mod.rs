//! Statistics of repeated values.
//!
//! Comes in: plain values in one unit, and tables of them (a row a subject, a column an occasion). Goes out: moments,
//! quantiles and intervals in the same unit (or as ratios), mean squares, intraclass correlations, agreement, limits.

pub mod agreement;
pub mod anova;
pub mod change;
pub mod icc;
pub mod intervals;
pub mod line;
pub mod moments;
pub mod planning;
pub mod quantiles;
pub mod sem;
pub mod trend;
