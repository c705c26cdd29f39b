//! What a study set out to do: who is to come when, by whom, with which analysis settings.
//!
//! Comes in: a TOML file, written before the first visit. Goes out: a [`Protocol`], and for each participant which visits
//! are done, due, missing or to come. Times are whole days (UTC) since the participant's first visit.
//!
//! ```
//! use analysis::study::protocol::{Protocol, State};
//! let protocol = Protocol::parse(
//!     "title = \"Test and retest\"\n\
//!      [[visit]]\nname = \"test\"\nday = 0\n\
//!      [[visit]]\nname = \"retest\"\nday = 7\nwithin_days = 2\n",
//! )?;
//! let day = |text: &str| text.parse::<jiff::civil::Date>();
//! let done = [(day("2026-03-02")?, "E1")];
//! let plan = protocol.schedule(&done, day("2026-03-12")?);
//! assert_eq!((plan.appointments[0].state, plan.appointments[1].state), (State::Done(0), State::Missing));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
use super::errors::StudyError;
use jiff::ToSpan;
use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::Path;

/// What to do about a file that is no protocol.
const HINT: &str = "write title, participants, examiners, settings, software, blinding, randomisation and [[visit]]s with name, day and \
                    within_days; README.md shows one";

/// A study's protocol.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Protocol {
    /// What the study is called.
    pub title: String,
    /// Codes of those who take part; empty: whoever has a recording.
    #[serde(default)]
    pub participants: Vec<String>,
    /// Codes of the examiners, each of whom makes every visit; empty: anybody makes it.
    #[serde(default)]
    pub examiners: Vec<String>,
    /// Digests of the analysis settings, frozen before the first result was looked at; empty: not frozen.
    #[serde(default)]
    pub settings: Vec<String>,
    /// Programs with their versions that make the recordings, as these name them; empty: any.
    #[serde(default)]
    pub software: Vec<String>,
    /// Who was blinded to what, beyond what recordings say.
    #[serde(default)]
    pub blinding: String,
    /// How people, sides or orders were allotted, beyond what recordings say.
    #[serde(default)]
    pub randomisation: String,
    /// The visits, in order.
    #[serde(rename = "visit", default)]
    pub visits: Vec<Planned>,
    /// SHA-256 of the file.
    #[serde(skip_deserializing)]
    pub sha256: String,
}

/// A visit that everybody is to have.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Planned {
    /// Its name.
    pub name: String,
    /// Days after the first visit.
    pub day: u16,
    /// How many days earlier or later it may be.
    #[serde(default)]
    pub within_days: u16,
}

/// How a planned visit stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Done: the place of its visit among those that were given.
    Done(usize),
    /// Its window is open.
    Due,
    /// Its window has passed.
    Missing,
    /// Its window has not come.
    ToCome,
    /// The participant has had no visit that windows could be counted from.
    NotBegun,
}

/// One planned visit of one participant.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Appointment {
    /// The planned visit's name.
    pub visit: String,
    /// By whom; "" anybody.
    pub examiner: String,
    /// How it stands.
    pub state: State,
    /// First and last day of its window (YYYY-MM-DD); `None` where it has none yet.
    pub window: Option<(String, String)>,
}

/// A participant's planned visits, and the visits that are none of them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Schedule {
    /// The planned visits, in order.
    pub appointments: Vec<Appointment>,
    /// Places of the visits that lie in no window.
    pub beside: Vec<usize>,
}

impl Protocol {
    /// Reads a protocol's file.
    ///
    /// # Errors
    /// It cannot be read, or is no protocol; the error says what is wrong and where.
    pub fn read(path: &Path) -> Result<Protocol, StudyError> {
        let text = std::fs::read_to_string(path)
            .map_err(|source| StudyError::Read { path: path.to_owned(), source })?;
        Protocol::parse(&text).map_err(|what| StudyError::Contents {
            path: path.to_owned(),
            what,
            hint: HINT.to_owned(),
        })
    }

