//! The sections of the report.
//!
//! Comes in: recordings, a comparison. Goes out: sections of a page: who and when, with what, the items and their trials,
//! what does not count and why, the sides, what was entered, figures; the changes.
use super::html::{Cell, Page, marked, with_id};
use super::number::{
    change_id, comparison_id, item_id, reliability_id, sensor_id, sides_id, trend_id, trial_id,
    visit_number_id,
};
use super::{chart, nerve};
use crate::command::compare::{
    chances, limit_from, limit_words, limits_made, reported_words, sides_by_chance, sides_taken,
    sides_unsaid, trend_words, trends_by_chance, verdict_words, vouched_words,
};
use crate::measures::repeats::{self, HOLD, Item, Spread, Trial};
use crate::plot::names;
use crate::prose::Prose;
use crate::recording::layout::{ObservationRow, Sensor, TrialRow};
use crate::recording::plan::{self, Plan};
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise;
use crate::recording::trial_row::{TOO_FAST, TOO_SLOW};
use crate::sensor::instrument::not_included;
use crate::study::comparison::{Change, Comparison};
use crate::study::conditions::Vouched;
use crate::study::procedure::{OfVisit, Procedure};
use crate::study::reliability::{Document, Reliability, of_ratios};
use crate::study::sides::{FORMULA, SideDifference, of_visit};
use crate::study::visit::Visit;
use crate::trial::{Muscle, Outcome, Side, Test};

/// What the words of a visit's tables mean.
pub const DEFINITIONS: &str = "Peak: greatest mean over 20 ms, or over three samples where that is longer, of force above zero. Result of an item: mean of the peaks of its \
first three valid trials; SD with n − 1; CV = 100·SD/mean; 95 %: its interval (modified McKay, Vangel 1996; – where the CV \
is above a third). Best: greatest of the same peaks. Trials in square brackets are not among them. Every number of text and tables has an id (a figure draws the same ones): \
item-N.mean_of_peaks_n, sd_n, cv_percent, cv_low_percent, cv_high_percent, best_n, trials_used; \
trial-N.peak_zero_n with N the small number behind a peak; sides-N.left_n, right_n, left_trials, right_trials, difference_n, low_n, high_n, percent; visit-1.left_out, deviations, sides, sides_by_chance; sensor-N.missing, gaps, gaps_unknown. \
The command: fingerforce info RECORDING --number ID gives its samples, calibration and formula.";

/// One visit without its figures.
pub fn visit(
    page: &mut Page,
    file: &str,
    recording: &Recording,
    (of, vouched): (&Visit, &Vouched),
    procedure: &OfVisit,
) -> Result<(), ReadError> {
    let (rows, root, entered) = (recording.trials()?, recording.root().clone(), recording.observations()?);
    let (items, plan) = (repeats::items(&rows), plan::read(&root.plan));
    let corrections = revise::effects(&recording.events()?);
    let named = |text: &str| if text.is_empty() { "not named".to_owned() } else { text.to_owned() };
    let began = names::local(&root.started_utc, &root.utc_offset);
    page.heading(2, &format!("Participant {}, {began}", named(&root.participant)));
    let untested = untested(&rows, &entered, &plan);
    let course = chart::course(recording, &plan, untested.len())?;
    chart::identity(page, recording, course, &entered, &plan);
    page.heading(3, "In five lines, to be copied");
    page.plain(&chart::plain_lines(recording, &items, &rows, &entered, &corrections, &plan));
    instruments(page, recording)?;
    page.heading(3, "Results by muscle and side");
    if items.is_empty() {
        page.paragraph("No trials of a plan in this recording.");
    } else {
        // A column only where a calibrated sensor has something to put into it.
        let calibrated = items.iter().any(|item| item.spread.expanded_uncertainty_n.is_some());
        let instrument = calibrated.then_some("instrument ± (95 %), N");
        let head: Vec<&str> = ["item", "muscle", "test", "trials, N", "mean, N"]
            .into_iter()
            .chain(instrument)
            .chain(["SD, N", "CV, %", "95 %", "best, N", "n"])
            .collect();
        let tested = by_muscle(&items).into_iter();
        let tested = tested.map(|item| item_row(&root.visit_id, item, &rows, calibrated));
        let untested = untested.into_iter().map(|told| {
            let mut cells: Vec<Cell> = told.iter().map(|told| Cell::text(told)).collect();
            cells.resize(head.len(), Cell::text("–"));
            cells
        });
        let mut groups = vec![("", tested.collect::<Vec<_>>()), ("Not tested", untested.collect())];
        groups.retain(|(_, rows)| !rows.is_empty());
        page.grouped_table(&head, &groups);
        page.classed("quiet", DEFINITIONS);
        page.classed("quiet", &instrument_words(&items));
    }
    own_error(page, &root.visit_id, procedure);
    breaks(page, &root.visit_id, &rows);
    side_section(page, &of_visit(of, vouched), &root.visit_id, plan.involved_side);
    chart::entered(page, &entered, &plan, &root.utc_offset);
    deviations(page, &chart::deviations(&rows, &entered, &corrections, &plan, &root.utc_offset));
    exclusions(page, &items);
    conditions(page, &items, &rows, &plan);
    chart::origin(page, file, recording);
    Ok(())
}

