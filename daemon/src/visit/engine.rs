//! The visit: which trial is on, when its window opens, what each hold is.
//!
//! `step(input) -> effects`, pure. Times are device time, s, within a segment; when a segment ends, what was going on
//! goes on in the next one. A hold belongs to the trial whose window contains its onset; others stay unassigned.

use super::plan::{ATTEMPTS_MAX, Item, Plan};
use analysis::holds::{Flag, Hold, Kind};
use analysis::trial::{Muscle, Outcome, Test};

/// No hold this long after the cue: below measurable, s.
const WINDOW_S: f64 = 8.0;
/// A hold shorter than this share of the plan's is too short.
const SHORT_SHARE: f64 = 0.8;

/// A moment in device time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moment {
    /// Segment, from 0.
    pub segment: u64,
    /// Time within the segment, s.
    pub time_s: f64,
}

/// What the visit is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Input<'a> {
    /// Samples have come up to this moment.
    Time(Moment),
    /// The sensor has its zero.
    Zeroed,
    /// A pull may have begun (or the one that may have has come to nothing).
    Pulling(bool),
    /// A hold or touch ended; the segment it was in.
    Ended(u64, &'a Hold),
    /// The recording is ending.
    Stop,
}

/// What the visit wants done or shown.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// From now on the finder looks for this kind of test.
    Look(Test),
    /// Say this to the examiner.
    Say(String),
    /// A trial's window is open: now.
    Cue(Cue),
    /// An attempt has its result.
    Result(TrialResult),
    /// The plan is done.
    Finished,
}

/// The trial that is on.
#[derive(Debug, Clone, PartialEq)]
pub struct Cue {
    /// Item, from 1, and how many there are.
    pub item: (usize, usize),
    /// Scored trial, from 1, and how many there are.
    pub trial: (u32, u32),
    /// The muscle.
    pub muscle: Muscle,
    /// Kind of test.
    pub test: Test,
    /// How long to hold, s.
    pub hold_s: f64,
}

/// The result of an attempt, or of a hold that belongs to none.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialResult {
    /// Item, from 1; `None` unassigned.
    pub item: Option<usize>,
    /// The muscle, where assigned.
    pub muscle: Option<Muscle>,
    /// Kind of test.
    pub test: Test,
    /// How it ended.
    pub outcome: Option<Outcome>,
    /// Scored trial it would be, from 1.
    pub number: Option<u32>,
    /// Attempt within the item, from 1.
    pub attempt: Option<u32>,
    /// Rest of this muscle before it, s.
    pub rest_before_s: Option<f64>,
    /// It counts.
    pub valid: bool,
    /// Why it does not.
    pub why_not: String,
}

impl TrialResult {
    /// A hold that belongs to no trial.
    pub fn unassigned(test: Test) -> Self {
        TrialResult {
            item: None,
            muscle: None,
            test,
            outcome: None,
            number: None,
            attempt: None,
            rest_before_s: None,
            valid: false,
            why_not: String::new(),
        }
    }
}

#[derive(Debug, Clone, PartialEq)]
enum State {
    WaitingForZero,
    Resting { until: Moment },
    Open { from: Moment },
    Done,
}

/// The visit's state.
#[derive(Debug, Clone)]
pub struct Visit {
    plan: Option<Plan>,
    state: State,
    now: Moment,
    item: usize,
    trials: u32,
    attempts: u32,
    pulling: bool,
    /// When each muscle's last pull ended.
    rested: Vec<(Muscle, Moment)>,
}

impl Visit {
    /// A visit by a plan, or a free recording.
    pub fn new(plan: Option<Plan>) -> Self {
        Visit {
            plan,
            state: State::WaitingForZero,
            now: Moment { segment: 0, time_s: 0.0 },
            item: 0,
            trials: 0,
            attempts: 0,
            pulling: false,
            rested: Vec::new(),
        }
    }

