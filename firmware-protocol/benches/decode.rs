//! How many samples per second a host can decode, and a board pack.
//!
//! Comes in: a stream that a [`Board`] made, 1 s of it. Goes out: criterion's figures, samples (all channels of one
//! instant) per second. `cargo bench -p firmware-protocol`
#![allow(missing_docs, reason = "criterion's macros make undocumented items")]
#![allow(clippy::expect_used, reason = "a benchmark may stop")]

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use firmware_protocol::board::Board;
use firmware_protocol::frame::{self, Accumulator, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, Direction, HostMessage, Identity, PROTOCOL_VERSION, Text,
};
use std::hint::black_box;

/// Channels and sampling interval (ns).
const SETTINGS: [(usize, u32); 3] = [(1, 12_500_000), (1, 1_000_000), (8, 100_000)];
/// A serial port delivers about this much per read, bytes.
const READ: usize = 4096;

fn board(channels: usize, interval_ns: u32) -> Board {
    let channel = ChannelIdentity {
        zero_counts: 0,
        rated_counts: 1_000_000,
        rated_force_mn: 100_000,
        direction: Direction::Both,
    };
    let identity = Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id: 1,
        serial: Text::new("BENCH-1").expect("text"),
        firmware: Text::new("bench").expect("text"),
        interval_ns,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&vec![channel; channels]).expect("channels"),
    };
    let mut board = Board::new(identity, 0);
    let (mut body, mut encoded) = ([0; MAX_MESSAGE], [0; MAX_FRAME]);
    let length = HostMessage::Start.encode(&mut body).expect("start");
    let length = frame::encode(&body[..length], &mut encoded).expect("frame");
    board.receive(&encoded[..length], 0);
    board
}

/// Streams `samples` samples of a 24-bit converter's noise (a fixed sequence) and hands every frame on.
fn stream(channels: usize, interval_ns: u32, samples: u64, mut take: impl FnMut(&[u8])) {
    let mut board = board(channels, interval_ns);
    let mut noise = 1_u32;
    let mut counts = vec![0; channels];
    for sample in 0..samples {
        let now_us = sample * u64::from(interval_ns) / 1000;
        for count in &mut counts {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *count = (noise >> 8).cast_signed() - (1 << 23);
        }
        board.sample(&counts, false, now_us);
        board.poll(now_us);
        while let Some(bytes) = board.transmit() {
            take(bytes);
            board.sent();
        }
    }
}

fn decode(bytes: &[u8]) -> i64 {
    let mut accumulator = Accumulator::new();
    let mut sum = 0_i64;
    for read in bytes.chunks(READ) {
        let mut rest = read;
        while let Some(frame) = accumulator.push(&mut rest) {
            if let Ok(DeviceMessage::Samples(samples)) = DeviceMessage::decode(frame.expect("frame")) {
                sum += samples.iter().map(i64::from).sum::<i64>();
            }
        }
    }
    sum
}

fn benches(c: &mut Criterion) {
    for (channels, interval_ns) in SETTINGS {
        let samples = 1_000_000_000 / u64::from(interval_ns);
        let name = format!("{} Hz x {channels}", samples);
        let mut bytes = Vec::new();
        stream(channels, interval_ns, samples, |frame| bytes.extend_from_slice(frame));

        let mut group = c.benchmark_group("samples");
        group.throughput(Throughput::Elements(samples));
        group.bench_function(BenchmarkId::new("decode", &name), |b| b.iter(|| decode(black_box(&bytes))));
        group.bench_function(BenchmarkId::new("pack and encode", &name), |b| {
            b.iter(|| {
                stream(channels, interval_ns, samples, |frame| {
                    black_box(frame);
                });
            });
        });
        group.finish();
    }
}

criterion_group!(decoding, benches);
criterion_main!(decoding);
