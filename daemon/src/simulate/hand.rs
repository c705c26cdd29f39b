//! The hand: force on the sensor as a function of time.
//!
//! In: a script of efforts and a seed. Out: force (N above zero) at any time (s since the script began), without noise,
//! and the true moments of every effort. Between efforts the examiner's touch stays: it is neither rest nor effort.
//! Force wavers as people's does: slowly (below 3 Hz, about 1.2 % of the force) and by tremor (8 to 12 Hz, about
//! 0.6 %); both are sums of sines, so that force is exact at any time and any sampling interval.

use super::effort::{Course, Effort, Kind};
use super::random::Random;
use std::f64::consts::{SQRT_2, TAU};

/// The examiner's touch begins this long before the first effort, s.
const TOUCH_BEFORE_S: f64 = 1.0;
/// The touch comes and goes within this time, s.
const TOUCH_LASTS_S: f64 = 0.25;
/// After the last effort the hand stays this long, s.
const TAIL_S: f64 = 1.5;
/// Least rest between two efforts, s.
const LEAST_REST_S: f64 = 0.5;

/// What the hand is to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// The efforts, in order.
    pub efforts: Vec<Effort>,
    /// Rest before the first, s.
    pub lead_s: f64,
    /// From onset to onset, s.
    pub period_s: f64,
    /// The examiner's steady touch, N; 0 for none.
    pub contact_n: f64,
    /// SD of each effort's peak around the one asked for, as a fraction of it.
    pub variation: f64,
    /// Slow wavering and tremor (both as large as people's at 1, absent at 0).
    pub unsteadiness: f64,
    /// Begin again after the last effort, for ever.
    pub repeat: bool,
}

impl Default for Script {
    fn default() -> Self {
        let effort = |kind, peak_n, hold_s| Effort { kind, peak_n, hold_s };
        Script {
            efforts: vec![
                effort(Kind::Make, 30.0, 3.0),
                effort(Kind::Explosive, 32.0, 2.5),
                effort(Kind::Break, 40.0, 0.3),
            ],
            lead_s: 2.5,
            period_s: 8.0,
            contact_n: 0.0,
            variation: 0.03,
            unsteadiness: 1.0,
            repeat: false,
        }
    }
}

/// A script that cannot be played.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScriptError {
    /// There is nothing to do.
    #[error("the script has no effort")]
    Empty,
    /// A number out of range.
    #[error("the script's {name} is {value}, must be {expected}")]
    Number {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        expected: &'static str,
    },
    /// The period is too short.
    #[error("the effort {effort} can take {takes_s:.1} s, too long for a period of {period_s} s")]
    Period {
        /// The effort.
        effort: Effort,
        /// Its longest possible course with the rest after it, s.
        takes_s: f64,
        /// The period, s.
        period_s: f64,
    },
}

/// The hand that plays a script.
#[derive(Debug, Clone)]
pub struct Hand {
    script: Script,
    seed: u64,
    slow: Waver,
    tremor: Waver,
    /// The effort that was asked for last, with its number: evaluating runs through time.
    current: (u64, Course),
}

impl Hand {
    /// # Errors
    /// A script that cannot be played.
    pub fn new(script: Script, seed: u64) -> Result<Self, ScriptError> {
        check(&script)?;
        let slow = Waver::slow(seed, script.unsteadiness);
        let tremor = Waver::tremor(seed, script.unsteadiness);
        let current = (0, course(&script, seed, 0));
        Ok(Hand { script, seed, slow, tremor, current })
    }

    /// Force on the sensor, N.
    pub fn force_n(&mut self, time_s: f64) -> f64 {
        let effort_n = self.effort_n(time_s);
        let contact_n = self.contact_n(time_s);
        if effort_n == 0.0 && contact_n == 0.0 {
            return 0.0;
        }
        let slow = self.slow.at(time_s);
        // An examiner's touch wavers more, for its size, than an effort, and without tremor.
        effort_n * (1.0 + slow + self.tremor.at(time_s)) + contact_n * (1.0 + 3.0 * slow)
    }

    /// When the script is over, s; `None` where it repeats.
    #[must_use]
    pub fn duration_s(&self) -> Option<f64> {
        let last = self.script.efforts.len().saturating_sub(1) as u64;
        (!self.script.repeat).then(|| course(&self.script, self.seed, last).end_s + TAIL_S)
    }

    /// The true courses of all efforts that begin before `until_s`.
    #[must_use]
    pub fn courses(&self, until_s: f64) -> Vec<Course> {
        let count = self.script.efforts.len() as u64;
        let wanted = (0..).take_while(|&number| self.script.repeat || number < count);
        let courses = wanted.map(|number| course(&self.script, self.seed, number));
        courses.take_while(|course| course.onset_s < until_s).collect()
    }

