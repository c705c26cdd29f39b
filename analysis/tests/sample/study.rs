//! An invented study: twelve participants, two examiners, two visits each, from a seed. Same bits every time.
//!
//! Each participant has a strength a muscle; each visit, examiner and trial adds its own. The forces are smooth pulls
//! sampled at 100 Hz; the program's own finder measures them, as in a real recording.

use super::Owned;
use analysis::holds::{Event, Hold, Parameters, Profile, Sample, Stream};
use analysis::recording::layout::{EventRow, FrameRow, Root, SegmentRow, Sensor, TrialRow};
use analysis::recording::write::{Samples, SensorTables, Tables, Writer};
use analysis::trial::Test;
use std::path::{Path, PathBuf};

const RATE_HZ: f64 = 100.0;
const TRIAL_SAMPLES: usize = 700;
const TRIALS: usize = 3;
pub const PARTICIPANTS: usize = 12;
pub const MUSCLES: [&str; 2] = ["left index abduction", "right index abduction"];

/// Standard deviations of the invented strength, N.
pub const BETWEEN_PEOPLE_N: f64 = 5.0;
pub const BETWEEN_VISITS_N: f64 = 0.8;
pub const BETWEEN_TRIALS_N: f64 = 0.7;

/// Numbers from a seed (SplitMix64, Steele, Lea & Flood 2014).
pub struct Numbers(pub u64);

impl Numbers {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Standard normal (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let (a, b) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * libm::log(a)).sqrt() * libm::cos(2.0 * std::f64::consts::PI * b)
    }
}

/// One visit of the study.
pub struct Planned {
    pub participant: usize,
    pub examiner: &'static str,
    /// From 1.
    pub visit: usize,
    /// Factor on the strength: 1 where nothing changed.
    pub factor: f64,
    pub condition: &'static str,
    /// The plan's text.
    pub plan: &'static str,
}

/// Writes all visits to a folder and gives the files, participant by participant: examiner E1 visits 1 and 2, then E2.
pub fn write(folder: &Path, seed: u64) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for participant in 1..=PARTICIPANTS {
        for examiner in ["E1", "E2"] {
            for visit in [1, 2] {
                let planned =
                    Planned { participant, examiner, visit, factor: 1.0, condition: "invented", plan: "" };
                files.push(write_visit(
                    folder,
                    seed,
                    &planned,
                    &Parameters::new(Profile::Standard, Test::Make),
                ));
            }
        }
    }
    files
}

/// Writes one visit and gives its file.
pub fn write_visit(folder: &Path, seed: u64, planned: &Planned, parameters: &Parameters) -> PathBuf {
    write_visit_off(folder, seed, planned, parameters, 0.0)
}

/// The same with peaks in its rows that are so many newtons more than measuring its samples gives, as another version may
/// have found them.
pub fn write_visit_off(
    folder: &Path,
    seed: u64,
    planned: &Planned,
    parameters: &Parameters,
    off_n: f64,
) -> PathBuf {
    let path =
        folder.join(format!("P{:02}-{}-visit-{}.h5", planned.participant, planned.examiner, planned.visit));
    let (owned, holds) = measured(&peaks_n(seed, planned), parameters);
    let samples = owned.time_s.len();
    let mut writer = Writer::create(&path, &root(planned)).unwrap();
    writer.add_sensor(&Sensor { interval_ns: 10_000_000, ..super::sensor(1, samples) }).unwrap();
    let all = Samples {
        counts: &owned.counts,
        force_n: &owned.force_n,
        device_time_s: &owned.device_time_s,
        time_s: &owned.time_s,
    };
    writer.append(1, all).unwrap();
    let mut tables = tables(samples, &holds, parameters);
    tables.trials.iter_mut().for_each(|row| row.peak_zero_n += off_n);
    writer.finish(&tables).unwrap();
    path
}

fn root(planned: &Planned) -> Root {
    // The second examiner comes an hour later, the second visit a week.
    let (hour, day) = (if planned.examiner == "E1" { 9 } else { 10 }, 2 + 7 * (planned.visit - 1));
    Root {
        visit_id: format!(
            "{:02}{:02}{:04}-0000-4000-8000-000000000000",
            planned.participant, planned.visit, hour
        ),
        participant: format!("P{:02}", planned.participant),
        examiner: planned.examiner.to_owned(),
        started_utc: format!("2026-03-{day:02}T{hour:02}:00:00Z"),
        software: "fingerforced 0.1.0".to_owned(),
        participant_fields: vec![("condition".to_owned(), planned.condition.to_owned())],
        plan: planned.plan.to_owned(),
        ..super::root()
    }
}

