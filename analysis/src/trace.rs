//! Traces: samples from CSV files and HDF5 datasets.
//!
//! Comes in: a CSV file with the columns `time_s` and `force_n`, or any 1-D dataset of numbers in an HDF5 file. Goes
//! out: times (s, strictly increasing, finite) and forces (N, finite), of equal length and at least one.

use crate::console::Advice;
use crate::recording::open::{self, OpenError, Opened};
use std::fs;
use std::io::{self, BufRead, Read};
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Samples of force over time.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Trace {
    /// Times in the trace's own base, s: strictly increasing.
    pub time_s: Vec<f64>,
    /// Force at each time, N.
    pub force_n: Vec<f64>,
}

/// Why there is no trace.
#[derive(Debug, thiserror::Error)]
pub enum TraceError {
    /// The CSV file could not be read.
    #[error("cannot read {}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// A line of the CSV file is not what it should be.
    #[error("{}, line {line}: {problem}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: u64,
        /// What was found and what was expected.
        problem: String,
    },
    /// The file has a header and nothing else, or nothing at all.
    #[error("{} holds no samples", .0.display())]
    Empty(PathBuf),
    /// The HDF5 file could not be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The HDF5 file has no such dataset.
    #[error("{} has no dataset `{dataset}`", path.display())]
    NoDataset {
        /// The file.
        path: PathBuf,
        /// What was asked for.
        dataset: String,
        /// 1-D datasets of numbers that the file does have.
        there: Vec<String>,
    },
    /// The dataset is not a row of numbers.
    #[error("dataset `{dataset}` of {} {problem}", path.display())]
    Dataset {
        /// The file.
        path: PathBuf,
        /// The dataset.
        dataset: String,
        /// What is wrong with it.
        problem: String,
    },
    /// A rate, scale or offset that cannot be used.
    #[error("{name} {value}: must be {expected}")]
    Number {
        /// Which number.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        expected: &'static str,
    },
}

impl Advice for TraceError {
    fn hint(&self) -> String {
        match self {
            TraceError::Io { .. } => "check the path, and that you may read the file".to_owned(),
            TraceError::Line { .. } | TraceError::Empty(_) => "a trace is a CSV file: first line \
                `time_s,force_n`, then a line a sample, decimals with a point, times in seconds and rising"
                .to_owned(),
            TraceError::Open(error) => error.hint(),
            TraceError::NoDataset { there, .. } if there.is_empty() => {
                "the file has no 1-D dataset of numbers".to_owned()
            }
            TraceError::NoDataset { there, .. } => format!("1-D datasets of numbers: {}", there.join(", ")),
            TraceError::Dataset { .. } => "give a 1-D dataset of finite numbers".to_owned(),
            TraceError::Number { name, .. } => format!("give another {name}"),
        }
    }
}

/// Reads a CSV trace: a header with the columns `time_s` and `force_n`, then a line a sample. A byte-order mark,
/// either line end, blank lines and lines that begin with `#` are accepted; other columns are ignored.
pub fn read_csv(path: &Path) -> Result<Trace, TraceError> {
    let file = fs::File::open(path).map_err(|source| TraceError::Io { path: path.to_owned(), source })?;
    parse_csv(file, path)
}

/// The same from bytes; `path` is what errors name.
///
/// Splits lines by hand: the csv crate tells the line of a record only roughly behind blank lines and comments, and
/// the line is what a person needs to mend a file.
pub fn parse_csv(input: impl io::Read, path: &Path) -> Result<Trace, TraceError> {
    let mut input = io::BufReader::with_capacity(1 << 16, input);
    let mut trace = Trace::default();
    let mut columns = None;
    let mut bytes = Vec::new();
    for line in 1.. {
        bytes.clear();
        // One byte more than the longest line, so that a file without line ends is not taken into memory whole.
        let taken = input.by_ref().take(LINE_MAX_BYTES + 1).read_until(b'\n', &mut bytes);
        if taken.map_err(|source| TraceError::Io { path: path.to_owned(), source })? == 0 {
            break;
        }
        parse_line(&bytes, line, &mut columns, &mut trace).map_err(|problem| TraceError::Line {
            path: path.to_owned(),
            line,
            problem,
        })?;
    }
    if trace.time_s.is_empty() { Err(TraceError::Empty(path.to_owned())) } else { Ok(trace) }
}

