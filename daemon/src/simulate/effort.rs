//! One effort: how force rises, stays, yields and falls.
//!
//! In: what kind of effort, how strong (N above zero), how long (s). Out: its [`Course`]: force above the level it
//! started from (N) at any time (s), and when its onset, top, yield, release and end are. It is a sum of smooth changes,
//! so that every one of these moments is exact.
//!
//! Shapes: a voluntary rise follows the minimum-jerk course (Flash & Hogan 1985, J Neurosci 5:1688–1703); an explosive one
//! the step response of a critically damped second-order system, the model of a muscle's twitch (Milner-Brown, Stein &
//! Yemm 1973, J Physiol 230:359–370, from memory); an examiner's pull is a straight ramp with rounded corners. After a
//! yield, 20 to 65 % of the force are gone within 80 to 300 ms and contact remains for 0.2 to 1 s. Those ranges are
//! modelling assumptions: no published traces of finger muscles giving way are known to us.

use super::random::Random;
use std::fmt;
use std::str::FromStr;

/// What kind of effort.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The person pushes and holds; nothing gives way.
    Make,
    /// The same, as fast as possible.
    Explosive,
    /// The examiner pulls harder and harder until the limb gives way.
    Break,
    /// A make, held, then pulled until it gives way.
    MakeBreak,
    /// The person moves through the range against yielding resistance: half to three quarters of the top stay, undulating.
    Concentric,
}

impl Kind {
    /// Every kind with the word for it.
    pub const WORDS: [(Kind, &'static str); 5] = [
        (Kind::Make, "make"),
        (Kind::Explosive, "explosive"),
        (Kind::Break, "break"),
        (Kind::MakeBreak, "make-break"),
        (Kind::Concentric, "concentric"),
    ];

    /// The word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        Kind::WORDS.iter().find(|(kind, _)| *kind == self).map_or("", |(_, word)| word)
    }
}

/// One effort of a script; in text `KIND:PEAK_N` or `KIND:PEAK_N:HOLD_S`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effort {
    /// What kind.
    pub kind: Kind,
    /// Force at its top, N above zero.
    pub peak_n: f64,
    /// How long it is held at the top, s.
    pub hold_s: f64,
}

impl FromStr for Effort {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let mut parts = text.split(':');
        let word = parts.next().unwrap_or_default();
        let kind = Kind::WORDS.iter().find(|(_, name)| *name == word).map(|(kind, _)| *kind);
        let kind = kind
            .ok_or_else(|| format!("`{word}` is none of {}", Kind::WORDS.map(|(_, name)| name).join(", ")))?;
        let peak_n = number(parts.next(), "peak force in newtons", 0.01, 1_000.0)?;
        let hold_s = match parts.next() {
            Some(text) => number(Some(text), "holding time in seconds", 0.0, 600.0)?,
            None if kind == Kind::Break => 0.3,
            None => 3.0,
        };
        match parts.next() {
            None => Ok(Effort { kind, peak_n, hold_s }),
            Some(more) => Err(format!("`:{more}` is one part too many: KIND:PEAK_N:HOLD_S")),
        }
    }
}

impl fmt::Display for Effort {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.kind.word(), self.peak_n, self.hold_s)
    }
}

fn number(text: Option<&str>, what: &str, low: f64, high: f64) -> Result<f64, String> {
    let text = text.ok_or_else(|| format!("the {what} is missing"))?;
    match text.parse::<f64>() {
        Ok(value) if (low..=high).contains(&value) => Ok(value),
        _ => Err(format!("the {what} is `{text}`, must be a number from {low} to {high}")),
    }
}

/// How a change goes from 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Shape {
    MinimumJerk,
    Twitch,
    Ramp,
}

impl Shape {
    /// 0 before, 1 after, in between for `x` from 0 to 1.
    fn at(self, x: f64) -> f64 {
        if x <= 0.0 {
            return 0.0;
        }
        if x >= 1.0 {
            return 1.0;
        }
        match self {
            Shape::MinimumJerk => x * x * x * (10.0 + x * (6.0 * x - 15.0)),
            Shape::Twitch => twitch(x) / twitch(1.0),
            Shape::Ramp => ramp(x),
        }
    }
}

/// Eight time constants long: less than 0.4 % of the step are left then.
fn twitch(x: f64) -> f64 {
    let y = 8.0 * x;
    1.0 - (1.0 + y) * libm::exp(-y)
}

/// A ramp whose speed rises and falls smoothly over its first and last 8 %.
fn ramp(x: f64) -> f64 {
    const CORNER: f64 = 0.08;
    let speed = 1.0 / (1.0 - CORNER);
    // The integral of 3u² − 2u³.
    let corner = |u: f64| speed * CORNER * u * u * u * (1.0 - 0.5 * u);
    if x < CORNER {
        corner(x / CORNER)
    } else if x > 1.0 - CORNER {
        1.0 - corner((1.0 - x) / CORNER)
    } else {
        speed * (x - 0.5 * CORNER)
    }
}

