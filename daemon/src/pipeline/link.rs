//! The host's side of the conversation with one board: identify, start, keep alive, stop.
//!
//! Comes in: what was decoded, and the time (host's monotonic clock, ns, as stamped in the journal). Goes out: messages
//! to send and what the link has become. Pure: the same records give the same conversation.

use firmware_protocol::message::HostMessage;

/// The handshake is retried this often.
const RETRY_NS: u64 = 500_000_000;
/// A board that has not answered for this long does not answer: opening a port resets many boards, so they get time.
pub const HANDSHAKE_NS: u64 = 5_000_000_000;
/// A streaming board that sends nothing for this long is silent.
const SILENT_NS: u64 = 1_000_000_000;
/// A ping exchange bounds the clock map this often.
const PING_NS: u64 = 10_000_000_000;
/// After a stop was asked for, its answer is waited for this long.
pub const STOP_NS: u64 = 2_000_000_000;

/// Where the conversation is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phase {
    /// No port.
    Closed,
    /// The identity was asked for.
    Identifying,
    /// An older stream is being stopped, so that the new one begins at sample 0.
    Clearing,
    /// Start was sent, no samples yet.
    Starting,
    /// Samples come.
    Streaming,
    /// Stop was sent, the count of samples is awaited.
    Stopping,
    /// The board has stopped and said how many samples there were.
    Stopped,
    /// The board cannot be used.
    Refused,
}

/// What the link has to say.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Word {
    /// Send this.
    Send(HostMessage),
    /// Nothing answered within the handshake's time; how many bytes came nevertheless.
    NoAnswer {
        /// Bytes received that made no frame.
        noise_bytes: u64,
    },
    /// Samples stopped coming although the port is open.
    Silent,
    /// Samples come (again).
    Flowing,
    /// The board has stopped, or does not answer the stop any more.
    Stopped,
}

/// The host's side of one conversation.
#[derive(Debug, Clone)]
pub struct Link {
    phase: Phase,
    since_ns: u64,
    sent_ns: u64,
    heard_ns: u64,
    pinged_ns: u64,
    token: u32,
    noise_bytes: u64,
    gave_up: bool,
    silent: bool,
    /// The board's stream is known from before (the port came back): it is not stopped first, its count goes on.
    known: bool,
}

impl Default for Link {
    fn default() -> Self {
        Link {
            phase: Phase::Closed,
            since_ns: 0,
            sent_ns: 0,
            heard_ns: 0,
            pinged_ns: 0,
            token: 0,
            noise_bytes: 0,
            gave_up: false,
            silent: false,
            known: false,
        }
    }
}

impl Link {
    /// Where the conversation is.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Samples that come now belong to the stream that was asked for.
    pub fn takes_samples(&self) -> bool {
        matches!(self.phase, Phase::Starting | Phase::Streaming | Phase::Stopping)
    }

    /// The board has said who it is, and can be used.
    pub fn is_identified(&self) -> bool {
        !matches!(self.phase, Phase::Closed | Phase::Identifying | Phase::Refused)
    }

    fn enter(&mut self, phase: Phase, now_ns: u64) {
        self.phase = phase;
        self.since_ns = now_ns;
        self.sent_ns = now_ns;
    }

    fn send(&mut self, message: HostMessage, now_ns: u64, out: &mut Vec<Word>) {
        self.sent_ns = now_ns;
        out.push(Word::Send(message));
    }

    /// The port was opened; `known` when this sensor was streaming before the port went away.
    pub fn opened(&mut self, known: bool, now_ns: u64, out: &mut Vec<Word>) {
        *self = Link { known, token: self.token, pinged_ns: now_ns, heard_ns: now_ns, ..Link::default() };
        self.enter(Phase::Identifying, now_ns);
        self.send(HostMessage::Identify, now_ns, out);
    }

    /// The port is gone.
    pub fn closed(&mut self, now_ns: u64) {
        self.enter(Phase::Closed, now_ns);
    }

    /// No samples were asked for yet, as far as is known.
    pub fn awaits_samples(&self) -> bool {
        matches!(self.phase, Phase::Closed | Phase::Identifying | Phase::Clearing)
    }

    /// A start was sent: where what went before is lost, this says how far it had got.
    pub fn started(&mut self, now_ns: u64) {
        if self.awaits_samples() {
            self.enter(Phase::Starting, now_ns);
        }
    }

    /// A conversation whose beginning is lost: samples come.
    pub fn went_on(&mut self, now_ns: u64) {
        self.heard_ns = now_ns;
        self.enter(Phase::Streaming, now_ns);
    }

    /// The board cannot be used (another version, a sensor that nobody confirmed).
    pub fn refuse(&mut self, now_ns: u64) {
        self.enter(Phase::Refused, now_ns);
    }

    /// Bytes came that made no frame.
    pub fn noise(&mut self, bytes: u64) {
        self.noise_bytes = self.noise_bytes.saturating_add(bytes);
    }

    /// The board's identity came; `restarted` when its boot id is a new one while the port stayed open.
    pub fn identified(&mut self, restarted: bool, now_ns: u64, out: &mut Vec<Word>) {
        self.heard_ns = now_ns;
        match self.phase {
            Phase::Identifying | Phase::Refused if !self.known => {
                self.enter(Phase::Clearing, now_ns);
                self.send(HostMessage::Stop, now_ns, out);
            }
            Phase::Identifying | Phase::Refused => self.start(now_ns, out),
            Phase::Streaming | Phase::Starting if restarted => self.start(now_ns, out),
            _ => {}
        }
    }

    fn start(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        self.enter(Phase::Starting, now_ns);
        self.send(HostMessage::Start, now_ns, out);
    }

