//! The shared vectors, all of them, both ways.

use crate::table::{Table, hex};
use firmware_protocol::frame::{self, Accumulator, FrameFault, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{
    Condition, DeviceMessage, Direction, HostMessage, Identity, MessageFault, Pong, Samples,
};
use std::fmt::Write;

#[test]
fn every_accepted_message() {
    for row in Table::read("messages.csv").rows().filter(|row| row.get("verdict") == "accepted") {
        let (name, body) = (row.get("name"), row.bytes("body_hex"));
        let (fields, encoded) = match row.get("direction") {
            "device" => {
                let message = DeviceMessage::decode(&body).unwrap_or_else(|fault| panic!("{name}: {fault}"));
                (device_fields(&message), encode(|out| message.encode(out)))
            }
            "host" => {
                let message = HostMessage::decode(&body).unwrap_or_else(|fault| panic!("{name}: {fault}"));
                (host_fields(&message), encode(|out| message.encode(out)))
            }
            other => panic!("{name}: direction {other}"),
        };
        assert_eq!(fields, row.get("fields"), "{name}");
        assert_eq!(hex(&encoded), row.get("body_hex"), "{name}");
    }
}

#[test]
fn every_rejected_message() {
    let mut rejected = 0;
    for row in Table::read("messages.csv").rows().filter(|row| row.get("verdict") != "accepted") {
        let (name, body) = (row.get("name"), row.bytes("body_hex"));
        let fault = match row.get("direction") {
            "device" => DeviceMessage::decode(&body).map(|_| ()),
            _ => HostMessage::decode(&body).map(|_| ()),
        };
        assert_eq!(reason(fault.expect_err(name)), row.get("reason"), "{name}");
        rejected += 1;
    }
    assert!(rejected > 50, "only {rejected} rejected messages");
}

#[test]
fn every_frame() {
    for row in Table::read("messages.csv").rows() {
        let (name, body) = (row.get("name"), row.bytes("body_hex"));
        let mut encoded = [0; MAX_FRAME];
        let length = frame::encode(&body, &mut encoded).unwrap();
        assert_eq!(hex(&encoded[..length]), row.get("frame_hex"), "{name}");
        let mut accumulator = Accumulator::new();
        assert_eq!(accumulator.push(&mut &row.bytes("frame_hex")[..]), Some(Ok(&body[..])), "{name}");
    }
}

/// Each stream whole, byte by byte, and in threes; the counters agree with the outcomes.
#[test]
fn every_stream() {
    for row in Table::read("streams.csv").rows() {
        let (name, bytes) = (row.get("name"), row.bytes("bytes_hex"));
        for piece in [bytes.len().max(1), 1, 3] {
            let (mut accumulator, mut outcomes) = (Accumulator::new(), Vec::new());
            for mut rest in bytes.chunks(piece) {
                while let Some(frame) = accumulator.push(&mut rest) {
                    outcomes.push(match frame {
                        Ok(body) => format!("body {}", hex(body)),
                        Err(fault) => format!("fault {}", fault_name(fault)),
                    });
                }
                assert!(rest.is_empty());
            }
            assert_eq!(outcomes.join(";"), row.get("outcomes"), "{name} in pieces of {piece}");
            let counts = accumulator.counts();
            let counted = |kind| outcomes.iter().filter(|o| **o == format!("fault {kind}")).count() as u64;
            assert_eq!(counts.overlong, counted("overlong"), "{name}");
            assert_eq!(counts.malformed, counted("malformed"), "{name}");
            assert_eq!(counts.checksum, counted("checksum"), "{name}");
            assert_eq!(counts.short, counted("short"), "{name}");
        }
    }
}

/// Every rule of the decoder has its vector: no kind of rejection without a row.
#[test]
fn every_kind_of_rejection_has_a_vector() {
    let messages = Table::read("messages.csv");
    let reasons: Vec<_> = messages.rows().map(|row| row.get("reason").to_string()).collect();
    for field in [
        "serial",
        "firmware",
        "interval_ns",
        "device_time_us",
        "channels",
        "rated_counts",
        "rated_force_mn",
        "direction",
        "status",
        "samples",
        "first_sample",
        "next_sample",
        "streaming",
    ] {
        assert!(reasons.contains(&format!("field {field}")), "{field}");
    }
    let streams = Table::read("streams.csv");
    let outcomes: String = streams.rows().map(|row| format!("{};", row.get("outcomes"))).collect();
    for fault in [FrameFault::Overlong, FrameFault::Malformed, FrameFault::Checksum, FrameFault::Short] {
        assert!(outcomes.contains(&format!("fault {}", fault_name(fault))), "{fault:?}");
    }
}

fn encode(encode: impl Fn(&mut [u8]) -> Result<usize, MessageFault>) -> Vec<u8> {
    let mut out = [0; MAX_MESSAGE];
    let length = encode(&mut out).expect("what was decoded can be encoded");
    // Exactly as much room as it takes is enough, one byte less is not.
    assert_eq!(encode(&mut out[..length]), Ok(length));
    assert_eq!(encode(&mut out[..length - 1]), Err(MessageFault::NoRoom));
    out[..length].to_vec()
}

pub fn fault_name(fault: FrameFault) -> &'static str {
    match fault {
        FrameFault::Overlong => "overlong",
        FrameFault::Malformed => "malformed",
        FrameFault::Checksum => "checksum",
        FrameFault::Short => "short",
    }
}

