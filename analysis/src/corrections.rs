//! Corrections of a recording: what somebody changed afterwards, and why.
//!
//! A recording is never edited. What is to be different is appended to `corrections.jsonl` beside it, a JSON object a
//! line, and the next recording is made from the last one and these ([`crate::recording::revise`]). Comes in: the lines
//! as they are on the disk. Goes out: corrections in order, and what could not be read: a crash may leave a torn line,
//! which costs that line only. Times are s since the segment's start, forces N.

use crate::measures::repeats;
use crate::recording::layout::TrialRow;
use crate::trial::Muscle;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The file's name in a visit's folder.
pub const FILE: &str = "corrections.jsonl";

/// What somebody changed, and why.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// Which of the visit, from 1.
    pub number: u64,
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// Who (a code).
    pub who: String,
    /// Why, in their words.
    pub why: String,
    /// What.
    #[serde(flatten)]
    pub change: Change,
}

/// What is to be different. Trials are named by their `order` in the visit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "change", rename_all = "kebab-case")]
pub enum Change {
    /// A mark of a hold stands elsewhere.
    Mark {
        /// Trial.
        trial: i64,
        /// Which mark.
        mark: Mark,
        /// Where it belongs, s since the segment's start.
        time_s: f64,
    },
    /// Something was seen but not entered then.
    Observation {
        /// Item of the plan, from 1; -1 of the visit.
        item: i64,
        /// Active motion, length, trick movement, pain, grade, text.
        kind: String,
        /// What.
        value: String,
        /// Scale of the value; "" for none.
        scale: String,
    },
    /// A trial belongs elsewhere, or counts or does not.
    Trial {
        /// Trial.
        trial: i64,
        /// The item and muscle it belongs to instead.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        to: Option<Assignment>,
        /// Whether it counts.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        valid: Option<bool>,
    },
    /// A sensor's channel was calibrated otherwise than the recording says.
    Calibration {
        /// Sensor, from 1.
        sensor: usize,
        /// Channel, from 1.
        channel: usize,
        /// Counts at the rated force above those without load.
        rated_counts: f64,
        /// Rated force, N.
        rated_force_n: f64,
        /// Where the factors come from.
        source: String,
    },
}

/// Where a trial belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Assignment {
    /// Item of the plan, from 1.
    pub item: i64,
    /// Trial within the item, from 1.
    pub number: i64,
    /// The muscle.
    pub muscle: Muscle,
}

/// A mark that a person may move.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Mark {
    /// Start of the pull.
    Onset,
    /// The yield.
    Break,
    /// Start of the final fall.
    Release,
    /// End.
    End,
}

impl Mark {
    /// Every one.
    pub const ALL: [Mark; 4] = [Mark::Onset, Mark::Break, Mark::Release, Mark::End];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Mark::Onset => "onset",
            Mark::Break => "break",
            Mark::Release => "release",
            Mark::End => "end",
        }
    }
}

impl Change {
    /// The trial it is about, by its order.
    pub fn trial(&self) -> Option<i64> {
        match self {
            Change::Mark { trial, .. } | Change::Trial { trial, .. } => Some(*trial),
            Change::Observation { .. } | Change::Calibration { .. } => None,
        }
    }

    /// What its trial is among these: muscle, test, peak. "" where it is about none.
    pub fn of_trial(&self, rows: &[TrialRow]) -> String {
        let row = rows.iter().find(|row| Some(row.order) == self.trial());
        row.map_or_else(String::new, |row| match repeats::known(row.peak_zero_n) {
            Some(peak_n) => format!("{}, peak {peak_n:.2} N", row.what()),
            None => format!("{}, no hold found", row.what()),
        })
    }