/// One smooth change of force.
#[derive(Debug, Clone, Copy)]
struct Change {
    at_s: f64,
    lasts_s: f64,
    by_n: f64,
    shape: Shape,
}

/// The course of one effort. Times in s, on the clock of whoever asked for it.
#[derive(Debug, Clone)]
pub struct Course {
    /// What was asked for.
    pub kind: Kind,
    /// When force begins to rise.
    pub onset_s: f64,
    /// When the rise ends (the second one, where there are two).
    pub top_s: f64,
    /// When the limb begins to give way.
    pub yield_s: Option<f64>,
    /// When the final fall begins.
    pub release_s: f64,
    /// When the final fall ends.
    pub end_s: f64,
    /// Force at the top above the level it started from, N, without tremor and fatigue.
    pub top_n: f64,
    /// Fraction of the force lost per second of holding.
    fatigue_per_s: f64,
    /// When fatigue begins to show.
    tired_from_s: f64,
    changes: Vec<Change>,
}

impl Course {
    /// An effort that begins at `onset_s` from a level of `from_n`, its details drawn from `random`.
    #[must_use]
    pub fn new(effort: Effort, onset_s: f64, from_n: f64, random: &mut Random) -> Self {
        let mut course = Course {
            kind: effort.kind,
            onset_s,
            top_s: onset_s,
            yield_s: None,
            release_s: onset_s,
            end_s: onset_s,
            top_n: (effort.peak_n - from_n).max(0.0),
            fatigue_per_s: random.between(0.005, 0.025),
            tired_from_s: onset_s,
            changes: Vec::with_capacity(4),
        };
        let lasts_s = release_lasts_s(random);
        let left_n = match effort.kind {
            Kind::Make => course.rise(effort, Shape::MinimumJerk, random.between(0.3, 0.9)),
            Kind::Explosive => course.rise(effort, Shape::Twitch, random.between(0.25, 0.4)),
            Kind::Break => {
                course.fatigue_per_s = 0.0;
                course.rise(effort, Shape::Ramp, random.between(2.2, 3.6));
                course.give_way(random)
            }
            Kind::Concentric => course.move_through(effort, random),
            Kind::MakeBreak => {
                course.make_then_pull(effort, random);
                course.give_way(random)
            }
        };
        course.change(course.release_s, lasts_s, -left_n, Shape::MinimumJerk);
        course.end_s = course.release_s + lasts_s;
        course
    }

    /// Force above the level it started from, N.
    #[must_use]
    pub fn force_n(&self, time_s: f64) -> f64 {
        if time_s <= self.onset_s || time_s >= self.end_s {
            return 0.0;
        }
        let rested: f64 =
            self.changes.iter().map(|it| it.by_n * it.shape.at((time_s - it.at_s) / it.lasts_s)).sum();
        let held_s = (time_s.min(self.release_s) - self.tired_from_s).max(0.0);
        rested * (1.0 - (self.fatigue_per_s * held_s).min(0.8))
    }

    fn change(&mut self, at_s: f64, lasts_s: f64, by_n: f64, shape: Shape) {
        self.changes.push(Change { at_s, lasts_s, by_n, shape });
    }

    /// Rises to the top and holds; gives what is left to fall.
    fn rise(&mut self, effort: Effort, shape: Shape, lasts_s: f64) -> f64 {
        self.change(self.onset_s, lasts_s, self.top_n, shape);
        self.top_s = self.onset_s + lasts_s;
        self.tired_from_s = self.top_s;
        self.release_s = self.top_s + effort.hold_s;
        self.top_n
    }

    /// Rises, sinks while the digit moves, rises again towards the end of the range; gives what is left to fall.
    fn move_through(&mut self, effort: Effort, random: &mut Random) -> f64 {
        self.rise(effort, Shape::MinimumJerk, random.between(0.3, 0.9));
        self.fatigue_per_s = 0.0;
        let (sinks_n, back_n) =
            (self.top_n * random.between(0.3, 0.45), self.top_n * random.between(0.05, 0.2));
        let half_s = 0.5 * effort.hold_s;
        self.change(self.top_s, half_s, -sinks_n, Shape::MinimumJerk);
        self.change(self.top_s + half_s, half_s, back_n, Shape::MinimumJerk);
        self.top_n - sinks_n + back_n
    }

