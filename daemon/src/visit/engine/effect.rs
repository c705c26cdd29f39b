//! What the visit wants done or shown. Forces N, times s.

use super::TrialResult;
use analysis::holds::Profile;
use analysis::trial::{Digit, Muscle, Side, Test};

/// What the visit wants done or shown.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// From now on the finder looks for this.
    Look(Look),
    /// Say this to the examiner.
    Say(String),
    /// Something else is on.
    Stage(Stage),
    /// A trial's window is open: now.
    Cue(Cue),
    /// The count, down to 0.
    Count(u32),
    /// The force has reached 80 % of the cap (`false`) or the cap (`true`): N, N.
    Cap(bool, f64, f64),
    /// An attempt has its result.
    Result(TrialResult),
    /// A result has changed.
    Amended(TrialResult),
    /// The examiner saw something.
    Observed(Observation),
    /// The sensor is to take a zero when it is still.
    SeekZero,
    /// The sensor is to take a zero whatever its level.
    ForceZero,
    /// The plan is done.
    Finished,
}

/// What the finder looks for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Look {
    /// The sensor and channel that is measured, from 1.
    pub place: (usize, usize),
    /// Kind of test.
    pub test: Test,
    /// How small an effort.
    pub profile: Profile,
    /// Expected maximum, N, where it is known.
    pub expected_n: Option<f64>,
}

/// What is on. Items from 1.
#[derive(Debug, Clone, PartialEq)]
pub enum Stage {
    /// The sensor needs its zero.
    Zero,
    /// These digits need an answer.
    Gate(Vec<(Side, Digit)>),
    /// The item's muscle rests for so long.
    Rest {
        /// Item.
        item: usize,
        /// How long still, s.
        seconds: f64,
    },
    /// The hand is turned or changed; the sensor is let go of for its zero.
    Turn {
        /// Item.
        item: usize,
    },
    /// A steady contact is awaited.
    Ready {
        /// Item.
        item: usize,
    },
    /// The window is open.
    Pull {
        /// Item.
        item: usize,
    },
    /// Something is looked at.
    Look {
        /// Item.
        item: usize,
    },
    /// A side is done: how much does it hurt now?
    Pain {
        /// Side.
        side: Side,
    },
    /// Stopped until somebody says that it goes on.
    Halted {
        /// Item.
        item: usize,
    },
    /// All is done.
    Done,
}

impl Stage {
    /// The item that is on, from 1.
    pub fn item(&self) -> Option<usize> {
        match self {
            Stage::Rest { item, .. }
            | Stage::Turn { item }
            | Stage::Ready { item }
            | Stage::Pull { item }
            | Stage::Look { item }
            | Stage::Halted { item } => Some(*item),
            Stage::Zero | Stage::Gate(_) | Stage::Pain { .. } | Stage::Done => None,
        }
    }
}

/// The trial that is on.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// Item, from 1, and how many there are.
    pub item: (usize, usize),
    /// Scored trial, from 1, and how many there are.
    pub trial: (u32, u32),
    /// It is to get used to the task, at about half strength, and not scored.
    pub familiarisation: bool,
    /// The muscle.
    pub muscle: Muscle,
    /// Kind of test.
    pub test: Test,
    /// How long to hold, s.
    pub hold_s: f64,
    /// Where the pull must stop, N.
    pub cap_n: Option<f64>,
    /// Lower and upper end of the target's band, N.
    pub band_n: Option<(f64, f64)>,
    /// The muscle's expected maximum, N: its make of this visit.
    pub expected_n: Option<f64>,
    /// Least and greatest pace of the pull, N/s, in a break test.
    pub pace_n_per_s: Option<(f64, f64)>,
}

/// Something the examiner saw.
#[derive(Debug, Clone, PartialEq)]
pub struct Observation {
    /// Item, from 1; `None` the visit as a whole.
    pub item: Option<usize>,
    /// Active motion, length, trick movement, pain, grade, text, override.
    pub kind: String,
    /// What.
    pub value: String,
    /// By which scale; "" none.
    pub scale: String,
}
