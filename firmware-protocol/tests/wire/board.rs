//! The board's side, as a host sees it: one conversation after the other, then any order of events.

use crate::generate::{fixed, host_frame, noise};
use firmware_protocol::board::{Board, CONDITION_US, FRAME_US};
use firmware_protocol::frame::{Accumulator, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{
    ChannelIdentity, Channels, Condition, DeviceMessage, Direction, HostMessage, Identity, OVERRUN,
    PROTOCOL_VERSION, Pong, SATURATED, Text, max_samples,
};
use proptest::prelude::*;

const BOOT: u32 = 0xB007;

pub fn identity(channels: usize, interval_ns: u32) -> Identity {
    let channel = ChannelIdentity {
        zero_counts: 0,
        rated_counts: 1_000_000,
        rated_force_mn: 100_000,
        direction: Direction::Both,
    };
    Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id: BOOT,
        serial: Text::new("T-1").unwrap(),
        firmware: Text::new("test").unwrap(),
        interval_ns,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&vec![channel; channels]).unwrap(),
    }
}

/// A samples message that a host has read.
#[derive(Debug, Clone, PartialEq)]
struct Frame {
    sequence: u32,
    first_sample: u64,
    device_time_us: u64,
    interval_ns: u32,
    status: u8,
    samples: u8,
    counts: Vec<i32>,
}

#[derive(Debug, Clone, PartialEq)]
enum Heard {
    Identity(Identity),
    Samples(Frame),
    Condition(Condition),
    Pong(Pong),
}

/// The host's end of the line: reads whatever the port took.
#[derive(Default)]
struct Host {
    accumulator: Accumulator,
    heard: Vec<Heard>,
}

impl Host {
    fn hear(&mut self, bytes: &[u8]) {
        let mut rest = bytes;
        while let Some(frame) = self.accumulator.push(&mut rest) {
            let Ok(body) = frame else { continue }; // counted
            self.heard.push(match DeviceMessage::decode(body).expect("a board sends what may be sent") {
                DeviceMessage::Identity(identity) => Heard::Identity(identity),
                DeviceMessage::Samples(samples) => Heard::Samples(Frame {
                    sequence: samples.sequence,
                    first_sample: samples.first_sample,
                    device_time_us: samples.device_time_us,
                    interval_ns: samples.interval_ns,
                    status: samples.status,
                    samples: samples.samples,
                    counts: samples.iter().collect(),
                }),
                DeviceMessage::Condition(condition) => Heard::Condition(condition),
                DeviceMessage::Pong(pong) => Heard::Pong(pong),
            });
        }
    }

    /// Takes all that the board has to send; what came.
    fn drain(&mut self, board: &mut Board) -> Vec<Heard> {
        while let Some(bytes) = board.transmit() {
            self.hear(bytes);
            board.sent();
        }
        std::mem::take(&mut self.heard)
    }
}

fn frames(heard: &[Heard]) -> Vec<&Frame> {
    heard.iter().filter_map(|h| if let Heard::Samples(frame) = h { Some(frame) } else { None }).collect()
}

/// A board that streams, its first identity heard.
fn streaming(channels: usize, interval_ns: u32) -> (Board, Host) {
    let (mut board, mut host) = (Board::new(identity(channels, interval_ns), 0), Host::default());
    board.receive(&host_frame(HostMessage::Start), 0);
    host.drain(&mut board);
    assert!(board.streaming());
    (board, host)
}

fn say(board: &mut Board, message: HostMessage, now_us: u64) {
    board.receive(&host_frame(message), now_us);
}

#[test]
fn after_boot_it_says_who_it_is_and_waits() {
    let mut board = Board::new(identity(1, 12_500_000), 1234);
    let first = board.transmit().expect("its identity").to_vec();
    assert_eq!(first[0], 0, "a delimiter first: a boot loader's last words are not part of it");
    let mut host = Host::default();
    host.hear(b"boot loader 1.0\r\n");
    let expected = Identity { device_time_us: 1234, ..identity(1, 12_500_000) };
    assert_eq!(host.drain(&mut board), [Heard::Identity(expected)]);
    assert!(board.idle());
    board.sample(&[1], false, 20_000);
    board.poll(5_000_000);
    assert_eq!(board.transmit(), None);
    assert_eq!((board.produced(), board.streaming()), (0, false));
}

