//! Traces in the manner of BIDS, the Brain Imaging Data Structure: files that its tools read as physiological recordings.
//!
//! Comes in: recordings, each with its [`Document`]. Goes out: files with their paths in a dataset's folder. A sensor's segment is
//! a run: `_physio.tsv.gz` without a head, a column a channel (force, N), a row an interval of the sensor's own clock, with
//! `n/a` where a sample is missing; `_physio.json` says rate, columns and units; `_events.tsv` has the trials (onset and
//! duration, s since the run's first sample), and what their columns are is said once, beside the dataset's description, as the
//! standard's inheritance allows. What is not a letter or digit falls out of codes, as the standard wants it.
//!
//! Source: Brain Imaging Data Structure 1.10, "Physiological recordings" and "Task events"
//! (<https://bids-specification.readthedocs.io>); names are checked by bids-validator in `tests/outside/export_check.py`.

use super::Document;
use crate::console::Advice;
use crate::recording::layout::{CHUNK_SAMPLES, SegmentRow, TrialRow};
use crate::recording::read::{ReadError, Recording};
use flate2::Compression;
use flate2::write::GzEncoder;
use serde_json::{Map, Value, json};
use std::io::{self, Write};
use std::path::PathBuf;

const TASK: &str = "fingerforce";
/// The version of the standard that is followed.
const BIDS_VERSION: &str = "1.10.0";

