//! A table of values: a row a subject, a column an occasion or rater.
//!
//! Comes in: columns separated by commas or tabs, whose first line names them. Goes out: the table, with its holes where they are.
use super::conditions::Conditions;
use super::errors::StudyError;
use crate::prose::counted;
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::path::Path;

/// Words of which the name of a column of subjects is made, together or apart: `subject id`, `Patient No.`, `PID`.
const SUBJECT_WORDS: &[&str] = &[
    "subject",
    "subj",
    "sub",
    "participant",
    "patient",
    "pat",
    "person",
    "proband",
    "probanden",
    "target",
    "case",
    "study",
    "record",
    "name",
    "code",
    "pid",
    "id",
    "ids",
    "identifier",
    "number",
    "nummer",
    "num",
    "nr",
    "no",
    "volunteer",
    "versuchsperson",
    "vpn",
    "vp",
];
/// So many whole numbers in a row are taken for a count of the rows, and not for values.
const COUNTED_ROWS: usize = 3;

/// What is wrong, and what to do.
type Fault = (String, Cow<'static, str>);

const LAYOUT: &str = "give a row a subject and a column an occasion or rater, separated by commas or tabs; the first line names them";

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
            hint: hint.into_owned(),
        })
    }

    /// The table in a text; an error is what is wrong, and what to do.
    pub fn parse(text: &[u8], subject: Option<&str>, name: &str) -> Result<Table, Fault> {
        let text = text.strip_prefix("\u{feff}".as_bytes()).unwrap_or(text);
        if text.starts_with(&[0xff, 0xfe]) || text.starts_with(&[0xfe, 0xff]) {
            let hint = "save it as UTF-8: spreadsheets call that \"CSV UTF-8\"";
            return Err(("the file is written in UTF-16".to_owned(), hint.into()));
        }
        if text.trim_ascii().is_empty() {
            return Err(("the file is empty".to_owned(), LAYOUT.into()));
        }
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(separator(text))
            // Told here in words, with what may be the reason.
            .flexible(true)
            .trim(csv::Trim::All)
            .from_reader(text);
        let header: Vec<String> = match reader.headers() {
            Ok(header) => header.iter().map(str::to_owned).collect(),
            Err(error) => return Err((format!("no CSV: {error}"), LAYOUT.into())),
        };
        if let [only] = header.as_slice()
            && only.contains(';')
        {
            return Err((
                "the first line holds semicolons and no commas".to_owned(),
                "separate columns by commas, not semicolons, and write 1.5, not 1,5: spreadsheets of some languages do it the \
                 other way"
                    .into(),
            ));
        }
        let twice = header.iter().enumerate().find(|(at, name)| header[..*at].contains(name));
        if let Some((_, name)) = twice {
            return Err((
                format!("two columns are named `{}`", short(name)),
                "give each column a name of its own".into(),
            ));
        }
        if !header.is_empty() && header.iter().all(|cell| cell.parse::<f64>().is_ok()) {
            return Err(("the first line holds numbers and no names".to_owned(), LAYOUT.into()));
        }
        if ["recording", "participant", "visit_id", "started_utc"]
            .iter()
            .all(|name| header.iter().any(|known| known == name))
        {
            return Err((
                "this is what `fingerforce export` made of recordings".to_owned(),
                "give the recordings themselves, without --table: `fingerforce reliability RECORDINGS`"
                    .into(),
            ));
        }
        let records = records(&mut reader, header.len())?;
        if records.is_empty() {
            return Err(("no row follows the first line".to_owned(), LAYOUT.into()));
        }
        let column = subject_column(&header, &records, subject)?;
        let mut table = Table { name: name.to_owned(), ..Table::default() };
        table.occasions =
            (0..).zip(&header).filter(|(at, _)| Some(*at) != column).map(|(_, name)| name.clone()).collect();
        table.notes.push(match column {
            Some(at) => format!("subjects are named by the column `{}`", header[at]),
            None => "no column names the subjects: every column is taken as values".to_owned(),
        });
        table.notes.extend(long(&header, &records, column));
        for (row, (line, record)) in (1..).zip(&records) {
            let own = column.and_then(|at| record.get(at)).map(str::to_owned);
            table.subjects.push(own.unwrap_or_else(|| format!("row {row}")));
            let cells = (0..).zip(record).filter(|(at, _)| Some(*at) != column);
            let cells: Result<Vec<_>, _> = cells.map(|(at, cell)| value(cell, *line, &header[at])).collect();
            table.cells.push(cells?);
        }
        table.distinct()
    }

    fn distinct(self) -> Result<Table, Fault> {
        for (at, subject) in self.subjects.iter().enumerate() {
            if self.subjects[..at].contains(subject) {
                return Err((
                    format!("subject `{subject}` has two rows"),
                    "give each subject one row, with a column for each occasion".into(),
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

/// What separates the columns: tabs, where the first line has some and no comma.
fn separator(text: &[u8]) -> u8 {
    let first = text.split(|byte| *byte == b'\n').next().unwrap_or_default();
    if first.contains(&b'\t') && !first.contains(&b',') { b'\t' } else { b',' }
}

/// The rows, each with its line in the file.
fn records(reader: &mut csv::Reader<&[u8]>, columns: usize) -> Result<Vec<(u64, csv::StringRecord)>, Fault> {
    let mut records: Vec<(u64, csv::StringRecord)> = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| (format!("no table: {error}"), Cow::from(LAYOUT)))?;
        let line = record.position().map_or(0, csv::Position::line);
        if record.len() != columns {
            let found = counted(record.len(), "value");
            let what = format!(
                "no table: line {line} holds {found}, and the first line names {}",
                counted(columns, "column")
            );
            let hint = if record.len() > columns {
                "write decimal points (1.5): a decimal comma (1,5) parts a value in two"
            } else {
                "leave a missing value empty, between its commas"
            };
            return Err((what, hint.into()));
        }
        records.push((line, record));
    }
    Ok(records)
}

/// Which column holds the subjects: the one asked for, or the first where its name or a word in it says so. One that may be
/// either is refused: taken as an occasion, it would make every result wrong, and nothing would show it.
fn subject_column(
    header: &[String],
    records: &[(u64, csv::StringRecord)],
    asked: Option<&str>,
) -> Result<Option<usize>, Fault> {
    if let Some(asked) = asked {
        let at = header.iter().position(|name| name == asked);
        let missing =
            || (format!("no column `{}` in the first line", short(asked)), "name one of its columns".into());
        return at.map(Some).ok_or_else(missing);
    }
    let first: Vec<&str> = records.iter().filter_map(|(_, record)| record.get(0)).collect();
    let worded = first.iter().any(|cell| value(cell, 0, "").is_err());
    let Some(name) = header.first().filter(|name| !names_subjects(name) && !worded) else {
        return Ok(Some(0));
    };
    if counts(&first) {
        return Err((
            format!(
                "the first column, `{}`, counts the rows ({}, {}, {} …): are these subjects, or values?",
                short(name),
                first[0],
                first[1],
                first[2]
            ),
            format!(
                "--subject {} where it says who the subjects are; where it is an occasion, put another column first",
                quoted(name)
            )
            .into(),
        ));
    }
    Ok(None)
}

/// Whether a column of this name holds subjects, whatever is in it: one made of nothing but [`SUBJECT_WORDS`], or without a
/// letter, as `#`.
fn names_subjects(name: &str) -> bool {
    let letters: String = name.to_lowercase().chars().filter(|c| c.is_alphanumeric()).collect();
    // Where a word may end: `patientno` is `patient` and `no`.
    let mut ends = vec![false; letters.len() + 1];
    ends[0] = true;
    for at in 0..letters.len() {
        if ends[at] {
            let begins = SUBJECT_WORDS.iter().filter(|word| letters[at..].starts_with(**word));
            for end in begins.map(|word| at + word.len()) {
                ends[end] = true;
                if letters[end..].starts_with('s') {
                    ends[end + 1] = true;
                }
            }
        }
    }
    ends[letters.len()]
}

/// Whether these cells are whole numbers, each one more than the last: a count of the rows.
fn counts(cells: &[&str]) -> bool {
    let numbers: Option<Vec<i64>> = cells.iter().map(|cell| cell.parse().ok()).collect();
    numbers.is_some_and(|of| {
        of.len() >= COUNTED_ROWS && of.windows(2).all(|pair| pair[0].checked_add(1) == Some(pair[1]))
    })
}

/// What is said where a table has a row a value, and not a row a subject: two of its columns hold every combination of
/// their entries once, as who was rated and who rated them do.
fn long(header: &[String], records: &[(u64, csv::StringRecord)], subjects: Option<usize>) -> Option<String> {
    let entries = |at: usize| records.iter().map(move |(_, record)| record.get(at).unwrap_or_default());
    let kinds = |at: usize| entries(at).collect::<BTreeSet<_>>().len();
    let columns: Vec<usize> =
        (0..header.len()).filter(|at| Some(*at) != subjects && kinds(*at) > 1).collect();
    let crossed = |one: usize, other: usize| {
        let pairs: BTreeSet<_> = entries(one).zip(entries(other)).collect();
        kinds(one) * kinds(other) == records.len() && pairs.len() == records.len()
    };
    let mut pairs = columns.iter().flat_map(|one| columns.iter().map(move |other| (*one, *other)));
    let (one, other) = pairs.find(|(one, other)| one < other && crossed(*one, *other))?;
    Some(format!(
        "is this a table with a row a value? The columns `{}` and `{}` hold every combination of their entries once, and are taken \
         as values here: give a row a subject and a column a rater",
        short(&header[one]),
        short(&header[other])
    ))
}

/// A name as an argument in a shell.
fn quoted(name: &str) -> String {
    let plain = |c: char| c.is_alphanumeric() || "_-.".contains(c);
    if !name.is_empty() && name.chars().all(plain) {
        name.to_owned()
    } else {
        format!("'{}'", name.replace('\'', "'\\''"))
    }
}

/// The beginning of a text from the file.
fn short(text: &str) -> String {
    text.chars().take(40).collect()
}

fn value(cell: &str, line: u64, column: &str) -> Result<Option<f64>, Fault> {
    if ["", "na", "n/a", "nan", "-", "–", "."].contains(&cell.to_lowercase().as_str()) {
        return Ok(None);
    }
    match cell.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(Some(value)),
        _ => Err((
            format!("line {line}, column `{}`: `{}` is not a number", short(column), short(cell)),
            "use a decimal point, and leave missing values empty; --subject NAME says which column names the subjects".into(),
        )),
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
    fn a_column_that_numbers_the_subjects_is_not_taken_as_values() {
        for name in [
            "nr",
            "No",
            "pid",
            "subj",
            "sub",
            "#",
            "subject id",
            "Patient No.",
            "Proband",
            "SubjectID",
            "PatientNr.",
            "№",
            "Subjects",
            "study_id",
        ] {
            for rows in ["1,20,21\n2,30,29\n3,25,26\n", "17,20,21\n4,30,29\n9,25,26\n"] {
                let table = parse(&format!("{name},E1,E2\n{rows}")).unwrap();
                assert_eq!(table.occasions, ["E1", "E2"], "{name}");
                assert!(
                    table.notes[0].contains(&format!("named by the column `{name}`")),
                    "{:?}",
                    table.notes
                );
            }
        }
        // Other names say nothing; the numbers do.
        for first in ["1,20\n2,30\n3,25\n", "0,20\n1,30\n2,25\n", "101,20\n102,30\n103,25\n"] {
            let text = format!("who is it,E1\n{first}");
            let (what, hint) = Table::parse(text.as_bytes(), None, "t").unwrap_err();
            assert!(what.contains("`who is it`, counts the rows"), "{what}");
            assert!(
                hint.contains("--subject 'who is it'") && hint.contains("another column first"),
                "{hint}"
            );
            let told = Table::parse(text.as_bytes(), Some("who is it"), "t").unwrap();
            assert_eq!(told.occasions, ["E1"]);
        }
        for (name, rows) in [
            ("visit 1", "20,21\n22,30\n25,26\n"),
            ("visit 1", "1.0,21\n2.0,30\n3.0,26\n"),
            ("nose", "3,21\n2,30\n1,26\n"),
            ("noon", "20,21\n30,29\n25,26\n"),
        ] {
            assert_eq!(parse(&format!("{name},b\n{rows}")).unwrap().occasions, [name, "b"]);
        }
        // An occasion that happens to count is one where another column is first.
        assert_eq!(parse("b,a\n20,1\n30,2\n25,3\n").unwrap().occasions, ["b", "a"]);
    }

    #[test]
    fn tabs_part_columns_and_what_else_is_amiss_is_said_in_words() {
        let tabs = parse("id\tvisit 1\tvisit 2\nP1\t20.5\t21\nP2\t30\t\n").unwrap();
        assert_eq!(
            (tabs.occasions.join("+"), tabs.cells[1].clone()),
            ("visit 1+visit 2".into(), vec![Some(30.0), None])
        );
        let refused = |text: &str| Table::parse(text.as_bytes(), None, "t").unwrap_err();
        for empty in ["", " \n\n", "\u{feff}"] {
            assert_eq!(refused(empty).0, "the file is empty");
        }
        let (what, hint) = Table::parse(b"\xff\xfei\0d\0,\0a\0", None, "t").unwrap_err();
        assert!(what.contains("UTF-16") && hint.contains("UTF-8"), "{what}");
        assert_eq!(refused("id,a,b\n").0, "no row follows the first line");
        let (what, hint) = refused("id,a,b\nP1,20,5,21,5\n");
        assert_eq!(what, "no table: line 2 holds 5 values, and the first line names 3 columns");
        assert!(hint.contains("1.5") && hint.contains("decimal comma"), "{hint}");
        assert!(refused("id,a,b\nP1,20\n").1.contains("missing value"));
        assert!(refused("id\ta\tb\nP1\t20,5\t21\n").1.contains("decimal point"));
    }

    #[test]
    fn a_table_with_a_row_a_value_is_told_and_an_export_is_refused() {
        let row = |at: usize| format!("{},{},{},{}\n", at + 1, at / 3 + 1, at % 3 + 1, 20 + (7 * at) % 11);
        let text = "obs,target,judge,score\n".to_owned() + &(0..12).map(row).collect::<String>();
        let table = Table::parse(text.as_bytes(), Some("obs"), "t").unwrap();
        assert!(table.notes.iter().any(|note| note.contains("`target` and `judge` hold every combination")));
        let wide = parse("id,a,b\nP1,20,21\nP2,20,22\nP3,31,30\nP4,25,24\n").unwrap();
        assert_eq!(wide.notes.len(), 1, "{:?}", wide.notes);
        let export =
            "recording,participant,examiner,visit_id,revision,started_utc,order\n1,P05,E1,0501,1,2026,1\n";
        let (what, hint) = Table::parse(export.as_bytes(), None, "t").unwrap_err();
        assert!(what.contains("fingerforce export") && hint.contains("give the recordings"), "{what} {hint}");
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
