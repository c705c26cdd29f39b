//! Whole examinations in memory: the simulated sensor with a hand that follows the engine's cues, as person and examiner do,
//! faster than time. The journal is then sealed and read.
use analysis::recording::layout::{ObservationRow, TrialRow};
use analysis::recording::read::Recording;
use analysis::sensor::calibration::{Known, calibrate};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::points::{Direction, Point};
use analysis::trial::{Muscle, Test};
use daemon::core::{Begun, Core, Said};
use daemon::journal::{Options, Record, Stamped, SystemDisk, Writer};
use daemon::participant;
use daemon::pipeline::{Action, LinkState, Output};
use daemon::seal::seal;
use daemon::simulate::effort::{Effort, Kind};
use daemon::simulate::led::{Led, Order};
use daemon::simulate::sensor::{Sensor, Settings};
use daemon::simulate::source::Source;
use daemon::visit::action::Examiner;
use daemon::visit::engine::{Cue, Stage};
use daemon::visit::plan::Plan;
use std::collections::VecDeque;
use std::path::{Path, PathBuf};

const STEP_NS: u64 = 20_000_000;
const TOUCH_N: f64 = 1.5;

/// What a participant is like, and what goes wrong.
#[derive(Default)]
pub struct Person {
    /// Make force of a muscle, N.
    pub strength_n: Option<fn(&Cue) -> f64>,
    /// What is pulled, N, in order for each muscle; before `strength_n`.
    pub pulls_n: Vec<(Muscle, f64)>,
    /// What the examiner types when a cue comes, half a second into the pull.
    pub says: Option<fn(&Cue) -> Option<&'static str>>,
    /// What is typed after a trial's result.
    pub after: Option<fn(&TrialRow) -> Option<String>>,
}

/// A visit, its sensor and hand, its time.
pub struct World {
    /// The daemon's core.
    pub core: Core,
    sensor: Sensor,
    person: Person,
    /// Time, ns.
    pub now_ns: u64,
    /// The journal so far.
    pub journal: Vec<Stamped>,
    /// What the core has said.
    pub said: Vec<Said>,
    heard: usize,
    /// What is to be done, and when.
    due: Vec<(u64, Due)>,
    typed_after: Vec<i64>,
}

enum Due {
    Hand(Order),
    Typed(String),
}

impl World {
    /// A visit by this plan, with these answers to the gate.
    pub fn new(plan: &Plan, person: Person, allow: &[&str]) -> World {
        World::about(plan, person, allow, &[])
    }

    /// The same of a participant of whom this is known.
    pub fn about(plan: &Plan, person: Person, allow: &[&str], about: &[&str]) -> World {
        let begun = Begun {
            visit_id: "11111111-1111-4111-8111-111111111111".into(),
            participant: "P001".into(),
            examiner: "E01".into(),
            consent: String::new(),
            about: about.iter().map(|text| participant::field(text).unwrap()).collect(),
            plan: plan.to_toml(),
            software: "test".into(),
            started_utc: "2026-01-01T00:00:00Z".into(),
            utc_offset: "+00:00".into(),
        };
        World::begun(&begun, 11, person, allow)
    }

    /// A visit that begins so, with a hand of this seed.
    pub fn begun(begun: &Begun, seed: u64, person: Person, allow: &[&str]) -> World {
        // 250 Hz: what is tested here is the visit, not the sensor.
        let settings = Settings { interval_ns: 4_000_000, ..Settings::default() };
        let sensor = Sensor::new(settings, Source::Led(Box::new(Led::new(seed, 1.0))), 0).unwrap();
        let mut world = World {
            core: Core::new(Some(Plan::parse(&begun.plan).unwrap())),
            sensor,
            person,
            now_ns: 0,
            journal: Vec::new(),
            said: Vec::new(),
            heard: 0,
            due: Vec::new(),
            typed_after: Vec::new(),
        };
        world.put(Record::Begun(serde_json::to_string(begun).unwrap()));
        world.put(Record::Opened { port: 0, detail: "{}".into() });
        world.put(Record::Action(Examiner::Warner { able: true, by: "terminal".into() }.to_json()));
        for line in allow {
            world.typed(line);
        }
        world
    }

