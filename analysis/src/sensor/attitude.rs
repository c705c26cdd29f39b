//! Zero and attitude: what an unloaded sensor shows in six orientations, because its own moving part has a weight.
//!
//! Comes in: readings without load, one an orientation and the first one again. Goes out: each zero (N) against the first, the
//! range, what came back, the weight that would explain it, and how far a zero may be off in use.
//!
//! Six orientations, each of three axes up and down, are common practice with accelerometers; the rule for use is this
//! program's: a sensor that was zeroed as it is held may lean by [`TILT_DEG`] afterwards.

use super::points::Point;
use serde::{Deserialize, Serialize};

/// Series by which the readings are known.
pub const SERIES: &str = "attitude";
/// The orientations, in the order in which they are read; opposite ones follow each other.
pub const ORIENTATIONS: [&str; 6] =
    ["face up", "face down", "cable up", "cable down", "left side up", "right side up"];
/// So far a sensor may lean between its zero and the pull where both are in one orientation, degrees.
pub const TILT_DEG: f64 = 10.0;
/// Standard gravity, m/s² (exact by convention, 3rd CGPM 1901): good enough for an effective mass.
const STANDARD_GRAVITY: f64 = 9.80665;

/// A zero in one orientation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Zero {
    /// The orientation, one of [`ORIENTATIONS`].
    pub orientation: String,
    /// Zero minus that of the first orientation, N.
    pub zero_n: f64,
}

/// Zeros in six orientations.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Attitude {
    /// Each zero.
    pub zeros: Vec<Zero>,
    /// Greatest minus least, N.
    pub range_n: f64,
    /// The first orientation again, minus at first, N: what is not attitude.
    pub return_n: f64,
    /// Mass of the moving part that would explain the greatest difference of opposite orientations, g.
    pub effective_mass_g: f64,
}

/// The zeros among readings (any series); `force_n` makes an indication above the first zero a force. `None` where an
/// orientation, or the return to the first one, is missing.
pub fn of(points: &[Point], force_n: impl Fn(f64) -> f64) -> Option<Attitude> {
    let ours = || points.iter().filter(|point| point.series == SERIES);
    let first = ours().next()?.indication;
    let above_n = |point: &Point| force_n(point.indication - first);
    let zero = |name: &str| ours().find(|point| point.mounting == name).map(above_n);
    let zeros = ORIENTATIONS
        .into_iter()
        .map(|orientation| Some(Zero { orientation: orientation.to_owned(), zero_n: zero(orientation)? }));
    let zeros: Vec<Zero> = zeros.collect::<Option<_>>()?;
    let again = ours().filter(|point| point.mounting == ORIENTATIONS[0]).nth(1)?;
    let all = || zeros.iter().map(|zero| zero.zero_n);
    let opposite = zeros.chunks_exact(2).map(|pair| (pair[0].zero_n - pair[1].zero_n).abs());
    Some(Attitude {
        range_n: all().fold(f64::MIN, f64::max) - all().fold(f64::MAX, f64::min),
        return_n: above_n(again),
        effective_mass_g: 1e3 * opposite.fold(0.0, f64::max) / 2.0 / STANDARD_GRAVITY,
        zeros,
    })
}

impl Attitude {
    /// How far the zero may be off, N, either way: by a lean of [`TILT_DEG`] where the zero was taken `as_used`, otherwise
    /// by the whole range. A weight W that leans by θ changes by no more than W·sin θ; the range is 2·W.
    pub fn half_width_n(&self, as_used: bool) -> f64 {
        let share = if as_used { libm::sin(TILT_DEG.to_radians()) / 2.0 } else { 1.0 };
        share * self.range_n + self.return_n.abs()
    }

    /// In lines, for people.
    pub fn words(&self) -> String {
        let zeros: String = self
            .zeros
            .iter()
            .map(|zero| format!("  {:<15}{:+.4} N\n", zero.orientation, zero.zero_n))
            .collect();
        format!(
            "zero by attitude, against {}:\n{zeros}range {:.4} N, returned to {:+.4} N; as a mass of {:.1} g would\n\
             a zero taken as the sensor is held: ± {:.4} N (it may lean by {TILT_DEG}°); in another orientation: ± {:.4} N\n",
            ORIENTATIONS[0],
            self.range_n,
            self.return_n,
            self.effective_mass_g,
            self.half_width_n(true),
            self.half_width_n(false)
        )
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::points::Direction;
    use super::*;

    fn point(orientation: &str, indication: f64) -> Point {
        Point {
            reference_n: 0.0,
            indication,
            series: SERIES.to_owned(),
            mounting: orientation.to_owned(),
            direction: Direction::Up,
        }
    }

    /// A moving part of `mass_g` that weighs on the face, 1000 counts a newton, and a zero that wandered by 5 counts.
    pub fn readings(mass_g: f64) -> Vec<Point> {
        let weight = mass_g * STANDARD_GRAVITY;
        let counts = [weight, -weight, 0.0, 0.0, 0.0, 0.0];
        let six = ORIENTATIONS.iter().zip(counts).map(|(name, counts)| point(name, 700.0 + counts));
        six.chain([point(ORIENTATIONS[0], 705.0 + weight)]).collect()
    }

    #[test]
    fn the_weight_of_the_moving_part_is_found() {
        let of = of(&readings(20.0), |counts| counts / 1000.0).unwrap();
        // By hand: 20 g turned over is 2 · 0.020 kg · 9.80665 m/s² = 0.39227 N.
        assert!((of.range_n - 0.392_266).abs() < 1e-9 && (of.effective_mass_g - 20.0).abs() < 1e-9, "{of:?}");
        assert!((of.return_n - 0.005).abs() < 1e-12);
        assert!((of.zeros[1].zero_n + 0.392_266).abs() < 1e-9);
        // sin 10° is 0.17365 (from memory: table of sines): 0.19613 · 0.17365 + 0.005.
        assert!((of.half_width_n(true) - 0.039_058).abs() < 1e-5, "{}", of.half_width_n(true));
        assert!((of.half_width_n(false) - 0.397_266).abs() < 1e-9);
        assert!(of.words().contains("face down"));
    }

    #[test]
    fn an_orientation_that_is_missing_makes_it_none() {
        let all = readings(20.0);
        for missing in 0..all.len() {
            let mut some = all.clone();
            some.remove(missing);
            assert_eq!(of(&some, |counts| counts), None, "without reading {missing}");
        }
    }
}