#[test]
fn identify_is_answered_at_any_time() {
    let (mut board, mut host) = streaming(1, 1_000_000);
    for (garbage, now_us) in [(&b""[..], 77), (b"\xff\x12garbage\0", 78)] {
        board.receive(garbage, now_us);
        say(&mut board, HostMessage::Identify, now_us);
        let expected = Identity { device_time_us: now_us, ..identity(1, 1_000_000) };
        assert_eq!(host.drain(&mut board), [Heard::Identity(expected)]);
    }
    assert_eq!(board.faults().total(), 1);
    assert!(board.streaming());
}

#[test]
fn what_cannot_be_read_is_not_answered() {
    let (mut board, mut host) = (Board::new(identity(1, 1_000_000), 0), Host::default());
    host.drain(&mut board);
    board.receive(&crate::generate::frame_of(&[0x86]), 1);
    board.receive(&crate::generate::frame_of(&[0x82, 0x00]), 1);
    board.receive(&crate::generate::frame_of(&[0x01, PROTOCOL_VERSION]), 1); // its own kind, echoed
    assert!(board.idle() && !board.streaming());
}

/// 80 Hz: each sample alone (two take longer than 20 ms). 1 kHz: 20. Fast: as many as fit.
#[test]
fn frames_are_filled_for_20_ms() {
    for (channels, interval_ns, expected) in [
        (1, 12_500_000, 1),
        (1, 100_000_000, 1),
        (1, u32::MAX, 1),
        (1, 10_000_001, 1),
        (1, 10_000_000, 2),
        (1, 1_000_000, 20),
        (8, 100_000, 30),
        (1, 1, 247),
    ] {
        let (mut board, mut host) = streaming(channels, interval_ns);
        for sample in 0..u64::from(expected) * 3 {
            board.sample(&vec![7; channels], false, sample * u64::from(interval_ns) / 1000);
        }
        let heard = host.drain(&mut board);
        let frames = frames(&heard);
        assert_eq!(frames.len(), 3, "{interval_ns}");
        for (number, frame) in (0..).zip(frames) {
            let first = number * u64::from(expected);
            assert_eq!((u64::from(frame.sequence), frame.samples), (number, expected));
            assert_eq!((frame.first_sample, frame.interval_ns, frame.status), (first, interval_ns, 0));
            assert_eq!(frame.device_time_us, first * u64::from(interval_ns) / 1000);
        }
        assert!(u64::from(expected) * u64::from(interval_ns) <= FRAME_US * 1000 || expected == 1);
    }
}

/// A converter that stops does not keep its last samples back.
#[test]
fn a_frame_leaves_after_20_ms_even_when_it_is_not_full() {
    let (mut board, mut host) = streaming(1, 1_000_000);
    board.sample(&[5], false, 1000);
    board.poll(1000 + FRAME_US - 1);
    assert_eq!(board.transmit(), None);
    board.poll(1000 + FRAME_US);
    let heard = host.drain(&mut board);
    assert_eq!(frames(&heard)[0].counts, [5]);
}

#[test]
fn counts_arrive_as_they_were() {
    let (mut board, mut host) = streaming(3, 10_000_000);
    board.sample(&[i32::MIN, 0, 1], false, 10);
    board.sample(&[-1, i32::MAX, 2], true, 10_010);
    let heard = host.drain(&mut board);
    let [frame] = frames(&heard)[..] else { panic!("{heard:?}") };
    assert_eq!(frame.counts, [i32::MIN, 0, 1, -1, i32::MAX, 2]);
    assert_eq!((frame.status, frame.device_time_us), (SATURATED, 10));
    // The flag belongs to its frame only.
    board.sample(&[0, 0, 0], false, 20_010);
    board.sample(&[0, 0, 0], false, 30_010);
    assert_eq!(frames(&host.drain(&mut board))[0].status, 0);
}

#[test]
fn a_repeated_start_is_harmless() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for sample in 0..5 {
        board.sample(&[1], false, sample * 12_500);
        say(&mut board, HostMessage::Start, sample * 12_500);
    }
    let heard = host.drain(&mut board);
    let numbers: Vec<_> = frames(&heard).iter().map(|f| (f.sequence, f.first_sample)).collect();
    assert_eq!(numbers, [(0, 0), (1, 1), (2, 2), (3, 3), (4, 4)]);
}

