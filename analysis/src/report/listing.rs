//! The study at a glance: who was measured when and by whom, what is due or missing, excluded or out of the ordinary, and
//! whether calibrations and analysis settings were the ones they should be.
//!
//! Comes in: recordings and, where there is one, the study's protocol. Goes out: a [`Listing`], as a value and as a section
//! of the page.
use super::chart;
use super::html::{Cell, Page, with_id};
use super::methods::Source;
use super::number::visit_number_id;
use super::page::{exclusion_lines, instrument};
use crate::measures::repeats::Item;
use crate::plot::names;
use crate::prose::counted;
use crate::recording::layout::CALIBRATION;
use crate::recording::plan;
use crate::recording::read::ReadError;
use crate::recording::revise;
use crate::sensor::certificate::Certificate;
use crate::study::protocol::{Appointment, Protocol, State};
use crate::study::visit::Measured;
use jiff::civil::Date;
use serde::Serialize;

/// How a sensor's calibration stood when a visit was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Validity {
    /// Sensor's serial number.
    pub sensor: String,
    /// `valid`, `expired`, `nominal` (as the sensor declares itself), or `not known`.
    pub state: &'static str,
    /// The last day on which the calibration is used; "" without one.
    pub valid_until: String,
}

/// A visit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Made {
    /// Participant's code.
    pub participant: String,
    /// When it began (RFC 3339, UTC).
    pub started_utc: String,
    /// Examiner's code.
    pub examiner: String,
    /// UUID.
    pub visit_id: String,
    /// Recording.
    pub file: String,
    /// The planned visit that it is; `None`: none, or nothing was planned.
    pub planned: Option<String>,
    /// Trials behind results.
    pub trials_used: usize,
    /// What was left out and why, a line a trial.
    pub excluded: Vec<String>,
    /// What went another way than planned.
    pub deviations: Vec<String>,
    /// Its sensors' calibrations.
    pub calibrations: Vec<Validity>,
    /// Digests of the analysis settings.
    pub settings: Vec<String>,
    /// Numbers of its instruments, from 1.
    pub instruments: Vec<usize>,
}

/// A planned visit that was not made.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Open {
    /// Participant's code.
    pub participant: String,
    /// Which, by whom, when, and how it stands.
    #[serde(flatten)]
    pub appointment: Appointment,
}

/// The listing.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Listing {
    /// The protocol, with the digest of its file.
    pub protocol: Option<Protocol>,
    /// The day asked about (YYYY-MM-DD, UTC).
    pub on: String,
    /// The visits, by participant and time.
    pub visits: Vec<Made>,
    /// Planned visits that are due, missing, or to come.
    pub open: Vec<Open>,
    /// Recordings that another one of the same visit stands for, and which.
    pub superseded: Vec<String>,
    /// Instruments in words, by number from 1.
    pub instruments: Vec<String>,
    /// All digests of analysis settings.
    pub settings: Vec<String>,
    /// What else a reader must know.
    pub notes: Vec<String>,
}

impl Listing {
    /// The listing of these recordings, by participant and time, on a day; others are superseded.
    ///
    /// # Errors
    /// A recording cannot be read.
    pub fn of(
        sources: &[Source],
        superseded: &[String],
        protocol: Option<&Protocol>,
        on: Date,
    ) -> Result<Listing, ReadError> {
        let mut instruments = Vec::new();
        let made: Result<Vec<Made>, ReadError> =
            sources.iter().map(|source| made(source, protocol, &mut instruments)).collect();
        let mut listing = Listing {
            protocol: protocol.cloned(),
            on: on.to_string(),
            visits: made?,
            open: Vec::new(),
            superseded: superseded.to_vec(),
            instruments,
            settings: Vec::new(),
            notes: Vec::new(),
        };
        listing.settings = listing.visits.iter().flat_map(|visit| visit.settings.clone()).collect();
        listing.settings.sort();
        listing.settings.dedup();
        match protocol {
            Some(protocol) => listing.place(protocol, on),
            None => listing.notes = fewer(&listing.visits),
        }
        Ok(listing)
    }

