//! Everything that a trace tells of its sensor, without anybody saying what was done when.
//!
//! Comes in: the counts of one channel as forces (N, above the first unloaded level) at equal intervals (s), and the full
//! scale. Goes out: noise and its spectrum, Allan deviation, drift, creep and recovery, zero return, step response,
//! saturation. What the trace does not hold is not given, and the notes say so.

use super::allan::{self, Allan};
use super::creep::{self, Creep};
use super::noise::{self, Noise};
use super::spectrum::{self, MainsLine};
use super::stability::{Stretch, stretches};
use super::step::{self, Step};
use super::{Figure, timing::Timing};
use serde::{Deserialize, Serialize};

/// A level below this share of the full scale is taken as unloaded.
const UNLOADED_SHARE: f64 = 0.02;
/// A load under which creep is judged is at least this share of the greatest one in the trace.
const LOADED_SHARE: f64 = 0.5;

/// What is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Asked {
    /// From the change of load to the initial reading of creep, s.
    pub creep_initial_s: f64,
    /// Shortest load under which creep is judged, s.
    pub creep_shortest_s: f64,
}

impl Default for Asked {
    fn default() -> Asked {
        Asked { creep_initial_s: creep::INITIAL_S, creep_shortest_s: 60.0 }
    }
}

/// The trace of one channel.
#[derive(Debug, Clone, Copy)]
pub struct Trace<'a> {
    /// Forces, N.
    pub force_n: &'a [f64],
    /// Interval, s.
    pub interval_s: f64,
    /// Full scale, N.
    pub full_scale_n: f64,
    /// One count, N.
    pub count_n: f64,
}

/// What was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Validation {
    /// Length of the longest stretch without a gap, which all of this but the timing is about, s.
    pub duration_s: f64,
    /// Full scale, N.
    pub full_scale_n: f64,
    /// One count, N.
    pub count_n: f64,
    /// Stretches between changes of load.
    pub stretches: usize,
    /// Noise of the quietest long stretch without load (with load, where there is none without).
    pub noise: Option<Noise>,
    /// Level of that stretch, N.
    pub noise_at_n: f64,
    /// Allan deviation there.
    pub allan: Vec<Allan>,
    /// Mains lines there.
    pub mains: Vec<MainsLine>,
    /// Amplitude density there: Hz, N/√Hz.
    pub spectrum: (Vec<f64>, Vec<f64>),
    /// Creep under the longest load.
    pub creep: Option<Creep>,
    /// Recovery after it.
    pub recovery: Option<Creep>,
    /// Level without load after all loads minus before, N.
    pub zero_return_n: Option<Figure>,
    /// The fastest step.
    pub step: Option<Step>,
    /// Samples at either end of the converter's range.
    pub saturated: usize,
    /// When samples came; `None` for a trace without frames.
    pub timing: Option<Timing>,
    /// What could not be told, and why.
    pub notes: Vec<String>,
}

/// Judges a trace.
pub fn of(trace: &Trace<'_>, asked: &Asked) -> Validation {
    let found = stretches(trace.force_n, trace.interval_s);
    let mut notes = Vec::new();
    let zero_n = UNLOADED_SHARE * trace.full_scale_n;
    let unloaded = |stretch: &&Stretch| stretch.level.abs() < zero_n;
    let quiet = quietest(trace, found.iter().filter(unloaded)).or_else(|| quietest(trace, found.iter()));
    let quiet_n = quiet.as_ref().map_or(&[][..], |stretch| &trace.force_n[stretch.samples.clone()]);
    let noise = noise::of(quiet_n, trace.interval_s, trace.full_scale_n);
    if noise.is_none() {
        notes.push(
            "noise: no stretch of at least a second in which nothing changed, or no change of a single count"
                .to_owned(),
        );
    }
    let (creep, recovery) = creep_of(trace, asked, &found, &mut notes);
    let detrended = without_line(quiet_n);
    Validation {
        duration_s: trace.force_n.len() as f64 * trace.interval_s,
        full_scale_n: trace.full_scale_n,
        count_n: trace.count_n,
        stretches: found.len(),
        noise,
        noise_at_n: quiet.as_ref().map_or(f64::NAN, |stretch| stretch.level),
        allan: allan::curve(quiet_n, trace.interval_s),
        mains: spectrum::mains(&detrended, trace.interval_s),
        spectrum: spectrum::density(&detrended, trace.interval_s),
        creep,
        recovery,
        zero_return_n: zero_return(trace, &found, zero_n),
        step: fastest_step(trace, &found),
        saturated: 0,
        timing: None,
        notes,
    }
}