#[test]
fn stop_is_answered_with_a_condition_after_the_last_samples() {
    let (mut board, mut host) = streaming(1, 1_000_000);
    board.set_condition(Some(4990), Some(29_315));
    for sample in 0..25 {
        board.sample(&[1], false, sample * 1000);
    }
    say(&mut board, HostMessage::Stop, 24_500);
    board.sample(&[1], false, 25_000);
    assert!(!board.streaming() && !board.idle());
    let heard = host.drain(&mut board);
    let samples: Vec<_> = frames(&heard).iter().map(|f| f.samples).collect();
    assert_eq!(samples, [20, 5]);
    let expected = Condition {
        boot_id: BOOT,
        device_time_us: 24_500,
        next_sample: 25,
        streaming: false,
        supply_mv: Some(4990),
        temperature_centikelvin: Some(29_315),
    };
    assert_eq!(heard[2..], [Heard::Condition(expected)]);
    assert!(board.idle());
    // Asked again, it answers again.
    say(&mut board, HostMessage::Stop, 30_000);
    assert_eq!(host.drain(&mut board), [Heard::Condition(Condition { device_time_us: 30_000, ..expected })]);
}

#[test]
fn a_new_stream_begins_at_0_after_the_old_one_is_out() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for sample in 0..4 {
        board.sample(&[1], false, sample * 12_500);
    }
    say(&mut board, HostMessage::Stop, 50_000);
    say(&mut board, HostMessage::Start, 50_001);
    assert!(!board.streaming(), "the old stream waits for the port");
    let heard = host.drain(&mut board);
    assert_eq!(frames(&heard).len(), 4);
    let Some(Heard::Condition(condition)) = heard.last() else { panic!("{heard:?}") };
    assert_eq!(condition.next_sample, 4);
    assert!(board.streaming());
    assert_eq!((board.produced(), board.dropped()), (0, 0));
    board.sample(&[9], false, 62_500);
    let heard = host.drain(&mut board);
    let frame = frames(&heard)[0];
    assert_eq!((frame.sequence, frame.first_sample, frame.status), (0, 0, 0));
}

#[test]
fn a_stop_takes_a_waiting_start_back() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for message in [HostMessage::Stop, HostMessage::Start, HostMessage::Stop] {
        say(&mut board, message, 10);
    }
    host.drain(&mut board);
    assert!(!board.streaming() && board.idle());
}

#[test]
fn the_interval_changes_while_stopped_only() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    let wanted = HostMessage::SetInterval { interval_ns: 100_000_000 };
    say(&mut board, wanted, 1);
    assert_eq!(board.take_interval_request(), None);
    let Heard::Identity(answer) = host.drain(&mut board)[0] else { panic!() };
    assert_eq!(answer.interval_ns, 12_500_000, "answered with the interval in force");

    say(&mut board, HostMessage::Stop, 2);
    host.drain(&mut board);
    say(&mut board, wanted, 3);
    assert_eq!(board.take_interval_request(), Some(100_000_000));
    assert_eq!(board.take_interval_request(), None);
    board.set_interval(99_870_000); // what the converter really does
    let Heard::Identity(answer) = host.drain(&mut board)[0] else { panic!() };
    assert_eq!((answer.interval_ns, answer.device_time_us), (99_870_000, 3));
}

/// A board that keeps measuring its interval tells it frame by frame.
#[test]
fn a_frame_has_one_interval() {
    let (mut board, mut host) = streaming(1, 1_000_000);
    board.sample(&[1], false, 0);
    board.set_interval(0); // no interval at all: ignored
    board.set_interval(1_000_010);
    board.sample(&[2], false, 1000);
    board.poll(60_000);
    let heard = host.drain(&mut board);
    let intervals: Vec<_> = frames(&heard).iter().map(|f| (f.counts[0], f.interval_ns)).collect();
    assert_eq!(intervals, [(1, 1_000_000), (2, 1_000_010)]);
}

#[test]
fn a_pong_overtakes_samples() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    board.sample(&[1], false, 100);
    say(&mut board, HostMessage::Ping { token: 7 }, 150);
    let heard = host.drain(&mut board);
    assert_eq!(heard[0], Heard::Pong(Pong { boot_id: BOOT, token: 7, device_time_us: 150 }));
    assert_eq!(heard.len(), 2);
}

