//! A table of values: a row a subject, a column an occasion or rater.
//!
//! Comes in: CSV, whose first line names the columns. Goes out: the table, with its holes where they are.
use super::conditions::Conditions;
use super::errors::StudyError;
use std::path::Path;

/// Names by which a first column of numbers is known to hold subjects and not values.
const SUBJECT_NAMES: [&str; 9] =
    ["subject", "participant", "target", "patient", "person", "case", "id", "code", "name"];

/// Values of one quantity.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// What was measured, in words.
    pub name: String,
    /// The values' unit; empty where the table does not say.
    pub unit: String,
    /// Names of the columns.
    pub occasions: Vec<String>,
    /// Names of the rows.
    pub subjects: Vec<String>,
    /// The values; `None` where one is missing.
    pub cells: Vec<Vec<Option<f64>>>,
    /// The trials behind each value, where known: for the error of a single trial.
    pub trials: Vec<Vec<Vec<f64>>>,
    /// The visit (UUID) behind each value, where known.
    pub visits: Vec<Vec<String>>,
    /// Under which conditions.
    pub conditions: Conditions,
    /// Who measured: the examiners' codes, where known.
    pub examiners: Vec<String>,
    /// Median time between a subject's values that follow each other, days, where known.
    pub apart_days: Option<f64>,
    /// What a reader must know about how the table came about.
    pub notes: Vec<String>,
}

impl Table {
    /// Reads a CSV file; with `subject`, the column of that name holds the subjects.
    pub fn read(path: &Path, subject: Option<&str>) -> Result<Table, StudyError> {
        let bytes =
            std::fs::read(path).map_err(|source| StudyError::Read { path: path.to_owned(), source })?;
        let name = path.file_stem().map_or_else(String::new, |stem| stem.to_string_lossy().into_owned());
        Table::parse(&bytes, subject, &name).map_err(|(what, hint)| StudyError::Contents {
            path: path.to_owned(),
            what,
            hint: hint.to_owned(),
        })
    }

    /// The table in a CSV text; an error is what is wrong, and what to do.
    pub fn parse(text: &[u8], subject: Option<&str>, name: &str) -> Result<Table, (String, &'static str)> {
        const LAYOUT: &str =
            "give a row a subject and a column an occasion or rater; the first line names them";
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(text);
        let header: Vec<String> = match reader.headers() {
            Ok(header) => header.iter().map(|cell| cell.trim_start_matches('\u{feff}').to_owned()).collect(),
            Err(error) => return Err((format!("no CSV: {error}"), LAYOUT)),
        };
        if let [only] = header.as_slice()
            && only.contains(';')
        {
            return Err((
                "the first line holds semicolons and no commas".to_owned(),
                "separate columns by commas, not semicolons, and write 1.5, not 1,5: spreadsheets of some languages do it the \
                 other way",
            ));
        }
        let twice = header.iter().enumerate().find(|(at, name)| header[..*at].contains(name));
        if let Some((_, name)) = twice {
            return Err((
                format!("two columns are named `{}`", name.chars().take(40).collect::<String>()),
                "give each column a name of its own",
            ));
        }
        if !header.is_empty() && header.iter().all(|cell| cell.parse::<f64>().is_ok()) {
            return Err(("the first line holds numbers and no names".to_owned(), LAYOUT));
        }
        let mut records = Vec::new();
        for record in reader.records() {
            records.push(record.map_err(|error| (format!("no table: {error}"), LAYOUT))?);
        }
        let column = subject_column(&header, &records, subject)?;
        let mut table = Table { name: name.to_owned(), ..Table::default() };
        table.occasions =
            (0..).zip(&header).filter(|(at, _)| Some(*at) != column).map(|(_, name)| name.clone()).collect();
        table.notes.push(match column {
            Some(at) => format!("subjects are named by the column `{}`", header[at]),
            None => "no column names the subjects: every column is taken as values".to_owned(),
        });
        for (row, record) in (1..).zip(&records) {
            let own = column.and_then(|at| record.get(at)).map(str::to_owned);
            table.subjects.push(own.unwrap_or_else(|| format!("row {row}")));
            let cells = (0..).zip(record).filter(|(at, _)| Some(*at) != column);
            let cells: Result<Vec<_>, _> =
                cells.map(|(at, cell)| value(cell, row + 1, &header[at])).collect();
            table.cells.push(cells?);
        }
        table.distinct()
    }

    fn distinct(self) -> Result<Table, (String, &'static str)> {
        for (at, subject) in self.subjects.iter().enumerate() {
            if self.subjects[..at].contains(subject) {
                return Err((
                    format!("subject `{subject}` has two rows"),
                    "give each subject one row, with a column for each occasion",
                ));
            }
        }
        Ok(self)
    }

