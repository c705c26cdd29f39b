//! A host for tests: it notes what it can read, and nothing else.

use firmware_protocol::frame::{Accumulator, encode};
use firmware_protocol::message::{DeviceMessage, HostMessage, Identity};
use std::collections::BTreeMap;

/// A host that notes what it can read.
#[derive(Default)]
pub struct Host {
    pub accumulator: Accumulator,
    pub identities: Vec<Identity>,
    /// Counts by boot, stream of that boot (from 0) and sample.
    pub samples: BTreeMap<(u32, u64, u64), Vec<i32>>,
    /// What is known of each boot's latest stream.
    pub known: BTreeMap<u32, Known>,
    pub pongs: Vec<(u32, u64)>,
    pub overruns: u64,
    /// First sample and its device time (µs) of every samples frame.
    pub times_us: Vec<(u64, u64)>,
}

/// What a host knows of a boot.
#[derive(Clone, Copy, Default)]
pub struct Known {
    /// The stream's number within the boot, from 0.
    pub stream: u64,
    /// Samples that must exist.
    pub samples: u64,
    /// Device time of the latest message, µs.
    time_us: u64,
}

impl Host {
    pub fn read(&mut self, mut bytes: &[u8]) {
        let mut accumulator = std::mem::take(&mut self.accumulator);
        while let Some(frame) = accumulator.push(&mut bytes) {
            if let Some(message) = frame.ok().and_then(|body| DeviceMessage::decode(body).ok()) {
                self.note(&message);
            }
        }
        self.accumulator = accumulator;
    }

    fn note(&mut self, message: &DeviceMessage<'_>) {
        match message {
            DeviceMessage::Identity(identity) => self.identities.push(*identity),
            DeviceMessage::Samples(samples) => {
                self.overruns += u64::from(samples.overrun());
                let (first, next) = (samples.first_sample, samples.next_sample());
                let stream = self.knows(samples.boot_id, samples.device_time_us, first, next);
                let counts: Vec<i32> = samples.iter().collect();
                for (number, counts) in (first..).zip(counts.chunks(samples.channels.into())) {
                    let before = self.samples.insert((samples.boot_id, stream, number), counts.to_vec());
                    assert!(before.is_none_or(|before| before == counts), "a copy must be equal");
                }
                self.times_us.push((first, samples.device_time_us));
            }
            DeviceMessage::Condition(condition) => {
                let next = condition.next_sample;
                self.knows(condition.boot_id, condition.device_time_us, next, next);
            }
            DeviceMessage::Pong(pong) => self.pongs.push((pong.token, pong.device_time_us)),
        }
    }

    /// Notes that the samples before `next` exist; gives the number of the stream. A counter that goes back while time
    /// goes on is a new stream; a copy comes with its old time.
    fn knows(&mut self, boot_id: u32, time_us: u64, first: u64, next: u64) -> u64 {
        let known = self.known.entry(boot_id).or_default();
        if first < known.samples && time_us > known.time_us {
            *known = Known { stream: known.stream + 1, samples: 0, time_us };
        }
        known.samples = known.samples.max(next);
        known.time_us = known.time_us.max(time_us);
        known.stream
    }
}

/// A message, framed.
pub fn message(message: HostMessage) -> Vec<u8> {
    let (mut body, mut out) = ([0; 8], [0; 32]);
    let length = message.encode(&mut body).unwrap();
    let length = encode(&body[..length], &mut out).unwrap();
    out[..length].to_vec()
}
