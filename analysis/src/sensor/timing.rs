//! When samples came: rate, jitter, losses.
//!
//! Comes in: frames, segments and gaps of a recording (`/sensors/<k>`). Goes out: the declared and the effective rate (by the
//! device's clock and by the host's), the jitter of the device's stamps about a straight line, and what was lost.

use super::Figure;
use super::noise::spread_of_sd;
use crate::recording::layout::{FrameRow, GapRow, SegmentRow};
use crate::statistics::line::Line;
use serde::{Deserialize, Serialize};

/// A device's stamp is given in whole microseconds.
const STAMP_STEP_US: f64 = 1.0;

/// Timing of a sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Timing {
    /// Declared rate, Hz.
    pub declared_hz: f64,
    /// Rate by the device's own clock, Hz.
    pub by_device_hz: f64,
    /// Rate by the host's clock, Hz; NaN where it was not measured.
    pub by_host_hz: f64,
    /// Standard deviation of the stamps about a straight line over the sample counter, µs. Where it is not above 0.29 µs
    /// (a whole microsecond's rounding), there is nothing to see.
    pub jitter_us: Figure,
    /// 99 % of the stamps are within this, µs.
    pub jitter_99_us: f64,
    /// The farthest, µs.
    pub jitter_max_us: f64,
    /// Stamps behind these.
    pub stamps: usize,
    /// Samples recorded.
    pub samples: i64,
    /// Samples known to be missing.
    pub missing: i64,
    /// Holes whose length is not known.
    pub unknown_gaps: usize,
    /// Why, each with its number of holes.
    pub reasons: Vec<(String, usize)>,
    /// Frames with a sample at the converter's end, and frames after an overrun.
    pub saturated_frames: usize,
    /// Frames after an overrun of the device.
    pub overrun_frames: usize,
}

/// The timing of a sensor's recording; `None` without a segment of at least eight frames.
pub fn of(frames: &[FrameRow], segments: &[SegmentRow], gaps: &[GapRow]) -> Option<Timing> {
    let (mut away_us, mut intervals, mut df) = (Vec::new(), Vec::new(), 0.0);
    for number in 0..segments.len() {
        let of: Vec<&FrameRow> = frames.iter().filter(|frame| frame.segment == number as i64).collect();
        let Some(first) = of.first() else { continue };
        if of.len() < 8 {
            continue;
        }
        let counter: Vec<f64> = of.iter().map(|frame| (frame.counter - first.counter) as f64).collect();
        let stamp: Vec<f64> =
            of.iter().map(|frame| (frame.device_time_us - first.device_time_us) as f64).collect();
        let Some(line) = Line::through(&counter, &stamp) else { continue };
        df += line.df;
        intervals.push((line.slope, counter.last().copied().unwrap_or(0.0)));
        away_us.extend(counter.iter().zip(&stamp).map(|(c, s)| (s - line.intercept - line.slope * c).abs()));
    }
    let weight: f64 = intervals.iter().map(|(_, weight)| weight).sum();
    let interval_us = intervals.iter().map(|(interval, weight)| interval * weight).sum::<f64>() / weight;
    if away_us.is_empty() || interval_us.is_nan() || interval_us <= 0.0 {
        return None;
    }
    away_us.sort_by(f64::total_cmp);
    let sd = (away_us.iter().map(|away| away * away).sum::<f64>() / df).sqrt();
    // What rounding to whole microseconds adds is known, and is taken out.
    let own = (sd * sd - STAMP_STEP_US * STAMP_STEP_US / 12.0).max(0.0).sqrt();
    let rates =
        segments.iter().map(|s| (s.rate, s.samples as f64)).filter(|(rate, n)| rate.is_finite() && *n > 0.0);
    let (rate, count) = rates.fold((0.0, 0.0), |(sum, count), (rate, n)| (sum + rate * n, count + n));
    Some(Timing {
        declared_hz: 1e9 / segments.first()?.interval_ns as f64,
        by_device_hz: 1e6 / interval_us,
        by_host_hz: if count > 0.0 { 1e6 / interval_us / (rate / count) } else { f64::NAN },
        jitter_us: Figure {
            value: own,
            expanded: spread_of_sd(sd, df.min(100_000.0)) + STAMP_STEP_US / 12.0,
        },
        jitter_99_us: away_us[(away_us.len() - 1) * 99 / 100],
        jitter_max_us: away_us.last().copied()?,
        stamps: away_us.len(),
        samples: segments.iter().map(|segment| segment.samples).sum(),
        missing: gaps.iter().map(|gap| gap.missing.max(0)).sum(),
        unknown_gaps: gaps.iter().filter(|gap| gap.missing < 0).count(),
        reasons: reasons(gaps),
        saturated_frames: frames.iter().filter(|frame| frame.status & 1 != 0).count(),
        overrun_frames: frames.iter().filter(|frame| frame.status & 2 != 0).count(),
    })
}

fn reasons(gaps: &[GapRow]) -> Vec<(String, usize)> {
    let mut all: Vec<(String, usize)> = Vec::new();
    for gap in gaps {
        match all.iter_mut().find(|(reason, _)| *reason == gap.reason) {
            Some((_, count)) => *count += 1,
            None => all.push((gap.reason.clone(), 1)),
        }
    }
    all
}
