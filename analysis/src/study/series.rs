//! Visits of many participants as tables: a table a muscle and test, a row a participant, a column a visit or examiner.
//!
//! Comes in: visits. Goes out: tables (N) with their conditions, and notes of what could not be placed.
use super::conditions::{Conditions, GAP_MM, LEVER_MM, common};
use super::table::Table;
use super::visit::{Measured, Visit};
use crate::measures::repeats::SCORED;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;

/// What the columns are.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum By {
    /// A participant's visits in the order of time: test and retest.
    #[default]
    Visit,
    /// The examiners: do they agree?
    Examiner,
}

/// One value to be placed in a table.
struct Cell<'a> {
    participant: &'a str,
    column: String,
    visit: &'a Visit,
    measured: &'a Measured,
}

/// The tables of these visits, by muscle (with its side) and test; with `wanted` only of each participant's visits of these
/// numbers, from 1 in the order of time.
pub fn tables(visits: &[Visit], by: By, wanted: &[usize]) -> Vec<Table> {
    let mut keys: Vec<(&str, &str)> = Vec::new();
    for measured in visits.iter().flat_map(|visit| &visit.items) {
        let key = (measured.item.muscle.as_str(), measured.item.test.as_str());
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    let mut numbered = numbered(visits);
    numbered.retain(|(number, _)| wanted.is_empty() || wanted.contains(number));
    keys.into_iter().map(|key| table(&numbered, by, !wanted.is_empty(), key)).collect()
}

/// Visits in the order of time, each with its number among its participant's. Instants of one format sort as text.
fn numbered(visits: &[Visit]) -> Vec<(usize, &Visit)> {
    let mut sorted: Vec<&Visit> = visits.iter().collect();
    sorted.sort_by(|a, b| instant(a).cmp(&instant(b)));
    let mut out: Vec<(usize, &Visit)> = Vec::new();
    for visit in sorted {
        let before = out.iter().filter(|(_, other)| other.participant == visit.participant).count();
        out.push((before + 1, visit));
    }
    out
}

/// When a visit began, ns since 1970; the text of a time that is none sorts by itself.
pub fn instant(visit: &Visit) -> (i128, &str) {
    let read = visit.started_utc.parse::<jiff::Timestamp>();
    (read.map_or(i128::MIN, jiff::Timestamp::as_nanosecond), &visit.started_utc)
}

fn table(visits: &[(usize, &Visit)], by: By, named: bool, (muscle, test): (&str, &str)) -> Table {
    let mut table = Table { name: format!("{muscle}, {test}"), unit: "N".to_owned(), ..Table::default() };
    let mut cells: Vec<Cell> = Vec::new();
    for (number, visit) in visits {
        let Some(measured) = visit.find(muscle, test) else { continue };
        let column = match by {
            By::Visit => format!("visit {number}"),
            By::Examiner => visit.examiner.clone(),
        };
        if let Some(why) = objection(visit, measured, &column, &cells) {
            table.notes.push(format!("{}: {why}", visit.file.display()));
            continue;
        }
        cells.push(Cell { participant: &visit.participant, column, visit, measured });
    }
    // Whoever names visits gets those.
    let rare = if named { Vec::new() } else { rare(&cells) };
    for (column, whose) in rare {
        cells.retain(|cell| cell.column != column);
        table.notes.push(format!(
            "{column} is left out: most participants have none (only {}); --visits names those that are taken",
            whose.join(", ")
        ));
    }
    fill(&mut table, &cells, by);
    table
}

/// The columns that fewer than half of the participants have, with those who do, as far as two columns are left: the one
/// extra visit of a few would cost all others theirs, because only complete rows count.
fn rare(cells: &[Cell]) -> Vec<(String, Vec<String>)> {
    let people = |of: &dyn Fn(&Cell) -> bool| -> BTreeSet<String> {
        cells.iter().filter(|cell| of(cell)).map(|cell| cell.participant.to_owned()).collect()
    };
    let all = people(&|_| true).len();
    let columns: BTreeSet<&String> = cells.iter().map(|cell| &cell.column).collect();
    let (rare, common): (Vec<_>, Vec<_>) = columns
        .into_iter()
        .map(|column| (column.clone(), people(&|cell| cell.column == *column)))
        .partition(|(_, whose)| 2 * whose.len() < all);
    if common.len() < 2 {
        return Vec::new();
    }
    rare.into_iter().map(|(column, whose)| (column, whose.into_iter().collect())).collect()
}

/// Why a value cannot be placed.
fn objection(visit: &Visit, measured: &Measured, column: &str, placed: &[Cell]) -> Option<String> {
    let used = measured.item.spread.trials_used;
    if visit.participant.is_empty() {
        return Some("left out: the recording names no participant".to_owned());
    }
    if column.is_empty() {
        return Some("left out: the recording names no examiner".to_owned());
    }
    if used < SCORED {
        return Some(format!("left out: {used} of the {SCORED} trials that a result is made of"));
    }
    let taken = placed.iter().any(|cell| cell.participant == visit.participant && cell.column == column);
    taken.then(|| {
        format!("left out: a later visit of {} by {column}; the first one counts", visit.participant)
    })
}

fn fill(table: &mut Table, cells: &[Cell], by: By) {
    for cell in cells {
        if !table.occasions.contains(&cell.column) {
            table.occasions.push(cell.column.clone());
        }
        if !table.subjects.iter().any(|subject| subject == cell.participant) {
            table.subjects.push(cell.participant.to_owned());
        }
    }
    table.occasions.sort_by_key(|name| (name.len(), name.clone()));
    table.subjects.sort();
    for subject in &table.subjects {
        let of = |occasion: &String| {
            cells.iter().find(|cell| cell.participant == subject && cell.column == *occasion)
        };
        let row: Vec<Option<&Cell>> = table.occasions.iter().map(of).collect();
        table.cells.push(
            row.iter().map(|cell| cell.and_then(|cell| cell.measured.item.spread.mean_of_peaks_n)).collect(),
        );
        table.trials.push(
            row.iter().map(|cell| cell.map_or_else(Vec::new, |cell| cell.measured.peaks_n())).collect(),
        );
        table.visits.push(
            row.iter()
                .map(|cell| cell.map_or_else(String::new, |cell| cell.visit.visit_id.clone()))
                .collect(),
        );
    }
    table.conditions = conditions(cells, by);
    let examiners = cells.iter().map(|cell| cell.visit.examiner.clone()).filter(|code| !code.is_empty());
    table.examiners = examiners.collect::<BTreeSet<String>>().into_iter().collect();
    table.apart_days = median_apart(cells);
    if by == By::Visit && matches!(table.conditions.examiner.as_str(), "another" | "mixed") {
        table.notes.push(format!(
            "a participant's visits are by several examiners ({}): what they differ by is in the error",
            table.examiners.join(", ")
        ));
    }
    let mut settings: Vec<String> = cells.iter().filter_map(|cell| cell.measured.settings()).collect();
    settings.sort();
    settings.dedup();
    match settings.len() {
        0 => {}
        1 => table.notes.push(format!("analysis settings {}, the same throughout", settings[0])),
        n => table.notes.push(format!("{n} different analysis settings: {}", settings.join(", "))),
    }
}

/// From one visit's beginning to another's, days; `None` where a time is not known.
pub fn apart_days(earlier: &Visit, later: &Visit) -> Option<f64> {
    let at =
        |visit: &Visit| visit.started_utc.parse::<jiff::Timestamp>().ok().map(jiff::Timestamp::as_second);
    Some((at(later)? - at(earlier)?).abs() as f64 / 86_400.0)
}

/// Median over all of time between the values of a participant that follow each other, days.
fn median_apart(cells: &[Cell]) -> Option<f64> {
    let mut all: Vec<f64> = Vec::new();
    for subject in cells.iter().map(|cell| cell.participant).collect::<BTreeSet<_>>() {
        let mut own: Vec<&Visit> =
            cells.iter().filter(|cell| cell.participant == subject).map(|cell| cell.visit).collect();
        own.sort_by(|a, b| instant(a).cmp(&instant(b)));
        all.extend(own.windows(2).filter_map(|pair| apart_days(pair[0], pair[1])));
    }
    all.sort_by(f64::total_cmp);
    all.get(all.len() / 2).copied()
}

/// The conditions that all values share.
fn conditions(cells: &[Cell], by: By) -> Conditions {
    let all = || cells.iter().map(|cell| &cell.measured.conditions);
    let word = |of: fn(&Conditions) -> &String| common(all().map(|conditions| of(conditions).as_str()));
    let length = |of: fn(&Conditions) -> Option<f64>, apart_mm: f64| {
        let values: Option<Vec<f64>> = all().map(of).collect();
        let values = values.filter(|values| !values.is_empty())?;
        let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
        (high - low <= 2.0 * apart_mm).then_some(0.5 * (low + high))
    };
    Conditions {
        muscle: word(|c| &c.muscle),
        test: word(|c| &c.test),
        arrangement: word(|c| &c.arrangement),
        reaction: word(|c| &c.reaction),
        coupling: word(|c| &c.coupling),
        position: word(|c| &c.position),
        lever_mm: length(|c| c.lever_mm, LEVER_MM),
        gap_mm: length(|c| c.gap_mm, GAP_MM),
        trials: Some(SCORED),
        profile: word(|c| &c.profile),
        population: word(|c| &c.population),
        examiner: examiners(cells, by),
    }
}

/// Whether each participant's values are one examiner's; empty where the examiners are not named, or it varies.
fn examiners(cells: &[Cell], by: By) -> String {
    if by == By::Examiner {
        return "another".to_owned();
    }
    if cells.iter().any(|cell| cell.visit.examiner.is_empty()) {
        return String::new();
    }
    let others = cells.iter().filter(|cell| {
        let own = cells.iter().filter(|other| other.participant == cell.participant);
        own.clone().any(|other| other.visit.examiner != cell.visit.examiner)
    });
    match others.count() {
        0 => "same".to_owned(),
        n if n == cells.len() => "another".to_owned(),
        _ => "mixed".to_owned(),
    }
}
