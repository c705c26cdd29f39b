//! A recording that is made up: two sensors, twelve make efforts of two fingers on both sides. Same bits every time.
#![allow(dead_code, reason = "each of its users takes a part")]
#![allow(clippy::unwrap_used, reason = "used by tests, and by what is tried by hand")]

pub mod documents;
pub mod study;

use analysis::recording::layout::{
    EventRow, FrameRow, GapRow, ObservationRow, SegmentRow, TareRow, TrialRow,
};
use analysis::recording::write::{
    Channel, Finished, Root, Samples, Sensor, SensorTables, Tables, WriteError, Writer,
};
use std::path::Path;

pub const RATE_HZ: f64 = 1000.0;
const EFFORT_SAMPLES: usize = 4000;
pub const EFFORTS: usize = 12;
pub const SAMPLES: usize = EFFORT_SAMPLES * EFFORTS;

pub fn root() -> Root {
    Root {
        visit_id: "7a1d7e5c-3f0e-4b53-9d8e-0c1a5e2f9b11".to_owned(),
        revision: 1,
        participant: "P-014".to_owned(),
        examiner: "E-2".to_owned(),
        started_utc: "2026-03-04T09:15:00Z".to_owned(),
        utc_offset: "+01:00".to_owned(),
        software: "fingerforced 0.1.0".to_owned(),
        journal_sha256: "00".repeat(32),
        participant_fields: vec![
            ("age_years".to_owned(), "41".to_owned()),
            ("condition".to_owned(), "ulnar neuropathy – left".to_owned()),
        ],
        plan: "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n".to_owned(),
        ..Root::default()
    }
}

pub fn sensor(channels: usize, samples: usize) -> Sensor {
    let channel = Channel {
        zero_counts: 8000.0,
        rated_counts: 4_000_000.0,
        rated_force_n: 100.0,
        direction: "pull".to_owned(),
        calibration: "nominal".to_owned(),
    };
    Sensor {
        serial: "SIM-0001".to_owned(),
        firmware: "board 1.0".to_owned(),
        interval_ns: (1e9 / RATE_HZ) as i64,
        group_delay_s: 0.0005,
        bandwidth_hz: 260.0,
        settling_s: f64::NAN,
        channels: vec![channel; channels],
        samples: samples as u64,
    }
}

/// Samples in the form they are kept in.
#[derive(Default)]
pub struct Owned {
    pub counts: Vec<i32>,
    pub force_n: Vec<f32>,
    pub device_time_s: Vec<f64>,
    pub time_s: Vec<f64>,
}

impl Owned {
    pub fn part(&self, channels: usize, from: usize, to: usize) -> Samples<'_> {
        Samples {
            counts: &self.counts[from * channels..to * channels],
            force_n: &self.force_n[from * channels..to * channels],
            device_time_s: &self.device_time_s[from..to],
            time_s: &self.time_s[from..to],
        }
    }
}

