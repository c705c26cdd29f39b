//! Smallest detectable changes from publications, which a user may name.
//!
//! Comes in: a small data file, a row a value with its citation. Goes out: values (N) with the conditions that the source
//! states; what it does not state is not known, and so matches nothing.
use super::conditions::Conditions;
use super::errors::StudyError;
use crate::statistics::sem::{Sem, built, change_factor};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The values that come with the program.
const SHIPPED: &str = include_str!("published.csv");

/// A published value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Published {
    /// The name by which it is asked for.
    pub name: String,
    /// Smallest detectable change, N.
    pub change_n: f64,
    /// Its confidence level, %; `None` where the source does not say.
    pub level_percent: Option<f64>,
    /// Participants behind it.
    pub participants: usize,
    /// Citation.
    pub source: String,
    /// What of the source was read.
    pub read_as: String,
    /// Conditions, as far as stated.
    #[serde(flatten)]
    pub conditions: Conditions,
}

impl Published {
    /// The SEM behind the value, at its level or, where that is not stated, at 95 %. Its interval supposes two occasions.
    pub fn sem(&self) -> Option<Sem> {
        let alpha = 1.0 - self.level_percent.unwrap_or(95.0) / 100.0;
        let sem = self.change_n / change_factor(alpha)?;
        built(sem * sem, self.participants.checked_sub(1)? as f64)
    }
}

/// A shipped value by its name, or those of a CSV file with the same columns.
pub fn find(name: &str) -> Result<Vec<Published>, StudyError> {
    let path = Path::new(name);
    let refused = |what: String| StudyError::Contents {
        path: path.to_owned(),
        what,
        hint: format!("name one of {}, or a CSV file with the columns: {}", names().join(", "), columns()),
    };
    let text = if path.extension().is_some_and(|extension| extension == "csv") {
        std::fs::read_to_string(path).map_err(|source| StudyError::Read { path: path.to_owned(), source })?
    } else {
        SHIPPED.to_owned()
    };
    let mut found = parse(&text).map_err(|error| refused(format!("no list of published values: {error}")))?;
    if path.extension().is_none_or(|extension| extension != "csv") {
        found.retain(|value| value.name == name);
    }
    if found.iter().any(|value| value.source.trim().is_empty()) {
        return Err(refused("a value without its source".to_owned()));
    }
    if found.is_empty() {
        return Err(refused("no published value of this name".to_owned()));
    }
    Ok(found)
}

fn parse(text: &str) -> Result<Vec<Published>, csv::Error> {
    csv::Reader::from_reader(text.as_bytes())
        .deserialize::<Row>()
        .map(|row| row.map(Published::from))
        .collect()
}

/// Names of the shipped values.
pub fn names() -> Vec<String> {
    parse(SHIPPED).unwrap_or_default().into_iter().map(|value| value.name).collect()
}

fn columns() -> &'static str {
    SHIPPED.lines().next().unwrap_or_default()
}

/// A line of the file.
#[derive(Deserialize)]
struct Row {
    name: String,
    muscle: String,
    test: String,
    change_n: f64,
    level_percent: Option<f64>,
    participants: usize,
    population: String,
    arrangement: String,
    reaction: String,
    coupling: String,
    position: String,
    lever_mm: Option<f64>,
    trials: Option<usize>,
    profile: String,
    examiner: String,
    source: String,
    read_as: String,
}

impl From<Row> for Published {
    fn from(row: Row) -> Published {
        Published {
            name: row.name,
            change_n: row.change_n,
            level_percent: row.level_percent,
            participants: row.participants,
            source: row.source,
            read_as: row.read_as,
            conditions: Conditions {
                muscle: row.muscle,
                test: row.test,
                arrangement: row.arrangement,
                reaction: row.reaction,
                coupling: row.coupling,
                position: row.position,
                lever_mm: row.lever_mm,
                gap_mm: None,
                trials: row.trials,
                profile: row.profile,
                population: row.population,
                examiner: row.examiner,
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_value_has_its_source() {
        let all = parse(SHIPPED).unwrap();
        assert_eq!(all.len(), 2);
        assert!(all.iter().all(|value| value.source.contains("20") && !value.read_as.is_empty()));
        let one = find("schreuders-2004-index").unwrap();
        assert_eq!((one.len(), one[0].change_n, one[0].conditions.lever_mm), (1, 6.3, None));
        // 6.3 N at 95 % is an SEM of 6.3 / 2.7718.
        assert!((one[0].sem().unwrap().mdc95.value - 6.3).abs() < 1e-12);
    }

    #[test]
    fn an_unknown_name_tells_the_known_ones() {
        let error = find("nobody-1999").unwrap_err();
        assert!(crate::console::Advice::hint(&error).contains("schreuders-2004-little"));
    }
}