#[test]
fn condition_once_a_second() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    let mut times = Vec::new();
    for now_us in (0..=5_000_000).step_by(12_500) {
        board.sample(&[1], false, now_us);
        board.poll(now_us);
        for heard in host.drain(&mut board) {
            if let Heard::Condition(condition) = heard {
                times.push(condition.device_time_us);
                assert!(condition.streaming);
                assert_eq!((condition.supply_mv, condition.temperature_centikelvin), (None, None));
            }
        }
    }
    assert_eq!(times, [1, 2, 3, 4, 5].map(|second| second * CONDITION_US));
}

/// The condition says which sample comes next even while samples wait: nothing before it is still to come.
#[test]
fn condition_counts_what_waits() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for sample in 0..3 {
        board.sample(&[1], false, sample * 12_500);
    }
    board.poll(CONDITION_US);
    let heard = host.drain(&mut board);
    let Heard::Condition(condition) = &heard[0] else { panic!("{heard:?}") };
    assert_eq!(condition.next_sample, 0);
    assert_eq!(frames(&heard).len(), 3);

    let (mut board, mut host) = streaming(1, 1_000_000);
    board.sample(&[1], false, CONDITION_US - 1);
    board.poll(CONDITION_US);
    let heard = host.drain(&mut board);
    let Heard::Condition(condition) = &heard[0] else { panic!("{heard:?}") };
    assert_eq!(condition.next_sample, 0, "a frame that is being filled waits too");
}

/// Nobody reads: the oldest frames stay, the newest are dropped and counted, and the gap is flagged where it is.
#[test]
fn a_full_queue_drops_and_counts() {
    let (mut board, mut host) = streaming(8, 100_000);
    let samples = 30 * 20;
    for sample in 0..samples {
        board.sample(&[1; 8], false, sample * 100);
    }
    assert!(board.dropped() > 0);
    let heard = host.drain(&mut board);
    let kept: u64 = frames(&heard).iter().map(|f| u64::from(f.samples)).sum();
    assert_eq!(kept + board.dropped(), board.produced());
    assert_eq!(kept, 4 * 30, "four of the longest frames");
    assert!(frames(&heard).iter().all(|f| f.status == 0), "no gap yet");

    for sample in samples..samples + 60 {
        board.sample(&[1; 8], false, sample * 100);
    }
    let heard = host.drain(&mut board);
    let after: Vec<_> = frames(&heard).iter().map(|f| (f.sequence, f.first_sample, f.status)).collect();
    assert_eq!(after, [(4, 600, OVERRUN), (5, 630, 0)], "frame numbers go on: nothing was lost on the line");
}

#[test]
fn four_of_the_longest_frames_wait() {
    let (mut board, mut host) = streaming(1, 80_000);
    for sample in 0..247 * 5 {
        board.sample(&[1], false, sample * 80);
    }
    assert_eq!(board.dropped(), 247);
    assert_eq!(frames(&host.drain(&mut board)).len(), 4);
}

/// Many short frames wait where few long ones would: a second and a half at 80 Hz.
#[test]
fn short_frames_wait_longer() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for sample in 0..107 {
        board.sample(&[1], false, sample * 12_500);
    }
    assert_eq!(board.dropped(), 0);
    board.sample(&[1], false, 107 * 12_500);
    assert_eq!(board.dropped(), 1);
    assert_eq!(frames(&host.drain(&mut board)).len(), 107);
}

#[test]
fn a_frame_given_up_before_its_first_byte() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    for sample in 0..3 {
        board.sample(&[i32::try_from(sample).unwrap()], false, sample * 12_500);
    }
    assert!(board.transmit().is_some());
    board.not_sent();
    let heard = host.drain(&mut board);
    let got: Vec<_> = frames(&heard).iter().map(|f| (f.sequence, f.first_sample, f.status)).collect();
    assert_eq!(got, [(0, 1, OVERRUN), (1, 2, 0)]);
    assert_eq!((board.produced(), board.dropped()), (3, 1));
}

#[test]
fn a_frame_given_up_halfway() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    board.sample(&[1], false, 0);
    board.sample(&[2], false, 12_500);
    host.hear(&board.transmit().unwrap()[..10]);
    board.advance(10);
    board.not_sent();
    let heard = host.drain(&mut board);
    let got: Vec<_> = frames(&heard).iter().map(|f| (f.sequence, f.first_sample, f.status)).collect();
    assert_eq!(got, [(1, 1, OVERRUN)], "the torn frame used its number, the next one is intact");
    assert_eq!((host.accumulator.counts().total(), board.dropped()), (1, 1));
}

