//! Holds of a recording found again: the same, to the bit, as the finder found them sample after sample, whatever
//! happened between the samples.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

use analysis::holds::{Event, Hold, Parameters, Profile, Sample, Stream};
use analysis::recording::layout::{EventRow, FrameRow, SegmentRow};
use analysis::recording::read::Recording;
use analysis::recording::replay::{Placed, in_force, replay};
use analysis::recording::write::{Samples, SensorTables, Tables, Writer};
use analysis::trial::Test;
use serde_json::json;
use std::path::Path;

const INTERVAL_S: f64 = 0.005;
const FRAME: usize = 10;
const CHANNELS: usize = 2;

/// What happens, in order. Channels from 1.
#[derive(Debug, Clone)]
enum Step {
    /// The device starts (again), with or without the port having been closed before.
    Begin,
    /// So many frames.
    Frames(usize),
    /// So many samples are lost.
    Lose(usize),
    Set(usize, Box<Parameters>),
    Tare(usize),
    Close,
}

/// Plays steps: to a finder a channel, as they come, and into the tables of a recording.
struct Player {
    streams: Vec<Stream>,
    found: Vec<Vec<(i64, Hold)>>,
    out: Vec<Event>,
    tables: SensorTables,
    events: Vec<EventRow>,
    owned: sample::Owned,
    counter: usize,
    clock: usize,
}

impl Player {
    fn play(steps: &[Step]) -> Player {
        let mut player = Player {
            streams: (0..CHANNELS).map(|_| Stream::new(Parameters::default())).collect(),
            found: vec![Vec::new(); CHANNELS],
            out: Vec::new(),
            tables: SensorTables::default(),
            events: Vec::new(),
            owned: sample::Owned::default(),
            counter: 0,
            clock: 0,
        };
        steps.iter().for_each(|step| player.step(step));
        player.event("finished", "");
        player.each_stream(Stream::end);
        player
    }

    fn position(&self) -> i64 {
        self.owned.time_s.len() as i64
    }

    fn each_stream(&mut self, act: impl Fn(&mut Stream, &mut Vec<Event>)) {
        (0..CHANNELS).for_each(|channel| self.with_stream(channel, &act));
    }

    fn with_stream(&mut self, channel: usize, act: impl Fn(&mut Stream, &mut Vec<Event>)) {
        act(&mut self.streams[channel], &mut self.out);
        let segment = self.tables.segments.len() as i64 - 1;
        for event in self.out.drain(..) {
            if let Event::Ended(hold) = event {
                self.found[channel].push((segment, *hold));
            }
        }
    }

    fn event(&mut self, kind: &str, detail: &str) {
        self.events.push(EventRow {
            monotonic_ns: self.events.len() as i64,
            sensor: 1,
            sample: self.position(),
            kind: kind.to_owned(),
            detail: detail.to_owned(),
        });
    }

    fn step(&mut self, step: &Step) {
        match step {
            Step::Begin => self.begin(),
            Step::Frames(count) => (0..*count).for_each(|_| self.frame()),
            Step::Lose(samples) => {
                self.counter += samples;
                self.clock += samples;
            }
            Step::Set(channel, parameters) => {
                let setting =
                    json!({"setting": "finder", "sensor": 1, "channel": channel, "parameters": parameters});
                self.event("parameters", &setting.to_string());
                self.with_stream(channel - 1, |stream, _| stream.set((**parameters).clone()));
            }
            Step::Tare(channel) => {
                let setting = json!({"setting": "tare", "sensor": 1, "channel": channel, "zero_counts": 0.0});
                self.event("tare", &setting.to_string());
                self.with_stream(channel - 1, Stream::zeroed);
            }
            Step::Close => {
                self.event("port closed", "unplugged");
                self.each_stream(Stream::end);
            }
        }
    }

    fn begin(&mut self) {
        self.each_stream(Stream::end);
        self.event("segment began", "device reset");
        self.counter = 1000 * self.tables.segments.len();
        let segment = SegmentRow {
            first_sample: self.position(),
            samples: 0,
            first_counter: self.counter as i64,
            interval_ns: (INTERVAL_S * 1e9) as i64,
            ..sample::sensor_tables(1).segments.remove(0)
        };
        self.tables.segments.push(segment);
        self.each_stream(|stream, out| stream.begin(INTERVAL_S, out));
    }

