//! An examiner's practice: pulls on a spring or a dummy, and how evenly they grow.
//!
//! Comes in: the rows of free holds (N, s). Goes out: loading rates (N/s), their mean, SD and share in the range asked for;
//! `DATA/practice.jsonl`, a line a practice, with the examiner's code and the time.
//!
//! A pull's rate is its mean slope from 5 to 90 % of its peak. What is measured in a break test depends on the examiner's
//! speed (Burns & Spanier 2005, Arch Phys Med Rehabil 86:1420–1426), so it is to be within a plan's usual range
//! ([`PACE_PERCENT_PER_S`]) of the expected maximum a second.

use crate::files;
use crate::journal::{Disk, JournalError};
use crate::settings::{self, Settings, SettingsError};
use crate::visit::plan::PACE_PERCENT_PER_S;
use analysis::statistics::moments::Moments;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// The file's name.
const FILE: &str = "practice.jsonl";
/// Due again after this many days, where the settings say nothing.
const DUE_DAYS: u32 = 90;
const NS_PER_DAY: i64 = 86_400 * 1_000_000_000;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Target {
    /// How many pulls.
    pub pulls: usize,
    /// Least rate, N/s.
    pub low_n_per_s: f64,
    /// Greatest rate, N/s.
    pub high_n_per_s: f64,
}

impl Target {
    /// So many pulls as on somebody whose expected maximum is this, N.
    pub fn of_maximum(pulls: usize, maximum_n: f64) -> Target {
        let (low, high) = PACE_PERCENT_PER_S;
        Target { pulls, low_n_per_s: low / 100.0 * maximum_n, high_n_per_s: high / 100.0 * maximum_n }
    }

    fn includes(&self, rate_n_per_s: f64) -> bool {
        (self.low_n_per_s..=self.high_n_per_s).contains(&rate_n_per_s)
    }

    /// A rate in words.
    pub fn judged(&self, rate_n_per_s: f64) -> String {
        let word = if self.includes(rate_n_per_s) {
            "in range"
        } else if rate_n_per_s < self.low_n_per_s {
            "too slow"
        } else {
            "too fast"
        };
        format!("{rate_n_per_s:.1} N/s, {word} ({:.1} to {:.1})", self.low_n_per_s, self.high_n_per_s)
    }
}

/// A practice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Practice {
    /// Examiner's code.
    pub examiner: String,
    /// When it ended (RFC 3339, UTC).
    pub utc: String,
    /// The same, ns since 1970.
    pub utc_ns: i64,
    /// Sensor's serial number.
    pub sensor: String,
    /// What was asked for.
    pub target: Target,
    /// Each pull's loading rate, N/s.
    pub rates_n_per_s: Vec<f64>,
    /// Their mean, N/s.
    pub mean_n_per_s: f64,
    /// Their SD (n − 1), N/s; `None` for fewer than two.
    pub sd_n_per_s: Option<f64>,
    /// How many are in the range.
    pub in_range: usize,
}

impl Practice {
    /// What these rates come to; `None` without any.
    pub fn of(
        examiner: &str,
        utc_ns: i64,
        sensor: &str,
        target: Target,
        rates_n_per_s: Vec<f64>,
    ) -> Option<Practice> {
        let moments = Moments::of(&rates_n_per_s)?;
        Some(Practice {
            examiner: examiner.to_owned(),
            utc: crate::clock::rfc3339(utc_ns),
            utc_ns,
            sensor: sensor.to_owned(),
            target,
            mean_n_per_s: moments.mean,
            sd_n_per_s: moments.sd,
            in_range: rates_n_per_s.iter().filter(|rate| target.includes(**rate)).count(),
            rates_n_per_s,
        })
    }

    /// It was so many days ago, or more.
    fn is_due(&self, days: u32, now_utc_ns: i64) -> bool {
        now_utc_ns.saturating_sub(self.utc_ns) / NS_PER_DAY >= i64::from(days)
    }

    /// In words, for a terminal and a report.
    pub fn words(&self) -> String {
        let sd = self.sd_n_per_s.map_or_else(|| "–".to_owned(), |sd| format!("{sd:.1}"));
        format!(
            "{}: {} pulls, loading rate {:.1} N/s, SD {sd}, {} of {} within {:.1} to {:.1} N/s",
            self.utc.get(..10).unwrap_or(&self.utc),
            self.rates_n_per_s.len(),
            self.mean_n_per_s,
            self.in_range,
            self.rates_n_per_s.len(),
            self.target.low_n_per_s,
            self.target.high_n_per_s
        )
    }
}

/// Keeps a practice.
///
/// # Errors
/// The disk refuses; what was kept before stays.
pub fn keep(disk: &dyn Disk, data: &Path, practice: &Practice) -> Result<(), JournalError> {
    let path = data.join(FILE);
    let mut bytes = files::read(disk, &path)?;
    if bytes.last().is_some_and(|byte| *byte != b'\n') {
        bytes.push(b'\n');
    }
    bytes.extend(serde_json::to_vec(practice).unwrap_or_default());
    bytes.push(b'\n');
    files::replace(disk, &path, &bytes)
}

