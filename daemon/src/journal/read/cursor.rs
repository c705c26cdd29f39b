//! Going through one segment: records out, in the order they are in, and which bytes are none.

use super::{Damage, Waiting};
use crate::journal::disk::{Disk, ReadFile, read_full};
use crate::journal::error::JournalError;
use crate::journal::format::{self, FRAME_BYTES, HEAD_BYTES, Head};
use crate::journal::record::Stamped;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// How much is read at a time.
const WINDOW_BYTES: usize = 1 << 16;

/// A place in a segment, and the record that begins there.
#[derive(Debug)]
pub(super) struct Cursor {
    segment: u32,
    window: Window,
    at: u64,
    /// Numbers that the next record may have.
    plausible: Range<u64>,
    /// A segment without a header begins with bytes that are no record, which is said already.
    quiet: bool,
    peeked: Option<Stamped>,
}

impl Cursor {
    pub(super) fn open(disk: &dyn Disk, waiting: &Waiting) -> Result<Self, JournalError> {
        let window = Window::open(disk, &waiting.path)?;
        let plausible = if waiting.has_header {
            waiting.first_number..waiting.first_number.saturating_add(1)
        } else {
            waiting.first_number..u64::MAX
        };
        Ok(Self {
            segment: waiting.segment,
            window,
            at: waiting.header_bytes,
            plausible,
            quiet: !waiting.has_header,
            peeked: None,
        })
    }

    pub(super) fn segment(&self) -> u32 {
        self.segment
    }

    /// Number of the record at hand; `None` at the end.
    pub(super) fn number(&self) -> Option<u64> {
        self.peeked.as_ref().map(|record| record.number)
    }

    /// Gives the record at hand and goes to the next.
    pub(super) fn take(&mut self, damage: &mut Vec<Damage>) -> Result<Option<Stamped>, JournalError> {
        let taken = self.peeked.take();
        self.advance(damage)?;
        Ok(taken)
    }

    /// Goes to the next record that can be believed.
    pub(super) fn advance(&mut self, damage: &mut Vec<Damage>) -> Result<(), JournalError> {
        self.peeked = None;
        while let Some(head) = self.find(damage)? {
            let whole = self.window.get(self.at, head.record_bytes)?.unwrap_or_default();
            let decoded = format::decode(whole);
            self.at += head.record_bytes as u64;
            self.plausible = head.number.saturating_add(1)..head.number.saturating_add(2);
            match decoded {
                Ok(record) => {
                    self.peeked = Some(record);
                    return Ok(());
                }
                Err(why) => {
                    let (segment, number, why) = (self.segment, head.number, why.to_owned());
                    damage.push(Damage::Senseless { segment, number, why });
                }
            }
        }
        Ok(())
    }

    /// Moves to the next bytes that are a record, and reports those passed over.
    fn find(&mut self, damage: &mut Vec<Damage>) -> Result<Option<Head>, JournalError> {
        let start = self.at;
        let quiet = std::mem::take(&mut self.quiet);
        loop {
            let left = self.window.length.saturating_sub(self.at);
            let passed = self.at - start;
            let found = if left < FRAME_BYTES as u64 { None } else { self.record_here(passed)? };
            if found.is_some() || left == 0 {
                self.report(start, found.is_some(), quiet, damage);
                return Ok(found);
            }
            let over = if passed == 0 { self.damaged_bytes()? } else { None };
            self.at += over.unwrap_or(1);
        }
    }

    fn report(&self, start: u64, found: bool, quiet: bool, damage: &mut Vec<Damage>) {
        let (segment, at_byte, bytes) = (self.segment, start, self.at - start);
        match (bytes, found) {
            (0, _) => {}
            (_, true) if quiet => {}
            (_, true) => damage.push(Damage::Unreadable { segment, at_byte, bytes }),
            (_, false) => damage.push(Damage::TornTail { segment, at_byte, bytes }),
        }
    }

    /// Length of the damaged record at this place, when its length can be trusted: right behind it comes the very next
    /// record. Then its inside is not searched: bytes from a device may look like a record.
    fn damaged_bytes(&mut self) -> Result<Option<u64>, JournalError> {
        let Some(head) = self.window.get(self.at, HEAD_BYTES)?.and_then(Head::decode) else {
            return Ok(None);
        };
        let (here, bytes) = (self.at, head.record_bytes as u64);
        self.at += bytes;
        let next = self.record_here(bytes);
        self.at = here;
        let follows = self.plausible.start.checked_add(1);
        Ok(next?.is_some_and(|next| Some(next.number) == follows).then_some(bytes))
    }

    /// The head of the record at this place, when there is one that can be believed.
    fn record_here(&mut self, passed_bytes: u64) -> Result<Option<Head>, JournalError> {
        let Some(head) = self.window.get(self.at, HEAD_BYTES)?.and_then(Head::decode) else {
            return Ok(None);
        };
        // What was passed over cannot have held more records than this.
        let end = self.plausible.end.saturating_add(passed_bytes / FRAME_BYTES as u64);
        if !(self.plausible.start..end).contains(&head.number) {
            return Ok(None);
        }
        let whole = self.window.get(self.at, head.record_bytes)?;
        Ok(whole.is_some_and(format::checksum_holds).then_some(head))
    }
}

/// A file seen through a buffer.
#[derive(Debug)]
struct Window {
    file: Box<dyn ReadFile>,
    path: PathBuf,
    length: u64,
    start: u64,
    buffer: Vec<u8>,
}

impl Window {
    fn open(disk: &dyn Disk, path: &Path) -> Result<Self, JournalError> {
        let file = disk.open_read(path).map_err(JournalError::io("open", path))?;
        let length = file.length().map_err(JournalError::io("read", path))?;
        Ok(Self { file, path: path.to_owned(), length, start: 0, buffer: Vec::new() })
    }

    /// `bytes` bytes from byte `at`; `None` when the file ends before.
    fn get(&mut self, at: u64, bytes: usize) -> Result<Option<&[u8]>, JournalError> {
        if at.saturating_add(bytes as u64) > self.length {
            return Ok(None);
        }
        let end = self.start + self.buffer.len() as u64;
        if at < self.start || at + bytes as u64 > end {
            self.buffer.resize(bytes.max(WINDOW_BYTES), 0);
            let came =
                read_full(&*self.file, at, &mut self.buffer).map_err(JournalError::io("read", &self.path))?;
            self.buffer.truncate(came);
            self.start = at;
        }
        let from = (at - self.start) as usize;
        Ok(self.buffer.get(from..from + bytes))
    }
}
