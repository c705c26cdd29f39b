//! The one encoded frame that the port is taking.
//!
//! Comes in: a message, then how many of its bytes the port took. Goes out: the bytes that are still to be taken.

use crate::frame::{self, DELIMITER, MAX_FRAME, MAX_MESSAGE};
use crate::message::{DeviceMessage, Samples};

/// What became of a frame that was given up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Fate {
    /// No byte of it reached the port.
    Unsent,
    /// It was cut: the receiver will see a damaged frame.
    Torn,
    /// Only its delimiter was missing, and the next frame brings that: it arrives.
    Whole,
}

/// The samples that a frame carries.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cargo {
    pub(super) first_sample: u64,
    pub(super) samples: u8,
}

#[derive(Debug)]
pub(super) struct Outgoing {
    /// A delimiter, then the frame.
    bytes: [u8; MAX_FRAME + 1],
    /// Where the frame ends; 0 where there is none.
    end: usize,
    /// The next byte for the port.
    next: usize,
    /// The samples in the frame; `None` where it has none.
    cargo: Option<Cargo>,
    /// The last byte that the port took was no delimiter.
    line_open: bool,
}

impl Outgoing {
    pub(super) const fn new() -> Self {
        // Open: before the first frame a boot loader may have written something.
        Self { bytes: [DELIMITER; MAX_FRAME + 1], end: 0, next: 0, cargo: None, line_open: true }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.end == 0
    }

    pub(super) fn cargo(&self) -> Option<Cargo> {
        self.cargo
    }

    pub(super) fn rest(&self) -> Option<&[u8]> {
        self.bytes.get(self.next..self.end).filter(|rest| !rest.is_empty())
    }

    /// Encodes a message. It is preceded by a delimiter where the line needs one, and an identity always: whatever
    /// came before, a host can read it.
    pub(super) fn load(&mut self, message: &DeviceMessage<'_>) -> Option<()> {
        let mut body = [0; MAX_MESSAGE];
        let length = message.encode(&mut body).ok()?;
        let length = frame::encode(body.get(..length)?, self.bytes.get_mut(1..)?).ok()?;
        self.end = length.checked_add(1)?;
        self.next = if self.line_open || matches!(message, DeviceMessage::Identity(_)) { 0 } else { 1 };
        self.cargo = match message {
            DeviceMessage::Samples(Samples { first_sample, samples, .. }) => {
                Some(Cargo { first_sample: *first_sample, samples: *samples })
            }
            _ => None,
        };
        Some(())
    }

    /// The port took `count` bytes; true when it has the whole frame.
    pub(super) fn advance(&mut self, count: usize) -> bool {
        if count > 0 && !self.is_empty() {
            self.next = self.next.saturating_add(count).min(self.end);
            // The frame's only delimiters are the byte before it and its last one.
            self.line_open = self.next != 1 && self.next != self.end;
        }
        self.next == self.end
    }

    pub(super) fn give_up(&self) -> Fate {
        match self.end.saturating_sub(self.next) {
            1 => Fate::Whole,
            _ if self.next <= 1 => Fate::Unsent,
            _ => Fate::Torn,
        }
    }

    pub(super) fn clear(&mut self) {
        self.end = 0;
        self.next = 0;
        self.cargo = None;
    }
}