    fn frame(&mut self) {
        let segment = self.tables.segments.last_mut().unwrap();
        segment.samples += FRAME as i64;
        let index = self.counter - segment.first_counter as usize;
        let saturated = self.clock.is_multiple_of(1700);
        self.tables.frames.push(FrameRow {
            segment: self.tables.segments.len() as i64 - 1,
            counter: self.counter as i64,
            first_sample: self.owned.time_s.len() as i64,
            samples: FRAME as i64,
            status: u8::from(saturated),
            ..sample::sensor_tables(1).frames.remove(0)
        });
        let mut samples = vec![Vec::new(); CHANNELS];
        for i in 0..FRAME {
            let time_s = (index + i) as f64 * INTERVAL_S;
            for (channel, samples) in samples.iter_mut().enumerate() {
                let force_n = force_n(self.clock + i, channel);
                let index = (index + i) as u64;
                samples.push(Sample { index, time_s, force_n: f64::from(force_n), saturated });
                self.owned.counts.push((force_n * 1000.0) as i32);
                self.owned.force_n.push(force_n);
            }
            self.owned.device_time_s.push(time_s);
            self.owned.time_s.push((self.clock + i) as f64 * INTERVAL_S);
        }
        self.counter += FRAME;
        self.clock += FRAME;
        for (channel, samples) in samples.iter().enumerate() {
            self.with_stream(channel, |stream, out| stream.push(samples, out));
        }
    }

    fn write(&self, path: &Path) -> Recording {
        let samples = self.owned.time_s.len();
        // A recording is never written over another.
        let _ = std::fs::remove_file(path);
        let mut writer = Writer::create(path, &sample::root()).unwrap();
        writer.add_sensor(&sample::sensor(CHANNELS, samples)).unwrap();
        let all: Samples = self.owned.part(CHANNELS, 0, samples);
        writer.append(1, all).unwrap();
        let sensors = vec![self.tables.clone()];
        let tables = Tables { sensors, events: self.events.clone(), ..Tables::default() };
        writer.finish(&tables).unwrap();
        Recording::open(path).unwrap()
    }

    /// The recording gives what the finders gave.
    fn check(&self, folder: &Path, what: &str) {
        let recording = self.write(&folder.join("recording-1.h5"));
        for (channel, found) in (1..).zip(&self.found) {
            let again = replay(&recording, 1, channel, &|_| ()).unwrap();
            let again: Vec<_> = again.into_iter().map(|placed| (placed.segment, placed.hold)).collect();
            // By their text: an unknown measure is not equal to itself.
            assert_eq!(format!("{again:#?}"), format!("{found:#?}"), "{what}, channel {channel}");
        }
    }
}

/// Pulls of 1.4 s every 3 s, a little noise, the same every time.
fn force_n(clock: usize, channel: usize) -> f32 {
    let phase_s = (clock % 600) as f64 * INTERVAL_S;
    let pull = ((phase_s - 1.0) / 0.2).min((2.4 - phase_s) / 0.2).clamp(0.0, 1.0);
    let noise = (clock * 7919 % 101) as f64 / 101.0 - 0.5;
    ((12.0 + 6.0 * channel as f64) * pull + 0.03 * noise) as f32
}

fn parameters(change: impl FnOnce(&mut Parameters)) -> Box<Parameters> {
    let mut parameters = Parameters::default();
    change(&mut parameters);
    Box::new(parameters)
}

/// Nothing is a hold by these, so that it shows whether they were in force when a pull was judged.
fn only_touches() -> Box<Parameters> {
    parameters(|parameters| parameters.hold_min_n = 1000.0)
}

#[test]
fn parameters_that_came_with_the_end_of_a_segment_are_in_force_before_or_after_it_as_they_came() {
    let folder = tempfile::tempdir().unwrap();
    // The segment ends in the middle of a pull.
    let cut = || vec![Step::Begin, Step::Frames(35)];
    let set = || Step::Set(1, only_touches());
    for (name, then, expected) in [
        ("set, closed", vec![set(), Step::Close, Step::Begin, Step::Frames(20)], "Touch"),
        ("closed, set", vec![Step::Close, set(), Step::Begin, Step::Frames(20)], "Hold"),
        ("set, reset", vec![set(), Step::Begin, Step::Frames(20)], "Touch"),
        ("set, the end", vec![set()], "Touch"),
        ("set, closed, the end", vec![set(), Step::Close], "Touch"),
        ("closed, set, the end", vec![Step::Close, set()], "Hold"),
        ("nothing set", vec![], "Hold"),
    ] {
        let player = Player::play(&[cut(), then].concat());
        let kind = player.found[0].first().map(|(_, hold)| format!("{:?}", hold.kind));
        assert_eq!(kind.as_deref(), Some(expected), "{name}");
        player.check(folder.path(), name);
    }
}

