//! What a chart needs of a visit beside its numbers: who and when, plain lines to paste, what the examiner saw, deviations,
//! room for a label and a signature.
//!
//! Comes in: a recording, its items and its plan. Goes out: sections of a page, without a word of judgement.
use super::html::{Cell, Page};
use super::number::{item_id, visit_number_id};
use super::page::instrument;
use crate::cautions::CAUTIONS;
use crate::measures::repeats::{Item, SCORED, Trial};
use crate::plot::names;
use crate::prose::Prose;
use crate::recording::layout::{
    ACTION, CLOCKS, FINISHED, INTERRUPTED, NOT_ENTERED, ObservationRow, PLAN_FINISHED, PORT_CLOSED, RESUMED,
    Root, TAKEN_BACK, TrialRow,
};
use crate::recording::plan::Plan;
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise::Effect;
use crate::recording::trial_row::{REACHED_CAP, TOO_FAST, TOO_SLOW};
use crate::trial::{Outcome, Side, Test};
use sha2::{Digest, Sha256};

/// Characters of a report's id.
const ID_LENGTH: usize = 12;
/// Kinds of observations that stand in a row of their muscle, in this order.
const SEEN: [&str; 4] = ["active motion", "trick movement", "length", "grade"];
/// Kinds that have a place of their own elsewhere in the report.
const ELSEWHERE: [&str; 6] = ["gate", "practice", "pain", "pain after", "text", "override"];
/// Tests whose results stand in the plain lines, in this order.
const TOLD: [Test; 3] = [Test::Make, Test::Break, Test::Concentric];

/// A report's id: the beginning of the digest of what is in its recording, or of all of them.
pub fn report_id(contents: &[String]) -> String {
    match contents {
        [one] => one.chars().take(ID_LENGTH).collect(),
        all => {
            let digest = Sha256::digest(all.concat().as_bytes());
            digest
                .iter()
                .map(|byte| format!("{byte:02x}"))
                .collect::<String>()
                .chars()
                .take(ID_LENGTH)
                .collect()
        }
    }
}

/// What stands for nothing.
fn or_not<'a>(text: &'a str, what: &'a str) -> &'a str {
    if text.is_empty() { what } else { text }
}

/// Who, when, by whom, and room for the institution's own label.
pub fn identity(
    page: &mut Page,
    recording: &Recording,
    course: Vec<String>,
    entered: &[ObservationRow],
    plan: &Plan,
) {
    let root = recording.root();
    let supersedes = match root.supersedes.as_str() {
        "" => String::new(),
        digest if digest.len() == 64 => format!("; replaces report {}", report_id(&[digest.to_owned()])),
        name => format!("; replaces the report of {name}"),
    };
    let own = report_id(&[recording.content_sha256().to_owned()]);
    let mut lines = vec![
        format!("Report {own}{supersedes}"),
        format!("Began {}", names::local(&root.started_utc, &root.utc_offset)),
    ];
    lines.extend(course);
    lines.push(participant(root));
    lines.extend(of_kind(entered, "gate").map(|row| {
        let at = names::clock(&row.entered_utc, &root.utc_offset);
        format!("Allowed by the examiner, {at}: {}", row.value)
    }));
    lines.push(format!("Examiner {}", or_not(&root.examiner, "not named")));
    lines.extend(of_kind(entered, "practice").map(|row| format!("Practice of the examiner: {}", row.value)));
    if !plan.title.is_empty() {
        let seed = plan.seed.map_or_else(String::new, |seed| format!("; random order from seed {seed}"));
        lines.push(format!("Plan: {}{seed}", plan.title));
    }
    page.identity("Label of the institution (kept on paper only)", &lines);
}

/// Where all of it can be looked up.
pub fn origin(page: &mut Page, file: &str, recording: &Recording) {
    let root = recording.root();
    page.classed(
        "quiet",
        &format!(
            "Recording {file}: visit {}, revision {}. Measured by {}; digest of the contents {}.",
            root.visit_id,
            root.revision,
            root.software,
            recording.content_sha256()
        ),
    );
}

