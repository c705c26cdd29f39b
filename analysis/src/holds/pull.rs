//! A rise of force from its level, as the state machine sees it, and all that is needed to measure it once it is over.

use super::level::Level;
use super::track::Track;
use super::{Flag, Parameters};

/// A rise from a level, and what it became.
#[derive(Debug, Clone)]
pub(super) struct Pull {
    /// First position above the arming level.
    pub cross: u64,
    /// Nothing earlier belongs to the level it rose from.
    pub earliest: u64,
    /// The level it rose from.
    pub base: Level,
    /// Zero when it began, N.
    pub zero_n: f64,
    /// When the contact it rose from began, s.
    pub contact_s: Option<f64>,
    /// Little rest was seen before it.
    pub late: bool,
    /// Highest step mean, N.
    pub top_n: f64,
    /// Steepest rise over 100 ms, N/s.
    pub steepest: f64,
    /// First position of the present stretch below the end level.
    pub low_since: Option<u64>,
}

/// A pull that is over, with its values: can be measured anywhere.
#[derive(Debug)]
pub(super) struct Job {
    /// The values from 3 s before the pull until its end was sure.
    pub track: Track,
    /// Which samples the values are means of.
    pub grid: Grid,
    /// The pull.
    pub pull: Pull,
    /// Where it ended.
    pub close: u64,
    /// Why it ended, where not by itself.
    pub flag: Option<Flag>,
    /// The parameters in force at its end.
    pub parameters: Parameters,
}

/// The grid of samples behind positions.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Grid {
    /// Index of the trace's first sample.
    pub origin: u64,
    /// Samples a value.
    pub per_value: u64,
}

impl Grid {
    /// The index of the sample at the middle of a value, rounded down.
    pub fn index(self, position: u64) -> u64 {
        let offset = position.saturating_mul(self.per_value).saturating_add((self.per_value - 1) / 2);
        self.origin.saturating_add(offset)
    }
}