    /// Puts a record into the journal and the core.
    pub fn put(&mut self, record: Record) {
        let mut queue = VecDeque::from([record]);
        while let Some(record) = queue.pop_front() {
            let stamped = Stamped { number: self.journal.len() as u64, monotonic_ns: self.now_ns, record };
            let mut said = Vec::new();
            self.core.step(&stamped, &mut said);
            self.journal.push(stamped);
            for said in said {
                match said {
                    Said::Journal(record) => queue.push_back(record),
                    Said::Pipeline(Output::Send { port, bytes }) => {
                        self.sensor.hear(&bytes, self.now_ns);
                        queue.push_back(Record::Sent { port, bytes });
                    }
                    other => self.said.push(other),
                }
            }
        }
    }

    /// The examiner types a line.
    pub fn typed(&mut self, line: &str) {
        self.put(Record::Action(Examiner::parse(line).unwrap().to_json()));
    }

    fn after(&mut self, seconds: f64, due: Due) {
        self.due.push((self.now_ns + (seconds * 1e9) as u64, due));
    }

    /// Person and examiner do what the visit says.
    fn follow(&mut self) {
        let news: Vec<Said> = self.said[self.heard..].to_vec();
        self.heard = self.said.len();
        for said in news {
            match said {
                Said::Stage(Stage::Ready { .. }) => self.after(0.2, Due::Hand(Order::Touch(TOUCH_N))),
                Said::Stage(Stage::Turn { .. }) => self.after(0.2, Due::Hand(Order::Touch(0.0))),
                Said::Stage(Stage::Pain { .. }) => self.after(1.0, Due::Typed("p 2".to_owned())),
                Said::Stage(Stage::Halted { .. }) => self.after(1.0, Due::Typed(String::new())),
                Said::Cue(cue) => self.cued(&cue),
                Said::Trial(row) => {
                    let line = self.person.after.and_then(|after| after(&row));
                    if let Some(line) = line.filter(|_| !self.typed_after.contains(&row.item)) {
                        self.typed_after.push(row.item);
                        self.after(0.1, Due::Typed(line));
                    }
                }
                _ => {}
            }
        }
    }

    fn cued(&mut self, cue: &Cue) {
        let next = self.person.pulls_n.iter().position(|(muscle, _)| *muscle == cue.muscle);
        let strength_n = match next {
            Some(next) => self.person.pulls_n.remove(next).1,
            None => self.person.strength_n.map_or(18.0, |of| of(cue)),
        };
        if strength_n > 2.0 {
            let (kind, peak_n, hold_s) = match cue.test {
                Test::Break => (Kind::Break, 1.2 * strength_n, 0.3),
                Test::Concentric => (Kind::Concentric, 0.9 * strength_n, 2.0),
                Test::Submaximal => {
                    let (low_n, high_n) = cue.band_n.unwrap();
                    (Kind::Make, 0.5 * (low_n + high_n), cue.hold_s + 0.5)
                }
                _ => (Kind::Make, strength_n, cue.hold_s + 0.5),
            };
            self.after(0.4, Due::Hand(Order::Pull(Effort { kind, peak_n, hold_s })));
        }
        if let Some(line) = self.person.says.and_then(|says| says(cue)) {
            self.after(1.5, Due::Typed(line.to_owned()));
        }
    }

    /// Time goes on by 20 ms.
    pub fn step(&mut self) {
        self.now_ns += STEP_NS;
        let now_ns = self.now_ns;
        let (due, later) = std::mem::take(&mut self.due).into_iter().partition(|(at_ns, _)| *at_ns <= now_ns);
        self.due = later;
        for (_, due) in due {
            match due {
                Due::Hand(order) => self.sensor.tell(order),
                Due::Typed(line) => self.typed(&line),
            }
        }
        self.sensor.advance(self.now_ns);
        let bytes = self.sensor.output().to_vec();
        self.sensor.take(bytes.len());
        if !bytes.is_empty() {
            self.put(Record::Bytes { port: 0, bytes });
        }
        if self.now_ns.is_multiple_of(100_000_000) {
            self.put(Record::Tick);
        }
        self.follow();
    }

