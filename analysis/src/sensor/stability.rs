//! Stretches of a trace during which nothing changed.
//!
//! Comes in: readings (N) at equal intervals (s). Goes out: stretches, by sample numbers, between whose levels something was
//! put on or taken off. Creep and drift do not end a stretch: they change too slowly.

use std::ops::Range;

/// Parts into which a trace is averaged, s.
const PART_S: f64 = 0.25;
/// Shortest stretch, s.
const SHORTEST_S: f64 = 1.0;
/// A step between two parts that is more than this many standard deviations of a part's mean ends a stretch …
const STEP_SDS: f64 = 8.0;
/// … and more than this share of the trace's range.
const STEP_SHARE: f64 = 0.003;
/// Between two steps of that size, a stretch leaves out so much at either end, s: the sensor settles.
const SETTLING_S: f64 = 0.5;

/// A stretch.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// Samples, settling left out.
    pub samples: Range<usize>,
    /// Mean level, N.
    pub level: f64,
}

/// The stretches of a trace, in order.
pub fn stretches(readings: &[f64], interval_s: f64) -> Vec<Stretch> {
    let size = ((PART_S / interval_s) as usize).max(2);
    let means: Vec<f64> =
        readings.chunks_exact(size).map(|part| part.iter().sum::<f64>() / size as f64).collect();
    if means.len() < 4 {
        return Vec::new();
    }
    let step = smallest_step(readings, &means, size);
    let mut ends = vec![0];
    // Two parts apart: a step within a part shows in both differences.
    ends.extend((1..means.len()).filter(|i| (means[*i] - means[i - 1]).abs() > step));
    ends.push(means.len());
    let settling = (SETTLING_S / interval_s) as usize;
    let shortest = (SHORTEST_S / interval_s) as usize;
    let whole = |pair: &[usize]| {
        let from = pair[0] * size + if pair[0] > 0 { settling } else { 0 };
        let to = pair[1] * size;
        let to = to - if pair[1] < means.len() { size.min(to - pair[0] * size) } else { 0 };
        (to > from && to - from >= shortest).then(|| {
            let part = &readings[from..to];
            Stretch { samples: from..to, level: part.iter().sum::<f64>() / part.len() as f64 }
        })
    };
    ends.windows(2).filter_map(whole).collect()
}

/// The step that tells a change of load from noise and creep.
fn smallest_step(readings: &[f64], means: &[f64], size: usize) -> f64 {
    let (low, high) = means.iter().fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(*v), high.max(*v)));
    // Noise of a sample from the median difference of neighbours: steps are few and do not enter.
    let mut steps: Vec<f64> = readings.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let middle = steps.len() / 2;
    let median = *steps.select_nth_unstable_by(middle, f64::total_cmp).1;
    // The median of |a − b| is 0.954 standard deviations of Gaussian noise (0.6745 · √2).
    let of_mean = median / 0.954 / (size as f64).sqrt();
    (STEP_SDS * of_mean).max(STEP_SHARE * (high - low))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loads_are_told_apart_and_creep_is_not_a_load() {
        // 0, 50 N with creep of 0.1 N, 20 N, 0: each 10 s at 100 Hz, with noise.
        let level = |i: usize| match i / 1000 {
            0 | 3 => 0.0,
            1 => 50.0 + 1e-4 * (i - 1000) as f64,
            _ => 20.0,
        };
        let readings: Vec<f64> =
            (0..4000).map(|i| level(i) + 0.02 * ((i * 7919 % 101) as f64 - 50.0) / 50.0).collect();
        let found = stretches(&readings, 0.01);
        let levels: Vec<f64> = found.iter().map(|of| (of.level * 10.0).round() / 10.0).collect();
        assert_eq!(levels, [0.0, 50.1, 20.0, 0.0]);
        assert!(found.iter().all(|of| of.samples.len() > 850), "{found:?}");
        assert!(stretches(&readings[..10], 0.01).is_empty());
    }

    #[test]
    fn a_quiet_trace_is_one_stretch() {
        let readings: Vec<f64> = (0..5000).map(|i| 0.02 * ((i * 7919 % 101) as f64 - 50.0) / 50.0).collect();
        assert_eq!(stretches(&readings, 0.001).len(), 1);
    }
}