/// A delimiter goes in front where the line needs one, and only there.
#[test]
fn delimiters_in_front() {
    let (mut board, _) = streaming(1, 12_500_000);
    let begins_with_a_delimiter = |board: &mut Board| board.transmit().unwrap()[0] == 0;
    board.sample(&[1], false, 0);
    assert!(!begins_with_a_delimiter(&mut board), "the line is at a frame boundary");
    board.advance(0);
    board.not_sent();
    board.sample(&[2], false, 12_500);
    assert!(!begins_with_a_delimiter(&mut board), "nothing of the frame before was sent");
    board.sent();
    say(&mut board, HostMessage::Identify, 12_600);
    assert!(begins_with_a_delimiter(&mut board), "an identity always");
    board.advance(0);
    board.not_sent();
    board.sample(&[3], false, 25_000);
    assert!(!begins_with_a_delimiter(&mut board));
    board.advance(5);
    board.not_sent(); // torn
    board.sent(); // of nothing: changes nothing
    board.sample(&[4], false, 37_500);
    assert!(begins_with_a_delimiter(&mut board), "the torn frame is ended first");
    board.advance(1);
    board.not_sent();
    board.sample(&[5], false, 50_000);
    assert!(!begins_with_a_delimiter(&mut board), "which the port took already");
}

/// With only its delimiter missing a frame is whole as soon as the next one begins: not dropped, not told twice.
#[test]
fn a_frame_given_up_before_its_delimiter() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    board.sample(&[1], false, 0);
    board.sample(&[2], false, 12_500);
    let bytes = board.transmit().unwrap();
    let all_but_one = bytes.len() - 1;
    host.hear(&bytes[..all_but_one]);
    board.advance(all_but_one);
    board.not_sent();
    let heard = host.drain(&mut board);
    let got: Vec<_> = frames(&heard).iter().map(|f| (f.sequence, f.first_sample, f.status)).collect();
    assert_eq!(got, [(0, 0, 0), (1, 1, 0)]);
    assert_eq!((host.accumulator.counts().total(), board.dropped()), (0, 0));
}

#[test]
fn a_reply_given_up_is_asked_for_again() {
    let (mut board, mut host) = streaming(1, 12_500_000);
    board.sample(&[1], false, 0);
    host.drain(&mut board);
    say(&mut board, HostMessage::Stop, 5);
    assert!(board.transmit().is_some());
    board.not_sent();
    assert!(board.idle());
    say(&mut board, HostMessage::Stop, 6);
    let heard = host.drain(&mut board);
    let Heard::Condition(condition) = &heard[0] else { panic!("{heard:?}") };
    assert_eq!((condition.next_sample, condition.device_time_us), (1, 6));
}

/// A reading that is missing is not invented.
#[test]
fn a_sample_with_the_wrong_number_of_readings_is_dropped() {
    let (mut board, mut host) = streaming(2, 10_000_000);
    board.sample(&[1, 1], false, 0);
    for wrong in [&[][..], &[1], &[1, 1, 1], &[0; 9]] {
        board.sample(wrong, false, 10_000);
    }
    board.sample(&[2, 2], false, 50_000);
    board.sample(&[3, 3], false, 60_000);
    let heard = host.drain(&mut board);
    let got: Vec<_> = frames(&heard).iter().map(|f| (f.first_sample, f.status, f.counts.len())).collect();
    assert_eq!(got, [(0, 0, 2), (5, OVERRUN, 4)]);
    assert_eq!((board.produced(), board.dropped()), (7, 4));
}

/// An identity that the wire does not allow is a firmware's fault; it makes a silent board, not a crash.
#[test]
fn a_forbidden_identity_is_never_sent() {
    let mut board = Board::new(identity(1, 0), u64::MAX);
    assert_eq!(board.transmit(), None);
    say(&mut board, HostMessage::Start, u64::MAX);
    board.sample(&[1], false, u64::MAX);
    board.poll(u64::MAX);
    assert_eq!(board.transmit(), None);
    assert_eq!((board.produced(), board.dropped()), (1, 1));
}

