//! A hold as a row of `/trials`, and back: one place for which field is which column.

use super::layout::TrialRow;
use crate::holds::Hold;
use crate::measures::Measures;
use crate::measures::repeats::HOLD;

/// Flag of a pull that grew slower than was asked for.
pub const TOO_SLOW: &str = "too_slow";
/// Flag of a pull that grew faster than was asked for.
pub const TOO_FAST: &str = "too_fast";
/// Flag of a pull that reached its cap.
pub const REACHED_CAP: &str = "reached_cap";
/// Beginning of the flag of what was not found, with the least that would have been: `below_0.8_n`.
const BELOW: &str = "below_";

impl TrialRow {
    /// A row with a hold's columns filled in and everything else unknown; without a hold all is unknown.
    pub fn of_hold(hold: Option<&Hold>) -> TrialRow {
        let mut row = unknown();
        row.set_hold(hold);
        row
    }

    /// What it was, for people: muscle and test; of a hold that belongs to no trial, where it was measured.
    pub fn what(&self) -> String {
        if self.item > 0 || !self.muscle.is_empty() {
            format!("{}, {}", self.muscle, self.test)
        } else {
            format!("hold of no trial, sensor {}, channel {}", self.sensor, self.channel)
        }
    }

    /// Fills in a hold's columns; without a hold they are unknown.
    pub(super) fn set_hold(&mut self, hold: Option<&Hold>) {
        let of = |get: fn(&Hold) -> Option<f64>| hold.and_then(get).unwrap_or(f64::NAN);
        self.kind = hold.map(|hold| word(&hold.kind)).unwrap_or_default();
        self.onset_s = of(|hold| Some(hold.onset_s));
        self.onset_sd_s = of(|hold| hold.onset_sd_s);
        self.rise5_s = of(|hold| hold.rise5_s);
        self.break_s = of(|hold| hold.break_s);
        self.release_s = of(|hold| hold.release_s);
        self.end_s = of(|hold| hold.end_s);
        self.contact_s = of(|hold| hold.contact_s);
        self.contact_n = of(|hold| Some(hold.contact_n));
        self.rest_n = of(|hold| Some(hold.rest_n));
        self.peak_n = of(|hold| Some(hold.peak_n));
        self.peak_zero_n = of(|hold| Some(hold.peak_zero_n));
        self.peak_s = of(|hold| Some(hold.peak_s));
        self.mean_n = of(|hold| hold.mean_n);
        self.break_n = of(|hold| hold.break_n);
        self.set_measures(&hold.map(|hold| hold.measures).unwrap_or_default());
        self.flags =
            hold.map(|hold| hold.flags.iter().map(word).collect::<Vec<_>>().join(",")).unwrap_or_default();
    }

    /// How fast the examiner pulled, from the columns of the rise.
    fn set_pace(&mut self) {
        let rise_s = self.onset_s + self.time_to_90_percent_s - self.rise5_s;
        let pace = 0.85 * self.peak_n / rise_s;
        self.pace_n_per_s =
            if self.kind == HOLD && rise_s > 0.0 && pace.is_finite() { pace } else { f64::NAN };
    }

    /// Where nothing was found: there was less than this, N, as it was written down.
    pub fn below_n(&self) -> Option<&str> {
        self.flags.split(',').find_map(|flag| flag.strip_prefix(BELOW)?.strip_suffix("_n"))
    }

    /// It has this flag.
    pub fn is_flagged(&self, flag: &str) -> bool {
        self.flags.split(',').any(|known| known == flag)
    }

    /// Takes a flag away.
    pub(super) fn unflag(&mut self, flag: &str) {
        let left: Vec<&str> = self.flags.split(',').filter(|known| *known != flag).collect();
        self.flags = left.join(",");
    }

    /// Adds a flag, once.
    pub fn flag(&mut self, flag: &str) {
        if self.is_flagged(flag) {
            return;
        }
        self.flags = if self.flags.is_empty() { flag.to_owned() } else { format!("{},{flag}", self.flags) };
    }

