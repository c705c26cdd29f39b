//! Why a plan (or another text in TOML) is refused: what is wrong, and in which line.

use std::ops::Range;

/// Why a plan is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}, column {column}: {why}")]
pub struct PlanError {
    /// Line, from 1.
    pub line: usize,
    /// Column, from 1.
    pub column: usize,
    /// What is wrong, and what would be right.
    pub why: String,
}

impl PlanError {
    /// An error at a place of the text.
    pub(super) fn at(text: &str, span: Option<Range<usize>>, why: impl Into<String>) -> PlanError {
        let start = span.map_or(0, |span| span.start).min(text.len());
        let before = text.get(..start).unwrap_or_default();
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or_default().chars().count() + 1;
        PlanError { line, column, why: why.into() }
    }

    /// The same with the line itself, for a text that is short.
    pub(crate) fn with_line(&self, text: &str) -> String {
        let line = text.lines().nth(self.line.saturating_sub(1)).unwrap_or_default().trim();
        format!("line {}, `{line}`: {}", self.line, self.why)
    }

    /// An error of the TOML reader; an unknown word gets the nearest known one.
    pub(crate) fn of_toml(text: &str, error: &toml::de::Error) -> PlanError {
        // Serde names Rust's types; whoever writes a plan knows numbers.
        let message = error.message().trim().replace('\n', " ");
        let message = message
            .replace("expected u32", "expected a whole number")
            .replace("expected usize", "expected a whole number")
            .replace("expected f64", "expected a number");
        PlanError::at(text, error.span(), with_nearest(&message))
    }
}

/// ``unknown field `hold`, expected one of `muscle`, …`` becomes ``unknown key `hold`: did you mean `hold_s`?``.
fn with_nearest(message: &str) -> String {
    let mut quoted = message.split('`').skip(1).step_by(2);
    let Some(given) = quoted.next().filter(|_| message.starts_with("unknown ")) else {
        return message.to_owned();
    };
    let known: Vec<&str> = quoted.collect();
    let what = if message.starts_with("unknown field") { "key" } else { "word" };
    match analysis::spelling::nearest(given, &known) {
        Some(nearest) => {
            format!("unknown {what} `{given}`: did you mean `{nearest}`? Known are {}", known.join(", "))
        }
        None => message.to_owned(),
    }
}
