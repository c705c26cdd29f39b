//! The study at a glance: who was measured when and by whom, what is missing, excluded or out of the ordinary.
//!
//! Comes in: recordings. Goes out: a section of the page.
use super::html::{Cell, Page};
use super::methods::Source;
use super::page::instrument;
use crate::plot::names;
use crate::recording::read::ReadError;
use crate::study::series::instant;
use crate::study::visit::Measured;

/// The listing: a row a visit, and which visits are missing.
pub fn section(page: &mut Page, sources: &[Source]) -> Result<(), ReadError> {
    page.heading(2, "Visits");
    let mut sorted: Vec<&Source> = sources.iter().collect();
    sorted.sort_by(|a, b| {
        (&a.visit.participant, instant(a.visit)).cmp(&(&b.visit.participant, instant(b.visit)))
    });
    let mut instruments: Vec<String> = Vec::new();
    let rows: Result<Vec<Vec<Cell>>, ReadError> =
        sorted.iter().map(|source| row(source, &mut instruments)).collect();
    page.table(
        &[
            "participant",
            "began",
            "examiner",
            "trials behind results",
            "left out",
            "out of the ordinary",
            "instrument",
            "settings",
        ],
        &rows?,
    );
    let numbered = (1..).zip(&instruments).map(|(number, told)| format!("Instrument {number}: {told}"));
    page.list(&numbered.chain(missing(sources)).collect::<Vec<_>>());
    Ok(())
}

/// A visit; instruments are told once, under the table, by their number.
fn row(source: &Source, instruments: &mut Vec<String>) -> Result<Vec<Cell>, ReadError> {
    let visit = source.visit;
    let trials: usize = visit.items.iter().map(|of| of.item.trials.len()).sum();
    let used: usize = visit.items.iter().map(|of| of.item.spread.trials_used).sum();
    let mut settings: Vec<String> = visit.items.iter().filter_map(Measured::settings).collect();
    settings.sort();
    settings.dedup();
    let sensors = source.recording.sensors().iter().map(|sensor| {
        let told = format!("{}, {}", sensor.serial, instrument(sensor));
        let known = instruments.iter().position(|other| *other == told);
        known.unwrap_or_else(|| {
            instruments.push(told);
            instruments.len() - 1
        }) + 1
    });
    let sensors: Vec<String> = sensors.map(|number| number.to_string()).collect();
    Ok(vec![
        Cell::text(&visit.participant),
        Cell::text(&names::instant(&visit.started_utc)),
        Cell::text(&visit.examiner),
        Cell::text(&used.to_string()),
        Cell::text(&(trials - used).to_string()),
        Cell::text(&deviations(source)?.join("; ")),
        Cell::text(&sensors.join(", ")),
        Cell::text(&settings.join(", ")),
    ])
}

fn deviations(source: &Source) -> Result<Vec<String>, ReadError> {
    let mut found = Vec::new();
    for number in 1..=source.recording.sensors().len() {
        let gaps = source.recording.gaps(number)?;
        if !gaps.is_empty() {
            found.push(format!("{} gaps on sensor {number}", gaps.len()));
        }
    }
    let incomplete = source.visit.items.iter().filter(|of| !of.item.notes.is_empty()).count();
    if incomplete > 0 {
        found.push(format!("{incomplete} items with a note"));
    }
    Ok(found)
}

/// Participants with fewer visits than others by the same examiner.
fn missing(sources: &[Source]) -> Vec<String> {
    let count = |participant: &str, examiner: &str| {
        sources.iter().filter(|s| s.visit.participant == participant && s.visit.examiner == examiner).count()
    };
    let mut pairs: Vec<(&str, &str)> = Vec::new();
    let mut participants: Vec<&str> =
        sources.iter().map(|source| source.visit.participant.as_str()).collect();
    let mut examiners: Vec<&str> = sources.iter().map(|source| source.visit.examiner.as_str()).collect();
    for words in [&mut participants, &mut examiners] {
        words.sort_unstable();
        words.dedup();
    }
    for examiner in &examiners {
        pairs.extend(participants.iter().map(|participant| (*participant, *examiner)));
    }
    let most = |examiner: &str| {
        participants.iter().map(|participant| count(participant, examiner)).max().unwrap_or(0)
    };
    let fewer =
        pairs.into_iter().filter(|(participant, examiner)| count(participant, examiner) < most(examiner));
    fewer
        .map(|(participant, examiner)| {
            format!(
                "{participant}: {} of {} visits by examiner {examiner}",
                count(participant, examiner),
                most(examiner)
            )
        })
        .collect()
}
