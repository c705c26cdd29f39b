//! One recording being made: hand-over, journal and core brought together, whoever drives it.
//!
//! Several sensors, each on its own [`Cable`] (its place in the list is its port number): their bytes come through the one
//! hand-over in the order in which they were read, so the journal is one list, and each port is lost, looked for and
//! opened again without the others. It flows when all of them have; it has ended when all have stopped or are gone.
//!
//! Comes in: what the port handed over, ticks, actions. Goes out: the journal, messages to the board, and what the core
//! says ([`Session::said`]). The program drives it in real time and a simulated world as fast as it can compute: the
//! clock, the disk (in the journal's [`Writer`]) and the port ([`Cable`]) are behind seams, and nothing here waits.

use crate::clock::Clock;
use crate::core::{Begun, Core, Said};
use crate::journal::{JournalError, Record, Writer};
use crate::pipeline::{Action, LinkState, Output, SLEPT_NS};
use crate::port::handover::{Handover, Item, Reason};
use crate::recorder::Recorder;
use crate::visit::plan::Plan;
use analysis::recording::layout::FOR_SENSOR;
use std::io;
use std::sync::Arc;

/// Time passes for the core in steps of this, ns.
pub const TICK_NS: u64 = 100_000_000;
/// Host clocks are read together this often.
const ANCHOR_NS: u64 = 60_000_000_000;
/// A port that is gone is looked for this often.
const REOPEN_NS: u64 = 250_000_000;

/// The way to the board: a port that is opened again whenever it is back.
pub trait Cable: Send {
    /// What is opened (JSON: name, baud), for the journal.
    fn detail(&self) -> String;

    /// Opens it. From then on what it delivers goes into the hand-over as its port, ending in [`Item::Gone`] when the
    /// port is gone.
    ///
    /// # Errors
    /// It is not there, or not to be had.
    fn open(&mut self) -> io::Result<()>;

    /// Writes to the board.
    ///
    /// # Errors
    /// Not all of it was written.
    fn write(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Closes it. All that was read is in the hand-over then.
    fn close(&mut self);
}

/// A cable, and how the conversation over it goes.
struct Way {
    cable: Box<dyn Cable>,
    is_open: bool,
    /// Looked for again then, ns.
    reopen_ns: u64,
    flowed: bool,
    stopped: bool,
}

/// A recording being made.
pub struct Session {
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    recorder: Recorder,
    /// By port number.
    ways: Vec<Way>,
    anchored_ns: u64,
    /// How long the machine had been suspended when it was last looked at, ns.
    suspended_ns: u64,
    anchor_is_due: bool,
    flowing_ns: Option<u64>,
    identified: bool,
    ending: Option<String>,
    heard: Vec<Said>,
    outgoing: Vec<(u8, Vec<u8>)>,
    /// What the core has said since it was last emptied: for whoever shows it.
    pub said: Vec<Said>,
}

impl Session {
    /// Begins: the first records are in the journal and the ports are open, each cable's number its place in the list.
    ///
    /// # Errors
    /// The journal takes no record. A port that cannot be opened is looked for.
    pub fn begin(
        clock: Arc<dyn Clock>,
        handover: Arc<Handover>,
        journal: Writer,
        cables: Vec<Box<dyn Cable>>,
        plan: Option<Plan>,
        begun: &Begun,
    ) -> Result<Session, JournalError> {
        let begun = Record::Begun(serde_json::to_string(begun).unwrap_or_default());
        let first = vec![begun, Record::Anchor(clock.anchor())];
        Session::on(clock, handover, Recorder::new(journal, Core::new(plan)), cables, first)
    }

    /// Begins, or goes on: these records are in the journal and the ports are open.
    ///
    /// # Errors
    /// As [`Session::begin`].
    pub fn on(
        clock: Arc<dyn Clock>,
        handover: Arc<Handover>,
        recorder: Recorder,
        cables: Vec<Box<dyn Cable>>,
        first: Vec<Record>,
    ) -> Result<Session, JournalError> {
        let now_ns = clock.monotonic_ns();
        let way = |cable| Way { cable, is_open: false, reopen_ns: now_ns, flowed: false, stopped: false };
        let mut session = Session {
            recorder,
            anchored_ns: now_ns,
            ways: cables.into_iter().map(way).collect(),
            suspended_ns: clock.suspended_ns(),
            clock,
            handover,
            anchor_is_due: false,
            flowing_ns: None,
            identified: false,
            ending: None,
            heard: Vec::new(),
            outgoing: Vec::new(),
            said: Vec::new(),
        };
        for record in first {
            let at_ns = if let Record::Anchor(anchor) = &record { anchor.monotonic_ns } else { now_ns };
            session.put(at_ns, record)?;
        }
        session.look_for_ports()?;
        Ok(session)
    }