    /// The rows that have every value, and those that have not, by name, with what is missing.
    pub fn complete(&self) -> (Vec<Vec<f64>>, Vec<String>) {
        let (mut rows, mut left_out) = (Vec::new(), Vec::new());
        for (subject, cells) in self.subjects.iter().zip(&self.cells) {
            let missing = self.occasions.iter().zip(cells).filter(|(_, cell)| cell.is_none());
            let missing: Vec<&str> = missing.map(|(occasion, _)| occasion.as_str()).collect();
            if missing.is_empty() {
                rows.push(cells.iter().copied().flatten().collect());
            } else {
                left_out.push(format!("{subject}: no value for {}", missing.join(", ")));
            }
        }
        (rows, left_out)
    }
}

/// Which column holds the subjects: the one asked for, or the first where its name or a word in it says so.
fn subject_column(
    header: &[String],
    records: &[csv::StringRecord],
    asked: Option<&str>,
) -> Result<Option<usize>, (String, &'static str)> {
    if let Some(asked) = asked {
        let at = header.iter().position(|name| name == asked);
        let missing = || (format!("no column `{asked}` in the first line"), "name one of its columns");
        return at.map(Some).ok_or_else(missing);
    }
    let named = header.first().is_some_and(|name| {
        let name = name.to_lowercase();
        name.is_empty() || SUBJECT_NAMES.iter().any(|known| name == *known || name == format!("{known}s"))
    });
    let worded = records.iter().filter_map(|record| record.get(0)).any(|cell| value(cell, 0, "").is_err());
    Ok((named || worded).then_some(0))
}

fn value(cell: &str, line: usize, column: &str) -> Result<Option<f64>, (String, &'static str)> {
    if ["", "na", "n/a", "nan", "-", "–", "."].contains(&cell.to_lowercase().as_str()) {
        return Ok(None);
    }
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        _ => {
            let shown: String = cell.chars().take(40).collect();
            Err((
                format!("line {}, column `{column}`: `{shown}` is not a number", line),
                "use a decimal point, and leave missing values empty; --subject NAME says which column names the subjects",
            ))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Table, String> {
        Table::parse(text.as_bytes(), None, "t").map_err(|(what, _)| what)
    }

    #[test]
    fn subjects_are_found_by_name_or_by_being_words() {
        let named = parse("target,a,b\n1,2,3\n2,4,5\n").unwrap();
        assert_eq!((named.occasions.len(), named.subjects[1].as_str()), (2, "2"));
        let worded = parse("who,a,b\nP1,2,3\nP2,4,5\n").unwrap();
        assert_eq!(
            (worded.occasions, worded.cells[1].clone()),
            (vec!["a".into(), "b".into()], vec![Some(4.0), Some(5.0)])
        );
        let bare = parse("a,b,c\n1,2,3\n2,4,5\n").unwrap();
        assert_eq!((bare.occasions.len(), bare.subjects[0].as_str()), (3, "row 1"));
        let asked = Table::parse(b"a,b,c\n1,2,3\n2,4,5\n", Some("b"), "t").unwrap();
        assert_eq!((asked.occasions.join(""), asked.subjects.join("")), ("ac".into(), "24".into()));
    }

    #[test]
    fn holes_are_holes_and_the_rows_that_have_them_are_named() {
        let table = parse("id,a,b\nP1,1.5,2\nP2,,2\nP3,3,NA\n").unwrap();
        let (rows, left_out) = table.complete();
        assert_eq!(rows, [[1.5, 2.0]]);
        assert_eq!(left_out, ["P2: no value for a", "P3: no value for b"]);
    }

    #[test]
    fn what_is_no_table_is_refused_with_the_place() {
        assert_eq!(
            parse("id,a,b\nP1,1,2\nP2,1,x1\n").unwrap_err(),
            "line 3, column `b`: `x1` is not a number"
        );
        assert!(parse("id,a,b\nP1,1\n").unwrap_err().contains("no table"));
        assert!(parse("1,2\n3,4\n").unwrap_err().contains("no names"));
        assert!(parse("id;a;b\nP1;1,5;2,5\n").unwrap_err().contains("semicolons"));
        assert!(parse("id,a,b,a\nP1,1,2,3\n").unwrap_err().contains("two columns are named `a`"));
        assert!(parse("id,a,b\nP1,1,2\nP1,1,3\n").unwrap_err().contains("`P1` has two rows"));
        assert!(parse("id,a,b\nP1,1,inf\n").unwrap_err().contains("not a number"));
    }
}
