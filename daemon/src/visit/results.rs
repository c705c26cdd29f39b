//! What came of the trials: every attempt of the visit in one list, and all that follows from it.
//!
//! Comes in: attempts with their outcomes, corrections of them. Goes out: how many count, whether another is asked for, the
//! muscle's best (N), which items are done. Everything is derived from the list each time, so that a trial called invalid
//! or reassigned changes all that depends on it.

use super::cap::Known;
use super::plan::{ATTEMPTS_MAX, Item, Plan};
use analysis::holds::{Flag, Hold, Profile};
use analysis::measures::repeats::{SCORED, further_trial};
use analysis::trial::{Muscle, Outcome, Test};

/// A hold shorter than this share of the plan's is too short.
const SHORT_SHARE: f64 = 0.8;
/// Below this grade (0 to 5) a muscle is weak.
const WEAK_GRADE: f64 = 3.5;
/// A first effort below this is weak, N.
const WEAK_N: f64 = 5.0;

/// The result of an attempt, or of a hold that belongs to none.
#[derive(Debug, Clone, PartialEq)]
pub struct TrialResult {
    /// Which one, from 1, in the order of the visit's results.
    pub id: u64,
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
    /// Peak above zero, N, where a hold was found.
    pub peak_zero_n: Option<f64>,
    /// Where nothing was found: less than this above the contact, N.
    pub below_n: Option<f64>,
    /// Share of the hold within the target's band, where there is one.
    pub in_band: Option<f64>,
    /// Where the pull was to stop, N.
    pub cap_n: Option<f64>,
    /// It got there.
    pub reached_cap: bool,
    /// Least and greatest pace that was asked for, N/s.
    pub pace_n_per_s: Option<(f64, f64)>,
    /// Pain, 0 to 10, as said.
    pub pain: Option<f64>,
    /// Items (from 1) that it was assigned to before.
    pub was: Vec<usize>,
    /// It was to get used to the task: never scored.
    pub familiarisation: bool,
    /// It counts.
    pub valid: bool,
    /// Why it does not.
    pub why_not: String,
}

impl TrialResult {
    /// A hold that belongs to no trial.
    pub fn unassigned(test: Test) -> Self {
        TrialResult {
            id: 0,
            item: None,
            muscle: None,
            test,
            outcome: None,
            number: None,
            attempt: None,
            rest_before_s: None,
            peak_zero_n: None,
            below_n: None,
            in_band: None,
            cap_n: None,
            reached_cap: false,
            pace_n_per_s: None,
            pain: None,
            was: Vec::new(),
            familiarisation: false,
            valid: false,
            why_not: String::new(),
        }
    }
}

/// All attempts, and the items that ended early.
#[derive(Debug, Clone, Default)]
pub struct Results {
    attempts: Vec<TrialResult>,
    /// Why an item ended early, and by which attempt, by item.
    closed: Vec<Option<(String, Option<u64>)>>,
    /// Grades as they were entered, without those that were taken back.
    grades: Vec<(Muscle, String)>,
}

impl Results {
    /// No attempts of this many items.
    pub fn new(items: usize) -> Self {
        Results { attempts: Vec::new(), closed: vec![None; items], grades: Vec::new() }
    }

    /// Every attempt, in order.
    pub fn attempts(&self) -> &[TrialResult] {
        &self.attempts
    }

    fn of(&self, at: usize) -> impl Iterator<Item = &TrialResult> {
        self.attempts.iter().filter(move |it| it.item == Some(at + 1))
    }

    /// Loaded attempts of an item (from 0).
    pub fn attempted(&self, at: usize) -> u32 {
        self.of(at).count() as u32
    }

    /// Attempts of an item that count.
    pub fn valid(&self, at: usize) -> u32 {
        self.of(at).filter(|it| it.valid).count() as u32
    }

