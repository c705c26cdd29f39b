//! Scores as Markdown tables and as JSON.

use super::Row;
use super::figure::Figure;
use super::targets::Verdict;
use serde_json::{Map, Value, json};
use std::fmt::Write;

/// A table with a row a kind and rate: counts.
pub fn counts(rows: &[Row]) -> String {
    let mut text = String::from(
        "| traces | Hz | efforts | missed | no effort | breaks found | wrongly said to yield |\n|---|--:|--:|--:|--:|--:|--:|\n",
    );
    for Row { kind, rate_hz, score } in rows {
        let breaks = format!("{} of {}", score.breaks_found, score.breaks);
        let yields = format!("{} of {}", score.false_breaks, score.unbroken);
        let of = |total: usize, cell: String| if total == 0 { String::new() } else { cell };
        // (Writing to a string cannot fail.)
        let _ = writeln!(
            text,
            "| {} | {rate_hz} | {} | {} | {} | {} | {} |",
            kind.name(),
            score.efforts,
            score.missed,
            score.false_holds,
            of(score.breaks, breaks),
            of(score.unbroken, yields),
        );
    }
    text
}

/// A table of figures with a row a kind and rate: mean error / 95 % of absolute errors within.
pub fn errors(rows: &[Row], figures: &[Figure]) -> String {
    let mut text = String::from("| traces | Hz |");
    for figure in figures {
        let _ = write!(text, " {}, {} |", figure.name(), figure.unit());
    }
    let _ = writeln!(text, "\n|---|--:|{}", "--:|".repeat(figures.len()));
    for Row { kind, rate_hz, score } in rows.iter().filter(|row| row.score.efforts > 0) {
        let _ = write!(text, "| {} | {rate_hz} |", kind.name());
        for figure in figures {
            let cell = score.figure(*figure).map(|(mean, within)| format!("{mean:+.2} / {within:.2}"));
            let _ = write!(text, " {} |", cell.unwrap_or_default());
        }
        text += "\n";
    }
    text
}

/// A table of targets.
pub fn verdicts(verdicts: &[Verdict]) -> String {
    let mut text = String::from("| what | found | must be | met | aim | met |\n|---|--:|--:|---|--:|---|\n");
    let word = |met: bool| if met { "yes" } else { "no" };
    for verdict in verdicts {
        let Verdict { what, found, must, aim, met, aim_met } = verdict;
        let _ = writeln!(text, "| {what} | {found} | {must} | {} | {aim} | {} |", word(*met), word(*aim_met));
    }
    text
}

/// Everything as JSON, in full precision.
pub fn json(rows: &[Row], verdicts: &[Verdict]) -> Value {
    let figure = |row: &Row, figure: Figure| {
        let count = row.score.errors.get(&figure).map_or(0, Vec::len);
        let found = row.score.figure(figure)?;
        let value = json!({"unit": figure.unit(), "mean": found.0, "within_95": found.1, "count": count});
        Some((figure.name().to_owned(), value))
    };
    let row = |row: &Row| {
        let figures = Figure::TIMES.iter().chain(&Figure::FORCES).filter_map(|f| figure(row, *f));
        let score = &row.score;
        json!({
            "traces": row.kind.name(), "rate_hz": row.rate_hz, "seconds": score.seconds, "efforts": score.efforts,
            "missed": score.missed, "false_holds": score.false_holds, "breaks": score.breaks,
            "breaks_found": score.breaks_found, "unbroken": score.unbroken, "false_breaks": score.false_breaks,
            "errors": Value::Object(figures.collect::<Map<_, _>>()),
        })
    };
    let verdict = |v: &Verdict| json!({"what": v.what, "found": v.found, "must": v.must, "met": v.met, "aim": v.aim, "aim_met": v.aim_met});
    json!({
        "rows": rows.iter().map(row).collect::<Vec<_>>(),
        "targets": verdicts.iter().map(verdict).collect::<Vec<_>>(),
    })
}