/// Efforts of 2 s that rise and fall in half a second, each a little different, with noise.
pub fn samples(channels: usize, samples: usize) -> Owned {
    let mut owned = Owned::default();
    let mut state = 1_u64;
    for index in 0..samples {
        let time_s = index as f64 / RATE_HZ;
        for channel in 0..channels {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise_n = ((state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5) * 0.1;
            let effort = (index / EFFORT_SAMPLES) as f64;
            let within_s = (index % EFFORT_SAMPLES) as f64 / RATE_HZ;
            let ramp = ((within_s - 0.9) / 0.5).min((3.1 - within_s) / 0.5).clamp(0.0, 1.0);
            let force_n = (18.0 + libm::sin(effort * 1.7) * 2.0) * ramp / (1.0 + channel as f64) + noise_n;
            let counts = libm::round(force_n * 40_000.0) as i32;
            owned.counts.push(counts + 8000);
            owned.force_n.push((f64::from(counts) / 40_000.0) as f32);
        }
        owned.device_time_s.push(time_s);
        owned.time_s.push(2.5 + time_s * 1.000_02);
    }
    owned
}

fn text(text: &str) -> String {
    text.to_owned()
}

pub fn sensor_tables(samples: usize) -> SensorTables {
    let frame = |first: usize| FrameRow {
        segment: 0,
        sequence: (first / 20) as i64,
        counter: first as i64,
        first_sample: first as i64,
        samples: 20,
        device_time_us: first as i64 * 1000,
        arrival_ns: first as i64 * 1_000_020 + 2_500_000_000,
        status: 0,
    };
    let segment = SegmentRow {
        first_sample: 0,
        samples: samples as i64,
        first_counter: 0,
        device_start_us: 1_000_000,
        boot_id: 77,
        interval_ns: 1_000_000,
        interval_measured_ns: f64::NAN,
        reason: text("start"),
        start_s: 2.5,
        rate: 1.000_02,
        bound_s: 0.001,
        utc_ns: 1_772_615_702_500_000_000,
        monotonic_ns: 5_000_000_000,
        boottime_ns: 5_000_000_000,
        host_boot_id: text("c0ffee00-0000-4000-8000-000000000000"),
    };
    let tare = TareRow {
        channel: 1,
        first_sample: 0,
        samples: 500,
        from_sample: 500,
        zero_counts: 8000.0,
        sd_n: 0.03,
        slope_n_per_s: 0.0,
        orientation: text("as used"),
    };
    SensorTables {
        frames: (0..samples).step_by(20).map(frame).collect(),
        segments: vec![segment],
        gaps: Vec::<GapRow>::new(),
        tares: vec![tare],
    }
}

/// Peak above zero: the highest mean of 21 samples (20 ms) centred on a sample of the hold.
fn peak(force_n: &[f64], first: usize, last: usize) -> (f64, usize) {
    let mean = |at: usize| force_n[at - 10..=at + 10].iter().sum::<f64>() / 21.0;
    let best = (first..=last).max_by(|a, b| mean(*a).total_cmp(&mean(*b))).unwrap();
    (mean(best), best)
}

fn best_second(force_n: &[f64]) -> f64 {
    let length = RATE_HZ as usize;
    force_n.windows(length).map(|part| part.iter().sum::<f64>() / length as f64).fold(f64::MIN, f64::max)
}

/// A trial of the first channel's effort, measured from what is stored.
fn trial(effort: usize, owned: &Owned, channels: usize) -> TrialRow {
    let force_n: Vec<f64> = owned.force_n.iter().step_by(channels).map(|force| f64::from(*force)).collect();
    let (first, last) = (effort * EFFORT_SAMPLES + 900, effort * EFFORT_SAMPLES + 3100);
    let (peak_zero_n, at) = peak(&force_n, first, last);
    let rest_n = force_n[first - 600..first].iter().sum::<f64>() / 600.0;
    let (side, digit) = (["left", "right"][effort / 3 % 2], ["index", "little"][effort / 6]);
    TrialRow {
        item: (effort / 3) as i64 + 1,
        muscle: format!("{side} {digit} abduction"),
        side: text(side),
        test: text("make"),
        outcome: text("released"),
        number: (effort % 3) as i64 + 1,
        order: effort as i64 + 1,
        attempt: (effort % 3) as i64 + 1,
        kind: text("hold"),
        segment: 0,
        first_sample: first as i64,
        last_sample: last as i64,
        onset_s: owned.device_time_s[first],
        end_s: owned.device_time_s[last],
        peak_s: owned.device_time_s[at],
        rest_n,
        contact_n: 0.0,
        peak_n: peak_zero_n - rest_n,
        peak_zero_n,
        mean_n: best_second(&force_n[first..=last]) - rest_n,
        valid: 1,
        ..empty_trial()
    }
}

/// A trial of which nothing is known.
pub fn empty_trial() -> TrialRow {
    use analysis::recording::layout::{Row, Values};
    let columns = TrialRow::columns(&[]);
    let unknown = |name: &str, _| {
        let column = columns.iter().find(|column| column.name == name)?;
        Some(match column.values {
            Values::F64(_) => Values::F64(vec![f64::NAN]),
            Values::I64(_) => Values::I64(vec![if name == "sensor" || name == "channel" { 1 } else { -1 }]),
            Values::U8(_) => Values::U8(vec![0]),
            Values::Text(_) => Values::Text(vec![String::new()]),
        })
    };
    TrialRow::rows(unknown).unwrap().remove(0)
}

pub fn tables(owned: &Owned, channels: usize) -> Tables {
    let observation = ObservationRow {
        item: 1,
        kind: text("pain"),
        value: text("2"),
        scale: text("0 to 10"),
        entered_utc: text("2026-03-04T09:17:30Z"),
        by: text("E-2"),
    };
    let event = EventRow {
        monotonic_ns: 5_000_000_000,
        sensor: 1,
        sample: 0,
        kind: text("started"),
        detail: text("{\"note\":\"µ\"}"),
    };
    Tables {
        sensors: vec![sensor_tables(SAMPLES), SensorTables::default()],
        trials: (0..EFFORTS).map(|effort| trial(effort, owned, channels)).collect(),
        observations: vec![observation],
        events: vec![event],
    }
}

/// Writes the recording in pieces of `step` samples.
pub fn write(path: &Path, step: usize) -> Result<Finished, WriteError> {
    written(path, &root(), step)
}

/// Writes it as another visit's or revision's.
pub fn write_as(path: &Path, root: &Root) -> Result<Finished, WriteError> {
    written(path, root, SAMPLES)
}

fn written(path: &Path, root: &Root, step: usize) -> Result<Finished, WriteError> {
    let channels = 2;
    let owned = samples(channels, SAMPLES);
    let mut writer = Writer::create(path, root)?;
    let first = writer.add_sensor(&sensor(channels, SAMPLES))?;
    writer.add_sensor(&sensor(1, 0))?;
    for from in (0..SAMPLES).step_by(step) {
        writer.append(first, owned.part(channels, from, SAMPLES.min(from + step)))?;
    }
    writer.finish(&tables(&owned, channels))
}

/// Writes a recording in which every table is empty.
pub fn write_empty(path: &Path) -> Result<Finished, WriteError> {
    let mut writer = Writer::create(path, &Root::default())?;
    writer.add_sensor(&sensor(1, 0))?;
    writer.finish(&Tables { sensors: vec![SensorTables::default()], ..Tables::default() })
}
