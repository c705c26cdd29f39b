//! Whole visits in memory: a board, faults on its line, the core; then the same records again, split elsewhere.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::layout::TrialRow;
use daemon::core::{Begun, Core, Said};
use daemon::journal::{Record, Stamped};
use daemon::pipeline::{Action, LinkState, Output};
use daemon::visit::plan::Plan;
use firmware_protocol::board::Board;
use firmware_protocol::message::{ChannelIdentity, Channels, Direction, Identity, PROTOCOL_VERSION, Text};
use proptest::prelude::*;

const INTERVAL_NS: u32 = 1_000_000;
const STEP_NS: u64 = 5_000_000;

fn board(boot_id: u32, now_us: u64) -> Board {
    let channel = ChannelIdentity {
        zero_counts: 1000,
        rated_counts: 8_000_000,
        rated_force_mn: 200_000,
        direction: Direction::Compression,
    };
    let identity = Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id,
        serial: Text::new("TEST-1").unwrap(),
        firmware: Text::new("test 1").unwrap(),
        interval_ns: INTERVAL_NS,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&[channel]).unwrap(),
    };
    Board::new(identity, now_us)
}

/// Force at a time: rest, then every 4 s a smooth pull of 1.6 s to 20 N.
fn force_n(time_s: f64) -> f64 {
    let phase = (time_s - 2.0).rem_euclid(4.0);
    let smooth = |x: f64| {
        let x = x.clamp(0.0, 1.0);
        x * x * x * (10.0 + x * (6.0 * x - 15.0))
    };
    if time_s < 2.0 { 0.0 } else { 20.0 * smooth(phase / 0.3) * (1.0 - smooth((phase - 1.6) / 0.25)) }
}

/// What happens to the line.
#[derive(Debug, Clone, Default)]
struct Faults {
    /// Every n-th frame is lost (0: none).
    lose: u64,
    /// Every n-th frame has a byte flipped (0: none).
    flip: u64,
    /// Every n-th frame comes twice (0: none).
    twice: u64,
    /// Away from the first to the second second.
    unplugged_s: Option<(f64, f64)>,
}

struct World {
    core: Core,
    board: Board,
    now_ns: u64,
    journal: Vec<Stamped>,
    said: Vec<Said>,
    line: Vec<u8>,
    frames: u64,
    converted: u64,
    plugged: bool,
}

impl World {
    fn new(plan: Option<Plan>) -> Self {
        let mut world = World {
            core: Core::new(plan.clone()),
            board: board(7, 0),
            now_ns: 1_000_000_000,
            journal: Vec::new(),
            said: Vec::new(),
            line: Vec::new(),
            frames: 0,
            converted: 0,
            plugged: true,
        };
        let begun = Begun {
            visit_id: "v".into(),
            plan: plan.map(|plan| plan.to_toml()).unwrap_or_default(),
            software: "test".into(),
            ..Begun::default()
        };
        world.put(Record::Begun(serde_json::to_string(&begun).unwrap()));
        world.put(Record::Opened { port: 0, detail: "{}".into() });
        world
    }

    fn put(&mut self, record: Record) {
        let mut queue = std::collections::VecDeque::from([record]);
        while let Some(record) = queue.pop_front() {
            let stamped = Stamped { number: self.journal.len() as u64, monotonic_ns: self.now_ns, record };
            let mut said = Vec::new();
            self.core.step(&stamped, &mut said);
            self.journal.push(stamped);
            for said in said {
                match said {
                    Said::Journal(record) => queue.push_back(record),
                    Said::Pipeline(Output::Send { port, bytes }) => {
                        if self.plugged {
                            self.board.receive(&bytes, self.now_ns / 1000);
                            queue.push_back(Record::Sent { port, bytes });
                        }
                    }
                    other => self.said.push(other),
                }
            }
        }
    }