    fn make_then_pull(&mut self, effort: Effort, random: &mut Random) {
        let make_n = self.top_n / (1.0 + random.between(0.15, 0.4));
        let (rise_s, pull_s) = (random.between(0.4, 1.0), random.between(0.7, 1.6));
        self.change(self.onset_s, rise_s, make_n, Shape::MinimumJerk);
        self.tired_from_s = self.onset_s + rise_s;
        let pull_from_s = self.tired_from_s + effort.hold_s;
        self.change(pull_from_s, pull_s, self.top_n - make_n, Shape::Ramp);
        self.top_s = pull_from_s + pull_s;
        self.release_s = self.top_s + random.between(0.05, 0.25);
    }

    /// From where the release would be: yields, keeps some contact, and gives what is left to fall.
    fn give_way(&mut self, random: &mut Random) -> f64 {
        let lost_n = self.top_n * random.between(0.25, 0.6);
        let lasts_s = random.between(0.08, 0.3);
        self.yield_s = Some(self.release_s);
        self.change(self.release_s, lasts_s, -lost_n, Shape::MinimumJerk);
        self.release_s += lasts_s + random.between(0.3, 0.9);
        self.top_n - lost_n
    }
}

fn release_lasts_s(random: &mut Random) -> f64 {
    random.between(0.12, 0.4)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(kind: Kind, seed: u64) -> Course {
        Course::new(Effort { kind, peak_n: 40.0, hold_s: 2.0 }, 3.0, 1.5, &mut Random::new(seed))
    }

    #[test]
    fn shapes_go_from_nothing_to_all_without_a_step() {
        for shape in [Shape::MinimumJerk, Shape::Twitch, Shape::Ramp] {
            assert_eq!((shape.at(-1.0), shape.at(0.0), shape.at(1.0), shape.at(2.0)), (0.0, 0.0, 1.0, 1.0));
            let mut last = 0.0;
            for step in 1..=1000 {
                let now = shape.at(f64::from(step) / 1000.0);
                assert!(now >= last && now - last < 0.01, "{shape:?} at {step}");
                last = now;
            }
        }
        // Minimum jerk: half-way at half time, at 1.875 times the mean speed (Flash & Hogan 1985).
        let speed = (Shape::MinimumJerk.at(0.5005) - Shape::MinimumJerk.at(0.4995)) / 0.001;
        assert!((Shape::MinimumJerk.at(0.5) - 0.5).abs() < 1e-12 && (speed - 1.875).abs() < 1e-5);
    }

    #[test]
    fn every_effort_begins_tops_and_ends_where_it_says() {
        for (kind, _) in Kind::WORDS {
            for seed in 0..200 {
                let it = course(kind, seed);
                assert!(
                    it.onset_s < it.top_s && it.top_s <= it.release_s && it.release_s < it.end_s,
                    "{it:?}"
                );
                assert_eq!((it.force_n(it.onset_s), it.force_n(it.end_s)), (0.0, 0.0));
                assert!(it.force_n(it.end_s - 1e-6).abs() < 1e-3, "no step at the end: {it:?}");
                let top_n = it.force_n(it.top_s);
                let tired = if kind == Kind::MakeBreak { 0.91 } else { 0.999 };
                assert!((it.top_n * tired..=it.top_n + 1e-9).contains(&top_n), "{top_n} {it:?}");
                assert!((it.top_n - 38.5).abs() < 1e-9, "the peak is above zero, the course above contact");
            }
        }
    }

    #[test]
    fn what_breaks_keeps_contact_and_what_does_not_has_no_yield() {
        for seed in 0..200 {
            for kind in [Kind::Break, Kind::MakeBreak] {
                let it = course(kind, seed);
                let yield_s = it.yield_s.unwrap();
                let before_n = it.force_n(yield_s);
                let left = it.force_n(it.release_s) / before_n;
                assert!((0.38..0.76).contains(&left), "20 to 65 % are lost: {left} {it:?}");
                assert!(it.release_s - yield_s > 0.38, "contact stays: {it:?}");
            }
            assert!(
                course(Kind::Make, seed).yield_s.is_none() && course(Kind::Explosive, seed).yield_s.is_none()
            );
        }
    }

    #[test]
    fn text_is_read_strictly() {
        let effort: Effort = "make:32:1.5".parse().unwrap();
        assert_eq!(effort, Effort { kind: Kind::Make, peak_n: 32.0, hold_s: 1.5 });
        assert_eq!("make-break:20".parse::<Effort>().unwrap().to_string(), "make-break:20:3");
        for (text, part) in [
            ("push:3", "`push` is none of make, explosive, break, make-break"),
            ("make", "the peak force in newtons is missing"),
            ("make:x", "is `x`, must be a number from 0.01 to 1000"),
            ("make:-3", "must be a number"),
            ("make:nan", "must be a number"),
            ("make:3:1:2", "one part too many"),
        ] {
            let error = text.parse::<Effort>().unwrap_err();
            assert!(error.contains(part), "{text}: {error}");
        }
    }
}
