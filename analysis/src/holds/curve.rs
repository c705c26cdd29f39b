//! Change curves: how force rises from one level towards another.
//!
//! Comes in: time since the start in units of the curve's time scale. Goes out: height, slope.

/// A rise from 0 towards 1 by time since the start over a time scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Curve {
    /// So many equal first-order lags in a row (the response of a muscle to a burst of activation).
    Lags(u32),
    /// Minimum jerk (a smooth voluntary movement).
    MinimumJerk,
    /// The smoothest rise with a quadratic start.
    Smooth,
    /// A quadratic corner, then a straight line (a hand that pulls steadily).
    Ramp,
}

/// The curves fitted to a rise.
pub(super) const RISES: [Curve; 7] = [
    Curve::Lags(1),
    Curve::Lags(2),
    Curve::Lags(3),
    Curve::Lags(4),
    Curve::MinimumJerk,
    Curve::Smooth,
    Curve::Ramp,
];

/// The curves fitted to a fall.
pub(super) const FALLS: [Curve; 5] =
    [Curve::Lags(2), Curve::Lags(3), Curve::Lags(4), Curve::MinimumJerk, Curve::Smooth];

impl Curve {
    /// Height and slope at `x` time scales after the start.
    pub fn at(self, x: f64) -> (f64, f64) {
        if x <= 0.0 {
            return (0.0, 0.0);
        }
        match self {
            Curve::Lags(n) => lags(n, x, libm::exp(-x)),
            Curve::MinimumJerk if x < 1.0 => {
                (x * x * x * (10.0 + x * (-15.0 + 6.0 * x)), 30.0 * x * x * (1.0 - x) * (1.0 - x))
            }
            Curve::Smooth if x < 1.0 => (x * x * (3.0 - 2.0 * x), 6.0 * x * (1.0 - x)),
            Curve::MinimumJerk | Curve::Smooth => (1.0, 0.0),
            Curve::Ramp if x < 1.0 => (0.5 * x * x, x),
            Curve::Ramp => (x - 0.5, 1.0),
        }
    }

    /// Where the curve has a height.
    pub fn inverse(self, height: f64) -> f64 {
        let (mut low, mut high) = (0.0, 40.0);
        for _ in 0..26 {
            let middle = 0.5 * (low + high);
            if self.at(middle).0 < height { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }
}

/// Height, slope, and place times slope of a curve.
pub(super) type Point = [f64; 3];

impl Curve {
    /// The curve at evenly spaced places: `first`, `first + step`, …
    pub fn fill(self, first: f64, step: f64, points: &mut [Point]) {
        let rising =
            if first > 0.0 { 0 } else { ((-first / step) as usize).saturating_add(1).min(points.len()) };
        points[..rising].fill([0.0; 3]);
        let place = |k: usize| first + k as f64 * step;
        let points = points[rising..].iter_mut().enumerate().map(|(k, point)| (place(rising + k), point));
        if let Curve::Lags(n) = self {
            // An exponential at even places is a product.
            let (mut decay, factor) = (libm::exp(-place(rising)), libm::exp(-step));
            for (x, point) in points {
                let (height, slope) = lags(n, x, decay);
                *point = [height, slope, x * slope];
                decay *= factor;
            }
        } else {
            for (x, point) in points {
                let (height, slope) = self.at(x);
                *point = [height, slope, x.max(0.0) * slope];
            }
        }
    }
}

/// 1 − e^−x · Σ x^k/k! (k < n) and its slope e^−x · x^(n−1)/(n−1)!; `decay` is e^−x.
fn lags(n: u32, x: f64, decay: f64) -> (f64, f64) {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..n {
        term *= x / f64::from(k);
        sum += term;
    }
    (1.0 - sum * decay, term * decay)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn slopes_are_those_of_the_heights() {
        for curve in RISES {
            for x in [0.1, 0.4, 0.7, 0.95, 1.3, 4.0] {
                let step = 1e-6;
                let slope = (curve.at(x + step).0 - curve.at(x - step).0) / (2.0 * step);
                assert!((slope - curve.at(x).1).abs() < 1e-6, "{curve:?} at {x}");
            }
            assert_eq!(curve.at(0.0), (0.0, 0.0));
        }
    }

    #[test]
    fn a_grid_of_points_is_the_curve_at_each() {
        for curve in RISES {
            for (first, step) in [(-1.03, 0.1), (0.2, 0.05), (-9.0, 0.1)] {
                let mut points = [[9.0; 3]; 60];
                curve.fill(first, step, &mut points);
                for (k, point) in points.iter().enumerate() {
                    let x = first + k as f64 * step;
                    let (height, slope) = curve.at(x);
                    let wanted = [height, slope, x.max(0.0) * slope];
                    let near = point.iter().zip(wanted).all(|(a, b)| (a - b).abs() < 1e-12);
                    assert!(near, "{curve:?} at {x}: {point:?} instead of {wanted:?}");
                }
            }
        }
    }

    #[test]
    fn the_inverse_gives_the_place_of_a_height() {
        for curve in RISES {
            for height in [0.05, 0.5, 0.9] {
                assert!((curve.at(curve.inverse(height)).0 - height).abs() < 1e-6, "{curve:?} at {height}");
            }
        }
    }
}
