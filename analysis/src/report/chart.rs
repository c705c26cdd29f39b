//! What a chart needs of a visit beside its numbers: who and when, plain lines to paste, what the examiner saw, deviations,
//! room for a label and a signature.
//!
//! Comes in: a recording, its items and its plan. Goes out: sections of a page, without a word of judgement.
use super::html::{Cell, Page};
use super::page::instrument;
use crate::cautions::CAUTIONS;
use crate::measures::repeats::{Item, Trial};
use crate::plot::names;
use crate::recording::layout::{ObservationRow, Root, TrialRow};
use crate::recording::read::Recording;
use crate::study::plan::Plan;
use crate::trial::{Outcome, Side, Test};
use sha2::{Digest, Sha256};

/// Characters of a report's id.
const ID_LENGTH: usize = 12;
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
pub fn identity(page: &mut Page, file: &str, recording: &Recording, entered: &[ObservationRow], plan: &Plan) {
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
        participant(root),
    ];
    lines.extend(of_kind(entered, "gate").map(|row| format!("Allowed by the examiner: {}", row.value)));
    lines.push(format!("Examiner {}", or_not(&root.examiner, "not named")));
    lines.extend(of_kind(entered, "practice").map(|row| format!("Practice of the examiner: {}", row.value)));
    if !plan.title.is_empty() {
        let seed = plan.seed.map_or_else(String::new, |seed| format!("; random order from seed {seed}"));
        lines.push(format!("Plan: {}{seed}", plan.title));
    }
    lines.push(format!("Visit {}, revision {}; recording {file}", root.visit_id, root.revision));
    lines.push(format!(
        "Measured by {}; digest of the contents {}",
        root.software,
        recording.content_sha256()
    ));
    page.identity("Label of the institution (kept on paper only)", &lines);
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
    let below = row.and_then(|row| {
        let limit = row.flags.split(',').find_map(|flag| flag.strip_prefix("below_")?.strip_suffix("_n"))?;
        Some(format!("<{limit}"))
    });
    let peak = trial.peak_zero_n.map_or_else(|| "–".to_owned(), |peak_n| format!("{peak_n:.1}"));
    match trial.outcome.parse::<Outcome>() {
        Ok(Outcome::BelowMeasurable) => below.unwrap_or_else(|| "below measurable".to_owned()),
        Ok(Outcome::HeldToLimit) => format!("≥{peak}"),
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
    plan: &Plan,
) -> Vec<String> {
    let root = recording.root();
    let sensors: Vec<String> = recording.sensors().iter().map(instrument).collect();
    let nominal =
        if sensors.iter().any(|told| told.contains("not calibrated")) { " (forces nominal)" } else { "" };
    let left_out = items.iter().flat_map(|item| &item.trials).filter(|trial| !trial.used).count();
    let deviations = deviations(rows, entered, plan, &root.utc_offset).len();
    vec![
        format!(
            "Finger force, {}; participant {}; examiner {}; report {}{nominal}.",
            names::local(&root.started_utc, &root.utc_offset),
            or_not(&root.participant, "not named"),
            or_not(&root.examiner, "not named"),
            report_id(&[recording.content_sha256().to_owned()])
        ),
        side_line(Side::Right, items, rows),
        side_line(Side::Left, items, rows),
        pain_and_grades(entered, plan),
        format!(
            "{left_out} trials beside the means, {deviations} deviations, all in the report. {}",
            CAUTIONS.split_once('.').map_or(CAUTIONS, |(first, _)| first)
        ) + ".",
    ]
}

fn side_line(side: Side, items: &[Item], rows: &[TrialRow]) -> String {
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
            item.map_or_else(|| "–".to_owned(), |item| result(item, rows))
        };
        let values: Vec<String> = tests.iter().map(value).collect();
        let key = muscle.strip_prefix(side.word()).unwrap_or(muscle).trim();
        format!("{key} {}", values.join("/"))
    };
    let told: Vec<String> = muscles.into_iter().map(of).collect();
    let what: Vec<&str> = tests.iter().map(|test| test.word()).collect();
    let name = names::sentence(side.word());
    if told.is_empty() {
        return format!("{name} hand: not tested.");
    }
    format!(
        "{name} hand, mean of the first three valid trials in N, {}: {}.",
        what.join("/"),
        told.join("; ")
    )
}

/// An item's mean, or what stands beside it.
fn result(item: &Item, rows: &[TrialRow]) -> String {
    let mean = item.spread.mean_of_peaks_n.map(|mean_n| match item.spread.trials_used {
        3 => format!("{mean_n:.1}"),
        used => format!("{mean_n:.1} (n {used})"),
    });
    mean.unwrap_or_else(|| {
        item.trials.last().map_or_else(|| "–".to_owned(), |last| beside_the_mean(last, rows))
    })
}

