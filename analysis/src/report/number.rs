//! Printed numbers: their ids, and what each leads back to.
//!
//! Comes in: a recording and an id. Goes out: the number with its unit, formula, trials, samples, sensor, calibration and
//! zero.
//!
//! An id is `item-2.cv_percent` (what the trials of item 2 of the plan come to), `trial-7.peak_zero_n` (a measure of the
//! seventh trial of the visit) or `sides-1.percent` (the first difference of sides), and may begin with the first eight
//! characters of the visit's id and a colon; `visit-1.trials_used` is a number of the whole visit, `sensor-1.missing` of a sensor's recording. `change-1.change_n` is the
//! first change at a later visit: it is a number of all recordings that were compared, and of what their changes were held
//! against; so are `comparison-1.judged`, of all of them together, and `trend-1.slope_n_per_day`, of an item over the visits.
//! `reliability-1.sem` is of the first analysis of the reliability data, and leads back to the visits behind it.
//! `study-1.trials` is a number of the paragraph and the checklist for the paper, of all recordings together.
mod reliability;
mod together;

pub use together::rests_on_limits;

use super::chart;
use crate::console::Advice;
use crate::measures::repeats::{self, Item};
use crate::recording::layout::{Row, TrialRow, Values};
use crate::recording::plan;
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise;
use crate::sensor::instrument::Uncertainty;
use crate::study::comparison::{self, Incomparable, Rules};
use crate::study::procedure::{self, OfVisit};
use crate::study::sides::{self, FORMULA, SideDifference, sides};
use crate::study::visit::Visit;
use serde::Serialize;

/// Where a trial's force comes from.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Origin {
    /// First characters of its visit's id.
    pub visit: String,
    /// Order in the visit, from 1.
    pub trial: i64,
    /// Path of its samples in the recording.
    pub samples: String,
    /// First sample of the hold; −1 where there is none.
    pub first_sample: i64,
    /// Last sample, included.
    pub last_sample: i64,
    /// Channel, from 1.
    pub channel: i64,
    /// Sensor's serial number.
    pub sensor: String,
    /// Where its factors come from.
    pub calibration: String,
    /// Row of the zero in force; −1 none.
    pub tare: i64,
    /// Peak above zero, N.
    pub peak_zero_n: Option<f64>,
}

/// A printed number and all that it rests on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Number {
    /// Its id, with the visit.
    pub id: String,
    /// The value; `None`: not known.
    pub value: Option<f64>,
    /// Its unit; `1` for a number without one.
    pub unit: String,
    /// How it is made.
    pub formula: String,
    /// Version that measured the holds, or made the analysis.
    pub software: String,
    /// The recordings that it rests on.
    pub files: Vec<String>,
    /// The trials it is made of.
    pub origins: Vec<Origin>,
}

