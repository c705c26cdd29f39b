//! Plans: what is to be tested, in order, and how.
//!
//! Comes in: TOML. Goes out: a [`Plan`], a list of items with every key filled in, or a [`PlanError`] that names line and
//! key. Strict: an unknown key is refused with the nearest known one. Forces N, times s, lengths mm.
//!
//! The short form lists items:
//!
//! ```toml
//! title = "First dorsal interosseous, both sides"
//!
//! [[item]]
//! muscle = "left index abduction"   # side, digit, direction
//! test = "make"
//! trials = 3                        # scored trials, 1 to 5
//! familiarisation = 1               # unscored pulls at half strength before them
//! hold_s = 3.0                      # how long to hold
//! rest_s = 60.0                     # rest of the muscle before the next trial
//! ```
//!
//! The long form describes each muscle once; its items are made for each side, test by test. A key stands in the most
//! special place that has it: `[defaults]`, then `[test.<test>]`, then `[[muscle]]`
//! (or `[[item]]`), then `[muscle.test.<test>]` under it:
//!
//! ```toml
//! title = "Two muscles"
//! procedure = "examined"            # or "self-paced": see [`Procedure`]
//! sides = ["right", "left"]
//! tests = ["active-motion", "make", "break"]
//!
//! [defaults]
//! rest_s = 30.0
//!
//! [test.make]
//! hold_s = 3.0
//!
//! [[muscle]]
//! muscle = "index abduction"        # digit, direction
//!
//! [[muscle]]
//! muscle = "little abduction"
//! tests = ["make"]                  # other tests than the plan's
//!
//! [muscle.test.make]
//! trials = 5
//! ```
//!
//! With several sensors or channels an item says which: `sensor` and `channel` from 1, as keys of it, of its muscle (four
//! fingers on a channel each) or of its side: `[side.left]` and `[side.right]`, more special than `[test.<test>]` and less
//! than `[[muscle]]` (each hand has a sensor of its own).
//!
//! Every key of an item is a field of [`Item`], every other key of the file a field of [`Plan`].

pub mod builtin;
mod check;
mod error;
mod order;
mod read;

pub use error::PlanError;
pub use order::Shuffle;

use analysis::holds::Profile;
use analysis::trial::{Digit, Muscle, Side, Test};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// At most this many loaded attempts an item, failed ones included.
pub const ATTEMPTS_MAX: u32 = 5;
/// Where a plan says no other: a break pull should grow by this share of the expected maximum a second, %, so that 130 % are
/// reached in 3.3 to 5.2 s. The force at which a muscle gives way depends on the speed (Burns & Spanier 2005, Arch Phys Med
/// Rehabil 86:1420–1426); the range itself is this program's assumption, to be checked by a hand therapist.
pub const PACE_PERCENT_PER_S: (f64, f64) = (25.0, 40.0);

