//! What a port sounds like, from its bytes alone.
//!
//! In: bytes from a port, split anywhere. Out: a [`Verdict`]: a finger-force sensor, one of another protocol version,
//! text lines, noise, silence. Nothing is written to the port: not every device takes it well.

use super::text::printable_bytes;
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::{DeviceMessage, Identity, MessageFault};

/// So much of what is heard is kept to show a line of text, and to propose what the lines mean.
const KEPT_BYTES: usize = 8192;

/// What a port sounds like.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// Not a byte.
    Silence,
    /// Frames of our protocol.
    Sensor,
    /// A sensor that speaks another version of the protocol.
    OtherVersion(u8),
    /// Lines of text, like this one (safe to print).
    Text(String),
    /// Bytes that are neither.
    Noise,
}

/// Listens to one port.
#[derive(Debug, Default)]
pub struct Listener {
    accumulator: Accumulator,
    bytes: u64,
    text_bytes: u64,
    messages: u64,
    identity: Option<Identity>,
    other_version: Option<u8>,
    start: Vec<u8>,
}

impl Listener {
    /// Hears bytes.
    pub fn hear(&mut self, bytes: &[u8]) {
        self.bytes += bytes.len() as u64;
        self.text_bytes += bytes.iter().filter(|byte| is_text(**byte)).count() as u64;
        let room = KEPT_BYTES.saturating_sub(self.start.len()).min(bytes.len());
        self.start.extend_from_slice(&bytes[..room]);
        let mut rest = bytes;
        while let Some(frame) = self.accumulator.push(&mut rest) {
            match frame.ok().map(DeviceMessage::decode) {
                Some(Ok(message)) => {
                    self.messages += 1;
                    if let DeviceMessage::Identity(identity) = message {
                        self.identity = Some(identity);
                    }
                }
                Some(Err(MessageFault::OtherVersion(version))) => self.other_version = Some(version),
                _ => {}
            }
        }
    }

    /// The last identity that was heard.
    #[must_use]
    pub fn identity(&self) -> Option<&Identity> {
        self.identity.as_ref()
    }

    /// Messages that could be read.
    #[must_use]
    pub fn messages(&self) -> u64 {
        self.messages
    }

    /// Bytes heard.
    #[must_use]
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// The first bytes that were heard.
    #[must_use]
    pub fn start(&self) -> &[u8] {
        &self.start
    }

    /// What it sounds like so far.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        if self.messages > 0 {
            return Verdict::Sensor;
        }
        if let Some(version) = self.other_version {
            return Verdict::OtherVersion(version);
        }
        if self.bytes == 0 {
            return Verdict::Silence;
        }
        match self.whole_line() {
            // Opening in the middle of a line, or at another moment of a boot, may give some garbage first.
            Some(line) if self.text_bytes * 20 >= self.bytes * 19 => Verdict::Text(printable_bytes(line)),
            _ => Verdict::Noise,
        }
    }

    /// The first line that was heard from its beginning to its end; otherwise the first end of a line.
    fn whole_line(&self) -> Option<&[u8]> {
        let end = if self.start.contains(&b'\n') { b'\n' } else { b'\r' };
        let mut lines = self.start.split_inclusive(|byte| *byte == end).filter(|line| line.ends_with(&[end]));
        let first = lines.next()?;
        Some(lines.next().unwrap_or(first).trim_ascii())
    }
}

fn is_text(byte: u8) -> bool {
    byte.is_ascii_graphic() || matches!(byte, b' ' | b'\t' | b'\r' | b'\n') || byte >= 0x80
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulate::faults::Faults;
    use crate::simulate::hand::{Hand, Script};
    use crate::simulate::random::Random;
    use crate::simulate::sensor::{Sensor, Settings};
    use crate::simulate::source::Source;

    /// What a simulated sensor says within its first half second.
    fn sensor(faults: Faults) -> Vec<u8> {
        let hand = Source::Hand(Box::new(Hand::new(Script::default(), 1).unwrap()));
        let mut sensor = Sensor::new(Settings { faults, ..Settings::default() }, hand, 0).unwrap();
        sensor.advance(500_000_000);
        sensor.output().to_vec()
    }

    fn verdict(bytes: &[u8]) -> Verdict {
        let mut listener = Listener::default();
        bytes.chunks(7).for_each(|bytes| listener.hear(bytes));
        listener.verdict()
    }

    #[test]
    fn a_sensor_is_known_by_its_frames() {
        let bytes = sensor(Faults::default());
        assert_eq!(verdict(&bytes), Verdict::Sensor);
        let mut listener = Listener::default();
        listener.hear(&bytes);
        assert_eq!(listener.identity().unwrap().serial.as_str(), "SIM-0001");
        assert_eq!(
            verdict(&sensor(Faults { version: Some(7), ..Faults::default() })),
            Verdict::OtherVersion(7)
        );
    }

    #[test]
    fn text_noise_and_silence_are_told_apart() {
        assert_eq!(verdict(b""), Verdict::Silence);
        assert_eq!(verdict(b"5 N\r\n12.6 N\r\n12.7 N\r\n"), Verdict::Text("12.6 N".to_owned()));
        assert_eq!(verdict(b"no end of a line"), Verdict::Noise);
        assert_eq!(verdict(&sensor(Faults { noise_only: true, ..Faults::default() })), Verdict::Noise);
        for seed in 0..200 {
            let mut random = Random::new(seed);
            let bytes: Vec<u8> = (0..2_000).map(|_| random.bits() as u8).collect();
            assert_eq!(verdict(&bytes), Verdict::Noise, "seed {seed}");
        }
    }

    #[test]
    fn a_line_cannot_steer_the_terminal() {
        let text =
            "a line of good length to be heard as text, and one more of them\n".repeat(3) + "x\x1b[2Jy\n";
        let Verdict::Text(line) = verdict(&text.as_bytes()[text.len() - 30..]) else { panic!("not text") };
        assert_eq!(line, "x\u{fffd}[2Jy");
    }
}