    /// Fills in the columns that are measured from the hold's samples.
    pub(super) fn set_measures(&mut self, measures: &Measures) {
        let or_nan = |value: Option<f64>| value.unwrap_or(f64::NAN);
        self.loading_rate_n_per_s = or_nan(measures.loading_rate_n_per_s);
        self.drop_percent = or_nan(measures.drop_percent);
        self.impulse_n_s = or_nan(measures.impulse_n_s);
        self.time_to_peak_s = or_nan(measures.time_to_peak_s);
        self.time_to_90_percent_s = or_nan(measures.time_to_90_percent_s);
        self.rfd_50_n_per_s = or_nan(measures.rfd_50_n_per_s);
        self.rfd_100_n_per_s = or_nan(measures.rfd_100_n_per_s);
        self.rfd_200_n_per_s = or_nan(measures.rfd_200_n_per_s);
        self.steadiness_percent = or_nan(measures.steadiness_percent);
        self.set_pace();
    }
}

/// A serializable word as text.
fn word<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(text)) => text,
        _ => String::new(),
    }
}

fn unknown() -> TrialRow {
    let (nan, text) = (f64::NAN, String::new);
    TrialRow {
        item: -1,
        muscle: text(),
        side: text(),
        test: text(),
        outcome: text(),
        number: -1,
        order: -1,
        attempt: -1,
        sensor: -1,
        channel: -1,
        segment: -1,
        kind: text(),
        first_sample: -1,
        last_sample: -1,
        onset_s: nan,
        onset_sd_s: nan,
        rise5_s: nan,
        break_s: nan,
        release_s: nan,
        end_s: nan,
        contact_s: nan,
        contact_n: nan,
        rest_n: nan,
        peak_n: nan,
        peak_zero_n: nan,
        peak_s: nan,
        mean_n: nan,
        break_n: nan,
        loading_rate_n_per_s: nan,
        pace_n_per_s: nan,
        drop_percent: nan,
        impulse_n_s: nan,
        time_to_peak_s: nan,
        time_to_90_percent_s: nan,
        rfd_50_n_per_s: nan,
        rfd_100_n_per_s: nan,
        rfd_200_n_per_s: nan,
        steadiness_percent: nan,
        arrangement: text(),
        reaction: text(),
        coupling: text(),
        gap_mm: nan,
        lever_mm: nan,
        moment_n_cm: nan,
        palm: text(),
        position: text(),
        cap_n: nan,
        feedback: text(),
        rest_before_s: nan,
        pain: nan,
        tare: -1,
        expanded_uncertainty_n: nan,
        mean_expanded_uncertainty_n: nan,
        moment_expanded_uncertainty_n_cm: nan,
        uncertainty_budget: text(),
        flags: text(),
        valid: 0,
        why_not: text(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pace_is_the_slope_of_the_rise() {
        // A straight rise to 20 N in 2 s: 5 % at 0.1 s and 90 % at 1.8 s after its start at 3 s.
        let mut row =
            TrialRow { kind: HOLD.to_owned(), onset_s: 3.0, rise5_s: 3.1, peak_n: 20.0, ..unknown() };
        row.set_measures(&Measures { time_to_90_percent_s: Some(1.8), ..Measures::default() });
        assert!((row.pace_n_per_s - 10.0).abs() < 1e-9, "{}", row.pace_n_per_s);
        row.set_measures(&Measures::default());
        assert!(row.pace_n_per_s.is_nan(), "an unknown rise has none");
    }

    #[test]
    fn flags_are_read_as_they_were_set() {
        let mut row = unknown();
        row.flag(REACHED_CAP);
        row.flag(REACHED_CAP);
        assert_eq!((row.flags.as_str(), row.below_n()), ("reached_cap", None));
        row.flag("below_0.8_n");
        assert_eq!(row.below_n(), Some("0.8"));
        row.unflag("below_0.8_n");
        assert_eq!(row.flags, "reached_cap");
        assert!(row.is_flagged(REACHED_CAP) && !row.is_flagged(TOO_SLOW));
    }
}
