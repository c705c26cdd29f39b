//! The visit: what is on, when its window opens, what each hold is, what comes next.
//!
//! `step(input) -> effects`, pure. The visit's clock is device time, s, added up over the segments: time that no sample
//! saw does not pass, so a rest is never shorter than the plan says. It is the clock of the sensor that is measured: where
//! items are measured with several, a segment that is come back to tells how long one was away. A hold belongs to the trial whose window contains
//! its onset; others stay unassigned.
//!
//! ```text
//! zero ─► gate ─► rest ─► (turn, zero) ─► ready? ─► cue, count, pull ─► result ─► rest …
//!                   │                        ▲             │ contact lost: not an attempt
//!                   ├──► look at it ─────────┘             └─ stop, pain ─► halted ─► press ─► rest
//!                   └──► a side is done: pain now? ─► rest …
//! ```

mod acting;
mod effect;
mod pulling;

pub use super::results::TrialResult;
pub use effect::{Cue, Effect, Look, Observation, Stage};

use super::action::Examiner;
use super::cap::cap_n;
use super::contact::{Contact, STEADY_S};
use super::gate::Gate;
use super::plan::{Item, Plan, Procedure};
use super::results::Results;
use super::schedule::{self, Next, OBSERVE_S, Rests};
use analysis::holds::Hold;
use analysis::trial::{Outcome, Side, Test};
use pulling::Pull;

/// No hold this long after the cue: below measurable, s.
pub const WINDOW_S: f64 = 8.0;
/// No steady contact for this long: a word of help, s.
const HELP_S: f64 = 20.0;
/// An answer that is offered can be taken for this long, s.
const OFFER_S: f64 = 3.0;
/// A press so soon after something ended by itself was meant for that, s.
const MEANT_S: f64 = 1.0;
/// A pull that its count or hold should have ended so long ago: a word of help, s.
const LET_GO_S: f64 = 5.0;
/// The finder must have seen the sensor at rest for this long to see a pull: its window and guard are 0.75 s.
const REST_SEEN_S: f64 = 1.0;
/// Pain is asked after for this long where the visit goes on, s.
const ASK_S: f64 = 15.0;
/// The same at its end, where nothing waits, s.
const ASK_LAST_S: f64 = 60.0;

