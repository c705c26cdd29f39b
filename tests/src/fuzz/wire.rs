//! The wire: frames out of a line's bytes, messages out of bodies, the board's side of the conversation.

use super::Draw;
use firmware_protocol::board::Board;
use firmware_protocol::frame::{Accumulator, DELIMITER, FrameFault, MAX_FRAME, MAX_MESSAGE, encode};
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, Direction, HostMessage, Identity, PROTOCOL_VERSION, Text,
};

/// A body as its frame.
pub(super) fn frame_of(body: &[u8]) -> Vec<u8> {
    let mut out = [0; MAX_FRAME];
    let length = encode(body, &mut out).unwrap();
    out[..length].to_vec()
}

fn push(accumulator: &mut Accumulator, mut bytes: &[u8], into: &mut Vec<Result<Vec<u8>, FrameFault>>) {
    while let Some(frame) = accumulator.push(&mut bytes) {
        into.push(frame.map(<[u8]>::to_vec));
    }
}

/// Any line: split anywhere it gives the same; faults are counted; a good frame after a delimiter is always read.
pub fn frames(data: &[u8]) {
    let Some((&cut, line)) = data.split_first() else { return };
    let (mut whole, mut expected) = (Accumulator::new(), Vec::new());
    push(&mut whole, line, &mut expected);
    let (mut split, mut got) = (Accumulator::new(), Vec::new());
    line.chunks(usize::from(cut).max(1)).for_each(|piece| push(&mut split, piece, &mut got));
    assert_eq!(got, expected);
    assert_eq!(split.counts(), whole.counts());
    // One that has just become too long is counted before its delimiter has come.
    let faults = expected.iter().filter(|outcome| outcome.is_err()).count() as u64;
    assert!((faults..=faults + 1).contains(&whole.counts().total()));

    let body = [b"good", &line[..line.len().min(200)]].concat();
    push(&mut whole, &[&[0], &frame_of(&body)[..]].concat(), &mut expected);
    assert_eq!(expected.last(), Some(&Ok(body)));
}

/// Any body: refused, or one message that has this form only. Text in it has no control characters.
pub fn messages(data: &[u8]) {
    let body = &data[..data.len().min(MAX_MESSAGE)];
    let mut out = [0; MAX_MESSAGE];
    if let Ok(message) = DeviceMessage::decode(body) {
        let length = message.encode(&mut out).unwrap();
        assert_eq!(&out[..length], body);
        if let DeviceMessage::Identity(identity) = message {
            let text = [identity.serial.as_str(), identity.firmware.as_str()].concat();
            assert!(!text.contains(char::is_control));
        }
        if let DeviceMessage::Samples(samples) = message {
            assert_eq!(samples.iter().count(), usize::from(samples.samples) * usize::from(samples.channels));
        }
    }
    if let Ok(message) = HostMessage::decode(body) {
        let length = message.encode(&mut out).unwrap();
        assert_eq!(&out[..length], body);
    }
}

fn identity(channels: u8, interval_ns: u32) -> Identity {
    let channel = ChannelIdentity {
        zero_counts: 0,
        rated_counts: 1_000_000,
        rated_force_mn: 100_000,
        direction: Direction::Both,
    };
    Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id: 7,
        serial: Text::new("F-1").unwrap(),
        firmware: Text::new("fuzzed").unwrap(),
        interval_ns,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&vec![channel; usize::from(channels)]).unwrap(),
    }
}

/// What a host has of the stream that is going on.
#[derive(Default)]
struct Host {
    line: Accumulator,
    received: u64,
    /// The counter after the last sample.
    next: u64,
    /// What came since the last delimiter: the line is in the middle of a frame.
    tail: Vec<u8>,
    /// That frame is still of the stream before: only its delimiter was missing when the next one began.
    of_before: bool,
}