/// Each thing that waits for the port, by itself, keeps the board from being idle.
#[test]
fn idle_is_when_nothing_waits() {
    let waiting: [fn(&mut Board); 6] = [
        |board| say(board, HostMessage::Identify, 1),
        |board| say(board, HostMessage::Ping { token: 1 }, 1),
        |board| board.poll(CONDITION_US),
        |board| board.sample(&[1], false, 1), // being filled
        |board| {
            board.sample(&[1], false, 1);
            board.poll(1 + FRAME_US); // queued
        },
        |board| {
            say(board, HostMessage::Ping { token: 1 }, 1);
            board.transmit(); // half taken
            board.advance(3);
        },
    ];
    for (number, wait) in waiting.iter().enumerate() {
        let (mut board, mut host) = streaming(1, 1_000_000);
        assert!(board.idle(), "{number}");
        wait(&mut board);
        assert!(!board.idle(), "{number}");
        board.poll(FRAME_US * 2);
        host.drain(&mut board);
        assert!(board.idle(), "{number}");
    }
    let (mut board, mut host) = streaming(1, 1_000_000);
    say(&mut board, HostMessage::Stop, 1);
    assert!(!board.idle(), "the answer to a stop");
    host.drain(&mut board);
    assert!(board.idle());
}

#[test]
fn memory_is_fixed() {
    assert!(size_of::<Board>() <= 7680, "{}", size_of::<Board>());
}

/// What can happen to a board.
#[derive(Debug, Clone)]
pub enum Event {
    Sample { wrong: bool, saturated: bool },
    Hear(HostMessage),
    Noise(Vec<u8>),
    Poll,
    Wait(u64),
    Take(usize),
    TakeAll,
    GiveUp,
}

pub fn event() -> impl Strategy<Value = Event> {
    let harmless = prop_oneof![
        Just(HostMessage::Identify),
        Just(HostMessage::Start),
        (1..=u32::MAX).prop_map(|interval_ns| HostMessage::SetInterval { interval_ns }),
        any::<u32>().prop_map(|token| HostMessage::Ping { token }),
    ];
    prop_oneof![
        20 => (proptest::bool::weighted(0.02), any::<bool>())
            .prop_map(|(wrong, saturated)| Event::Sample { wrong, saturated }),
        2 => harmless.prop_map(Event::Hear),
        1 => noise().prop_map(Event::Noise),
        3 => Just(Event::Poll),
        2 => (0..40_000_u64).prop_map(Event::Wait),
        3 => (0..200_usize).prop_map(Event::Take),
        2 => Just(Event::TakeAll),
        1 => Just(Event::GiveUp),
    ]
}

struct World {
    board: Board,
    host: Host,
    now_us: u64,
    channels: usize,
}

impl World {
    fn happen(&mut self, event: &Event) {
        match event {
            Event::Sample { wrong, saturated } => {
                self.now_us += 1000;
                let count = i32::try_from(self.board.produced()).unwrap();
                let channels = self.channels + usize::from(*wrong);
                self.board.sample(&vec![count; channels], *saturated, self.now_us);
            }
            Event::Hear(message) => {
                // The delimiter ends whatever noise came before.
                self.board.receive(&[&[0], &host_frame(*message)[..]].concat(), self.now_us);
            }
            Event::Noise(bytes) => self.board.receive(bytes, self.now_us),
            Event::Poll => self.board.poll(self.now_us),
            Event::Wait(us) => self.now_us += us,
            Event::Take(most) => self.take(*most),
            Event::TakeAll => self.take(usize::MAX),
            Event::GiveUp => {
                if self.board.transmit().is_some() {
                    self.board.not_sent();
                }
            }
        }
    }

    fn take(&mut self, most: usize) {
        if let Some(bytes) = self.board.transmit() {
            assert!(bytes.len() <= MAX_FRAME + 1);
            let count = bytes.len().min(most);
            self.host.hear(&bytes[..count]);
            self.board.advance(count);
        }
    }
}

