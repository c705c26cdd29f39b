//! A simulated sensor whose hand does what it is told, as person and examiner do who hear what the terminal says.

use crate::{Place, fingerforced, wait_for};
use std::io::Write;
use std::process::{Child, ChildStdin, Stdio};

/// The sensor; it ends with this value.
pub struct Hand {
    child: Child,
    orders: ChildStdin,
}

impl Hand {
    /// Starts it, and waits for its port.
    pub fn start(place: &Place) -> Hand {
        let mut simulate = fingerforced();
        simulate.args(["simulate", "--follow", "--json", "--link"]).arg(place.port());
        let piped = simulate.stdin(Stdio::piped()).stdout(Stdio::null()).stderr(Stdio::null());
        let mut child = piped.spawn().unwrap();
        let orders = child.stdin.take().unwrap();
        wait_for("the simulated port", || place.port().exists().then_some(()));
        Hand { child, orders }
    }

    /// Tells it: `touch N`, `free`, `KIND:PEAK_N:HOLD_S`.
    pub fn tell(&mut self, order: &str) {
        writeln!(self.orders, "{order}").unwrap();
        self.orders.flush().unwrap();
    }

    /// Does what a line of the terminal asks for; a muscle's make is 20 N.
    pub fn hear(&mut self, line: &str) {
        let order = match line.split(',').collect::<Vec<_>>()[..] {
            _ if line.starts_with("zero taken") => "touch 1.5",
            _ if line.starts_with("turn or change the hand") => "free",
            [go, " make test", ..] if go.starts_with("go: ") => "make:20:1.4",
            [go, " break test", ..] if go.starts_with("go: ") => "break:24:0.3",
            [go, " concentric test", ..] if go.starts_with("go: ") => "concentric:18:2",
            _ => return,
        };
        self.tell(order);
    }
}

impl Drop for Hand {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
