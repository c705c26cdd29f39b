//! What the examiner types while recording: `t` for a new zero, `y` to accept another sensor, each with Enter.

use crate::pipeline::Action;
use tokio::sync::mpsc::Receiver;

/// Listens to stdin in a thread of its own; ends with stdin.
pub fn listen() -> Receiver<Action> {
    let (sender, receiver) = tokio::sync::mpsc::channel(16);
    let listening = std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            let action = match line.trim() {
                "t" => Action::Tare,
                "y" => Action::AcceptSensor,
                _ => continue,
            };
            if sender.blocking_send(action).is_err() {
                return;
            }
        }
    });
    if let Err(error) = listening {
        tracing::warn!(%error, "keys are not listened to");
    }
    receiver
}
