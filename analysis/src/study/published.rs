//! Smallest detectable changes from publications, which a user may name.
//!
//! Comes in: a small data file, a row a value with its citation. Goes out: values (N, or % of the force) with the conditions
//! that the source states; what it does not state is not known, and so matches nothing.
use super::conditions::{Conditions, NOT_RECORDED, Vouched};
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
    /// Smallest detectable change, N; or
    pub change_n: Option<f64>,
    /// the same in % of the force, where the source gives it so.
    pub change_percent: Option<f64>,
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
    /// The SEM behind the value, N, at its level or, where that is not stated, at 95 %; of logarithms where the value is a
    /// percentage: of errors in proportion to the force, a share of it and their logarithm's are the same. Its interval
    /// supposes two occasions.
    pub fn sem(&self) -> Option<Sem> {
        let alpha = 1.0 - self.level_percent.unwrap_or(95.0) / 100.0;
        let sem =
            self.change_n.or(self.change_percent.map(|percent| percent / 100.0))? / change_factor(alpha)?;
        built(sem * sem, self.participants.checked_sub(1)? as f64)
    }
}

/// The value whose conditions come nearest to these: the fewest that differ, then the fewest that are not stated. `None`
/// where none is of this muscle.
pub fn nearest<'a>(
    values: &'a [Published],
    conditions: &Conditions,
    vouched: &Vouched,
) -> Option<&'a Published> {
    let fitting = values.iter().filter(|value| value.conditions.muscle == conditions.muscle);
    fitting.min_by_key(|value| {
        let found = conditions.differences(&value.conditions, vouched);
        let (unknown, different): (Vec<_>, Vec<_>) =
            found.iter().partition(|what| what.starts_with(NOT_RECORDED));
        (different.len(), unknown.iter().map(|names| names.split(',').count()).sum::<usize>())
    })
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
    if let Some(value) = found.iter().find(|value| value.change_n.is_some() == value.change_percent.is_some())
    {
        return Err(refused(format!("`{}`: give either change_n or change_percent", value.name)));
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
    change_n: Option<f64>,
    change_percent: Option<f64>,
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
            change_percent: row.change_percent,
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
        assert_eq!((one.len(), one[0].change_n, one[0].conditions.lever_mm), (1, Some(6.3), None));
        // 6.3 N at 95 % is an SEM of 6.3 / 2.7718.
        assert!((one[0].sem().unwrap().mdc95.value - 6.3).abs() < 1e-12);
    }

    #[test]
    fn the_row_with_the_fewest_differences_is_taken_and_a_percentage_is_a_ratio() {
        let row = |name: &str, test: &str, change: &str, lever: &str| {
            format!(
                "{name},index abduction,{test},{change},95,30,healthy,single,examiner,pad,neutral,{lever},3,standard,same,s,r\n"
            )
        };
        let text = SHIPPED.lines().next().unwrap().to_owned() + "\n";
        let text = text
            + &row("of breaks", "break", "5,", "30")
            + &row("no lever", "make", "4,", "")
            + &row("of makes", "make", ",17", "30");
        let all = parse(&text).unwrap();
        let conditions = super::super::conditions::tests::full();
        let found = nearest(&all, &conditions, &Vouched::default()).unwrap();
        assert_eq!(
            (found.name.as_str(), found.change_n, found.change_percent),
            ("of makes", None, Some(17.0))
        );
        // 17 % at 95 %: the SEM of the logarithms is 0.17 / 2.7718.
        assert!((found.sem().unwrap().mdc95.value - 0.17).abs() < 1e-12);
        assert_eq!(nearest(&all[..2], &conditions, &Vouched::default()).unwrap().name, "no lever");
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("both.csv");
        std::fs::write(&path, text + &row("both", "make", "4,17", "30")).unwrap();
        let refused = find(path.to_str().unwrap()).unwrap_err().to_string();
        assert!(refused.contains("`both`: give either change_n or change_percent"), "{refused}");
    }

    #[test]
    fn an_unknown_name_tells_the_known_ones() {
        let error = find("nobody-1999").unwrap_err();
        assert!(crate::console::Advice::hint(&error).contains("schreuders-2004-little"));
    }
}
