//! What the keys mean: the foot switch, the participant's key, typed lines.
//!
//! Comes in: characters with their time (ns), and whether a pull is on. Goes out: [`Typed`]. Pure.
//!
//! On a terminal Enter or the space bar on an empty line is the foot switch, Escape (and any key that sends a sequence
//! with it: arrows, F1 to F12) the key in the participant's free hand; all else is a line, ended with Enter. During a pull
//! any key stops. Where stdin is no terminal, lines are all there is: an empty one is a press.

pub mod foot_switch;

use foot_switch::{FootSwitch, Gesture};

/// Longest line.
const LINE_MAX: usize = 400;
/// The participant's key, held, says so once, ns.
const HELD_NS: u64 = 1_000_000_000;
const ESCAPE: char = '\u{1b}';

/// What was meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Typed {
    /// The foot switch.
    Foot(Gesture),
    /// The participant's key: stop.
    Participant,
    /// A line; "" where stdin is no terminal and nothing stands in it.
    Line(String),
}

/// The keys' state.
#[derive(Debug, Default)]
pub struct Typing {
    on_terminal: bool,
    line: String,
    foot: FootSwitch,
    participant_ns: Option<u64>,
}

impl Typing {
    /// Keys on a terminal, each as it is pressed, or lines.
    pub fn new(on_terminal: bool) -> Self {
        Typing { on_terminal, ..Typing::default() }
    }

    /// The line that is being typed.
    pub fn line(&self) -> &str {
        &self.line
    }

    /// Takes what was read at once.
    pub fn hear(&mut self, bytes: &[u8], now_ns: u64, loaded: bool) -> Vec<Typed> {
        let mut out = Vec::new();
        for c in String::from_utf8_lossy(bytes).chars() {
            match c {
                ESCAPE if self.on_terminal => {
                    let held =
                        self.participant_ns.is_some_and(|at_ns| now_ns.saturating_sub(at_ns) < HELD_NS);
                    if !held {
                        out.push(Typed::Participant);
                    }
                    self.participant_ns = Some(now_ns);
                    // The rest of its sequence says which key it was.
                    return out;
                }
                '\r' if !self.on_terminal => {}
                '\n' | '\r' | ' ' if self.on_terminal && self.line.is_empty() => {
                    out.extend(self.foot.press(now_ns, loaded).map(Typed::Foot));
                }
                '\n' | '\r' => out.push(Typed::Line(std::mem::take(&mut self.line))),
                '\u{8}' | '\u{7f}' if self.on_terminal => drop(self.line.pop()),
                // Ctrl-U, as terminals have it.
                '\u{15}' if self.on_terminal => self.line.clear(),
                c if c.is_control() && c != '\t' => {}
                c => {
                    if loaded && self.on_terminal && self.line.is_empty() {
                        out.push(Typed::Foot(Gesture::Stop));
                    }
                    if self.line.len() < LINE_MAX {
                        self.line.push(c);
                    }
                }
            }
        }
        out
    }

    /// Time passed.
    pub fn tick(&mut self, now_ns: u64, loaded: bool) -> Option<Typed> {
        self.foot.tick(now_ns, loaded).map(Typed::Foot)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: u64 = 1_000_000_000;

    #[test]
    fn on_a_terminal_letters_make_lines_and_enter_alone_is_the_switch() {
        let mut keys = Typing::new(true);
        assert_eq!(keys.hear(b"p 5x\x7f", S, false), []);
        assert_eq!(keys.line(), "p 5");
        assert_eq!(keys.hear(b"\r", S, false), [Typed::Line("p 5".into())]);
        assert_eq!(keys.hear(b"\r", 2 * S, false), []);
        assert_eq!(keys.tick(3 * S, false), Some(Typed::Foot(Gesture::Short)));
        assert_eq!(keys.hear(b"wrong\x15", 4 * S, false), []);
        assert_eq!(keys.line(), "");
    }

    #[test]
    fn during_a_pull_any_key_stops_at_once() {
        for key in [&b"\n"[..], b" ", b"p", b"q", b"7"] {
            let mut keys = Typing::new(true);
            assert_eq!(keys.hear(key, S, true), [Typed::Foot(Gesture::Stop)], "{key:?}");
        }
        let mut keys = Typing::new(true);
        assert_eq!(keys.hear(b"p", S, true), [Typed::Foot(Gesture::Stop)]);
        assert_eq!(keys.hear(b" 6\r", 2 * S, false), [Typed::Line("p 6".into())], "and the line goes on");
    }

    #[test]
    fn the_participants_key_stops_whenever_it_is_pressed_and_once_while_it_is_held() {
        let mut keys = Typing::new(true);
        assert_eq!(keys.hear(b"\x1b", S, false), [Typed::Participant]);
        for step in 1..100 {
            assert_eq!(keys.hear(b"\x1b", S + step * 40_000_000, true), []);
        }
        assert_eq!(keys.hear(b"\x1b[A", 9 * S, true), [Typed::Participant], "an arrow is that key, too");
        assert_eq!(keys.line(), "");
    }

    #[test]
    fn without_a_terminal_lines_are_all_there_is() {
        let mut keys = Typing::new(false);
        assert_eq!(keys.hear(b"\np 4\r\nha", S, true), [Typed::Line("".into()), Typed::Line("p 4".into())]);
        assert_eq!(keys.hear(b"lf\n", S, true), [Typed::Line("half".into())]);
    }

    #[test]
    fn a_line_without_end_costs_no_memory() {
        let mut keys = Typing::new(true);
        keys.hear(&vec![b'a'; 1 << 20], S, false);
        assert_eq!(keys.line().len(), LINE_MAX);
    }
}
