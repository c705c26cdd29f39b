//! HL7 FHIR R4: a Bundle of Observations.
//!
//! Comes in: [`Document`]s. Goes out: a Bundle (`collection`, JSON) with, of each recording, a Device for each sensor, an
//! Observation for each item of the plan (mean of the peaks behind the result, N) and one for each trial (peak above zero,
//! N, with its other measures as components). Units are UCUM codes. What is missing has a `dataAbsentReason` and never a
//! number; a peak below what can be measured, or held to the limit, is a quantity with its comparator. Participants are
//! identifiers, never Patients. Rules: <https://hl7.org/fhir/R4/observation.html>, <https://ucum.org/ucum> (from memory;
//! held against the models of `fhir.resources` by `tests/outside/export_check.py`).
//!
//! Measures have codes of our own: no terminology has these muscles' forces, so the code system is a fixed UUID and its
//! codes are the names of the recording's columns.

use super::Document;
use crate::cautions::CAUTIONS;
use crate::measures::repeats::{self, Item};
use crate::recording::layout::{Column, Row, TrialRow, Values};
use crate::recording::plan;
use crate::trial::{Outcome, Test};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

/// Code system of the measures: names of columns of `/trials` and of an item's results.
pub const MEASURES: &str = "urn:uuid:0f0c5a52-1c8e-4c41-9d0a-5f3f6f2b7a10";
/// Naming system of participants', examiners' and trials' codes.
pub const CODES: &str = "urn:uuid:7e1b9f64-0a3d-4b57-8a55-2d9c3c0e4b21";
const UCUM: &str = "http://unitsofmeasure.org";
const ABSENT: &str = "http://terminology.hl7.org/CodeSystem/data-absent-reason";
const CATEGORY: &str = "http://terminology.hl7.org/CodeSystem/observation-category";
/// Forces and times keep a thousandth: below it is noise.
const KEPT: f64 = 1000.0;
/// Measures that only a yield has.
const OF_A_YIELD: [&str; 3] = ["break_s", "break_n", "drop_percent"];

/// Recordings as one Bundle.
///
/// # Errors
/// A number cannot be written.
pub fn to_fhir(documents: &[Document]) -> serde_json::Result<String> {
    let entries: Vec<Value> = documents.iter().flat_map(entries).collect();
    let bundle = json!({ "resourceType": "Bundle", "type": "collection", "entry": entries });
    Ok(serde_json::to_string_pretty(&bundle)? + "\n")
}

/// The resources of a recording, each under its URL.
fn entries(of: &Document) -> Vec<Value> {
    let items = repeats::items(&of.trials);
    let devices = (1..).zip(&of.sensors).map(|(number, sensor)| (url(of, "device", number), device(sensor)));
    let trials = of.trials.iter().filter(|row| row.number > 0);
    let trials = trials.map(|row| (url(of, "trial", row.order), trial(of, row, &items)));
    let items_done = items.iter().map(|item| (url(of, "item", item.item), result(of, item)));
    let planned = (1..).zip(plan::read(&of.root.plan).items);
    let not_done = planned
        .filter(|(number, _)| !items.iter().any(|item| item.item == *number))
        .map(|(number, item)| (url(of, "item", number), not_performed(of, &item)));
    let all = devices.chain(items_done).chain(not_done).chain(trials);
    all.map(|(url, resource)| json!({ "fullUrl": url, "resource": resource })).collect()
}

/// An id that is the same at every export of the same thing: the beginning of a digest, as a UUID of version 8 (RFC 9562).
fn url(of: &Document, kind: &str, number: i64) -> String {
    let root = &of.root;
    let mut name = format!("{}\0{}\0{}\0{kind}\0{number}", root.participant, root.started_utc, root.visit_id);
    if of.within_minute > 0 {
        name += &format!("\0{}", of.within_minute);
    }
    let hex: String = Sha256::digest(name).iter().take(16).map(|byte| format!("{byte:02x}")).collect();
    format!("urn:uuid:{}-{}-8{}-8{}-{}", &hex[..8], &hex[8..12], &hex[13..16], &hex[17..20], &hex[20..])
}