    /// Holds the visits against the plan.
    fn place(&mut self, protocol: &Protocol, on: Date) {
        let mut participants = protocol.participants.clone();
        participants.extend(self.visits.iter().map(|visit| visit.participant.clone()));
        participants.sort();
        participants.dedup();
        for participant in participants {
            let own: Vec<usize> = (0..self.visits.len())
                .filter(|at| self.visits[*at].participant == participant && day(&self.visits[*at]).is_some())
                .collect();
            let dated: Vec<(Date, String)> = own
                .iter()
                .filter_map(|at| Some((day(&self.visits[*at])?, self.visits[*at].examiner.clone())))
                .collect();
            let dated: Vec<(Date, &str)> = dated.iter().map(|(day, by)| (*day, by.as_str())).collect();
            let schedule = protocol.schedule(&dated, on);
            for appointment in schedule.appointments {
                match appointment.state {
                    State::Done(at) => self.visits[own[at]].planned = Some(appointment.visit),
                    _ => self.open.push(Open { participant: participant.clone(), appointment }),
                }
            }
            for at in schedule.beside.into_iter().filter(|_| !protocol.visits.is_empty()) {
                self.visits[own[at]].deviations.push("in the window of no planned visit".to_owned());
            }
            if !protocol.participants.is_empty() && !protocol.participants.contains(&participant) {
                self.notes.push(format!("{participant} is not among the participants of the protocol"));
            }
        }
    }
}

/// The day of a visit, UTC.
fn day(visit: &Made) -> Option<Date> {
    let at = visit.started_utc.parse::<jiff::Timestamp>().ok()?;
    Some(jiff::tz::TimeZone::UTC.to_datetime(at).date())
}

/// A visit; instruments are told once, by their number.
fn made(
    source: &Source,
    protocol: Option<&Protocol>,
    instruments: &mut Vec<String>,
) -> Result<Made, ReadError> {
    let visit = source.visit;
    let items: Vec<Item> = visit.items.iter().map(|of| of.item.clone()).collect();
    let mut settings: Vec<String> = visit.items.iter().filter_map(Measured::settings).collect();
    settings.sort();
    settings.dedup();
    let sensors = source.recording.sensors().iter().map(|sensor| {
        let told = format!("{}, {}", sensor.serial, instrument(sensor));
        let known = instruments.iter().position(|other| *other == told);
        known.unwrap_or_else(|| {
            instruments.push(told);
            instruments.len() - 1
        }) + 1
    });
    let instruments = sensors.collect();
    let mut made = Made {
        participant: visit.participant.clone(),
        started_utc: visit.started_utc.clone(),
        examiner: visit.examiner.clone(),
        visit_id: visit.visit_id.clone(),
        file: visit.file.display().to_string(),
        planned: None,
        trials_used: items.iter().map(|item| item.spread.trials_used).sum(),
        // Pulls to get used to the test are never scored: of a whole study they would hide what was left out.
        excluded: exclusion_lines(&items, |trial| !trial.is_familiarisation()),
        deviations: Vec::new(),
        calibrations: Vec::new(),
        settings,
        instruments,
    };
    made.calibrations = calibrations(source, &made)?;
    made.deviations = deviations(source, &made, &items, protocol)?;
    Ok(made)
}

fn deviations(
    source: &Source,
    made: &Made,
    items: &[Item],
    protocol: Option<&Protocol>,
) -> Result<Vec<String>, ReadError> {
    let recording = source.recording;
    let (root, plan) = (recording.root(), plan::read(&recording.root().plan));
    let (rows, entered) = (recording.trials()?, recording.observations()?);
    let corrections = revise::effects(&recording.events()?);
    let mut found = chart::deviations(&rows, &entered, &corrections, &plan, &root.utc_offset);
    for number in 1..=recording.sensors().len() {
        let gaps = recording.gaps(number)?;
        if !gaps.is_empty() {
            found.push(format!("{} on sensor {number}", counted(gaps.len(), "gap")));
        }
    }
    found.extend(items.iter().flat_map(|item| {
        item.notes.iter().map(move |note| format!("{}, {}: {note}", item.muscle, item.test))
    }));
    let done = |number: &i64| items.iter().any(|item| item.item == *number);
    let undone = (1_i64..).zip(&plan.items).filter(|(number, _)| !done(number));
    found.extend(undone.map(|(_, item)| format!("{}, {}: planned, no trial", item.muscle, item.test)));
    found.extend(
        made.calibrations
            .iter()
            .filter(|of| of.state == "expired")
            .map(|of| format!("calibration of sensor {} was valid until {}", of.sensor, of.valid_until)),
    );
    let Some(protocol) = protocol else { return Ok(found) };
    if !protocol.examiners.is_empty() && !protocol.examiners.contains(&made.examiner) {
        found.push("the examiner is not one of the protocol's".to_owned());
    }
    if !protocol.software.is_empty() && !protocol.software.contains(&root.software) {
        found.push(format!("recorded by {}, which is not the protocol's", root.software));
    }
    let frozen = &protocol.settings;
    let others = made.settings.iter().filter(|settings| !frozen.is_empty() && !frozen.contains(settings));
    found.extend(others.map(|settings| format!("analysis settings {settings} are not the frozen ones")));
    Ok(found)
}

