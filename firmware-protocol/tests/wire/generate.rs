//! Strategies for messages and line noise, with one fixed seed for all properties of this crate.

use firmware_protocol::frame::{self, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{
    ChannelIdentity, Channels, Condition, DeviceMessage, Direction, HostMessage, Identity, MAX_U64,
    PROTOCOL_VERSION, Pong, Samples, Text, max_samples, put_counts,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// The same cases every time: a failure is repeated by running the test again.
pub fn fixed(cases: u32) -> ProptestConfig {
    ProptestConfig {
        cases,
        rng_seed: RngSeed::Fixed(0x57EA_D1E5),
        failure_persistence: None,
        ..Default::default()
    }
}

pub fn text() -> impl Strategy<Value = Text> {
    "[ -~]{1,16}".prop_map(|text| Text::new(&text).expect("printable"))
}

fn nonzero() -> impl Strategy<Value = i32> {
    any::<i32>().prop_map(|value| if value == 0 { -1 } else { value })
}

fn channel() -> impl Strategy<Value = ChannelIdentity> {
    let direction =
        prop_oneof![Just(Direction::Compression), Just(Direction::Tension), Just(Direction::Both)];
    (any::<i32>(), nonzero(), 1..=u32::MAX, direction).prop_map(
        |(zero_counts, rated_counts, rated_force_mn, direction)| ChannelIdentity {
            zero_counts,
            rated_counts,
            rated_force_mn,
            direction,
        },
    )
}

pub fn identity() -> impl Strategy<Value = Identity> {
    let channels =
        proptest::collection::vec(channel(), 1..=8).prop_map(|list| Channels::new(&list).expect("1 to 8"));
    let times = (1..=u32::MAX, any::<u32>(), any::<u32>(), any::<u32>(), 0..=MAX_U64);
    (any::<u32>(), text(), text(), times, channels).prop_map(
        |(boot_id, serial, firmware, times, channels)| {
            let (interval_ns, group_delay_ns, bandwidth_millihertz, settling_ns, device_time_us) = times;
            Identity {
                protocol_version: PROTOCOL_VERSION,
                boot_id,
                serial,
                firmware,
                interval_ns,
                group_delay_ns,
                bandwidth_millihertz,
                settling_ns,
                device_time_us,
                channels,
            }
        },
    )
}

pub fn condition() -> impl Strategy<Value = Condition> {
    let known = || proptest::option::of(0..u16::MAX);
    (any::<u32>(), 0..=MAX_U64, 0..=MAX_U64, any::<bool>(), known(), known()).prop_map(
        |(boot_id, device_time_us, next_sample, streaming, supply_mv, temperature_centikelvin)| Condition {
            boot_id,
            device_time_us,
            next_sample,
            streaming,
            supply_mv,
            temperature_centikelvin,
        },
    )
}

pub fn pong() -> impl Strategy<Value = Pong> {
    (any::<u32>(), any::<u32>(), 0..=MAX_U64).prop_map(|(boot_id, token, device_time_us)| Pong {
        boot_id,
        token,
        device_time_us,
    })
}

/// A samples message without its counts, and the counts.
pub fn samples() -> impl Strategy<Value = (Samples<'static>, Vec<i32>)> {
    (1..=8_u8).prop_flat_map(|channels| (Just(channels), 1..=max_samples(channels))).prop_flat_map(
        |(channels, samples)| {
            let counts =
                proptest::collection::vec(any::<i32>(), usize::from(channels) * usize::from(samples));
            let numbers = (any::<u32>(), any::<u32>(), 0..=MAX_U64 - u64::from(samples));
            (numbers, 0..=MAX_U64, 1..=u32::MAX, 0..=3_u8, counts).prop_map(
                move |((boot_id, sequence, first_sample), device_time_us, interval_ns, status, counts)| {
                    let head = Samples {
                        boot_id,
                        sequence,
                        first_sample,
                        device_time_us,
                        interval_ns,
                        status,
                        channels,
                        samples,
                        counts_le: &[],
                    };
                    (head, counts)
                },
            )
        },
    )
}

pub fn host_message() -> impl Strategy<Value = HostMessage> {
    prop_oneof![
        Just(HostMessage::Identify),
        Just(HostMessage::Start),
        Just(HostMessage::Stop),
        (1..=u32::MAX).prop_map(|interval_ns| HostMessage::SetInterval { interval_ns }),
        any::<u32>().prop_map(|token| HostMessage::Ping { token }),
    ]
}

/// The body of any device message.
pub fn device_body() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        identity().prop_map(|identity| body_of(&DeviceMessage::Identity(identity))),
        samples().prop_map(|(head, counts)| {
            let mut bytes = [0; MAX_MESSAGE];
            let counts_le = put_counts(&counts, &mut bytes).expect("they fit");
            body_of(&DeviceMessage::Samples(Samples { counts_le, ..head }))
        }),
        condition().prop_map(|condition| body_of(&DeviceMessage::Condition(condition))),
        pong().prop_map(|pong| body_of(&DeviceMessage::Pong(pong))),
    ]
}

/// Line noise: anything, zeros more often than by chance, sometimes longer than any frame.
pub fn noise() -> impl Strategy<Value = Vec<u8>> {
    let byte = prop_oneof![4 => any::<u8>(), 1 => Just(0_u8), 1 => Just(1_u8), 1 => Just(255_u8)];
    let unbroken = proptest::collection::vec(1..=255_u8, 0..3000);
    prop_oneof![3 => proptest::collection::vec(byte, 0..400), 1 => unbroken]
}

pub fn body_of(message: &DeviceMessage<'_>) -> Vec<u8> {
    let mut out = [0; MAX_MESSAGE];
    let length = message.encode(&mut out).expect("an allowed message");
    out[..length].to_vec()
}

pub fn frame_of(body: &[u8]) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let length = frame::encode(body, &mut out).expect("it fits");
    out[..length].to_vec()
}

/// The frame of a host's message.
pub fn host_frame(message: HostMessage) -> Vec<u8> {
    let mut out = [0; MAX_MESSAGE];
    let length = message.encode(&mut out).expect("an allowed message");
    frame_of(&out[..length])
}
