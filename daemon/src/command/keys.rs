//! What the examiner types while recording, a line at a time: `t` for a new zero, `y` to accept another sensor, and the
//! actions of a visit ([`Examiner::parse`]). A foot switch that types Enter is one.

use crate::pipeline::Action;
use crate::shell::Order;
use crate::visit::action::Examiner;
use analysis::console::clean;
use std::io::Write;
use tokio::sync::mpsc::Sender;

/// Reads a line; gives the action as it goes into the journal.
///
/// # Errors
/// What is wrong with it, in words.
pub fn read(line: &str) -> Result<String, String> {
    match line.trim() {
        "t" => Ok(Action::Tare.to_json()),
        "y" => Ok(Action::AcceptSensor.to_json()),
        line => Examiner::parse(line).map(|action| action.to_json()),
    }
}

/// Listens to stdin in a thread of its own; ends with stdin.
pub fn listen(orders: Sender<Order>) {
    let listening = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            let action = match read(&line) {
                Ok(action) => action,
                Err(why) => {
                    // A closed stderr is no reason to stop listening.
                    let _ = writeln!(std::io::stderr(), "\r{}", clean(&why));
                    continue;
                }
            };
            if orders.blocking_send(Order::Act(action)).is_err() {
                return;
            }
        }
    });
    if let Err(error) = listening {
        tracing::warn!(%error, "keys are not listened to");
    }
}