/// How the visit went on and ended, where it was one by a plan: interrupted, ended early, or done. `untested` items of the
/// plan have no trial.
pub fn course(recording: &Recording, plan: &Plan, untested: usize) -> Result<Vec<String>, ReadError> {
    if plan.items.is_empty() {
        return Ok(Vec::new());
    }
    let (events, root) = (recording.events()?, recording.root());
    let mut lines: Vec<String> = Vec::new();
    // Once the program goes on, the clocks are read.
    let mut gone_on = false;
    for event in &events {
        let told = [(PORT_CLOSED, INTERRUPTED), (ACTION, RESUMED)];
        if told.contains(&(&event.kind, &event.detail)) {
            gone_on = true;
        } else if event.kind == CLOCKS && std::mem::take(&mut gone_on) {
            let at = names::clock(&clock_utc(&event.detail), &root.utc_offset);
            lines.push(format!("The program was cut off; the visit was gone on with at {at}"));
        }
    }
    let left = match untested {
        0 => String::new(),
        1 => "; 1 item of the plan was not tested".to_owned(),
        n => format!("; {n} items of the plan were not tested"),
    };
    let end = events.iter().rev().find(|event| event.kind == FINISHED).map(|event| event.detail.as_str());
    lines.push(match end {
        Some(PLAN_FINISHED) => format!("The plan was done to its end{left}"),
        Some(why) => format!("Ended before the plan was done: {why}{left}"),
        None => format!("The recording ends where the program was cut off{left}"),
    });
    Ok(lines)
}

/// Civil time in the detail of an event of the clocks; "" where there is none.
fn clock_utc(detail: &str) -> String {
    let utc_ns = serde_json::from_str::<serde_json::Value>(detail).ok().and_then(|it| it["utc_ns"].as_i64());
    let instant = utc_ns.and_then(|ns| jiff::Timestamp::from_nanosecond(i128::from(ns)).ok());
    instant.map(|instant| instant.to_string()).unwrap_or_default()
}

/// Fields of `/participant` in words.
fn participant(root: &Root) -> String {
    let unit = |name: &str| match name {
        "age_years" => ("age", " years"),
        "hand_length_mm" => ("hand length", " mm"),
        "weeks_since" => ("weeks since injury or surgery", ""),
        _ => ("", ""),
    };
    let mut parts = vec![format!("Participant {}", or_not(&root.participant, "not named"))];
    for (name, value) in &root.participant_fields {
        let (told, unit) = unit(name);
        let plain = name.replace('_', " ");
        parts.push(format!("{} {value}{unit}", if told.is_empty() { &plain } else { told }));
    }
    parts.join("; ")
}

fn of_kind<'a>(entered: &'a [ObservationRow], kind: &'a str) -> impl Iterator<Item = &'a ObservationRow> {
    entered.iter().filter(move |row| row.kind == kind)
}

/// Muscle and test of an item of the plan.
fn name_of(plan: &Plan, item: i64) -> String {
    let at = usize::try_from(item).ok().and_then(|item| item.checked_sub(1));
    at.and_then(|at| plan.items.get(at)).map_or_else(
        || if item > 0 { format!("item-{item}") } else { "the visit".to_owned() },
        |of| format!("{}, {}", of.muscle, of.test),
    )
}

/// A trial that is a result of its own and not one of a mean, in short.
pub fn beside_the_mean(trial: &Trial, rows: &[TrialRow]) -> String {
    let row = rows.iter().find(|row| row.order == trial.order);
    let below = row.and_then(TrialRow::below_n).map(|limit_n| format!("<{limit_n}"));
    let peak = trial.peak_zero_n.map_or_else(|| "–".to_owned(), |peak_n| format!("{peak_n:.1}"));
    match trial.outcome.parse::<Outcome>() {
        Ok(Outcome::BelowMeasurable) => below.unwrap_or_else(|| "below measurable".to_owned()),
        Ok(Outcome::HeldToLimit) => format!("≥{peak}"),
        // A pull to get used to the task is no measure of where it hurts.
        Ok(Outcome::PainLimited) if trial.number < 0 => "pain".to_owned(),
        Ok(Outcome::PainLimited) => format!("pain at {peak}"),
        _ => "–".to_owned(),
    }
}

