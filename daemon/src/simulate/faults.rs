//! What goes wrong, by plan and by seed.
//!
//! In: probabilities per frame, times in s since the first start, a seed. Out: what becomes of each frame, and when
//! the cable is pulled or the board resets.

use super::random::Random;

const NS_PER_S: f64 = 1e9;

/// What is to go wrong.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Faults {
    /// Probability that a frame vanishes on the line.
    pub drop: f64,
    /// Probability that one byte of a frame is changed on the line, its delimiter included.
    pub flip: f64,
    /// Probability that a frame comes twice.
    pub duplicate: f64,
    /// The cable is pulled this long after the first start, s.
    pub unplug_after_s: Option<f64>,
    /// And put back this long after that, s; without it, never.
    pub return_after_s: Option<f64>,
    /// Another board answers when the cable is back, with this serial number.
    pub returns_as: Option<String>,
    /// The board resets this long after the first start, s: at the next moment at which it has sent all it has, so
    /// that a host can know of every sample.
    pub reset_after_s: Option<f64>,
    /// It resets at that very moment, whatever is lost by it.
    pub reset_abruptly: bool,
    /// Pulling and resetting happen again at this interval, s.
    pub every_s: Option<f64>,
    /// The board is powered by the cable: pulling it is a reset, too.
    pub unplug_resets: bool,
    /// How much faster than true time the board's clock runs, millionths.
    pub clock_drift_ppm: f64,
    /// Never says a byte.
    pub silent: bool,
    /// Sends only random bytes.
    pub noise_only: bool,
    /// Claims to speak this version of the protocol.
    pub version: Option<u8>,
}

/// A fault plan with a number out of range.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("the fault {name} is {value}, must be {expected}")]
pub struct FaultError {
    /// Which.
    pub name: &'static str,
    /// Its value.
    pub value: f64,
    /// What it must be.
    pub expected: &'static str,
}

impl Faults {
    /// # Errors
    /// The first number that is out of range.
    pub fn check(&self) -> Result<(), FaultError> {
        let probability = |name, value| (name, Some(value), 0.0..=1.0, "a probability from 0 to 1");
        let time = |name, value| (name, value, 0.0..=1e6, "from 0 to 1000000 s");
        let numbers = [
            probability("drop", self.drop),
            probability("flip", self.flip),
            probability("duplicate", self.duplicate),
            time("unplug-after", self.unplug_after_s),
            time("return-after", self.return_after_s),
            time("reset-after", self.reset_after_s),
            ("every", self.every_s, 0.1..=1e6, "from 0.1 to 1000000 s"),
            ("clock-drift", Some(self.clock_drift_ppm), -10_000.0..=10_000.0, "from -10000 to 10000 ppm"),
        ];
        for (name, value, allowed, expected) in numbers {
            if let Some(value) = value.filter(|value| !allowed.contains(value)) {
                return Err(FaultError { name, value, expected });
            }
        }
        match (self.unplug_after_s, self.return_after_s, self.every_s) {
            (Some(_), Some(value), Some(every_s)) if value >= every_s => {
                Err(FaultError { name: "return-after", value, expected: "shorter than every" })
            }
            _ => Ok(()),
        }
    }
}

/// What becomes of one frame.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Fate {
    /// It vanishes.
    pub dropped: bool,
    /// This byte of it is combined with this pattern (exclusive or, never 0).
    pub flipped: Option<(usize, u8)>,
    /// It comes a second time, whole.
    pub duplicated: bool,
}

/// Draws the fate of frame after frame.
#[derive(Debug, Clone)]
pub struct Dice {
    random: Random,
    drop: f64,
    flip: f64,
    duplicate: f64,
}

impl Dice {
    /// Fates by `faults` and `seed`.
    #[must_use]
    pub fn new(faults: &Faults, seed: u64) -> Self {
        let random = Random::fork(seed, 4);
        Dice { random, drop: faults.drop, flip: faults.flip, duplicate: faults.duplicate }
    }

    /// The fate of a frame of `length` bytes. Always draws equally often, so that one fault's probability does not move
    /// the others about.
    pub fn throw(&mut self, length: usize) -> Fate {
        let dropped = self.random.chance(self.drop);
        let flips = self.random.chance(self.flip);
        let duplicated = self.random.chance(self.duplicate);
        let place = (self.random.below(length), 1 + self.random.below(255) as u8);
        Fate { dropped, flipped: flips.then_some(place), duplicated }
    }
}

/// What happens to the board or its cable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    /// The cable is pulled.
    Unplug,
    /// The board resets.
    Reset,
}

/// When it happens, on the host's monotonic clock.
#[derive(Debug, Clone, Default)]
pub struct Schedule {
    unplug_ns: Option<u64>,
    reset_ns: Option<u64>,
    every_ns: Option<u64>,
}