/// Why an id leads nowhere.
#[derive(Debug, thiserror::Error)]
pub enum NumberError {
    /// The recording could not be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// No number has this id.
    #[error("no number `{0}` in what was given")]
    Unknown(String),
    /// No number of this kind has this field.
    #[error("no number `{id}`: {kind}-N has no field `{field}`")]
    UnknownField {
        /// The id.
        id: String,
        /// What it is a number of.
        kind: String,
        /// The field.
        field: String,
        /// The fields that there are.
        known: Vec<String>,
    },
    /// A number of which of several visits?
    #[error("`{id}` may be of each of {} visits: {}", marks.len(), told(marks))]
    OfWhichVisit {
        /// The id.
        id: String,
        /// Marks of the visits.
        marks: Vec<String>,
    },
    /// A change at which of several later visits?
    #[error("`{0}` is a change at each of several later visits")]
    WhichVisit(String),
    /// The recordings cannot be compared.
    #[error(transparent)]
    Incomparable(#[from] Incomparable),
    /// A number of the reliability data, which were not given.
    #[error("`{0}` is a number of reliability data, and none are given")]
    NoData(String),
    /// The id names another visit.
    #[error("`{id}` is a number of visit {named}…; what was given is of visit {here}")]
    OtherVisit {
        /// The id.
        id: String,
        /// The visit that it names.
        named: String,
        /// The recording's visit, or the recordings'.
        here: String,
    },
}

/// Most marks of visits that are told.
const MARKS_TOLD: usize = 4;

/// The first marks of visits.
fn told(marks: &[String]) -> String {
    let more = if marks.len() > MARKS_TOLD { ", …" } else { "" };
    marks.iter().take(MARKS_TOLD).map(String::as_str).collect::<Vec<_>>().join(", ") + more
}

impl Advice for NumberError {
    fn hint(&self) -> String {
        match self {
            NumberError::Read(error) => error.hint(),
            NumberError::Unknown(_) => {
                "ids are item-N.FIELD, trial-N.FIELD, sides-N.FIELD and visit-1.FIELD, as in item-1.mean_of_peaks_n, change-N.FIELD, \
                 comparison-1.FIELD and trend-N.FIELD of two visits or more, reliability-N.FIELD and study-1.FIELD; of several \
                 recordings with the visit's mark before it; the report shows them"
                    .to_owned()
            }
            NumberError::UnknownField { kind, known, .. } => {
                format!("{kind}-N.FIELD is one of: {}", known.join(", "))
            }
            NumberError::OfWhichVisit { id, marks } => {
                let each: Vec<String> = marks.iter().take(MARKS_TOLD).map(|mark| format!("{mark}:{id}")).collect();
                format!("put the visit's mark and a colon before it: {}", each.join(" or "))
            }
            NumberError::Incomparable(_) => "give the recordings that the report compared".to_owned(),
            NumberError::WhichVisit(_) => {
                "put the mark of the later visit, the first eight characters of its id, and a colon before it".to_owned()
            }
            NumberError::NoData(_) => "give --reliability FILE.json, and the recordings that it was made of".to_owned(),
            NumberError::OtherVisit { .. } => "give the recording of that visit".to_owned(),
        }
    }
}

/// First characters of a visit's id, which stand before its numbers' ids.
pub fn visit_mark(visit_id: &str) -> String {
    visit_id.chars().take(8).collect()
}

/// Id of what an item's trials come to.
pub fn item_id(visit_id: &str, item: i64, field: &str) -> String {
    format!("{}:item-{item}.{field}", visit_mark(visit_id))
}

/// Id of a trial's measure.
pub fn trial_id(visit_id: &str, order: i64, field: &str) -> String {
    format!("{}:trial-{order}.{field}", visit_mark(visit_id))
}

/// Id of a number of a change, which is numbered from 1 among those at its later visit.
pub fn change_id(visit_id: &str, number: usize, field: &str) -> String {
    format!("{}:change-{number}.{field}", visit_mark(visit_id))
}

/// Id of a number of all changes together.
pub fn comparison_id(field: &str) -> String {
    format!("comparison-1.{field}")
}

/// Id of a number of a trend over visits, numbered from 1.
pub fn trend_id(number: usize, field: &str) -> String {
    format!("trend-{number}.{field}")
}

/// Id of a number of all recordings together.
pub fn study_id(field: &str) -> String {
    format!("study-1.{field}")
}

/// Id of a number of a whole visit.
pub fn visit_number_id(visit_id: &str, field: &str) -> String {
    format!("{}:visit-1.{field}", visit_mark(visit_id))
}

/// Id of a number of the reliability data, whose analyses are numbered from 1.
pub fn reliability_id(number: usize, field: &str) -> String {
    format!("reliability-{number}.{field}")
}

/// Id of a number of a sensor's recording, numbered from 1.
pub fn sensor_id(visit_id: &str, number: usize, field: &str) -> String {
    format!("{}:sensor-{number}.{field}", visit_mark(visit_id))
}

/// Id of a difference of sides, numbered from 1.
pub fn sides_id(visit_id: &str, number: usize, field: &str) -> String {
    format!("{}:sides-{number}.{field}", visit_mark(visit_id))
}

/// Fields of an item, with unit and formula.
type Field = (&'static str, &'static str, &'static str);
const ITEM_FIELDS: [Field; 9] = [
    ("mean_of_peaks_n", "N", "arithmetic mean of peak_zero_n of the first three valid trials"),
    ("sd_n", "N", "standard deviation (n − 1) of the same peaks, two-pass"),
    ("cv_percent", "%", "100 · SD (n − 1) / mean of the same peaks"),
    ("cv_low_percent", "%", "lower end of the 95 % interval of the CV, modified McKay (Vangel 1996)"),
    ("cv_high_percent", "%", "upper end of the 95 % interval of the CV, modified McKay (Vangel 1996)"),
    ("best_n", "N", "greatest of the same peaks"),
    ("best_to_mean_gap_percent", "%", "100 · (best − mean) / best of the same peaks"),
    (
        "expanded_uncertainty_n",
        "N",
        "instrument's expanded uncertainty (95 %): the greatest of the same peaks', each by its budget (GUM)",
    ),
    ("trials_used", "1", "number of the peaks behind the result, three at most"),
];
const SIDES_FIELDS: [Field; 8] = [
    ("left_n", "N", "mean of the left side's peaks (first three valid trials)"),
    ("right_n", "N", "mean of the right side's peaks (first three valid trials)"),
    ("left_trials", "1", "number of the left side's peaks"),
    ("right_trials", "1", "number of the right side's peaks"),
    ("percent", "%", FORMULA),
    ("difference_n", "N", "right − left, of the means"),
    ("low_n", "N", "lower end of the 95 % Welch interval of right − left"),
    ("high_n", "N", "upper end of the 95 % Welch interval of right − left"),
];

const VISIT_FIELDS: [Field; 6] = [
    ("trials_used", "1", "number of trials behind the results of its items, three at most each"),
    (
        "trials_not_used",
        "1",
        "number of its items' trials that are behind no result, without pulls to get used to the test",
    ),
    ("left_out", "1", "number of its items' trials that are behind no result"),
    ("sides", "1", "number of differences of its sides with an interval"),
    (
        "sides_by_chance",
        "1",
        "5 % of the same number: so many of them leave out 0 by chance, were all sides equal",
    ),
    (
        "deviations",
        "1",
        "number of lines under the report's deviations, overrides and notes, corrections among them",
    ),
];

/// A sensor's, by its table of gaps.
const SENSOR_FIELDS: [Field; 3] = [
    (
        "missing",
        "1",
        "samples that are missing, by the device's counter, in gaps of known length: /sensors/N/gaps",
    ),
    ("gaps", "1", "number of gaps of known length: /sensors/N/gaps"),
    ("gaps_unknown", "1", "number of gaps whose length nobody knows: /sensors/N/gaps"),
];

/// The fields of a kind of number; `None` where there is no such kind.
fn fields(kind: &str) -> Option<Vec<String>> {
    let names =
        |fields: &[Field]| -> Vec<String> { fields.iter().map(|(name, ..)| (*name).to_owned()).collect() };
    Some(match kind {
        "item" => names(&ITEM_FIELDS).into_iter().chain([procedure::SEM.to_owned()]).collect(),
        "trial" => {
            let columns = TrialRow::columns(&[TrialRow::of_hold(None)]).into_iter();
            let numbers = columns.filter(|column| !matches!(column.values, Values::Text(_)));
            numbers.map(|column| column.name.to_owned()).collect()
        }
        "sides" => names(&SIDES_FIELDS),
        "visit" => names(&VISIT_FIELDS),
        "sensor" => names(&SENSOR_FIELDS),
        "reliability" => reliability::names(),
        _ => names(together::fields(kind)?),
    })
}

/// The kind, number and field of an id without its visit's mark, where there are numbers of that kind with that field.
fn parts<'a>(id: &str, local: &'a str) -> Result<(&'a str, &'a str, &'a str), NumberError> {
    let short = |text: &str| text.chars().take(80).collect::<String>();
    let unknown = || NumberError::Unknown(short(id));
    let (place, field) = local.split_once('.').ok_or_else(unknown)?;
    let (kind, number) = place.rsplit_once('-').ok_or_else(unknown)?;
    let known = fields(kind).ok_or_else(unknown)?;
    // Those that end in a line are of a list: their number follows.
    let is_field = |name: &String| field == name || (name.ends_with('_') && field.starts_with(name.as_str()));
    if known.iter().any(is_field) {
        return Ok((kind, number, field));
    }
    let known = known.into_iter().map(|name| if name.ends_with('_') { name + "N" } else { name }).collect();
    Err(NumberError::UnknownField { id: short(id), kind: kind.to_owned(), field: short(field), known })
}

/// The number of an id, whatever it is of: one of these recordings, what their changes come to, or the reliability data.
///
/// # Errors
/// Nothing that was given has such a number.
pub fn find(read: &[(Recording, Visit)], rules: &Rules, id: &str) -> Result<Number, NumberError> {
    let (mark, local) = match id.split_once(':') {
        Some((mark, local)) => (Some(mark), local),
        None => (None, id),
    };
    parts(id, local)?;
    if local.starts_with("reliability-") {
        return reliability::find(read, &rules.basis, id);
    }
    if local.starts_with("study-") {
        return together::study(read, id);
    }
    if ["change-", "comparison-", "trend-"].iter().any(|kind| local.starts_with(kind)) {
        // Those of one participant are compared; others may be behind the limit.
        let marked = read.iter().find(|(_, visit)| mark == Some(&*visit_mark(&visit.visit_id)));
        let compared = read
            .iter()
            .map(|(_, visit)| visit)
            .filter(|visit| marked.is_none_or(|(_, marked)| visit.participant == marked.participant));
        let visits: Vec<Visit> = compared.cloned().collect();
        return together::of_visits(read, &comparison::compare(&visits, rules)?, &rules.basis, id);
    }
    let named = |visit: &Visit| mark == Some(&*visit_mark(&visit.visit_id)) || read.len() == 1;
    let own = read.iter().filter(|(_, visit)| named(visit));
    let (recording, visit) = own.max_by_key(|(recording, _)| recording.root().revision).ok_or_else(|| {
        let marks: Vec<String> = read.iter().map(|(_, visit)| visit_mark(&visit.visit_id)).collect();
        let short = |text: &str, most| text.chars().take(most).collect();
        match mark {
            Some(named) => {
                NumberError::OtherVisit { id: short(id, 80), named: short(named, 8), here: told(&marks) }
            }
            None => NumberError::OfWhichVisit { id: short(id, 80), marks },
        }
    })?;
    let files = vec![visit.file.display().to_string()];
    Ok(Number { files, ..resolve(recording, &OfVisit::of(visit, rules.repeats().as_ref()), id)? })
}

/// The number of an id.
pub fn resolve(recording: &Recording, procedure: &OfVisit, id: &str) -> Result<Number, NumberError> {
    let here = visit_mark(&recording.root().visit_id);
    let unknown = || NumberError::Unknown(id.chars().take(80).collect());
    let local = match id.split_once(':') {
        Some((named, local)) if named == here => local,
        Some((named, _)) => {
            let named = named.chars().take(8).collect();
            return Err(NumberError::OtherVisit { id: id.chars().take(80).collect(), named, here });
        }
        None => id,
    };
    let (kind, number, field) = parts(id, local)?;
    let number: i64 = number.parse().map_err(|_| unknown())?;
    let rows = recording.trials()?;
    let found = match kind {
        "item" if field == procedure::SEM => of_procedure(&rows, procedure, number),
        "item" => of_item(&rows, number, field),
        "trial" => of_trial(&rows, number, field),
        "sides" => of_sides(&rows, number, field),
        "visit" if number == 1 && field == "deviations" => of_deviations(recording, &rows)?,
        "sensor" => of_sensor(recording, number, field)?,
        "visit" if number == 1 => of_visit(&rows, field),
        _ => None,
    };
    let Found { value, unit, formula, orders } = found.ok_or_else(unknown)?;
    Ok(Number {
        id: format!("{here}:{local}"),
        value,
        unit,
        formula,
        software: recording.root().software.clone(),
        files: Vec::new(),
        origins: orders.iter().filter_map(|order| origin(recording, &rows, *order)).collect(),
    })
}

/// A number before its trials are traced.
struct Found {
    value: Option<f64>,
    unit: String,
    formula: String,
    orders: Vec<i64>,
}

fn described(fields: &[Field], name: &str, value: Option<f64>, orders: Vec<i64>) -> Option<Found> {
    let (_, unit, formula) = fields.iter().find(|(field, ..)| *field == name)?;
    Some(Found { value, unit: (*unit).to_owned(), formula: (*formula).to_owned(), orders })
}

fn of_item(rows: &[TrialRow], number: i64, field: &str) -> Option<Found> {
    let item = repeats::items(rows).into_iter().find(|item| item.item == number)?;
    let spread = &item.spread;
    let value = match field {
        "mean_of_peaks_n" => spread.mean_of_peaks_n,
        "sd_n" => spread.sd_n,
        "cv_percent" => spread.cv_percent,
        "cv_low_percent" => spread.cv_low_percent,
        "cv_high_percent" => spread.cv_high_percent,
        "best_n" => spread.best_n,
        "best_to_mean_gap_percent" => spread.best_to_mean_gap_percent,
        "expanded_uncertainty_n" => spread.expanded_uncertainty_n,
        "trials_used" => Some(spread.trials_used as f64),
        _ => return None,
    };
    described(&ITEM_FIELDS, field, value, used(&item))
}

/// The procedure's own error of an item: no number of its trials, but of the site's own repeats.
fn of_procedure(rows: &[TrialRow], procedure: &OfVisit, number: i64) -> Option<Found> {
    let item = repeats::items(rows).into_iter().find(|item| item.item == number)?;
    let of = procedure.get(number)?;
    let (value, unit, _) = of.value()?;
    let formula = format!(
        "standard error of measurement of the procedure for {}: {}; reliability-N.sem leads to the visits behind it",
        item.muscle, of.source
    );
    Some(Found { value: Some(value), unit: unit.to_owned(), formula, orders: Vec::new() })
}

fn used(item: &Item) -> Vec<i64> {
    item.trials.iter().filter(|trial| trial.used).map(|trial| trial.order).collect()
}

fn of_visit(rows: &[TrialRow], field: &str) -> Option<Found> {
    if field.starts_with("sides") {
        let (found, orders): (Vec<SideDifference>, Vec<Vec<i64>>) =
            sides(&repeats::items(rows)).into_iter().unzip();
        let (shown, by_chance) = sides::by_chance(&found).unwrap_or_default();
        let value = if field == "sides" { shown as f64 } else { by_chance };
        return described(&VISIT_FIELDS, field, Some(value), orders.concat());
    }
    let trials = repeats::items(rows).into_iter().flat_map(|item| item.trials);
    let counted = |trial: &repeats::Trial| match field {
        "trials_used" => trial.used,
        _ => !trial.used && !trial.is_familiarisation(),
    };
    let orders: Vec<i64> = trials.filter(counted).map(|trial| trial.order).collect();
    described(&VISIT_FIELDS, field, Some(orders.len() as f64), orders)
}

/// What a sensor's recording lacks.
fn of_sensor(recording: &Recording, number: i64, field: &str) -> Result<Option<Found>, ReadError> {
    let Some(number) = usize::try_from(number).ok().filter(|it| (1..=recording.sensors().len()).contains(it))
    else {
        return Ok(None);
    };
    let gaps = recording.gaps(number)?;
    let value = match field {
        "missing" => gaps.iter().map(|gap| gap.missing.max(0)).sum::<i64>() as f64,
        "gaps" => gaps.iter().filter(|gap| gap.missing >= 0).count() as f64,
        "gaps_unknown" => gaps.iter().filter(|gap| gap.missing < 0).count() as f64,
        _ => return Ok(None),
    };
    Ok(described(&SENSOR_FIELDS, field, Some(value), Vec::new()))
}

fn of_deviations(recording: &Recording, rows: &[TrialRow]) -> Result<Option<Found>, ReadError> {
    let root = recording.root();
    let plan = plan::read(&root.plan);
    let corrections = revise::effects(&recording.events()?);
    let lines = chart::deviations(rows, &recording.observations()?, &corrections, &plan, &root.utc_offset);
    Ok(described(&VISIT_FIELDS, "deviations", Some(lines.len() as f64), Vec::new()))
}

fn of_trial(rows: &[TrialRow], order: i64, field: &str) -> Option<Found> {
    let row = rows.iter().find(|row| row.order == order)?;
    let column =
        TrialRow::columns(std::slice::from_ref(row)).into_iter().find(|column| column.name == field)?;
    let value = match column.values {
        Values::F64(values) => values.first().copied().and_then(repeats::known),
        Values::I64(values) => values.first().map(|value| *value as f64),
        Values::U8(values) => values.first().map(|value| f64::from(*value)),
        Values::Text(_) => return None,
    };
    let unit = if column.units.is_empty() { "1" } else { column.units };
    let budget =
        Uncertainty::from_json(&row.uncertainty_budget).filter(|_| field == "expanded_uncertainty_n");
    let formula = budget.map_or_else(
        || column.long_name.to_owned(),
        |budget| format!("{}: {}", column.long_name, budget.words(unit)),
    );
    Some(Found { value, unit: unit.to_owned(), formula, orders: vec![order] })
}

fn of_sides(rows: &[TrialRow], number: i64, field: &str) -> Option<Found> {
    let at = usize::try_from(number).ok()?.checked_sub(1)?;
    let (of, mut orders) = sides(&repeats::items(rows)).into_iter().nth(at)?;
    if let Some(side) = ["left", "right"].into_iter().find(|side| field.starts_with(side)) {
        let is_its = |row: &TrialRow| row.muscle.starts_with(side);
        orders.retain(|order| rows.iter().any(|row| row.order == *order && is_its(row)));
    }
    let value = match field {
        "left_n" => Some(of.left_n),
        "right_n" => Some(of.right_n),
        "left_trials" => Some(of.trials.0 as f64),
        "right_trials" => Some(of.trials.1 as f64),
        "percent" => of.percent,
        "difference_n" => Some(of.difference_n),
        "low_n" => of.interval_n.map(|ends| ends.0),
        "high_n" => of.interval_n.map(|ends| ends.1),
        _ => return None,
    };
    described(&SIDES_FIELDS, field, value, orders)
}

fn origin(recording: &Recording, rows: &[TrialRow], order: i64) -> Option<Origin> {
    let row = rows.iter().find(|row| row.order == order)?;
    let sensor = usize::try_from(row.sensor).ok()?.checked_sub(1).and_then(|at| recording.sensors().get(at));
    let channel = usize::try_from(row.channel).ok()?.checked_sub(1);
    let calibration = sensor.zip(channel).and_then(|(sensor, channel)| sensor.channels.get(channel));
    Some(Origin {
        visit: visit_mark(&recording.root().visit_id),
        trial: order,
        samples: format!("/sensors/{}/samples/force_n", row.sensor),
        first_sample: row.first_sample,
        last_sample: row.last_sample,
        channel: row.channel,
        sensor: sensor.map_or_else(String::new, |sensor| sensor.serial.clone()),
        calibration: calibration.map_or_else(String::new, |channel| channel.calibration.clone()),
        tare: row.tare,
        peak_zero_n: repeats::known(row.peak_zero_n),
    })
}