const LINE_MAX_BYTES: u64 = 1 << 16;

fn parse_line(
    bytes: &[u8],
    line: u64,
    columns: &mut Option<Columns>,
    trace: &mut Trace,
) -> Result<(), String> {
    if bytes.len() as u64 > LINE_MAX_BYTES {
        return Err(format!("longer than {LINE_MAX_BYTES} bytes"));
    }
    let mark = if line == 1 { &b"\xef\xbb\xbf"[..] } else { &[] };
    let bytes = bytes.strip_prefix(mark).unwrap_or(bytes).trim_ascii();
    if bytes.is_empty() || bytes.starts_with(b"#") {
        return Ok(());
    }
    match columns {
        Some(columns) => columns.take(bytes, trace)?,
        None => *columns = Some(Columns::find(bytes)?),
    }
    Ok(())
}

fn cells(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(|byte| *byte == b',').map(|cell| {
        let cell = cell.trim_ascii();
        cell.strip_prefix(b"\"").and_then(|inner| inner.strip_suffix(b"\"")).unwrap_or(cell)
    })
}

/// Where the two columns are, and how many there are.
struct Columns {
    time: usize,
    force: usize,
    count: usize,
}

impl Columns {
    fn find(header: &[u8]) -> Result<Columns, String> {
        let place = |name: &str| cells(header).position(|cell| cell == name.as_bytes());
        match (place("time_s"), place("force_n")) {
            (Some(time), Some(force)) => Ok(Columns { time, force, count: cells(header).count() }),
            _ => Err(format!("expected the header `time_s,force_n`, found `{}`", shown(header))),
        }
    }

    fn take(&self, line: &[u8], trace: &mut Trace) -> Result<(), String> {
        let (mut time, mut force, mut count) = (&[][..], &[][..], 0);
        for cell in cells(line) {
            if count == self.time {
                time = cell;
            } else if count == self.force {
                force = cell;
            }
            count += 1;
        }
        if count != self.count {
            return Err(format!("expected {} values, found {count}", self.count));
        }
        let (time_s, force_n) = (number(time, "time_s")?, number(force, "force_n")?);
        if let Some(before) = trace.time_s.last().filter(|before| **before >= time_s) {
            return Err(format!("time_s {time_s} does not come after {before}"));
        }
        trace.time_s.push(time_s);
        trace.force_n.push(force_n);
        Ok(())
    }
}

fn number(cell: &[u8], name: &str) -> Result<f64, String> {
    let value = std::str::from_utf8(cell).ok().and_then(|text| text.parse::<f64>().ok());
    match value {
        Some(value) if value.is_finite() => Ok(value),
        Some(value) => Err(format!("{name} is {value}, expected a finite number")),
        None => Err(format!("{name} is `{}`, expected a number", shown(cell))),
    }
}

/// The beginning of some bytes, as text that can be shown.
fn shown(bytes: &[u8]) -> String {
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(160)]).into_owned();
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}

/// Reads a 1-D dataset of integers or floats from an HDF5 file as a trace at `rate_hz`: sample i at i / rate, force
/// value × scale + offset (N).
pub fn read_dataset(
    path: &Path,
    dataset: &str,
    rate_hz: f64,
    scale: f64,
    offset: f64,
) -> Result<Trace, TraceError> {
    let mut trace = Trace::default();
    let dataset = Dataset::open(path, dataset, rate_hz, scale, offset)?;
    dataset.blocks(|force_n| trace.force_n.extend_from_slice(force_n))?;
    trace.time_s = (0..trace.force_n.len()).map(|index| index as f64 / rate_hz).collect();
    Ok(trace)
}

