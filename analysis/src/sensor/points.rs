//! The readings of a calibration.
//!
//! Comes in: a CSV file `reference_n,indication[,series,mounting,direction]`. Goes out: readings in the order in which they
//! were taken, each with its series and direction, and where a series begins without load, its deflection.
//!
//! A series is one run of loads; series of one mounting differ by repeatability, mountings by reproducibility (ISO
//! 376:2011). Without the column `mounting` all series are of one mounting. Without `direction` a reading is on the way
//! down where its load is less than the one before.

use crate::console::Advice;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

/// Which way the load came.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// From a smaller load.
    Up,
    /// From a greater one.
    Down,
}

/// One reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The known force, N; negative in the other direction of the sensor.
    pub reference_n: f64,
    /// What the sensor said.
    pub indication: f64,
    /// Series.
    pub series: String,
    /// Mounting.
    pub mounting: String,
    /// Which way the load came.
    pub direction: Direction,
}

/// Why there are no readings.
#[derive(Debug, thiserror::Error)]
pub enum PointsError {
    /// The file cannot be read.
    #[error("cannot read {}: {problem}", path.display())]
    Io {
        /// The file.
        path: PathBuf,
        /// What the system said.
        problem: String,
    },
    /// A line is not what it should be.
    #[error("{}, line {line}: {problem}", path.display())]
    Line {
        /// The file.
        path: PathBuf,
        /// The line, from 1.
        line: u64,
        /// What was found.
        problem: String,
    },
    /// The readings allow no curve.
    #[error("{0}")]
    TooFew(String),
}

impl Advice for PointsError {
    fn hint(&self) -> String {
        match self {
            PointsError::Io { .. } => "check the path, and that you may read the file".to_owned(),
            PointsError::Line { .. } => "a calibration is a CSV file: first line \
                `reference_n,indication[,series,mounting,direction]`, then a line a reading, decimals with a point; \
                direction is up or down"
                .to_owned(),
            PointsError::TooFew(_) => {
                "give at least three different loads, better five and more, up and down, in three mountings"
                    .to_owned()
            }
        }
    }
}

/// Most readings that a file may have.
const READINGS_MAX: usize = 100_000;

/// Reads the file; beside the readings, the finest step in which indications are written (their resolution where nobody
/// says another).
pub fn read_csv(path: &Path) -> Result<(Vec<Point>, f64), PointsError> {
    let io = |error: std::io::Error| PointsError::Io { path: path.to_owned(), problem: error.to_string() };
    parse_csv(std::fs::File::open(path).map_err(io)?, path)
}

/// The same of an opened file, which is called `path` in an error.
pub fn parse_csv(file: impl std::io::Read, path: &Path) -> Result<(Vec<Point>, f64), PointsError> {
    let io = |problem: String| PointsError::Io { path: path.to_owned(), problem };
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_reader(file);
    let headers = reader.headers().map_err(|error| io(error.to_string()))?.clone();
    let column = |name: &str| headers.iter().position(|cell| cell.trim_start_matches('\u{feff}') == name);
    let (Some(reference), Some(indication)) = (column("reference_n"), column("indication")) else {
        return Err(PointsError::Line {
            path: path.to_owned(),
            line: 1,
            problem: if headers.iter().any(|cell| cell.contains(';')) {
                "semicolons: separate columns by commas, and write 1.5, not 1,5".to_owned()
            } else {
                "the columns `reference_n` and `indication` are not both there".to_owned()
            },
        });
    };
    let others = [column("series"), column("mounting"), column("direction")];
    let mut runs = Runs::default();
    let (mut points, mut step) = (Vec::new(), f64::INFINITY);
    for record in reader.records() {
        let record = record.map_err(|error| {
            let line = error.position().map_or(0, csv::Position::line);
            PointsError::Line {
                path: path.to_owned(),
                line,
                problem: "it has another number of values".to_owned(),
            }
        })?;
        let line = record.position().map_or(0, csv::Position::line);
        let wrong = |problem: String| PointsError::Line { path: path.to_owned(), line, problem };
        let cell = |at: usize| record.get(at).unwrap_or_default();
        let read = Row {
            reference: cell(reference),
            indication: cell(indication),
            others: others.map(|at| at.map_or("", cell)),
        };
        step = step.min(decimal_step(read.indication));
        let run = if others[0].is_none() { runs.number(read.reference) } else { String::new() };
        points.push(read.point(&run, points.last()).map_err(wrong)?);
        if points.len() > READINGS_MAX {
            return Err(wrong(format!("more than {READINGS_MAX} readings")));
        }
    }
    Ok((points, step))
}

struct Row<'a> {
    reference: &'a str,
    indication: &'a str,
    others: [&'a str; 3],
}

/// Numbers series that the file does not name: one ends where the load falls from its greatest to where the series began
/// in one step.
#[derive(Default)]
struct Runs {
    count: u32,
    first: f64,
    greatest: f64,
    before: f64,
}

impl Runs {
    fn number(&mut self, reference: &str) -> String {
        let load = reference.parse::<f64>().map_or(0.0, f64::abs);
        if self.count == 0 || (self.before > self.first && self.before == self.greatest && load <= self.first)
        {
            *self = Runs { count: self.count + 1, first: load, greatest: load, before: load };
        }
        (self.greatest, self.before) = (self.greatest.max(load), load);
        self.count.to_string()
    }
}

