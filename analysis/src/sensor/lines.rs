//! Non-linearity: how far a sensor's curve lies from a straight line, and from which.
//!
//! Comes in: loads (N) and mean readings (any unit) in rising order. Goes out: lines and the greatest deviation from them.
//!
//! Which line is meant changes the figure by a factor of two for a plain bow, so every result carries the line's name.
//! Terminal line: OIML R 60:2021 (through the readings without load and at full load). Independent, zero-based and least
//! squares lines: common terms of the instrument trade (from memory: ISA-51.1).

use crate::statistics::line::Line as Regression;
use serde::{Deserialize, Serialize};

/// Which straight line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Line {
    /// Through the first and the last reading.
    Terminal,
    /// Least squares.
    LeastSquares,
    /// Through the first reading, with the least greatest deviation.
    ZeroBased,
    /// The least greatest deviation of all lines.
    Independent,
}

/// All of them.
pub const LINES: [Line; 4] = [Line::Terminal, Line::LeastSquares, Line::ZeroBased, Line::Independent];

impl Line {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Line::Terminal => "terminal line (through zero and full load)",
            Line::LeastSquares => "least-squares line",
            Line::ZeroBased => "zero-based line (through zero, least greatest deviation)",
            Line::Independent => "independent line (least greatest deviation)",
        }
    }
}

/// A straight line: y = offset + slope · x.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Straight {
    /// Value at x = 0.
    pub offset: f64,
    /// Slope.
    pub slope: f64,
}

impl Straight {
    /// Its value.
    pub fn at(&self, x: f64) -> f64 {
        self.offset + self.slope * x
    }

    /// The greatest deviation of the points from it: which point, and by how much (signed).
    pub fn worst(&self, x: &[f64], y: &[f64]) -> Option<(usize, f64)> {
        let away = x.iter().zip(y).map(|(x, y)| y - self.at(*x)).enumerate();
        away.max_by(|(_, a), (_, b)| a.abs().total_cmp(&b.abs()))
    }
}

/// The line of that name through the points, of which there must be at least three, x rising.
pub fn through(line: Line, x: &[f64], y: &[f64]) -> Option<Straight> {
    let rising = x.len() == y.len() && x.len() >= 3 && x.windows(2).all(|pair| pair[0] < pair[1]);
    let (first, last) = (0, x.len().checked_sub(1)?);
    if !rising {
        return None;
    }
    let chord = |i: usize, j: usize| (y[j] - y[i]) / (x[j] - x[i]);
    match line {
        Line::Terminal => {
            let slope = chord(first, last);
            Some(Straight { offset: y[first] - slope * x[first], slope })
        }
        Line::LeastSquares => {
            let fit = Regression::through(x, y)?;
            Some(Straight { offset: fit.intercept, slope: fit.slope })
        }
        Line::ZeroBased => zero_based(x, y),
        Line::Independent => independent(x, y),
    }
}

/// The greatest deviation is convex in the slope and made of straight pieces: its least lies where two of them cross.
fn zero_based(x: &[f64], y: &[f64]) -> Option<Straight> {
    let from_first = |i: usize| (x[i] - x[0], y[i] - y[0]);
    let candidates = (1..x.len()).flat_map(|i| (i..x.len()).map(move |j| (i, j))).map(|(i, j)| {
        let ((xi, yi), (xj, yj)) = (from_first(i), from_first(j));
        let slope = (yi + yj) / (xi + xj);
        Straight { offset: y[0] - slope * x[0], slope }
    });
    least(candidates, x, y)
}

/// The best line of all is parallel to the chord of two points and half way to a third.
fn independent(x: &[f64], y: &[f64]) -> Option<Straight> {
    let candidates = (0..x.len()).flat_map(|i| (i + 1..x.len()).map(move |j| (i, j))).map(|(i, j)| {
        let slope = (y[j] - y[i]) / (x[j] - x[i]);
        let away = x.iter().zip(y).map(|(x, y)| y - slope * x);
        let (low, high) = away.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
        Straight { offset: 0.5 * (low + high), slope }
    });
    least(candidates, x, y)
}

fn least(candidates: impl Iterator<Item = Straight>, x: &[f64], y: &[f64]) -> Option<Straight> {
    let worst = |line: &Straight| line.worst(x, y).map_or(f64::INFINITY, |(_, away)| away.abs());
    candidates.min_by(|a, b| worst(a).total_cmp(&worst(b)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn worst(line: Line, x: &[f64], y: &[f64]) -> f64 {
        through(line, x, y).unwrap().worst(x, y).unwrap().1.abs()
    }

    #[test]
    fn a_plain_bow_is_half_as_far_from_the_independent_line_as_from_the_terminal_one() {
        // A parabola 4 x (1 − x) on 0 to 1: 1 from the terminal line; 1/2 from the independent one (algebra).
        let x: Vec<f64> = (0..=20).map(|i| f64::from(i) / 20.0).collect();
        let y: Vec<f64> = x.iter().map(|x| 10.0 * x + 4.0 * x * (1.0 - x)).collect();
        assert!((worst(Line::Terminal, &x, &y) - 1.0).abs() < 1e-12);
        assert!((worst(Line::Independent, &x, &y) - 0.5).abs() < 1e-12);
        // Through zero: max(d − b x) with 4x(1 − x): slope b where (4 − b)² / 16 = b (algebra): b = 12 − 8√2.
        let b = 12.0 - 8.0 * 2.0_f64.sqrt();
        assert!((worst(Line::ZeroBased, &x, &y) - b).abs() < 0.01, "{}", worst(Line::ZeroBased, &x, &y));
    }

    proptest! {
        #[test]
        fn no_line_beats_the_one_of_least_greatest_deviation(
            y in prop::collection::vec(-1.0..1.0_f64, 3..12), offset in -1.0..1.0_f64, slope in -1.0..1.0_f64,
        ) {
            let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
            let best = worst(Line::Independent, &x, &y);
            let other = Straight { offset, slope }.worst(&x, &y).unwrap().1.abs();
            let through_first = Straight { offset: y[0], slope }.worst(&x, &y).unwrap().1.abs();
            prop_assert!(best <= other + 1e-12);
            prop_assert!(worst(Line::ZeroBased, &x, &y) <= through_first + 1e-12);
            for line in LINES {
                prop_assert!(best <= worst(line, &x, &y) + 1e-12);
            }
        }
    }
}
