//! A hold as a row of `/trials`, and back: one place for which field is which column.

use super::layout::TrialRow;
use crate::holds::Hold;
use crate::measures::Measures;

impl TrialRow {
    /// A row with a hold's columns filled in and everything else unknown; without a hold all is unknown.
    pub fn of_hold(hold: Option<&Hold>) -> TrialRow {
        let mut row = unknown();
        let Some(hold) = hold else { return row };
        let or_nan = |value: Option<f64>| value.unwrap_or(f64::NAN);
        row.kind = word(&hold.kind);
        row.onset_s = hold.onset_s;
        row.onset_sd_s = or_nan(hold.onset_sd_s);
        row.rise5_s = or_nan(hold.rise5_s);
        row.break_s = or_nan(hold.break_s);
        row.release_s = or_nan(hold.release_s);
        row.end_s = or_nan(hold.end_s);
        row.contact_s = or_nan(hold.contact_s);
        row.contact_n = hold.contact_n;
        row.rest_n = hold.rest_n;
        row.peak_n = hold.peak_n;
        row.peak_zero_n = hold.peak_zero_n;
        row.peak_s = hold.peak_s;
        row.mean_n = or_nan(hold.mean_n);
        row.break_n = or_nan(hold.break_n);
        row.set_measures(&hold.measures);
        row.flags = hold.flags.iter().map(word).collect::<Vec<_>>().join(",");
        row
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
        feedback: text(),
        rest_before_s: nan,
        pain: nan,
        tare: -1,
        expanded_uncertainty_n: nan,
        flags: text(),
        valid: 0,
        why_not: text(),
    }
}