impl Row<'_> {
    fn point(&self, run: &str, before: Option<&Point>) -> Result<Point, String> {
        let number = |name: &str, text: &str| match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            _ => Err(format!("{name} is `{}`, expected a number", crate::console::clean(text))),
        };
        let reference_n = number("reference_n", self.reference)?;
        let indication = number("indication", self.indication)?;
        let [series, mounting, direction] = self.others;
        let series = if series.is_empty() { run } else { series };
        let before = before.filter(|point| point.series == series && point.mounting == mounting);
        let direction = match direction.to_ascii_lowercase().as_str() {
            "up" | "increasing" => Direction::Up,
            "down" | "decreasing" => Direction::Down,
            "" => implied(reference_n, before),
            other => {
                return Err(format!("direction is `{}`, expected up or down", crate::console::clean(other)));
            }
        };
        let (series, mounting) = (series.to_owned(), mounting.to_owned());
        Ok(Point { reference_n, indication, series, mounting, direction })
    }
}

/// The direction of a load after the one before.
pub fn implied(reference_n: f64, before: Option<&Point>) -> Direction {
    match before {
        Some(before) if reference_n.abs() < before.reference_n.abs() => Direction::Down,
        Some(before) if reference_n.abs() == before.reference_n.abs() => before.direction,
        _ => Direction::Up,
    }
}

/// The value of the last place written: 0.01 for `12.34`, 1 for `120034`.
fn decimal_step(text: &str) -> f64 {
    let (digits, exponent) = text.split_once(['e', 'E']).unwrap_or((text, "0"));
    let decimals = digits.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    let exponent = exponent.parse::<i32>().unwrap_or(0).clamp(-300, 300) - decimals.min(300) as i32;
    libm::pow(10.0, f64::from(exponent))
}

/// The readings of one series, in order.
pub fn series(points: &[Point]) -> Vec<Vec<&Point>> {
    let mut all: Vec<Vec<&Point>> = Vec::new();
    for point in points {
        let same = |of: &&mut Vec<&Point>| {
            of.first().is_some_and(|first| first.series == point.series && first.mounting == point.mounting)
        };
        match all.iter_mut().find(same) {
            Some(known) => known.push(point),
            None => all.push(vec![point]),
        }
    }
    all
}

/// A load's readings without the zero: the difference to the reading without load at the series' beginning.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deflection<'a> {
    /// The reading.
    pub point: &'a Point,
    /// Its deflection.
    pub deflection: f64,
}

/// Deflections, where every series begins without load; otherwise the indications themselves, and `false`. And the zero
/// returns: the last reading without load minus the first, for every series that has both.
pub fn deflections(points: &[Point]) -> (Vec<Deflection<'_>>, bool, Vec<f64>) {
    let all = series(points);
    let begins = |of: &Vec<&Point>| of.first().is_some_and(|first| first.reference_n == 0.0);
    let from_zero = !all.is_empty() && all.iter().all(begins);
    let (mut deflections, mut returns) = (Vec::new(), Vec::new());
    for of in &all {
        let zero = of.first().filter(|first| first.reference_n == 0.0).map(|first| first.indication);
        if let (Some(zero), Some(last)) = (zero, of.iter().skip(1).rev().find(|p| p.reference_n == 0.0)) {
            returns.push(last.indication - zero);
        }
        let base = if from_zero { zero.unwrap_or(0.0) } else { 0.0 };
        deflections.extend(of.iter().map(|point| Deflection { point, deflection: point.indication - base }));
    }
    (deflections, from_zero, returns)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<(Vec<Point>, f64), PointsError> {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("points.csv");
        std::fs::write(&path, text).unwrap();
        read_csv(&path)
    }

    #[test]
    fn directions_follow_from_the_order_and_the_resolution_from_the_digits() {
        let (points, step) = read(
            "reference_n,indication,series\n0,10,A\n5,60.25,A\n10,110,A\n5,61,A\n0,11,A\n0,10,B\n5,60,B\n",
        )
        .unwrap();
        let directions: Vec<Direction> = points.iter().map(|point| point.direction).collect();
        use Direction::{Down, Up};
        assert_eq!(directions, [Up, Up, Up, Down, Down, Up, Up]);
        assert!((step - 0.01).abs() < 1e-15);
        let (of, from_zero, returns) = deflections(&points);
        assert!(from_zero);
        assert_eq!((of[1].deflection, returns), (50.25, vec![1.0]));
        assert_eq!((decimal_step("120034"), decimal_step("1.5e3")), (1.0, 100.0));
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        for (text, expected) in [
            ("force,indication\n1,2\n", "line 1"),
            ("reference_n,indication\n1,2\n1,x\n", "line 3"),
            ("reference_n,indication\n1,2\n1,inf\n", "line 3"),
            ("reference_n,indication\n1,2,3\n", "line 2"),
            ("reference_n,indication,direction\n1,2,sideways\n", "sideways"),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(expected), "{error}");
        }
    }
}
