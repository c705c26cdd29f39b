//! The one rule of the daemon, in one place: every record goes to the journal first and then to the core.
//!
//! Comes in: records from outside, with their time (host's monotonic clock, ns). Goes out: what the core says. Records
//! that the core makes itself are appended and stepped before the next one from outside.

use crate::core::{Core, Said};
use crate::journal::{JournalError, Record, Stamped, Writer};
use std::collections::VecDeque;

/// A journal and the core that is fed from it.
pub struct Recorder {
    writer: Writer,
    core: Core,
    queue: VecDeque<Record>,
    said: Vec<Said>,
}

impl Recorder {
    /// A recorder on a journal that was just begun (or resumed, with a core that has been stepped over it).
    pub fn new(writer: Writer, core: Core) -> Self {
        Recorder { writer, core, queue: VecDeque::new(), said: Vec::new() }
    }

    /// Appends a record, steps the core, and does the same with every record the core makes in turn.
    ///
    /// # Errors
    /// The journal takes it not; the core has then not seen it either.
    pub fn put(
        &mut self,
        monotonic_ns: u64,
        record: Record,
        heard: &mut Vec<Said>,
    ) -> Result<(), JournalError> {
        self.queue.push_back(record);
        while let Some(record) = self.queue.pop_front() {
            let number = match self.writer.append(monotonic_ns, &record) {
                Ok(number) => number,
                Err(error) => {
                    self.queue.clear();
                    return Err(error);
                }
            };
            self.core.step(&Stamped { number, monotonic_ns, record }, &mut self.said);
            for said in self.said.drain(..) {
                match said {
                    Said::Journal(record) => self.queue.push_back(record),
                    other => heard.push(other),
                }
            }
        }
        Ok(())
    }

    /// The core, to look at.
    pub fn core(&self) -> &Core {
        &self.core
    }

    /// The journal, to look at.
    pub fn journal(&self) -> &Writer {
        &self.writer
    }

    /// Syncs and closes the journal.
    ///
    /// # Errors
    /// The last sync failed: what was appended since may not survive a power loss.
    pub fn finish(self) -> Result<(), JournalError> {
        self.writer.finish()
    }
}