#[test]
fn parameters_set_before_the_first_sample_are_those_the_finder_begins_with() {
    let folder = tempfile::tempdir().unwrap();
    let zero_known = Step::Set(1, parameters(|parameters| parameters.zero_known = true));
    // The first pull is under way when the stream begins.
    let steps = [Step::Lose(215), zero_known, Step::Begin, Step::Frames(150)];
    Player::play(&steps).check(folder.path(), "set before the beginning");
}

/// What is asked for changes that alone: the zero stays known where a tare was taken, so the peak above it is the same.
#[test]
fn other_parameters_change_nothing_but_themselves() {
    let folder = tempfile::tempdir().unwrap();
    let tared = parameters(|parameters| (parameters.zero_known, parameters.test) = (true, Test::Make));
    // A pull is under way when the finder begins: without a known zero its level would be taken for zero.
    let steps = [Step::Lose(215), Step::Tare(1), Step::Set(1, tared), Step::Begin, Step::Frames(150)];
    let recording = Player::play(&steps).write(&folder.path().join("recording-1.h5"));
    let as_it_was = replay(&recording, 1, 1, &|_| ()).unwrap();
    let to_break = replay(&recording, 1, 1, &|parameters| parameters.test = Test::Break).unwrap();
    let zero_lost = replay(&recording, 1, 1, &|parameters| parameters.zero_known = false).unwrap();
    let peaks = |placed: &[Placed]| placed.iter().map(|p| p.hold.peak_zero_n).collect::<Vec<_>>();
    assert!(!as_it_was.is_empty());
    assert_eq!(peaks(&to_break), peaks(&as_it_was));
    assert!(to_break.iter().all(|p| p.parameters.zero_known && p.parameters.test == Test::Break));
    assert_ne!(peaks(&zero_lost), peaks(&as_it_was));
    let stored = in_force(&recording).unwrap();
    assert_eq!(stored.len(), 1);
    assert_eq!((stored[0].from_sample, stored[0].parameters.test), (0, Test::Make));
}

/// Numbers from a seed (SplitMix64, Steele, Lea and Flood 2014).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % limit as u64) as usize
    }

    fn set(&mut self) -> Step {
        let parameters = match self.below(5) {
            0 => only_touches(),
            1 => parameters(|parameters| parameters.zero_known = true),
            2 => Box::new(Parameters::new(Profile::Weak, Test::Break)),
            3 => parameters(|parameters| parameters.end_share = 0.5),
            _ => Box::new(Parameters::new(Profile::Standard, Test::Make)),
        };
        Step::Set(1 + self.below(CHANNELS), parameters)
    }

    /// Steps in which every segment begins with samples, as on the wire.
    fn steps(&mut self) -> Vec<Step> {
        let (mut steps, mut open) = (Vec::new(), false);
        for _ in 0..60 {
            match self.below(12) {
                0..=2 => steps.push(self.set()),
                3 => steps.push(Step::Tare(1 + self.below(CHANNELS))),
                4 => steps.push(Step::Lose(1 + self.below(60))),
                5 => {
                    steps.push(Step::Close);
                    open = false;
                }
                n => {
                    if n == 6 || !open {
                        steps.push(Step::Begin);
                    }
                    steps.push(Step::Frames(1 + self.below(60)));
                    open = true;
                }
            }
        }
        steps
    }
}

#[test]
fn whatever_happens_the_recording_gives_the_same_holds() {
    let folder = tempfile::tempdir().unwrap();
    let mut holds = 0;
    for seed in 0..20 {
        let player = Player::play(&Numbers(seed).steps());
        player.check(folder.path(), &format!("seed {seed}"));
        holds += player.found.iter().map(Vec::len).sum::<usize>();
    }
    assert!(holds > 150, "only {holds} holds were compared");
}
