//! Listens to stdin: each key as it is pressed where stdin is a terminal of ours, lines otherwise. What they mean is said in
//! [`crate::typing`] and here: `t` for a new zero (`t 2` of sensor 2 alone, `t 2 3` of its channel 3; after a colon the
//! orientation in which it is taken), `y` to accept another sensor, and the actions of a visit.

use crate::pipeline::{Action, Which};
use crate::shell::Order;
use crate::typing::foot_switch::Gesture;
use crate::typing::{Typed, Typing};
use crate::visit::action::Examiner;
use nix::sys::termios::{LocalFlags, SetArg, SpecialCharacterIndices, Termios, tcgetattr, tcsetattr};
use nix::unistd::{getpgrp, tcgetpgrp};
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

/// What was typed, as it goes into the journal; or why it means nothing.
pub fn action(typed: &Typed) -> Result<String, String> {
    Ok(match typed {
        Typed::Foot(gesture) => match gesture {
            Gesture::Stop => Examiner::Stop { reason: "foot switch".to_owned() },
            Gesture::Short => Examiner::Press,
            Gesture::Long => Examiner::Repeat { reason: "long press".to_owned() },
            Gesture::Double => Examiner::Pain { level: None },
        }
        .to_json(),
        Typed::Participant => Examiner::Stop { reason: "participant's key".to_owned() }.to_json(),
        Typed::Line(line) => return read(line),
    })
}

/// What a line means, as it goes into the journal.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(line: &str) -> Result<String, String> {
    match line.trim() {
        "y" => Ok(Action::AcceptSensor.to_json()),
        line if line.split([' ', ':']).next() == Some("t") => zero(line),
        line => Examiner::parse(line).map(|action| action.to_json()),
    }
}

/// A new zero: whose, and after a colon the sensor's orientation.
fn zero(line: &str) -> Result<String, String> {
    let (whose, orientation) = line.split_once(':').unwrap_or((line, ""));
    let orientation = orientation.trim().chars().take(ORIENTATION_LONGEST).collect();
    Ok(Action::Tare { which: which(whose)?, orientation }.to_json())
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
            assert_eq!(read(line).as_deref(), Ok(action));
            let read_back: Action = serde_json::from_str(action).unwrap();
            assert_eq!(read_back.to_json(), action);
        }
        for line in ["t 0", "t x", "t 1 2 3"] {
            assert!(read(line).is_err(), "{line}");
        }
    }
}
