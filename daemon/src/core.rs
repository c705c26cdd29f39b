//! The core of the daemon: journal record in, outputs out. The pipeline and the visit, together.
//!
//! The one rule of its use: every record goes to the journal first and then to [`Core::step`]; records that come out
//! ([`Said::Journal`]) are appended and stepped in turn, before the next one from outside. When a journal is sealed the
//! same list is stepped again and what comes out as a record is only compared, because the journal has it already.

use crate::instruments::{self, Instruments};
use crate::journal::{Record, Stamped};
use crate::pipeline::setting::{Setting, Tare};
use crate::pipeline::{Action, Block, Found, Output, Pipeline, Which, WireFaults};
use crate::visit::action::Examiner;
use crate::visit::engine::{Cue, Effect, Input, Look, Observation, Stage, TrialResult, Visit};
use crate::visit::plan::Plan;
use analysis::holds::{Event, Hold, Parameters, Profile};
use analysis::recording::layout::TrialRow;
use analysis::recording::trial_row::{REACHED_CAP, TOO_FAST, TOO_SLOW};
use analysis::trial::{Outcome, Test};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// The first record of a journal: whose visit this is and what was planned.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
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
    /// What else is known of the participant: codes and classes, by their names in a recording's `/participant`.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub about: Vec<(String, String)>,
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
    /// Something else is on in the visit.
    Stage(Stage),
    /// A trial's window is open.
    Cue(Cue),
    /// The count that runs through the pull.
    Count(u32),
    /// The force is near the cap, or (`reached`) at it.
    Cap {
        /// At it.
        reached: bool,
        /// The force, unsmoothed, N.
        force_n: f64,
        /// The cap, N.
        cap_n: f64,
    },
    /// A row of `/trials`.
    Trial(Box<TrialRow>),
    /// A row of `/trials` (the one with the same `order`) that has changed.
    Amended(Box<TrialRow>),
    /// A row of `/observations`, without the time and the examiner.
    Observed(Observation),
    /// The plan is done.
    PlanFinished,
}

/// The core's state.
pub struct Core {
    pipeline: Pipeline,
    visit: Visit,
    rows: i64,
    /// The rows of the plan's trials, by their result's id.
    trials: Vec<(u64, TrialRow)>,
    look: Option<Look>,
    /// Each zero in force with its row of `/sensors/<k>/tares`, and how many rows there are.
    tares: Vec<(Tare, i64)>,
    tare_rows: Vec<(usize, i64)>,
    /// Where a new zero is awaited: on all that the turned hand carries.
    awaited: BTreeSet<(usize, usize)>,
    instruments: Instruments,
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
            trials: Vec::new(),
            look: None,
            tares: Vec::new(),
            tare_rows: Vec::new(),
            awaited: BTreeSet::new(),
            instruments: Instruments::default(),
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

    /// The visit, to look at.
    pub fn visit(&self) -> &Visit {
        &self.visit
    }

    /// Takes one record.
    pub fn step(&mut self, stamped: &Stamped, out: &mut Vec<Said>) {
        let mut outputs = std::mem::take(&mut self.outputs);
        self.pipeline.step(stamped, &mut outputs);
        for output in outputs.drain(..) {
            self.output(output, out);
        }
        self.outputs = outputs;
        if let Record::Begun(text) = &stamped.record
            && let Ok(begun) = serde_json::from_str::<Begun>(text)
        {
            self.instruments.is_on(&begun.started_utc);
        }
        // What is no action of the visit is one of the pipeline's, or of a newer version.
        if let Record::Action(text) = &stamped.record
            && let Ok(action) = serde_json::from_str::<Examiner>(text)
        {
            self.tell(&Input::Action(&self.by_id(action)), None, out);
        }
    }

    /// People name a trial by its row's order, the visit by its result's id.
    fn by_id(&self, mut action: Examiner) -> Examiner {
        if let Examiner::Invalid { trial: Some(trial), .. } | Examiner::Reassign { trial: Some(trial), .. } =
            &mut action
        {
            let named = self.trials.iter().find(|(_, row)| u64::try_from(row.order) == Ok(*trial));
            *trial = named.map_or(u64::MAX, |(id, _)| *id);
        }
        action
    }