fn calibrations(source: &Source, made: &Made) -> Result<Vec<Validity>, ReadError> {
    let events = source.recording.events()?;
    let certificate = |number: i64| {
        let mut own = events.iter().filter(|event| event.kind == CALIBRATION && event.sensor == number);
        own.find_map(|event| serde_json::from_str::<Certificate>(&event.detail).ok())
    };
    let of = |(number, sensor): (i64, &crate::recording::layout::Sensor)| {
        let of = certificate(number);
        let nominal = sensor.channels.iter().all(|channel| channel.calibration == "nominal");
        let state = match &of {
            Some(of) if made.started_utc.get(..10).is_some_and(|day| of.is_expired(day)) => "expired",
            Some(_) => "valid",
            None if nominal => "nominal",
            None => "not known",
        };
        let valid_until = of.map_or_else(String::new, |of| of.valid_until);
        Validity { sensor: sensor.serial.clone(), state, valid_until }
    };
    Ok((1..).zip(source.recording.sensors()).map(of).collect())
}

/// Participants with fewer visits than others by the same examiner.
fn fewer(visits: &[Made]) -> Vec<String> {
    let unique = |of: fn(&Made) -> &String| {
        let mut words: Vec<&String> = visits.iter().map(of).collect();
        words.sort_unstable();
        words.dedup();
        words
    };
    let participants = unique(|visit| &visit.participant);
    let mut found = Vec::new();
    for examiner in unique(|visit| &visit.examiner) {
        let count = |participant: &String| {
            visits.iter().filter(|of| of.participant == *participant && of.examiner == *examiner).count()
        };
        let most = participants.iter().map(|participant| count(participant)).max().unwrap_or(0);
        let fewer = participants.iter().filter(|participant| count(participant) < most);
        found.extend(fewer.map(|of| format!("{of}: {} of {most} visits by examiner {examiner}", count(of))));
    }
    found
}

impl Open {
    /// In words, without how it stands.
    fn words(&self) -> String {
        let of = &self.appointment;
        let by = if of.examiner.is_empty() { String::new() } else { format!(" by {}", of.examiner) };
        let window = match &of.window {
            Some((from, until)) if from == until => format!(" ({from})"),
            Some((from, until)) => format!(" ({from} to {until})"),
            None => String::new(),
        };
        format!("{}{by}{window}", of.visit)
    }

    /// All of a participant's in one line, those that stand alike together: `P04: test by E1 is not begun, so is test by E2`.
    fn line(of_one: &[Open]) -> String {
        let alike = of_one.chunk_by(|a, b| a.state() == b.state()).map(|alike| {
            let words: Vec<String> = alike.iter().map(Open::words).collect();
            let (first, others) =
                words.split_first().map_or(("", &words[..]), |(first, others)| (first, others));
            let others = match others.len() {
                0 => String::new(),
                1 => format!(", so is {}", others[0]),
                _ => format!(", so are {}", others.join(", ")),
            };
            format!("{first} is {}{others}", alike[0].state())
        });
        let participant = of_one.first().map_or("", |open| &open.participant);
        format!("{participant}: {}", alike.collect::<Vec<_>>().join("; "))
    }

    /// How it stands, in a word or two.
    pub fn state(&self) -> &'static str {
        match self.appointment.state {
            State::Done(_) => "done",
            State::Due => "due",
            State::Missing => "missing",
            State::ToCome => "to come",
            State::NotBegun => "not begun",
        }
    }
}