/// The plan's pulls that were not done: item, muscle, test, and why.
fn untested(rows: &[TrialRow], entered: &[ObservationRow], plan: &Plan) -> Vec<[String; 4]> {
    let loaded = |of: &plan::Item| {
        !matches!(of.test.parse(), Ok(Test::ActiveMotion | Test::Length)) && !of.muscle.is_empty()
    };
    let why = |number: i64| {
        let own = entered.iter().rev().filter(|row| row.item == number && row.kind == "text");
        let said = own.map(|row| row.value.as_str()).find_map(|told| {
            told.strip_prefix("not tested: ").or(told.starts_with("skipped").then_some(told))
        });
        said.unwrap_or("not reached").to_owned()
    };
    let missing = (1..)
        .zip(&plan.items)
        .filter(|(number, of)| loaded(of) && !rows.iter().any(|row| row.item == *number));
    missing
        .map(|(number, of)| [format!("item-{number}"), of.muscle.clone(), of.test.clone(), why(number)])
        .collect()
}

/// What breaks depend on: how fast the examiner pulled, and how the force fell.
fn breaks(page: &mut Page, visit_id: &str, rows: &[TrialRow]) {
    let pulls = rows.iter().filter(|row| row.test == Test::Break.word() && row.item > 0 && row.kind == HOLD);
    let row = |row: &TrialRow| {
        let number = |value: f64, digits: usize, field: &str| {
            Cell::number(repeats::known(value), digits, &trial_id(visit_id, row.order, field))
        };
        let asked = if row.is_flagged(TOO_FAST) {
            "faster"
        } else if row.is_flagged(TOO_SLOW) {
            "slower"
        } else {
            ""
        };
        vec![
            Cell::short(&format!("trial-{}", row.order)),
            Cell::text(&row.muscle),
            Cell::short(&row.outcome.replace('-', " ")),
            number(row.cap_n, 1, "cap_n"),
            number(row.pace_n_per_s, 1, "pace_n_per_s"),
            Cell::short(asked),
            number(row.loading_rate_n_per_s, 1, "loading_rate_n_per_s"),
            number(row.drop_percent, 0, "drop_percent"),
        ]
    };
    let rows: Vec<Vec<Cell>> = pulls.map(row).collect();
    if rows.is_empty() {
        return;
    }
    page.heading(3, "How the break pulls went");
    page.table(
        &[
            "trial",
            "muscle",
            "ended",
            "limit, N",
            "pace, N/s",
            "against the plan",
            "rate at the end, N/s",
            "drop, %",
        ],
        &rows,
    );
    page.classed(
        "quiet",
        "Limit: the force at which the pull was to stop. The plan asks for 25 to 40 % of the best make a second where it says nothing \
         else. Pace: mean slope of the rise from 5 to 90 % of the peak. Rate at the end: slope over the last 0.5 s before the \
         break or the peak. The force of a break depends on the examiner's speed (Burns and Spanier 2005).",
    );
}