    fn step(&mut self, faults: &Faults) {
        self.now_ns += STEP_NS;
        let now_s = self.now_ns as f64 * 1e-9 - 1.0;
        let away = faults.unplugged_s.is_some_and(|(from, to)| (from..to).contains(&now_s));
        if away == self.plugged {
            self.plugged = !away;
            let record = if away {
                Record::Closed { port: 0, reason: "unplugged".into() }
            } else {
                Record::Opened { port: 0, detail: "{}".into() }
            };
            self.put(record);
        }
        if self.board.streaming() {
            for _ in 0..STEP_NS / u64::from(INTERVAL_NS) {
                let time_s = self.converted as f64 * f64::from(INTERVAL_NS) * 1e-9;
                let counts = 1000.0 + force_n(time_s) / 200.0 * 8e6;
                let device_us = self.converted * u64::from(INTERVAL_NS) / 1000 + 5_000_000;
                // A little dither, the same every time: a zero needs some noise to be told from a stuck sensor.
                let dither = (self.converted * 7919 % 13) as i32 * 40 - 240;
                self.board.sample(&[counts as i32 + dither], false, device_us);
                self.converted += 1;
            }
        }
        self.board.poll(self.now_ns / 1000);
        self.transmit(faults);
        if self.plugged && !self.line.is_empty() {
            let bytes = std::mem::take(&mut self.line);
            self.put(Record::Bytes { port: 0, bytes });
        }
        if self.now_ns.is_multiple_of(100_000_000) {
            self.put(Record::Tick);
        }
    }

    fn transmit(&mut self, faults: &Faults) {
        let nth = |n: u64, count: u64| n > 0 && count % n == n - 1;
        while let Some(frame) = self.board.transmit() {
            if !self.plugged {
                self.board.not_sent();
                continue;
            }
            let mut frame = frame.to_vec();
            self.board.sent();
            // Replies are few and are repeated when lost; the faults are for the samples.
            if frame.len() < 60 {
                self.line.extend_from_slice(&frame);
                continue;
            }
            self.frames += 1;
            if nth(faults.lose, self.frames) {
                continue;
            }
            if nth(faults.flip, self.frames) {
                frame[30] ^= 0x15;
            }
            self.line.extend_from_slice(&frame);
            if nth(faults.twice, self.frames) {
                self.line.extend_from_slice(&frame);
            }
        }
    }

    fn finish(&mut self, faults: &Faults) {
        let text = serde_json::to_string(&Action::Stop { reason: "test".into() }).unwrap();
        self.put(Record::Action(text));
        for _ in 0..600 {
            self.step(faults);
            if self.said.iter().any(|s| matches!(s, Said::Pipeline(Output::Link(_, LinkState::Stopped)))) {
                break;
            }
        }
        self.put(Record::Finished("test".into()));
    }
}

/// Samples, missing samples, rows of trials.
fn tally(said: &[Said]) -> (u64, u64, Vec<TrialRow>) {
    let (mut samples, mut missing, mut rows) = (0, 0, Vec::new());
    for said in said {
        match said {
            Said::Pipeline(Output::Block(block)) => samples += block.samples,
            Said::Pipeline(Output::Gap(_, gap)) => missing += gap.missing.unwrap_or(0),
            Said::Trial(row) => rows.push((**row).clone()),
            _ => {}
        }
    }
    (samples, missing, rows)
}

fn plan() -> Plan {
    let item = |muscle: &str| {
        format!("[[item]]\nmuscle = \"{muscle}\"\ntest = \"make\"\ntrials = 3\nhold_s = 1.5\nrest_s = 1.0\n")
    };
    Plan::parse(&format!("title = \"t\"\n{}{}", item("left index abduction"), item("right index abduction")))
        .unwrap()
}

#[test]
fn a_plan_runs_by_itself_and_finds_every_trial() {
    let mut world = World::new(Some(plan()));
    for _ in 0..40 * 200 {
        world.step(&Faults::default());
        if world.core.is_finished() {
            break;
        }
    }
    assert!(world.core.is_finished(), "the plan is done within 40 s");
    world.finish(&Faults::default());
    let (samples, missing, rows) = tally(&world.said);
    assert_eq!((samples, missing), (world.board.produced(), 0));
    let trials: Vec<_> = rows.iter().filter(|row| row.item > 0).collect();
    assert_eq!(trials.len(), 6, "{rows:#?}");
    for row in trials {
        assert_eq!((row.valid, row.outcome.as_str()), (1, "released"), "{}", row.why_not);
        assert!((row.peak_zero_n - 20.0).abs() < 0.1, "{}", row.peak_zero_n);
        assert!(
            (row.first_sample as f64 * 1e-3 - row.onset_s).abs() < 0.002,
            "positions are those of the times"
        );
    }
}

