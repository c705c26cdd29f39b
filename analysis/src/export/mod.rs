//! Recordings out into other tools: CSV, JSON, FHIR, BIDS and, with the feature `parquet`, Parquet.
//!
//! Comes in: recordings. Goes out: text or files. One [`Document`] a recording holds what there is to export; [`deidentify`]
//! takes out of it what could say who somebody is; [`csv()`], [`to_json`], [`fhir`], [`bids`] and `parquet` write it. Unknown is an
//! empty cell in CSV and null in JSON; times are s, forces N, as in the recording.

pub mod bids;
pub mod deidentify;
pub mod fhir;
#[cfg(feature = "parquet")]
pub mod parquet;
pub mod register;

use crate::documents;
use crate::recording::layout::{Column, GapRow, ObservationRow, Root, Row, SegmentRow, TrialRow, Values};
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise::{self, Effect};
use serde_json::{Map, Value, json};

/// What of a recording is exported.
#[derive(Debug, Clone)]
pub struct Document {
    /// Who and when.
    pub root: Root,
    /// Sensors: serial number, firmware, interval in ns.
    pub sensors: Vec<(String, String, i64)>,
    /// Device epochs of each sensor.
    pub segments: Vec<Vec<SegmentRow>>,
    /// What is missing, of each sensor.
    pub gaps: Vec<Vec<GapRow>>,
    /// Trials.
    pub trials: Vec<TrialRow>,
    /// Observations.
    pub observations: Vec<ObservationRow>,
    /// What was changed after the visit.
    pub corrections: Vec<Effect>,
    /// Digest of the recording.
    pub content_sha256: String,
}

impl Document {
    /// Reads it.
    ///
    /// # Errors
    /// The recording cannot be read.
    pub fn read(recording: &Recording) -> Result<Document, ReadError> {
        let sensors = recording.sensors();
        let numbers = 1..=sensors.len();
        Ok(Document {
            root: recording.root().clone(),
            sensors: sensors.iter().map(|s| (s.serial.clone(), s.firmware.clone(), s.interval_ns)).collect(),
            segments: numbers.clone().map(|k| recording.segments(k)).collect::<Result<_, _>>()?,
            gaps: numbers.map(|k| recording.gaps(k)).collect::<Result<_, _>>()?,
            trials: recording.trials()?,
            observations: recording.observations()?,
            corrections: revise::effects(&recording.events()?),
            content_sha256: recording.content_sha256().to_owned(),
        })
    }

    /// Texts that somebody typed freely.
    pub fn free_texts(&self) -> Vec<&str> {
        let observed = self.observations.iter().map(|row| row.value.as_str());
        let why = self.trials.iter().map(|row| row.why_not.as_str());
        let corrected = self.corrections.iter().map(|effect| effect.correction.why.as_str());
        let fields = self.root.participant_fields.iter().filter(|(name, _)| name != "consent");
        let fields = fields.map(|(_, value)| value.as_str());
        observed.chain(why).chain(corrected).chain(fields).chain(self.root.plan.lines()).collect()
    }

    fn json(&self) -> Value {
        let root = &self.root;
        let fields: Map<String, Value> =
            root.participant_fields.iter().map(|(name, value)| (name.clone(), json!(value))).collect();
        let sensors = self.sensors.iter().zip(self.segments.iter().zip(&self.gaps));
        let sensors = sensors.map(|((serial, firmware, interval_ns), (segments, gaps))| {
            json!({
                "serial": serial, "firmware": firmware, "interval_ns": interval_ns,
                "segments": rows(segments), "gaps": rows(gaps),
            })
        });
        json!({
            "visit_id": root.visit_id, "revision": root.revision, "supersedes": root.supersedes,
            "participant": root.participant, "participant_fields": fields, "examiner": root.examiner,
            "started_utc": root.started_utc, "utc_offset": root.utc_offset, "software": root.software,
            "content_sha256": self.content_sha256, "plan": root.plan,
            "sensors": sensors.collect::<Vec<_>>(), "trials": rows(&self.trials),
            "observations": rows(&self.observations), "corrections": self.corrections,
        })
    }
}

/// Documents as JSON.
///
/// # Errors
/// A number cannot be written.
pub fn to_json(documents: &[Document]) -> serde_json::Result<String> {
    let recordings: Vec<Value> = documents.iter().map(Document::json).collect();
    let document = json!({ "recordings": recordings, "cautions": crate::cautions::CAUTIONS });
    documents::json(documents::EXPORT, &document)
}

/// The rows of a table, each an object.
fn rows<R: Row>(rows: &[R]) -> Vec<Value> {
    let columns = R::columns(rows);
    let row = |index: usize| {
        let cells = columns.iter().map(|column| (column.name.to_owned(), cell(column, index)));
        Value::Object(cells.collect())
    };
    (0..rows.len()).map(row).collect()
}

/// A cell; unknown is null.
fn cell(column: &Column, row: usize) -> Value {
    match &column.values {
        Values::F64(values) => values.get(row).map_or(Value::Null, |value| json!(value)),
        Values::I64(values) => values.get(row).map_or(Value::Null, |value| json!(value)),
        Values::U8(values) => values.get(row).map_or(Value::Null, |value| json!(value)),
        Values::Text(values) => values.get(row).map_or(Value::Null, |value| json!(value)),
    }
}

/// One table of each document as CSV, all under the same header: which recording, whose, when, then its columns.
///
/// # Errors
/// The text cannot be put together.
pub fn csv<R: Row>(documents: &[Document], of: impl Fn(&Document) -> &[R]) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names = R::columns(&[]).into_iter().map(|column| column.name);
    writer.write_record(["recording", "participant", "started_utc"].into_iter().chain(names))?;
    for (number, document) in (1..).zip(documents) {
        let rows = of(document);
        let columns = R::columns(rows);
        for row in 0..rows.len() {
            let root = &document.root;
            let before = [number.to_string(), root.participant.clone(), root.started_utc.clone()];
            let cells = columns.iter().map(|column| text(&cell(column, row)));
            writer.write_record(before.into_iter().chain(cells))?;
        }
    }
    let bytes = writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// A cell of CSV. Text that a spreadsheet would take for a formula begins with an apostrophe.
fn text(value: &Value) -> String {
    match value {
        Value::Null => String::new(),
        Value::String(text) if text.starts_with(['=', '+', '-', '@', '\t', '\r']) => format!("'{text}"),
        Value::String(text) => text.clone(),
        other => other.to_string(),
    }
}