/// What the instrument's ± is made of, and what is not in it; never merged with the procedure's.
fn instrument_words(items: &[Item]) -> String {
    let known = || items.iter().filter(|item| item.spread.expanded_uncertainty_n.is_some());
    if known().next().is_none() {
        return "Instrument ±: unknown, no calibration in the recording covers these forces.".to_owned();
    }
    let mut terms: Vec<String> =
        known().flat_map(|item| item.spread.uncertainty_not_included.iter().cloned()).collect();
    terms.sort();
    terms.dedup();
    format!(
        "Instrument ±: expanded uncertainty (95 %) of the mean, by the GUM from calibration, noise, attitude, temperature, \
         creep and drift{}. The procedure's own error is its SEM (`fingerforce reliability`) and not in it.",
        not_included(&terms)
    )
}

/// Items with the sides of one muscle and test one below the other.
fn by_muscle(items: &[Item]) -> Vec<&Item> {
    let key = |item: &Item| {
        item.muscle.parse::<Muscle>().map_or_else(|_| item.muscle.clone(), Muscle::without_side)
    };
    let first = |item: &Item| items.iter().position(|other| key(other) == key(item));
    let test = |item: &Item| item.test.parse::<Test>().ok();
    let mut sorted: Vec<&Item> = items.iter().collect();
    sorted.sort_by_key(|item| (first(item), test(item), item.side.clone()));
    sorted
}

fn deviations(page: &mut Page, lines: &[String]) {
    page.heading(3, "Deviations, overrides, notes");
    if lines.is_empty() {
        page.paragraph("None entered.");
    }
    page.list(lines);
}

fn instruments(page: &mut Page, recording: &Recording) -> Result<(), ReadError> {
    page.heading(3, "Instrument");
    let mut lines = Vec::new();
    for (sensor_number, sensor) in (1..).zip(recording.sensors()) {
        let gaps = recording.gaps(sensor_number)?;
        let missing: i64 = gaps.iter().map(|gap| gap.missing.max(0)).sum();
        let unknown = gaps.iter().filter(|gap| gap.missing < 0).count();
        let number = |count: i64, field: &str| {
            Prose::default()
                .number(count.to_string(), &sensor_id(&recording.root().visit_id, sensor_number, field))
        };
        let in_gaps = |count: usize, field: &str| {
            number(count as i64, field).words(if count == 1 { " gap" } else { " gaps" })
        };
        let known = (missing > 0).then(|| {
            number(missing, "missing")
                .words(" samples are missing, in ")
                .then(in_gaps(gaps.len() - unknown, "gaps"))
        });
        let unknown = (unknown > 0).then(|| {
            Prose::from("samples are missing in ")
                .then(in_gaps(unknown, "gaps_unknown"))
                .words(", nobody knows how many")
        });
        let lost: Vec<Prose> = known.into_iter().chain(unknown).collect();
        let lost = if lost.is_empty() { "no sample is missing".into() } else { Prose::joined(lost, "; ") };
        let who = format!("Sensor {sensor_number}: {}; {}; ", sensor.serial, instrument(sensor));
        lines.push(Prose::from(who).then(lost));
    }
    page.list(&lines);
    Ok(())
}

