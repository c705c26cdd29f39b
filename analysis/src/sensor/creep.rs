//! Creep under constant load, and recovery without it.
//!
//! Comes in: readings (N) at equal intervals (s) from the moment the load changed. Goes out: how they changed from a
//! reference time to the end, with the uncertainty that the noise leaves.
//!
//! OIML R 60:2021: 90 to 100 % of capacity for 30 min; the initial reading 10 s after the load; the change in 30 min at most
//! 0.7 of the maximum permissible error, from the 20th to the 30th minute at most 0.15 of it.

use super::Figure;
use crate::statistics::line::Line;
use crate::statistics::quantiles::student_t;
use serde::{Deserialize, Serialize};

/// From the change of the load to the initial reading, s.
pub const INITIAL_S: f64 = 10.0;
/// How long the standard's test lasts, s.
pub const STANDARD_S: f64 = 1800.0;
/// Readings are taken from a line through so much of the trace, as a share of its length.
const WINDOW_SHARE: f64 = 0.02;
/// … and at least this many samples.
const WINDOW_MIN: usize = 20;

/// Creep, or recovery.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Creep {
    /// When the initial reading was taken, s after the load changed.
    pub from_s: f64,
    /// When the last one was.
    pub to_s: f64,
    /// The load, N.
    pub load_n: f64,
    /// Change from the initial to the last reading, N.
    pub change_n: Figure,
    /// Change over the last third, N (from the 20th to the 30th minute of the standard's test).
    pub last_third_n: Figure,
    /// Whether it lasted as long as the standard says.
    pub is_standard: bool,
}

/// The change of readings from `from_s` on; `None` where they are too few.
pub fn of(readings: &[f64], interval_s: f64, from_s: f64, load_n: f64) -> Option<Creep> {
    let to_s = readings.len() as f64 * interval_s;
    let width = ((WINDOW_SHARE * readings.len() as f64) as usize).max(WINDOW_MIN);
    if readings.len() < 4 * width || from_s < 0.0 || from_s >= 0.5 * to_s {
        return None;
    }
    let at = |time_s: f64| reading_at(readings, interval_s, time_s, width);
    let (initial, third, last) = (at(from_s)?, at(to_s - (to_s - from_s) / 3.0)?, at(to_s)?);
    let change = |a: (f64, f64), b: (f64, f64)| {
        let t = student_t(0.975, (width - 2) as f64)?;
        Some(Figure { value: b.0 - a.0, expanded: t * (a.1 * a.1 + b.1 * b.1).sqrt() })
    };
    Some(Creep {
        from_s,
        to_s,
        load_n,
        change_n: change(initial, last)?,
        last_third_n: change(third, last)?,
        is_standard: to_s >= STANDARD_S - 1.0,
    })
}

/// The value at a time from a straight line through the samples around it, and its standard error.
fn reading_at(readings: &[f64], interval_s: f64, time_s: f64, width: usize) -> Option<(f64, f64)> {
    let middle = (time_s / interval_s) as usize;
    let from = middle.saturating_sub(width / 2).min(readings.len() - width);
    let time: Vec<f64> = (from..from + width).map(|i| i as f64 * interval_s - time_s).collect();
    let line = Line::through(&time, &readings[from..from + width])?;
    Some((line.intercept, line.intercept_se))
}

/// Accuracy classes of OIML R 60, by where the steps of their maximum permissible errors are, in verification intervals.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// Class A.
    A,
    /// Class B.
    B,
    /// Class C.
    C,
    /// Class D.
    D,
}

/// Maximum permissible error of a load cell at `intervals` verification intervals, as a multiple of the interval, with
/// the usual apportioning factor of 0.7 (OIML R 60, table 4).
pub fn permissible(class: Class, intervals: f64) -> f64 {
    let (first, second) = match class {
        Class::A => (50_000.0, 200_000.0),
        Class::B => (5_000.0, 20_000.0),
        Class::C => (500.0, 2_000.0),
        Class::D => (50.0, 200.0),
    };
    0.7 * if intervals <= first {
        0.5
    } else if intervals <= second {
        1.0
    } else {
        1.5
    }
}

/// Most verification intervals (in hundreds) of class C at which creep of `change` over 30 min and `last_third` over the
/// last ten, both as shares of the load, are still permissible; 0 where none are.
pub fn intervals_of_class_c(change: f64, last_third: f64) -> u32 {
    let fits = |hundreds: &u32| {
        let intervals = f64::from(*hundreds) * 100.0;
        let limit = permissible(Class::C, intervals) / intervals;
        change.abs() <= 0.7 * limit && last_third.abs() <= 0.15 * limit
    };
    (1..=100).filter(fits).max().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_of_the_recommendation() {
        // Published: OIML R 60:2021, class C3 (3000 intervals) at D_max: creep 0.735 v and 0.1575 v.
        let limit = permissible(Class::C, 3000.0);
        assert!((0.7 * limit - 0.735).abs() < 1e-12 && (0.15 * limit - 0.1575).abs() < 1e-12);
        assert_eq!(permissible(Class::C, 500.0), 0.35);
        assert_eq!(permissible(Class::B, 20_000.0), 0.7);
        assert_eq!(intervals_of_class_c(0.734 / 3000.0, 0.157 / 3000.0), 3000 / 100);
        assert!(intervals_of_class_c(0.74 / 3000.0, 0.157 / 3000.0) < 30);
    }

    #[test]
    fn planted_creep_is_found_within_its_uncertainty() {
        let value = |t: f64| 0.2 * (1.0 - libm::exp(-t / 300.0));
        let readings: Vec<f64> = (0..18_000)
            .map(|i| 100.0 + value(f64::from(i) * 0.1) + 0.01 * f64::from(i * 7919 % 101 - 50) / 50.0)
            .collect();
        let creep = of(&readings, 0.1, INITIAL_S, 100.0).unwrap();
        assert!(creep.is_standard);
        let truth = value(1800.0) - value(10.0);
        assert!((creep.change_n.value - truth).abs() < 0.001, "{creep:?} {truth}");
        assert!(creep.change_n.expanded < 0.005);
        assert_eq!(of(&readings[..30], 0.1, 1.0, 100.0), None);
    }
}