#[test]
fn every_sample_is_recorded_or_in_a_gap_under_each_fault() {
    let lose = Faults { lose: 7, ..Faults::default() };
    let flip = Faults { flip: 5, ..Faults::default() };
    let twice = Faults { twice: 3, ..Faults::default() };
    let unplugged = Faults { unplugged_s: Some((3.0, 4.5)), ..Faults::default() };
    let all = Faults { lose: 11, flip: 13, twice: 4, unplugged_s: Some((2.0, 2.4)) };
    for faults in [Faults::default(), lose, flip, twice, unplugged, all] {
        let mut world = World::new(None);
        (0..1600).for_each(|_| world.step(&faults));
        world.finish(&faults);
        let (samples, missing, _) = tally(&world.said);
        assert_eq!(samples + missing, world.board.produced(), "{faults:?}");
        assert!(samples > 5000, "{faults:?}");
    }
}

#[test]
fn a_port_that_returns_goes_on_in_a_new_segment() {
    let mut world = World::new(None);
    let faults = Faults { unplugged_s: Some((3.0, 4.5)), ..Faults::default() };
    (0..1200).for_each(|_| world.step(&faults));
    let reasons: Vec<_> = world
        .said
        .iter()
        .filter_map(|said| {
            if let Said::Pipeline(Output::Began(_, began)) = said { Some(began.reason) } else { None }
        })
        .collect();
    assert_eq!(reasons, ["start", "port returned"]);
}

/// Steps a journal anew; what it says, without the records it makes.
fn replay(journal: &[Stamped]) -> Vec<Said> {
    let begun =
        journal.iter().find_map(|s| if let Record::Begun(text) = &s.record { Some(text) } else { None });
    let begun: Begun = serde_json::from_str(begun.unwrap()).unwrap();
    let mut core = Core::new(Plan::parse(&begun.plan).ok());
    let mut said = Vec::new();
    journal.iter().for_each(|stamped| core.step(stamped, &mut said));
    said
}

fn journal_of_a_visit() -> Vec<Stamped> {
    let mut world = World::new(Some(plan()));
    let faults = Faults { lose: 50, flip: 70, twice: 20, unplugged_s: Some((9.0, 9.5)) };
    (0..15 * 200).for_each(|_| world.step(&faults));
    world.finish(&faults);
    world.journal
}

/// Rows and blocks as text: NaN equals NaN there.
fn results(said: &[Said]) -> Vec<String> {
    let keep = |said: &&Said| {
        matches!(
            said,
            Said::Trial(_)
                | Said::Cue(_)
                | Said::Pipeline(Output::Gap(..) | Output::Holds(_) | Output::Set(..))
        )
    };
    said.iter().filter(keep).map(|said| format!("{said:?}")).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 12, ..ProptestConfig::default() })]

    #[test]
    fn a_journal_split_anywhere_gives_the_same_bits(seed in any::<u64>()) {
        let journal = journal_of_a_visit();
        let mut state = seed | 1;
        let mut split = Vec::new();
        for stamped in &journal {
            let Record::Bytes { port, bytes } = &stamped.record else {
                split.push(stamped.clone());
                continue;
            };
            let mut rest = bytes.as_slice();
            while !rest.is_empty() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let take = ((state >> 40) as usize % 40 + 1).min(rest.len());
                let (piece, after) = rest.split_at(take);
                let record = Record::Bytes { port: *port, bytes: piece.to_vec() };
                split.push(Stamped { record, ..stamped.clone() });
                rest = after;
            }
        }
        let (whole, pieces) = (replay(&journal), replay(&split));
        prop_assert_eq!(results(&whole), results(&pieces));
        let (a, b) = (tally(&whole), tally(&pieces));
        prop_assert_eq!((a.0, a.1), (b.0, b.1));
    }
}
