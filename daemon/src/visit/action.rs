//! What the examiner (or the participant's stop key) does. Travels as [`Record::Action`](crate::journal::Record::Action)
//! (JSON, tag `visit`); in a terminal it is typed as a line, read by [`Examiner::parse`].

use super::gate::Clearance;
use analysis::observed::{GRADE_SCALE, is_grade};
use analysis::recording::layout::TAKEN_BACK;
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
        /// Its order in the visit (`order` of its row); the last one where missing.
        trial: Option<u64>,
        /// Why.
        reason: String,
    },
    /// The contact slipped in the last trial.
    Slipped,
    /// A trial was of another muscle: wrong finger, wrong side.
    Reassign {
        /// Its order in the visit (`order` of its row); the last one where missing.
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
        /// Of which muscle, where it is said; otherwise of what is looked at or pulled, or was pulled last.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        muscle: Option<Muscle>,
    },
    /// An item that the gate refuses is done all the same.
    Override {
        /// Item, from 1.
        item: usize,
        /// Why.
        reason: String,
    },
    /// Said by the program: it was cut off, and goes on with the visit.
    Resumed,
    /// Said by a page or terminal, not by a person: whether anything can warn now, by sight or sound. Without it no
    /// examined pull is offered; the latest word holds.
    Warner {
        /// Something can.
        able: bool,
        /// Which: `terminal`, a page.
        by: String,
    },
}

/// Why it was stopped, where nothing else is said.
pub const STOPPED: &str = "stopped by the examiner";

/// What can be typed, for people.
pub const TYPED: &str = "Enter: ready, next, or stop during a pull · r [reason]: repeat the last trial (while looking: other \
answers) · p [0-10]: pain · x [who]: stop · pause · s [reason]: skip this item · i [TRIAL] [reason]: a trial does not count · \
l: the last one slipped · w [TRIAL] SIDE DIGIT DIRECTION [: reason]: a trial was of this muscle · o KIND: VALUE: observed · \
g GRADE [SIDE DIGIT DIRECTION]: grade (g - SIDE DIGIT DIRECTION: taken back) · allow SIDE [DIGIT] none|active|make|break pain N: the gate · override ITEM REASON · t: new zero";

impl Examiner {
    /// Reads a typed line.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(line: &str) -> Result<Examiner, String> {
        let line = line.trim();
        let (word, rest) = line.split_once(char::is_whitespace).unwrap_or((line, ""));
        let (word, rest) = (word.strip_suffix(':').unwrap_or(word), rest.trim());
        let reason = |default: &str| if rest.is_empty() { default.to_owned() } else { rest.to_owned() };
        Ok(match word {
            "" => Examiner::Press,
            "r" => Examiner::Repeat { reason: reason("repeated by the examiner") },
            "p" => Examiner::Pain { level: pain(rest)? },
            "x" => Examiner::Stop { reason: reason(STOPPED) },
            "s" => Examiner::Skip { reason: reason("skipped by the examiner") },
            "pause" => Examiner::Stop { reason: "pause".to_owned() },
            "i" => {
                let (trial, why) = numbered(rest);
                let why = if why.is_empty() { "called invalid by the examiner" } else { why };
                Examiner::Invalid { trial, reason: why.to_owned() }
            }
            "l" => Examiner::Slipped,
            "w" => {
                let (trial, rest) = numbered(rest);
                let (to, why) = rest.split_once(':').unwrap_or((rest, "it was another muscle"));
                let to = to.trim().parse::<Muscle>().map_err(|error| error.to_string())?;
                Examiner::Reassign { trial, to, reason: why.trim().to_owned() }
            }
            "o" => {
                let (kind, value) =
                    rest.split_once(':').ok_or("write o KIND: VALUE, as in `o trick movement: wrist`")?;
                observed(kind.trim(), value.trim(), "", None)
            }
            "g" => graded(rest)?,
            "allow" => Examiner::Allow(Clearance::parse(rest)?),
            // What is asked for by the gate, answered as a person would.
            "left" | "right" => Examiner::Allow(Clearance::parse(line)?),
            "override" => {
                let (item, reason) =
                    rest.split_once(char::is_whitespace).ok_or("write override ITEM REASON")?;
                let item = item.parse().map_err(|_| format!("`{item}` is no number of an item"))?;
                Examiner::Override { item, reason: reason.trim().to_owned() }
            }
            "?" => return Err(TYPED.to_owned()),
            other => return Err(format!("`{other}` means nothing here; ? tells what can be typed")),
        })
    }

    /// What of it somebody wrote freely.
    pub fn free_texts(&self) -> Vec<String> {
        match self {
            Examiner::Allow(clearance) => vec![clearance.free_text()],
            Examiner::Repeat { reason }
            | Examiner::Stop { reason }
            | Examiner::Skip { reason }
            | Examiner::Invalid { reason, .. }
            | Examiner::Reassign { reason, .. }
            | Examiner::Override { reason, .. } => vec![reason.clone()],
            Examiner::Observe { kind, value, scale, .. } => vec![kind.clone(), value.clone(), scale.clone()],
            Examiner::Press
            | Examiner::Pain { .. }
            | Examiner::Slipped
            | Examiner::Resumed
            | Examiner::Warner { .. } => Vec::new(),
        }
    }

    /// As it is put into the journal.
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }
}

