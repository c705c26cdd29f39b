//! Least-squares fits in which one number is searched: the time at which a shape starts.
//!
//! Comes in: values (N) at a spacing (s). Goes out: the start (in values, fractional), its misfit. For each candidate
//! start the other unknowns have closed forms, so only sums are computed.

/// How a rise starts, by time since the start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Shape {
    /// A power of time.
    Power(u32),
    /// Quadratic for so many values, then straight.
    Corner(f64),
}

impl Shape {
    /// Height after `u` values.
    pub fn at(self, u: f64) -> f64 {
        match self {
            _ if u <= 0.0 => 0.0,
            Shape::Power(1) => u,
            Shape::Power(2) => u * u,
            Shape::Power(_) => u * u * u,
            Shape::Corner(c) if u < c => u * u / (2.0 * c),
            Shape::Corner(c) => u - c / 2.0,
        }
    }
}

/// The best start of one shape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Start {
    /// Position in values.
    pub at: f64,
    /// Sum of squared residuals, N².
    pub misfit: f64,
    /// Height of the level before, N.
    pub level: f64,
    /// Second derivative of the misfit there, N² per value²; 0 where the best candidate is the first or the last.
    pub bend: f64,
    /// How far apart the first and the last candidate are, in values.
    pub range: f64,
}

impl Start {
    /// Variance of the start, in values², where the residuals have this variance, N². What lies at the edge of the
    /// candidates is anywhere in them.
    fn variance(&self, residual: f64) -> f64 {
        let anywhere = self.range * self.range / 12.0;
        if self.bend > 0.0 { (2.0 * residual / self.bend).min(anywhere) } else { anywhere }
    }
}

/// Candidates: `from`, `from + step`, … up to `to`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Candidates {
    /// First.
    pub from: f64,
    /// Last.
    pub to: f64,
    /// Spacing.
    pub step: f64,
}

/// Best start of `level + height · shape(k − start)`, height > 0.
pub(super) fn rise(values: &[f64], candidates: Candidates, shape: Shape) -> Option<Start> {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n.max(1.0);
    let total: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let misfit = |start: f64| -> (f64, f64) {
        let (mut h1, mut h2, mut hx) = (0.0, 0.0, 0.0);
        for (k, &value) in values.iter().enumerate().skip(start.max(0.0) as usize) {
            let h = shape.at(k as f64 - start);
            h1 += h;
            h2 += h * h;
            hx += h * (value - mean);
        }
        let spread = h2 - h1 * h1 / n;
        if spread > 0.0 && hx > 0.0 {
            (total - hx * hx / spread, mean - hx / spread * h1 / n)
        } else {
            (f64::INFINITY, mean)
        }
    };
    search(candidates, misfit)
}

/// Best start of `a + b·k − height · max(0, k − start)^power`, height > 0.
pub(super) fn knee(values: &[f64], candidates: Candidates, shape: Shape) -> Option<Start> {
    let n = values.len() as f64;
    if values.len() < 4 {
        return None;
    }
    let middle = (n - 1.0) / 2.0;
    let mean = values.iter().sum::<f64>() / n;
    let spread: f64 = (0..values.len()).map(|k| (k as f64 - middle) * (k as f64 - middle)).sum();
    let slope = values.iter().enumerate().map(|(k, v)| (k as f64 - middle) * v).sum::<f64>() / spread;
    let residuals: Vec<f64> =
        values.iter().enumerate().map(|(k, v)| v - mean - slope * (k as f64 - middle)).collect();
    let total: f64 = residuals.iter().map(|r| r * r).sum();
    let misfit = |start: f64| -> (f64, f64) {
        let (mut h0, mut h1, mut h2, mut hx) = (0.0, 0.0, 0.0, 0.0);
        for (k, residual) in residuals.iter().enumerate().skip(start.max(0.0) as usize) {
            let h = shape.at(k as f64 - start);
            h0 += h;
            h1 += h * (k as f64 - middle);
            h2 += h * h;
            hx -= h * residual;
        }
        let left = h2 - h0 * h0 / n - h1 * h1 / spread;
        if left > 1e-12 * h2 && hx > 0.0 { (total - hx * hx / left, mean) } else { (f64::INFINITY, mean) }
    };
    search(candidates, misfit)
}