    /// Takes what was handed over into the journal.
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn drain(&mut self) -> Result<(), JournalError> {
        self.notice_sleep()?;
        for item in self.handover.take() {
            match item {
                Item::Chunk { port, monotonic_ns, bytes } => {
                    self.put(monotonic_ns, Record::Bytes { port, bytes })?
                }
                Item::Dropped { port, monotonic_ns, bytes } => {
                    tracing::error!(bytes, "bytes from the sensor were lost: the computer is too busy");
                    self.put(monotonic_ns, Record::Dropped { port, bytes })?;
                }
                Item::Gone { port, monotonic_ns, reason } => {
                    if let Some(way) = self.ways.get_mut(usize::from(port)) {
                        way.cable.close();
                        way.is_open = false;
                    }
                    let reason = match reason {
                        Reason::Unplugged => "unplugged".to_owned(),
                        Reason::Error(text) => text,
                    };
                    self.put(monotonic_ns, Record::Closed { port, reason })?;
                }
            }
        }
        Ok(())
    }

    /// Time passed: to be called every [`TICK_NS`].
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn tick(&mut self) -> Result<(), JournalError> {
        self.notice_sleep()?;
        let now_ns = self.clock.monotonic_ns();
        self.put(now_ns, Record::Tick)?;
        if now_ns.saturating_sub(self.anchored_ns) >= ANCHOR_NS {
            self.anchor()?;
        }
        if self.ending.is_none() { self.look_for_ports() } else { Ok(()) }
    }

    /// Somebody did something: an action for the pipeline or for the visit, as JSON.
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn act(&mut self, action: String) -> Result<(), JournalError> {
        self.put(self.clock.monotonic_ns(), Record::Action(action))
    }

    /// Asks the boards to stop; the session [has ended](Session::ended) when they have, or do not answer.
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn stop(&mut self, reason: &str) -> Result<(), JournalError> {
        self.ending = Some(reason.to_owned());
        // A board that is not there has nothing more to say.
        self.ways.iter_mut().for_each(|way| way.stopped |= !way.is_open);
        self.act(Action::Stop { reason: reason.to_owned() }.to_json())
    }

    /// It was asked to stop.
    pub fn is_ending(&self) -> bool {
        self.ending.is_some()
    }

    /// Why it was asked to stop, once it has.
    pub fn ended(&self) -> Option<&str> {
        self.ending.as_deref().filter(|_| self.ways.iter().all(|way| way.stopped))
    }

    /// A sensor said who it is.
    pub fn is_identified(&self) -> bool {
        self.identified
    }

    /// How long ago the first samples of the last sensor came, ns: since then all of them flow.
    pub fn flowing_for_ns(&self) -> Option<u64> {
        self.flowing_ns.map(|since_ns| self.clock.monotonic_ns().saturating_sub(since_ns))
    }

    /// The core and the journal, to look at.
    pub fn recorder(&self) -> &Recorder {
        &self.recorder
    }

    /// Closes the ports, takes what is left of them, and ends the journal; gives what the core said last.
    ///
    /// # Errors
    /// The journal takes it not, or it cannot be made durable. What was appended is kept.
    pub fn finish(mut self, reason: &str) -> Result<Vec<Said>, JournalError> {
        self.ways.iter_mut().for_each(|way| way.cable.close());
        self.drain()?;
        self.put(self.clock.monotonic_ns(), Record::Finished(reason.to_owned()))?;
        self.recorder.finish()?;
        Ok(self.said)
    }