/// A 1-D dataset of numbers in an HDF5 file, read as forces block by block.
#[derive(Debug)]
pub struct Dataset {
    opened: Opened,
    dataset: hdf5::Dataset,
    name: String,
    length: usize,
    scale: f64,
    offset: f64,
}

/// Samples of a dataset that are read at a time.
const BLOCK: usize = 1 << 17;

impl Dataset {
    /// Opens a dataset whose values times `scale` plus `offset` are forces (N) at `rate_hz`.
    pub fn open(
        path: &Path,
        name: &str,
        rate_hz: f64,
        scale: f64,
        offset: f64,
    ) -> Result<Dataset, TraceError> {
        expect("rate", rate_hz, rate_hz > 0.0, "a positive number of samples a second")?;
        expect("scale", scale, scale != 0.0, "a finite number other than 0")?;
        expect("offset", offset, true, "a finite number")?;
        let opened = open::open(path)?;
        let (dataset, length) = numbers(&opened, name)?;
        if length == 0 {
            return Err(TraceError::Empty(path.to_owned()));
        }
        Ok(Dataset { opened, dataset, name: name.to_owned(), length, scale, offset })
    }

    /// Number of samples.
    pub fn len(&self) -> usize {
        self.length
    }

    /// Whether there are none. (There is one at least.)
    pub fn is_empty(&self) -> bool {
        self.length == 0
    }

    /// Gives the forces, N, block after block, in order.
    pub fn blocks(&self, mut each: impl FnMut(&[f64])) -> Result<(), TraceError> {
        let of = self.dataset.dtype();
        let (integers, floats) = of.as_ref().map_or((false, false), |of| (of.is::<i32>(), of.is::<f32>()));
        let mut force_n = Vec::with_capacity(BLOCK.min(self.length));
        for first in (0..self.length).step_by(BLOCK) {
            let range = first..self.length.min(first + BLOCK);
            force_n.clear();
            // Reading numbers of 32 bits as they are is several times as fast as having them converted.
            let read = match (integers, floats) {
                (true, _) => self.append::<i32>(range, &mut force_n),
                (_, true) => self.append::<f32>(range, &mut force_n),
                _ => self.append::<f64>(range, &mut force_n),
            };
            read.map_err(|error| self.opened.damaged(open::summary(&error)))?;
            // (Without a way out in the middle, a compiler looks at several side by side.)
            let finite = force_n.iter().fold(true, |all, force| all & force.is_finite());
            if !finite && let Some(at) = force_n.iter().position(|force| !force.is_finite()) {
                return Err(TraceError::Dataset {
                    path: self.opened.path.clone(),
                    dataset: self.name.clone(),
                    problem: format!("has {} at index {}", force_n[at], first + at),
                });
            }
            each(&force_n);
        }
        Ok(())
    }

    /// Reads values as numbers of a type; their forces are appended to `force_n`.
    fn append<T: hdf5::H5Type + Into<f64>>(
        &self,
        range: Range<usize>,
        force_n: &mut Vec<f64>,
    ) -> hdf5::Result<()> {
        let (values, _) = self.dataset.read_slice_1d::<T, _>(range)?.into_raw_vec_and_offset();
        force_n.extend(values.into_iter().map(|value| value.into() * self.scale + self.offset));
        Ok(())
    }
}

fn expect(name: &'static str, value: f64, holds: bool, expected: &'static str) -> Result<(), TraceError> {
    if holds && value.is_finite() { Ok(()) } else { Err(TraceError::Number { name, value, expected }) }
}

