//! What the finder sees now, for display.

/// What the finder sees now, for display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LiveState {
    /// No level is known yet.
    Starting,
    /// At zero.
    Rest,
    /// At a steady level above zero.
    Contact,
    /// Rising, not confirmed.
    Armed,
    /// In a pull.
    Active,
}

/// The finder's present view.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Live {
    /// What it sees.
    pub state: LiveState,
    /// The level that pulls start from now, N; `None` while it is not known.
    pub level_n: Option<f64>,
    /// Zero, N; `None` while it is not known.
    pub zero_n: Option<f64>,
    /// Latest force, smoothed, N.
    pub force_n: f64,
}