    /// In words; with what its trial is ([`Change::of_trial`]), because a slip of the number alone is not noticed.
    pub fn words(&self, of_trial: &str) -> String {
        let named = |trial: &i64| match of_trial {
            "" => format!("trial {trial}"),
            of => format!("trial {trial} ({of})"),
        };
        match self {
            Change::Mark { trial, mark, time_s } => {
                format!("{} of {} moved to {time_s} s", mark.word(), named(trial))
            }
            Change::Observation { item, kind, value, .. } => format!("{kind} of item {item}: {value}"),
            Change::Trial { trial, to, valid } => {
                let to = to.map_or_else(String::new, |to| {
                    format!(" is trial {} of item {} ({})", to.number, to.item, to.muscle)
                });
                let counts = match valid {
                    Some(true) => " counts",
                    Some(false) => " does not count",
                    None => "",
                };
                format!("{}{to}{counts}", named(trial))
            }
            Change::Calibration { sensor, channel, rated_counts, rated_force_n, source } => {
                format!(
                    "sensor {sensor} channel {channel}: {rated_counts} counts at {rated_force_n} N ({source})"
                )
            }
        }
    }
}

/// A line that is no correction.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BadLine {
    /// Line, from 1.
    pub line: usize,
    /// How many bytes it has.
    pub bytes: usize,
    /// Why it is none.
    pub why: String,
}

impl fmt::Display for BadLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {} of {FILE} ({} bytes) cannot be read: {}", self.line, self.bytes, self.why)
    }
}

/// The corrections in a file's bytes, and the lines that are none.
pub fn parse(bytes: &[u8]) -> (Vec<Correction>, Vec<BadLine>) {
    let (mut corrections, mut bad) = (Vec::new(), Vec::new());
    for (line, text) in (1..).zip(bytes.split(|byte| *byte == b'\n')) {
        if text.is_empty() {
            continue;
        }
        match serde_json::from_slice::<Correction>(text) {
            Ok(correction) => corrections.push(correction),
            Err(error) => bad.push(BadLine { line, bytes: text.len(), why: error.to_string() }),
        }
    }
    (corrections, bad)
}

/// A correction as a line, and with a line's end before it where the file's last one was torn.
pub fn line(correction: &Correction, existing: &[u8]) -> serde_json::Result<Vec<u8>> {
    let torn = existing.last().is_some_and(|byte| *byte != b'\n');
    let mut line = if torn { vec![b'\n'] } else { Vec::new() };
    serde_json::to_writer(&mut line, correction)?;
    line.push(b'\n');
    Ok(line)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn correction(number: u64) -> Correction {
        Correction {
            number,
            when_utc: "2026-03-05T08:00:00Z".to_owned(),
            who: "E01".to_owned(),
            why: "slipped at first".to_owned(),
            change: Change::Mark { trial: 3, mark: Mark::Onset, time_s: 0.1 + 0.2 },
        }
    }

    fn changes() -> Vec<Change> {
        vec![
            correction(1).change,
            Change::Observation { item: 1, kind: "pain".into(), value: "3".into(), scale: "0 to 10".into() },
            Change::Trial { trial: 2, to: None, valid: Some(false) },
            Change::Trial {
                trial: 2,
                to: Some(Assignment { item: 1, number: 2, muscle: "left index abduction".parse().unwrap() }),
                valid: None,
            },
            Change::Calibration {
                sensor: 1,
                channel: 1,
                rated_counts: 4e6,
                rated_force_n: 101.5,
                source: "deadweights".into(),
            },
        ]
    }

    #[test]
    fn every_change_survives_its_line_to_the_last_bit() {
        let mut file = Vec::new();
        let written: Vec<_> = (1..)
            .zip(changes())
            .map(|(number, change)| Correction { change, ..correction(number) })
            .collect();
        for correction in &written {
            file.extend(line(correction, &file).unwrap());
        }
        assert_eq!(parse(&file), (written, vec![]));
    }

    #[test]
    fn a_line_torn_anywhere_costs_only_itself() {
        let first = line(&correction(1), b"").unwrap();
        let second = line(&correction(2), &first).unwrap();
        for cut in 0..second.len() {
            let mut file = [&first[..], &second[..cut]].concat();
            let third = line(&correction(3), &file).unwrap();
            file.extend(third);
            let (read, bad) = parse(&file);
            let whole = cut + 1 == second.len();
            assert_eq!(
                read.iter().map(|c| c.number).collect::<Vec<_>>(),
                if whole { vec![1, 2, 3] } else { vec![1, 3] }
            );
            assert_eq!(bad.len(), usize::from(!whole && cut > 0), "cut at {cut}");
        }
    }
}