/// The 1-D dataset of numbers of this name, and its length.
fn numbers(opened: &Opened, name: &str) -> Result<(hdf5::Dataset, usize), TraceError> {
    let problem = |problem: String| TraceError::Dataset {
        path: opened.path.clone(),
        dataset: name.to_owned(),
        problem,
    };
    let Ok(dataset) = opened.file.dataset(name) else {
        return Err(TraceError::NoDataset {
            path: opened.path.clone(),
            dataset: name.to_owned(),
            there: list_numbers(&opened.file),
        });
    };
    let shape = dataset.get_shape().map_err(|error| opened.damaged(open::summary(&error)))?;
    let [length] = shape[..] else {
        return Err(problem(format!("has {} dimensions, expected 1", shape.len())));
    };
    if !holds_numbers(&dataset) {
        return Err(problem("holds no numbers".to_owned()));
    }
    if !opened.can_hold(length, 1) {
        return Err(opened.damaged(format!("dataset `{name}` claims {length} samples")).into());
    }
    Ok((dataset, length))
}

fn holds_numbers(dataset: &hdf5::Dataset) -> bool {
    use hdf5::types::TypeDescriptor::{Float, Integer, Unsigned};
    let descriptor = dataset.dtype().and_then(|dtype| dtype.to_descriptor());
    matches!(descriptor, Ok(Integer(_) | Unsigned(_) | Float(_)))
}

