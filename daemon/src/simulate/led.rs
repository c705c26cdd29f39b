//! A hand that is told what to do, as a person is who follows a visit's cues.
//!
//! In: orders with their time (touch, let go, an effort), a seed. Out: force (N above zero) at any time (s) from the last
//! order on, wavering as the scripted hand's does.

use super::effort::{Course, Effort};
use super::hand::{Waver, smooth};
use super::random::Random;
use std::str::FromStr;

/// The touch comes and goes within this time, s.
const TOUCH_LASTS_S: f64 = 0.25;

/// What the hand is told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Order {
    /// Touch the sensor with this force, N; 0 lets go.
    Touch(f64),
    /// Begin an effort.
    Pull(Effort),
}

impl FromStr for Order {
    type Err = String;

    /// `touch 1.5`, `free`, or an effort as `KIND:PEAK_N:HOLD_S`.
    fn from_str(text: &str) -> Result<Self, String> {
        let mut words = text.split_whitespace();
        match (words.next(), words.next(), words.next()) {
            (Some("free"), None, None) => Ok(Order::Touch(0.0)),
            (Some("touch"), Some(force), None) => match force.parse::<f64>() {
                Ok(force_n) if (0.0..=100.0).contains(&force_n) => Ok(Order::Touch(force_n)),
                _ => Err(format!("the touch is `{force}`, must be a number from 0 to 100")),
            },
            (Some(effort), None, None) => effort.parse().map(Order::Pull),
            _ => Err(format!("`{text}` is no order: write `touch N`, `free` or KIND:PEAK_N:HOLD_S")),
        }
    }
}

/// The hand.
#[derive(Debug, Clone)]
pub struct Led {
    /// Force of the touch before the last order about it, N; when it began to change, s; what it changes to, N.
    touch: (f64, f64, f64),
    course: Option<Course>,
    pulls: u64,
    seed: u64,
    slow: Waver,
    tremor: Waver,
}

impl Led {
    /// A hand that touches nothing yet. `unsteadiness` is 1 for people's, 0 for none.
    #[must_use]
    pub fn new(seed: u64, unsteadiness: f64) -> Self {
        Led {
            touch: (0.0, 0.0, 0.0),
            course: None,
            pulls: 0,
            seed,
            slow: Waver::slow(seed, unsteadiness),
            tremor: Waver::tremor(seed, unsteadiness),
        }
    }

    /// Tells it something, at a time that is not before the last order's, s.
    pub fn tell(&mut self, order: Order, at_s: f64) {
        match order {
            Order::Touch(force_n) => self.touch = (self.touch_n(at_s), at_s, force_n),
            Order::Pull(effort) => {
                self.pulls += 1;
                let mut random = Random::fork(self.seed, 1_000 + self.pulls);
                self.course = Some(Course::new(effort, at_s, self.touch_n(at_s), &mut random));
            }
        }
    }

    /// The effort that was begun last.
    #[must_use]
    pub fn course(&self) -> Option<&Course> {
        self.course.as_ref()
    }

    fn touch_n(&self, time_s: f64) -> f64 {
        let (before_n, since_s, to_n) = self.touch;
        before_n + (to_n - before_n) * smooth((time_s - since_s) / TOUCH_LASTS_S)
    }

    /// Force on the sensor, N.
    pub fn force_n(&self, time_s: f64) -> f64 {
        let effort_n = self.course.as_ref().map_or(0.0, |course| course.force_n(time_s));
        let slow = self.slow.at(time_s);
        effort_n * (1.0 + slow + self.tremor.at(time_s)) + self.touch_n(time_s) * (1.0 + 3.0 * slow)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_does_what_it_is_told_when_it_is_told() {
        let mut hand = Led::new(3, 0.0);
        assert_eq!(hand.force_n(1.0), 0.0);
        hand.tell("touch 1.5".parse().unwrap(), 1.0);
        assert_eq!((hand.force_n(1.0), hand.force_n(2.0)), (0.0, 1.5));
        hand.tell("make:20:2".parse().unwrap(), 3.0);
        let top_s = hand.course().unwrap().top_s;
        assert!((hand.force_n(top_s) - 20.0).abs() < 1e-9, "the touch is part of the peak");
        hand.tell(Order::Touch(0.0), 9.0);
        assert_eq!(hand.force_n(10.0), 0.0);
    }

    #[test]
    fn orders_are_read_strictly() {
        for (text, part) in [
            ("touch", "`touch` is none of make"),
            ("touch much", "from 0 to 100"),
            ("touch 1 2", "is no order"),
            ("pull:3", "is none of"),
            ("", "is no order"),
        ] {
            let error = text.parse::<Order>().unwrap_err();
            assert!(error.contains(part), "{text}: {error}");
        }
        assert_eq!("free".parse(), Ok(Order::Touch(0.0)));
    }
}