/// The stretch of least noise of those that are at least a quarter as long as the longest: one in which the sensor recovers
/// from a load is not what noise is about.
fn quietest<'a>(trace: &Trace<'_>, all: impl Iterator<Item = &'a Stretch>) -> Option<Stretch> {
    let all: Vec<&Stretch> = all.collect();
    let longest = all.iter().map(|stretch| stretch.samples.len()).max()?;
    let rms = |stretch: &&Stretch| {
        let noise = noise::of(&trace.force_n[stretch.samples.clone()], trace.interval_s, trace.full_scale_n);
        noise.map_or(f64::INFINITY, |noise| noise.rms_n.value)
    };
    let long = all.iter().filter(|stretch| 4 * stretch.samples.len() >= longest).copied();
    long.min_by(|a, b| rms(a).total_cmp(&rms(b))).cloned()
}

fn without_line(readings: &[f64]) -> Vec<f64> {
    let time: Vec<f64> = (0..readings.len()).map(|i| i as f64).collect();
    match crate::statistics::line::Line::through(&time, readings) {
        Some(line) => readings.iter().zip(&time).map(|(r, t)| r - line.intercept - line.slope * t).collect(),
        None => readings.to_vec(),
    }
}

fn creep_of(
    trace: &Trace<'_>,
    asked: &Asked,
    found: &[Stretch],
    notes: &mut Vec<String>,
) -> (Option<Creep>, Option<Creep>) {
    let highest = found.iter().map(|stretch| stretch.level.abs()).fold(0.0, f64::max);
    let is_loaded = |(_, stretch): &(usize, &Stretch)| {
        stretch.level.abs() >= LOADED_SHARE * highest && highest > UNLOADED_SHARE * trace.full_scale_n
    };
    let longest = found.iter().enumerate().filter(is_loaded).max_by_key(|(_, stretch)| stretch.samples.len());
    let Some((at, stretch)) = longest else {
        notes.push("creep: no load in this trace".to_owned());
        return (None, None);
    };
    let length_s = stretch.samples.len() as f64 * trace.interval_s;
    if length_s < asked.creep_shortest_s {
        notes.push(format!(
            "creep: the longest load lasts {length_s:.0} s, {:.0} s at least are needed (30 min by OIML R 60)",
            asked.creep_shortest_s
        ));
        return (None, None);
    }
    let load_n = stretch.level;
    let of = |stretch: &Stretch| {
        // The stretch begins when the sensor has settled; the load changed before.
        let changed = changed_at(trace, stretch, found);
        creep::of(
            trace.force_n.get(changed..stretch.samples.end)?,
            trace.interval_s,
            asked.creep_initial_s,
            load_n,
        )
    };
    let after = found.get(at + 1).filter(|next| next.level.abs() < 0.1 * load_n.abs());
    let after =
        after.filter(|next| next.samples.len() as f64 * trace.interval_s >= 0.5 * asked.creep_shortest_s);
    (of(stretch), after.and_then(of))
}

/// The first sample of a stretch's level: where the trace came within a tenth of the change.
fn changed_at(trace: &Trace<'_>, stretch: &Stretch, found: &[Stretch]) -> usize {
    let before = found.iter().rev().find(|other| other.samples.end <= stretch.samples.start);
    let Some(before) = before else { return stretch.samples.start };
    let near = |n: &f64| (n - stretch.level).abs() < 0.1 * (stretch.level - before.level).abs();
    let between = trace.force_n.get(before.samples.end..stretch.samples.start).unwrap_or_default();
    before.samples.end + between.iter().position(near).unwrap_or(between.len())
}

