//! Recordings out into other tools: CSV, JSON, FHIR, BIDS and, with the feature `parquet`, Parquet.
//!
//! Comes in: recordings. Goes out: text or files. One [`Document`] a recording holds what there is to export; [`deidentify`]
//! takes out of it what could say who somebody is; [`csv()`], [`to_json`], [`fhir`], [`bids`] and `parquet` write it. Unknown is an
//! empty cell in CSV and null in JSON; times are s, forces N, as in the recording.

pub mod bids;
pub mod deidentify;
pub mod fhir;
pub mod made;
#[cfg(feature = "parquet")]
pub mod parquet;
pub mod register;

use crate::documents;
use crate::recording::layout::{Column, GapRow, ObservationRow, Root, Row, SegmentRow, TrialRow, Values};
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise::{self, Effect};
use crate::study::procedure::{OfVisit, Procedure};
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
    /// The procedure's error of each item, where repeats of the site's own were given.
    pub procedure: OfVisit,
    /// Digest of the recording.
    pub content_sha256: String,
    /// How many before it have the same participant and time: see [`tell_apart`].
    pub within_minute: usize,
}

/// A table of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Table {
    /// A row a trial, with the procedure's error beside the instrument's.
    Trials,
    /// A row an observation.
    Observations,
}

impl Table {
    /// Its columns of a document, in order.
    pub fn columns(self, of: &Document) -> Vec<Column> {
        match self {
            Table::Trials => with_procedure(&of.trials, &of.procedure),
            Table::Observations => ObservationRow::columns(&of.observations),
        }
    }

    /// Its columns without rows.
    fn empty(self) -> Vec<Column> {
        match self {
            Table::Trials => with_procedure(&[], &OfVisit::default()),
            Table::Observations => ObservationRow::columns(&[]),
        }
    }
}

/// The columns of trials, and after them the procedure's error of each one's item.
fn with_procedure(rows: &[TrialRow], procedure: &OfVisit) -> Vec<Column> {
    let of = |row: &TrialRow| procedure.get(row.item);
    let number = |name, units, long_name, value: fn(&Procedure) -> Option<f64>| Column {
        name,
        units,
        long_name,
        values: Values::F64(rows.iter().map(|row| of(row).and_then(value).unwrap_or(f64::NAN)).collect()),
    };
    let source = |row: &TrialRow| of(row).map_or_else(String::new, |of| of.words().to_string());
    let mut all = TrialRow::columns(rows);
    all.extend([
        number("procedure_sem_n", "N", PROCEDURE_SEM, |of| of.sem_n),
        number(
            "procedure_sem_percent",
            "%",
            "the same as a share of it, where errors grow with the force",
            |of| of.sem_percent,
        ),
        number("procedure_trial_sem_n", "N", PROCEDURE_TRIAL_SEM, |of| of.trial_sem_n),
        Column {
            name: "procedure_sem_source",
            units: "",
            long_name: "where that comes from, or why there is none",
            values: Values::Text(rows.iter().map(source).collect()),
        },
    ]);
    all
}

const PROCEDURE_SEM: &str = "procedure's standard error of measurement of the item's result, from the site's own repeats: \
                             nothing of it is the instrument's";
const PROCEDURE_TRIAL_SEM: &str =
    "procedure's standard error of measurement of a single trial's peak, from the same";

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
            procedure: OfVisit::default(),
            content_sha256: recording.content_sha256().to_owned(),
            within_minute: 0,
        })
    }

    /// Texts that somebody typed freely.
    pub fn free_texts(&self) -> Vec<&str> {
        let observed =
            self.observations.iter().flat_map(|row| [&row.kind, &row.value, &row.scale]).map(String::as_str);
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
        let procedure = self.procedure.all().map(|(item, of)| {
            json!({
                "item": item, "sem_n": of.sem_n, "sem_percent": of.sem_percent, "trial_sem_n": of.trial_sem_n,
                "source": of.source, "cannot_say": of.cannot_say,
            })
        });
        json!({
            "procedure": procedure.collect::<Vec<_>>(), "visit_id": root.visit_id, "revision": root.revision, "supersedes": root.supersedes,
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

/// Two of the documents that are of one visit. Counted twice, its trials would be taken for repeats that nobody made.
pub fn given_twice(documents: &[Document]) -> Option<(usize, usize)> {
    let same = |a: &Root, b: &Root| !a.visit_id.is_empty() && a.visit_id == b.visit_id;
    documents.iter().enumerate().find_map(|(at, of)| {
        let earlier = documents[..at].iter().position(|other| same(&other.root, &of.root))?;
        Some((earlier, at))
    })
}

/// Numbers those that nothing else tells apart once they are de-identified: a participant's visits begun within a minute.
pub fn tell_apart(documents: &mut [Document]) {
    for at in 1..documents.len() {
        let (before, rest) = documents.split_at_mut(at);
        let Some(of) = rest.first_mut() else { return };
        let same = |other: &&Document| {
            (&other.root.participant, &other.root.started_utc) == (&of.root.participant, &of.root.started_utc)
        };
        of.within_minute = before.iter().filter(same).count();
    }
}

/// One table of each document as CSV, all under the same header: which recording, whose, by whom, of which visit, when,
/// then its columns.
///
/// # Errors
/// The text cannot be put together.
pub fn csv(documents: &[Document], table: Table) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let names = table.empty().into_iter().map(|column| column.name);
    let of_recording = ["recording", "participant", "examiner", "visit_id", "revision", "started_utc"];
    writer.write_record(of_recording.into_iter().chain(names))?;
    for (number, document) in (1..).zip(documents) {
        let columns = table.columns(document);
        for row in 0..columns.first().map_or(0, Column::len) {
            let root = &document.root;
            let before = [
                number.to_string(),
                root.participant.clone(),
                root.examiner.clone(),
                root.visit_id.clone(),
                root.revision.to_string(),
                root.started_utc.clone(),
            ];
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