/// The visit in five lines, to be copied into a record.
pub fn plain_lines(
    recording: &Recording,
    items: &[Item],
    rows: &[TrialRow],
    entered: &[ObservationRow],
    corrections: &[Effect],
    plan: &Plan,
) -> Vec<Prose> {
    let root = recording.root();
    let number = |count: usize, field: &str, what: &str| {
        let words = format!(" {what}{}", if count == 1 { "" } else { "s" });
        Prose::default().number(count.to_string(), &visit_number_id(&root.visit_id, field)).words(&words)
    };
    let sensors: Vec<String> = recording.sensors().iter().map(instrument).collect();
    let nominal =
        if sensors.iter().any(|told| told.contains("not calibrated")) { " (forces nominal)" } else { "" };
    let left_out = items.iter().flat_map(|item| &item.trials).filter(|trial| !trial.used).count();
    let deviations = deviations(rows, entered, corrections, plan, &root.utc_offset).len();
    vec![
        format!(
            "Finger force, {}; participant {}; examiner {}; report {}{nominal}.",
            names::local(&root.started_utc, &root.utc_offset),
            or_not(&root.participant, "not named"),
            or_not(&root.examiner, "not named"),
            report_id(&[recording.content_sha256().to_owned()])
        )
        .into(),
        side_line(&root.visit_id, Side::Right, items, rows),
        side_line(&root.visit_id, Side::Left, items, rows),
        pain_and_grades(entered, plan).into(),
        number(left_out, "left_out", "trial")
            .words(" beside the means, ")
            .then(number(deviations, "deviations", "deviation"))
            .words(&format!(
                ", all in the report. {}.",
                CAUTIONS.split_once('.').map_or(CAUTIONS, |(first, _)| first)
            )),
    ]
}

fn side_line(visit_id: &str, side: Side, items: &[Item], rows: &[TrialRow]) -> Prose {
    let tests: Vec<Test> =
        TOLD.into_iter().filter(|test| items.iter().any(|item| item.test == test.word())).collect();
    let own: Vec<&Item> = items.iter().filter(|item| item.side == side.word()).collect();
    let mut muscles: Vec<&str> = own.iter().map(|item| item.muscle.as_str()).collect();
    muscles.dedup();
    let mut seen: Vec<&str> = Vec::new();
    muscles.retain(|muscle| {
        !seen.contains(muscle) && {
            seen.push(muscle);
            true
        }
    });
    let of = |muscle: &str| {
        let value = |test: &Test| {
            let item = own.iter().find(|item| item.muscle == muscle && item.test == test.word());
            item.map_or_else(|| "–".into(), |item| result(visit_id, item, rows))
        };
        let key = muscle.strip_prefix(side.word()).unwrap_or(muscle).trim();
        Prose::from(format!("{key} ")).then(Prose::joined(tests.iter().map(value), "/"))
    };
    let told: Vec<Prose> = muscles.into_iter().map(of).collect();
    let what: Vec<&str> = tests.iter().map(|test| test.word()).collect();
    let name = names::sentence(side.word());
    if told.is_empty() {
        return format!("{name} hand: not tested.").into();
    }
    Prose::from(format!("{name} hand, mean of the first three valid trials in N, {}: ", what.join("/")))
        .then(Prose::joined(told, "; "))
        .words(".")
}