/// The peaks that are played, N: a muscle after the other. Each depends on the seed and on who and when it is, so that a
/// visit does not depend on which others are written.
fn peaks_n(seed: u64, planned: &Planned) -> Vec<f64> {
    let person = seed.wrapping_mul(1_000_003).wrapping_add(planned.participant as u64);
    let mut people = Numbers(person);
    let sitting = planned.visit as u64 * 2 + u64::from(planned.examiner == "E2");
    let mut own = Numbers(person.wrapping_mul(65_537).wrapping_add(sitting));
    let shift_n = if planned.examiner == "E2" { 0.4 } else { 0.0 };
    let mut peaks = Vec::new();
    for _ in MUSCLES {
        let strength_n = 22.0 + BETWEEN_PEOPLE_N * people.normal();
        let visit_n = strength_n * planned.factor + shift_n + BETWEEN_VISITS_N * own.normal();
        peaks.extend((0..TRIALS).map(|_| (visit_n + BETWEEN_TRIALS_N * own.normal()).max(4.0)));
    }
    peaks
}

fn step(at: f64) -> f64 {
    let at = at.clamp(0.0, 1.0);
    at * at * (3.0 - 2.0 * at)
}

/// The samples of these pulls, and the holds that the finder finds in them.
fn measured(peaks_n: &[f64], parameters: &Parameters) -> (Owned, Vec<Hold>) {
    let mut owned = Owned::default();
    let (mut stream, mut events) = (Stream::new(parameters.clone()), Vec::new());
    stream.begin(1.0 / RATE_HZ, &mut events);
    let mut noise = Numbers(7);
    for index in 0..peaks_n.len() * TRIAL_SAMPLES {
        let (time_s, within_s) = (index as f64 / RATE_HZ, (index % TRIAL_SAMPLES) as f64 / RATE_HZ);
        let shape = step((within_s - 1.5) / 0.6) - step((within_s - 4.6) / 0.4);
        let counts =
            libm::round((peaks_n[index / TRIAL_SAMPLES] * shape + 0.02 * noise.normal()) * 40_000.0) as i32;
        let force_n = (f64::from(counts) / 40_000.0) as f32;
        owned.counts.push(counts + 8000);
        owned.force_n.push(force_n);
        owned.device_time_s.push(time_s);
        owned.time_s.push(time_s + 2.5);
        let sample = Sample { index: index as u64, time_s, force_n: f64::from(force_n), saturated: false };
        stream.push(&[sample], &mut events);
    }
    stream.end(&mut events);
    let holds = events.into_iter().filter_map(|event| match event {
        Event::Ended(hold) => Some(*hold),
        _ => None,
    });
    (owned, holds.collect())
}

fn tables(samples: usize, holds: &[Hold], parameters: &Parameters) -> Tables {
    assert_eq!(holds.len(), MUSCLES.len() * TRIALS, "every invented pull is one hold");
    let setting =
        serde_json::json!({"setting": "finder", "sensor": 1, "channel": 1, "parameters": parameters});
    let event = EventRow {
        monotonic_ns: 0,
        sensor: 1,
        sample: 0,
        kind: "parameters".to_owned(),
        detail: setting.to_string(),
    };
    let base = super::sensor_tables(samples);
    let segment = SegmentRow { interval_ns: 10_000_000, ..base.segments[0].clone() };
    let frames: Vec<FrameRow> = base
        .frames
        .iter()
        .map(|frame| {
            let left = samples as i64 - frame.first_sample;
            FrameRow { samples: left.min(20), device_time_us: frame.first_sample * 10_000, ..frame.clone() }
        })
        .collect();
    Tables {
        sensors: vec![SensorTables { frames, segments: vec![segment], ..base }],
        trials: (0..).zip(holds).map(|(at, hold)| row(at, hold)).collect(),
        events: vec![event],
        ..Tables::default()
    }
}

fn row(at: usize, hold: &Hold) -> TrialRow {
    let muscle = MUSCLES[at / TRIALS];
    let number = (at % TRIALS) as i64 + 1;
    let text = str::to_owned;
    TrialRow {
        item: (at / TRIALS) as i64 + 1,
        muscle: text(muscle),
        side: text(muscle.split(' ').next().unwrap_or_default()),
        test: text("make"),
        outcome: text("released"),
        number,
        attempt: number,
        order: at as i64 + 1,
        sensor: 1,
        channel: 1,
        segment: 0,
        first_sample: hold.first_index as i64,
        last_sample: hold.last_index as i64,
        arrangement: text("single"),
        reaction: text("examiner"),
        coupling: text("pad"),
        position: text("neutral"),
        lever_mm: 30.0,
        moment_n_cm: hold.peak_zero_n * 3.0,
        tare: 0,
        valid: 1,
        ..TrialRow::of_hold(Some(hold))
    }
}