    /// Reads a protocol's text.
    ///
    /// # Errors
    /// What is wrong with it, and where.
    pub fn parse(text: &str) -> Result<Protocol, String> {
        let protocol: Protocol = toml::from_str(text).map_err(|error| error.to_string())?;
        for (what, codes) in [("participant", &protocol.participants), ("examiner", &protocol.examiners)] {
            for code in codes {
                crate::code::check(what, code).map_err(|error| error.to_string())?;
            }
        }
        if let Some(pair) = protocol.visits.windows(2).find(|pair| pair[0].day > pair[1].day) {
            return Err(format!("`{}` comes after `{}` and is earlier", pair[1].name, pair[0].name));
        }
        let sha256 = Sha256::digest(text.as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
        Ok(Protocol { sha256, ..protocol })
    }

    /// How one participant's planned visits stand on a day, from the visits that were made (day and examiner, in order). A
    /// planned visit is done by the first visit in its window that does no other.
    pub fn schedule(&self, made: &[(Date, &str)], on: Date) -> Schedule {
        let anybody = [String::new()];
        let examiners = if self.examiners.is_empty() { &anybody[..] } else { &self.examiners[..] };
        let first = made.first().map(|(day, _)| *day);
        let mut taken = vec![false; made.len()];
        let mut appointments = Vec::new();
        for planned in &self.visits {
            for examiner in examiners {
                let window = first.and_then(|first| planned.window(first));
                let fits = |(day, by): &(Date, &str)| {
                    (examiner.is_empty() || examiner == by)
                        && window.is_some_and(|(from, until)| (from..=until).contains(day))
                };
                let done = (0..made.len()).find(|at| !taken[*at] && fits(&made[*at]));
                let state = match (done, window) {
                    (Some(at), _) => {
                        taken[at] = true;
                        State::Done(at)
                    }
                    (None, None) => State::NotBegun,
                    (None, Some((from, _))) if on < from => State::ToCome,
                    (None, Some((_, until))) if on <= until => State::Due,
                    (None, Some(_)) => State::Missing,
                };
                let window = window.map(|(from, until)| (from.to_string(), until.to_string()));
                let (visit, examiner) = (planned.name.clone(), examiner.clone());
                appointments.push(Appointment { visit, examiner, state, window });
            }
        }
        let beside = (0..made.len()).filter(|at| !taken[*at]).collect();
        Schedule { appointments, beside }
    }
}

impl Planned {
    fn window(&self, first: Date) -> Option<(Date, Date)> {
        let day = |days: i32| first.checked_add(days.days()).ok();
        let (at, within) = (i32::from(self.day), i32::from(self.within_days));
        Some((day(at - within)?, day(at + within)?))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TEXT: &str = "title = \"t\"\nexaminers = [\"E1\", \"E2\"]\nsettings = [\"0123\"]\n\
                        [[visit]]\nname = \"first\"\nday = 0\n[[visit]]\nname = \"second\"\nday = 7\nwithin_days = 2\n";

    fn day(text: &str) -> Date {
        text.parse().unwrap()
    }

    #[test]
    fn each_planned_visit_is_done_due_missing_or_to_come() {
        let protocol = Protocol::parse(TEXT).unwrap();
        let made = [(day("2026-03-02"), "E1"), (day("2026-03-02"), "E2"), (day("2026-03-10"), "E1")];
        let states = |on: &str| {
            let schedule = protocol.schedule(&made, day(on));
            schedule.appointments.iter().map(|of| of.state).collect::<Vec<_>>()
        };
        let (first, second, third) = (State::Done(0), State::Done(1), State::Done(2));
        assert_eq!(states("2026-03-06"), [first, second, third, State::ToCome]);
        assert_eq!(states("2026-03-07"), [first, second, third, State::Due]);
        assert_eq!(states("2026-03-11"), [first, second, third, State::Due]);
        assert_eq!(states("2026-03-12"), [first, second, third, State::Missing]);
        assert_eq!(protocol.schedule(&[], day("2026-03-12")).appointments[0].state, State::NotBegun);
    }

    #[test]
    fn a_visit_in_no_window_does_none_and_is_said() {
        let protocol = Protocol::parse(&TEXT.replace("examiners = [\"E1\", \"E2\"]\n", "")).unwrap();
        let made = [(day("2026-03-02"), "E1"), (day("2026-03-05"), "E1"), (day("2026-03-12"), "E1")];
        let schedule = protocol.schedule(&made, day("2026-04-01"));
        assert_eq!(schedule.appointments[1].state, State::Missing);
        assert_eq!(schedule.beside, [1, 2]);
    }

    #[test]
    fn what_is_no_protocol_is_refused_with_the_place() {
        for (text, part) in [
            ("", "title"),
            ("title = \"t\"\nvisit_s = 1\n", "unknown field `visit_s`"),
            ("title = \"t\"\nparticipants = [\"Anna Miller\"]\n", "looks like a name"),
            (&TEXT.replace("day = 7", "day = -7"), "day"),
            (&TEXT.replace("day = 0", "day = 70"), "is earlier"),
        ] {
            let error = Protocol::parse(text).unwrap_err();
            assert!(error.contains(part), "{text}: {error}");
        }
        assert_eq!(Protocol::parse(TEXT).unwrap().sha256.len(), 64);
    }
}