/// What the visit is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Input<'a> {
    /// Samples of what is measured: segment (a number of its own for every segment of every sensor), their times within
    /// it (s), their force (N above zero).
    Samples(u64, &'a [f64], &'a [f32]),
    /// What is beside it on the same sensor: channels and their greatest force of the moment, N above zero.
    Beside(&'a [(usize, f64)]),
    /// The sensor has its zero.
    Zeroed,
    /// A pull may have begun (or the one that may have has come to nothing).
    Pulling(bool),
    /// A hold or touch ended; the segment it was in.
    Ended(u64, &'a Hold),
    /// The examiner did something.
    Action(&'a Examiner),
}

#[derive(Debug, Clone, PartialEq)]
enum State {
    /// The sensor has no zero yet.
    Unzeroed,
    /// The gate is not answered.
    Gated,
    /// The muscle of the next item rests.
    Resting { item: usize, until_s: f64 },
    /// The hand is turned, a new zero is wanted; asked for it already.
    Turning { item: usize, asked: bool, forced: bool },
    /// A steady contact is awaited.
    Ready { item: usize, since_s: f64, helped: bool },
    /// The window is open.
    Pulling(Pull),
    /// Something is looked at; this answer is offered, from 0.
    Looking { item: usize, since_s: f64, offered: Option<usize> },
    /// A side is done, pain is asked after.
    Asking { side: Side, until_s: f64 },
    /// Stopped: somebody must say that it goes on. Pain that is said then is of this item's pull, or of the last one.
    Halted { item: usize, pulled: bool },
    /// There is no plan, or it is done.
    Done,
}

/// The visit's state.
#[derive(Debug, Clone)]
pub struct Visit {
    plan: Option<Plan>,
    state: State,
    /// The visit's clock, s, and what is added to a segment's time to get it.
    now_s: f64,
    segment: u64,
    offset_s: f64,
    /// What is added to the times of the segments before, in case one is come back to.
    offsets: Vec<(u64, f64)>,
    contact: Contact,
    /// The finder has followed the force since then, s.
    followed_from_s: f64,
    gate: Gate,
    overridden: Vec<usize>,
    results: Results,
    rests: Rests,
    /// The item done last, and the one that was announced last.
    last: Option<usize>,
    announced: Option<usize>,
    look: Option<Look>,
    /// Side and palm's direction for which the last zero was taken, or was done without.
    zeroed_for: Option<(Side, String)>,
    told_how: bool,
    /// Whether a page or terminal can warn, once one has said so; that nothing can was said.
    can_warn: Option<bool>,
    told_no_warner: bool,
    /// There was a pull since pain was last asked after.
    unasked: bool,
    /// Something ended by itself then, s: a press just after it was meant for that.
    ended_alone_s: f64,
    /// Nobody answered in time: the item (from 0) after which pain was asked after, until the next cue.
    unanswered: Option<usize>,
    ids: u64,
    /// Rests that ended in this segment: only there is their length known.
    rest_segment: Vec<(analysis::trial::Muscle, u64)>,
}

impl Visit {
    /// A visit by a plan, or a free recording.
    pub fn new(plan: Option<Plan>) -> Self {
        let items = plan.as_ref().map_or(0, |plan| plan.items.len());
        Visit {
            state: if plan.is_some() { State::Unzeroed } else { State::Done },
            plan,
            now_s: 0.0,
            segment: 0,
            offset_s: 0.0,
            offsets: Vec::new(),
            contact: Contact::default(),
            followed_from_s: 0.0,
            gate: Gate::default(),
            overridden: Vec::new(),
            results: Results::new(items),
            rests: Rests::default(),
            last: None,
            announced: None,
            look: None,
            zeroed_for: None,
            told_how: false,
            can_warn: None,
            told_no_warner: false,
            unasked: false,
            ended_alone_s: f64::NEG_INFINITY,
            unanswered: None,
            ids: 0,
            rest_segment: Vec::new(),
        }
    }

    /// The plan is done (never so without one).
    pub fn is_finished(&self) -> bool {
        self.plan.is_some() && self.state == State::Done
    }

    /// An item of the plan, from 1.
    pub fn item(&self, number: usize) -> Option<&Item> {
        self.plan.as_ref()?.items.get(number.checked_sub(1)?)
    }

    /// The plan; `None` for a free recording.
    pub fn plan(&self) -> Option<&Plan> {
        self.plan.as_ref()
    }

    /// The sensor and channel that is measured, from 1.
    pub fn place(&self) -> (usize, usize) {
        let first = || self.item(1).map(Item::place);
        self.look.map(|look| look.place).or_else(first).unwrap_or((1, 1))
    }

    /// What came of the trials so far.
    pub fn results(&self) -> &Results {
        &self.results
    }

    /// How long the rest of the plan will take, s.
    pub fn remaining_s(&self) -> f64 {
        let Some(plan) = &self.plan else { return 0.0 };
        let left = (0..plan.items.len()).map(|at| self.results.left(plan, at)).collect();
        schedule::estimate_s(&plan.items, plan.procedure, left, self.last, self.rests.clone(), self.now_s)
    }

    /// The item (from 1) that comes after the one that is on, once its next trial counts, by what is known now.
    pub fn after(&self) -> Option<usize> {
        let plan = self.plan.as_ref()?;
        let on = self.current();
        let left = |at: usize| self.results.left(plan, at).saturating_sub(u32::from(Some(at) == on));
        let open: Vec<usize> = (0..plan.items.len()).filter(|at| left(*at) > 0).collect();
        let mut rests = self.rests.clone();
        if let Some(item) = on.and_then(|at| self.planned(at)).filter(|item| item.is_loaded()) {
            rests.ended(item.muscle, self.now_s);
        }
        let last = on.or(self.last);
        match schedule::next(&plan.items, plan.procedure, &open, last, &rests, self.now_s) {
            Next::Nothing => None,
            Next::Item(at) | Next::Wait(at, _) => Some(at + 1),
        }
    }

    /// What is on.
    pub fn stage(&self) -> Stage {
        match &self.state {
            State::Unzeroed => Stage::Zero,
            State::Gated => {
                Stage::Gate(self.plan.as_ref().map_or(Vec::new(), |it| self.gate.missing(&it.items)))
            }
            State::Resting { item, until_s } => {
                Stage::Rest { item: item + 1, seconds: (until_s - self.now_s).max(0.0) }
            }
            State::Turning { item, .. } => Stage::Turn { item: item + 1 },
            State::Ready { item, .. } => Stage::Ready { item: item + 1 },
            State::Pulling(pull) => Stage::Pull { item: pull.item + 1 },
            State::Looking { item, .. } => Stage::Look { item: item + 1 },
            State::Asking { side, .. } => Stage::Pain { side: *side },
            State::Halted { item, .. } => Stage::Halted { item: item + 1 },
            State::Done => Stage::Done,
        }
    }

    /// Takes one input.
    pub fn step(&mut self, input: &Input, out: &mut Vec<Effect>) {
        if self.plan.is_none() {
            if let Input::Ended(_, hold) = input {
                self.unassigned(hold, out);
            }
            return;
        }
        let before = self.stage_key();
        match input {
            Input::Samples(segment, times_s, forces_n) => {
                self.tell_how_to_zero(out);
                self.samples(*segment, times_s, forces_n, out);
            }
            Input::Beside(forces) => self.watch_beside(forces, out),
            Input::Zeroed => self.zeroed(out),
            Input::Pulling(pulling) => self.pulling(*pulling, out),
            Input::Ended(segment, hold) => self.ended(*segment, hold, out),
            Input::Action(action) => self.act(action, out),
        }
        if self.stage_key() != before {
            out.push(Effect::Stage(self.stage()));
        }
    }

    /// The stage without what changes by itself.
    fn stage_key(&self) -> (std::mem::Discriminant<State>, Option<usize>) {
        (std::mem::discriminant(&self.state), self.current())
    }

    /// The item that is on, from 0.
    fn current(&self) -> Option<usize> {
        match &self.state {
            State::Resting { item, .. }
            | State::Turning { item, .. }
            | State::Ready { item, .. }
            | State::Looking { item, .. }
            | State::Halted { item, .. } => Some(*item),
            State::Pulling(pull) => Some(pull.item),
            State::Unzeroed | State::Gated | State::Asking { .. } | State::Done => None,
        }
    }

    /// Something can warn, or the pull is not an examiner's; where nothing can, that is said once.
    fn may_be_warned(&mut self, out: &mut Vec<Effect>) -> bool {
        // Who pulls alone is loaded by nobody: only what has said that it cannot warn is in the way.
        let alone = self.procedure() == Procedure::SelfPaced;
        let may = self.can_warn.unwrap_or(alone);
        if !may && !std::mem::replace(&mut self.told_no_warner, true) {
            let why = "no pull is offered: no page or terminal confirms that it can warn";
            out.push(Effect::Say(why.to_owned()));
        }
        may
    }

    fn planned(&self, at: usize) -> Option<&Item> {
        self.plan.as_ref()?.items.get(at)
    }

    fn procedure(&self) -> Procedure {
        self.plan.as_ref().map_or(Procedure::SelfPaced, |plan| plan.procedure)
    }

    fn zeroed(&mut self, out: &mut Vec<Effect>) {
        self.contact.clear();
        self.followed_from_s = self.now_s;
        match self.state {
            State::Unzeroed => {
                self.zeroed_for = self.way_of(0);
                let missing =
                    self.plan.as_ref().is_some_and(|plan| !self.gate.missing(&plan.items).is_empty());
                if self.procedure() == Procedure::Examined && missing {
                    self.state = State::Gated;
                } else {
                    self.go_on(out);
                }
            }
            State::Turning { item, .. } => {
                self.zeroed_for = self.way_of(item);
                self.go_on(out);
            }
            // A new zero begins the search for holds anew: what was on begins anew, too.
            State::Pulling(ref pull) => self.begin_again(pull.item, pull.capped, out),
            _ => {}
        }
    }

    fn samples(&mut self, segment: u64, times_s: &[f64], forces_n: &[f32], out: &mut Vec<Effect>) {
        let Some(&first_s) = times_s.first() else { return };
        if segment != self.segment {
            let known =
                self.offsets.iter().find(|(other, _)| *other == segment).map(|(_, offset_s)| *offset_s);
            self.offsets.retain(|(other, _)| *other != self.segment && *other != segment);
            self.offsets.push((self.segment, self.offset_s));
            self.segment = segment;
            let least_s = self.now_s - first_s;
            self.offset_s = known.map_or(least_s, |offset_s| offset_s.max(least_s));
            self.contact.clear();
            self.followed_from_s = self.now_s;
            // Nobody saw what happened meanwhile: what was open is begun again.
            if let State::Pulling(pull) = &self.state {
                self.begin_again(pull.item, pull.capped, out);
            }
        }
        let mut peak_n = f64::NEG_INFINITY;
        for (time_s, force_n) in times_s.iter().zip(forces_n) {
            let force_n = f64::from(*force_n);
            self.contact.push(time_s + self.offset_s, force_n);
            peak_n = peak_n.max(force_n);
            if let State::Pulling(pull) = &mut self.state {
                pull.count_band(force_n);
            }
        }
        let last_s = times_s.last().copied().unwrap_or(first_s);
        self.now_s = self.now_s.max(last_s + self.offset_s);
        self.watch_cap(peak_n, out);
        self.pass(out);
    }

    /// Time has passed.
    fn pass(&mut self, out: &mut Vec<Effect>) {
        match self.state.clone() {
            State::Resting { until_s, .. } if self.now_s >= until_s => self.go_on(out),
            State::Turning { item, asked: false, .. } if self.contact.is_free() => {
                self.state = State::Turning { item, asked: true, forced: false };
                out.push(Effect::SeekZero);
            }
            State::Ready { item, since_s, helped } => {
                // A touch that stayed since the pull before counts only from when this trial was announced.
                let steady =
                    self.now_s - since_s >= STEADY_S && self.contact.is_steady(self.expected_n(item));
                if steady {
                    if self.may_be_warned(out) {
                        self.cue(item, true, out);
                    }
                } else if !helped && self.now_s - since_s >= HELP_S {
                    self.state = State::Ready { item, since_s, helped: true };
                    out.push(Effect::Say(
                        "no steady contact yet: rest the sensor lightly on the digit for a second, or press"
                            .to_owned(),
                    ));
                }
            }
            State::Pulling(pull) => self.pass_pull(pull, out),
            State::Looking { item, since_s, offered: Some(_) } if self.now_s - since_s >= OFFER_S => {
                self.offer_next(item, out);
            }
            State::Looking { item, since_s, offered: None } if self.now_s - since_s >= OBSERVE_S => {
                self.observed(item, "not entered", "", out);
                self.ended_alone_s = self.now_s;
                self.finish_item(item, "not entered", out);
            }
            State::Asking { until_s, .. } if self.now_s >= until_s => {
                self.unanswered = self.last;
                self.ended_alone_s = self.now_s;
                self.answered_pain("not entered", out);
                if self.state != State::Done {
                    out.push(Effect::Say("no answer: it can be said until the next touch".to_owned()));
                }
            }
            _ => {}
        }
    }

    /// Chooses what comes next, and begins it or waits for it.
    fn go_on(&mut self, out: &mut Vec<Effect>) {
        loop {
            let Some(plan) = &self.plan else { return };
            let open: Vec<usize> =
                (0..plan.items.len()).filter(|at| self.results.left(plan, *at) > 0).collect();
            let next = schedule::next(&plan.items, plan.procedure, &open, self.last, &self.rests, self.now_s);
            let coming = if let Next::Item(at) | Next::Wait(at, _) = next { self.planned(at) } else { None };
            if let Some(side) = self.side_to_ask_about(coming) {
                self.unasked = false;
                let waits_s = if next == Next::Nothing { ASK_LAST_S } else { ASK_S };
                self.state = State::Asking { side, until_s: self.now_s + waits_s };
                return;
            }
            match next {
                Next::Nothing => {
                    self.state = State::Done;
                    out.push(Effect::Finished);
                    return;
                }
                Next::Item(at) | Next::Wait(at, _) => {
                    if let Some(why) = self.barred(at) {
                        let name = self.planned(at).map(Item::name).unwrap_or_default();
                        out.push(Effect::Say(format!("left out: item {}, {name}: {why}", at + 1)));
                        self.close(at, &why, out);
                        continue;
                    }
                    self.announce(at, out);
                    match next {
                        Next::Wait(_, until_s) => self.state = State::Resting { item: at, until_s },
                        _ if self.must_turn(at) => {
                            self.state = State::Turning { item: at, asked: false, forced: false }
                        }
                        _ => self.begin(at, out),
                    }
                    return;
                }
            }
        }
    }

    /// The side that is done, where there were pulls since pain was last asked after.
    fn side_to_ask_about(&self, coming: Option<&Item>) -> Option<Side> {
        let side = self.planned(self.last?)?.muscle.side;
        let goes_on = coming.is_some_and(|item| item.muscle.side == side);
        (self.unasked && !goes_on && self.procedure() == Procedure::Examined).then_some(side)
    }

    /// Why an item must not be done.
    fn barred(&self, at: usize) -> Option<String> {
        let plan = self.plan.as_ref()?;
        let item = plan.items.get(at)?;
        if plan.procedure == Procedure::Examined && !self.gate.allows(item) && !self.overridden.contains(&at)
        {
            return Some("the gate does not allow it".to_owned());
        }
        let needs_make = matches!(item.test, Test::Break | Test::Submaximal);
        let made = self.results.best_n(item.muscle, Test::Make).is_some();
        (needs_make && !made).then(|| "no make of this muscle was measured in this visit".to_owned())
    }

    /// The hand is turned or changed before this item, and nobody took a zero since.
    fn must_turn(&self, at: usize) -> bool {
        self.procedure() == Procedure::Examined && self.zeroed_for != self.way_of(at)
    }

    /// Which hand it is and how it lies.
    fn way_of(&self, at: usize) -> Option<(Side, String)> {
        self.planned(at).map(|item| (item.muscle.side, item.palm.clone()))
    }

    /// How the sensor is held now; "" where the plan does not say. Until something was tested, as it is for the first item.
    pub fn orientation(&self) -> String {
        let at = self.current().or(self.last).unwrap_or(0);
        self.planned(at).map(Item::orientation).unwrap_or_default()
    }

    /// The first zero is to be taken as the sensor is then held.
    fn tell_how_to_zero(&mut self, out: &mut Vec<Effect>) {
        let orientation = self.orientation();
        let wanted = self.state == State::Unzeroed && !orientation.is_empty();
        if wanted && !std::mem::replace(&mut self.told_how, true) {
            out.push(Effect::Say(format!(
                "zero: hold the sensor free and still, as it will be held first: {orientation}"
            )));
        }
    }

    /// Says what comes, and tells the finder.
    fn announce(&mut self, at: usize, out: &mut Vec<Effect>) {
        let Some((plan, item)) = self.plan.as_ref().zip(self.planned(at)) else { return };
        let (place, profile) = (item.place(), self.results.profile(item));
        let look = Look { place, test: item.test, profile, expected_n: self.expected_n(at) };
        if self.look.is_some_and(|look| look.place != place) {
            self.contact.clear();
            self.followed_from_s = self.now_s;
        }
        if self.announced != Some(at) {
            let left_min =
                if plan.procedure == Procedure::Examined { Some(self.remaining_s() / 60.0) } else { None };
            out.push(Effect::Say(announcement(plan, at, left_min)));
        }
        self.announced = Some(at);
        if self.look.replace(look) != Some(look) {
            out.push(Effect::Look(look));
        }
    }

    /// The muscle's expected maximum, N: its make of this visit.
    fn expected_n(&self, at: usize) -> Option<f64> {
        self.results.best_n(self.planned(at)?.muscle, Test::Make)
    }

    /// Begins an item's next trial.
    fn begin(&mut self, at: usize, out: &mut Vec<Effect>) {
        let Some(item) = self.planned(at) else { return };
        let since_s = self.now_s;
        let followed_s = since_s - self.followed_from_s;
        if !item.is_loaded() {
            self.state = State::Looking { item: at, since_s, offered: None };
        } else if self.procedure() == Procedure::Examined {
            self.state = State::Ready { item: at, since_s, helped: false };
        } else if followed_s < REST_SEEN_S {
            self.state = State::Resting { item: at, until_s: self.followed_from_s + REST_SEEN_S };
        } else {
            self.cue(at, false, out);
        }
    }

    /// Begins a trial again that nobody saw the end of, or that came to nothing. What has been at its cap is not repeated.
    fn begin_again(&mut self, at: usize, capped: bool, out: &mut Vec<Effect>) {
        if !capped {
            return self.begin(at, out);
        }
        self.observe(Some(at), "text", "the cap was reached, and no hold was found", "", out);
        self.close(at, "the cap was reached", out);
        if let Some(muscle) = self.planned(at).map(|item| item.muscle) {
            self.rests.ended(muscle, self.now_s);
        }
        self.last = Some(at);
        self.unasked = true;
        self.go_on(out);
    }

    /// An item that is not loaded is done.
    fn finish_item(&mut self, at: usize, why: &str, out: &mut Vec<Effect>) {
        self.results.close(at, why, None);
        self.last = Some(at);
        self.go_on(out);
    }

    /// Something the examiner saw (or did not say), at an item.
    fn observed(&mut self, at: usize, value: &str, scale: &str, out: &mut Vec<Effect>) {
        let kind = self.planned(at).map_or("text", |item| match item.test {
            Test::ActiveMotion => "active motion",
            Test::Length => "length",
            _ => "text",
        });
        self.observe(Some(at), kind, value, scale, out);
    }

    fn observe(&self, at: Option<usize>, kind: &str, value: &str, scale: &str, out: &mut Vec<Effect>) {
        out.push(Effect::Observed(Observation {
            item: at.map(|at| at + 1),
            kind: kind.to_owned(),
            value: value.to_owned(),
            scale: scale.to_owned(),
        }));
    }

    /// An item ends without an attempt that ended it; that it was never tried is noted.
    fn close(&mut self, at: usize, why: &str, out: &mut Vec<Effect>) {
        self.results.close(at, why, None);
        if self.results.attempted(at) == 0 && self.planned(at).is_some_and(Item::is_loaded) {
            self.observe(Some(at), "text", &format!("not tested: {why}"), "", out);
        }
    }

    /// Pain ends an item; `by` this attempt.
    fn end_for_pain(&mut self, at: usize, by: Option<u64>, out: &mut Vec<Effect>) {
        match by {
            Some(_) => self.results.close(at, Outcome::PainLimited.word(), by),
            None => self.close(at, Outcome::PainLimited.word(), out),
        }
        if let Some(item) = self.planned(at) {
            out.push(Effect::Say(format!("no further pull of item {}, {}: pain", at + 1, item.name())));
        }
    }

    /// Least and greatest pace of an item's pull, N/s.
    fn pace_n_per_s(&self, at: usize) -> Option<(f64, f64)> {
        self.planned(at)?.pace_n_per_s(self.expected_n(at)?)
    }

    /// The cap of an item, N.
    fn cap_n(&self, at: usize) -> Option<f64> {
        let (plan, item) = (self.plan.as_ref()?, self.planned(at)?);
        if plan.procedure == Procedure::SelfPaced {
            return item.cap_n;
        }
        cap_n(item, self.results.known(plan, item))
    }
}

/// What is said before an item.
fn announcement(plan: &Plan, at: usize, left_min: Option<f64>) -> String {
    let Some(item) = plan.items.get(at) else { return String::new() };
    let mut text = format!("item {} of {}: {}, {} test", at + 1, plan.items.len(), item.muscle, item.test);
    if plan.places().len() > 1 {
        text += &format!("; sensor {}, channel {}", item.sensor, item.channel);
    }
    for (what, value) in [
        ("", &item.belly),
        ("palm ", &item.palm),
        ("", &item.posture),
        ("", &item.contact),
        ("", &item.stabilise),
        ("pace: ", &item.pace),
        ("say: ", &item.say),
        ("watch: ", &item.watch),
    ] {
        if !value.is_empty() {
            text += &format!("; {what}{value}");
        }
    }
    if let Some(left_min) = left_min {
        text += &format!("; about {left_min:.0} min left");
    }
    text
}

/// An outcome that ends its item.
fn ends_item(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::HeldToLimit | Outcome::PainLimited)
}

#[cfg(test)]
mod tests;
