//! What people write: traces and tables as CSV, plans, the finder's parameters, what is kept beside recordings.

use analysis::corrections;
use analysis::holds::{Parameters, find};
use analysis::sensor::calibration::{Known, calibrate};
use analysis::sensor::points;
use analysis::study::protocol::Protocol;
use analysis::study::reliability;
use analysis::study::table::Table;
use analysis::trace::parse_csv;
use daemon::port::profile::Profile;
use daemon::visit::plan::Plan;
use std::path::Path;

/// Longest trace in which holds are looked for: the reader is what is tested here, and the finder takes longer.
const SEARCHED_ROWS: usize = 64;

/// Most parameters that are set one after the other.
const ASSIGNMENTS: usize = 4;

/// Any trace: refused with the line, or finite numbers in rising order; the finder takes those.
pub fn csv(data: &[u8]) {
    match parse_csv(data, Path::new("trace.csv")) {
        Ok(trace) => {
            assert!(!trace.time_s.is_empty() && trace.time_s.len() == trace.force_n.len());
            assert!(trace.time_s.windows(2).all(|pair| pair[0] < pair[1]));
            assert!(trace.time_s.iter().chain(&trace.force_n).all(|value| value.is_finite()));
            if trace.time_s.len() <= SEARCHED_ROWS {
                find(&trace.time_s, &trace.force_n, None, &Parameters::default());
            }
        }
        Err(error) => assert!(!error.to_string().contains(char::is_control), "{error:?}"),
    }
}

/// Any plan: refused, or one that comes back the same from its own text.
pub fn plan(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    match Plan::parse(text) {
        Ok(plan) => assert_eq!(Plan::parse(&plan.to_toml()), Ok(plan)),
        Err(error) => assert!((1..=text.matches('\n').count() + 1).contains(&error.line), "{error}"),
    }
}

/// Any lines of `NAME=VALUE`: each is refused and changes nothing, or what is then listed can be set again.
pub fn set(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let mut parameters = Parameters::default();
    for line in text.lines().take(ASSIGNMENTS) {
        let Some((name, value)) = line.split_once('=') else { continue };
        let before = parameters.clone();
        if parameters.set(name.trim(), value.trim()).is_err() {
            assert_eq!(parameters, before);
        }
    }
    let mut again = Parameters::default();
    for (name, value, _) in parameters.values() {
        again.set(name, &value).unwrap();
    }
    assert_eq!(again, parameters);
}

/// Any table of values: refused in words that no terminal takes for orders, or analysed.
pub fn table(data: &[u8]) {
    match Table::parse(data, None, "table") {
        Ok(table) => {
            assert_eq!(table.cells.len(), table.subjects.len());
            assert!(table.cells.iter().all(|row| row.len() == table.occasions.len()));
            assert!(table.cells.iter().flatten().flatten().all(|value| value.is_finite()));
            let small = table.subjects.len() <= SEARCHED_ROWS && table.occasions.len() <= SEARCHED_ROWS;
            if let Some(Ok(analysed)) = small.then(|| reliability::of(&table, 0.2)) {
                assert!(analysed.mean.is_finite(), "{}", analysed.mean);
            }
        }
        Err((what, _)) => assert!(!what.contains(char::is_control), "{what:?}"),
    }
}

/// Any file of those beside recordings, which one by the first byte: corrections, a sensor's profile, a protocol, a
/// calibration's readings.
pub fn kept(data: &[u8]) {
    let Some((which, rest)) = data.split_first() else { return };
    let text = String::from_utf8_lossy(rest);
    match which % 4 {
        0 => {
            for correction in corrections::parse(rest).0 {
                let line = corrections::line(&correction, b"").unwrap();
                let (again, bad) = corrections::parse(&line);
                assert!(again == [correction] && bad.is_empty(), "{}", String::from_utf8_lossy(&line));
            }
        }
        1 => {
            if let Ok(profile) = Profile::parse(&text) {
                assert!(profile.n_per_count().is_finite());
                rest.split(|byte| *byte == profile.terminator.byte()).for_each(|line| {
                    let device_s = profile.read(line).and_then(|(_, device_s)| device_s);
                    assert!(device_s.is_none_or(f64::is_finite), "{device_s:?}");
                });
            }
        }
        2 => {
            let _: Result<Protocol, String> = Protocol::parse(&text);
        }
        _ => match points::parse_csv(rest, Path::new("points.csv")) {
            Ok((points, step)) if points.len() <= SEARCHED_ROWS => {
                assert!(
                    points.iter().all(|point| point.reference_n.is_finite() && point.indication.is_finite())
                );
                let known = Known {
                    resolution: step,
                    reference_relative: Some(1e-4),
                    creep_relative: None,
                    highest_degree: 3,
                };
                if let Ok(calibration) = calibrate(&points, &known) {
                    assert!(!calibration.branches.is_empty());
                }
            }
            Ok(_) => {}
            Err(error) => assert!(!error.to_string().contains(char::is_control), "{error:?}"),
        },
    }
}
