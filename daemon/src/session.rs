//! One recording being made: hand-over, journal and core brought together, whoever drives it.
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

    /// Opens it. From then on what it delivers goes into the hand-over as port 0, ending in [`Item::Gone`] when the port
    /// is gone.
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

/// A recording being made.
pub struct Session {
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    recorder: Recorder,
    cable: Box<dyn Cable>,
    is_open: bool,
    reopen_ns: u64,
    anchored_ns: u64,
    /// How long the machine had been suspended when it was last looked at, ns.
    suspended_ns: u64,
    anchor_is_due: bool,
    flowing_ns: Option<u64>,
    identified: bool,
    stopped: bool,
    ending: Option<String>,
    heard: Vec<Said>,
    outgoing: Vec<Vec<u8>>,
    /// What the core has said since it was last emptied: for whoever shows it.
    pub said: Vec<Said>,
}

impl Session {
    /// Begins: the first records are in the journal and the port is open.
    ///
    /// # Errors
    /// The journal takes no record. A port that cannot be opened is looked for.
    pub fn begin(
        clock: Arc<dyn Clock>,
        handover: Arc<Handover>,
        journal: Writer,
        cable: Box<dyn Cable>,
        plan: Option<Plan>,
        begun: &Begun,
    ) -> Result<Session, JournalError> {
        let begun = Record::Begun(serde_json::to_string(begun).unwrap_or_default());
        let first = vec![begun, Record::Anchor(clock.anchor())];
        Session::on(clock, handover, Recorder::new(journal, Core::new(plan)), cable, first)
    }

    /// Begins, or goes on: these records are in the journal and the port is open.
    ///
    /// # Errors
    /// As [`Session::begin`].
    pub fn on(
        clock: Arc<dyn Clock>,
        handover: Arc<Handover>,
        recorder: Recorder,
        cable: Box<dyn Cable>,
        first: Vec<Record>,
    ) -> Result<Session, JournalError> {
        let now_ns = clock.monotonic_ns();
        let mut session = Session {
            recorder,
            anchored_ns: now_ns,
            reopen_ns: now_ns,
            suspended_ns: clock.suspended_ns(),
            clock,
            handover,
            cable,
            is_open: false,
            anchor_is_due: false,
            flowing_ns: None,
            identified: false,
            stopped: false,
            ending: None,
            heard: Vec::new(),
            outgoing: Vec::new(),
            said: Vec::new(),
        };
        for record in first {
            let at_ns = if let Record::Anchor(anchor) = &record { anchor.monotonic_ns } else { now_ns };
            session.put(at_ns, record)?;
        }
        session.look_for_port()?;
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
                    self.cable.close();
                    self.is_open = false;
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
        if !self.is_open && self.ending.is_none() && now_ns >= self.reopen_ns {
            self.reopen_ns = now_ns + REOPEN_NS;
            self.look_for_port()?;
        }
        Ok(())
    }

    /// Somebody did something: an action for the pipeline or for the visit, as JSON.
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn act(&mut self, action: String) -> Result<(), JournalError> {
        self.put(self.clock.monotonic_ns(), Record::Action(action))
    }

    /// Asks the board to stop; the session [has ended](Session::ended) when it has, or does not answer.
    ///
    /// # Errors
    /// The journal takes no more.
    pub fn stop(&mut self, reason: &str) -> Result<(), JournalError> {
        self.ending = Some(reason.to_owned());
        // A board that is not there has nothing more to say.
        self.stopped |= !self.is_open;
        self.act(Action::Stop { reason: reason.to_owned() }.to_json())
    }

    /// It was asked to stop.
    pub fn is_ending(&self) -> bool {
        self.ending.is_some()
    }

    /// Why it was asked to stop, once it has.
    pub fn ended(&self) -> Option<&str> {
        self.ending.as_deref().filter(|_| self.stopped)
    }

    /// A sensor said who it is.
    pub fn is_identified(&self) -> bool {
        self.identified
    }

    /// How long ago the first samples came, ns.
    pub fn flowing_for_ns(&self) -> Option<u64> {
        self.flowing_ns.map(|since_ns| self.clock.monotonic_ns().saturating_sub(since_ns))
    }

    /// The core and the journal, to look at.
    pub fn recorder(&self) -> &Recorder {
        &self.recorder
    }

    /// Closes the port, takes what is left of it, and ends the journal; gives what the core said last.
    ///
    /// # Errors
    /// The journal takes it not, or it cannot be made durable. What was appended is kept.
    pub fn finish(mut self, reason: &str) -> Result<Vec<Said>, JournalError> {
        self.cable.close();
        self.drain()?;
        self.put(self.clock.monotonic_ns(), Record::Finished(reason.to_owned()))?;
        self.recorder.finish()?;
        Ok(self.said)
    }

    /// Ends a journal that may be what failed: its end is worth a try, and what it holds is kept either way.
    pub fn give_up(mut self, reason: &str) {
        self.cable.close();
        if let Err(error) = self.put(self.clock.monotonic_ns(), Record::Finished(reason.to_owned())) {
            tracing::error!(%error, "the end could not be written to the journal");
        }
        if let Err(error) = self.recorder.finish() {
            tracing::error!(%error, "the journal could not be brought to the disk");
        }
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
            Said::Pipeline(Output::Send { bytes, .. }) => self.outgoing.push(bytes.clone()),
            Said::Pipeline(Output::Identified { .. }) => self.identified = true,
            Said::Pipeline(Output::Began(..)) => self.anchor_is_due = true,
            Said::Pipeline(Output::Link(_, LinkState::Flowing)) => {
                self.flowing_ns.get_or_insert(self.clock.monotonic_ns());
            }
            Said::Pipeline(Output::Link(_, LinkState::Stopped)) => self.stopped = true,
            Said::Pipeline(Output::Link(_, LinkState::Closed(_))) if self.ending.is_some() => {
                self.stopped = true
            }
            _ => {}
        }
        self.said.push(said);
    }

    /// Writes to the board what the core wants sent; a write that fails is a port that is gone, which its reader sees.
    fn send_waiting(&mut self) -> Result<(), JournalError> {
        for bytes in std::mem::take(&mut self.outgoing) {
            if !self.is_open {
                continue;
            }
            let now_ns = self.clock.monotonic_ns();
            if let Err(error) = self.cable.write(&bytes) {
                tracing::debug!(%error, "a message to the sensor was not sent");
                continue;
            }
            self.put(now_ns, Record::Sent { port: 0, bytes })?;
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
    fn look_for_port(&mut self) -> Result<(), JournalError> {
        if self.cable.open().is_err() {
            return Ok(());
        }
        self.is_open = true;
        let detail = self.cable.detail();
        self.put(self.clock.monotonic_ns(), Record::Opened { port: 0, detail })
    }
}