/// The candidate of least misfit: of a coarse choice, then of those about the best one, refined by a parabola through
/// its neighbours.
fn search(candidates: Candidates, misfit: impl Fn(f64) -> (f64, f64)) -> Option<Start> {
    let last = ((candidates.to - candidates.from) / candidates.step).max(0.0) as usize;
    let at = |k: usize| candidates.from + k as f64 * candidates.step;
    let stride = (last / COARSE).max(1);
    let coarse = (0..=last).step_by(stride).map(|k| (misfit(at(k)).0, k));
    let (_, best) = coarse.min_by(|a, b| a.0.total_cmp(&b.0))?;
    let (from, to) = (best.saturating_sub(stride), (best + stride).min(last));
    let fine: Vec<(f64, f64)> = (from..=to).map(|k| misfit(at(k))).collect();
    let best = (0..fine.len()).min_by(|&a, &b| fine[a].0.total_cmp(&fine[b].0))?;
    if !fine[best].0.is_finite() {
        return None;
    }
    let side = |k: Option<usize>| k.and_then(|k| fine.get(k)).map_or(f64::INFINITY, |f| f.0);
    let (before, after) = (side(best.checked_sub(1)), side(best.checked_add(1)));
    let bend = before - 2.0 * fine[best].0 + after;
    let inside = bend.is_finite() && bend > 0.0;
    let shift = if inside { 0.5 * (before - after) / bend } else { 0.0 };
    Some(Start {
        at: at(from + best) + shift * candidates.step,
        misfit: fine[best].0.max(0.0),
        level: fine[best].1,
        bend: if inside { bend / (candidates.step * candidates.step) } else { 0.0 },
        range: (candidates.to - candidates.from).max(candidates.step),
    })
}

/// Candidates looked at first.
const COARSE: usize = 20;

/// Average of the shapes' starts weighted by likelihood, with its standard deviation, within the shapes and between
/// them: `degrees` of freedom are used by each fit.
pub(super) fn average(starts: &[Start], values: usize, degrees: usize) -> Option<(f64, f64)> {
    let least = starts.iter().map(|s| s.misfit).fold(f64::INFINITY, f64::min);
    if !least.is_finite() {
        return None;
    }
    let variance = (least / values.saturating_sub(degrees).max(1) as f64).max(1e-7);
    let (mut sum, mut first, mut second) = (0.0, 0.0, 0.0);
    for start in starts {
        let weight = libm::exp(-0.5 * (start.misfit - least) / variance);
        sum += weight;
        first += weight * start.at;
        second += weight * (start.at * start.at + start.variance(variance));
    }
    let mean = first / sum;
    Some((mean, (second / sum - mean * mean).max(0.0).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rise_of_the_fitted_shape_starts_where_it_starts() {
        for shape in [Shape::Power(1), Shape::Power(2), Shape::Power(3), Shape::Corner(20.0)] {
            let values: Vec<f64> = (0..120).map(|k| 2.0 + 0.1 * shape.at(k as f64 - 60.3)).collect();
            let start = rise(&values, Candidates { from: 20.0, to: 100.0, step: 1.0 }, shape).unwrap();
            assert!((start.at - 60.3).abs() < 0.25, "{shape:?} {start:?}");
        }
    }

    #[test]
    fn a_knee_in_a_sloping_line_is_found() {
        let values: Vec<f64> =
            (0..120).map(|k| 20.0 + 0.05 * k as f64 - 0.01 * Shape::Power(2).at(k as f64 - 60.3)).collect();
        let start = knee(&values, Candidates { from: 20.0, to: 100.0, step: 1.0 }, Shape::Power(2)).unwrap();
        assert!((start.at - 60.3).abs() < 0.25, "{start:?}");
    }

    #[test]
    fn a_start_is_as_uncertain_as_its_repetitions_differ() {
        let mut seed = 1_u64;
        let mut noise = || {
            let mut sum = 0.0;
            for _ in 0..12 {
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                sum += (seed >> 11) as f64 / (1_u64 << 53) as f64;
            }
            sum - 6.0
        };
        let shape = Shape::Power(1);
        let candidates = Candidates { from: 20.0, to: 100.0, step: 1.0 };
        let (mut errors, mut claimed) = (0.0, 0.0);
        for _ in 0..300 {
            let values: Vec<f64> =
                (0..120).map(|k| 0.1 * shape.at(k as f64 - 60.3) + 0.2 * noise()).collect();
            let (at, sd) = average(&[rise(&values, candidates, shape).unwrap()], values.len(), 4).unwrap();
            errors += (at - 60.3) * (at - 60.3);
            claimed += sd * sd;
        }
        let ratio = f64::sqrt(errors / claimed);
        assert!((0.8..1.25).contains(&ratio), "{ratio}");
    }

    #[test]
    fn a_start_at_the_edge_of_what_was_looked_at_is_uncertain() {
        let values: Vec<f64> = (0..120).map(|k| 0.1 * Shape::Power(1).at(k as f64 - 10.0)).collect();
        let start = rise(&values, Candidates { from: 40.0, to: 100.0, step: 1.0 }, Shape::Power(1)).unwrap();
        let (at, sd) = average(&[start], values.len(), 4).unwrap();
        assert!(at < 41.0 && sd > 10.0, "{at} {sd}");
    }

    #[test]
    fn a_constant_has_no_start() {
        let values = [1.0; 50];
        assert_eq!(rise(&values, Candidates { from: 5.0, to: 40.0, step: 1.0 }, Shape::Power(1)), None);
        assert_eq!(knee(&values, Candidates { from: 5.0, to: 40.0, step: 1.0 }, Shape::Power(2)), None);
    }
}
