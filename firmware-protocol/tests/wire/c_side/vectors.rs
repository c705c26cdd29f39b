//! The shared vectors, byte for byte, in C.

use super::{Probe, hex};
use crate::table::Table;

#[test]
fn every_message_accepted_or_rejected_and_its_frame() {
    let mut probe = Probe::start("probe-messages", &[]);
    for row in Table::read("messages.csv").rows() {
        let (name, body) = (row.get("name"), row.bytes("body_hex"));
        let expected = match row.get("verdict") {
            "accepted" => format!("accepted {} {}", row.get("fields"), row.get("body_hex")),
            _ => format!("rejected {}", row.get("reason")),
        };
        assert_eq!(probe.ask(&format!("{} {}", row.get("direction"), hex(&body))), expected, "{name}");
        assert_eq!(probe.ask(&format!("frame {}", hex(&body))), row.get("frame_hex"), "{name}");
    }
}

#[test]
fn every_stream() {
    let mut probe = Probe::start("probe-streams", &[]);
    for row in Table::read("streams.csv").rows() {
        let answer = probe.ask(&format!("line {}", hex(&row.bytes("bytes_hex"))));
        assert_eq!(answer, row.get("outcomes"), "{}", row.get("name"));
    }
}

#[test]
fn every_converter_code() {
    let mut probe = Probe::start("probe-codes", &[]);
    for row in Table::read("converter_codes.csv").rows() {
        let expected = format!(
            "{} {}",
            row.get("signed_i32"),
            u8::from(row.get("saturated").eq_ignore_ascii_case("true"))
        );
        assert_eq!(probe.ask(&format!("twos {}", row.get("raw_hex"))), expected);
        let offset: u32 = row.get("offset_binary_xor_0x800000").parse().unwrap();
        assert_eq!(probe.ask(&format!("offset {offset:06x}")), expected);
        // Bits above the 24th are no part of the code.
        assert_eq!(probe.ask(&format!("twos ff{}", row.get("raw_hex"))), expected);
        assert_eq!(probe.ask(&format!("offset ff{offset:06x}")), expected);
    }
}

#[test]
fn as_many_samples_as_fit() {
    let mut probe = Probe::start("probe-most", &[]);
    for channels in 0..=9 {
        let most = firmware_protocol::message::max_samples(channels);
        assert_eq!(probe.ask(&format!("most {channels}")), most.to_string());
    }
}
