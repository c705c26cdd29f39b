//! What a page shows: a plain value made of what the core says, for the examiner and for the participant. The page decides
//! nothing and computes nothing that is in the recording.
//!
//! Comes in: what the core says, and the visit to look at. Goes out: [`State`]s. Forces N, times s. Who sees how much of
//! the force is the plan's to say ([`Sees`]): what is not to be seen is not in the value.

mod sensors;

use super::guard::Role;
use crate::core::Said;
use crate::guide::{self, Guide};
use crate::pipeline::Output;
use crate::visit::engine::{Cue, Observation, Stage, Visit};
use crate::visit::gate::ASK_ABOUT;
use crate::visit::plan::{Item, Plan, Ray, Sees};
use analysis::holds::Event;
use analysis::measures::repeats;
use analysis::recording::layout::TrialRow;
use analysis::sensor::certificate::Certificate;
use analysis::trial::{Digit, Direction, Muscle, Test};
pub use sensors::Place;
use sensors::{Sensor, Sensors};
use serde::Serialize;
use std::collections::{BTreeSet, VecDeque};

/// Lines of words that are kept.
const WORDS: usize = 6;

/// Where a sitting stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// No visit: codes and plan are chosen.
    #[default]
    Setup,
    /// A visit is on.
    Visit,
    /// A guided session is on.
    Bench,
    /// What it came to waits to be looked at.
    Judged,
    /// Its recording is being made.
    Sealing,
    /// It is over.
    Done,
}

/// How a visit ended.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Ended {
    /// Why.
    pub reason: String,
    /// The recording's name, "" none.
    pub recording: String,
    /// Its visit's folder.
    pub folder: String,
    /// What went wrong, "" nothing.
    pub error: String,
}

/// What is on.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct On {
    name: &'static str,
    /// Rest still to come, s, whole seconds.
    rest_s: Option<u64>,
    /// Digits without an answer.
    gate: Vec<String>,
    /// The side whose pain is asked after.
    side: Option<&'static str>,
}

/// An item of the plan, as it is shown and drawn.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Shown {
    number: usize,
    of: usize,
    muscle: Muscle,
    side: &'static str,
    digit: &'static str,
    direction: &'static str,
    test: Test,
    loaded: bool,
    /// Which way the person pushes the digit, and the examiner pulls it.
    push: &'static str,
    pull: &'static str,
    palm: String,
    belly: String,
    contact: String,
    contact_side: &'static str,
    held_digit: &'static str,
    posture: String,
    stabilise: String,
    pace: String,
    say: String,
    watch: String,
    hold_s: f64,
}

/// The open window.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Window {
    trial: (u32, u32),
    /// At half strength, not scored.
    familiarisation: bool,
    hold_s: f64,
    cap_n: Option<f64>,
    band_n: Option<(f64, f64)>,
    expected_n: Option<f64>,
    /// Lower and upper end of the pace, N/s, in a break test.
    pace_n_per_s: Option<(f64, f64)>,
}

/// A warning.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Warning {
    reached: bool,
    force_n: Option<f64>,
    cap_n: Option<f64>,
}

/// A trial, as it is listed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Listed {
    order: i64,
    item: i64,
    muscle: String,
    test: String,
    outcome: String,
    number: i64,
    attempt: i64,
    kind: String,
    peak_zero_n: Option<f64>,
    mean_n: Option<f64>,
    break_n: Option<f64>,
    pain: Option<f64>,
    valid: bool,
    why_not: String,
}

/// An item's result, as it is listed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Outcome {
    pub(super) item: i64,
    pub(super) muscle: String,
    pub(super) test: String,
    trials_used: usize,
    mean_of_peaks_n: Option<f64>,
    cv_percent: Option<f64>,
    best_n: Option<f64>,
    /// The instrument's expanded uncertainty (95 %) of the mean, N.
    instrument_n: Option<f64>,
    /// The procedure's SEM with its unit, where the site's own repeats tell it.
    pub(super) procedure_sem: Option<String>,
    notes: Vec<String>,
}

/// A guided session, as it is shown.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
struct Bench {
    is_check: bool,
    channel: usize,
    /// The calibration by which the live force is shown, in words; "" the sensor's own scale.
    scale: String,
    #[serde(flatten)]
    shown: guide::Shown,
}