/// Each examiner's last practice, by code.
///
/// # Errors
/// The disk refuses. A line that is damaged is only not known.
fn latest(disk: &dyn Disk, data: &Path) -> Result<BTreeMap<String, Practice>, JournalError> {
    let bytes = files::read(disk, &data.join(FILE))?;
    let mut latest: BTreeMap<String, Practice> = BTreeMap::new();
    for practice in
        bytes.split(|byte| *byte == b'\n').filter_map(|line| serde_json::from_slice::<Practice>(line).ok())
    {
        if latest.get(&practice.examiner).is_none_or(|before| before.utc_ns <= practice.utc_ns) {
            latest.insert(practice.examiner.clone(), practice);
        }
    }
    Ok(latest)
}

/// What is to be said of an examiner's practice before a visit, and whether it is due again.
///
/// # Errors
/// The disk refuses, or the settings are wrong.
pub fn told(disk: &dyn Disk, data: &Path, examiner: &str, now_utc_ns: i64) -> Result<String, SettingsError> {
    let days = due_days(&settings::read(disk, data)?);
    Ok(match latest(disk, data)?.get(examiner) {
        None => "none on file: due".to_owned(),
        Some(practice) if practice.is_due(days, now_utc_ns) => {
            format!("{}; due again after {days} days", practice.words())
        }
        Some(practice) => practice.words(),
    })
}

/// How many examiners have practised, and the codes of those who are due again.
///
/// # Errors
/// The disk refuses.
pub fn due(
    disk: &dyn Disk,
    data: &Path,
    settings: &Settings,
    now_utc_ns: i64,
) -> Result<(usize, Vec<String>), JournalError> {
    let (all, days) = (latest(disk, data)?, due_days(settings));
    let due = all.values().filter(|practice| practice.is_due(days, now_utc_ns));
    Ok((all.len(), due.map(|practice| practice.examiner.clone()).collect()))
}

fn due_days(settings: &Settings) -> u32 {
    settings.practice_days.unwrap_or(DUE_DAYS)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::simulated_disk::SimulatedDisk;

    const TARGET: Target = Target { pulls: 4, low_n_per_s: 5.0, high_n_per_s: 8.0 };

    fn practice(examiner: &str, day: i64) -> Practice {
        Practice::of(examiner, day * NS_PER_DAY, "SIM", TARGET, vec![4.0, 6.0, 7.0, 9.0]).unwrap()
    }

    #[test]
    fn a_practice_is_summed_up() {
        // By hand: mean 6.5; squares of the differences 6.25, 0.25, 0.25, 6.25, sum 13, over 3.
        let it = practice("E01", 0);
        assert_eq!((it.mean_n_per_s, it.in_range), (6.5, 2));
        assert!((it.sd_n_per_s.unwrap() - (13.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert_eq!(
            it.words(),
            "1970-01-01: 4 pulls, loading rate 6.5 N/s, SD 2.1, 2 of 4 within 5.0 to 8.0 N/s"
        );
        assert!(TARGET.judged(4.0).contains("too slow") && TARGET.judged(9.0).contains("too fast"));
        assert_eq!(Target::of_maximum(10, 20.0), Target { pulls: 10, ..TARGET });
        assert_eq!(Practice::of("E01", 0, "SIM", TARGET, Vec::new()), None);
    }

    #[test]
    fn each_examiners_last_practice_is_found_and_is_due_again_in_time() {
        let (disk, data) = (SimulatedDisk::new(1).shared(), Path::new("/data"));
        disk.create_folder(data).unwrap();
        let told = |examiner: &str, day: i64| told(&*disk, data, examiner, day * NS_PER_DAY).unwrap();
        assert_eq!(told("E01", 1), "none on file: due");
        for (examiner, day) in [("E01", 10), ("E02", 50), ("E01", 20)] {
            keep(&*disk, data, &practice(examiner, day)).unwrap();
        }
        assert!(told("E01", 25).starts_with("1970-01-21") && !told("E01", 25).contains("due"));
        assert!(told("E01", 110).contains("due again after 90 days"));
        files::replace(&*disk, &data.join(settings::FILE), b"practice_days = 3\n").unwrap();
        assert!(told("E01", 25).contains("due again after 3 days") && !told("E02", 51).contains("due"));
        let settings = settings::read(&*disk, data).unwrap();
        let due = |day: i64| due(&*disk, data, &settings, day * NS_PER_DAY).unwrap();
        assert_eq!(due(52), (2, vec!["E01".to_owned()]));
        assert_eq!(due(53), (2, vec!["E01".to_owned(), "E02".to_owned()]));
    }
}
