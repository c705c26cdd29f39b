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
        let (below, beyond) = self.bracket(height);
        let (mut low, mut high) = (0.0, INVERSE_MOST);
        for _ in 0..26 {
            let middle = 0.5 * (low + high);
            let is_below = middle <= below || (middle < beyond && self.at(middle).0 < height);
            if is_below { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    /// A place where the curve is below a height and one where it is not, mostly close together: by Newton's method,
    /// from the steepest place.
    fn bracket(self, height: f64) -> (f64, f64) {
        const NEAR: f64 = 1e-7;
        let (mut below, mut beyond) = (0.0, INVERSE_MOST);
        let mut x = match self {
            Curve::Lags(n) => (f64::from(n) - 1.0).max(0.1),
            Curve::MinimumJerk | Curve::Smooth => 0.5,
            Curve::Ramp => 1.0,
        };
        for _ in 0..12 {
            let (here, slope) = self.at(x);
            if here < height {
                below = x
            } else {
                beyond = x
            }
            let next = x - (here - height) / slope;
            // (A comparison with NaN is false.)
            if !(next > below && next < beyond) {
                break;
            }
            let close = (next - x).abs() < NEAR;
            x = next;
            if close {
                break;
            }
        }
        for x in [x - NEAR, x + NEAR] {
            if x > below && x < beyond {
                if self.at(x).0 < height { below = x } else { beyond = x }
            }
        }
        (below, beyond)
    }
}

/// Heights are looked for up to here.
const INVERSE_MOST: f64 = 40.0;

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
        // Of so many lags known beforehand, most divisions are none.
        match self {
            Curve::Lags(1) => fill_lags(|x, decay| lags(1, x, decay), step, points),
            Curve::Lags(2) => fill_lags(|x, decay| lags(2, x, decay), step, points),
            Curve::Lags(3) => fill_lags(|x, decay| lags(3, x, decay), step, points),
            Curve::Lags(4) => fill_lags(|x, decay| lags(4, x, decay), step, points),
            Curve::Lags(n) => fill_lags(|x, decay| lags(n, x, decay), step, points),
            _ => {
                for (x, point) in points {
                    let (height, slope) = self.at(x);
                    *point = [height, slope, x.max(0.0) * slope];
                }
            }
        }
    }
}

fn fill_lags<'a>(
    lags: impl Fn(f64, f64) -> (f64, f64),
    step: f64,
    points: impl Iterator<Item = (f64, &'a mut Point)>,
) {
    // An exponential at even places is a product.
    let (mut decay, factor) = (None, libm::exp(-step));
    for (x, point) in points {
        let here = decay.unwrap_or_else(|| libm::exp(-x));
        let (height, slope) = lags(x, here);
        *point = [height, slope, x * slope];
        decay = Some(here * factor);
    }
}

/// 1 − e^−x · Σ x^k/k! (k < n) and its slope e^−x · x^(n−1)/(n−1)!; `decay` is e^−x.
#[inline]
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
            for height in [0.0, 1e-9, 0.05, 0.15, 0.5, 0.9, 0.999, 1.0, 30.0, f64::NAN] {
                // What plain halving of the whole range gives, to the last bit.
                let (mut low, mut high) = (0.0, INVERSE_MOST);
                for _ in 0..26 {
                    let middle = 0.5 * (low + high);
                    if curve.at(middle).0 < height { low = middle } else { high = middle }
                }
                let place = curve.inverse(height);
                assert_eq!(place.to_bits(), (0.5 * (low + high)).to_bits(), "{curve:?} at {height}");
                let near = (curve.at(place).0 - height).abs() < 1e-6;
                assert!(near || !(0.01..0.99).contains(&height), "{curve:?} at {height}");
            }
        }
    }
}
