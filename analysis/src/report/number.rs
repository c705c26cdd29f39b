//! Printed numbers: their ids, and what each leads back to.
//!
//! Comes in: a recording and an id. Goes out: the number with its unit, formula, trials, samples, sensor, calibration and
//! zero.
//!
//! An id is `item-2.cv_percent` (what the trials of item 2 of the plan come to), `trial-7.peak_zero_n` (a measure of the
//! seventh trial of the visit) or `sides-1.percent` (the first difference of sides), and may begin with the first eight
//! characters of the visit's id and a colon; `visit-1.trials_used` is a number of the whole visit. `change-1.change_n` is the
//! first change at a later visit: it is a number of all recordings that were compared, and of what their changes were held
//! against. `reliability-1.sem` is of the first analysis of the reliability data, and leads back to the visits behind it.
use crate::console::Advice;
use crate::measures::repeats::{self, Item};
use crate::recording::layout::{Row, TrialRow, Values};
use crate::recording::read::{ReadError, Recording};
use crate::sensor::instrument::Uncertainty;
use crate::study::comparison::{self, Basis, Change, Comparison, Incomparable, Rules};
use crate::study::reliability::Reliability;
use crate::study::sides::{FORMULA, sides};
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
    /// The recordings cannot be compared.
    #[error(transparent)]
    Incomparable(#[from] Incomparable),
    /// A number of the reliability data, which were not given.
    #[error("`{0}` is a number of reliability data, and none are given")]
    NoData(String),
    /// The id names another visit.
    #[error("`{id}` is a number of visit {named}…; this recording is of visit {here}")]
    OtherVisit {
        /// The id.
        id: String,
        /// The visit that it names.
        named: String,
        /// The recording's visit.
        here: String,
    },
}

