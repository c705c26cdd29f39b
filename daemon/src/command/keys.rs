//! Listens to stdin: each key as it is pressed where stdin is a terminal of ours, lines otherwise. What they mean is said in
//! [`crate::typing`] and here: `t` for a new zero (`t 2` of sensor 2 alone, `t 2 3` of its channel 3; after a colon the
//! orientation in which it is taken), `y` to accept another sensor, and the actions of a visit. A line whose free text looks
//! as if it said who somebody is becomes none until it is entered again.

use crate::clock::{Clock, SystemClock};
use crate::pipeline::{Action, Which};
use crate::shell::Order;
use crate::typing::foot_switch::Gesture;
use crate::typing::{Typed, Typing};
use crate::visit::action::{Examiner, STOPPED};
use analysis::code;
use analysis::console::clean;
use nix::sys::termios::{LocalFlags, SetArg, SpecialCharacterIndices, Termios, tcgetattr, tcsetattr};
use nix::unistd::{getpgrp, tcgetpgrp};
use std::collections::BTreeSet;
use std::io::{IsTerminal, Read};
use tokio::sync::mpsc::Sender;

/// An orientation is at most so long, characters.
const ORIENTATION_LONGEST: usize = 60;

/// The keys.
pub struct Keys {
    /// What they mean.
    pub typing: Typing,
    _each_key: Option<EachKey>,
}

/// Listens in a thread of its own, which ends with stdin.
pub fn listen(orders: Sender<Order>) -> Keys {
    let each_key = EachKey::begin();
    forward(orders);
    Keys { typing: Typing::new(each_key.is_some()), _each_key: each_key }
}

/// The same, for whole lines alone.
pub fn lines(orders: Sender<Order>) -> Typing {
    forward(orders);
    Typing::new(false)
}

fn forward(orders: Sender<Order>) {
    let listening = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        let mut piece = [0; 256];
        while let Ok(count @ 1..) = std::io::stdin().read(&mut piece) {
            if orders.blocking_send(Order::Typed(piece[..count].to_vec())).is_err() {
                return;
            }
        }
    });
    if let Err(error) = listening {
        tracing::warn!(%error, "keys are not listened to");
    }
}

/// So many texts that were asked about are remembered.
const ASKED_MOST: usize = 64;

/// What is typed or comes from a page, line by line. Free text that looks as if it said who somebody is is asked about once.
/// Nobody answers a dialogue with both hands on a patient: who means it enters the same again.
#[derive(Debug, Default)]
pub struct Lines {
    /// What was asked about.
    asked: BTreeSet<String>,
}

impl Lines {
    /// Why these texts are not taken, if they are not.
    pub fn objection(&mut self, texts: &[&str]) -> Option<String> {
        let found = texts.iter().find_map(|text| code::personal(text))?;
        if self.asked.len() >= ASKED_MOST {
            self.asked.clear();
        }
        let found = clean(&found);
        self.asked.insert(texts.join("\0")).then(|| {
            format!(
                "not entered: does `{found}` say who somebody is? Use codes, never names; if it does not, enter the same again"
            )
        })
    }

    /// What was typed, as it goes into the journal.
    ///
    /// # Errors
    /// Why it means nothing, or is asked about first.
    pub fn action(&mut self, typed: &Typed) -> Result<String, String> {
        Ok(match typed {
            Typed::Foot(gesture) => match gesture {
                Gesture::Stop => Examiner::Stop { reason: "foot switch".to_owned() },
                Gesture::Short => Examiner::Press,
                Gesture::Long => Examiner::Repeat { reason: "long press".to_owned() },
                Gesture::Double => Examiner::Pain { level: None },
            }
            .to_json(),
            Typed::Participant => Examiner::Stop { reason: "participant's key".to_owned() }.to_json(),
            Typed::Line(line) => return self.read(line),
        })
    }

    /// What a line means, as it goes into the journal.
    ///
    /// # Errors
    /// What is wrong with it, in words, or the question about its free text.
    pub fn read(&mut self, line: &str) -> Result<String, String> {
        // A page can send anything; what cannot be seen is no part of what is meant.
        let line = line.replace(char::is_control, " ");
        let line = line.trim();
        if line == "y" {
            return Ok(Action::AcceptSensor.to_json());
        }
        if line.split([' ', ':']).next() == Some("t") {
            let (which, orientation) = zero(line)?;
            let objection = self.objection(&[&orientation]);
            return objection.map_or_else(|| Ok(Action::Tare { which, orientation }.to_json()), Err);
        }
        let action = Examiner::parse(line)?;
        if let Examiner::Allow(answer) = &action
            && let Some(why) = answer.objection(super::day(SystemClock.utc_ns()))
        {
            return Err(why);
        }
        let texts = action.free_texts();
        let objection = self.objection(&texts.iter().map(String::as_str).collect::<Vec<_>>());
        match (objection, action) {
            (None, action) => Ok(action.to_json()),
            // A stop waits for no answer: it is one without the words.
            (Some(_), Examiner::Stop { .. }) => Ok(Examiner::Stop { reason: STOPPED.to_owned() }.to_json()),
            (Some(why), _) => Err(why),
        }
    }
}

