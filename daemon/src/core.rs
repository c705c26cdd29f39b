//! The core of the daemon: journal record in, outputs out. The pipeline and the visit, together.
//!
//! The one rule of its use: every record goes to the journal first and then to [`Core::step`]; records that come out
//! ([`Said::Journal`]) are appended and stepped in turn, before the next one from outside. When a journal is sealed the
//! same list is stepped again and what comes out as a record is only compared, because the journal has it already.

use crate::journal::{Record, Stamped};
use crate::pipeline::setting::Setting;
use crate::pipeline::{Found, Output, Pipeline, WireFaults};
use crate::visit::engine::{Cue, Effect, Input, Moment, TrialResult, Visit};
use crate::visit::plan::Plan;
use analysis::holds::{Event, Hold, Parameters, Profile};
use analysis::recording::layout::TrialRow;
use analysis::trial::Test;
use serde::{Deserialize, Serialize};

/// The first record of a journal: whose visit this is and what was planned.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Begun {
    /// Visit id (UUID).
    pub visit_id: String,
    /// Participant's code; "" none.
    pub participant: String,
    /// Examiner's code; "" none.
    pub examiner: String,
    /// Consent of a research participant: `date version`; "" none.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub consent: String,
    /// The plan (TOML); "" free recording.
    pub plan: String,
    /// Software and version.
    pub software: String,
    /// Civil time (RFC 3339).
    pub started_utc: String,
    /// Offset of local time from UTC, `+HH:MM`.
    pub utc_offset: String,
}

/// A hold's result as it was shown. Travels as [`Record::Shown`] (JSON).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shown {
    /// Sensor, from 1.
    pub sensor: usize,
    /// Channel, from 1.
    pub channel: usize,
    /// Segment, from 0.
    pub segment: u64,
    /// The hold.
    pub hold: Hold,
}

/// What comes out of the core.
#[derive(Debug, Clone, PartialEq)]
pub enum Said {
    /// Append this record and step it.
    Journal(Record),
    /// The pipeline's own output.
    Pipeline(Output),
    /// Words for the examiner.
    Say(String),
    /// A trial's window is open.
    Cue(Cue),
    /// A row of `/trials`.
    Trial(Box<TrialRow>),
    /// The plan is done.
    PlanFinished,
}

/// The core's state.
pub struct Core {
    pipeline: Pipeline,
    visit: Visit,
    rows: i64,
    look: Test,
    /// Row of `/sensors/<k>/tares` in force, for every sensor and channel that has one, and how many rows there are.
    tares: Vec<(usize, usize, i64)>,
    tare_rows: Vec<(usize, i64)>,
    outputs: Vec<Output>,
    effects: Vec<Effect>,
}

impl Core {
    /// A core for a visit by this plan, or for a free recording.
    pub fn new(plan: Option<Plan>) -> Self {
        Core {
            pipeline: Pipeline::new(true),
            visit: Visit::new(plan),
            rows: 0,
            look: Test::Free,
            tares: Vec::new(),
            tare_rows: Vec::new(),
            outputs: Vec::new(),
            effects: Vec::new(),
        }
    }

    /// Faults on the wire so far.
    pub fn faults(&self) -> WireFaults {
        self.pipeline.faults()
    }

    /// The plan is done.
    pub fn is_finished(&self) -> bool {
        self.visit.is_finished()
    }

    /// Takes one record.
    pub fn step(&mut self, stamped: &Stamped, out: &mut Vec<Said>) {
        let mut outputs = std::mem::take(&mut self.outputs);
        self.pipeline.step(stamped, &mut outputs);
        for output in outputs.drain(..) {
            self.output(output, out);
        }
        self.outputs = outputs;
    }

    fn output(&mut self, output: Output, out: &mut Vec<Said>) {
        match &output {
            Output::Journal(record) => {
                out.push(Said::Journal(record.clone()));
                return;
            }
            Output::Block(block) if block.sensor == 1 => {
                let time_s = block.device_time_s.last().copied().unwrap_or_default();
                let now = Moment { segment: block.placed.segment, time_s };
                self.tell(&Input::Time(now), None, out);
            }
            Output::Set(Setting::Tare(tare), _) => {
                let (sensor, channel) = (tare.sensor, tare.channel);
                self.tared(sensor, channel);
                let said = out.len();
                if (sensor, channel) == (1, 1) {
                    self.tell(&Input::Zeroed, None, out);
                }
                if out.len() == said {
                    out.push(self.look_for(sensor, channel));
                }
            }
            Output::Holds(found) => self.found(found, out),
            _ => {}
        }
        out.push(Said::Pipeline(output));
    }