/// An item's mean and what must be known with it, or what stands beside it.
fn result(visit_id: &str, item: &Item, rows: &[TrialRow]) -> Prose {
    let Some(mean_n) = item.spread.mean_of_peaks_n else {
        return item.trials.last().map_or_else(|| "–".to_owned(), |last| beside_the_mean(last, rows)).into();
    };
    let used = item.spread.trials_used;
    let below = item.trials.iter().filter(|trial| trial.outcome == Outcome::BelowMeasurable.word()).count();
    let at_limit = item.trials.iter().any(|trial| trial.used && reached_cap(trial, rows));
    let told = [
        (used != SCORED).then(|| format!("n {used}")),
        (below > 0).then(|| format!("{below} below measurable")),
        at_limit.then(|| "limit reached".to_owned()),
    ];
    let told: Vec<String> = told.into_iter().flatten().collect();
    let told = if told.is_empty() { String::new() } else { format!(" ({})", told.join(", ")) };
    Prose::default()
        .again(format!("{mean_n:.1}"), &item_id(visit_id, item.item, "mean_of_peaks_n"))
        .words(&told)
}

/// The pull went to its limit.
pub fn reached_cap(trial: &Trial, rows: &[TrialRow]) -> bool {
    rows.iter().any(|row| row.order == trial.order && row.is_flagged(REACHED_CAP))
}

fn pain_and_grades(entered: &[ObservationRow], plan: &Plan) -> String {
    let during = of_kind(entered, "pain").map(|row| format!("{} {}", name_of(plan, row.item), row.value));
    let after = pain_after(entered).into_iter().map(|row| {
        let name = name_of(plan, row.item);
        format!("after the {} hand {}", name.split_whitespace().next().unwrap_or_default(), row.value)
    });
    let pain: Vec<String> = during.chain(after).collect();
    let grades: Vec<String> = graded(entered, plan)
        .into_iter()
        .filter_map(|(muscle, all)| {
            all.last().filter(|row| row.value != TAKEN_BACK).map(|row| (muscle, *row))
        })
        .map(|(muscle, row)| format!("{muscle} {} ({})", row.value, row.scale))
        .collect();
    format!(
        "Pain 0-10: {}. Grades as judged: {}.",
        if pain.is_empty() { "none entered".to_owned() } else { pain.join(", ") },
        if grades.is_empty() { "none entered".to_owned() } else { grades.join(", ") }
    )
}

/// Muscle of an item of the plan.
fn muscle_of(plan: &Plan, row: &ObservationRow) -> String {
    name_of(plan, row.item).split(',').next().unwrap_or_default().to_owned()
}

/// The grades of each muscle, in the order in which they were entered and without those that were taken back: the last one
/// holds. A muscle whose only grade was taken back has none.
fn graded<'a>(entered: &'a [ObservationRow], plan: &Plan) -> Vec<(String, Vec<&'a ObservationRow>)> {
    let mut found: Vec<(String, Vec<&ObservationRow>)> = Vec::new();
    for row in of_kind(entered, "grade") {
        let muscle = muscle_of(plan, row);
        let at = found.iter().position(|(known, _)| *known == muscle).unwrap_or_else(|| {
            found.push((muscle, Vec::new()));
            found.len() - 1
        });
        let all = &mut found[at].1;
        if row.value == TAKEN_BACK {
            all.pop();
        } else if all.last().is_none_or(|last| last.value != row.value) {
            all.push(row);
        }
    }
    found
}

/// Answers to the question after a side; one that came late takes the place of none.
fn pain_after(entered: &[ObservationRow]) -> Vec<&ObservationRow> {
    let all: Vec<&ObservationRow> = of_kind(entered, "pain after").collect();
    let stands = |at: usize, row: &ObservationRow| {
        row.value != NOT_ENTERED || !all[at + 1..].iter().any(|later| later.item == row.item)
    };
    all.iter().enumerate().filter(|(at, row)| stands(*at, row)).map(|(_, row)| *row).collect()
}