/// A sensor's rate and calibration in words.
pub fn instrument(sensor: &Sensor) -> String {
    let mut calibrations: Vec<&str> =
        sensor.channels.iter().map(|channel| channel.calibration.as_str()).collect();
    calibrations.dedup();
    let nominal = if calibrations.contains(&"nominal") {
        " (as the sensor declares itself, not calibrated: forces are nominal)"
    } else {
        ""
    };
    let rate = if sensor.interval_ns > 0 {
        format!("{:.1} samples/s", 1e9 / sensor.interval_ns as f64)
    } else {
        "rate unknown".to_owned()
    };
    format!("{}, {rate}, calibration {}{nominal}", sensor.firmware, calibrations.join(", "))
}

fn item_row(visit_id: &str, item: &Item, rows: &[TrialRow], calibrated: bool) -> Vec<Cell> {
    let spread = &item.spread;
    let number = |value: Option<f64>, digits: usize, field: &str| {
        Cell::number(value, digits, &item_id(visit_id, item.item, field))
    };
    let peaks: Vec<String> = item
        .trials
        .iter()
        .map(|trial| {
            let shown = trial
                .peak_zero_n
                .map_or_else(|| chart::beside_the_mean(trial, rows), |peak_n| format!("{peak_n:.2}"));
            let shown = if trial.used { shown } else { format!("[{shown}]") };
            let ended = if trial.outcome == Outcome::Released.word() { "" } else { &trial.outcome };
            let limit = if chart::reached_cap(trial, rows) { " limit" } else { "" };
            let mark = format!("{} {}{limit}", trial.order, ended.replace('-', " "));
            marked(&shown, &trial_id(visit_id, trial.order, "peak_zero_n"), mark.trim())
        })
        .collect();
    let mut row = vec![
        Cell::short(&format!("item-{}", item.item)),
        Cell::text(&item.muscle),
        Cell::text(&item.test),
        Cell::numbers(&peaks),
        number(spread.mean_of_peaks_n, 2, "mean_of_peaks_n"),
    ];
    row.extend(calibrated.then(|| number(spread.expanded_uncertainty_n, 3, "expanded_uncertainty_n")));
    row.extend([
        number(spread.sd_n, 2, "sd_n"),
        number(spread.cv_percent, 1, "cv_percent"),
        Cell::numbers(&cv_interval(visit_id, item.item, spread)).unbroken(),
        number(spread.best_n, 2, "best_n"),
        number(Some(spread.trials_used as f64), 0, "trials_used"),
    ]);
    row
}

fn cv_interval(visit_id: &str, item: i64, spread: &Spread) -> Vec<String> {
    let end = |value: Option<f64>, name: &str, field: &str| {
        value.map(|value| with_id(&format!("{name}{value:.1}"), &item_id(visit_id, item, field)))
    };
    let low = end(
        spread.cv_low_percent,
        if spread.cv_high_percent.is_none() { "over " } else { "" },
        "cv_low_percent",
    );
    let high = end(spread.cv_high_percent, "to ", "cv_high_percent");
    let shown: Vec<String> = low.into_iter().chain(high).collect();
    if shown.is_empty() { vec!["–".to_owned()] } else { shown }
}

/// How an item's force was taken, in words; `None` where it has no trial.
pub fn condition_line(item: &Item, rows: &[TrialRow], plan: &Plan) -> Option<String> {
    let row = rows.iter().find(|row| row.item == item.item)?;
    Some(condition_words(row) + &planned_words(plan, item))
}

/// How the force was taken, a line for each way.
fn conditions(page: &mut Page, items: &[Item], rows: &[TrialRow], plan: &Plan) {
    let told = |item: &Item| Some((condition_line(item, rows, plan)?, format!("item-{}", item.item)));
    let lines = together(items.iter().filter_map(told));
    if !lines.is_empty() {
        page.heading(3, "Conditions");
        page.list(&lines.iter().map(|(told, all)| format!("{}: {told}", all.join(", "))).collect::<Vec<_>>());
    }
}