    /// Adds an attempt: its numbers are those that come next.
    pub fn add(&mut self, mut result: TrialResult) -> TrialResult {
        if let Some(at) = result.item.map(|item| item - 1) {
            result.number = (!result.familiarisation).then(|| self.valid(at) + 1);
            result.attempt = Some(self.attempted(at) + 1);
        }
        self.attempts.push(result.clone());
        result
    }

    /// Changes an attempt; gives every attempt that is another one after that (its own and others' numbers).
    pub fn amend(&mut self, id: u64, change: impl FnOnce(&mut TrialResult)) -> Vec<TrialResult> {
        let before = self.attempts.clone();
        if let Some(attempt) = self.attempts.iter_mut().find(|it| it.id == id) {
            change(attempt);
        }
        let mut counts: Vec<(u32, u32)> = vec![(0, 0); self.closed.len()];
        for attempt in &mut self.attempts {
            let Some((attempts, valid)) = attempt.item.and_then(|item| counts.get_mut(item - 1)) else {
                continue;
            };
            *attempts += 1;
            attempt.attempt = Some(*attempts);
            attempt.number = (!attempt.familiarisation).then(|| *valid + 1);
            *valid += u32::from(attempt.valid);
        }
        let changed = self.attempts.iter().zip(&before).filter(|(now, then)| now != then);
        changed.map(|(now, _)| now.clone()).collect()
    }

    /// An item (from 0) ends, and why, where it had not ended before; `by` this attempt.
    pub fn close(&mut self, at: usize, why: &str, by: Option<u64>) {
        if let Some(closed) = self.closed.get_mut(at).filter(|closed| closed.is_none()) {
            *closed = Some((why.to_owned(), by));
        }
    }

    /// An attempt belongs to another item: what it ended was that one.
    pub fn close_elsewhere(&mut self, by: u64, to: usize) {
        let ended = self.closed.iter_mut().find(|it| it.as_ref().is_some_and(|(_, id)| *id == Some(by)));
        if let Some((why, _)) = ended.and_then(Option::take) {
            self.close(to, &why, Some(by));
        }
    }

    /// An item may be done after all.
    pub fn reopen(&mut self, at: usize) {
        if let Some(closed) = self.closed.get_mut(at) {
            *closed = None;
        }
    }

    /// Why an item ended early.
    pub fn why_closed(&self, at: usize) -> Option<&str> {
        self.closed.get(at)?.as_ref().map(|(why, _)| why.as_str())
    }

    /// How many trials of an item are still to come.
    pub fn left(&self, plan: &Plan, at: usize) -> u32 {
        let Some(item) = plan.items.get(at).filter(|_| self.why_closed(at).is_none()) else { return 0 };
        if !item.is_loaded() {
            return 1;
        }
        let further = u32::from(self.further(item, at).is_some());
        let wanted = (item.trials + further).saturating_sub(self.valid(at)) + self.unfamiliar(item, at);
        wanted.min(ATTEMPTS_MAX.saturating_sub(self.attempted(at)))
    }

    /// How many pulls to get used to the task are still to come.
    pub fn unfamiliar(&self, item: &Item, at: usize) -> u32 {
        // One that was stopped has made nobody used to anything.
        let done = self.of(at).filter(|it| it.familiarisation && it.outcome != Some(Outcome::Stopped));
        let done = done.count() as u32;
        // Who has pulled with full force already is used to it.
        if self.valid(at) > 0 { 0 } else { item.familiarisation.saturating_sub(done) }
    }

    /// Why a further trial is asked for, beyond the plan's.
    pub fn further(&self, item: &Item, at: usize) -> Option<String> {
        let peaks: Vec<f64> = self.of(at).filter(|it| it.valid).filter_map(|it| it.peak_zero_n).collect();
        let first = peaks.get(..SCORED).filter(|_| item.trials as usize >= SCORED)?;
        further_trial(item.test, SCORED, first, item.cv_limit_percent)
    }

