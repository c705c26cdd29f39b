//! Several ports and one pipeline, in memory: whose sensor is which, whoever answers first and wherever a cable is put back.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use daemon::journal::{Record, Stamped};
use daemon::pipeline::setting::Setting;
use daemon::pipeline::{Action, LinkState, Output, Pipeline, Which};
use firmware_protocol::board::Board;
use firmware_protocol::message::{ChannelIdentity, Channels, Direction, Identity, PROTOCOL_VERSION, Text};

const INTERVAL_NS: u32 = 1_000_000;

fn board(serial: &str, boot_id: u32) -> Board {
    let channel = ChannelIdentity {
        zero_counts: 0,
        rated_counts: 8_000_000,
        rated_force_mn: 200_000,
        direction: Direction::Compression,
    };
    let identity = Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id,
        serial: Text::new(serial).unwrap(),
        firmware: Text::new("test 1").unwrap(),
        interval_ns: INTERVAL_NS,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&[channel, channel]).unwrap(),
    };
    Board::new(identity, 0)
}

/// Boards, each on a port or on none, and a pipeline.
struct Bench {
    pipeline: Pipeline,
    boards: Vec<(Board, Option<u8>)>,
    number: u64,
    now_ns: u64,
    out: Vec<Output>,
}

impl Bench {
    fn new(serials: &[&str]) -> Bench {
        let boards = (7..).zip(serials).map(|(boot_id, serial)| (board(serial, boot_id), None)).collect();
        Bench { pipeline: Pipeline::new(true), boards, number: 0, now_ns: 0, out: Vec::new() }
    }

    fn put(&mut self, record: Record) {
        let mut queue = vec![record];
        while let Some(record) = queue.pop() {
            let mut said = Vec::new();
            let stamped = Stamped { number: self.number, monotonic_ns: self.now_ns, record };
            self.number += 1;
            self.pipeline.step(&stamped, &mut said);
            for output in &said {
                match output {
                    Output::Journal(record) => queue.push(record.clone()),
                    Output::Send { port, bytes } => {
                        queue.push(Record::Sent { port: *port, bytes: bytes.clone() });
                        let on = self.boards.iter_mut().find(|(_, on)| *on == Some(*port));
                        if let Some((board, _)) = on {
                            board.receive(bytes, self.now_ns / 1000);
                        }
                    }
                    _ => {}
                }
            }
            self.out.extend(said);
        }
    }

    fn plug(&mut self, board: usize, port: u8) {
        self.boards[board].1 = Some(port);
        self.put(Record::Opened { port, detail: "{}".into() });
    }

    fn unplug(&mut self, board: usize) {
        let port = self.boards[board].1.take().unwrap();
        self.put(Record::Closed { port, reason: "unplugged".into() });
    }

    /// Time passes; each board's counts are about its place in the list, times a thousand.
    fn run(&mut self, seconds: f64) {
        let until_ns = self.now_ns + (seconds * 1e9) as u64;
        while self.now_ns < until_ns {
            self.now_ns += 5_000_000;
            for at in 0..self.boards.len() {
                let (board, port) = &mut self.boards[at];
                let streaming = board.streaming();
                for ms in (1..=5).map(|ms| self.now_ns / 1_000_000 - 5 + ms).filter(|_| streaming) {
                    // A little dither, the same every time: a zero needs some noise to be told from a stuck sensor.
                    let counts = 1000 * (at as i32 + 1) + (ms * 7919 % 13) as i32 * 40 - 240;
                    board.sample(&[counts; 2], false, 1000 * ms);
                }
                board.poll(self.now_ns / 1000);
                let mut bytes = Vec::new();
                while let Some(frame) = board.transmit() {
                    bytes.extend_from_slice(frame);
                    if port.is_some() { board.sent() } else { board.not_sent() }
                }
                if let Some(port) = *port
                    && !bytes.is_empty()
                {
                    self.put(Record::Bytes { port, bytes });
                }
            }
            self.put(Record::Tick);
        }
    }

    /// Sensors' numbers and serial numbers, as they became known.
    fn known(&self) -> Vec<(usize, String)> {
        let known = self.out.iter().filter_map(|output| match output {
            Output::Identified { sensor, identity, .. } => Some((*sensor, identity.serial.clone())),
            _ => None,
        });
        known.collect()
    }

    /// Samples of a sensor, which all have its board's counts.
    fn samples(&self, sensor: usize, board: usize) -> u64 {
        let mut samples = 0;
        for output in &self.out {
            let Output::Block(block) = output else { continue };
            if block.sensor == sensor {
                let own = |counts: &i32| (counts - 1000 * (board as i32 + 1)).abs() < 300;
                assert!(block.counts.iter().all(own), "{sensor}");
                samples += block.samples;
            }
        }
        samples
    }

    fn links(&self, wanted: impl Fn(&LinkState) -> bool) -> Vec<u8> {
        let links = self.out.iter().filter_map(|output| match output {
            Output::Link(port, state) if wanted(state) => Some(*port),
            _ => None,
        });
        links.collect()
    }
}