/// All that a page shows, but for the live force.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct State<'a> {
    phase: Phase,
    role: Role,
    participant: &'a str,
    examiner: &'a str,
    title: &'a str,
    sensor: Sensor,
    stage: Option<On>,
    item: Option<Shown>,
    after: Option<Shown>,
    window: Option<Window>,
    count: Option<u32>,
    cap: Option<Warning>,
    /// `contact`, `pull` or "".
    feel: &'static str,
    /// Force, trace and target may be seen.
    sees_force: bool,
    /// The count may be seen.
    sees_count: bool,
    can_warn: bool,
    remaining_s: Option<f64>,
    trials: Vec<Listed>,
    results: Vec<Outcome>,
    observed: &'a [String],
    said: &'a VecDeque<String>,
    bench: Option<&'a Bench>,
    ask_about: &'static str,
    cautions: &'static str,
    ended: Option<&'a Ended>,
    /// Why the last visit could not begin.
    refused: &'a str,
}

/// What is known of the sitting.
#[derive(Debug, Default)]
pub struct View {
    phase: Phase,
    plan: Option<Plan>,
    participant: String,
    examiner: String,
    sensors: Sensors,
    /// What is measured.
    place: Place,
    stage: Option<Stage>,
    after: Option<usize>,
    remaining_s: Option<f64>,
    cue: Option<Cue>,
    count: Option<u32>,
    cap: Option<(bool, f64, f64)>,
    feel: &'static str,
    can_warn: bool,
    rows: Vec<TrialRow>,
    observed: Vec<String>,
    said: VecDeque<String>,
    bench: Option<Bench>,
    ended: Option<Ended>,
    refused: String,
}

impl View {
    /// Where the sitting stands.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// A visit begins.
    pub fn begin(&mut self, plan: Option<Plan>, participant: &str, examiner: &str) {
        *self = View {
            phase: Phase::Visit,
            plan,
            participant: participant.to_owned(),
            examiner: examiner.to_owned(),
            place: (1, 1),
            ..View::default()
        };
    }

    /// A guided session begins.
    pub fn begin_guided(&mut self, is_check: bool, channel: usize) {
        *self = View {
            phase: Phase::Bench,
            place: (1, channel),
            bench: Some(Bench { is_check, channel, ..Bench::default() }),
            ..View::default()
        };
    }

    /// Where the guide stands; true where that is new.
    pub fn guided(&mut self, guide: &Guide) -> bool {
        let Some(bench) = &mut self.bench else { return false };
        let scale = guide.calibration().map_or_else(String::new, Certificate::label);
        let now = Bench { scale, shown: guide.shown(), ..*bench };
        let changed = *bench != now;
        *bench = now;
        changed
    }

    /// What it came to waits to be looked at.
    pub fn judge(&mut self) {
        self.phase = Phase::Judged;
    }

    /// What is measured now: sensor and channel, from 1.
    pub fn measures(&mut self, place: Place) {
        self.place = place;
    }

    /// The visit could not begin, or came to nothing.
    pub fn refuse(&mut self, why: String) {
        *self = View { refused: why, ..View::default() };
    }

    /// The recording is being made.
    pub fn seal(&mut self) {
        self.phase = Phase::Sealing;
        (self.stage, self.cue, self.count, self.cap) = (None, None, None, None);
    }

    /// The visit is over.
    pub fn end(&mut self, ended: Ended) {
        self.phase = Phase::Done;
        self.ended = Some(ended);
    }

    /// Whether a page can warn. True where that is new.
    pub fn set_can_warn(&mut self, able: bool) -> bool {
        std::mem::replace(&mut self.can_warn, able) != able
    }

    /// Looks at the visit; true where something is different.
    pub fn look(&mut self, visit: &Visit, anew: bool) -> bool {
        let stage = Some(visit.stage());
        let differs = |a: &Option<Stage>, b: &Option<Stage>| match (a, b) {
            (Some(Stage::Rest { item: a, seconds: x }), Some(Stage::Rest { item: b, seconds: y })) => {
                a != b || libm::ceil(*x) != libm::ceil(*y)
            }
            (a, b) => a != b,
        };
        let changed = differs(&self.stage, &stage);
        if changed || anew {
            self.after = visit.after();
            self.remaining_s = self.plan.as_ref().map(|_| visit.remaining_s());
        }
        if !matches!(stage, Some(Stage::Pull { .. })) {
            (self.cue, self.count, self.cap) = (None, None, None);
        }
        self.stage = stage;
        changed
    }

    /// The core said this; true where something is different.
    pub fn hear(&mut self, said: &Said) -> bool {
        match said {
            Said::Pipeline(output) => return self.output(output),
            Said::Journal(_) => return false,
            Said::Say(text) => self.say(text),
            Said::Stage(_) | Said::PlanFinished => {}
            Said::Cue(cue) => {
                (self.cap, self.count) = (None, None);
                self.cue = Some(cue.clone());
            }
            Said::Count(count) => self.count = Some(*count),
            Said::Cap { reached, force_n, cap_n } => self.cap = Some((*reached, *force_n, *cap_n)),
            Said::Trial(row) => self.rows.push((**row).clone()),
            Said::Amended(row) => {
                if let Some(known) = self.rows.iter_mut().find(|known| known.order == row.order) {
                    *known = (**row).clone();
                }
            }
            Said::Observed(seen) => self.observed.push(noted(seen)),
        }
        true
    }

