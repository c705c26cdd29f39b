//! What the examiner (or the participant's stop key) does. Travels as [`Record::Action`](crate::journal::Record::Action)
//! (JSON, tag `visit`); in a terminal it is typed as a line, read by [`Examiner::parse`].

use super::gate::Clearance;
use analysis::trial::Muscle;
use serde::{Deserialize, Serialize};

/// One action.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "visit", rename_all = "kebab-case")]
pub enum Examiner {
    /// An answer to the gate.
    Allow(Clearance),
    /// A short press of the foot switch: stops during load, otherwise ready, as expected, or go on.
    Press,
    /// A long press: the last trial does not count and is done again.
    Repeat {
        /// Why.
        reason: String,
    },
    /// A double press: pain. With a level where one was said.
    Pain {
        /// Pain, 0 to 10.
        level: Option<f64>,
    },
    /// The participant's own key, or the examiner's word: stop.
    Stop {
        /// Who or why.
        reason: String,
    },
    /// The item that is on is left out.
    Skip {
        /// Why.
        reason: String,
    },
    /// A trial does not count.
    Invalid {
        /// Its order in the visit; the last one where missing.
        trial: Option<u64>,
        /// Why.
        reason: String,
    },
    /// The contact slipped in the last trial.
    Slipped,
    /// A trial was of another muscle: wrong finger, wrong side.
    Reassign {
        /// Its order in the visit; the last one where missing.
        trial: Option<u64>,
        /// Which muscle it was.
        to: Muscle,
        /// Why.
        reason: String,
    },
    /// Something seen: active motion, length, trick movement, grade, text.
    Observe {
        /// Which kind.
        kind: String,
        /// What.
        value: String,
        /// By which scale; "" none.
        scale: String,
    },
    /// An item that the gate refuses is done all the same.
    Override {
        /// Item, from 1.
        item: usize,
        /// Why.
        reason: String,
    },
    /// Whether anybody's page or terminal can warn now. Said by the program that serves the pages.
    CanWarn {
        /// One can.
        able: bool,
    },
}

/// What can be typed, for people.
pub const TYPED: &str = "Enter: ready, next, or stop during a pull · r [reason]: repeat the last trial · p [0-10]: pain · \
x [who]: stop · s [reason]: skip this item · i [reason]: the last trial does not count · l: it slipped · \
w SIDE DIGIT DIRECTION: the last trial was of this muscle · o KIND: VALUE: observed · g GRADE: grade · \
allow SIDE [DIGIT] none|active|make|break pain N: the gate · override ITEM REASON · t: new zero";

impl Examiner {
    /// Reads a typed line.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(line: &str) -> Result<Examiner, String> {
        let line = line.trim();
        let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let rest = rest.trim();
        let reason = |default: &str| if rest.is_empty() { default.to_owned() } else { rest.to_owned() };
        Ok(match word {
            "" => Examiner::Press,
            "r" => Examiner::Repeat { reason: reason("repeated by the examiner") },
            "p" => Examiner::Pain { level: pain(rest)? },
            "x" => Examiner::Stop { reason: reason("stopped by the examiner") },
            "s" => Examiner::Skip { reason: reason("skipped by the examiner") },
            "i" => Examiner::Invalid { trial: None, reason: reason("called invalid by the examiner") },
            "l" => Examiner::Slipped,
            "w" => {
                let to = rest.parse::<Muscle>().map_err(|error| error.to_string())?;
                Examiner::Reassign { trial: None, to, reason: "it was another muscle".to_owned() }
            }
            "o" => {
                let (kind, value) =
                    rest.split_once(':').ok_or("write o KIND: VALUE, as in `o trick movement: wrist`")?;
                observed(kind.trim(), value.trim(), "")
            }
            "g" if !rest.is_empty() => observed("grade", rest, "MRC 0-5"),
            "g" => return Err("write g and the grade, as in `g 4-`".to_owned()),
            "allow" => Examiner::Allow(Clearance::parse(rest)?),
            "override" => {
                let (item, reason) =
                    rest.split_once(char::is_whitespace).ok_or("write override ITEM REASON")?;
                let item = item.parse().map_err(|_| format!("`{item}` is no number of an item"))?;
                Examiner::Override { item, reason: reason.trim().to_owned() }
            }
            other => return Err(format!("`{other}` means nothing here. {TYPED}")),
        })
    }

    /// As it is put into the journal.
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }
}

fn observed(kind: &str, value: &str, scale: &str) -> Examiner {
    Examiner::Observe { kind: kind.to_owned(), value: value.to_owned(), scale: scale.to_owned() }
}

fn pain(text: &str) -> Result<Option<f64>, String> {
    if text.is_empty() {
        return Ok(None);
    }
    match text.parse::<f64>() {
        Ok(level) if (0.0..=10.0).contains(&level) => Ok(Some(level)),
        _ => Err(format!("pain is a number from 0 to 10, not `{text}`")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_typed_is_read_and_survives_the_journal() {
        for line in [
            "",
            "r",
            "r slipped a little",
            "p",
            "p 4",
            "x",
            "s too tired",
            "i",
            "l",
            "w left index abduction",
            "o trick movement: wrist",
            "g 4-",
            "allow left index make pain 2",
            "override 3 the surgeon said so",
        ] {
            let action = Examiner::parse(line).unwrap();
            assert_eq!(serde_json::from_str::<Examiner>(&action.to_json()).unwrap(), action, "{line}");
        }
        assert_eq!(Examiner::parse("p 4").unwrap(), Examiner::Pain { level: Some(4.0) });
    }

    #[test]
    fn what_means_nothing_is_refused_with_what_would() {
        for (line, part) in [
            ("q", "r [reason]"),
            ("p 11", "0 to 10"),
            ("w left toe abduction", "thumb"),
            ("o wrist", "o KIND: VALUE"),
            ("g", "g 4-"),
            ("allow", "side"),
            ("override three because", "`three` is no number"),
        ] {
            let error = Examiner::parse(line).unwrap_err();
            assert!(error.contains(part), "{line}: {error}");
        }
    }
}