    /// The plan is done (never so without one).
    pub fn is_finished(&self) -> bool {
        self.plan.is_some() && self.state == State::Done
    }

    fn current(&self) -> Option<(&Plan, &Item)> {
        let plan = self.plan.as_ref()?;
        Some((plan, plan.items.get(self.item)?))
    }

    /// Takes one input.
    pub fn step(&mut self, input: &Input, out: &mut Vec<Effect>) {
        match input {
            Input::Time(now) => self.time(*now, out),
            Input::Zeroed if self.state == State::WaitingForZero && self.plan.is_some() => {
                self.state = State::Resting { until: self.now };
                self.prepare(out);
            }
            Input::Zeroed => {}
            Input::Pulling(pulling) => self.pulling = *pulling,
            Input::Ended(segment, hold) => self.ended(*segment, hold, out),
            Input::Stop => self.state = State::Done,
        }
    }

    fn time(&mut self, now: Moment, out: &mut Vec<Effect>) {
        if now.segment != self.now.segment {
            self.carry_over(now);
        }
        self.now = now;
        match self.state {
            State::Resting { until } if now.time_s >= until.time_s => self.open(out),
            State::Open { from } if !self.pulling && now.time_s >= from.time_s + WINDOW_S => {
                let result = self.result(Some(Outcome::BelowMeasurable), String::new());
                self.conclude(result, out);
            }
            _ => {}
        }
    }

    /// A new segment: what was going on goes on, its remaining time unchanged.
    fn carry_over(&mut self, now: Moment) {
        let shift = |moment: Moment| Moment {
            segment: now.segment,
            time_s: now.time_s + (moment.time_s - self.now.time_s).max(0.0),
        };
        self.state = match self.state {
            State::Resting { until } => State::Resting { until: shift(until) },
            State::Open { .. } => State::Open { from: now },
            ref other => other.clone(),
        };
        self.pulling = false;
    }

    /// Tells the finder what the coming item is.
    fn prepare(&mut self, out: &mut Vec<Effect>) {
        let Some((plan, item)) = self.current() else { return };
        let say =
            format!("item {} of {}: {}, {} test", self.item + 1, plan.items.len(), item.muscle, item.test);
        let test = item.test;
        out.push(Effect::Say(say));
        out.push(Effect::Look(test));
    }

    fn open(&mut self, out: &mut Vec<Effect>) {
        let Some((plan, item)) = self.current() else { return };
        out.push(Effect::Cue(Cue {
            item: (self.item + 1, plan.items.len()),
            trial: (self.trials + 1, item.trials),
            muscle: item.muscle,
            test: item.test,
            hold_s: item.hold_s,
        }));
        self.state = State::Open { from: self.now };
    }

    fn ended(&mut self, segment: u64, hold: &Hold, out: &mut Vec<Effect>) {
        self.pulling = false;
        let State::Open { from } = self.state else { return self.unassigned(out) };
        let in_window = segment == from.segment && hold.onset_s >= from.time_s;
        let Some((_, item)) = self.current().filter(|_| in_window && hold.kind == Kind::Hold) else {
            return self.unassigned(out);
        };
        let outcome = outcome(item.test, hold);
        let why_not = objections(item, hold).join("; ");
        let muscle = item.muscle;
        let result = self.result(Some(outcome), why_not);
        let time_s = hold.end_s.unwrap_or(self.now.time_s);
        self.rested.retain(|(rested, _)| *rested != muscle);
        self.rested.push((muscle, Moment { segment, time_s }));
        self.conclude(result, out);
    }

    fn unassigned(&self, out: &mut Vec<Effect>) {
        let test = self.current().map_or(Test::Free, |(_, item)| item.test);
        let why_not =
            if self.plan.is_some() { "outside every trial's window".to_owned() } else { String::new() };
        out.push(Effect::Result(TrialResult { why_not, ..TrialResult::unassigned(test) }));
    }

