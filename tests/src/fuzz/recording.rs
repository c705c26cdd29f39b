//! Recordings through the real program: libhdf5 runs in its supervised child, so a crash there is an answer, too.

use super::Draw;
use crate::{fingerforce, run, stderr};
use analysis::recording::write::{Channel, Root, Samples, Sensor, SensorTables, Tables, Writer};
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

/// A whole recording, what `info` tells of it, and where copies may be damaged.
struct Whole {
    bytes: Vec<u8>,
    /// Places that hold something: damage to empty room shows nothing.
    used: Vec<usize>,
    told: Vec<u8>,
    copy: PathBuf,
    _folder: tempfile::TempDir,
}

fn whole() -> &'static Whole {
    static WHOLE: OnceLock<Whole> = OnceLock::new();
    WHOLE.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let copy = folder.path().join("recording-1.h5");
        write(&copy);
        let told = info(&copy);
        assert!(told.status.success(), "{}", stderr(&told));
        let bytes = std::fs::read(&copy).unwrap();
        let used = (0..bytes.len()).filter(|at| bytes[*at] != 0).collect();
        Whole { bytes, used, told: told.stdout, copy, _folder: folder }
    })
}

fn write(path: &Path) {
    const SAMPLES: u16 = 400;
    let channel = Channel {
        zero_counts: 0.0,
        rated_counts: 1e6,
        rated_force_n: 100.0,
        direction: "pull".to_owned(),
        calibration: "nominal".to_owned(),
    };
    let sensor = Sensor {
        serial: "F-1".to_owned(),
        firmware: "fuzzed".to_owned(),
        interval_ns: 1_000_000,
        group_delay_s: 0.0,
        bandwidth_hz: f64::NAN,
        settling_s: f64::NAN,
        channels: vec![channel],
        samples: SAMPLES.into(),
    };
    let time_s: Vec<f64> = (0..SAMPLES).map(|sample| f64::from(sample) * 1e-3).collect();
    let counts: Vec<i32> = (0..i32::from(SAMPLES)).map(|sample| sample * 7919 % 1000).collect();
    let force_n: Vec<f32> = counts.iter().map(|counts| *counts as f32 * 1e-4).collect();
    let mut writer = Writer::create(path, &Root::default()).unwrap();
    let number = writer.add_sensor(&sensor).unwrap();
    let samples = Samples { counts: &counts, force_n: &force_n, device_time_s: &time_s, time_s: &time_s };
    writer.append(number, samples).unwrap();
    writer.finish(&Tables { sensors: vec![SensorTables::default()], ..Tables::default() }).unwrap();
}

fn info(path: &Path) -> std::process::Output {
    run(fingerforce().args(["info", "--verify", "--json"]).arg(path).env("FINGERFORCE_TIME_LIMIT_S", "5"))
}

/// Any damage to a recording: refused as damaged, or what is told of it is the same as before.
pub fn recording(data: &[u8]) {
    let whole = whole();
    let mut bytes = whole.bytes.clone();
    let mut draw = Draw(data);
    while !draw.is_empty() {
        change(&mut bytes, &whole.used, &mut draw);
    }
    std::fs::write(&whole.copy, &bytes).unwrap();
    let output = info(&whole.copy);
    let error = stderr(&output);
    match output.status.code() {
        Some(0) => assert_eq!(output.stdout, whole.told),
        Some(1) => assert!(error.contains("recording-1.h5") && error.contains("\nhint: "), "{error}"),
        other => panic!("ended with {other:?}: {error}"),
    }
}

fn change(bytes: &mut Vec<u8>, used: &[usize], draw: &mut Draw) {
    let kind = draw.byte() % 4;
    let at = used[draw.number(3) as usize % used.len()].min(bytes.len());
    match kind {
        0 => bytes.truncate(at),
        1 => bytes.iter_mut().skip(at).take(1).for_each(|byte| *byte ^= draw.byte()),
        2 => {
            let piece = draw.piece();
            bytes.iter_mut().skip(at).zip(piece).for_each(|(byte, new)| *byte = *new);
        }
        _ => bytes.iter_mut().skip(at).take(usize::from(draw.byte())).for_each(|byte| *byte = 0xff),
    }
}
