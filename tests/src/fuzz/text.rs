//! What people write: traces as CSV, plans, the finder's parameters.

use analysis::holds::{Parameters, find};
use analysis::trace::parse_csv;
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
