//! The C board and the Rust board through the same events: they send the same bytes and count the same samples.

use super::{Probe, hex};
use crate::board::{Event, event, identity};
use crate::generate::{fixed, host_frame};
use firmware_protocol::board::Board;
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::{DeviceMessage, HostMessage};
use proptest::prelude::*;
use std::cell::RefCell;

/// Two boards, one clock.
struct Twins<'a> {
    probe: &'a mut Probe,
    board: Board,
    now_us: u64,
    channels: usize,
}

impl Twins<'_> {
    fn new(probe: &mut Probe, channels: usize, interval_ns: u32, now_us: u64) -> Twins<'_> {
        assert_eq!(probe.ask(&format!("new {channels} {interval_ns} {now_us}")), "1");
        Twins { probe, board: Board::new(identity(channels, interval_ns), now_us), now_us, channels }
    }

    fn happen(&mut self, event: &Event) {
        let now_us = self.now_us;
        match event {
            Event::Sample { wrong, saturated } => {
                self.now_us += 1000;
                let count = i32::try_from(self.board.produced()).unwrap() * 7919 - 40_000;
                let counts = vec![count; self.channels + usize::from(*wrong)];
                self.board.sample(&counts, *saturated, self.now_us);
                let words: String = counts.iter().map(|count| format!(" {count}")).collect();
                self.silent(&format!("sample {} {}{words}", self.now_us, u8::from(*saturated)));
            }
            Event::Hear(message) => self.receive(&[&[0], &host_frame(*message)[..]].concat()),
            Event::Noise(bytes) => self.receive(bytes),
            Event::Poll => {
                self.board.poll(now_us);
                self.silent(&format!("poll {now_us}"));
            }
            Event::Wait(us) => self.now_us += us,
            Event::Take(most) => self.take(*most),
            Event::TakeAll => self.take(usize::MAX),
            Event::GiveUp => {
                if self.board.transmit().is_some() {
                    self.board.not_sent();
                }
                self.silent("give_up");
            }
        }
    }

    fn silent(&mut self, line: &str) {
        assert_eq!(self.probe.ask(line), "");
    }

    fn receive(&mut self, bytes: &[u8]) {
        self.board.receive(bytes, self.now_us);
        self.silent(&format!("receive {} {}", hex(bytes), self.now_us));
    }

    fn take(&mut self, most: usize) {
        let ours = self.board.transmit().unwrap_or_default();
        let ours = &ours[..ours.len().min(most)];
        let (length, ours) = (ours.len(), crate::table::hex(ours));
        self.board.advance(length);
        assert_eq!(self.probe.ask(&format!("take {most}")), ours);
    }

    /// Both answer a wanted interval, then say how they are.
    fn compare(&mut self) {
        let wanted = self.board.take_interval_request().unwrap_or(0);
        let (streaming, idle) = (self.board.streaming(), self.board.idle());
        let ours = format!(
            "{} {} {} {} {wanted}",
            u8::from(streaming),
            u8::from(idle),
            self.board.produced(),
            self.board.dropped()
        );
        assert_eq!(self.probe.ask("state"), ours);
        if wanted != 0 {
            self.board.set_interval(wanted);
            self.silent(&format!("interval {wanted}"));
        }
    }
}

/// `event()` with stops, and with the edges that chance seldom finds: a frame that is open for 20 ms to the µs, a port
/// that takes a delimiter and no more.
fn any_event() -> impl Strategy<Value = Event> {
    prop_oneof![
        16 => event(),
        2 => Just(Event::Hear(HostMessage::Stop)),
        2 => prop_oneof![Just(1_000), Just(19_000), Just(20_000), Just(980_000)].prop_map(Event::Wait),
        4 => (0..3_usize).prop_map(Event::Take),
    ]
}

#[test]
fn both_boards_send_the_same_bytes() {
    let probe = RefCell::new(Probe::start("probe-board", &[]));
    let intervals = prop_oneof![Just(1_000_000_u32), Just(12_500_000), Just(50_000), 1..100_000_000_u32];
    let events = proptest::collection::vec(any_event(), 0..400);
    proptest!(fixed(300), |(channels in 1..=8_usize, interval_ns in intervals, events in events, now_us in 0..1_u64 << 40)| {
        let mut probe = probe.borrow_mut();
        let mut twins = Twins::new(&mut probe, channels, interval_ns, now_us);
        twins.happen(&Event::Hear(HostMessage::Start));
        twins.board.set_condition(Some(4990), None);
        twins.silent("condition 4990 65535");
        for event in &events {
            twins.happen(event);
            twins.compare();
        }
        twins.happen(&Event::Hear(HostMessage::Stop));
        while !twins.board.idle() {
            twins.take(usize::MAX);
            twins.compare();
        }
    });
}