    fn result(&self, outcome: Option<Outcome>, why_not: String) -> TrialResult {
        let (muscle, test) =
            self.current().map_or((None, Test::Free), |(_, item)| (Some(item.muscle), item.test));
        let from = if let State::Open { from } = self.state { from } else { self.now };
        let rested = self.rested.iter().find(|(rested, _)| Some(*rested) == muscle).map(|(_, end)| *end);
        TrialResult {
            item: Some(self.item + 1),
            muscle,
            test,
            outcome,
            number: Some(self.trials + 1),
            attempt: Some(self.attempts + 1),
            rest_before_s: rested
                .filter(|end| end.segment == from.segment)
                .map(|end| from.time_s - end.time_s),
            valid: why_not.is_empty(),
            why_not,
        }
    }

    /// An attempt is over: the next trial, the next item, or the end.
    fn conclude(&mut self, result: TrialResult, out: &mut Vec<Effect>) {
        let Some((_, item)) = self.current() else { return };
        let (trials, rest_s) = (item.trials, item.rest_s);
        self.attempts += 1;
        self.trials += u32::from(result.valid);
        out.push(Effect::Result(result));
        let exhausted = self.attempts >= ATTEMPTS_MAX && self.trials < trials;
        if exhausted {
            out.push(Effect::Say(format!(
                "{ATTEMPTS_MAX} attempts: this item ends with {} of {trials}",
                self.trials
            )));
        }
        let until = Moment { segment: self.now.segment, time_s: self.now.time_s + rest_s };
        self.state = State::Resting { until };
        if exhausted || self.trials >= trials {
            (self.item, self.trials, self.attempts) = (self.item + 1, 0, 0);
            if self.current().is_some() {
                self.prepare(out);
            } else {
                self.state = State::Done;
                out.push(Effect::Finished);
            }
        }
    }
}

fn outcome(test: Test, hold: &Hold) -> Outcome {
    if hold.flags.contains(&Flag::Cut) {
        Outcome::Stopped
    } else if test == Test::Break && hold.break_s.is_some() {
        Outcome::Broke
    } else {
        Outcome::Released
    }
}

/// Why a hold does not count.
fn objections(item: &Item, hold: &Hold) -> Vec<String> {
    let mut why = Vec::new();
    for (flag, text) in [
        (Flag::Cut, "cut short: the sensor's stream ended"),
        (Flag::TooLong, "longer than 120 s"),
        (Flag::Saturated, "saturated: the force went beyond the sensor's range"),
        (Flag::GapNearOnset, "samples missing near the onset"),
        (Flag::Gap, "samples missing"),
    ] {
        if hold.flags.contains(&flag) {
            why.push(text.to_owned());
        }
    }
    if let (Test::Make, Some(release_s)) = (item.test, hold.release_s) {
        let held_s = release_s - hold.onset_s;
        if held_s < SHORT_SHARE * item.hold_s {
            why.push(format!("too short: held {held_s:.1} s of {:.1} s", item.hold_s));
        }
    }
    why
}

#[cfg(test)]
mod tests {
    use super::*;
    use analysis::measures::Measures;

    fn plan(rest_s: f64) -> Plan {
        let items = [("left index abduction", 2), ("right index abduction", 1)];
        let text: String = items
            .iter()
            .map(|(muscle, trials)| {
                format!("[[item]]\nmuscle = \"{muscle}\"\ntest = \"make\"\ntrials = {trials}\nhold_s = 1.0\nrest_s = {rest_s:.1}\n")
            })
            .collect();
        Plan::parse(&format!("title = \"t\"\n{text}")).unwrap()
    }

    fn hold(onset_s: f64, held_s: f64) -> Hold {
        Hold {
            kind: Kind::Hold,
            first_index: 0,
            last_index: 0,
            onset_s,
            onset_sd_s: None,
            rise5_s: None,
            break_s: None,
            break_n: None,
            release_s: Some(onset_s + held_s),
            end_s: Some(onset_s + held_s + 0.1),
            rest_n: 0.0,
            contact_s: None,
            contact_n: 0.0,
            peak_n: 20.0,
            peak_s: onset_s,
            peak_zero_n: 20.0,
            mean_n: None,
            measures: Measures::default(),
            flags: Vec::new(),
        }
    }