impl Schedule {
    /// The plan's times, counted from `start_ns`.
    #[must_use]
    pub fn new(faults: &Faults, start_ns: u64) -> Self {
        let at = |after: Option<f64>| after.map(|after_s| start_ns + (after_s * NS_PER_S) as u64);
        Schedule {
            unplug_ns: at(faults.unplug_after_s),
            reset_ns: at(faults.reset_after_s),
            every_ns: faults.every_s.map(|every_s| (every_s * NS_PER_S) as u64),
        }
    }

    /// What comes next, and when. Pulling a cable waits until it is `plugged`.
    #[must_use]
    pub fn next(&self, plugged: bool) -> Option<(u64, Event)> {
        let unplug = self.unplug_ns.filter(|_| plugged).map(|at_ns| (at_ns, Event::Unplug));
        let reset = self.reset_ns.map(|at_ns| (at_ns, Event::Reset));
        unplug.into_iter().chain(reset).min_by_key(|(at_ns, _)| *at_ns)
    }

    /// `event` has happened: it happens again after the plan's interval, if it has one.
    pub fn happened(&mut self, event: Event) {
        let every_ns = self.every_ns;
        let slot = match event {
            Event::Unplug => &mut self.unplug_ns,
            Event::Reset => &mut self.reset_ns,
        };
        *slot = slot.zip(every_ns).map(|(at_ns, every_ns)| at_ns + every_ns);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_are_as_frequent_as_asked_and_the_same_for_a_seed() {
        let faults = Faults { drop: 0.1, flip: 0.2, duplicate: 0.3, ..Faults::default() };
        let throw = |faults: &Faults| {
            let mut dice = Dice::new(faults, 5);
            (0..20_000).map(|_| dice.throw(90)).collect::<Vec<_>>()
        };
        let fates = throw(&faults);
        let count = |what: &dyn Fn(&Fate) -> bool| fates.iter().filter(|fate| what(fate)).count();
        assert!(count(&|fate| fate.dropped).abs_diff(2_000) < 220);
        assert!(count(&|fate| fate.flipped.is_some()).abs_diff(4_000) < 290);
        assert!(count(&|fate| fate.duplicated).abs_diff(6_000) < 330);
        let places: Vec<(usize, u8)> = fates.iter().filter_map(|fate| fate.flipped).collect();
        assert!(places.iter().all(|(place, pattern)| *place < 90 && *pattern != 0));
        assert!(places.iter().any(|(place, _)| *place == 89), "the delimiter is hit, too");
        assert_eq!(fates, throw(&faults));
        let other = throw(&Faults { drop: 0.9, ..faults });
        assert!(fates.iter().zip(&other).all(|(a, b)| a.flipped == b.flipped), "faults are independent");
    }

    #[test]
    fn events_come_in_order_and_again() {
        let faults = Faults {
            unplug_after_s: Some(2.0),
            reset_after_s: Some(3.0),
            every_s: Some(4.0),
            ..Faults::default()
        };
        let mut schedule = Schedule::new(&faults, 1_000_000_000);
        assert_eq!(schedule.next(true), Some((3_000_000_000, Event::Unplug)));
        assert_eq!(schedule.next(false), Some((4_000_000_000, Event::Reset)));
        schedule.happened(Event::Unplug);
        assert_eq!(schedule.next(true), Some((4_000_000_000, Event::Reset)));
        schedule.happened(Event::Reset);
        assert_eq!(schedule.next(true), Some((7_000_000_000, Event::Unplug)));
        let mut once = Schedule::new(&Faults { every_s: None, reset_after_s: None, ..faults }, 0);
        once.happened(Event::Unplug);
        assert_eq!(once.next(true), None);
    }

    #[test]
    fn numbers_out_of_range_are_refused() {
        for (faults, name) in [
            (Faults { drop: 1.5, ..Faults::default() }, "drop is 1.5"),
            (Faults { flip: f64::NAN, ..Faults::default() }, "flip is NaN"),
            (Faults { unplug_after_s: Some(-1.0), ..Faults::default() }, "unplug-after is -1"),
            (Faults { every_s: Some(0.0), ..Faults::default() }, "every is 0"),
            (
                Faults {
                    unplug_after_s: Some(1.0),
                    return_after_s: Some(2.0),
                    every_s: Some(2.0),
                    ..Faults::default()
                },
                "return-after is 2, must be shorter than every",
            ),
            (Faults { clock_drift_ppm: 1e9, ..Faults::default() }, "clock-drift is 1000000000"),
        ] {
            let error = faults.check().unwrap_err().to_string();
            assert!(error.contains(name), "{error}");
        }
        assert_eq!(Faults::default().check(), Ok(()));
    }
}