fn pain_and_grades(entered: &[ObservationRow], plan: &Plan) -> String {
    let during = of_kind(entered, "pain").map(|row| format!("{} {}", name_of(plan, row.item), row.value));
    let after = of_kind(entered, "pain after").map(|row| {
        let name = name_of(plan, row.item);
        format!("after the {} hand {}", name.split_whitespace().next().unwrap_or_default(), row.value)
    });
    let pain: Vec<String> = during.chain(after).collect();
    let grades: Vec<String> = of_kind(entered, "grade")
        .map(|row| {
            let muscle = name_of(plan, row.item);
            format!("{} {} ({})", muscle.split(',').next().unwrap_or_default(), row.value, row.scale)
        })
        .collect();
    format!(
        "Pain 0-10: {}. Grades as judged: {}.",
        if pain.is_empty() { "none entered".to_owned() } else { pain.join(", ") },
        if grades.is_empty() { "none entered".to_owned() } else { grades.join(", ") }
    )
}

/// What the examiner saw, a row a muscle; pain; notes.
pub fn entered(page: &mut Page, entered: &[ObservationRow], plan: &Plan, offset: &str) {
    let mut muscles: Vec<String> = Vec::new();
    let muscle_of =
        |row: &ObservationRow| name_of(plan, row.item).split(',').next().unwrap_or_default().to_owned();
    let kinds = ["active motion", "trick movement", "length", "grade"];
    for row in entered.iter().filter(|row| kinds.contains(&row.kind.as_str())) {
        let muscle = muscle_of(row);
        if !muscles.contains(&muscle) {
            muscles.push(muscle);
        }
    }
    if !muscles.is_empty() {
        page.heading(3, "Seen and graded by the examiner");
        let cell = |muscle: &str, kind: &str| {
            let values = of_kind(entered, kind).filter(|row| muscle_of(row) == muscle).map(|row| {
                if row.scale.is_empty() {
                    row.value.clone()
                } else {
                    format!("{} ({})", row.value, row.scale)
                }
            });
            Cell::text(&values.collect::<Vec<_>>().join("; "))
        };
        let row = |muscle: &String| {
            let mut cells = vec![Cell::text(muscle)];
            cells.extend(kinds.iter().map(|kind| cell(muscle, kind)));
            cells
        };
        let rows: Vec<Vec<Cell>> = muscles.iter().map(row).collect();
        page.table(&["muscle", "active motion", "trick movements", "length", "grade"], &rows);
        page.classed(
            "quiet",
            "Grades are the examiner's own judgement by the scale named, never computed from forces.",
        );
    }
    let pain: Vec<String> = entered
        .iter()
        .filter(|row| matches!(row.kind.as_str(), "pain" | "pain after"))
        .map(|row| {
            let when = if row.kind == "pain" { "with or after" } else { "when the side was done, after" };
            format!(
                "{}: {} ({when} {})",
                names::clock(&row.entered_utc, offset),
                row.value,
                name_of(plan, row.item)
            )
        })
        .collect();
    if !pain.is_empty() {
        page.heading(3, "Pain, 0 to 10");
        page.list(&pain);
        page.classed("quiet", "Pain at rest stands with what was allowed, at the top.");
    }
}

/// What went another way than planned, a line each.
pub fn deviations(rows: &[TrialRow], entered: &[ObservationRow], plan: &Plan, offset: &str) -> Vec<String> {
    let told = |row: &ObservationRow| {
        let what = if row.kind == "override" { "the gate was overridden: " } else { "" };
        format!("{} {}: {what}{}", names::clock(&row.entered_utc, offset), name_of(plan, row.item), row.value)
    };
    let entered = entered.iter().filter(|row| matches!(row.kind.as_str(), "override" | "text")).map(told);
    let moved = rows.iter().filter_map(|row| {
        let was: Vec<&str> = row.flags.split(',').filter_map(|flag| flag.strip_prefix("was_item_")).collect();
        (!was.is_empty()).then(|| {
            format!("trial-{} of {} was entered as item-{}", row.order, row.muscle, was.join(", item-"))
        })
    });
    entered.chain(moved).collect()
}

/// Where the examiner signs.
pub fn signature(page: &mut Page) {
    page.signature(&["Examiner: name and signature", "Date"]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_recordings_report_has_the_beginning_of_its_digest_as_id() {
        let digest = "0123456789abcdef".repeat(4);
        assert_eq!(report_id(std::slice::from_ref(&digest)), "0123456789ab");
        assert_ne!(report_id(&[digest.clone(), digest.clone()]), report_id(&[digest]));
    }
}
