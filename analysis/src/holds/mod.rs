//! Finds holds in a force trace: zero, contact, arming, onset, break, release.
//!
//! Comes in: blocks of samples on one grid ([`Sample`]). Goes out: [`Event`]s. Pure: no clock, no I/O, no logging;
//! bounded memory; the same code live and on files; any split of the input gives the same bits.

mod change;
mod curve;
mod errors;
mod finder;
mod fit;
mod front;
mod level;
mod live;
mod onset;
mod parameters;
mod precise;
mod pull;
mod release;
mod scan;
mod stream;
mod track;
pub(crate) mod wave;
mod window;
mod yields;

pub use finder::Finder;
pub use live::{Live, LiveState};
pub use parameters::{Number, Parameters, Profile, SetError};
pub use scan::Scan;
pub use stream::Stream;

use serde::{Deserialize, Serialize};

/// One sample of the trace that is searched.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Position on the sample grid (the device's sample counter); a jump means missing samples.
    pub index: u64,
    /// Time in the trace's own base, s.
    pub time_s: f64,
    /// Force, tare removed, N.
    pub force_n: f64,
    /// The converter was at its end.
    pub saturated: bool,
}

/// What is too small or too short to count is a touch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// An effort.
    Hold,
    /// Too small or too short to count.
    Touch,
}

/// A hold: force from onset to release. Times are s in the trace's own base, forces N; unknown is `None`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hold {
    /// Hold or touch.
    pub kind: Kind,
    /// First sample (grid index) at or after the onset.
    pub first_index: u64,
    /// Last sample (grid index) at or before the end, included.
    pub last_index: u64,
    /// Model-fitted start of the pull.
    pub onset_s: f64,
    /// Spread of the onset over the rise shapes fitted.
    pub onset_sd_s: Option<f64>,
    /// Interpolated crossing of 5 % of the peak on the way up.
    pub rise5_s: Option<f64>,
    /// Moment of the yield, where one was found.
    pub break_s: Option<f64>,
    /// Force at the break, above the level the pull started from.
    pub break_n: Option<f64>,
    /// Start of the final fall; `None` where the trace ended first.
    pub release_s: Option<f64>,
    /// Interpolated crossing of 10 % of the peak on the way down; `None` where the trace ended first.
    pub end_s: Option<f64>,
    /// Level the pull started from.
    pub rest_n: f64,
    /// Start of the steady contact before the pull, where there was one.
    pub contact_s: Option<f64>,
    /// Its level above zero; 0 without contact.
    pub contact_n: f64,
    /// Peak above the level the pull started from.
    pub peak_n: f64,
    /// Time of the peak.
    pub peak_s: f64,
    /// Peak above zero: what make, break and concentric results use.
    pub peak_zero_n: f64,
    /// Best 1-s mean above the level the pull started from; `None` where the hold is shorter.
    pub mean_n: Option<f64>,
    /// The measures of the hold that need the whole of it.
    #[serde(flatten)]
    pub measures: crate::measures::Measures,
    /// What is unusual about the hold, as words: `cut`, `too_long`, `saturated`, `gap_near_onset`, …
    pub flags: Vec<Flag>,
}

/// What is unusual about a hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Flag {
    /// The trace ended before the hold did.
    Cut,
    /// Closed after 120 s.
    TooLong,
    /// A sample of the hold was at the converter's end.
    Saturated,
    /// Samples are missing within 50 ms of the onset.
    GapNearOnset,
    /// Samples are missing elsewhere in the hold.
    Gap,
    /// The level before the pull was above zero by more than 0.3 N.
    Pretension,
    /// The force dipped in the 200 ms before the onset.
    Countermovement,
    /// The level before the pull was not steady.
    UnstableRest,
    /// The force fell below 70 % of an early local peak and rose again.
    DoublePull,
    /// Less than 0.75 s of rest was seen before the pull.
    LateArm,
    /// A yield that recovered: give-way.
    GiveWay,
    /// A yield outside a break test.
    PossibleYield,
    /// Force fell straight to nothing: released or slipped, force alone cannot tell.
    ReleaseOrSlip,
}

impl Flag {
    /// The word as it is printed and stored.
    pub fn word(self) -> &'static str {
        match self {
            Flag::Cut => "cut",
            Flag::TooLong => "too_long",
            Flag::Saturated => "saturated",
            Flag::GapNearOnset => "gap_near_onset",
            Flag::Gap => "gap",
            Flag::Pretension => "pretension",
            Flag::Countermovement => "countermovement",
            Flag::UnstableRest => "unstable_rest",
            Flag::DoublePull => "double_pull",
            Flag::LateArm => "late_arm",
            Flag::GiveWay => "give_way",
            Flag::PossibleYield => "possible_yield",
            Flag::ReleaseOrSlip => "release_or_slip",
        }
    }
}

/// What the finder says.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Steady contact has lasted long enough to count.
    Contact {
        /// When it began, s.
        since_s: f64,
        /// Its level above zero, N.
        level_n: f64,
    },
    /// The force left its level; not yet confirmed.
    Armed {
        /// When, s.
        time_s: f64,
    },
    /// A pull was confirmed; its onset as estimated so far.
    Confirmed {
        /// Estimated onset, s.
        onset_s: f64,
    },
    /// What was armed came to nothing.
    Dismissed,
    /// A hold (or touch) ended and was measured.
    Ended(Box<Hold>),
}

/// Typical spacing of times, s: the median of their differences. `None` with fewer than two.
pub fn interval_s(time_s: &[f64]) -> Option<f64> {
    let mut steps: Vec<f64> = time_s
        .windows(2)
        .map(|pair| pair[1] - pair[0])
        .filter(|step| step.is_finite() && *step > 0.0)
        .collect();
    if steps.is_empty() {
        return None;
    }
    let middle = steps.len() / 2;
    let (_, median, _) = steps.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*median)
}

/// Finds the holds of a whole trace. Without an interval it is the median spacing of the times; rows that are missing
/// show as jumps in time.
pub fn find(time_s: &[f64], force_n: &[f64], interval: Option<f64>, parameters: &Parameters) -> Vec<Hold> {
    let Some(interval) = interval.or_else(|| interval_s(time_s)) else { return Vec::new() };
    let mut finder = Finder::new(interval, parameters.clone());
    let mut events = Vec::new();
    let mut holds = Vec::new();
    let mut block = Vec::with_capacity(BLOCK);
    let mut index = 0_u64;
    let mut last_s = f64::NEG_INFINITY;
    for (time, force) in time_s.iter().zip(force_n) {
        let steps = libm::round((time - last_s) / interval);
        if last_s.is_finite() && steps.is_finite() {
            index += (steps.max(1.0) as u64).min(1 << 32);
        } else if last_s.is_finite() {
            index += 1;
        }
        last_s = if time.is_finite() { *time } else { last_s + interval };
        block.push(Sample { index, time_s: *time, force_n: *force, saturated: false });
        if block.len() == BLOCK {
            finder.push(&block, &mut events);
            block.clear();
            collect(&mut events, &mut holds);
        }
    }
    finder.push(&block, &mut events);
    finder.finish(&mut events);
    collect(&mut events, &mut holds);
    holds
}

const BLOCK: usize = 4096;

fn collect(events: &mut Vec<Event>, holds: &mut Vec<Hold>) {
    for event in events.drain(..) {
        if let Event::Ended(hold) = event {
            holds.push(*hold);
        }
    }
}

#[cfg(test)]
mod tests;