    fn output(&mut self, output: Output, out: &mut Vec<Said>) {
        match &output {
            Output::Journal(record) => {
                out.push(Said::Journal(self.with_orientation(record)));
                return;
            }
            Output::Block(block) => {
                out.extend(self.instruments.overload(block).map(Said::Say));
                if block.sensor == self.visit.place().0 {
                    self.samples(block, out);
                }
            }
            Output::Set(Setting::Tare(tare), _) => {
                let place = (tare.sensor, tare.channel);
                self.tared(tare);
                out.push(self.look_for(place));
                if self.is_zeroed(place) {
                    self.tell(&Input::Zeroed, None, out);
                }
            }
            Output::Holds(found) => self.found(found, out),
            other => self.instruments.hear(other),
        }
        out.push(Said::Pipeline(output));
    }

    /// The visit is told of the channel that is measured, and of what is beside it on the same sensor.
    fn samples(&mut self, block: &Block, out: &mut Vec<Said>) {
        let channel = self.visit.place().1;
        let force_n = block.channel_force_n(channel);
        let peak_n = |channel| {
            let forces = block.channel_force_n(channel);
            (channel, forces.iter().map(|force_n| f64::from(*force_n)).fold(f64::NEG_INFINITY, f64::max))
        };
        let beside: Vec<(usize, f64)> =
            (1..=block.channels()).filter(|other| *other != channel).map(peak_n).collect();
        if !beside.is_empty() {
            self.tell(&Input::Beside(&beside), None, out);
        }
        if !force_n.is_empty() {
            let segment = segment_of(block.sensor, block.placed.segment);
            self.tell(&Input::Samples(segment, &block.device_time_s, &force_n), None, out);
        }
    }

    /// This zero is what the visit waits for: at its beginning the last of all that it will measure on, after a turn the last
    /// of all that the hand carries, otherwise its own.
    fn is_zeroed(&mut self, place: (usize, usize)) -> bool {
        let was_awaited = self.awaited.remove(&place);
        match (self.visit.stage(), self.visit.plan()) {
            (Stage::Zero, Some(plan)) => {
                let places = plan.places();
                places.contains(&place) && places.into_iter().all(|place| self.tare(place).is_some())
            }
            (Stage::Turn { .. }, _) => {
                self.awaited.is_empty() && (was_awaited || place == self.visit.place())
            }
            _ => place == self.visit.place(),
        }
    }

    /// A zero that the pipeline found is taken as the sensor is held now, unless somebody said otherwise.
    fn with_orientation(&self, record: &Record) -> Record {
        if let Record::Parameters(text) = record
            && let Ok(Setting::Tare(tare)) = serde_json::from_str(text)
            && tare.orientation.is_empty()
        {
            let tare = Tare { orientation: self.visit.orientation(), ..tare };
            return Record::Parameters(serde_json::to_string(&Setting::Tare(tare)).unwrap_or_default());
        }
        record.clone()
    }

    fn tared(&mut self, tare: &Tare) {
        let sensor = tare.sensor;
        let rows = match self.tare_rows.iter_mut().find(|(s, _)| *s == sensor) {
            Some((_, rows)) => rows,
            None => {
                self.tare_rows.push((sensor, 0));
                let Some((_, rows)) = self.tare_rows.last_mut() else { return };
                rows
            }
        };
        self.tares.retain(|(old, _)| (old.sensor, old.channel) != (sensor, tare.channel));
        self.tares.push((tare.clone(), *rows));
        *rows += 1;
    }

    /// The finder's parameters of a channel, for the test that is on.
    fn look_for(&self, (sensor, channel): (usize, usize)) -> Said {
        // The test is about the channel that is measured; the others are recorded beside it.
        let look = self.look.filter(|look| look.place == (sensor, channel));
        let (profile, test) = look.map_or((Profile::Standard, Test::Free), |look| (look.profile, look.test));
        let mut parameters = Parameters::new(profile, test);
        parameters.expected_maximum_n = look.and_then(|look| look.expected_n);
        parameters.zero_known = self.tare((sensor, channel)).is_some();
        let setting = Setting::Finder { sensor, channel, parameters: Box::new(parameters) };
        Said::Journal(Record::Parameters(serde_json::to_string(&setting).unwrap_or_default()))
    }