/// What the plan says of an item's position and course.
fn planned_words(plan: &Plan, item: &Item) -> String {
    let planned = plan.items.iter().find(|of| of.muscle == item.muscle && of.test == item.test);
    let Some(planned) = planned else { return String::new() };
    let number =
        |name: &str, value: Option<f64>, unit: &str| value.map(|value| format!("{name} {value}{unit}"));
    let words = |name: &str, text: &str| (!text.is_empty()).then(|| format!("{name}{text}"));
    let parts = [
        number("hold", planned.hold_s, " s"),
        number("count", planned.count.map(f64::from), " s"),
        number("rest", planned.rest_s, " s"),
        number("limit", planned.cap_n, " N"),
        words("", &planned.posture),
        words("contact: ", &planned.contact),
        words("said: ", &planned.say),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() { String::new() } else { format!("; {}", parts.join("; ")) }
}

fn condition_words(row: &TrialRow) -> String {
    let word = |name: &str, value: &str| (!value.is_empty()).then(|| format!("{name} {value}"));
    let length = |name: &str, value: f64| value.is_finite().then(|| format!("{name} {value} mm"));
    let parts = [
        word("arrangement", &row.arrangement),
        word("reaction", &row.reaction),
        word("coupling", &row.coupling),
        word("position", &row.position),
        word("palm", &row.palm),
        length("lever", row.lever_mm),
        length("gap", row.gap_mm),
        word("the participant sees of the force:", &row.feedback),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() {
        return "arrangement, reaction, coupling, position and lever were not recorded".to_owned();
    }
    parts.join(", ")
}

fn exclusions(page: &mut Page, items: &[Item]) {
    let lines: Vec<String> = exclusion_lines(items, |_| true);
    if !lines.is_empty() {
        page.heading(3, "What does not count, and why");
        page.list(&lines);
    }
    let noted = items.iter().flat_map(|item| {
        item.notes.iter().map(move |note| (note.clone(), format!("{}, {}", item.muscle, item.test)))
    });
    let lines = together(noted);
    if !lines.is_empty() {
        page.heading(3, "To know about the results");
        page.list(&lines.iter().map(|(note, of)| format!("{note}: {}", of.join("; "))).collect::<Vec<_>>());
    }
}

/// What is told of several, once, with all of whom it is told.
fn together(told: impl Iterator<Item = (String, String)>) -> Vec<(String, Vec<String>)> {
    let mut lines: Vec<(String, Vec<String>)> = Vec::new();
    for (told, of) in told {
        match lines.iter_mut().find(|(known, _)| *known == told) {
            Some((_, all)) => all.push(of),
            None => lines.push((told, vec![of])),
        }
    }
    lines
}

/// A line for each of these trials that is not behind a result.
pub fn exclusion_lines(items: &[Item], told: fn(&Trial) -> bool) -> Vec<String> {
    let of = |item: &Item| -> Vec<String> {
        let left_out = item.trials.iter().filter(|trial| !trial.used && told(trial));
        left_out
            .map(|trial| {
                format!(
                    "{}, {}: trial-{} ({}): {}",
                    item.muscle, item.test, trial.order, trial.outcome, trial.why_not_used
                )
            })
            .collect()
    };
    items.iter().flat_map(of).collect()
}

/// A row of the table of sides.
fn side_row(visit_id: &str, number: usize, of: &SideDifference) -> Vec<Cell> {
    let id = |field: &str| sides_id(visit_id, number, field);
    let ends = of.interval_n.map(|(low, high)| {
        vec![with_id(&format!("{low:.2}"), &id("low_n")), with_id(&format!("to {high:.2}"), &id("high_n"))]
    });
    let trials = Prose::default().number(of.trials.0.to_string(), "left_trials").words(" + ");
    let trials = trials.number(of.trials.1.to_string(), "right_trials");
    // None is named where the repeats do not tell them apart.
    let stronger = match of.stronger.filter(|_| of.beyond_repeats == Some(true)) {
        Some(Side::Left) => "left",
        Some(Side::Right) => "right",
        None => "–",
    };
    vec![
        Cell::short(&format!("sides-{number}")),
        Cell::text(&format!("{}, {}", of.muscle, of.test)),
        Cell::number(Some(of.left_n), 2, &id("left_n")),
        Cell::number(Some(of.right_n), 2, &id("right_n")),
        Cell::prose(&trials.with_ids(id)).unbroken(),
        Cell::number(Some(of.difference_n), 2, &id("difference_n")),
        Cell::numbers(&ends.unwrap_or_default()).unbroken(),
        Cell::number(of.percent, 1, &id("percent")),
        Cell::short(stronger),
        Cell::text(match of.beyond_repeats {
            Some(true) => "yes",
            Some(false) => "not shown",
            None => "cannot say",
        }),
    ]
}

fn side_section(page: &mut Page, found: &[SideDifference], visit_id: &str, involved: Option<Side>) {
    if found.is_empty() {
        return;
    }
    page.heading(3, "Sides, by nerve");
    let row = |(number, of): (usize, &SideDifference)| side_row(visit_id, number, of);
    let numbered = || (1..).zip(found);
    let mut groups: Vec<(&str, Vec<Vec<Cell>>)> = Vec::new();
    for nerve in nerve::ALL {
        let own = numbered().filter(|(_, of)| nerve::of(&of.muscle) == Some(nerve));
        groups.push((nerve.name, own.map(row).collect()));
    }
    let others = numbered().filter(|(_, of)| nerve::of(&of.muscle).is_none());
    groups.push(("Other muscles", others.map(row).collect()));
    groups.retain(|(_, rows)| !rows.is_empty());
    let controlled = groups.len() > 1;
    let head = |side: Side| {
        let mark = if involved == Some(side) { " (involved)" } else { "" };
        format!("{side}{mark}, N")
    };
    page.grouped_table(
        &[
            "id",
            "muscle",
            &head(Side::Left),
            &head(Side::Right),
            "n",
            "right − left, N",
            "95 %",
            "%",
            "stronger",
            "beyond the repeats",
        ],
        &groups,
    );
    page.list(&found.iter().filter_map(sides_unsaid).chain(sides_taken(found)).collect::<Vec<_>>());
    if let Some(words) = sides_by_chance(found) {
        page.paragraph(words.with_ids(|field| visit_number_id(visit_id, field)));
    }
    page.classed(
        "quiet",
        &format!(
            "%: {FORMULA}. Interval: Welch. Neither side is a reference by itself: the other side may be involved too, and \
             dominance is not corrected for. {}",
            if controlled { nerve::WITH_CONTROL } else { nerve::WITHOUT_CONTROL }
        ),
    );
}

/// The changes between visits.
pub fn changes(page: &mut Page, of: &Comparison) {
    page.heading(2, "Changes between visits");
    let heads = (1..).zip(&of.visits).map(|(number, visit)| {
        let days = visit.days.map_or_else(String::new, |days| format!(", day {days:.0}"));
        format!(
            "Visit {number}: {}{days}, examiner {}, {}",
            names::instant(&visit.started_utc),
            visit.examiner,
            visit.visit_id
        )
    });
    page.list(&heads.collect::<Vec<_>>());
    let rows: Vec<Vec<Cell>> = of.changes.iter().map(|change| change_row(change, of)).collect();
    page.table(&["id", "item", "visit", "first, N", "then, N", "change, N", "%", "limit", "verdict"], &rows);
    page.paragraph(Prose::from("Comparisons: ").then(chances(of).with_ids(comparison_id)));
    if let Some(words) = vouched_words(of) {
        page.paragraph(words);
    }
    page.list(&change_lines(of));
    let trends = (1..).zip(&of.trends);
    page.list(
        &trends
            .map(|(number, trend)| trend_words(trend).with_ids(|field| trend_id(number, field)))
            .collect::<Vec<_>>(),
    );
    if let Some(words) = trends_by_chance(of) {
        page.paragraph(words.with_ids(comparison_id));
    }
    page.classed(
        "quiet",
        &format!(
            "Change: difference of the results (mean of the first three valid peaks). Ids: change-N.earlier_n, later_n, change_n (of several later visits VISIT:change-N, VISIT the first eight characters of its id), \
             change_percent, reported_earlier_n, reported_later_n, limit, mdc, mdc_low, mdc_high, participants, chance_percent, of a \
             primary one (*) mdc95_alone, mdc95, mdc95_low, mdc95_high, of ratios limit_down, mdc_down, mdc95_alone_down, mdc95_down; \
             comparison-1.judged, changes, singly, together, false_changes, trends, trends_by_chance; trend-N.visits, slope_n_per_day, \
             slope_low, slope_high, p; the command: fingerforce info RECORDING RECORDING --number ID, with what limits come from as \
             given here. \
             {} A change within the limit is not a proof that nothing changed.",
            limits_made()
        ),
    );
}

/// The id of a number of one of these changes.
fn change_number(change: &Change, of: &Comparison) -> (usize, impl Fn(&str) -> String) {
    let own = of.changes.iter().filter(|other| other.visit == change.visit);
    let number = own.take_while(|other| !std::ptr::eq(*other, change)).count() + 1;
    let visit_id = of.visits.get(change.visit - 1).map_or("", |visit| &visit.visit_id);
    (number, move |field: &str| change_id(visit_id, number, field))
}

fn change_row(change: &Change, of: &Comparison) -> Vec<Cell> {
    let (number, id) = change_number(change, of);
    let signed = |value: Option<f64>, digits: usize, field: &str| {
        let shown = value.map_or_else(|| "–".to_owned(), |value| format!("{value:+.digits$}"));
        Cell::numbers(&[with_id(&shown, &id(field))])
    };
    vec![
        Cell::short(&format!("change-{number}")),
        Cell::text(&format!("{}, {}{}", change.muscle, change.test, if change.primary { " *" } else { "" })),
        Cell::text(&change.visit.to_string()),
        Cell::number(change.earlier_n, 2, &id("earlier_n")),
        Cell::number(change.later_n, 2, &id("later_n")),
        signed(change.change_n, 2, "change_n"),
        signed(change.change_percent, 1, "change_percent"),
        limit_words(change)
            .map_or_else(|| Cell::number(None, 2, &id("limit")), |words| Cell::prose(&words.with_ids(&id))),
        Cell::text(verdict_words(change)),
    ]
}

fn change_lines(of: &Comparison) -> Vec<Prose> {
    let lines = |change: &Change| -> Vec<Prose> {
        let name = format!("{}, {}, visit {}: ", change.muscle, change.test, change.visit);
        let because = (!change.cannot_say.is_empty())
            .then(|| format!("{name}cannot say, because {}", change.cannot_say.join("; ")).into());
        let (_, id) = change_number(change, of);
        let source = change.verdict.map(|_| Prose::from(&*name).then(limit_from(change)).with_ids(&id));
        let reported = reported_words(change).map(|words| Prose::from(&*name).then(words).with_ids(&id));
        let notes = change.notes.iter().map(|note| format!("{name}{note}").into());
        because.into_iter().chain(source).chain(notes).chain(reported).collect()
    };
    of.changes.iter().flat_map(lines).collect()
}

/// The procedure's own error of each result, where the site's own repeats tell it; beside the instrument's, never in it.
fn own_error(page: &mut Page, visit_id: &str, of: &OfVisit) {
    let line = |(item, of): (i64, &Procedure)| {
        let words = of.words().with_ids(|field| item_id(visit_id, item, field));
        Prose::from(format!("item-{item}: ")).then(words)
    };
    let lines: Vec<Prose> = of.all().map(line).collect();
    if !lines.is_empty() {
        page.heading(3, "The procedure's own error");
        page.list(&lines);
        page.classed("quiet", "Ids: item-N.procedure_sem; the command: fingerforce info RECORDING --reliability FILE --number ID.");
    }
}

/// The repeatability that limits come from, in short.
pub fn basis(page: &mut Page, document: &Document) {
    page.heading(2, "Repeatability behind the limits");
    let rows = (1..)
        .zip(&document.analyses)
        .flat_map(|(number, of)| std::iter::once(basis_row(number, of)).chain(ratio_row(number, of)));
    let rows: Vec<Vec<Cell>> = rows.collect();
    page.table(
        &["quantity", "subjects × occasions", "ICC(2,1) = ICC(A,1), 95 %", "SEM (agreement)", "MDC95, 95 %"],
        &rows,
    );
    page.classed(
        "quiet",
        "Ids: reliability-N.subjects, occasions, icc, icc_low, icc_high, sem, mdc95, mdc95_low, mdc95_high, where changes are \
         judged as ratios sem_of_ratios, mdc95_of_ratios, mdc95_of_ratios_down, mdc95_of_ratios_low, mdc95_of_ratios_high, with N the \
         quantity's number; the command: fingerforce info RECORDINGS --reliability FILE --number ID.",
    );
}

/// The same as ratios, where changes are judged by them.
fn ratio_row(number: usize, of: &Reliability) -> Option<Vec<Cell>> {
    let sem = of.agreement_of_logs?;
    let shown = |value: f64, id: &str| with_id(&format!("{value:+.1}"), &reliability_id(number, id));
    let (up, down) = (of_ratios(&sem.mdc95), of_ratios(&sem.mdc95.times(-1.0)));
    let ends = [(up.low, "mdc95_of_ratios_low"), (up.high, "mdc95_of_ratios_high")];
    let ends = ends.into_iter().filter_map(|(end, id)| Some(shown(end?, id)));
    let mdc = [shown(down.value, "mdc95_of_ratios_down"), "/".to_owned(), shown(up.value, "mdc95_of_ratios")];
    Some(vec![
        Cell::text(&format!("{}: of ratios, %", of.name)),
        Cell::text(""),
        Cell::text(""),
        Cell::numbers(&[shown(of_ratios(&sem.sem).value, "sem_of_ratios")]),
        Cell::numbers(&mdc.into_iter().chain(ends).collect::<Vec<_>>()).unbroken(),
    ])
}

fn basis_row(number: usize, of: &Reliability) -> Vec<Cell> {
    let icc = of.icc.iter().find(|form| form.shrout_fleiss == "ICC(2,1)");
    let mdc95 = of.agreement.map(|sem| sem.mdc95);
    let shown = |value: Option<f64>, digits: usize, before: &str, field: &str| {
        value.map(|value| with_id(&format!("{before}{value:.digits$}"), &reliability_id(number, field)))
    };
    let count = |count: usize, field: &str| shown(Some(count as f64), 0, "", field);
    let cell = |parts: [Option<String>; 3]| {
        Cell::numbers(&parts.into_iter().flatten().collect::<Vec<_>>()).unbroken()
    };
    let unit = if of.unit.is_empty() { String::new() } else { format!(" ({})", of.unit) };
    vec![
        Cell::text(&format!("{}{unit}", of.name)),
        cell([count(of.subjects, "subjects"), Some("×".to_owned()), count(of.k, "occasions")]),
        cell([
            shown(icc.map(|form| form.icc), 2, "", "icc"),
            shown(icc.and_then(|form| form.low), 2, "", "icc_low"),
            shown(icc.and_then(|form| form.high), 2, "to ", "icc_high"),
        ]),
        cell([shown(of.agreement.map(|sem| sem.sem.value), 2, "", "sem"), None, None]),
        cell([
            shown(mdc95.map(|of| of.value), 2, "", "mdc95"),
            shown(mdc95.and_then(|of| of.low), 2, "", "mdc95_low"),
            shown(mdc95.and_then(|of| of.high), 2, "to ", "mdc95_high"),
        ]),
    ]
}