impl Advice for NumberError {
    fn hint(&self) -> String {
        match self {
            NumberError::Read(error) => error.hint(),
            NumberError::Unknown(_) => {
                "ids are item-N.FIELD, trial-N.FIELD, sides-N.FIELD and visit-1.FIELD, as in item-1.mean_of_peaks_n, change-N.FIELD \
                 of two visits or more, and reliability-N.FIELD; of several recordings with the visit's mark before it; the \
                 report shows them"
                    .to_owned()
            }
            NumberError::Incomparable(_) => "give the recordings that the report compared".to_owned(),
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

/// Id of a number of a whole visit.
pub fn visit_number_id(visit_id: &str, field: &str) -> String {
    format!("{}:visit-1.{field}", visit_mark(visit_id))
}

/// Id of a number of the reliability data, whose analyses are numbered from 1.
pub fn reliability_id(number: usize, field: &str) -> String {
    format!("reliability-{number}.{field}")
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
const SIDES_FIELDS: [Field; 6] = [
    ("left_n", "N", "mean of the left side's peaks (first three valid trials)"),
    ("right_n", "N", "mean of the right side's peaks (first three valid trials)"),
    ("percent", "%", FORMULA),
    ("difference_n", "N", "right − left, of the means"),
    ("low_n", "N", "lower end of the 95 % Welch interval of right − left"),
    ("high_n", "N", "upper end of the 95 % Welch interval of right − left"),
];

const CHANGE_FIELDS: [Field; 5] = [
    ("earlier_n", "N", "mean of peak_zero_n of the first three valid trials of the first visit"),
    ("later_n", "N", "mean of peak_zero_n of the first three valid trials of the later visit"),
    ("change_n", "N", "later_n − earlier_n"),
    ("change_percent", "%", "100 · (later_n − earlier_n) / earlier_n"),
    ("limit", "N", "z·√2·SEM or t·√2·SEM, or the upper end of its 95 % interval"),
];

const VISIT_FIELDS: [Field; 2] = [
    ("trials_used", "1", "number of trials behind the results of its items, three at most each"),
    ("trials_not_used", "1", "number of its items' trials that are behind no result"),
];

/// Of an analysis of reliability; "" is the unit of its values.
const RELIABILITY_FIELDS: [Field; 9] = [
    ("subjects", "1", "participants with every value"),
    ("occasions", "1", "occasions or raters"),
    ("icc", "1", ICC),
    ("icc_low", "1", ICC),
    ("icc_high", "1", ICC),
    ("sem", "", "√((MS occasions − MS error) / n + MS error), agreement; √MS error where that is greater"),
    ("mdc95", "", MDC95),
    ("mdc95_low", "", MDC95),
    ("mdc95_high", "", MDC95),
];
const ICC: &str = "ICC(2,1) = ICC(A,1) of a two-way analysis of variance without replication, with its 95 % interval \
                   (Shrout & Fleiss 1979, McGraw & Wong 1996)";
const MDC95: &str = "z·√2·SEM (agreement) with z of 95 %; its 95 % interval is that of the SEM (chi-squared)";

/// The number of an id, whatever it is of: one of these recordings, what their changes come to, or the reliability data.
///
/// # Errors
/// Nothing that was given has such a number.
pub fn find(read: &[(Recording, Visit)], rules: &Rules, id: &str) -> Result<Number, NumberError> {
    let (mark, local) = match id.split_once(':') {
        Some((mark, local)) => (Some(mark), local),
        None => (None, id),
    };
    if local.starts_with("reliability-") {
        return resolve_reliability(read, &rules.basis, id);
    }
    if local.starts_with("change-") {
        let visits: Vec<Visit> = read.iter().map(|(_, visit)| visit.clone()).collect();
        return resolve_change(read, &comparison::compare(&visits, rules)?, id);
    }
    let named = |visit: &Visit| mark == Some(&*visit_mark(&visit.visit_id)) || read.len() == 1;
    let own = read.iter().filter(|(_, visit)| named(visit));
    let (recording, visit) = own
        .max_by_key(|(recording, _)| recording.root().revision)
        .ok_or_else(|| NumberError::Unknown(id.chars().take(80).collect()))?;
    Ok(Number { files: vec![visit.file.display().to_string()], ..resolve(recording, id)? })
}

/// A number of the reliability data, led back to those of its visits that are among the recordings.
fn resolve_reliability(read: &[(Recording, Visit)], basis: &Basis, id: &str) -> Result<Number, NumberError> {
    let shown = || id.chars().take(80).collect();
    let Basis::Own(document) = basis else { return Err(NumberError::NoData(shown())) };
    let unknown = || NumberError::Unknown(shown());
    let (place, field) = id.split_once('.').ok_or_else(unknown)?;
    let number: usize =
        place.strip_prefix("reliability-").and_then(|n| n.parse().ok()).ok_or_else(unknown)?;
    let of = number.checked_sub(1).and_then(|at| document.analyses.get(at)).ok_or_else(unknown)?;
    let (_, unit, formula) =
        RELIABILITY_FIELDS.iter().find(|(name, ..)| *name == field).ok_or_else(unknown)?;
    let behind: Vec<&String> = of.visits.iter().flatten().collect();
    let ours = || read.iter().filter(|(_, visit)| behind.contains(&&visit.visit_id));
    let mut origins = Vec::new();
    for (recording, visit) in ours() {
        let rows = recording.trials()?;
        let item =
            visit.items.iter().find(|item| format!("{}, {}", item.item.muscle, item.item.test) == of.name);
        let orders = item.map(|item| used(&item.item)).unwrap_or_default();
        origins.extend(orders.iter().filter_map(|order| origin(recording, &rows, *order)));
    }
    let found = ours().count();
    Ok(Number {
        id: id.to_owned(),
        value: reliability_value(of, field),
        unit: if unit.is_empty() { of.unit.clone() } else { (*unit).to_owned() },
        formula: format!(
            "{formula}; {}, {} × {} ({}); {found} of the {} visits behind it are among the recordings given",
            of.name,
            of.subjects,
            of.k,
            of.occasions.join(", "),
            behind.len()
        ),
        software: document.software.clone(),
        files: ours().map(|(_, visit)| visit.file.display().to_string()).collect(),
        origins,
    })
}

fn reliability_value(of: &Reliability, field: &str) -> Option<f64> {
    let icc = of.icc.iter().find(|form| form.shrout_fleiss == "ICC(2,1)");
    let mdc95 = of.agreement.map(|sem| sem.mdc95);
    match field {
        "subjects" => Some(of.subjects as f64),
        "occasions" => Some(of.k as f64),
        "icc" => icc.map(|form| form.icc),
        "icc_low" => icc.and_then(|form| form.low),
        "icc_high" => icc.and_then(|form| form.high),
        "sem" => of.agreement.map(|sem| sem.sem.value),
        "mdc95" => mdc95.map(|of| of.value),
        "mdc95_low" => mdc95.and_then(|of| of.low),
        _ => mdc95.and_then(|of| of.high),
    }
}

/// The number of a change's id, among the changes of these visits.
pub fn resolve_change(read: &[(Recording, Visit)], of: &Comparison, id: &str) -> Result<Number, NumberError> {
    let unknown = || NumberError::Unknown(id.chars().take(80).collect());
    let (mark, local) = match id.split_once(':') {
        Some((mark, local)) => (Some(mark), local),
        None => (None, id),
    };
    let (place, field) = local.split_once('.').ok_or_else(unknown)?;
    let number: usize = place.strip_prefix("change-").and_then(|n| n.parse().ok()).ok_or_else(unknown)?;
    // Without a mark it is a change at the last visit.
    let mark = mark.map_or_else(
        || of.visits.last().map(|visit| visit_mark(&visit.visit_id)).unwrap_or_default(),
        str::to_owned,
    );
    let at = (1..).zip(&of.visits).find(|(_, visit)| visit_mark(&visit.visit_id) == mark);
    let (visit, _) = at.ok_or_else(unknown)?;
    let mut changes = of.changes.iter().filter(|change| change.visit == visit);
    let change = number.checked_sub(1).and_then(|number| changes.nth(number)).ok_or_else(unknown)?;
    let (_, unit, formula) = CHANGE_FIELDS.iter().find(|(name, ..)| *name == field).ok_or_else(unknown)?;
    let mut told = format!("{formula}; {}, {}", change.muscle, change.test);
    if field == "limit" {
        told += &format!("; from {}, n {}", change.limit_source, change.limit_participants.unwrap_or(0));
    } else if !change.settings.is_empty() {
        told += &format!("; analysis settings {}", change.settings);
    }
    let ends = [(field != "later_n", 1), (field != "earlier_n", visit)];
    let (mut origins, mut files) = (Vec::new(), Vec::new());
    for number in ends.into_iter().filter(|(wanted, _)| *wanted && field != "limit").map(|(_, number)| number)
    {
        let found = read.iter().find(|(_, visit)| visit.visit_id == of.visits[number - 1].visit_id);
        let (recording, visit) = found.ok_or_else(unknown)?;
        let rows = recording.trials()?;
        let item = visit.find(&change.muscle, &change.test).ok_or_else(unknown)?;
        files.push(visit.file.display().to_string());
        origins.extend(used(&item.item).iter().filter_map(|order| origin(recording, &rows, *order)));
    }
    let (value, unit) = change_value(change, field, unit);
    let software = read.first().map(|(recording, _)| recording.root().software.clone()).unwrap_or_default();
    Ok(Number { id: format!("{mark}:{local}"), value, unit, formula: told, software, files, origins })
}

fn change_value(change: &Change, field: &str, unit: &str) -> (Option<f64>, String) {
    let value = match field {
        "earlier_n" => change.earlier_n,
        "later_n" => change.later_n,
        "change_n" => change.change_n,
        "change_percent" => change.change_percent,
        _ => {
            let percent = |of: f64| 100.0 * libm::expm1(of);
            let limit = change.limit.map(|limit| limit.decides);
            let unit = if change.as_ratio { "%" } else { "N" };
            return (limit.map(|of| if change.as_ratio { percent(of) } else { of }), unit.to_owned());
        }
    };
    (value, unit.to_owned())
}

/// The number of an id.
pub fn resolve(recording: &Recording, id: &str) -> Result<Number, NumberError> {
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
    let (place, field) = local.split_once('.').ok_or_else(unknown)?;
    let (kind, number) = place.rsplit_once('-').ok_or_else(unknown)?;
    let number: i64 = number.parse().map_err(|_| unknown())?;
    let rows = recording.trials()?;
    let found = match kind {
        "item" => of_item(&rows, number, field),
        "trial" => of_trial(&rows, number, field),
        "sides" => of_sides(&rows, number, field),
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
        _ => Some(spread.trials_used as f64),
    };
    described(&ITEM_FIELDS, field, value, used(&item))
}

fn used(item: &Item) -> Vec<i64> {
    item.trials.iter().filter(|trial| trial.used).map(|trial| trial.order).collect()
}

fn of_visit(rows: &[TrialRow], field: &str) -> Option<Found> {
    let trials = repeats::items(rows).into_iter().flat_map(|item| item.trials);
    let orders: Vec<i64> =
        trials.filter(|trial| trial.used == (field == "trials_used")).map(|trial| trial.order).collect();
    described(&VISIT_FIELDS, field, Some(orders.len() as f64), orders)
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
    let (of, orders) = sides(&repeats::items(rows)).into_iter().nth(at)?;
    let value = match field {
        "left_n" => Some(of.left_n),
        "right_n" => Some(of.right_n),
        "percent" => of.percent,
        "difference_n" => Some(of.difference_n),
        "low_n" => of.interval_n.map(|ends| ends.0),
        _ => of.interval_n.map(|ends| ends.1),
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
