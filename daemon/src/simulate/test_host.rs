//! A host for tests: it notes what it can read, and nothing else.

use firmware_protocol::frame::{Accumulator, encode};
use firmware_protocol::message::{DeviceMessage, HostMessage, Identity};
use std::collections::BTreeMap;

/// A host that notes what it can read.
#[derive(Default)]
pub struct Host {
    pub accumulator: Accumulator,
    pub identities: Vec<Identity>,
    /// Counts by boot, stream (told by a sample counter that goes back) and sample.
    pub samples: BTreeMap<(u32, u64, u64), Vec<i32>>,
    /// What each boot's latest stream is known to have, and the stream's number.
    pub known: BTreeMap<u32, (u64, u64)>,
    pub pongs: Vec<(u32, u64)>,
    pub overruns: u64,
    pub delays_us: Vec<(u64, u64)>,
}

impl Host {
    pub fn read(&mut self, mut bytes: &[u8], stream: u64) {
        let mut accumulator = std::mem::take(&mut self.accumulator);
        while let Some(frame) = accumulator.push(&mut bytes) {
            if let Some(message) = frame.ok().and_then(|body| DeviceMessage::decode(body).ok()) {
                self.note(&message, stream);
            }
        }
        self.accumulator = accumulator;
    }

    fn note(&mut self, message: &DeviceMessage<'_>, stream: u64) {
        match message {
            DeviceMessage::Identity(identity) => self.identities.push(*identity),
            DeviceMessage::Samples(samples) => {
                self.overruns += u64::from(samples.overrun());
                self.knows(samples.boot_id, stream, samples.next_sample());
                let counts: Vec<i32> = samples.iter().collect();
                for (number, counts) in (samples.first_sample..).zip(counts.chunks(samples.channels.into())) {
                    let before = self.samples.insert((samples.boot_id, stream, number), counts.to_vec());
                    assert!(before.is_none_or(|before| before == counts), "a copy must be equal");
                }
                self.delays_us.push((samples.first_sample, samples.device_time_us));
            }
            DeviceMessage::Condition(condition) => {
                self.knows(condition.boot_id, stream, condition.next_sample)
            }
            DeviceMessage::Pong(pong) => self.pongs.push((pong.token, pong.device_time_us)),
        }
    }

    fn knows(&mut self, boot_id: u32, stream: u64, next_sample: u64) {
        let known = self.known.entry(boot_id).or_default();
        *known = if known.0 == stream { (stream, known.1.max(next_sample)) } else { (stream, next_sample) };
    }
}

pub fn message(message: HostMessage) -> Vec<u8> {
    let (mut body, mut out) = ([0; 8], [0; 32]);
    let length = message.encode(&mut body).unwrap();
    let length = encode(&body[..length], &mut out).unwrap();
    out[..length].to_vec()
}
