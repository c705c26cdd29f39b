//! The samples frame that is being filled.
//!
//! Comes in: readings (counts), one sample after the other. Goes out: a samples message when the frame is closed.

use crate::bytes::place;
use crate::frame::MAX_MESSAGE;
use crate::message::{SATURATED, Samples};

/// What is the same for all samples of a frame.
#[derive(Debug, Clone, Copy)]
pub(super) struct Head {
    pub(super) boot_id: u32,
    pub(super) first_sample: u64,
    pub(super) device_time_us: u64,
    pub(super) interval_ns: u32,
    pub(super) channels: u8,
}

#[derive(Debug)]
pub(super) struct Packing {
    head: Option<Head>,
    counts_le: [u8; MAX_MESSAGE],
    length: usize,
    samples: u8,
    status: u8,
}

impl Packing {
    pub(super) const fn new() -> Self {
        Self { head: None, counts_le: [0; MAX_MESSAGE], length: 0, samples: 0, status: 0 }
    }

    /// Of the frame's first sample; `None` where there is none.
    pub(super) fn head(&self) -> Option<Head> {
        self.head
    }

    pub(super) fn samples(&self) -> u8 {
        self.samples
    }

    /// Adds a sample; `head` counts only where it is the frame's first.
    pub(super) fn add(&mut self, head: Head, counts: &[i32], saturated: bool) {
        if self.head.is_none() {
            self.head = Some(head);
        }
        for count in counts {
            self.length =
                place(&mut self.counts_le, self.length, &count.to_le_bytes()).unwrap_or(self.length);
        }
        self.samples = self.samples.saturating_add(1);
        self.status |= if saturated { SATURATED } else { 0 };
    }

    /// The frame so far; its sequence number is given when it is sent.
    pub(super) fn message(&self) -> Option<Samples<'_>> {
        let head = self.head?;
        Some(Samples {
            boot_id: head.boot_id,
            sequence: 0,
            first_sample: head.first_sample,
            device_time_us: head.device_time_us,
            interval_ns: head.interval_ns,
            status: self.status,
            channels: head.channels,
            samples: self.samples,
            counts_le: self.counts_le.get(..self.length)?,
        })
    }

    pub(super) fn clear(&mut self) {
        self.head = None;
        self.length = 0;
        self.samples = 0;
        self.status = 0;
    }
}