impl Validity {
    /// In words.
    pub fn words(&self) -> String {
        if self.valid_until.is_empty() {
            self.state.to_owned()
        } else {
            format!("{} (until {})", self.state, self.valid_until)
        }
    }
}

impl Made {
    /// The cells of its row: see [`HEAD`].
    pub fn cells(&self) -> [String; 9] {
        let numbers: Vec<String> = self.instruments.iter().map(usize::to_string).collect();
        let calibrations: Vec<String> = self.calibrations.iter().map(Validity::words).collect();
        [
            self.participant.clone(),
            self.planned.clone().unwrap_or_default(),
            names::instant(&self.started_utc),
            self.examiner.clone(),
            format!("{} / {}", self.trials_used, self.excluded.len()),
            self.deviations.join("; "),
            numbers.join(", "),
            calibrations.join(", "),
            self.settings.join(", "),
        ]
    }
}

impl Made {
    /// The same on the page, with the ids of its numbers.
    fn row(&self) -> Vec<Cell> {
        let number =
            |count: usize, field: &str| with_id(&count.to_string(), &visit_number_id(&self.visit_id, field));
        let trials = [
            number(self.trials_used, "trials_used"),
            "/".to_owned(),
            number(self.excluded.len(), "trials_not_used"),
        ];
        let mut row: Vec<Cell> = self.cells().iter().map(|cell| Cell::text(cell)).collect();
        row[TRIALS] = Cell::numbers(&trials).unbroken();
        row
    }
}

/// Which column of [`HEAD`] has the numbers of trials.
const TRIALS: usize = 4;

/// The head of the visits' table.
pub const HEAD: [&str; 9] = [
    "participant",
    "visit",
    "began",
    "examiner",
    "trials used / not",
    "out of the ordinary",
    "instrument",
    "calibration",
    "settings",
];

impl Listing {
    /// How the study stands, in one sentence.
    pub fn standing(&self) -> String {
        let on = &self.on;
        if self.protocol.as_ref().is_none_or(|protocol| protocol.visits.is_empty()) {
            return format!(
                "{} as of {on}; nothing says which were planned",
                counted(self.visits.len(), "visit")
            );
        }
        let done = self.visits.iter().filter(|visit| visit.planned.is_some()).count();
        let count = |state: &str| self.open.iter().filter(|open| open.state() == state).count();
        let later = [("to come", count("to come")), ("not begun", count("not begun"))];
        let later =
            later.iter().filter(|(_, count)| *count > 0).map(|(state, count)| format!(", {count} {state}"));
        format!(
            "{done} of {} done as of {on}; {} due, {} missing{}",
            counted(done + self.open.len(), "planned visit"),
            count("due"),
            count("missing"),
            later.collect::<String>()
        )
    }

    /// The lines under the visits' table.
    pub fn lines(&self) -> Vec<String> {
        let mut lines: Vec<String> = (1..)
            .zip(&self.instruments)
            .map(|(number, told)| format!("Instrument {number}: {told}"))
            .collect();
        if let Some(protocol) = &self.protocol {
            let settings = match protocol.settings.as_slice() {
                [] => "analysis settings are not frozen".to_owned(),
                frozen => format!("analysis settings frozen: {}", frozen.join(", ")),
            };
            let digest = protocol.sha256.get(..12).unwrap_or_default();
            lines.push(format!("Protocol: {} (SHA-256 {digest}…); {settings}", protocol.title));
        }
        lines.extend(self.open.chunk_by(|a, b| a.participant == b.participant).map(Open::line));
        lines.extend(self.superseded.iter().cloned());
        lines.extend(self.notes.iter().cloned());
        lines
    }

    /// The section of the page.
    pub fn section(&self, page: &mut Page) {
        page.heading(2, "Visits");
        page.paragraph(self.standing());
        let rows: Vec<Vec<Cell>> = self.visits.iter().map(Made::row).collect();
        page.table(&HEAD, &rows);
        page.classed(
            "quiet",
            "Ids: VISIT:visit-1.trials_used, trials_not_used, with VISIT the first eight characters of the visit's id; the \
             command: fingerforce info RECORDINGS --number ID.",
        );
        page.list(&self.lines());
    }
}