fn names(known: &[(usize, &str)]) -> Vec<(usize, String)> {
    known.iter().map(|(number, serial)| (*number, (*serial).to_owned())).collect()
}

#[test]
fn a_sensors_number_is_its_ports_whoever_answers_first() {
    let mut bench = Bench::new(&["A", "B"]);
    bench.put(Record::Opened { port: 0, detail: "{}".into() });
    bench.plug(1, 1);
    bench.run(1.0);
    bench.plug(0, 0);
    bench.run(1.0);
    assert_eq!(bench.known(), names(&[(2, "B"), (1, "A")]));
    assert!(bench.samples(1, 0) > 900 && bench.samples(2, 1) > 1900);
}

#[test]
fn one_goes_and_returns_while_the_other_goes_on() {
    let mut bench = Bench::new(&["A", "B"]);
    bench.plug(0, 0);
    bench.plug(1, 1);
    bench.run(1.0);
    let before = bench.samples(1, 0);
    bench.unplug(1);
    bench.run(1.0);
    assert!(bench.samples(1, 0) >= before + 980, "the first one saw nothing of it");
    bench.plug(1, 1);
    bench.run(1.0);
    let gaps: Vec<(usize, Option<u64>)> = bench
        .out
        .iter()
        .filter_map(|output| match output {
            Output::Gap(sensor, gap) => Some((*sensor, gap.missing)),
            _ => None,
        })
        .collect();
    assert!(matches!(gaps[..], [(2, Some(990..=1100))]), "{gaps:?}");
}

#[test]
fn cables_that_are_put_back_the_other_way_round_change_nothing_but_the_way() {
    let mut bench = Bench::new(&["A", "B"]);
    bench.plug(0, 0);
    bench.plug(1, 1);
    bench.run(1.0);
    bench.unplug(0);
    bench.unplug(1);
    bench.run(0.5);
    bench.plug(0, 1);
    bench.plug(1, 0);
    bench.run(1.0);
    assert_eq!(bench.known(), names(&[(1, "A"), (2, "B")]));
    assert!(bench.samples(1, 0) > 1900 && bench.samples(2, 1) > 1900, "each in its own sensor");
    assert!(
        bench.links(|state| matches!(state, LinkState::OtherSensor { .. } | LinkState::Twice(_))).is_empty()
    );
}

#[test]
fn a_serial_number_that_is_there_already_is_refused() {
    let mut bench = Bench::new(&["A", "A"]);
    bench.plug(0, 0);
    bench.plug(1, 1);
    bench.run(1.0);
    assert_eq!(bench.links(|state| matches!(state, LinkState::Twice(serial) if serial == "A")), [1]);
    assert_eq!(bench.known(), names(&[(1, "A")]));
    assert!(bench.samples(1, 0) > 900);
}

#[test]
fn another_sensor_waits_to_be_accepted_and_gets_the_next_number() {
    let mut bench = Bench::new(&["A", "B", "C"]);
    bench.plug(0, 0);
    bench.plug(1, 1);
    bench.run(1.0);
    bench.unplug(0);
    bench.plug(2, 0);
    bench.run(1.0);
    assert_eq!(bench.links(|state| matches!(state, LinkState::OtherSensor { .. })), [0]);
    assert_eq!(bench.samples(3, 2), 0);
    bench.put(Record::Action(Action::AcceptSensor.to_json()));
    bench.run(1.0);
    assert_eq!(bench.known(), names(&[(1, "A"), (2, "B"), (3, "C")]));
    assert!(bench.samples(3, 2) > 900 && bench.samples(2, 1) > 2900);
}

#[test]
fn a_zero_is_taken_of_the_channel_that_was_named() {
    let mut bench = Bench::new(&["A", "B"]);
    bench.plug(0, 0);
    bench.plug(1, 1);
    bench.run(3.0);
    let zeroed = |bench: &Bench, from: usize| {
        let zeros = bench.out[from..].iter().filter_map(|output| match output {
            Output::Set(Setting::Tare(tare), _) => Some((tare.sensor, tare.channel)),
            _ => None,
        });
        let mut zeros: Vec<_> = zeros.collect();
        zeros.sort_unstable();
        zeros
    };
    assert_eq!(zeroed(&bench, 0), [(1, 1), (1, 2), (2, 1), (2, 2)], "each takes its own by itself");
    for (sensor, channel, expected) in [
        (Some(2), Some(1), &[(2, 1)][..]),
        (Some(1), None, &[(1, 1), (1, 2)]),
        (None, None, &[(1, 1), (1, 2), (2, 1), (2, 2)]),
    ] {
        let from = bench.out.len();
        bench.put(Record::Action(
            Action::Tare { which: Which { sensor, channel }, orientation: String::new() }.to_json(),
        ));
        bench.run(3.0);
        assert_eq!(zeroed(&bench, from), expected);
    }
}