/// Up to a dozen 1-D datasets of numbers of a file, by their paths.
fn list_numbers(file: &hdf5::File) -> Vec<String> {
    const SHOWN_MAX: usize = 12;
    const DEPTH_MAX: usize = 16;
    let mut found = Vec::new();
    let mut groups = vec![(0, hdf5::Group::clone(file))];
    while let Some((depth, group)) = groups.pop() {
        let datasets = group.datasets().unwrap_or_default();
        found.extend(datasets.iter().filter(|it| it.ndim() == 1 && holds_numbers(it)).map(|it| it.name()));
        if found.len() >= SHOWN_MAX || depth >= DEPTH_MAX {
            continue;
        }
        groups.extend(group.groups().unwrap_or_default().into_iter().map(|inner| (depth + 1, inner)));
    }
    found.sort();
    found.truncate(SHOWN_MAX);
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(text: &str) -> Result<Trace, TraceError> {
        parse_csv(text.as_bytes(), Path::new("trace.csv"))
    }

    fn problem(text: &str) -> String {
        parse(text).unwrap_err().to_string()
    }

    #[test]
    fn a_trace_is_read_whatever_wrote_it() {
        let expected = Trace { time_s: vec![0.0, 0.5], force_n: vec![-1.0, 25.0] };
        for text in [
            "time_s,force_n\n0,-1\n0.5,25\n",
            "\u{feff}time_s,force_n\r\n0,-1\r\n5e-1,2.5e1",
            "# a source line\n\n\"time_s\", force_n \n 0,-1\n\n0.50, 25.0\n",
            "force_n,channel,time_s\n-1,1,0\n25,1,0.5\n",
        ] {
            assert_eq!(parse(text).unwrap(), expected, "{text:?}");
        }
    }

    #[test]
    fn a_bad_line_is_named_with_what_was_expected() {
        for (text, expected) in [
            ("0,1\n1,2\n", "line 1: expected the header `time_s,force_n`, found"),
            ("time_s;force_n\n0;1\n", "line 1: expected the header"),
            ("time_s,force_n\n0,1\n0.1\n", "line 3: expected 2 values, found 1"),
            ("time_s,force_n\n0,1\n\n0.1,2,3\n", "line 4: expected 2 values, found 3"),
            ("time_s,force_n\r\n0,1\r\n0.1,x1\r\n", "line 3: force_n is `x1`, expected a number"),
            ("time_s,force_n\n0,1\n0.1,\n", "line 3: force_n is ``, expected a number"),
            ("time_s,force_n\n0,1\n0.1,nan\n", "line 3: force_n is NaN, expected a finite"),
            ("time_s,force_n\n0,1\n0.1,1e999\n", "line 3: force_n is inf, expected a finite"),
            ("time_s,force_n\n0,1\n0,2\n", "line 3: time_s 0 does not come after 0"),
            ("time_s,force_n\n1,1\n0.5,2\n", "line 3: time_s 0.5 does not come after 1"),
            ("time_s,force_n\n0,\u{1b}[2J\n", "line 2: force_n is `[2J`, expected a number"),
            ("time_s,force_n\n", "holds no samples"),
            ("", "holds no samples"),
        ] {
            let found = problem(text);
            assert!(found.contains(expected), "{text:?}: {found}");
        }
    }

    #[test]
    fn a_file_without_line_ends_is_refused_and_not_taken_in_whole() {
        let found = problem(&"0".repeat(1 << 20));
        assert!(found.contains("line 1: longer than 65536 bytes"), "{found}");
    }

    #[test]
    fn bytes_that_are_no_text_are_refused_with_their_line() {
        let error = parse_csv(&b"time_s,force_n\n0,1\n\xff\xfe,2\n"[..], Path::new("x.csv")).unwrap_err();
        assert!(error.to_string().contains("line 3: time_s is"), "{error}");
    }

    #[test]
    fn a_dataset_of_any_number_type_is_read() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("any.h5");
        let file = open::unlocked().create(&path).unwrap();
        let group = file.create_group("deep/er").unwrap();
        group.new_dataset_builder().with_data(&[1_i16, -2, 3]).create("i16").unwrap();
        group.new_dataset_builder().with_data(&[1_u64, 2, 3]).create("u64").unwrap();
        group.new_dataset_builder().with_data(&[1.5_f32, 2.5]).create("f32").unwrap();
        group.new_dataset_builder().with_data(&[1.0, f64::NAN]).create("nan").unwrap();
        group.new_dataset_builder().with_data(&[true, false]).create("bool").unwrap();
        group.new_dataset_builder().with_data(&ndarray::arr2(&[[1.0, 2.0]])).create("flat").unwrap();
        drop(group); // what is still open keeps the file open
        file.close().unwrap();

        let trace = read_dataset(&path, "deep/er/i16", 4.0, 2.0, 0.5).unwrap();
        assert_eq!(trace, Trace { time_s: vec![0.0, 0.25, 0.5], force_n: vec![2.5, -3.5, 6.5] });
        assert_eq!(read_dataset(&path, "/deep/er/u64", 1.0, 1.0, 0.0).unwrap().force_n, [1.0, 2.0, 3.0]);
        assert_eq!(read_dataset(&path, "deep/er/f32", 1.0, 1.0, 0.0).unwrap().force_n, [1.5, 2.5]);

        let refused = |dataset, rate| read_dataset(&path, dataset, rate, 1.0, 0.0).unwrap_err();
        assert!(refused("deep/er/nan", 1.0).to_string().contains("NaN at index 1"));
        assert!(refused("deep/er/bool", 1.0).to_string().contains("holds no numbers"));
        assert!(refused("deep/er/flat", 1.0).to_string().contains("has 2 dimensions"));
        assert!(refused("deep/er/i16", 0.0).to_string().contains("rate 0"));
        let hint = refused("deep/er/i61", 1.0).hint();
        assert!(hint.contains("/deep/er/i16, /deep/er/nan"), "{hint}");
    }

    #[test]
    fn a_dataset_that_claims_more_than_the_file_can_hold_is_damage() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("huge.h5");
        let file = open::unlocked().create(&path).unwrap();
        file.new_dataset::<f64>().chunk(1024).shape(1_usize << 50).create("x").unwrap();
        file.close().unwrap();
        let error = read_dataset(&path, "x", 1.0, 1.0, 0.0).unwrap_err().to_string();
        assert!(error.contains("damaged file") && error.contains("claims"), "{error}");
    }
}
