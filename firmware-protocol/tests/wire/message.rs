//! Properties of messages.

use crate::generate::{body_of, condition, device_body, fixed, host_message, identity, pong, samples};
use firmware_protocol::frame::MAX_MESSAGE;
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, HostMessage, MAX_CHANNELS, MessageFault, PROTOCOL_VERSION,
    Samples, Text, kind, max_samples, put_counts,
};
use proptest::prelude::*;

proptest! {
    #![proptest_config(fixed(512))]

    #[test]
    fn identities_survive(identity in identity()) {
        let message = DeviceMessage::Identity(identity);
        let body = body_of(&message);
        prop_assert_eq!(DeviceMessage::decode(&body), Ok(message));
    }

    #[test]
    fn samples_survive((head, counts) in samples()) {
        let mut bytes = [0; MAX_MESSAGE];
        let counts_le = put_counts(&counts, &mut bytes).unwrap();
        let message = DeviceMessage::Samples(Samples { counts_le, ..head });
        let body = body_of(&message);
        prop_assert_eq!(DeviceMessage::decode(&body), Ok(message));
        let DeviceMessage::Samples(samples) = message else { unreachable!() };
        prop_assert_eq!(samples.iter().collect::<Vec<_>>(), counts);
        prop_assert_eq!(samples.next_sample() - samples.first_sample, u64::from(samples.samples));
    }

    #[test]
    fn conditions_and_pongs_survive(condition in condition(), pong in pong()) {
        for message in [DeviceMessage::Condition(condition), DeviceMessage::Pong(pong)] {
            let body = body_of(&message);
            prop_assert_eq!(DeviceMessage::decode(&body), Ok(message));
        }
    }

    #[test]
    fn host_messages_survive(message in host_message()) {
        let mut out = [0; 5];
        let length = message.encode(&mut out).unwrap();
        prop_assert_eq!(HostMessage::decode(&out[..length]), Ok(message));
    }

    /// Nothing panics, and what is accepted has one form only.
    #[test]
    fn anything_is_read_or_refused(mut body in proptest::collection::vec(any::<u8>(), 0..=MAX_MESSAGE), kind in 0..8_u8) {
        if let Some(first) = body.first_mut() {
            *first = if kind < 6 { kind } else { *first };
        }
        if let Ok(message) = DeviceMessage::decode(&body) {
            prop_assert_eq!(body_of(&message), &body[..]);
        }
        if let Ok(message) = HostMessage::decode(&body) {
            let mut out = [0; 5];
            let length = message.encode(&mut out).unwrap();
            prop_assert_eq!(&out[..length], &body[..]);
        }
    }

    /// Closer to home: good bodies with some bytes changed, cut or lengthened.
    #[test]
    fn damaged_messages_are_read_or_refused(
        body in device_body(),
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 1..4),
        length in any::<proptest::sample::Index>(),
    ) {
        let mut damaged = body.clone();
        for (at, byte) in changes {
            let at = at.index(damaged.len());
            damaged[at] = byte;
        }
        if let Ok(message) = DeviceMessage::decode(&damaged) {
            prop_assert_eq!(body_of(&message), &damaged[..]);
        }
        let cut = &body[..length.index(body.len())];
        prop_assert!(DeviceMessage::decode(cut).is_err());
        damaged = [&body[..], &[0]].concat();
        prop_assert!(DeviceMessage::decode(&damaged).is_err());
    }

    /// The handshake never changes: of any other version's identity, at least kind and version are understood.
    #[test]
    fn other_versions_are_recognised(version in any::<u8>(), rest in proptest::collection::vec(any::<u8>(), 0..300)) {
        prop_assume!(version != PROTOCOL_VERSION);
        let body = [&[kind::IDENTITY, version][..], &rest].concat();
        prop_assert_eq!(DeviceMessage::decode(&body), Err(MessageFault::OtherVersion(version)));
    }
}

/// Byte for byte, whatever the code's constants say: these two may never change.
#[test]
fn the_handshake_is_what_it_always_was() {
    let mut out = [0; 8];
    assert_eq!(HostMessage::Identify.encode(&mut out), Ok(1));
    assert_eq!(out[0], 0x81);
    assert_eq!(DeviceMessage::decode(&[0x01, 0x02]), Err(MessageFault::OtherVersion(2)));
    assert_eq!(
        crate::generate::host_frame(HostMessage::Identify),
        [0x06, 0x81, 0x3B, 0x5C, 0xBD, 0x48, 0x00]
    );
}