    /// The largest force within an effort, N above zero, to within its change over half a millisecond.
    pub fn peak_n(&mut self, course: &Course) -> f64 {
        const STEP_S: f64 = 0.000_5;
        let steps = ((course.end_s - course.onset_s) / STEP_S) as u32;
        let times = (0..=steps).map(|step| course.onset_s + f64::from(step) * STEP_S);
        times.fold(0.0, |peak: f64, time_s| peak.max(self.force_n(time_s)))
    }

    fn effort_n(&mut self, time_s: f64) -> f64 {
        let Some(number) = number_at(&self.script, time_s) else { return 0.0 };
        if number != self.current.0 {
            self.current = (number, course(&self.script, self.seed, number));
        }
        self.current.1.force_n(time_s)
    }

    /// The examiner's touch: from before the first effort until after the last.
    fn contact_n(&self, time_s: f64) -> f64 {
        let step = |from_s: f64| smooth((time_s - from_s) / TOUCH_LASTS_S);
        let here = step(self.script.lead_s - TOUCH_BEFORE_S);
        let gone = if self.script.repeat { 0.0 } else { step(self.touch_ends_s()) };
        self.script.contact_n * (here - gone)
    }

    fn touch_ends_s(&self) -> f64 {
        let periods = self.script.efforts.len() as f64;
        self.script.lead_s + periods * self.script.period_s - LEAST_REST_S
    }
}

/// The number of the effort whose period `time_s` is in.
fn number_at(script: &Script, time_s: f64) -> Option<u64> {
    let since_s = time_s - script.lead_s;
    if since_s < 0.0 {
        return None;
    }
    let number = (since_s / script.period_s) as u64;
    (script.repeat || number < script.efforts.len() as u64).then_some(number)
}

fn course(script: &Script, seed: u64, number: u64) -> Course {
    let mut random = Random::fork(seed, 1_000 + number);
    let asked = script.efforts[(number % script.efforts.len() as u64) as usize];
    let peak_n = asked.peak_n * (1.0 + script.variation * random.normal().clamp(-3.0, 3.0));
    let onset_s = script.lead_s + number as f64 * script.period_s;
    Course::new(Effort { peak_n, ..asked }, onset_s, script.contact_n, &mut random)
}

/// 0 to 1 for `x` from 0 to 1, with a level start and end.
pub(super) fn smooth(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * (3.0 - 2.0 * x)
}

fn check(script: &Script) -> Result<(), ScriptError> {
    if script.efforts.is_empty() {
        return Err(ScriptError::Empty);
    }
    for (name, value, allowed, expected) in [
        ("lead", script.lead_s, TOUCH_BEFORE_S..=3_600.0, "from 1 to 3600 s"),
        ("period", script.period_s, 1.0..=3_600.0, "from 1 to 3600 s"),
        ("contact", script.contact_n, 0.0..=100.0, "from 0 to 100 N"),
        ("variation", script.variation, 0.0..=0.3, "from 0 to 0.3"),
        ("unsteadiness", script.unsteadiness, 0.0..=10.0, "from 0 to 10"),
    ] {
        if !allowed.contains(&value) {
            return Err(ScriptError::Number { name, value, expected });
        }
    }
    script.efforts.iter().try_for_each(|effort| check_effort(script, *effort))
}

fn check_effort(script: &Script, effort: Effort) -> Result<(), ScriptError> {
    // The longest course of each kind, from the ranges in `effort`.
    let beside_hold_s = match effort.kind {
        Kind::Make => 0.9,
        Kind::Explosive => 0.4,
        Kind::Concentric => 0.9,
        Kind::Break => 3.6 + 0.3 + 0.9,
        Kind::MakeBreak => 1.0 + 1.6 + 0.25 + 0.3 + 0.9,
    };
    let takes_s = beside_hold_s + effort.hold_s + 0.4 + LEAST_REST_S;
    if takes_s > script.period_s {
        return Err(ScriptError::Period { effort, takes_s, period_s: script.period_s });
    }
    if effort.peak_n <= script.contact_n {
        let (name, expected) = ("contact", "below every effort's peak");
        return Err(ScriptError::Number { name, value: script.contact_n, expected });
    }
    Ok(())
}

/// A smooth random function of time with a given SD: a sum of sines with random frequencies and phases.
#[derive(Debug, Clone)]
pub(super) struct Waver {
    amplitude: f64,
    /// Angular frequency (rad/s) and phase (rad) of each sine.
    sines: [(f64, f64); Waver::SINES],
}

impl Waver {
    const SINES: usize = 6;

    /// The slow wavering of a force, as a share of it.
    pub(super) fn slow(seed: u64, unsteadiness: f64) -> Self {
        Waver::new(0.1, 3.0, 0.012 * unsteadiness, &mut Random::fork(seed, 1))
    }