/// A new zero: whose, and after a colon the sensor's orientation.
fn zero(line: &str) -> Result<(Which, String), String> {
    let (whose, orientation) = line.split_once(':').unwrap_or((line, ""));
    Ok((which(whose)?, orientation.trim().chars().take(ORIENTATION_LONGEST).collect()))
}

/// Whose zero, in `t`, `t SENSOR`, `t SENSOR CHANNEL`.
fn which(line: &str) -> Result<Which, String> {
    let numbers = line.split_whitespace().skip(1).map(|word| word.parse().ok().filter(|number| *number > 0));
    match numbers.collect::<Vec<Option<usize>>>()[..] {
        [] => Ok(Which::default()),
        [sensor @ Some(_)] => Ok(Which { sensor, channel: None }),
        [sensor @ Some(_), channel @ Some(_)] => Ok(Which { sensor, channel }),
        _ => Err("a new zero is `t`, `t SENSOR` or `t SENSOR CHANNEL`, both from 1".to_owned()),
    }
}

/// The terminal gives each key at once and does not show it; as it was before when this ends, panics included. Ctrl-C and
/// the like stay what they are.
struct EachKey(Termios);

impl EachKey {
    /// Where stdin is a terminal, and not somebody else's now: to touch it from the background stops a program.
    fn begin() -> Option<EachKey> {
        let stdin = std::io::stdin();
        let in_background = tcgetpgrp(&stdin).is_ok_and(|group| group != getpgrp());
        if !stdin.is_terminal() || in_background {
            return None;
        }
        let before = tcgetattr(&stdin).ok()?;
        let mut each = before.clone();
        each.local_flags.remove(LocalFlags::ICANON | LocalFlags::ECHO);
        each.control_chars[SpecialCharacterIndices::VMIN as usize] = 1;
        each.control_chars[SpecialCharacterIndices::VTIME as usize] = 0;
        tcsetattr(&stdin, SetArg::TCSANOW, &each).ok()?;
        Some(EachKey(before))
    }
}

impl Drop for EachKey {
    fn drop(&mut self) {
        // A terminal that is gone has nothing to be put back.
        let _ = tcsetattr(std::io::stdin(), SetArg::TCSANOW, &self.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_zero_is_taken_of_all_or_of_those_that_are_named() {
        for (line, action) in [
            ("t", r#"{"action":"tare"}"#),
            ("t 2", r#"{"action":"tare","sensor":2}"#),
            (" t 2  3 ", r#"{"action":"tare","sensor":2,"channel":3}"#),
            ("t: palm up", r#"{"action":"tare","orientation":"palm up"}"#),
            ("t 2: face down", r#"{"action":"tare","sensor":2,"orientation":"face down"}"#),
        ] {
            assert_eq!(Lines::default().read(line).as_deref(), Ok(action));
            let read_back: Action = serde_json::from_str(action).unwrap();
            assert_eq!(read_back.to_json(), action);
        }
        for line in ["t 0", "t x", "t 1 2 3"] {
            assert!(Lines::default().read(line).is_err(), "{line}");
        }
    }

    #[test]
    fn what_cannot_be_seen_is_no_part_of_a_line_and_stops_nothing() {
        let read = |line: &str| Lines::default().read(line).unwrap();
        assert_eq!(read("o text: a\u{0}b\u{1b}[2J"), read("o text: a b [2J"));
        assert!(read("x a\u{0}b").contains(r#""visit":"stop""#), "{}", read("x a\u{0}b"));
    }

    #[test]
    fn what_has_not_come_yet_is_no_answer_of_the_gate() {
        let later = Lines::default().read("left make pain 3 since 9999-01-03");
        assert!(later.is_err_and(|why| why.contains("that day has not come")));
    }

    #[test]
    fn free_text_that_looks_like_a_name_is_taken_when_it_is_entered_again() {
        for line in [
            "o note: Mrs Anna Smith cried",
            "o Anna Smith: cried",
            "r Anna Smith pulled back",
            "i 7 Anna Smith helped",
            "s asked Dr. Miller",
            "w 7 left index abduction: Anna Smith said so",
            "override 3 asked Dr. Miller",
            "allow left make pain 2 since 2026-01-03 cleared Dr Miller 2026-02-01",
            "t: for Anna Smith",
        ] {
            let mut lines = Lines::default();
            let why = lines.read(line).unwrap_err();
            assert!(
                why.contains("say who somebody is") && why.contains("enter the same again"),
                "{line}: {why}"
            );
            assert!(lines.read("o note: Anna Jones cried").is_err(), "another one is asked about by itself");
            assert!(lines.read("").is_ok(), "a press is no answer");
            assert!(lines.read(line).is_ok(), "{line}");
        }
        let stop = Lines::default().read("x Anna Smith cried").unwrap();
        assert!(stop.contains("stop") && !stop.contains("Anna"), "a stop waits for no answer: {stop}");
        for line in [
            "o note: tired",
            "allow left make pain 2 since 2026-01-03 cleared surgeon 2026-02-01",
            "x too much",
            "w left index abduction: wrong finger",
        ] {
            assert!(Lines::default().read(line).is_ok(), "{line}");
        }
    }
}