impl Host {
    fn hear(&mut self, mut bytes: &[u8]) {
        match bytes.iter().rposition(|byte| *byte == DELIMITER) {
            Some(at) => self.tail = bytes[at + 1..].to_vec(),
            None => self.tail.extend(bytes),
        }
        while let Some(frame) = self.line.push(&mut bytes) {
            let of_before = std::mem::take(&mut self.of_before);
            // What was given up half-way is a fault, and counted.
            let Some(body) = frame.ok().filter(|_| !of_before) else { continue };
            let message = DeviceMessage::decode(body).expect("a board sends what may be sent");
            let DeviceMessage::Samples(samples) = message else { continue };
            assert!(samples.first_sample >= self.next, "a sample twice");
            self.received += u64::from(samples.samples);
            self.next = samples.next_sample();
        }
    }
}

impl Host {
    /// Samples of a frame that lacks its delimiter alone: the board gave up only that, and the next frame brings it.
    fn on_the_way(&self) -> u64 {
        let (mut line, mut bytes) = (Accumulator::new(), &[&self.tail[..], &[DELIMITER]].concat()[..]);
        let body = line.push(&mut bytes).and_then(Result::ok).filter(|_| !self.of_before);
        match body.map(DeviceMessage::decode) {
            Some(Ok(DeviceMessage::Samples(samples))) => u64::from(samples.samples),
            _ => 0,
        }
    }
}

/// Any order of what can happen to a board: every sample is sent once or counted as dropped.
pub fn board(data: &[u8]) {
    let mut draw = Draw(data);
    let channels = draw.byte() % 8 + 1;
    let mut now_us = 0;
    let mut board = Board::new(identity(channels, draw.number(3) as u32 + 1), now_us);
    let mut host = Host::default();
    while !draw.is_empty() {
        let produced = board.produced();
        event(&mut board, &mut host, &mut draw, channels, &mut now_us);
        if board.produced() < produced {
            let (line, tail) = (std::mem::take(&mut host.line), std::mem::take(&mut host.tail));
            host = Host { line, of_before: !tail.is_empty(), tail, ..Host::default() };
        }
        assert!(host.received + board.dropped() <= board.produced());
        if board.idle() {
            assert_eq!(host.received + host.on_the_way() + board.dropped(), board.produced());
        }
    }
}

fn event(board: &mut Board, host: &mut Host, draw: &mut Draw, channels: u8, now_us: &mut u64) {
    match draw.byte() % 12 {
        0 => board.receive(draw.piece(), *now_us),
        1 => board.receive(&host_frame(HostMessage::Start), *now_us),
        2 => board.receive(&host_frame(HostMessage::Stop), *now_us),
        3 => board.receive(&host_frame(HostMessage::Identify), *now_us),
        4 => board.receive(&frame_of(&[&[draw.byte() | 0x80], draw.piece()].concat()), *now_us),
        5 => {
            // One reading too few or too many, too.
            let channels = (usize::from(channels) + usize::from(draw.byte() < 16)).min(9);
            let counts: Vec<i32> = (0..channels).map(|_| draw.number(2) as i32).collect();
            (0..=draw.byte() % 64).for_each(|_| board.sample(&counts, false, *now_us));
        }
        6 => *now_us += draw.number(3),
        7 => board.poll(*now_us),
        8 => {
            let Some(bytes) = board.transmit() else { return };
            let taken = usize::from(draw.byte()).min(bytes.len());
            host.hear(&bytes[..taken]);
            board.advance(taken);
        }
        9 => board.not_sent(),
        10 => {
            if let Some(wanted_ns) = board.take_interval_request() {
                board.set_interval(wanted_ns);
            }
            board.set_condition(Some(draw.number(2) as u16), Some(draw.number(2) as u16));
        }
        _ => {
            while let Some(bytes) = board.transmit() {
                host.hear(bytes);
                board.sent();
            }
        }
    }
}

fn host_frame(message: HostMessage) -> Vec<u8> {
    let mut out = [0; MAX_MESSAGE];
    let length = message.encode(&mut out).unwrap();
    frame_of(&out[..length])
}