/// To the µs and to the byte: where chance does not get.
#[test]
fn both_boards_agree_at_the_edges() {
    let mut probe = Probe::start("probe-edges", &[]);
    let mut twins = Twins::new(&mut probe, 1, 12_500_000, 0);
    twins.happen(&Event::Hear(HostMessage::Start));
    for now_us in [999_999, 1_000_000, 1_999_999, 2_000_000, 2_000_001] {
        twins.now_us = now_us;
        twins.happen(&Event::Poll);
        twins.take(usize::MAX);
        twins.take(usize::MAX);
        twins.compare();
    }
    for missing in 0..3 {
        twins.happen(&Event::Sample { wrong: false, saturated: false });
        let length = twins.board.transmit().expect("a frame").len();
        twins.happen(&Event::Take(length - missing));
        twins.happen(&Event::GiveUp);
        twins.compare();
    }
    twins.happen(&Event::Sample { wrong: false, saturated: true });
    twins.take(usize::MAX);
    twins.compare();
}

/// With 1 KB instead of 6.5 nothing changes but how much is dropped: what is heard and what is dropped is all there is.
#[test]
fn a_board_with_little_memory_loses_count_of_nothing() {
    let small = ["-DFORCE_BOARD_BODY=128u", "-DFORCE_BOARD_QUEUE=400u"];
    let probe = RefCell::new(Probe::start("probe-small", &small));
    let events = proptest::collection::vec(event(), 0..400);
    proptest!(fixed(100), |(channels in 1..=5_usize, events in events)| {
        let mut probe = probe.borrow_mut();
        assert_eq!(probe.ask(&format!("new {channels} 1000000 0")), "1");
        probe.ask(&format!("receive {} 0", hex(&host_frame(HostMessage::Start))));
        let (mut line, mut now_us, mut sample) = (String::new(), 0, 0);
        for event in &events {
            match event {
                Event::Sample { saturated, .. } => {
                    now_us += 1000;
                    let counts = format!(" {sample}").repeat(channels);
                    probe.ask(&format!("sample {now_us} {}{counts}", u8::from(*saturated)));
                    sample += 1;
                }
                Event::Wait(us) => now_us += us,
                Event::Poll => drop(probe.ask(&format!("poll {now_us}"))),
                Event::Take(most) => line += &probe.ask(&format!("take {most}")),
                Event::TakeAll => line += &probe.ask("take 100000"),
                Event::GiveUp => drop(probe.ask("give_up")),
                Event::Hear(_) | Event::Noise(_) => {}
            }
        }
        probe.ask(&format!("receive {} {now_us}", hex(&host_frame(HostMessage::Stop))));
        loop {
            match probe.ask("take 100000") {
                more if more.is_empty() => break,
                more => line += &more,
            }
        }
        let state = probe.ask("state");
        let words: Vec<u64> = state.split(' ').map(|word| word.parse().unwrap()).collect();
        let [0, 1, produced, dropped, 0] = words[..] else { panic!("{state}") };
        prop_assert_eq!(produced, sample);
        prop_assert_eq!(heard(&line, channels) + dropped, produced);
    });
}

/// How many samples the line holds; each has the count that it was given.
fn heard(line_hex: &str, channels: usize) -> u64 {
    let line = crate::table::bytes(line_hex);
    let (mut accumulator, mut input, mut samples_heard) = (Accumulator::new(), &line[..], 0);
    while let Some(frame) = accumulator.push(&mut input) {
        let Ok(body) = frame else { continue }; // torn
        let message = DeviceMessage::decode(body).expect("a board sends what may be sent");
        if let DeviceMessage::Samples(samples) = message {
            samples_heard += u64::from(samples.samples);
            assert_eq!(usize::from(samples.channels), channels);
            for (index, count) in samples.iter().enumerate() {
                assert_eq!(u64::try_from(count).unwrap(), samples.first_sample + (index / channels) as u64);
            }
        }
    }
    samples_heard
}