fn device((serial, firmware, interval_ns): &(String, String, i64)) -> Value {
    let mut device = json!({
        "resourceType": "Device", "status": "active",
        "deviceName": [{ "name": "finger-force sensor", "type": "user-friendly-name" }],
        "note": [{ "text": format!("nominal sample interval {interval_ns} ns") }],
    });
    for (name, value) in [("serialNumber", json!(serial)), ("version", json!([{ "value": firmware }]))] {
        let known = !(if name == "version" { firmware } else { serial }).is_empty();
        if known {
            device[name] = value;
        }
    }
    device
}

/// What every Observation of a recording says.
fn observation(of: &Document, (code, name): (&str, &str), muscle: &str, test: &str) -> Value {
    let root = &of.root;
    let mut observation = json!({
        "resourceType": "Observation",
        "status": if root.revision > 1 { "amended" } else { "final" },
        "category": [{ "coding": [{ "system": CATEGORY, "code": "exam" }] }],
        "code": { "coding": [coding(code, name)], "text": format!("{name}; {muscle}, {test}") },
        "bodySite": { "text": muscle.rsplit_once(' ').map_or(muscle, |(finger, _)| finger) },
        "method": { "text": format!("{test} test") },
    });
    if !root.participant.is_empty() {
        observation["subject"] = by_code(&root.participant);
    }
    if !root.examiner.is_empty() {
        observation["performer"] = json!([by_code(&root.examiner)]);
    }
    if !root.started_utc.is_empty() {
        observation["effectiveDateTime"] = json!(root.started_utc);
    }
    observation
}

fn by_code(code: &str) -> Value {
    json!({ "identifier": { "system": CODES, "value": code } })
}

fn coding(code: &str, name: &str) -> Value {
    json!({ "system": MEASURES, "code": code, "display": name })
}

/// The result of an item.
fn result(of: &Document, item: &Item) -> Value {
    let spread = &item.spread;
    let mut result = observation(
        of,
        ("mean_of_peaks_n", "mean of the first three valid peaks above zero"),
        &item.muscle,
        &item.test,
    );
    put(&mut result, spread.mean_of_peaks_n, "N", ("unknown", "no valid trial"));
    let parts = [
        ("sd_n", "standard deviation (n − 1) of these peaks", spread.sd_n, "N"),
        ("cv_percent", "coefficient of variation of these peaks", spread.cv_percent, "%"),
        ("best_n", "greatest of these peaks", spread.best_n, "N"),
        ("trials_used", "number of these peaks", Some(spread.trials_used as f64), "1"),
        (
            "expanded_uncertainty_n",
            "instrument's expanded uncertainty (95 %)",
            spread.expanded_uncertainty_n,
            "N",
        ),
        procedure_sem(of, item.item),
    ];
    let parts = parts.map(|(code, name, value, unit)| component((code, name), value, unit, "unknown"));
    result["component"] = json!(parts);
    let used = item.trials.iter().filter(|trial| trial.used);
    let used: Vec<Value> = used.map(|trial| json!({ "reference": url(of, "trial", trial.order) })).collect();
    if !used.is_empty() {
        result["hasMember"] = json!(used);
    }
    result["note"] = json!([{ "text": CAUTIONS }]);
    result
}

/// The procedure's error of an item's result, beside the instrument's: in newtons, or as a share where errors grow with it.
fn procedure_sem(of: &Document, item: i64) -> (&'static str, &'static str, Option<f64>, &'static str) {
    const NAME: &str = "procedure's standard error of measurement, from the site's own repeats";
    let procedure = of.procedure.get(item);
    match procedure.and_then(|of| of.sem_percent) {
        Some(percent) => ("procedure_sem_percent", NAME, Some(percent), "%"),
        None => ("procedure_sem_n", NAME, procedure.and_then(|of| of.sem_n), "N"),
    }
}

/// An item of the plan that no trial was made of.
fn not_performed(of: &Document, item: &plan::Item) -> Value {
    let what = ("mean_of_peaks_n", "mean of the first three valid peaks above zero");
    let mut observation = observation(of, what, &item.muscle, &item.test);
    put(&mut observation, None, "N", ("not-performed", "planned, no trial"));
    observation
}