    /// Runs until the plan is done; gives how long that took, s.
    pub fn run(&mut self, most_s: f64) -> f64 {
        while !self.core.is_finished() {
            self.step();
            let now_s = self.now_ns as f64 * 1e-9;
            assert!(now_s < most_s, "not done after {now_s:.0} s: {:?}", self.core.visit().stage());
        }
        self.now_ns as f64 * 1e-9
    }

    /// Stops the sensor and ends the journal.
    pub fn finish(&mut self) {
        self.put(Record::Action(
            serde_json::to_string(&Action::Stop { reason: "plan finished".into() }).unwrap(),
        ));
        let stopped = |said: &Said| matches!(said, Said::Pipeline(Output::Link(_, LinkState::Stopped)));
        while !self.said.iter().any(stopped) {
            self.step();
        }
        self.put(Record::Finished("plan finished".into()));
    }

    /// The rows of `/trials` as they stand in the end.
    pub fn rows(&self) -> Vec<TrialRow> {
        let mut rows: Vec<TrialRow> = Vec::new();
        for said in &self.said {
            match said {
                Said::Trial(row) => rows.push((**row).clone()),
                Said::Amended(row) => {
                    let old = rows.iter_mut().find(|old| old.order == row.order).unwrap();
                    *old = (**row).clone();
                }
                _ => {}
            }
        }
        rows
    }

    /// The program dies and is started again: the visit goes on from its journal, at the step it was at.
    pub fn interrupt(&mut self) {
        let folder = tempfile::tempdir().unwrap();
        self.write(folder.path());
        let again = daemon::resume::read(&SystemDisk::shared(), folder.path()).unwrap().unwrap();
        assert!(again.missing.is_empty(), "nothing was on its way: {:?}", again.missing);
        let state = |core: &Core| format!("{:?}", core.visit());
        assert_eq!(state(&again.core), state(&self.core), "replayed, the visit stands where it stood");
        self.core = again.core;
        self.put(Record::Closed { port: 0, reason: "interrupted".into() });
        self.put(Record::Opened { port: 0, detail: "{}".into() });
    }

    /// Through a real journal into a recording, and what that holds.
    pub fn sealed(&self) -> (Vec<TrialRow>, Vec<ObservationRow>) {
        let folder = tempfile::tempdir().unwrap();
        let recording = Recording::open(&self.seal(folder.path())).unwrap();
        recording.verify().unwrap();
        (recording.trials().unwrap(), recording.observations().unwrap())
    }

    /// Writes the journal into a folder and seals it; gives the recording.
    pub fn seal(&self, folder: &Path) -> PathBuf {
        self.write(folder);
        seal(&SystemDisk::shared(), folder).unwrap().recording
    }

    fn write(&self, folder: &Path) {
        let disk = SystemDisk::shared();
        let id = uuid::Uuid::from_u128(7);
        let mut writer = Writer::create(disk, folder, id, "test", Options::default()).unwrap();
        for stamped in &self.journal {
            writer.append(stamped.monotonic_ns, &stamped.record).unwrap();
        }
        writer.finish().unwrap();
    }
}

/// A calibration of the simulated sensor: 40 000 counts a newton, as it has them, known to 0.05 %; valid until June 2026.
pub fn certificate() -> Certificate {
    let series = [("0", "A", 0.0), ("0", "B", 2.0), ("180", "C", 4.0)];
    let points: Vec<Point> = series
        .iter()
        .flat_map(|(mounting, series, shift)| {
            [0.0, 10.0, 20.0, 40.0, 80.0].map(|n| Point {
                reference_n: n,
                indication: 40_000.0 * n + shift * n,
                series: (*series).to_owned(),
                mounting: (*mounting).to_owned(),
                direction: Direction::Up,
            })
        })
        .collect();
    let known =
        Known { resolution: 1.0, reference_relative: Some(5e-4), creep_relative: None, highest_degree: 1 };
    let calibration = calibrate(&points, &known).unwrap();
    Certificate {
        serial: "SIM-0001".to_owned(),
        when_utc: "2025-06-01T00:00:00Z".to_owned(),
        valid_until: "2026-06-01".to_owned(),
        visit_id: "22222222-2222-4222-8222-222222222222".to_owned(),
        rated_force_n: 200.0,
        ..Certificate::new(points, calibration)
    }
}
