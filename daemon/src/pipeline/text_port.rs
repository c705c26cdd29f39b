//! A port whose sensor prints lines: what the pipeline does with them.
//!
//! Comes in: a port's bytes, and the time (host's monotonic clock, ns). Goes out: what any sensor's samples give, one to a
//! frame; gaps that were inferred say so. What a line means is [`super::text`]'s.

use super::text::{self, TextDecoder, TextOut, TextSample};
use super::{LinkState, Output, Pipeline, device_time};
use crate::port::profile::Profile;
use firmware_protocol::message::Samples;

/// A device that prints lines has this long to print some that can be read, ns.
const LINES_WAIT_NS: u64 = 10_000_000_000;

/// A port with a sensor that prints lines.
pub(super) struct TextPort {
    decoder: TextDecoder,
    /// How often it was opened: what comes after is another stream.
    opened: u32,
    opened_ns: u64,
    sequence: u32,
    bytes: u64,
    /// That nothing can be read was said.
    told: bool,
    out: Vec<TextOut>,
}

impl TextPort {
    pub(super) fn new(profile: Profile, now_ns: u64) -> TextPort {
        TextPort {
            decoder: TextDecoder::new(profile),
            opened: 1,
            opened_ns: now_ns,
            sequence: 0,
            bytes: 0,
            told: false,
            out: Vec::new(),
        }
    }

    /// Bytes are missing before those that come.
    pub(super) fn hole(&mut self) {
        self.decoder.hole();
    }

    pub(super) fn reopened(&mut self, now_ns: u64) {
        self.decoder.reopened();
        (self.opened, self.opened_ns, self.sequence) = (self.opened.wrapping_add(1), now_ns, 0);
    }
}

impl Pipeline {
    /// Bytes of a sensor that prints lines.
    pub(super) fn lines(
        &mut self,
        port: u8,
        mut text: Box<TextPort>,
        bytes: &[u8],
        now_ns: u64,
        out: &mut Vec<Output>,
    ) {
        text.bytes = text.bytes.saturating_add(bytes.len() as u64);
        let unreadable = text.decoder.unreadable;
        let mut found = std::mem::take(&mut text.out);
        text.decoder.push(bytes, now_ns, &mut found);
        self.faults.message += text.decoder.unreadable - unreadable;
        for found in found.drain(..) {
            match found {
                TextOut::Known(identity) => {
                    if self.is_twice(port, &identity.serial, out) {
                        continue;
                    }
                    self.adopt(port, *identity, out);
                    out.push(Output::Link(port, LinkState::Flowing));
                }
                TextOut::Sample(sample) => self.text_sample(port, &mut text, &sample, out),
            }
        }
        text.out = found;
        self.ports[usize::from(port)].text = Some(text);
    }

    fn text_sample(&mut self, port: u8, text: &mut TextPort, sample: &TextSample, out: &mut Vec<Output>) {
        let sensor = self.ports[usize::from(port)].sensor.and_then(|at| self.sensors.get_mut(at));
        let (Some(sensor), Some(interval_ns)) = (sensor, text.decoder.interval_ns()) else { return };
        let counts_le = sample.counts.to_le_bytes();
        let frame = Samples {
            boot_id: text.opened,
            sequence: text.sequence,
            first_sample: sample.counter,
            device_time_us: sample.time_us,
            interval_ns,
            status: 0,
            channels: 1,
            samples: 1,
            counts_le: &counts_le,
        };
        text.sequence = text.sequence.wrapping_add(1);
        let from = out.len();
        sensor.samples(&frame, sample.arrival_ns, self.find, out);
        // Nobody reported a loss: it was inferred.
        for output in &mut out[from..] {
            if let Output::Gap(_, gap) = output
                && gap.reason == device_time::DEVICE_OVERRUN
            {
                gap.reason = text::INFERRED;
            }
        }
    }

    /// A device of which no line can be read is told of, once.
    pub(super) fn await_lines(&mut self, now_ns: u64, out: &mut Vec<Output>) {
        for (port, state) in (0..).zip(&mut self.ports) {
            let Some(text) = &mut state.text else { continue };
            let late = now_ns.saturating_sub(text.opened_ns) > LINES_WAIT_NS;
            if late && !text.told && text.decoder.interval_ns().is_none() {
                text.told = true;
                out.push(Output::Link(port, LinkState::NoAnswer { noise_bytes: text.bytes }));
            }
        }
    }
}

/// The profile in what a port was opened with (JSON).
pub(super) fn profile_of(detail: &str) -> Option<Profile> {
    let detail: serde_json::Value = serde_json::from_str(detail).ok()?;
    serde_json::from_value(detail.get("profile")?.clone()).ok()
}