    fn tared(&mut self, sensor: usize, channel: usize) {
        let rows = match self.tare_rows.iter_mut().find(|(s, _)| *s == sensor) {
            Some((_, rows)) => rows,
            None => {
                self.tare_rows.push((sensor, 0));
                let Some((_, rows)) = self.tare_rows.last_mut() else { return };
                rows
            }
        };
        self.tares.retain(|(s, c, _)| (*s, *c) != (sensor, channel));
        self.tares.push((sensor, channel, *rows));
        *rows += 1;
    }

    /// The finder's parameters of a channel, for the test that is on.
    fn look_for(&self, sensor: usize, channel: usize) -> Said {
        // The plan is about the first channel; the others are recorded beside it.
        let test = if (sensor, channel) == (1, 1) { self.look } else { Test::Free };
        let mut parameters = Parameters::new(Profile::Standard, test);
        parameters.zero_known = self.tares.iter().any(|(s, c, _)| (*s, *c) == (sensor, channel));
        let setting = Setting::Finder { sensor, channel, parameters: Box::new(parameters) };
        Said::Journal(Record::Parameters(serde_json::to_string(&setting).unwrap_or_default()))
    }

    fn found(&mut self, found: &Found, out: &mut Vec<Said>) {
        let planned = (found.sensor, found.channel) == (1, 1);
        match &found.event {
            Event::Ended(hold) => {
                let (sensor, channel, segment) = (found.sensor, found.channel, found.segment);
                let shown = Shown { sensor, channel, segment, hold: (**hold).clone() };
                out.push(Said::Journal(Record::Shown(serde_json::to_string(&shown).unwrap_or_default())));
                if planned {
                    self.tell(&Input::Ended(found.segment, hold), Some(found), out);
                } else {
                    let row = self.row(&TrialResult::unassigned(Test::Free), Some(found));
                    out.push(Said::Trial(Box::new(row)));
                }
            }
            Event::Armed { .. } | Event::Confirmed { .. } if planned => {
                self.tell(&Input::Pulling(true), None, out)
            }
            Event::Dismissed if planned => self.tell(&Input::Pulling(false), None, out),
            _ => {}
        }
    }

    fn tell(&mut self, input: &Input, found: Option<&Found>, out: &mut Vec<Said>) {
        let mut effects = std::mem::take(&mut self.effects);
        self.visit.step(input, &mut effects);
        for effect in effects.drain(..) {
            match effect {
                Effect::Look(test) => {
                    self.look = test;
                    out.push(self.look_for(1, 1));
                }
                Effect::Say(text) => out.push(Said::Say(text)),
                Effect::Cue(cue) => out.push(Said::Cue(cue)),
                Effect::Result(result) => {
                    let row = self.row(&result, found);
                    out.push(Said::Trial(Box::new(row)));
                }
                Effect::Finished => out.push(Said::PlanFinished),
            }
        }
        self.effects = effects;
    }

    fn row(&mut self, result: &TrialResult, found: Option<&Found>) -> TrialRow {
        self.rows += 1;
        let hold = found.and_then(Found::hold);
        let number = |value: Option<u64>| value.and_then(|v| i64::try_from(v).ok()).unwrap_or(-1);
        let (sensor, channel) = found.map_or((1, 1), |found| (found.sensor, found.channel));
        let tare =
            self.tares.iter().find(|(s, c, _)| (*s, *c) == (sensor, channel)).map_or(-1, |(_, _, row)| *row);
        let positions = found.and_then(|found| found.positions);
        let mut row = TrialRow::of_hold(hold);
        row.item = number(result.item.map(|item| item as u64));
        row.muscle = result.muscle.map(|muscle| muscle.to_string()).unwrap_or_default();
        row.side = result.muscle.map(|muscle| muscle.side.to_string()).unwrap_or_default();
        row.test = result.test.to_string();
        row.outcome = result.outcome.map(|outcome| outcome.to_string()).unwrap_or_default();
        row.number = number(result.number.map(u64::from));
        row.order = self.rows;
        row.attempt = number(result.attempt.map(u64::from));
        row.sensor = sensor as i64;
        row.channel = channel as i64;
        row.segment = number(found.map(|found| found.segment));
        row.first_sample = number(positions.map(|(first, _)| first));
        row.last_sample = number(positions.map(|(_, last)| last));
        row.rest_before_s = result.rest_before_s.unwrap_or(f64::NAN);
        row.tare = tare;
        row.valid = u8::from(result.valid);
        row.why_not.clone_from(&result.why_not);
        row
    }
}