/// One trial: its peak above zero, and every other number that was measured in it.
fn trial(of: &Document, row: &TrialRow, items: &[Item]) -> Value {
    let mut trial = observation(of, ("peak_zero_n", "peak above zero"), &row.muscle, &row.test);
    let outcome = row.outcome.parse::<Outcome>();
    let peak = repeats::known(row.peak_zero_n);
    let below = row.below_n().and_then(|limit_n| limit_n.parse().ok());
    match (outcome, peak, below) {
        (Ok(Outcome::BelowMeasurable), _, Some(limit)) => compared(&mut trial, "<", limit),
        (Ok(Outcome::HeldToLimit), Some(peak), _) => compared(&mut trial, ">=", peak),
        _ => put(&mut trial, peak, "N", ("unknown", &row.outcome)),
    }
    let used = items.iter().flat_map(|item| &item.trials).any(|trial| trial.order == row.order && trial.used);
    let columns = TrialRow::columns(std::slice::from_ref(row));
    let measures = columns.iter().filter(|column| column.name != "peak_zero_n");
    let mut parts: Vec<Value> = measures.filter_map(|column| measure(column, row)).collect();
    let sem_n = of.procedure.get(row.item).and_then(|of| of.trial_sem_n);
    let name = "procedure's standard error of measurement of a single trial's peak";
    parts.push(component(("procedure_trial_sem_n", name), sem_n, "N", "unknown"));
    for (code, name, yes) in [
        ("valid", "the trial counts", row.valid == 1),
        ("used", "the trial is behind the item's result", used),
    ] {
        parts.push(json!({ "code": { "coding": [coding(code, name)], "text": name }, "valueBoolean": yes }));
    }
    trial["component"] = json!(parts);
    trial["identifier"] = json!([{ "system": CODES, "value": format!("trial-{}", row.order) }]);
    if row.sensor > 0 {
        trial["device"] = json!({ "reference": url(of, "device", row.sensor) });
    }
    let why_not = Some(&row.why_not).filter(|why| !why.is_empty());
    let notes =
        [Some(format!("outcome: {}", row.outcome)), why_not.map(|why| format!("does not count: {why}"))];
    trial["note"] = notes.into_iter().flatten().map(|text| json!({ "text": text })).collect();
    trial
}

/// A measure as a component. Places in the recording are none.
fn measure(column: &Column, row: &TrialRow) -> Option<Value> {
    let Values::F64(values) = &column.values else { return None };
    let value = values.first().copied().and_then(repeats::known);
    let yields = row.test == Test::Break.word();
    let why = if !yields && OF_A_YIELD.contains(&column.name) { "not-applicable" } else { "unknown" };
    Some(component((column.name, column.long_name), value, &ucum(column.units), why))
}

/// Our units in UCUM: a product is written with a dot, no unit is 1.
fn ucum(units: &str) -> String {
    if units.is_empty() { "1".to_owned() } else { units.replace(' ', ".") }
}

fn component((code, name): (&str, &str), value: Option<f64>, unit: &str, why: &str) -> Value {
    let mut component = json!({ "code": { "coding": [coding(code, name)], "text": name } });
    put(&mut component, value, unit, (why, ""));
    component
}

fn put(into: &mut Value, value: Option<f64>, unit: &str, (why, text): (&str, &str)) {
    match value {
        Some(value) => into["valueQuantity"] = quantity(value, unit),
        None => {
            into["dataAbsentReason"] = json!({ "coding": [{ "system": ABSENT, "code": why }] });
            if !text.is_empty() {
                into["dataAbsentReason"]["text"] = json!(text);
            }
        }
    }
}

fn compared(into: &mut Value, comparator: &str, value_n: f64) {
    into["valueQuantity"] = quantity(value_n, "N");
    into["valueQuantity"]["comparator"] = json!(comparator);
}

fn quantity(value: f64, unit: &str) -> Value {
    let kept = libm::round(value * KEPT) / KEPT;
    json!({ "value": kept, "unit": unit, "system": UCUM, "code": unit })
}