macro_rules! words {
    ($(#[$doc:meta])* $name:ident { $($(#[$vdoc:meta])* $variant:ident => $word:literal),+ $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
        pub enum $name { $($(#[$vdoc])* #[serde(rename = $word)] $variant),+ }

        impl $name {
            /// The word as it is typed and stored.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }
    };
}

pub(crate) use words;

words!(
    /// Who starts a pull.
    Procedure {
        /// The person pulls alone against a fixed sensor: each trial begins as soon as the rest is over. Make tests and
        /// submaximal holds only; nobody is asked what is allowed.
        #[default]
        SelfPaced => "self-paced",
        /// An examiner's hand is on the sensor: the gate is asked before the first load, a trial begins on steady contact,
        /// a count runs through the pull, rest is filled with other muscles, every pull that is not the person's own make
        /// has a cap.
        Examined => "examined",
    }
);
words!(
    /// What a person sees of the force.
    Sees {
        /// Force, target and cap.
        #[default]
        All => "all",
        /// The count and the cues only.
        PaceOnly => "pace only",
        /// Nothing.
        Nothing => "nothing",
    }
);

impl Sees {
    /// What two people see who see the same screen: what neither is to be kept from.
    #[must_use]
    pub fn and(self, other: Sees) -> Sees {
        if self as u8 >= other as u8 { self } else { other }
    }
}

words!(
    /// How an item is gripped after the one before it.
    Grip {
        /// Anew.
        #[default]
        New => "new",
        /// The same grip: it follows the item before it at once, with no other muscle in between.
        Same => "same",
    }
);
words!(
    /// Which side of the hand, seen along its ray.
    Ray {
        /// Towards the thumb.
        #[default]
        Radial => "radial",
        /// Towards the little finger.
        Ulnar => "ulnar",
    }
);

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// What the plan is for.
    pub title: String,
    /// What a reader must know of it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub note: String,
    /// Whom it is for, in a few words (`healthy adults`): what a participant belongs to who is given no other `condition`.
    /// An error of measurement holds only for the people it was found in.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub population: String,
    /// A research plan: every participant's consent is asked for, its version and date.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub research: bool,
    /// Who starts a pull.
    #[serde(default)]
    pub procedure: Procedure,
    /// How long the visit should take at most, minutes: said before it begins where it would take longer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at_most_minutes: Option<f64>,
    /// The involved side, where one is named: the other is tested first and caps it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub involved_side: Option<Side>,
    /// What is put in random order: `side`, `muscle`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub randomise: Vec<Shuffle>,
    /// Where the random order comes from; drawn at the beginning where it is missing, and kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seed: Option<u32>,
    /// The items stand in the order in which they are to be run.
    #[serde(default)]
    pub arranged: bool,
    /// What is tested, in order.
    #[serde(rename = "item", default)]
    pub items: Vec<Item>,
}

/// One muscle, one side, one kind of test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    /// The muscle's key.
    pub muscle: Muscle,
    /// Kind of test.
    pub test: Test,
    /// The sensor that it is measured with, from 1: the order of the recording's ports.
    #[serde(default = "first", skip_serializing_if = "is_first")]
    pub sensor: usize,
    /// The sensor's channel, from 1.
    #[serde(default = "first", skip_serializing_if = "is_first")]
    pub channel: usize,
    /// The belly's name, as a label, with its convention.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub belly: String,
    /// Scored trials.
    #[serde(default = "three")]
    pub trials: u32,
    /// Pulls at about half strength before them, to get used to the task: kept, never scored.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub familiarisation: u32,
    /// How long to hold, s.
    #[serde(default = "hold_default")]
    pub hold_s: f64,
    /// Rest of the muscle before each trial, s, from the end of its last pull.
    #[serde(default = "rest_default")]
    pub rest_s: f64,
    /// The count that runs through the pull, s.
    #[serde(default = "count_default")]
    pub count: u32,
    /// How fast the pull grows, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub pace: String,
    /// Least and greatest pace of a break pull, % of the muscle's make a second; without it [`PACE_PERCENT_PER_S`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pace_percent_per_s: Option<(f64, f64)>,
    /// Gripped anew, or the same grip as the item before.
    #[serde(default)]
    pub grip: Grip,
    /// One of up to three items of the visit that its question hangs on.
    #[serde(default)]
    pub primary: bool,
    /// How small an effort is looked for; `weak` also follows from a first effort below 5 N or a grade of 3 or less.
    #[serde(default)]
    pub profile: Profile,
    /// Where the pull must stop, N; without it, what the muscle made allows: see [`crate::visit::cap`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cap_n: Option<f64>,
    /// CV above which a further trial is asked for, %.
    #[serde(default = "cv_default")]
    pub cv_limit_percent: f64,
    /// Target of a submaximal hold, % of the muscle's best peak of this visit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target_percent: Option<f64>,
    /// Half width of the band around the target, % of the target.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band_percent: Option<f64>,
    /// `single` or `pair`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub arrangement: String,
    /// What takes the force up: `examiner`, `neighbour` or `frame`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub reaction: String,
    /// `pad` or `loop`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub coupling: String,
    /// Thickness of the sensor between the digits, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gap_mm: Option<f64>,
    /// Distance of the contact from the joint's axis, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lever_mm: Option<f64>,
    /// By so much the lever may be longer or shorter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lever_uncertainty_mm: Option<f64>,
    /// By so much the force may lean from the right angle to the lever, degrees.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub angle_deg: Option<f64>,
    /// Which way the palm faces: `up`, `down`, `inward`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub palm: String,
    /// `neutral`, `lengthened` or `shortened`.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub position: String,
    /// How the arm and the joints are placed.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub posture: String,
    /// Where the force is applied: this side of the digit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub contact_side: Option<Ray>,
    /// Where on the digit, in words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub contact: String,
    /// Which way the examiner pulls the digit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub examiner_pulls: Option<Ray>,
    /// The digit that is held still beside it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held_digit: Option<Digit>,
    /// How the hand is held still.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub stabilise: String,
    /// What the examiner says to the participant.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub say: String,
    /// What to watch for.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub watch: String,
    /// What the examiner sees of the force.
    #[serde(default)]
    pub examiner_sees: Sees,
    /// What the participant sees of the force.
    #[serde(default = "nothing")]
    pub participant_sees: Sees,
}

fn is_zero(count: &u32) -> bool {
    *count == 0
}
fn first() -> usize {
    1
}
fn is_first(number: &usize) -> bool {
    *number == 1
}
fn three() -> u32 {
    3
}
fn hold_default() -> f64 {
    3.0
}
fn rest_default() -> f64 {
    60.0
}
fn count_default() -> u32 {
    5
}
fn cv_default() -> f64 {
    analysis::measures::repeats::CV_ADVISED_PERCENT
}
fn nothing() -> Sees {
    Sees::Nothing
}

impl Plan {
    /// Reads and checks a plan.
    pub fn parse(text: &str) -> Result<Plan, PlanError> {
        read::plan(text)
    }

    /// The sensors and channels that its items are measured on.
    pub fn places(&self) -> BTreeSet<(usize, usize)> {
        self.items.iter().map(Item::place).collect()
    }

    /// Where it measures on the hand of an item (from 1).
    pub fn places_of_hand(&self, item: usize) -> BTreeSet<(usize, usize)> {
        let side = item.checked_sub(1).and_then(|at| self.items.get(at)).map(|item| item.muscle.side);
        self.items.iter().filter(|item| Some(item.muscle.side) == side).map(Item::place).collect()
    }

    /// Why the plan cannot be run with so many sensors.
    pub fn needs_more_than(&self, sensors: usize) -> Option<String> {
        let (at, item) = self.items.iter().enumerate().find(|(_, item)| item.sensor > sensors)?;
        Some(format!("item {} ({}) is measured with sensor {}", at + 1, item.name(), item.sensor))
    }

    /// Why the plan cannot be run with this sensor of so many channels.
    pub fn misfit(&self, sensor: usize, channels: usize) -> Option<String> {
        let lacks = |(_, item): &(usize, &Item)| item.sensor == sensor && item.channel > channels;
        let (at, item) = self.items.iter().enumerate().find(lacks)?;
        let (number, name, channel) = (at + 1, item.name(), item.channel);
        Some(format!(
            "item {number} ({name}) is measured on channel {channel} of sensor {sensor}, which has {channels}"
        ))
    }

    /// The plan as TOML text, every item with all its keys.
    pub fn to_toml(&self) -> String {
        toml::to_string(self).unwrap_or_default()
    }
}

impl Item {
    /// The muscle is loaded.
    pub fn is_loaded(&self) -> bool {
        !matches!(self.test, Test::ActiveMotion | Test::Length)
    }

    /// How the hand, and with it the sensor, lies; "" where the plan does not say.
    pub fn orientation(&self) -> String {
        if self.palm.is_empty() {
            String::new()
        } else {
            format!("{} hand, palm {}", self.muscle.side, self.palm)
        }
    }

    /// Least and greatest pace of its pull on somebody whose expected maximum is this, N/s; only a break has one.
    pub fn pace_n_per_s(&self, expected_n: f64) -> Option<(f64, f64)> {
        let (slow, fast) = self.pace_percent_per_s.unwrap_or(PACE_PERCENT_PER_S);
        (self.test == Test::Break).then(|| (slow / 100.0 * expected_n, fast / 100.0 * expected_n))
    }

    /// How many pulls it asks for; what is not loaded is looked at once.
    pub fn pulls(&self) -> u32 {
        if self.is_loaded() { self.trials + self.familiarisation } else { 1 }
    }

    /// The sensor and its channel that it is measured on, from 1.
    pub fn place(&self) -> (usize, usize) {
        (self.sensor, self.channel)
    }

    /// In words: muscle and test.
    pub fn name(&self) -> String {
        format!("{} {}", self.muscle, self.test)
    }
}

#[cfg(test)]
mod tests;