/// What the examiner saw, a row a muscle; pain; whatever else was noted.
pub fn entered(page: &mut Page, entered: &[ObservationRow], plan: &Plan, offset: &str) {
    let mut muscles: Vec<String> = Vec::new();
    for row in entered.iter().filter(|row| SEEN.contains(&row.kind.as_str())) {
        let muscle = muscle_of(plan, row);
        if !muscles.contains(&muscle) {
            muscles.push(muscle);
        }
    }
    if !muscles.is_empty() {
        page.heading(3, "Seen and graded by the examiner");
        let grades = graded(entered, plan);
        let cell = |muscle: &str, kind: &str| {
            let values = of_kind(entered, kind).filter(|row| muscle_of(plan, row) == muscle).map(scaled);
            let all = grades.iter().find(|(of, _)| kind == "grade" && of == muscle).map(|(_, all)| &all[..]);
            Cell::text(&all.map_or_else(|| values.collect::<Vec<_>>().join("; "), grade_words))
        };
        let row = |muscle: &String| {
            let mut cells = vec![Cell::text(muscle)];
            cells.extend(SEEN.iter().map(|kind| cell(muscle, kind)));
            cells
        };
        let rows: Vec<Vec<Cell>> = muscles.iter().map(row).collect();
        page.table(&["muscle", "active motion", "trick movements", "length", "grade"], &rows);
        page.classed(
            "quiet",
            "Grades are the examiner's own judgement by the scale named, never computed from forces.",
        );
    }
    let during = of_kind(entered, "pain").map(|row| (row, "with or after"));
    let after = pain_after(entered).into_iter().map(|row| (row, "when the side was done, after"));
    let mut told: Vec<_> = during.chain(after).collect();
    told.sort_by(|(a, _), (b, _)| a.entered_utc.cmp(&b.entered_utc));
    let pain: Vec<String> = told
        .into_iter()
        .map(|(row, when)| {
            let (at, name) = (names::clock(&row.entered_utc, offset), name_of(plan, row.item));
            format!("{at}: {} ({when} {name})", row.value)
        })
        .collect();
    if !pain.is_empty() {
        page.heading(3, "Pain, 0 to 10");
        page.list(&pain);
        page.classed("quiet", "Pain at rest stands with what was allowed, at the top.");
    }
    let told = |kind: &str| SEEN.contains(&kind) || ELSEWHERE.contains(&kind);
    let others = entered.iter().filter(|row| !told(&row.kind)).map(|row| {
        let (at, name) = (names::clock(&row.entered_utc, offset), name_of(plan, row.item));
        format!("{at} {name}: {}: {}", row.kind, scaled(row))
    });
    let others: Vec<String> = others.collect();
    if !others.is_empty() {
        page.heading(3, "Noted by the examiner");
        page.list(&others);
    }
}

/// What was entered, with its scale.
fn scaled(row: &ObservationRow) -> String {
    if row.scale.is_empty() { row.value.clone() } else { format!("{} ({})", row.value, row.scale) }
}

/// A muscle's grades: the last holds, and what was said before it is not hidden.
fn grade_words(all: &[&ObservationRow]) -> String {
    let Some((last, before)) = all.split_last() else { return TAKEN_BACK.to_owned() };
    let before: Vec<&str> = before.iter().map(|row| row.value.as_str()).collect();
    let before =
        if before.is_empty() { String::new() } else { format!("; entered before it: {}", before.join(", ")) };
    scaled(last) + &before
}

/// What went another way than planned, and what was corrected afterwards, a line each.
pub fn deviations(
    rows: &[TrialRow],
    entered: &[ObservationRow],
    corrections: &[Effect],
    plan: &Plan,
    offset: &str,
) -> Vec<String> {
    let told = |row: &ObservationRow| {
        let what = if row.kind == "override" { "the gate was overridden: " } else { "" };
        format!("{} {}: {what}{}", names::clock(&row.entered_utc, offset), name_of(plan, row.item), row.value)
    };
    let entered = entered.iter().filter(|row| matches!(row.kind.as_str(), "override" | "text")).map(told);
    let marked = rows.iter().filter(|row| row.item > 0).filter_map(|row| {
        let was = row.flags.split(',').filter_map(|flag| flag.strip_prefix("was_item_")?.parse().ok());
        let was: Vec<String> = was.map(|item| name_of(plan, item)).collect();
        let moved = (!was.is_empty()).then(|| format!("it was entered as {}", was.join(", then as ")));
        let reached = row
            .is_flagged(REACHED_CAP)
            .then(|| format!("the limit of {:.1} N was reached, peak {:.2} N", row.cap_n, row.peak_zero_n));
        let pace = |flag: &str, word: &str| {
            let told =
                format!("the force grew by {:.1} N/s, {word} than the plan asks for", row.pace_n_per_s);
            row.is_flagged(flag).then_some(told)
        };
        let told = [reached, pace(TOO_FAST, "faster"), pace(TOO_SLOW, "slower"), moved];
        let told: Vec<String> = told.into_iter().flatten().collect();
        (!told.is_empty())
            .then(|| format!("trial-{} of {}, {}: {}", row.order, row.muscle, row.test, told.join("; ")))
    });
    entered.chain(marked).chain(corrections.iter().map(|effect| corrected(effect, rows, offset))).collect()
}