/// First and last unloaded stretch, with a load between them; uncertainty from the scatter of parts of a tenth.
fn zero_return(trace: &Trace<'_>, found: &[Stretch], zero_n: f64) -> Option<Figure> {
    let unloaded = |stretch: &&Stretch| stretch.level.abs() < zero_n;
    let (first, last) = (found.iter().find(unloaded)?, found.iter().rev().find(unloaded)?);
    let loaded = found.iter().any(|s| !unloaded(&s) && s.samples.start > first.samples.start);
    if first.samples == last.samples || !loaded {
        return None;
    }
    let of = |stretch: &Stretch| {
        let part = &trace.force_n[stretch.samples.clone()];
        let means: Vec<f64> = part
            .chunks_exact((part.len() / 10).max(1))
            .map(|part| part.iter().sum::<f64>() / part.len() as f64)
            .collect();
        let moments = crate::statistics::moments::Moments::of(&means)?;
        Some((moments.mean, moments.sd? / (moments.n as f64).sqrt()))
    };
    let ((before_n, a), (after_n, b)) = (of(first)?, of(last)?);
    // Nine degrees of freedom each.
    Some(Figure { value: after_n - before_n, expanded: 2.26 * (a * a + b * b).sqrt() })
}

fn fastest_step(trace: &Trace<'_>, found: &[Stretch]) -> Option<Step> {
    let large = 0.1 * found.iter().map(|stretch| stretch.level.abs()).fold(0.0, f64::max);
    let steps = found.windows(2).filter(|pair| (pair[1].level - pair[0].level).abs() > large);
    steps
        .filter_map(|pair| step::between(trace.force_n, trace.interval_s, &pair[0], &pair[1]))
        .min_by(|a, b| a.rise_s.total_cmp(&b.rise_s))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 60 s of zero, 120 s of 100 N that creeps by 0.1 N with 20 s, 120 s of zero that recovers; 100 Hz, noise.
    fn trace() -> Vec<f64> {
        let noise = |i: usize| 0.02 * ((i * 7919 % 10_007) as f64 / 5003.5 - 1.0);
        let at = |i: usize| {
            let t = i as f64 * 0.01;
            let lag = |since: f64| 0.1 * libm::exp(-since / 20.0);
            match t {
                t if t < 60.0 => 0.0,
                t if t < 180.0 => 100.0 - lag(t - 60.0),
                t => lag(t - 180.0),
            }
        };
        (0..30_000).map(|i| at(i) + noise(i)).collect()
    }

    #[test]
    fn a_trace_tells_what_was_done() {
        let force_n = trace();
        let of = of(
            &Trace { force_n: &force_n, interval_s: 0.01, full_scale_n: 200.0, count_n: 1e-4 },
            &Asked::default(),
        );
        assert_eq!(of.stretches, 3);
        let creep = of.creep.unwrap();
        let truth = 0.1 * (libm::exp(-0.5) - libm::exp(-6.0));
        assert!((creep.change_n.value - truth).abs() < 0.004, "{creep:?} {truth}");
        assert!(!creep.is_standard);
        let recovery = of.recovery.unwrap();
        assert!((recovery.change_n.value + truth).abs() < 0.004, "{recovery:?}");
        assert!(of.zero_return_n.unwrap().value.abs() < 0.02);
        // Uniform noise between −0.02 and 0.02: its standard deviation is 0.02/√3 (algebra).
        assert!((of.noise.unwrap().rms_n.value - 0.02 / 3.0_f64.sqrt()).abs() < 0.001);
        assert!(of.step.unwrap().rise_s < 0.02);
    }

    #[test]
    fn an_empty_trace_tells_nothing_and_says_so() {
        let of = of(
            &Trace { force_n: &[], interval_s: 0.01, full_scale_n: 200.0, count_n: 1e-4 },
            &Asked::default(),
        );
        assert!(of.noise.is_none() && of.creep.is_none() && of.step.is_none());
        assert_eq!(of.notes.len(), 2, "{:?}", of.notes);
    }
}