    struct World(Visit, Vec<Effect>);

    impl World {
        fn new(rest_s: f64) -> Self {
            let mut world = World(Visit::new(Some(plan(rest_s))), Vec::new());
            world.time(0, 0.0);
            world.0.step(&Input::Zeroed, &mut world.1);
            world
        }
        fn time(&mut self, segment: u64, time_s: f64) {
            self.0.step(&Input::Time(Moment { segment, time_s }), &mut self.1);
        }
        fn hold(&mut self, segment: u64, hold: &Hold) {
            self.0.step(&Input::Ended(segment, hold), &mut self.1);
        }
        fn results(&self) -> Vec<(Option<usize>, Option<u32>, bool)> {
            let result = |effect: &Effect| match effect {
                Effect::Result(r) => Some((r.item, r.number, r.valid)),
                _ => None,
            };
            self.1.iter().filter_map(result).collect()
        }
    }

    #[test]
    fn a_plan_runs_from_the_zero_to_its_end() {
        let mut world = World::new(5.0);
        let mut now = 1.0;
        while !world.0.is_finished() && now < 100.0 {
            world.time(0, now);
            world.hold(0, &hold(now + 0.1, 1.2));
            now += 2.0;
        }
        let assigned: Vec<_> = world.results().into_iter().filter(|r| r.0.is_some()).collect();
        assert_eq!(assigned, [(Some(1), Some(1), true), (Some(1), Some(2), true), (Some(2), Some(1), true)]);
        assert!(world.results().len() > 3, "holds during the rest stay unassigned");
        assert_eq!(world.1.last(), Some(&Effect::Finished));
    }

    #[test]
    fn a_hold_too_short_is_repeated_and_five_attempts_end_the_item() {
        let mut world = World::new(0.0);
        for now in 1..=5 {
            world.time(0, f64::from(now));
            world.hold(0, &hold(f64::from(now) + 0.1, 0.3));
        }
        assert_eq!(world.results(), vec![(Some(1), Some(1), false); 5]);
        world.time(0, 6.0);
        assert!(matches!(world.1.last(), Some(Effect::Cue(Cue { item: (2, 2), .. }))));
    }

    #[test]
    fn nothing_within_eight_seconds_is_below_measurable_and_a_pull_is_waited_for() {
        let mut world = World::new(0.0);
        world.time(0, 1.0);
        world.0.step(&Input::Pulling(true), &mut world.1);
        world.time(0, 20.0);
        assert!(world.results().is_empty());
        world.0.step(&Input::Pulling(false), &mut world.1);
        world.time(0, 20.1);
        let below = |effect: &Effect| matches!(effect, Effect::Result(r) if r.outcome == Some(Outcome::BelowMeasurable) && r.valid);
        assert!(world.1.iter().any(below));
    }

    #[test]
    fn rest_goes_on_in_the_next_segment() {
        let mut world = World::new(10.0);
        world.time(0, 1.0);
        world.hold(0, &hold(1.1, 1.0));
        world.time(0, 5.0);
        let cues = |world: &World| world.1.iter().filter(|e| matches!(e, Effect::Cue(_))).count();
        world.time(1, 0.0);
        world.time(1, 5.9);
        assert_eq!(cues(&world), 1, "ten seconds of rest, of which four have passed");
        world.time(1, 6.1);
        assert_eq!(cues(&world), 2);
    }

    #[test]
    fn a_hold_that_began_before_the_window_is_not_the_trials() {
        let mut world = World::new(0.0);
        world.time(0, 3.0);
        world.hold(0, &hold(2.5, 1.5));
        assert_eq!(world.results(), [(None, None, false)]);
    }
}