    /// Ends a journal that may be what failed: its end is worth a try, and what it holds is kept either way. Gives what the
    /// core said last.
    pub fn give_up(mut self, reason: &str) -> Vec<Said> {
        self.ways.iter_mut().for_each(|way| way.cable.close());
        if let Err(error) = self.put(self.clock.monotonic_ns(), Record::Finished(reason.to_owned())) {
            tracing::error!(%error, "the end could not be written to the journal");
        }
        if let Err(error) = self.recorder.finish() {
            tracing::error!(%error, "the journal could not be brought to the disk");
        }
        self.said
    }

    fn put(&mut self, monotonic_ns: u64, record: Record) -> Result<(), JournalError> {
        let mut heard = std::mem::take(&mut self.heard);
        let done = self.recorder.put(monotonic_ns, record, &mut heard);
        for said in heard.drain(..) {
            self.hear(said);
        }
        self.heard = heard;
        done?;
        self.send_waiting()
    }

    fn hear(&mut self, said: Said) {
        match &said {
            Said::Pipeline(Output::Send { port, bytes }) => self.outgoing.push((*port, bytes.clone())),
            Said::Pipeline(Output::Identified { .. }) => self.identified = true,
            Said::Pipeline(Output::Began(..)) => self.anchor_is_due = true,
            Said::Pipeline(Output::Link(port, state)) => self.link(*port, state),
            _ => {}
        }
        self.said.push(said);
    }

    fn link(&mut self, port: u8, state: &LinkState) {
        let Some(way) = self.ways.get_mut(usize::from(port)) else { return };
        way.flowed |= *state == LinkState::Flowing;
        way.stopped |= match state {
            LinkState::Stopped => true,
            LinkState::Closed(_) => self.ending.is_some(),
            _ => false,
        };
        if self.ways.iter().all(|way| way.flowed) {
            self.flowing_ns.get_or_insert(self.clock.monotonic_ns());
        }
    }

    /// Writes to a board what the core wants sent; a write that fails is a port that is gone, which its reader sees.
    fn send_waiting(&mut self) -> Result<(), JournalError> {
        for (port, bytes) in std::mem::take(&mut self.outgoing) {
            let now_ns = self.clock.monotonic_ns();
            let way = self.ways.get_mut(usize::from(port)).filter(|way| way.is_open);
            let Some(way) = way else { continue };
            if let Err(error) = way.cable.write(&bytes) {
                tracing::debug!(%error, port, "a message to the sensor was not sent");
                continue;
            }
            self.put(now_ns, Record::Sent { port, bytes })?;
        }
        if std::mem::take(&mut self.anchor_is_due) {
            self.anchor()?;
        }
        Ok(())
    }

    fn anchor(&mut self) -> Result<(), JournalError> {
        let anchor = self.clock.anchor();
        self.anchored_ns = anchor.monotonic_ns;
        self.put(anchor.monotonic_ns, Record::Anchor(anchor))
    }

    /// The machine may have been suspended: an anchor says so before anything that came after it.
    fn notice_sleep(&mut self) -> Result<(), JournalError> {
        let suspended_ns = self.clock.suspended_ns();
        if suspended_ns <= self.suspended_ns.saturating_add(SLEPT_NS) {
            return Ok(());
        }
        self.suspended_ns = suspended_ns;
        self.anchor()
    }

    /// A port that is gone is looked for until it returns.
    fn look_for_ports(&mut self) -> Result<(), JournalError> {
        let of = self.ways.len();
        for at in 0..of {
            let now_ns = self.clock.monotonic_ns();
            let Some(way) = self.ways.get_mut(at).filter(|way| !way.is_open && now_ns >= way.reopen_ns)
            else {
                continue;
            };
            way.reopen_ns = now_ns + REOPEN_NS;
            if way.cable.open().is_err() {
                continue;
            }
            way.is_open = true;
            let detail = detail(&*way.cable, at, of);
            self.put(self.clock.monotonic_ns(), Record::Opened { port: at as u8, detail })?;
        }
        Ok(())
    }
}

/// What a port was opened with; among several, the sensor that it is for, too.
fn detail(cable: &dyn Cable, at: usize, of: usize) -> String {
    let detail = cable.detail();
    match serde_json::from_str::<serde_json::Value>(&detail) {
        Ok(serde_json::Value::Object(mut detail)) if of > 1 => {
            detail.insert(FOR_SENSOR.to_owned(), (at + 1).into());
            serde_json::Value::Object(detail).to_string()
        }
        _ => detail,
    }
}