    fn say(&mut self, text: &str) {
        if self.said.len() == WORDS {
            self.said.pop_front();
        }
        self.said.push_back(text.to_owned());
    }

    fn output(&mut self, output: &Output) -> bool {
        match output {
            Output::Holds(found) if (found.sensor, found.channel) == self.place => {
                let feel = match found.event {
                    Event::Armed { .. } | Event::Confirmed { .. } => "pull",
                    Event::Contact { .. } => "contact",
                    Event::Dismissed | Event::Ended(_) => "",
                };
                std::mem::replace(&mut self.feel, feel) != feel
            }
            output => self.sensors.hear(output),
        }
    }

    /// Where a zero is awaited.
    fn awaited(&self) -> BTreeSet<Place> {
        let Some(plan) = &self.plan else { return BTreeSet::new() };
        match self.stage {
            None | Some(Stage::Zero) => plan.places(),
            Some(Stage::Turn { item }) => plan.places_of_hand(item),
            _ => BTreeSet::new(),
        }
    }

    fn shown(&self, number: usize) -> Option<Shown> {
        let items = &self.plan.as_ref()?.items;
        let item = items.get(number.checked_sub(1)?)?;
        let push = push(item);
        Some(Shown {
            number,
            of: items.len(),
            muscle: item.muscle,
            side: item.muscle.side.word(),
            digit: item.muscle.digit.word(),
            direction: item.muscle.direction.word(),
            test: item.test,
            loaded: item.is_loaded(),
            push: push.word(),
            pull: opposite(push).word(),
            palm: item.palm.clone(),
            belly: item.belly.clone(),
            contact: item.contact.clone(),
            contact_side: item.contact_side.unwrap_or(push).word(),
            held_digit: item.held_digit.map_or("", Digit::word),
            posture: item.posture.clone(),
            stabilise: item.stabilise.clone(),
            pace: item.pace.clone(),
            say: item.say.clone(),
            watch: item.watch.clone(),
            hold_s: item.hold_s,
        })
    }

    /// The item that is on.
    fn item(&self) -> Option<usize> {
        self.stage.as_ref()?.item()
    }

    fn planned(&self, number: i64) -> Option<&Item> {
        self.plan.as_ref()?.items.get(usize::try_from(number).ok()?.checked_sub(1)?)
    }

    /// What somebody may see of the force now.
    pub fn sees(&self, role: Role) -> Sees {
        let item = self.item().and_then(|number| self.planned(number as i64));
        match (role, item) {
            (Role::Examiner, item) => item.map_or(Sees::All, |item| item.examiner_sees),
            (Role::Participant, item) => item.map_or(Sees::Nothing, |item| item.participant_sees),
        }
    }