proptest! {
    #![proptest_config(fixed(400))]

    /// Conservation: whatever happens between port and board, each sample that the converter produced was either
    /// heard by the host, once and in order, or the board counted it as dropped; and the host can tell both.
    #[test]
    fn produced_is_heard_plus_dropped(
        channels in 1..=8_usize,
        interval_ns in prop_oneof![Just(1_000_000_u32), Just(12_500_000), Just(50_000), 1..100_000_000_u32],
        events in proptest::collection::vec(event(), 0..600),
    ) {
        let (board, host) = streaming(channels, interval_ns);
        let mut world = World { board, host, now_us: 0, channels };
        for event in &events {
            world.happen(event);
        }
        let heard_before = std::mem::take(&mut world.host.heard);
        // Noise may have held a frame that stops; that is a matter of 1 in 2^32.
        prop_assert!(world.board.streaming());
        world.happen(&Event::Hear(HostMessage::Stop));
        let heard = [heard_before, world.host.drain(&mut world.board)].concat();
        let (produced, dropped) = (world.board.produced(), world.board.dropped());

        let (mut next_sample, mut next_sequence, mut received, mut missing) = (0, 0_u32, 0, 0);
        for frame in frames(&heard) {
            prop_assert!(frame.first_sample >= next_sample, "samples in order");
            let gap = frame.first_sample - next_sample;
            let torn = frame.sequence - next_sequence;
            prop_assert_eq!(frame.status & OVERRUN != 0, gap > 0, "every gap is the board's, and flagged");
            prop_assert!(torn == 0 || gap > 0, "a torn frame leaves a gap");
            let first = i32::try_from(frame.first_sample).unwrap();
            for (sample, counts) in (first..).zip(frame.counts.chunks(channels)) {
                prop_assert!(counts.iter().all(|&count| count == sample), "the counts are where they belong");
            }
            missing += gap;
            received += u64::from(frame.samples);
            next_sample = frame.first_sample + u64::from(frame.samples);
            next_sequence = frame.sequence + 1;
        }
        let Some(Heard::Condition(last)) = heard.last() else { panic!("{heard:?}") };
        prop_assert_eq!((last.next_sample, last.streaming), (produced, false));
        missing += last.next_sample - next_sample;
        prop_assert_eq!(received + dropped, produced);
        prop_assert_eq!(missing, dropped, "the host counts exactly what the board dropped");
        prop_assert!(world.board.idle());
    }

    /// Any order of anything, several streams too: nothing panics, and all that is heard is well formed and in order.
    #[test]
    fn any_conversation(
        events in proptest::collection::vec(
            prop_oneof![8 => event(), 1 => Just(Event::Hear(HostMessage::Stop))], 0..400),
    ) {
        let (board, host) = (Board::new(identity(2, 1_000_000), 0), Host::default());
        let mut world = World { board, host, now_us: 0, channels: 2 };
        for event in &events {
            world.happen(event);
            if let Some(interval_ns) = world.board.take_interval_request() {
                world.board.set_interval(interval_ns);
            }
            prop_assert!(world.board.dropped() <= world.board.produced());
        }
        let heard_before = std::mem::take(&mut world.host.heard);
        world.happen(&Event::Hear(HostMessage::Stop));
        let heard = [heard_before, world.host.drain(&mut world.board)].concat();
        let (mut next_sample, mut next_sequence) = (0, 0);
        for message in &heard {
            match message {
                Heard::Samples(frame) => {
                    if frame.sequence == 0 {
                        next_sample = 0; // a new stream
                        next_sequence = 0;
                    }
                    prop_assert!(frame.sequence >= next_sequence && frame.first_sample >= next_sample);
                    prop_assert!((1..=max_samples(2)).contains(&frame.samples));
                    next_sample = frame.first_sample + u64::from(frame.samples);
                    next_sequence = frame.sequence + 1;
                }
                Heard::Condition(condition) => prop_assert_eq!(condition.boot_id, BOOT),
                Heard::Identity(identity) => prop_assert_eq!(identity.boot_id, BOOT),
                Heard::Pong(pong) => prop_assert_eq!(pong.boot_id, BOOT),
            }
        }
        prop_assert!(matches!(heard.last(), Some(Heard::Condition(_))));
    }

    /// A port that never takes anything: the board stays as large as it is and counts.
    #[test]
    fn a_dead_port(channels in 1..=8_usize, interval_ns in 1..20_000_000_u32, samples in 0..3000_u64) {
        let (mut board, mut host) = streaming(channels, interval_ns);
        for sample in 0..samples {
            board.sample(&vec![1; channels], false, sample * u64::from(interval_ns) / 1000);
        }
        say(&mut board, HostMessage::Stop, u64::from(u32::MAX) * 4000);
        let waiting = host.drain(&mut board);
        let frames = frames(&waiting);
        let bytes: usize = frames.iter().map(|f| 34 + 4 * f.counts.len()).sum();
        prop_assert!(bytes <= 4 * (MAX_MESSAGE + 2), "{} bytes waited", bytes);
        let kept: u64 = frames.iter().map(|f| u64::from(f.samples)).sum();
        prop_assert_eq!(kept + board.dropped(), samples);
    }
}
