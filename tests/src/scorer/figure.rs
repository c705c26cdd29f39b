//! What is scored of each effort, with its unit and its error.

use super::truth::Truth;
use analysis::holds::Hold;

/// A figure.
#[allow(missing_docs, reason = "their names are below")]
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Figure {
    Onset,
    OnsetInSd,
    Rise5,
    TimeTo90,
    Release,
    End,
    Break,
    Latency,
    OnsetBetweenRates,
    Peak,
    PeakAboveZero,
    BreakForce,
    Mean,
    Rfd50,
    Rfd100,
    Rfd200,
    RfdMax,
    Impulse,
}

impl Figure {
    /// Figures of every hold.
    pub const OF_A_HOLD: [Figure; 14] = [
        Figure::Onset,
        Figure::OnsetInSd,
        Figure::Rise5,
        Figure::TimeTo90,
        Figure::Release,
        Figure::End,
        Figure::Peak,
        Figure::PeakAboveZero,
        Figure::Mean,
        Figure::Rfd50,
        Figure::Rfd100,
        Figure::Rfd200,
        Figure::RfdMax,
        Figure::Impulse,
    ];
    /// Figures of every break that was found.
    pub const OF_A_BREAK: [Figure; 2] = [Figure::Break, Figure::BreakForce];
    /// Times, in ms; the onset also in the standard deviations that the finder claims.
    pub const TIMES: [Figure; 9] = [
        Figure::Onset,
        Figure::OnsetInSd,
        Figure::Rise5,
        Figure::TimeTo90,
        Figure::Release,
        Figure::End,
        Figure::Break,
        Figure::Latency,
        Figure::OnsetBetweenRates,
    ];
    /// Figures in %.
    pub const FORCES: [Figure; 9] = [
        Figure::Peak,
        Figure::PeakAboveZero,
        Figure::BreakForce,
        Figure::Mean,
        Figure::Rfd50,
        Figure::Rfd100,
        Figure::Rfd200,
        Figure::RfdMax,
        Figure::Impulse,
    ];

    /// Its name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Figure::Onset => "onset",
            Figure::OnsetInSd => "onset, of `onset_sd_s`",
            Figure::Rise5 => "5 % crossing",
            Figure::TimeTo90 => "time to 90 %",
            Figure::Release => "release",
            Figure::End => "end (10 %)",
            Figure::Break => "break",
            Figure::Latency => "confirmed after",
            Figure::OnsetBetweenRates => "onset, 10 to 1 kHz",
            Figure::Peak => "peak",
            Figure::PeakAboveZero => "peak above zero",
            Figure::BreakForce => "break force",
            Figure::Mean => "best 1-s mean",
            Figure::Rfd50 => "RFD 50 ms",
            Figure::Rfd100 => "RFD 100 ms",
            Figure::Rfd200 => "RFD 200 ms",
            Figure::RfdMax => "greatest RFD",
            Figure::Impulse => "impulse",
        }
    }

    /// The unit of its error.
    pub fn unit(self) -> &'static str {
        match self {
            Figure::OnsetInSd => "SD",
            figure if Figure::TIMES.contains(&figure) => "ms",
            _ => "%",
        }
    }

    /// The error of a hold; `None` where the hold or the truth has no such figure.
    pub fn error(self, truth: &Truth, hold: &Hold) -> Option<f64> {
        if self == Figure::OnsetInSd {
            return hold.onset_sd_s.map(|sd_s| (hold.onset_s - truth.onset_s) / sd_s);
        }
        let measures = &hold.measures;
        let (found, wanted) = match self {
            Figure::Onset => (Some(hold.onset_s), Some(truth.onset_s)),
            Figure::Rise5 => (hold.rise5_s, Some(truth.rise5_s)),
            Figure::TimeTo90 => (measures.time_to_90_percent_s, Some(truth.time_to_90_percent_s)),
            Figure::Release => (hold.release_s, Some(truth.release_s)),
            Figure::End => (hold.end_s, Some(truth.end_s)),
            Figure::Break => (hold.break_s, truth.break_s),
            Figure::OnsetInSd | Figure::Latency | Figure::OnsetBetweenRates => return None,
            Figure::Peak => (Some(hold.peak_n), Some(truth.peak_n)),
            Figure::PeakAboveZero => (Some(hold.peak_zero_n), truth.peak_zero_n),
            Figure::BreakForce => (hold.break_n, truth.break_n),
            Figure::Mean => (hold.mean_n, truth.mean_n),
            Figure::Rfd50 => (measures.rfd_50_n_per_s, Some(truth.rfd_n_per_s[0])),
            Figure::Rfd100 => (measures.rfd_100_n_per_s, Some(truth.rfd_n_per_s[1])),
            Figure::Rfd200 => (measures.rfd_200_n_per_s, Some(truth.rfd_n_per_s[2])),
            Figure::RfdMax => (measures.rfd_max_n_per_s, Some(truth.rfd_max_n_per_s)),
            Figure::Impulse => (measures.impulse_n_s, Some(truth.impulse_n_s)),
        };
        let (found, wanted) = (found?, wanted?);
        Some(if self.unit() == "ms" { 1e3 * (found - wanted) } else { 100.0 * (found / wanted - 1.0) })
    }
}
