//! Files in formats that are kept in `fixtures/recordings`: today's readers open them and find in them what h5py found when
//! they were written.
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::layout::{Row, Values};
use analysis::recording::read::Recording;
use daemon::journal::{Reader, Record, SystemDisk};
use daemon::seal::seal;
use serde_json::{Value, json};
use std::path::PathBuf;
use tests::fixtures;

fn folder() -> PathBuf {
    fixtures().join("recordings/layout-1")
}

fn expected() -> Value {
    serde_json::from_slice(&std::fs::read(folder().join("expected.json")).unwrap()).unwrap()
}

/// Every column that was written is read, with its values (the JSON's digits are good to a part in 10¹⁵).
fn holds<R: Row>(rows: &[R], expected: &Value, table: &str) {
    let columns = R::columns(rows);
    let told = expected[table].as_object().unwrap();
    assert!(!told.is_empty(), "{table}");
    for (name, values) in told {
        let column = columns.iter().find(|column| column.name == name);
        let column = column.unwrap_or_else(|| panic!("{table}/{name} is read no more"));
        let ours: Vec<Value> = match &column.values {
            Values::F64(values) => values.iter().map(|value| json!(value)).collect(),
            Values::I64(values) => values.iter().map(|value| json!(value)).collect(),
            Values::U8(values) => values.iter().map(|value| json!(value)).collect(),
            Values::Text(values) => values.iter().map(|value| json!(value)).collect(),
        };
        let theirs = values.as_array().unwrap();
        assert_eq!(ours.len(), theirs.len(), "{table}/{name}");
        for (ours, theirs) in ours.iter().zip(theirs) {
            let same = match (ours.as_f64(), theirs.as_f64()) {
                (Some(ours), Some(theirs)) => (ours - theirs).abs() <= 1e-15 * theirs.abs(),
                _ => ours == theirs,
            };
            assert!(same, "{table}/{name}: {ours}, written {theirs}");
        }
    }
}

fn sensor_holds(recording: &Recording, expected: &Value) {
    holds(&recording.segments(1).unwrap(), expected, "segments");
    holds(&recording.gaps(1).unwrap(), expected, "gaps");
    holds(&recording.tares(1).unwrap(), expected, "tares");
    assert_eq!(json!(recording.frames(1).unwrap().len()), expected["frames"]);
    let told = &expected["samples"];
    let samples = recording.samples(1, 0..told["samples"].as_u64().unwrap()).unwrap();
    assert_eq!(recording.sensors()[0].samples, samples.len() as u64);
    let near = |ours: f64, name: &str| {
        let theirs = told[name].as_f64().unwrap();
        assert!((ours - theirs).abs() <= 1e-12 * theirs.abs(), "{name}: {ours}, written {theirs}");
    };
    let counts: i64 = samples.counts.iter().map(|counts| i64::from(*counts)).sum();
    assert_eq!(json!(counts), told["counts_sum"]);
    near(samples.channel_force_n(1).sum(), "force_n_sum");
    near(samples.device_time_s.iter().sum(), "device_time_s_sum");
    near(samples.time_s.iter().sum(), "time_s_sum");
}

#[test]
fn a_recording_of_layout_1_is_opened_and_gives_its_numbers() {
    let expected = expected();
    assert_eq!(expected["layout_version"], 1);
    let recording = Recording::open(&folder().join("recording-2.h5")).unwrap();
    recording.verify().unwrap();
    let (root, told) = (recording.root(), &expected["root"]);
    assert_eq!(json!(recording.content_sha256()), told["content_sha256"]);
    for (ours, name) in [
        (&root.visit_id, "visit_id"),
        (&root.participant, "participant"),
        (&root.examiner, "examiner"),
        (&root.started_utc, "started_utc"),
        (&root.utc_offset, "utc_offset"),
        (&root.software, "software"),
        (&root.supersedes, "supersedes"),
        (&root.journal_sha256, "journal_sha256"),
    ] {
        assert_eq!(&json!(ours), &told[name], "{name}");
    }
    for (name, value) in &root.participant_fields {
        assert_eq!(&json!(value), &expected["participant"][name], "{name}");
    }
    assert_eq!(root.participant_fields.len(), expected["participant"].as_object().unwrap().len());
    holds(&recording.trials().unwrap(), &expected, "trials");
    holds(&recording.observations().unwrap(), &expected, "observations");
    holds(&recording.events().unwrap(), &expected, "events");
    sensor_holds(&recording, &expected);
}

#[test]
fn a_journal_of_format_1_is_read_and_sealed_to_the_same_samples() {
    let place = tempfile::tempdir().unwrap();
    std::fs::copy(folder().join("journal-000"), place.path().join("journal-000")).unwrap();
    let disk = SystemDisk::shared();
    let records: Vec<Record> =
        Reader::open(disk.clone(), place.path()).unwrap().map(|stamped| stamped.unwrap().record).collect();
    assert!(matches!(records.first(), Some(Record::Begun(_))));
    assert!(matches!(records.last(), Some(Record::Finished(reason)) if reason == "plan finished"));
    let sealed = seal(&disk, place.path()).unwrap();
    assert!(sealed.damage.is_empty(), "{:?}", sealed.damage);
    assert_eq!((sealed.missing_samples, sealed.unknown_gaps), (5, 0));
    let (recording, expected) = (Recording::open(&sealed.recording).unwrap(), expected());
    assert_eq!(json!(recording.root().journal_sha256), expected["root"]["journal_sha256"]);
    sensor_holds(&recording, &expected);
}
