//! Sample frames that wait for the port: their bodies, back to back in a fixed buffer.
//!
//! Comes in: messages at the back. Goes out: messages at the front, in order.

use crate::bytes::place;
use crate::frame::MAX_MESSAGE;
use crate::message::{DeviceMessage, Samples};

/// Room for four of the longest frames, or for many short ones.
const QUEUE_BYTES: usize = 4 * (MAX_MESSAGE + PREFIX);
/// Each body is preceded by its length.
const PREFIX: usize = 2;

#[derive(Debug)]
pub(super) struct Queue {
    bytes: [u8; QUEUE_BYTES],
    used: usize,
}

impl Queue {
    pub(super) const fn new() -> Self {
        Self { bytes: [0; QUEUE_BYTES], used: 0 }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.used == 0
    }

    /// `None`, and nothing changes, where there is no room.
    pub(super) fn push(&mut self, samples: &Samples<'_>) -> Option<()> {
        let body = self.used.checked_add(PREFIX)?;
        let length = DeviceMessage::Samples(*samples).encode(self.bytes.get_mut(body..)?).ok()?;
        place(&mut self.bytes, self.used, &u16::try_from(length).ok()?.to_le_bytes())?;
        self.used = body.checked_add(length)?;
        Some(())
    }

    pub(super) fn front(&self) -> Option<Samples<'_>> {
        match DeviceMessage::decode(self.bytes.get(PREFIX..self.front_end()?)?) {
            Ok(DeviceMessage::Samples(samples)) => Some(samples),
            _ => None,
        }
    }

    pub(super) fn pop(&mut self) {
        let end = self.front_end().unwrap_or(self.used);
        let left = self.used.saturating_sub(end);
        // Moved rather than wrapped around, so that every body stays in one piece.
        if let Some(used) = self.bytes.get_mut(..self.used) {
            used.copy_within(end.min(used.len()).., 0);
        }
        self.used = left;
    }

    fn front_end(&self) -> Option<usize> {
        let (prefix, _) = self.bytes.get(..self.used)?.split_first_chunk::<PREFIX>()?;
        usize::from(u16::from_le_bytes(*prefix)).checked_add(PREFIX)
    }
}