    /// Tremor, as a share of the force.
    pub(super) fn tremor(seed: u64, unsteadiness: f64) -> Self {
        Waver::new(8.0, 12.0, 0.006 * unsteadiness, &mut Random::fork(seed, 2))
    }

    fn new(low_hz: f64, high_hz: f64, sd: f64, random: &mut Random) -> Self {
        // Each sine has the variance amplitude² ÷ 2.
        let amplitude = sd * SQRT_2 / (Waver::SINES as f64).sqrt();
        let sines =
            std::array::from_fn(|_| (TAU * random.between(low_hz, high_hz), random.between(0.0, TAU)));
        Waver { amplitude, sines }
    }

    pub(super) fn at(&self, time_s: f64) -> f64 {
        if self.amplitude == 0.0 {
            return 0.0;
        }
        self.amplitude
            * self.sines.iter().map(|(speed, phase)| libm::sin(speed * time_s + phase)).sum::<f64>()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With the examiner's touch.
    fn script() -> Script {
        Script { contact_n: 1.5, ..Script::default() }
    }

    fn hand(script: Script) -> Hand {
        Hand::new(script, 7).unwrap()
    }

    #[test]
    fn the_hand_rests_touches_works_and_leaves() {
        let mut hand = hand(script());
        let courses = hand.courses(f64::INFINITY);
        assert_eq!(courses.len(), 3);
        assert_eq!(hand.force_n(0.5), 0.0, "rest before the touch");
        for (course, effort) in courses.iter().zip(script().efforts) {
            let touch_n = hand.force_n(course.onset_s - 0.01);
            assert!((touch_n - 1.5).abs() < 0.3, "touch before the effort: {touch_n}");
            let peak_n = hand.peak_n(course);
            assert!((peak_n / effort.peak_n - 1.0).abs() < 0.15, "{peak_n} for {effort}");
        }
        let end_s = hand.duration_s().unwrap();
        assert!(
            (hand.force_n(courses[2].end_s + 0.05) - 1.5).abs() < 0.3,
            "the touch stays after the effort"
        );
        assert_eq!(hand.force_n(end_s + 60.0), 0.0);
    }

    #[test]
    fn force_depends_on_time_and_seed_alone() {
        let script = Script { repeat: true, ..script() };
        let mut forwards = hand(script.clone());
        let mut backwards = hand(script.clone());
        let times: Vec<f64> = (0..5_000).map(|i| f64::from(i) * 0.0173).collect();
        let up: Vec<f64> = times.iter().map(|t| forwards.force_n(*t)).collect();
        let mut down: Vec<f64> = times.iter().rev().map(|t| backwards.force_n(*t)).collect();
        down.reverse();
        assert_eq!(up, down);
        let mut other = Hand::new(script, 8).unwrap();
        assert!(times.iter().zip(&up).any(|(t, force)| other.force_n(*t) != *force));
    }

    #[test]
    fn force_never_steps() {
        let mut hand = hand(Script { repeat: true, ..script() });
        let mut last = 0.0;
        // 100 µs apart; the steepest course here is the explosive rise, about 400 N/s.
        for step in 0..400_000 {
            let now = hand.force_n(f64::from(step) * 0.000_1);
            assert!((now - last).abs() < 0.15, "at {step}: {last} to {now}");
            last = now;
        }
    }

    #[test]
    fn wavering_has_the_size_it_is_said_to_have() {
        let waver = Waver::new(8.0, 12.0, 0.5, &mut Random::new(3));
        let squares: f64 = (0..200_000).map(|i| waver.at(f64::from(i) * 0.001)).map(|x| x * x).sum();
        let sd = (squares / 200_000.0).sqrt();
        assert!((sd - 0.5).abs() < 0.03, "{sd}");
    }

    #[test]
    fn a_steady_hand_reaches_exactly_what_was_asked() {
        let steady = Script { variation: 0.0, unsteadiness: 0.0, contact_n: 0.0, ..script() };
        let mut hand = hand(steady);
        let courses = hand.courses(f64::INFINITY);
        assert!((hand.force_n(courses[0].top_s) - 30.0).abs() < 1e-9);
    }

    #[test]
    fn scripts_that_cannot_be_played_are_refused() {
        let refused = |script| Hand::new(script, 1).unwrap_err().to_string();
        let good = script();
        assert!(refused(Script { efforts: vec![], ..good.clone() }).contains("no effort"));
        assert!(refused(Script { period_s: 4.0, ..good.clone() }).contains("too long for a period of 4 s"));
        assert!(refused(Script { lead_s: 0.2, ..good.clone() }).contains("lead is 0.2, must be from 1"));
        assert!(refused(Script { contact_n: 35.0, ..good.clone() }).contains("below every effort's peak"));
        assert!(refused(Script { variation: f64::NAN, ..good }).contains("variation is NaN"));
    }
}