/// Why a recording cannot be exported.
#[derive(Debug, thiserror::Error)]
pub enum BidsError {
    /// It cannot be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// A file cannot be put together.
    #[error("cannot put a file together")]
    Write(#[from] io::Error),
    /// Two participants would have one label.
    #[error("`{0}` and `{1}` are one label in BIDS, which takes letters and digits only")]
    SameLabel(String, String),
}

impl Advice for BidsError {
    fn hint(&self) -> String {
        match self {
            BidsError::Read(error) => error.hint(),
            BidsError::Write(_) => "this is a fault of the program: please report it".to_owned(),
            BidsError::SameLabel(..) => "export them into folders of their own".to_owned(),
        }
    }
}

/// The files of a dataset.
///
/// # Errors
/// A recording cannot be read, or two participants' codes differ in signs only.
pub fn dataset(
    recordings: &[Recording],
    documents: &[Document],
) -> Result<Vec<(PathBuf, Vec<u8>)>, BidsError> {
    let mut files = Vec::new();
    let mut people: Vec<&str> = Vec::new();
    for (recording, document) in recordings.iter().zip(documents) {
        let code = document.root.participant.as_str();
        if let Some(other) = people.iter().find(|other| **other != code && label(other) == label(code)) {
            return Err(BidsError::SameLabel((*other).to_owned(), code.to_owned()));
        }
        if !people.contains(&code) {
            people.push(code);
        }
        of_recording(recording, document, &mut files)?;
    }
    let description = json!({
        "Name": "finger force", "BIDSVersion": BIDS_VERSION, "DatasetType": "raw",
        "GeneratedBy": [{ "Name": "finger-force", "Version": env!("CARGO_PKG_VERSION") }],
    });
    let participants = people.iter().map(|code| format!("sub-{}\n", label(code)));
    let participants = format!("participant_id\n{}", participants.collect::<String>());
    let readme = "Forces of single fingers, exported from finger-force recordings, which hold more: counts as sent, gaps \
                  with their reasons, every measure of a trial.\n";
    files.push(("dataset_description.json".into(), pretty(&description)));
    files.push((format!("task-{TASK}_events.json").into(), pretty(&columns_of_events())));
    files.push(("participants.tsv".into(), participants.into_bytes()));
    files.push(("README".into(), readme.as_bytes().to_vec()));
    Ok(files)
}

fn pretty(value: &Value) -> Vec<u8> {
    format!("{value:#}\n").into_bytes()
}

/// A code as a label: letters and digits.
fn label(code: &str) -> String {
    let label: String = code.chars().filter(char::is_ascii_alphanumeric).collect();
    if label.is_empty() { "unnamed".to_owned() } else { label }
}

fn of_recording(
    recording: &Recording,
    document: &Document,
    files: &mut Vec<(PathBuf, Vec<u8>)>,
) -> Result<(), BidsError> {
    let root = &document.root;
    let (subject, mut session) = (label(&root.participant), label(&root.started_utc));
    if document.within_minute > 0 {
        session += &format!("x{}", document.within_minute + 1);
    }
    let folder = format!("sub-{subject}/ses-{session}/beh");
    let mut run = 0;
    for (number, segments) in (1..).zip(&document.segments) {
        for (at, segment) in (0..).zip(segments) {
            run += 1;
            let name = format!("{folder}/sub-{subject}_ses-{session}_task-{TASK}_run-{run}");
            let physio = format!("{name}_recording-sensor{number}_physio");
            let (trace, first_s) = trace(recording, number, segment)?;
            let channels = recording.sensors().get(number - 1).map_or(0, |sensor| sensor.channels.len());
            files.push((format!("{physio}.tsv.gz").into(), trace));
            files.push((format!("{physio}.json").into(), pretty(&described(segment, channels))));
            let trials = document.trials.iter().filter(|row| {
                row.segment == at
                    && usize::try_from(row.sensor).ok() == Some(number)
                    && row.onset_s.is_finite()
            });
            files.push((format!("{name}_events.tsv").into(), events(trials, first_s).into_bytes()));
        }
    }
    Ok(())
}

fn described(segment: &SegmentRow, channels: usize) -> Value {
    let names: Vec<String> = (1..=channels).map(|channel| format!("force_{channel}")).collect();
    let mut described: Map<String, Value> = names
        .iter()
        .map(|name| (name.clone(), json!({ "Units": "N", "Description": "force above the last zero" })))
        .collect();
    described.insert("SamplingFrequency".to_owned(), json!(1e9 / segment.interval_ns as f64));
    described.insert("StartTime".to_owned(), json!(0.0));
    described.insert("Columns".to_owned(), json!(names));
    Value::Object(described)
}

/// A segment's forces, each in its interval since the first sample, and the first sample's device time, s.
fn trace(recording: &Recording, number: usize, segment: &SegmentRow) -> Result<(Vec<u8>, f64), BidsError> {
    let mut out = GzEncoder::new(Vec::new(), Compression::default());
    let place = |value: i64| u64::try_from(value).unwrap_or(0);
    let (begin, end) = (place(segment.first_sample), place(segment.first_sample + segment.samples));
    let interval_s = segment.interval_ns as f64 * 1e-9;
    let (mut first_s, mut rows) = (None, 0_u64);
    for start in (begin..end).step_by(CHUNK_SAMPLES) {
        let samples = recording.samples(number, start..end.min(start + CHUNK_SAMPLES as u64))?;
        let forces = samples.force_n.chunks(samples.channels.max(1));
        for (time_s, forces_n) in samples.device_time_s.iter().zip(forces) {
            let since_s = time_s - *first_s.get_or_insert(*time_s);
            let row = libm::round(since_s / interval_s) as u64;
            while rows < row {
                writeln!(out, "{}", vec!["n/a"; samples.channels].join("\t"))?;
                rows += 1;
            }
            let forces: Vec<String> = forces_n.iter().map(f32::to_string).collect();
            writeln!(out, "{}", forces.join("\t"))?;
            rows += 1;
        }
    }
    Ok((out.finish()?, first_s.unwrap_or(0.0)))
}

/// A column of the events, with what it is. What the standard itself defines may be described more closely.
struct Column {
    name: &'static str,
    description: &'static str,
    unit: &'static str,
}

const fn column(name: &'static str, unit: &'static str, description: &'static str) -> Column {
    Column { name, description, unit }
}

const EVENT_COLUMNS: [Column; 7] = [
    column("onset", "s", "model-fitted start of the pull, since the run's first sample"),
    column("duration", "s", "from the onset to the end of the hold; n/a: the end is not known"),
    column("trial_type", "", "muscle (side, digit, direction) and test"),
    column("trial", "", "order in the visit, from 1"),
    column("outcome", "", "how the trial ended"),
    column("valid", "", "whether the trial counts"),
    column(
        "peak_zero_n",
        "N",
        "peak: greatest mean over 20 ms, or over three samples where that is longer, above zero",
    ),
];

/// What the columns of the events are.
fn columns_of_events() -> Value {
    let mut described = Map::new();
    for Column { name, description, unit } in EVENT_COLUMNS {
        let mut of = json!({ "Description": description });
        if !unit.is_empty() {
            of["Units"] = json!(unit);
        }
        if name == "valid" {
            of["Levels"] = json!({ "1": "it counts", "0": "it does not count" });
        }
        described.insert(name.to_owned(), of);
    }
    Value::Object(described)
}

fn events<'a>(trials: impl Iterator<Item = &'a TrialRow>, first_s: f64) -> String {
    let mut text = EVENT_COLUMNS.map(|column| column.name).join("\t") + "\n";
    for row in trials {
        let number = |value: f64| if value.is_finite() { value.to_string() } else { "n/a".to_owned() };
        text += &format!(
            "{}\t{}\t{} {}\t{}\t{}\t{}\t{}\n",
            number(row.onset_s - first_s),
            number(row.end_s - row.onset_s),
            row.muscle,
            row.test,
            row.order,
            row.outcome,
            row.valid,
            number(row.peak_zero_n)
        );
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_column_of_the_events_is_described() {
        let head = events(std::iter::empty(), 0.0);
        let described = columns_of_events();
        for name in head.trim_end().split('\t') {
            let of = &described[name];
            assert!(of["Description"].as_str().is_some_and(|words| words.len() > 10), "{name}: {of}");
        }
        assert_eq!(
            (&described["onset"]["Units"], &described["peak_zero_n"]["Units"]),
            (&json!("s"), &json!("N"))
        );
        assert_eq!(described["valid"]["Levels"].as_object().map(Map::len), Some(2));
    }
}
