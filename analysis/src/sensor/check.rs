//! Daily checks with one known force, and the control chart over them.
//!
//! Comes in: a known force and what the calibrated sensor said (N), with both uncertainties. Goes out: the verdict by a named
//! rule; over many checks, control limits.
//!
//! Decision: accepted where the deviation and its expanded uncertainty together stay within the limit (guarded acceptance,
//! JCGM 106:2012, guard band equal to U). Limit: 1 % of the force, at least 0.2 N (this program's). Control limits: mean ±
//! 2.66 mean moving ranges of single values (Shewhart's individuals chart; NIST/SEMATECH e-Handbook 6.3.2.2).

use serde::{Deserialize, Serialize};

/// Limit of a check as a share of the force …
pub const LIMIT_SHARE: f64 = 0.01;
/// … and at least, N.
pub const LIMIT_LEAST_N: f64 = 0.2;
/// Checks from which control limits are drawn.
pub const CHART_LEAST: usize = 8;
/// 3 ÷ 1.128: the mean range of two values of a normal distribution is 1.128 standard deviations.
const OF_RANGES: f64 = 3.0 / 1.128;

/// One check.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Check {
    /// When (RFC 3339, UTC).
    pub when_utc: String,
    /// Sensor's serial number.
    pub serial: String,
    /// Channel, from 1.
    pub channel: usize,
    /// The known force, N.
    pub reference_n: f64,
    /// What was read, N.
    pub read_n: f64,
    /// Expanded uncertainty of the difference (95 %), N.
    #[serde(deserialize_with = "super::or_nan")]
    pub expanded_n: f64,
    /// Greatest deviation allowed, N.
    pub limit_n: f64,
    /// Accepted.
    pub passed: bool,
    /// Visit in whose recording the samples are.
    pub visit_id: String,
}

/// The limit of a check.
pub fn limit_n(reference_n: f64) -> f64 {
    (LIMIT_SHARE * reference_n.abs()).max(LIMIT_LEAST_N)
}

impl Check {
    /// Reading minus known force, N.
    pub fn deviation_n(&self) -> f64 {
        self.read_n - self.reference_n
    }

    /// The verdict by the rule.
    pub fn judged(self) -> Check {
        // (A comparison with NaN is false: without an uncertainty nothing is accepted.)
        let passed = self.deviation_n().abs() + self.expanded_n <= self.limit_n;
        Check { passed, ..self }
    }

    /// In a line.
    pub fn words(&self) -> String {
        let verdict = if self.passed { "passed" } else { "FAILED" };
        format!(
            "check {verdict}: {:.3} N read at {:.3} N, deviation {:+.3} N, U {:.3} N, limit {:.3} N (accepted where |deviation| + U ≤ limit)",
            self.read_n,
            self.reference_n,
            self.deviation_n(),
            self.expanded_n,
            self.limit_n
        )
    }
}

/// Mean and control limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Limits {
    /// Mean.
    pub mean: f64,
    /// Lower limit.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Control limits of single values in order; `None` with fewer than [`CHART_LEAST`].
pub fn control_limits(values: &[f64]) -> Option<Limits> {
    if values.len() < CHART_LEAST {
        return None;
    }
    let mean = values.iter().sum::<f64>() / values.len() as f64;
    let ranges: f64 = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).sum();
    let half = OF_RANGES * ranges / (values.len() - 1) as f64;
    Some(Limits { mean, low: mean - half, high: mean + half })
}

/// Reads checks, one JSON object a line; the number of lines that are none.
pub fn read(text: &str) -> (Vec<Check>, usize) {
    let lines = text.lines().filter(|line| !line.trim().is_empty());
    let (mut checks, mut damaged) = (Vec::new(), 0);
    for line in lines {
        match serde_json::from_str::<Check>(line) {
            Ok(check) => checks.push(check),
            Err(_) => damaged += 1,
        }
    }
    (checks, damaged)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(read_n: f64, expanded_n: f64) -> Check {
        Check {
            when_utc: String::new(),
            serial: String::new(),
            channel: 1,
            reference_n: 50.0,
            read_n,
            expanded_n,
            limit_n: limit_n(50.0),
            passed: false,
            visit_id: String::new(),
        }
        .judged()
    }

    #[test]
    fn the_uncertainty_is_part_of_the_verdict() {
        assert_eq!((limit_n(50.0), limit_n(5.0)), (0.5, 0.2));
        assert!(check(50.4, 0.05).passed && check(49.6, 0.05).passed);
        assert!(!check(50.4, 0.2).passed && !check(50.6, 0.0).passed && !check(50.0, f64::NAN).passed);
    }

    #[test]
    fn the_flow_rates_of_the_handbook() {
        // NIST/SEMATECH e-Handbook 6.3.2.2, flow rates of ten batches (published; from memory): 50.81, 45.8159 to 55.8041.
        let values = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1];
        let limits = control_limits(&values).unwrap();
        assert!((limits.mean - 50.81).abs() < 1e-9, "{limits:?}");
        assert!((limits.low - 45.8159).abs() < 1e-3 && (limits.high - 55.8041).abs() < 1e-3, "{limits:?}");
        assert_eq!(control_limits(&values[..5]), None);
    }

    #[test]
    fn lines_that_are_no_checks_are_counted() {
        let line = serde_json::to_string(&check(50.1, 0.1)).unwrap();
        let (checks, damaged) = read(&format!("{line}\n{{\"cut\n\n{line}\n"));
        assert_eq!((checks.len(), damaged), (2, 1));
        assert_eq!(checks[0], check(50.1, 0.1));
    }
}