/// `7 the rest`, or `trial-7 the rest`: a trial's number, where one is said.
fn numbered(text: &str) -> (Option<u64>, &str) {
    let (first, rest) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
    first
        .strip_prefix("trial-")
        .unwrap_or(first)
        .parse()
        .map_or((None, text), |number| (Some(number), rest.trim()))
}

fn observed(kind: &str, value: &str, scale: &str, muscle: Option<Muscle>) -> Examiner {
    Examiner::Observe { kind: kind.to_owned(), value: value.to_owned(), scale: scale.to_owned(), muscle }
}

/// `4-` or `4- left index abduction`.
fn graded(text: &str) -> Result<Examiner, String> {
    let (grade, muscle) = text.split_once(char::is_whitespace).unwrap_or((text, ""));
    let taken_back = grade == "-" && !muscle.is_empty();
    if !is_grade(grade) && !taken_back {
        return Err(
            "write g and the grade, 0 to 5 with + or -, as in `g 4-` or `g 4- left index abduction`; \
                    `g - left index abduction` takes a grade back"
                .to_owned(),
        );
    }
    let muscle = (!muscle.is_empty()).then(|| muscle.parse::<Muscle>().map_err(|error| error.to_string()));
    let (value, scale) = if taken_back { (TAKEN_BACK, "") } else { (grade, GRADE_SCALE) };
    Ok(observed("grade", value, scale, muscle.transpose()?))
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
            "i 7 the thumb helped",
            "pause",
            "l",
            "w left index abduction",
            "w 7 left index abduction: wrong finger",
            "o trick movement: wrist",
            "g 4-",
            "g 5 left index abduction",
            "g - left index abduction",
            "allow left index make pain 2",
            "override 3 the surgeon said so",
        ] {
            let action = Examiner::parse(line).unwrap();
            assert_eq!(serde_json::from_str::<Examiner>(&action.to_json()).unwrap(), action, "{line}");
        }
        assert_eq!(Examiner::parse("i: slack").unwrap(), Examiner::parse("i slack").unwrap());
        assert_eq!(Examiner::Resumed.to_json(), analysis::recording::layout::RESUMED);
        assert_eq!(Examiner::parse("p 4").unwrap(), Examiner::Pain { level: Some(4.0) });
        let allow = Examiner::parse("allow left index make pain 2").unwrap();
        assert_eq!(Examiner::parse("left index make pain 2").unwrap(), allow);
        assert_eq!(Examiner::parse("i trial-7 slack").unwrap(), Examiner::parse("i 7 slack").unwrap());
        let (to, reason) = ("left index abduction".parse().unwrap(), "wrong finger".to_owned());
        assert_eq!(
            Examiner::parse("w 7 left index abduction: wrong finger").unwrap(),
            Examiner::Reassign { trial: Some(7), to, reason }
        );
    }

    #[test]
    fn what_means_nothing_is_refused_with_what_would() {
        for (line, part) in [
            ("?", "r [reason]"),
            ("q", "? tells"),
            ("p 11", "0 to 10"),
            ("w left toe abduction", "thumb"),
            ("o wrist", "o KIND: VALUE"),
            ("g", "g 4-"),
            ("g 6", "0 to 5"),
            ("g 4x", "0 to 5"),
            ("g 4 left toe", "digit"),
            ("allow", "side"),
            ("left index make pain 12", "0 to 10, not `12`"),
            ("left index make", "pain at rest is missing"),
            ("g -", "takes a grade back"),
            ("override three because", "`three` is no number"),
        ] {
            let error = Examiner::parse(line).unwrap_err();
            assert!(error.contains(part), "{line}: {error}");
        }
    }
}