    /// A muscle's best valid peak in tests of a kind, N.
    pub fn best_n(&self, muscle: Muscle, test: Test) -> Option<f64> {
        let own = self.attempts.iter().filter(|it| it.valid && it.muscle == Some(muscle) && it.test == test);
        own.filter_map(|it| it.peak_zero_n).reduce(f64::max)
    }

    /// What a cap is made of.
    pub fn known(&self, plan: &Plan, item: &Item) -> Known {
        let muscle = item.muscle;
        let other = plan.items.iter().map(|it| it.muscle).find(|it| {
            it.side != muscle.side && (it.digit, it.direction) == (muscle.digit, muscle.direction)
        });
        let involved = plan.involved_side == Some(muscle.side);
        let other = other.filter(|_| involved);
        let best = |test| other.and_then(|other| self.best_n(other, test));
        Known {
            make_n: self.best_n(muscle, Test::Make),
            other_side_n: best(Test::Break).or_else(|| best(Test::Make)),
        }
    }

    /// A grade was entered, or the muscle's latest is taken back; gives the one that holds then.
    pub fn graded(&mut self, muscle: Muscle, grade: Option<&str>) -> Option<&str> {
        match grade {
            Some(grade) => self.grades.push((muscle, grade.to_owned())),
            None => {
                let last = self.grades.iter().rposition(|(of, _)| *of == muscle);
                last.map(|at| self.grades.remove(at));
            }
        }
        self.grade(muscle)
    }

    /// The grade of a muscle that holds.
    fn grade(&self, muscle: Muscle) -> Option<&str> {
        self.grades.iter().rfind(|(of, _)| *of == muscle).map(|(_, grade)| grade.as_str())
    }

    /// How small an effort is looked for: weak by plan, by grade, or by the muscle's first effort.
    pub fn profile(&self, item: &Item) -> Profile {
        let first = self.attempts.iter().find(|it| it.muscle == Some(item.muscle) && it.valid);
        let weak_effort = first.is_some_and(|it| it.peak_zero_n.is_none_or(|peak_n| peak_n < WEAK_N));
        let weak_grade =
            self.grade(item.muscle).and_then(grade_number).is_some_and(|grade| grade < WEAK_GRADE);
        if weak_effort || weak_grade { Profile::Weak } else { item.profile }
    }
}

/// A grade's number: `4-` is 4.
fn grade_number(text: &str) -> Option<f64> {
    text.trim().trim_end_matches(['+', '-', '−']).parse().ok()
}

/// How a hold ended.
pub fn outcome(test: Test, hold: &Hold, capped: bool) -> Outcome {
    if hold.flags.contains(&Flag::Cut) {
        Outcome::Stopped
    } else if test == Test::Break && hold.break_s.is_some() {
        Outcome::Broke
    } else if capped {
        Outcome::HeldToLimit
    } else {
        Outcome::Released
    }
}

/// Why a hold does not count.
pub fn objections(item: &Item, hold: &Hold, outcome: Outcome) -> Vec<String> {
    let mut why = Vec::new();
    for (flag, text) in [
        (Flag::Cut, "cut short: its recording ended or was interrupted"),
        (Flag::TooLong, "longer than 120 s"),
        (Flag::Saturated, "saturated: the force went beyond the sensor's range"),
        (Flag::GapNearOnset, "samples missing near the onset"),
        (Flag::Gap, "samples missing"),
    ] {
        if hold.flags.contains(&flag) {
            why.push(text.to_owned());
        }
    }
    if let (Test::Make | Test::Submaximal, Some(release_s)) = (item.test, hold.release_s)
        && outcome != Outcome::HeldToLimit
    {
        let held_s = release_s - hold.onset_s;
        if held_s < SHORT_SHARE * item.hold_s {
            why.push(format!("too short: held {held_s:.1} s of {:.1} s", item.hold_s));
        }
    }
    if item.test == Test::Break && outcome == Outcome::Released {
        why.push("released before a break".to_owned());
    }
    why
}
