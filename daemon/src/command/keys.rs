//! What the examiner types while recording, a line at a time: `t` for a new zero, `y` to accept another sensor, and the
//! actions of a visit ([`Examiner::parse`]). A foot switch that types Enter is one.

use crate::pipeline::Action;
use crate::visit::action::Examiner;
use analysis::console::clean;
use std::io::Write;
use tokio::sync::mpsc::Receiver;

/// Listens to stdin in a thread of its own; ends with stdin. Gives actions as they go into the journal.
pub fn listen() -> Receiver<String> {
    lines(|line| match line {
        "t" => Ok(serde_json::to_string(&Action::Tare).unwrap_or_default()),
        "y" => Ok(serde_json::to_string(&Action::AcceptSensor).unwrap_or_default()),
        line => Examiner::parse(line).map(|action| action.to_json()),
    })
}

/// The same with another meaning of the lines; one that has none is said.
pub fn lines(meaning: fn(&str) -> Result<String, String>) -> Receiver<String> {
    let (sender, receiver) = tokio::sync::mpsc::channel(16);
    let listening = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            let said = match meaning(line.trim()) {
                Ok(said) => said,
                Err(why) => {
                    // A closed stderr is no reason to stop listening.
                    let _ = writeln!(std::io::stderr(), "\r{}", clean(&why));
                    continue;
                }
            };
            if sender.blocking_send(said).is_err() {
                return;
            }
        }
    });
    if let Err(error) = listening {
        tracing::warn!(%error, "keys are not listened to");
    }
    receiver
}