#[test]
fn an_empty_body_is_no_message() {
    assert_eq!(DeviceMessage::decode(&[]), Err(MessageFault::Empty));
    assert_eq!(HostMessage::decode(&[]), Err(MessageFault::Empty));
}

/// What the decoder refuses the encoder does not send.
#[test]
fn forbidden_values_are_not_encoded() {
    let mut out = [0; MAX_MESSAGE];
    let good = Samples {
        boot_id: 0,
        sequence: 0,
        first_sample: 0,
        device_time_us: 0,
        interval_ns: 1,
        status: 0,
        channels: 1,
        samples: 1,
        counts_le: &[0; 4],
    };
    let cases = [
        (Samples { interval_ns: 0, ..good }, "interval_ns"),
        (Samples { status: 4, ..good }, "status"),
        (Samples { channels: 0, ..good }, "channels"),
        (Samples { channels: 9, ..good }, "channels"),
        (Samples { samples: 0, counts_le: &[], ..good }, "samples"),
        (Samples { counts_le: &[0; 8], ..good }, "counts"),
        (Samples { counts_le: &[0; 3], ..good }, "counts"),
        (Samples { first_sample: u64::MAX, ..good }, "first_sample"),
        (Samples { device_time_us: u64::MAX, ..good }, "device_time_us"),
    ];
    assert_eq!(DeviceMessage::Samples(good).encode(&mut out), Ok(36));
    for (samples, name) in cases {
        assert_eq!(DeviceMessage::Samples(samples).encode(&mut out), Err(MessageFault::BadField(name)));
    }
    let zero = HostMessage::SetInterval { interval_ns: 0 };
    assert_eq!(zero.encode(&mut out), Err(MessageFault::BadField("interval_ns")));
}

#[test]
fn as_many_samples_as_fit() {
    let most: Vec<_> = (0..=255).map(max_samples).collect();
    assert_eq!(most[..10], [0, 247, 123, 82, 61, 49, 41, 35, 30, 0]);
    assert!(most[9..].iter().all(|&samples| samples == 0));
    for channels in 1..=8 {
        let body = |samples: u8| 32 + 4 * usize::from(channels) * usize::from(samples);
        assert!(body(max_samples(channels)) <= MAX_MESSAGE);
        assert!(body(max_samples(channels) + 1) > MAX_MESSAGE);
    }
}

#[test]
fn texts() {
    for good in ["A", "FF-000123", "0123456789abcdef", " ~"] {
        let text = Text::new(good).expect(good);
        assert_eq!((text.as_str(), text.to_string().as_str(), format!("{text:>16}").len()), (good, good, 16));
        assert_eq!(format!("{text:?}"), format!("{good:?}"));
    }
    for bad in ["", "0123456789abcdefg", "tab\t", "nul\0", "é", "\u{7f}"] {
        assert_eq!(Text::new(bad), None, "{bad:?}");
    }
    assert_eq!(Text::from_bytes(*b"A\0\0\0\0\0\0\0\0\0\0\0\0\0\0B"), None);
}

#[test]
fn one_to_eight_channels() {
    let channel = ChannelIdentity { rated_counts: 1, rated_force_mn: 1, ..Default::default() };
    for count in 0..=MAX_CHANNELS + 1 {
        let channels = Channels::new(&vec![channel; count]);
        assert_eq!(channels.map(|c| c.len()), (1..=MAX_CHANNELS).contains(&count).then_some(count));
    }
}

#[test]
fn channels_are_equal_when_all_of_them_are() {
    let channel = ChannelIdentity { rated_counts: 1, rated_force_mn: 1, ..Default::default() };
    let channels = |list: &[ChannelIdentity]| Channels::new(list).unwrap();
    assert_eq!(channels(&[channel; 2]), channels(&[channel; 2]));
    assert_ne!(channels(&[channel; 2]), channels(&[channel; 3]));
    assert_ne!(channels(&[channel]), channels(&[ChannelIdentity { zero_counts: 1, ..channel }]));
    assert_eq!(format!("{:?}", channels(&[channel])), format!("{:?}", [channel]));
}

/// Errors end up in front of people: each says what is wrong.
#[test]
fn faults_explain_themselves() {
    assert_eq!(
        MessageFault::OtherVersion(3).to_string(),
        "the device speaks protocol version 3, this program version 1"
    );
    assert_eq!(MessageFault::UnknownKind(5).to_string(), "unknown message kind 0x05");
    assert_eq!(
        MessageFault::BadField("status").to_string(),
        "a value that is not allowed in the field status"
    );
}