    fn found(&mut self, found: &Found, out: &mut Vec<Said>) {
        let planned = (found.sensor, found.channel) == self.visit.place();
        match &found.event {
            Event::Ended(hold) => {
                let (sensor, channel, segment) = (found.sensor, found.channel, found.segment);
                let shown = Shown { sensor, channel, segment, hold: (**hold).clone() };
                out.push(Said::Journal(Record::Shown(serde_json::to_string(&shown).unwrap_or_default())));
                if planned {
                    self.tell(&Input::Ended(segment_of(sensor, segment), hold), Some(found), out);
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
                Effect::Look(look) => {
                    let before = self.look.replace(look).map(|before| before.place);
                    let left = before.filter(|before| *before != look.place);
                    out.extend(left.into_iter().chain([look.place]).map(|place| self.look_for(place)));
                }
                Effect::Say(text) => out.push(Said::Say(text)),
                Effect::Stage(stage) => out.push(Said::Stage(stage)),
                Effect::Cue(cue) => out.push(Said::Cue(cue)),
                Effect::Count(count) => out.push(Said::Count(count)),
                Effect::Cap(reached, force_n, cap_n) => out.push(Said::Cap { reached, force_n, cap_n }),
                Effect::Result(result) => {
                    let row = self.row(&result, found);
                    if result.item.is_some() {
                        self.trials.push((result.id, row.clone()));
                    }
                    out.push(Said::Trial(Box::new(row)));
                }
                Effect::Amended(result) => self.amend(&result, out),
                Effect::Observed(observation) => out.push(Said::Observed(observation)),
                Effect::SeekZero => {
                    self.awaited = self.turned();
                    out.extend(self.sensors_of_turned().map(|which| asked(&Action::SeekZero(which))));
                }
                // As it is: what is measured next is enough, whatever the others do.
                Effect::ForceZero => {
                    self.awaited = BTreeSet::from([self.visit.place()]);
                    let take = |which| asked(&Action::Tare { which, orientation: String::new() });
                    out.extend(self.sensors_of_turned().map(take));
                }
                Effect::Finished => out.push(Said::PlanFinished),
            }
        }
        self.effects = effects;
    }

    /// Where the plan measures on the hand that is turned.
    fn turned(&self) -> BTreeSet<(usize, usize)> {
        match (self.visit.stage(), self.visit.plan()) {
            (Stage::Turn { item }, Some(plan)) => plan.places_of_hand(item),
            _ => BTreeSet::from([self.visit.place()]),
        }
    }

    /// The sensors on the hand that is turned; the other hand's keep their zeros. Where there is one only, it is not named.
    fn sensors_of_turned(&self) -> impl Iterator<Item = Which> {
        let several =
            self.visit.plan().is_some_and(|plan| plan.places().iter().any(|(sensor, _)| *sensor != 1));
        let sensors: BTreeSet<_> =
            self.turned().into_iter().map(|(sensor, _)| several.then_some(sensor)).collect();
        sensors.into_iter().map(|sensor| Which { sensor, channel: None })
    }

    fn row(&mut self, result: &TrialResult, found: Option<&Found>) -> TrialRow {
        self.rows += 1;
        let hold = found.and_then(Found::hold);
        let number = |value: Option<u64>| value.and_then(|v| i64::try_from(v).ok()).unwrap_or(-1);
        let (sensor, channel) = found.map_or(self.visit.place(), |found| (found.sensor, found.channel));
        let tare = self.tare((sensor, channel)).map_or(-1, |(_, row)| *row);
        let positions = found.and_then(|found| found.positions);
        let mut row = TrialRow::of_hold(hold);
        row.order = self.rows;
        row.sensor = sensor as i64;
        row.channel = channel as i64;
        row.segment = number(found.map(|found| found.segment));
        row.first_sample = number(positions.map(|(first, _)| first));
        row.last_sample = number(positions.map(|(_, last)| last));
        row.tare = tare;
        self.instrument(&mut row, result);
        self.judge(&mut row, result);
        row
    }

    fn tare(&self, place: (usize, usize)) -> Option<&(Tare, i64)> {
        self.tares.iter().find(|(tare, _)| (tare.sensor, tare.channel) == place)
    }

    /// What the instrument's uncertainty is, where it is calibrated.
    fn instrument(&self, row: &mut TrialRow, result: &TrialResult) {
        let item = result.item.and_then(|item| self.visit.item(item));
        let tare = self.tare((row.sensor as usize, row.channel as usize)).map(|(tare, _)| tare);
        self.instruments.fill(row, tare, item);
    }

    /// A trial was judged anew: its row says so.
    fn amend(&mut self, result: &TrialResult, out: &mut Vec<Said>) {
        let Some(at) = self.trials.iter().position(|(id, _)| *id == result.id) else { return };
        let mut row = self.trials[at].1.clone();
        self.judge(&mut row, result);
        self.trials[at].1 = row.clone();
        out.push(Said::Amended(Box::new(row)));
    }

    /// What the visit says of a trial, and how its item was to be done.
    fn judge(&self, row: &mut TrialRow, result: &TrialResult) {
        let number = |value: Option<u64>| value.and_then(|v| i64::try_from(v).ok()).unwrap_or(-1);
        row.item = number(result.item.map(|item| item as u64));
        row.muscle = result.muscle.map(|muscle| muscle.to_string()).unwrap_or_default();
        row.side = result.muscle.map(|muscle| muscle.side.to_string()).unwrap_or_default();
        row.test = result.test.to_string();
        row.outcome = result.outcome.map(|outcome| outcome.to_string()).unwrap_or_default();
        row.number = number(result.number.map(u64::from));
        row.attempt = number(result.attempt.map(u64::from));
        row.rest_before_s = result.rest_before_s.unwrap_or(f64::NAN);
        row.pain = result.pain.unwrap_or(f64::NAN);
        row.valid = u8::from(result.valid);
        row.why_not.clone_from(&result.why_not);
        let below = result.below_n.map(|below_n| format!("below_{below_n}_n"));
        row.cap_n = result.cap_n.unwrap_or(f64::NAN);
        let reached = result.reached_cap.then_some(REACHED_CAP);
        let paced = result.pace_n_per_s.filter(|_| result.outcome != Some(Outcome::Stopped));
        let pace = paced.and_then(|range| pace_flag(range, row.pace_n_per_s));
        let was = result.was.iter().map(|item| format!("was_item_{item}"));
        let marks = reached.into_iter().chain(pace).map(str::to_owned);
        for flag in below.into_iter().chain(marks).chain(was) {
            row.flag(&flag);
        }
        let Some(item) = result.item.and_then(|item| self.visit.item(item)) else { return };
        row.arrangement.clone_from(&item.arrangement);
        row.reaction.clone_from(&item.reaction);
        row.coupling.clone_from(&item.coupling);
        row.gap_mm = item.gap_mm.unwrap_or(f64::NAN);
        row.lever_mm = item.lever_mm.unwrap_or(f64::NAN);
        row.moment_n_cm = row.peak_zero_n * row.lever_mm / 10.0;
        instruments::fill_moment(row, item);
        row.palm.clone_from(&item.palm);
        row.position.clone_from(&item.position);
        row.feedback = item.participant_sees.word().to_owned();
    }
}

/// A number of its own for every segment of every sensor; that of the first sensor's is the segment's own.
fn segment_of(sensor: usize, segment: u64) -> u64 {
    ((sensor as u64 - 1) << 48) | segment
}

/// A pull that grew slower or faster than was asked for: what is measured in a break test depends on its pace.
fn pace_flag((low, high): (f64, f64), pace_n_per_s: f64) -> Option<&'static str> {
    if pace_n_per_s < low { Some(TOO_SLOW) } else { (pace_n_per_s > high).then_some(TOO_FAST) }
}

/// The visit asks the pipeline for something, through the journal.
fn asked(action: &Action) -> Said {
    Said::Journal(Record::Action(serde_json::to_string(action).unwrap_or_default()))
}