    /// The board's condition came: it answers a stop.
    pub fn condition(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        self.heard_ns = now_ns;
        match self.phase {
            Phase::Clearing => self.start(now_ns, out),
            Phase::Stopping => {
                self.enter(Phase::Stopped, now_ns);
                out.push(Word::Stopped);
            }
            _ => {}
        }
    }

    /// Samples came.
    pub fn samples(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        self.heard_ns = now_ns;
        if self.phase == Phase::Starting {
            self.enter(Phase::Streaming, now_ns);
            self.pinged_ns = now_ns.saturating_sub(PING_NS);
            out.push(Word::Flowing);
        } else if self.silent {
            out.push(Word::Flowing);
        }
        self.silent = false;
    }

    /// The recording is to end: the board is asked to stop and to say how many samples there were.
    pub fn stop(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        if matches!(self.phase, Phase::Streaming | Phase::Starting) {
            self.enter(Phase::Stopping, now_ns);
            self.send(HostMessage::Stop, now_ns, out);
        } else if self.phase != Phase::Stopping {
            out.push(Word::Stopped);
        }
    }

    /// Time passed: what has not been answered is asked again.
    pub fn tick(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        let waited_ns = now_ns.saturating_sub(self.since_ns);
        let due = now_ns.saturating_sub(self.sent_ns) >= RETRY_NS;
        match self.phase {
            Phase::Identifying | Phase::Clearing => {
                if waited_ns >= HANDSHAKE_NS && !self.gave_up {
                    self.gave_up = true;
                    out.push(Word::NoAnswer { noise_bytes: self.noise_bytes });
                }
                if due {
                    let again = if self.phase == Phase::Identifying {
                        HostMessage::Identify
                    } else {
                        HostMessage::Stop
                    };
                    self.send(again, now_ns, out);
                }
            }
            Phase::Starting if due => self.send(HostMessage::Start, now_ns, out),
            Phase::Stopping if waited_ns >= STOP_NS => {
                self.enter(Phase::Stopped, now_ns);
                out.push(Word::Stopped);
            }
            Phase::Stopping if due => self.send(HostMessage::Stop, now_ns, out),
            Phase::Streaming => self.keep_alive(now_ns, out),
            _ => {}
        }
    }

    fn keep_alive(&mut self, now_ns: u64, out: &mut Vec<Word>) {
        if now_ns.saturating_sub(self.heard_ns) >= SILENT_NS {
            if !self.silent {
                self.silent = true;
                out.push(Word::Silent);
            }
            // A board that was reset may have missed the start; it says who it is first.
            if now_ns.saturating_sub(self.sent_ns) >= RETRY_NS {
                self.send(HostMessage::Identify, now_ns, out);
            }
        } else if now_ns.saturating_sub(self.pinged_ns) >= PING_NS {
            self.pinged_ns = now_ns;
            self.token = self.token.wrapping_add(1);
            self.send(HostMessage::Ping { token: self.token }, now_ns, out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: u64 = 1_000_000_000;

    fn sent(words: &[Word]) -> Vec<HostMessage> {
        words.iter().filter_map(|word| if let Word::Send(m) = word { Some(*m) } else { None }).collect()
    }

    #[test]
    fn a_fresh_board_is_identified_cleared_and_started() {
        let (mut link, mut out) = (Link::default(), Vec::new());
        link.opened(false, 0, &mut out);
        link.identified(false, 1, &mut out);
        link.condition(2, &mut out);
        link.samples(3, &mut out);
        assert_eq!(sent(&out), [HostMessage::Identify, HostMessage::Stop, HostMessage::Start]);
        assert_eq!(link.phase(), Phase::Streaming);
    }

    #[test]
    fn a_known_board_goes_on_without_being_stopped() {
        let (mut link, mut out) = (Link::default(), Vec::new());
        link.opened(true, 0, &mut out);
        link.identified(false, 1, &mut out);
        assert_eq!(sent(&out), [HostMessage::Identify, HostMessage::Start]);
    }

    #[test]
    fn silence_is_asked_again_and_given_up_once() {
        let (mut link, mut out) = (Link::default(), Vec::new());
        link.opened(false, 0, &mut out);
        for tick in 1..=70 {
            link.tick(tick * SECOND / 10, &mut out);
        }
        assert_eq!(out.iter().filter(|word| matches!(word, Word::NoAnswer { .. })).count(), 1);
        assert_eq!(sent(&out).len(), 15, "one at opening, then two a second");
    }

    #[test]
    fn a_lost_stop_is_repeated_and_in_the_end_given_up() {
        let (mut link, mut out) = (Link::default(), Vec::new());
        link.opened(true, 0, &mut out);
        link.identified(false, 0, &mut out);
        link.samples(0, &mut out);
        out.clear();
        link.stop(0, &mut out);
        for tick in 1..=30 {
            link.tick(tick * SECOND / 10, &mut out);
        }
        assert!(sent(&out).len() >= 3);
        assert_eq!(out.last(), Some(&Word::Stopped));
    }

    #[test]
    fn silence_while_streaming_is_said_once_and_asked_about() {
        let (mut link, mut out) = (Link::default(), Vec::new());
        link.opened(true, 0, &mut out);
        link.identified(false, 0, &mut out);
        link.samples(0, &mut out);
        out.clear();
        for tick in 1..=30 {
            link.tick(tick * SECOND / 10, &mut out);
        }
        assert_eq!(out.iter().filter(|word| **word == Word::Silent).count(), 1);
        assert!(sent(&out).contains(&HostMessage::Identify));
        link.identified(true, 3 * SECOND, &mut out);
        assert_eq!(sent(&out).last(), Some(&HostMessage::Start));
    }
}