pub fn reason(fault: MessageFault) -> String {
    match fault {
        MessageFault::UnknownKind(kind) => format!("unknown kind {kind}"),
        MessageFault::OtherVersion(version) => format!("other version {version}"),
        MessageFault::Length { .. } => "length".into(),
        MessageFault::BadField(name) => format!("field {name}"),
        MessageFault::Empty => "empty".into(),
        MessageFault::NoRoom => "no room".into(),
    }
}

pub fn device_fields(message: &DeviceMessage<'_>) -> String {
    match message {
        DeviceMessage::Identity(identity) => identity_fields(identity),
        DeviceMessage::Samples(samples) => samples_fields(samples),
        DeviceMessage::Condition(Condition {
            boot_id,
            device_time_us,
            next_sample,
            streaming,
            supply_mv,
            temperature_centikelvin,
        }) => {
            let known = |value: &Option<u16>| value.map_or("unknown".into(), |value| value.to_string());
            format!(
                "condition;boot_id={boot_id};device_time_us={device_time_us};next_sample={next_sample};\
                 streaming={};supply_mv={};temperature_centikelvin={}",
                u8::from(*streaming),
                known(supply_mv),
                known(temperature_centikelvin)
            )
        }
        DeviceMessage::Pong(Pong { boot_id, token, device_time_us }) => {
            format!("pong;boot_id={boot_id};token={token};device_time_us={device_time_us}")
        }
    }
}

fn identity_fields(identity: &Identity) -> String {
    let mut fields = format!(
        "identity;protocol_version={};boot_id={};serial={};firmware={};interval_ns={};group_delay_ns={};\
         bandwidth_millihertz={};settling_ns={};device_time_us={};channels={}",
        identity.protocol_version,
        identity.boot_id,
        identity.serial,
        identity.firmware,
        identity.interval_ns,
        identity.group_delay_ns,
        identity.bandwidth_millihertz,
        identity.settling_ns,
        identity.device_time_us,
        identity.channels.count()
    );
    for channel in identity.channels.iter() {
        let direction = match channel.direction {
            Direction::Compression => 0,
            Direction::Tension => 1,
            Direction::Both => 2,
        };
        write!(
            fields,
            ";zero_counts={};rated_counts={};rated_force_mn={};direction={direction}",
            channel.zero_counts, channel.rated_counts, channel.rated_force_mn
        )
        .unwrap();
    }
    fields
}

fn samples_fields(samples: &Samples<'_>) -> String {
    let counts: Vec<_> = samples.iter().map(|count| count.to_string()).collect();
    let by_place: Vec<_> = (0..usize::from(samples.samples))
        .flat_map(|sample| (0..usize::from(samples.channels)).map(move |channel| (sample, channel)))
        .map(|(sample, channel)| samples.count(sample, channel).expect("inside").to_string())
        .collect();
    assert_eq!(counts, by_place, "the two ways of reading counts agree");
    assert_eq!(samples.count(usize::from(samples.samples), 0), None);
    assert_eq!(samples.count(0, usize::from(samples.channels)), None);
    assert_eq!(samples.saturated(), samples.status & 1 == 1);
    assert_eq!(samples.overrun(), samples.status & 2 == 2);
    format!(
        "samples;boot_id={};sequence={};first_sample={};device_time_us={};interval_ns={};status={};channels={};\
         samples={};counts={}",
        samples.boot_id,
        samples.sequence,
        samples.first_sample,
        samples.device_time_us,
        samples.interval_ns,
        samples.status,
        samples.channels,
        samples.samples,
        counts.join(" ")
    )
}

pub fn host_fields(message: &HostMessage) -> String {
    match message {
        HostMessage::Identify => "identify".into(),
        HostMessage::Start => "start".into(),
        HostMessage::Stop => "stop".into(),
        HostMessage::SetInterval { interval_ns } => format!("set_interval;interval_ns={interval_ns}"),
        HostMessage::Ping { token } => format!("ping;token={token}"),
    }
}
