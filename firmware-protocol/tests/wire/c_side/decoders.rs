//! The C and the Rust decoder on the same damaged frames: both accept, with the same fields, or both reject.

use super::{Probe, hex};
use crate::table::Table;
use crate::vectors::{device_fields, fault_name, host_fields, reason};
use firmware_protocol::frame::{self, Accumulator, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{DeviceMessage, HostMessage};

/// SplitMix64 (Steele, Lea & Flood 2014, "Fast splittable pseudorandom number generators", OOPSLA): the same numbers
/// everywhere, from one seed.
struct Random(u64);

impl Random {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        usize::try_from(self.next() % end as u64).unwrap()
    }

    /// Any byte, the ends of ranges more often than by chance.
    fn byte(&mut self) -> u8 {
        match self.below(8) {
            0 => 0,
            1 => 1,
            2 => 0xFF,
            3 => 0x80,
            _ => self.next().to_be_bytes()[0],
        }
    }

    /// Some bytes changed, taken out, put in; or an end cut off.
    fn mutate(&mut self, bytes: &mut Vec<u8>) {
        for _ in 0..self.below(4) {
            let at = self.below(bytes.len() + 1);
            match self.below(6) {
                0 => bytes.insert(at, self.byte()),
                1 if at < bytes.len() => drop(bytes.remove(at)),
                2 if self.below(4) == 0 => bytes.truncate(at),
                3 if at < bytes.len() => bytes[at] ^= 1 << self.below(8),
                // The first bytes have the fields that are refused.
                4 if !bytes.is_empty() => {
                    let at = self.below(bytes.len().min(64));
                    bytes[at] = self.byte();
                }
                _ if at < bytes.len() => bytes[at] = self.byte(),
                _ => {}
            }
        }
    }
}

fn framed(body: &[u8]) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let length = frame::encode(body, &mut out).expect("it fits");
    out[..length].to_vec()
}

fn device(body: &[u8]) -> String {
    match DeviceMessage::decode(body) {
        Ok(message) => {
            let mut again = [0; MAX_MESSAGE];
            let length = message.encode(&mut again).expect("what was decoded can be encoded");
            format!("accepted {} {}", device_fields(&message), hex(&again[..length]))
        }
        Err(fault) => format!("rejected {}", reason(fault)),
    }
}

fn host(body: &[u8]) -> String {
    match HostMessage::decode(body) {
        Ok(message) => format!("accepted {} {}", host_fields(&message), hex(body)),
        Err(fault) => format!("rejected {}", reason(fault)),
    }
}

/// Which of several wrong things is named first is the decoder's own affair.
fn verdict(answer: &str) -> &str {
    if answer.starts_with("rejected") { "rejected" } else { answer }
}

/// How often each thing happened: a test that only ever rejects shows nothing.
#[derive(Debug, Default)]
struct Seen {
    bodies: usize,
    faults: usize,
    accepted: usize,
    rejected: usize,
}

fn agree(probe: &mut Probe, seen: &mut Seen, line: &[u8]) {
    let (mut accumulator, mut input, mut outcomes) = (Accumulator::new(), line, Vec::new());
    let mut bodies = Vec::new();
    while let Some(frame) = accumulator.push(&mut input) {
        outcomes.push(match frame {
            Ok(body) => {
                bodies.push(body.to_vec());
                format!("body {}", crate::table::hex(body))
            }
            Err(fault) => {
                seen.faults += 1;
                format!("fault {}", fault_name(fault))
            }
        });
    }
    assert_eq!(probe.ask(&format!("line {}", hex(line))), outcomes.join(";"), "line {}", hex(line));
    for body in bodies {
        seen.bodies += 1;
        for (direction, ours) in [("device", device(&body)), ("host", host(&body))] {
            let theirs = probe.ask(&format!("{direction} {}", hex(&body)));
            assert_eq!(verdict(&theirs), verdict(&ours), "{direction} {}", hex(&body));
            *if ours.starts_with("accepted") { &mut seen.accepted } else { &mut seen.rejected } += 1;
        }
        assert_eq!(probe.ask(&format!("frame {}", hex(&body))), hex(&framed(&body)));
    }
}

/// 100 000 frames; with LONG=1 a million. Half of them are damaged before their checksum is made, so that the damage
/// reaches the messages, half on the line.
#[test]
fn both_decoders_agree_on_damaged_frames() {
    let table = Table::read("messages.csv");
    let bodies: Vec<_> = table.rows().map(|row| row.bytes("body_hex")).collect();
    let frames = if std::env::var_os("LONG").is_some() { 1_000_000 } else { 100_000 };
    let (mut probe, mut random) = (Probe::start("probe-damaged", &[]), Random(0x0F0A_CE5E_ED00_0001));
    let mut seen = Seen::default();
    for number in 0..frames {
        let mut body = bodies[random.below(bodies.len())].clone();
        if number % 2 == 0 {
            random.mutate(&mut body);
            body.truncate(MAX_MESSAGE);
        }
        let mut line = framed(&body);
        if number % 2 == 1 {
            random.mutate(&mut line);
            line.push(0);
        }
        agree(&mut probe, &mut seen, &line);
    }
    let enough = frames / 20;
    assert!(seen.bodies > enough && seen.faults > enough, "{seen:?}");
    assert!(seen.accepted > enough && seen.rejected > enough, "{seen:?}");
    println!("{frames} frames: {seen:?}");
}

/// Blocks of 254 bytes without a zero, and what comes just before and after: every length of a body, stuffed alike.
#[test]
fn both_encoders_agree_on_every_length() {
    let mut probe = Probe::start("probe-lengths", &[]);
    for length in 1..=MAX_MESSAGE {
        let mut body = vec![0x55; length];
        for zero_at in [None, Some(length - 1), Some(length / 2)] {
            if let Some(at) = zero_at {
                body[at] = 0;
            }
            assert_eq!(
                probe.ask(&format!("frame {}", hex(&body))),
                hex(&framed(&body)),
                "{length} {zero_at:?}"
            );
        }
    }
    assert_eq!(probe.ask(&format!("frame {}", hex(&[0x55; MAX_MESSAGE + 1]))), "", "too long for any frame");
}
