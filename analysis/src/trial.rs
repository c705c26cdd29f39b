//! The vocabulary: muscle keys, sides, tests, outcomes.
//!
//! Muscles are keyed by side, digit and direction ([`Muscle`]), because the numbering of the palmar interossei differs
//! between schools; a belly's name is only a label.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A word that none of the known ones matches: what was given, and what would have been accepted.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("unknown {what} `{given}`: use one of {accepted}")]
pub struct UnknownWord {
    /// What kind of word was expected.
    pub what: &'static str,
    /// The word given.
    pub given: String,
    /// The accepted words.
    pub accepted: String,
}

macro_rules! words {
    ($(#[$doc:meta])* $name:ident, $what:literal, $($(#[$vdoc:meta])* $variant:ident => $word:literal),+ $(,)?) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
        #[serde(try_from = "String", into = "String")]
        pub enum $name { $(#[doc = concat!("`", $word, "`. ")] $(#[$vdoc])* $variant),+ }

        impl $name {
            /// Every value, in order.
            pub const ALL: &'static [$name] = &[$($name::$variant),+];

            /// The word as it is typed and stored.
            pub fn word(self) -> &'static str {
                match self { $($name::$variant => $word),+ }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.word())
            }
        }

        impl FromStr for $name {
            type Err = UnknownWord;

            fn from_str(text: &str) -> Result<Self, UnknownWord> {
                $name::ALL.iter().copied().find(|value| value.word() == text).ok_or_else(|| UnknownWord {
                    what: $what,
                    given: text.chars().filter(|c| !c.is_control()).take(40).collect(),
                    accepted: $name::ALL.iter().map(|value| value.word()).collect::<Vec<_>>().join(", "),
                })
            }
        }

        impl TryFrom<String> for $name {
            type Error = UnknownWord;

            fn try_from(text: String) -> Result<Self, UnknownWord> {
                text.parse()
            }
        }

        impl From<$name> for String {
            fn from(value: $name) -> String {
                value.word().to_owned()
            }
        }
    };
}

words!(
    /// Side of the body.
    Side, "side", Left => "left", Right => "right"
);
words!(
    /// A digit of the hand.
    Digit, "digit", Thumb => "thumb", Index => "index", Middle => "middle", Ring => "ring", Little => "little"
);
words!(
    /// Which way the person moves the digit. Abduction and adduction are away from and towards the middle finger's ray;
    /// the middle finger itself deviates to the radial or the ulnar side.
    Direction, "direction",
    Abduction => "abduction", Adduction => "adduction",
    RadialDeviation => "radial-deviation", UlnarDeviation => "ulnar-deviation",
);
words!(
    /// Kind of test.
    Test, "test",
    /// The person moves the digit; nothing is loaded.
    ActiveMotion => "active-motion",
    /// The examiner holds still, the person pushes as hard as possible (isometric).
    Make => "make",
    /// The person holds, the examiner raises the force until the digit gives way.
    Break => "break",
    /// The person moves the digit through its range against the examiner's yielding resistance.
    Concentric => "concentric",
    /// The muscle is stretched; nothing is measured.
    Length => "length",
    /// A hold at a set share of the best peak, for its steadiness.
    Submaximal => "submaximal",
    /// No test named: free recording.
    Free => "free",
);
words!(
    /// How a loaded trial ended: each a result, none a gap.
    Outcome, "outcome",
    /// The digit gave way under the examiner's rising force.
    Broke => "broke",
    /// Held up to the plan's limit without giving way.
    HeldToLimit => "held-to-limit",
    /// The person let go; the ordinary end of a make test.
    Released => "released",
    /// The contact slipped.
    Slipped => "slipped",
    /// Ended by pain.
    PainLimited => "pain-limited",
    /// Stopped by the examiner, or by the recording's end.
    Stopped => "stopped",
    /// No hold was found in the trial's window.
    BelowMeasurable => "below-measurable",
);

/// A muscle's key: side, digit, direction. Written `left index abduction`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Muscle {
    /// Side of the body.
    pub side: Side,
    /// The digit that moves.
    pub digit: Digit,
    /// Which way it moves.
    pub direction: Direction,
}

impl Muscle {
    /// The key without its side: `index abduction`.
    pub fn without_side(self) -> String {
        format!("{} {}", self.digit, self.direction)
    }
}

impl fmt::Display for Muscle {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} {}", self.side, self.digit, self.direction)
    }
}

impl FromStr for Muscle {
    type Err = UnknownWord;

    fn from_str(text: &str) -> Result<Self, UnknownWord> {
        let mut words = text.split_whitespace();
        let (Some(side), Some(digit), Some(direction), None) =
            (words.next(), words.next(), words.next(), words.next())
        else {
            return Err(UnknownWord {
                what: "muscle",
                given: text.chars().filter(|c| !c.is_control()).take(60).collect(),
                accepted: "side, digit and direction, as in `left index abduction`".to_owned(),
            });
        };
        let muscle = Muscle { side: side.parse()?, digit: digit.parse()?, direction: direction.parse()? };
        let deviates = matches!(muscle.direction, Direction::RadialDeviation | Direction::UlnarDeviation);
        if deviates == (muscle.digit == Digit::Middle) {
            return Ok(muscle);
        }
        // The reference line is the middle finger's own ray, so it can only deviate and the others cannot.
        Err(UnknownWord {
            what: "direction for this digit",
            given: text.to_owned(),
            accepted: "radial-deviation or ulnar-deviation (middle), abduction or adduction (the others)"
                .to_owned(),
        })
    }
}

impl TryFrom<String> for Muscle {
    type Error = UnknownWord;

    fn try_from(text: String) -> Result<Self, UnknownWord> {
        text.parse()
    }
}

impl From<Muscle> for String {
    fn from(muscle: Muscle) -> String {
        muscle.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_muscle_key_survives_its_text() {
        for text in ["left index abduction", "right middle ulnar-deviation", "left little adduction"] {
            assert_eq!(text.parse::<Muscle>().unwrap().to_string(), text);
        }
    }

    #[test]
    fn a_key_that_names_no_muscle_is_refused_with_the_accepted_words() {
        for text in [
            "left index",
            "left index abduction now",
            "left toe abduction",
            "left middle abduction",
            "left ring ulnar-deviation",
        ] {
            let error = text.parse::<Muscle>().unwrap_err();
            assert!(!error.accepted.is_empty(), "{text}");
        }
    }
}