/// A correction: when and by whom, of what, why, and what is different by it.
fn corrected(Effect { correction, changed }: &Effect, rows: &[TrialRow], offset: &str) -> String {
    let when = names::local(&correction.when_utc, offset);
    let what = correction.change.words(&correction.change.of_trial(rows));
    // That it was corrected is what this line says.
    let changed: Vec<&str> =
        changed.iter().map(String::as_str).filter(|change| !change.starts_with("flags: ")).collect();
    format!(
        "Corrected {when} by {}: {what}; why: {}; changed: {}",
        correction.who,
        correction.why,
        changed.join(", ")
    )
}

/// Where the examiner signs.
pub fn signature(page: &mut Page) {
    page.signature(&["Examiner: name and signature", "Date"]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entered(rows: &[(i64, &str, &str)]) -> Vec<ObservationRow> {
        let row = |&(item, kind, value): &(i64, &str, &str)| ObservationRow {
            item,
            kind: kind.to_owned(),
            value: value.to_owned(),
            scale: String::new(),
            entered_utc: String::new(),
            by: String::new(),
        };
        rows.iter().map(row).collect()
    }

    #[test]
    fn a_late_answer_takes_the_place_of_none_and_of_no_other() {
        let rows = [(4, NOT_ENTERED), (8, "1"), (4, "3"), (8, NOT_ENTERED), (4, "5")];
        let rows = entered(&rows.map(|(item, value)| (item, "pain after", value)));
        let left: Vec<_> = pain_after(&rows).iter().map(|row| (row.item, row.value.as_str())).collect();
        assert_eq!(left, [(8, "1"), (4, "3"), (8, NOT_ENTERED), (4, "5")]);
    }

    #[test]
    fn the_last_grade_holds_and_one_that_was_taken_back_is_none() {
        let text = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n\
                    [[item]]\nmuscle = \"left ring abduction\"\ntest = \"make\"\n";
        let plan = crate::recording::plan::read(text);
        let rows = entered(&[
            (1, "grade", "4"),
            (2, "grade", "3"),
            (1, "grade", "4-"),
            (2, "grade", TAKEN_BACK),
            (1, "grade", "2"),
            (1, "grade", TAKEN_BACK),
        ]);
        let all = graded(&rows, &plan);
        let words: Vec<_> = all.iter().map(|(muscle, all)| (muscle.as_str(), grade_words(all))).collect();
        let expected = [
            ("left index abduction", "4-; entered before it: 4".to_owned()),
            ("left ring abduction", "taken back".to_owned()),
        ];
        assert_eq!(words, expected);
        let line = pain_and_grades(&rows, &plan);
        assert!(line.contains("left index abduction 4- (") && !line.contains("ring"), "{line}");
    }

    #[test]
    fn one_recordings_report_has_the_beginning_of_its_digest_as_id() {
        let digest = "0123456789abcdef".repeat(4);
        assert_eq!(report_id(std::slice::from_ref(&digest)), "0123456789ab");
        assert_ne!(report_id(&[digest.clone(), digest.clone()]), report_id(&[digest]));
    }
}