    /// All that this role's page shows.
    pub fn state(&self, role: Role) -> State<'_> {
        let examiner = role == Role::Examiner;
        let sees = self.sees(role);
        let force = sees == Sees::All;
        let item = self.item();
        State {
            phase: self.phase,
            role,
            participant: if examiner { &self.participant } else { "" },
            examiner: if examiner { &self.examiner } else { "" },
            title: self.plan.as_ref().map_or("", |plan| plan.title.as_str()),
            sensor: self.sensors.shown(self.place, &self.awaited()),
            stage: self.stage.as_ref().map(on),
            item: item.and_then(|number| self.shown(number)),
            after: self.after.and_then(|number| self.shown(number)),
            window: self.cue.as_ref().map(|cue| window(cue, force)),
            count: self.count.filter(|_| examiner || sees != Sees::Nothing),
            cap: self.cap.map(|(reached, force_n, cap_n)| Warning {
                reached,
                force_n: force.then_some(force_n),
                cap_n: force.then_some(cap_n),
            }),
            feel: self.feel,
            sees_force: force,
            sees_count: examiner || sees != Sees::Nothing,
            can_warn: self.can_warn,
            remaining_s: self.remaining_s,
            trials: if examiner { self.listed() } else { Vec::new() },
            results: if examiner { self.results() } else { Vec::new() },
            observed: if examiner { &self.observed } else { &[] },
            said: if examiner { &self.said } else { const { &VecDeque::new() } },
            bench: self.bench.as_ref().filter(|_| examiner),
            ask_about: if examiner { ASK_ABOUT } else { "" },
            cautions: analysis::cautions::CAUTIONS,
            ended: self.ended.as_ref().filter(|_| examiner),
            refused: if examiner { &self.refused } else { "" },
        }
    }

    /// A view of a recording that is there already.
    pub fn of_recording(plan: Option<Plan>, rows: Vec<TrialRow>) -> View {
        View { plan, rows, ..View::default() }
    }

    /// Every trial and every result, as the examiner's page lists them.
    pub fn results_of_all(&self) -> (Vec<Listed>, Vec<Outcome>) {
        (self.listed(), self.results())
    }

    /// Its examiner may see a row's force: some plans hide it, then and afterwards.
    fn is_open(&self, item: i64) -> bool {
        self.planned(item).is_none_or(|item| item.examiner_sees == Sees::All)
    }

    fn listed(&self) -> Vec<Listed> {
        let rows = self.rows.iter().filter(|row| row.kind != "touch");
        rows.map(|row| {
            let number = |value: f64| Some(value).filter(|value| value.is_finite() && self.is_open(row.item));
            Listed {
                order: row.order,
                item: row.item,
                muscle: row.muscle.clone(),
                test: row.test.clone(),
                outcome: row.outcome.clone(),
                number: row.number,
                attempt: row.attempt,
                kind: row.kind.clone(),
                peak_zero_n: number(row.peak_zero_n),
                mean_n: number(row.mean_n),
                break_n: number(row.break_n),
                pain: Some(row.pain).filter(|pain| pain.is_finite()),
                valid: row.valid != 0,
                why_not: row.why_not.clone(),
            }
        })
        .collect()
    }

    fn results(&self) -> Vec<Outcome> {
        let items = repeats::items(&self.rows);
        let result = |item: repeats::Item| {
            let open = self.is_open(item.item);
            Outcome {
                item: item.item,
                muscle: item.muscle,
                test: item.test,
                trials_used: item.spread.trials_used,
                mean_of_peaks_n: item.spread.mean_of_peaks_n.filter(|_| open),
                cv_percent: item.spread.cv_percent.filter(|_| open),
                best_n: item.spread.best_n.filter(|_| open),
                instrument_n: item.spread.expanded_uncertainty_n.filter(|_| open),
                procedure_sem: None,
                notes: item.notes,
            }
        };
        items.into_iter().map(result).collect()
    }

    /// A pull with a pace may be on.
    pub fn is_paced(&self) -> bool {
        self.cue.as_ref().is_some_and(|cue| cue.pace_n_per_s.is_some())
    }
}

fn window(cue: &Cue, force: bool) -> Window {
    Window {
        trial: cue.trial,
        familiarisation: cue.familiarisation,
        hold_s: cue.hold_s,
        cap_n: cue.cap_n.filter(|_| force),
        band_n: cue.band_n.filter(|_| force),
        expected_n: cue.expected_n.filter(|_| force),
        pace_n_per_s: cue.pace_n_per_s.filter(|_| force),
    }
}

fn on(stage: &Stage) -> On {
    let (name, rest_s) = match stage {
        Stage::Zero => ("zero", None),
        Stage::Gate(_) => ("gate", None),
        Stage::Rest { seconds, .. } => ("rest", Some(libm::ceil(*seconds) as u64)),
        Stage::Turn { .. } => ("turn", None),
        Stage::Ready { .. } => ("ready", None),
        Stage::Pull { .. } => ("pull", None),
        Stage::Look { .. } => ("look", None),
        Stage::Pain { .. } => ("pain", None),
        Stage::Halted { .. } => ("halted", None),
        Stage::Done => ("done", None),
    };
    let gate = match stage {
        Stage::Gate(missing) => missing.iter().map(|(side, digit)| format!("{side} {digit}")).collect(),
        _ => Vec::new(),
    };
    let side = if let Stage::Pain { side } = stage { Some(side.word()) } else { None };
    On { name, rest_s, gate, side }
}

/// Which way the person moves the digit: abduction is away from the middle finger, adduction towards it.
fn push(item: &Item) -> Ray {
    if let Some(pulled) = item.examiner_pulls {
        return opposite(pulled);
    }
    let beyond_the_middle = matches!(item.muscle.digit, Digit::Ring | Digit::Little);
    match item.muscle.direction {
        Direction::RadialDeviation => Ray::Radial,
        Direction::UlnarDeviation => Ray::Ulnar,
        Direction::Abduction if beyond_the_middle => Ray::Ulnar,
        Direction::Abduction => Ray::Radial,
        Direction::Adduction if beyond_the_middle => Ray::Radial,
        Direction::Adduction => Ray::Ulnar,
    }
}

fn opposite(ray: Ray) -> Ray {
    match ray {
        Ray::Radial => Ray::Ulnar,
        Ray::Ulnar => Ray::Radial,
    }
}

fn noted(seen: &Observation) -> String {
    let item = seen.item.map_or(String::new(), |item| format!("item {item}: "));
    format!("{item}{}: {}", seen.kind, seen.value)
}

#[cfg(test)]
mod tests;
