//! Means and integrals of force.

use super::{Stretch, at};
use crate::holds::wave;

/// Running sums of the values from onset to end.
#[derive(Debug)]
pub struct Sums {
    sums: Vec<f64>,
    dt_s: f64,
}

impl Sums {
    /// The sums of a hold.
    pub fn of(hold: &Stretch) -> Sums {
        let from = hold.onset.ceil().max(0.0) as usize;
        let to = ((hold.end.floor() + 1.0).max(0.0) as usize).min(hold.values.len());
        let inside = hold.values.get(from..to).unwrap_or(&[]);
        let mut sum = 0.0;
        let mut sums = Vec::with_capacity(inside.len() + 1);
        sums.push(sum);
        sums.extend(inside.iter().map(|value| {
            sum += value;
            sum
        }));
        Sums { sums, dt_s: hold.dt_s }
    }

    /// Best mean over `seconds` within the hold, N; `None` where the hold is shorter. (Usual windows are 0.25 to 1 s.)
    pub fn best(&self, seconds: f64) -> Option<f64> {
        let width = (libm::round(seconds / self.dt_s) as usize).max(1);
        wave::greatest_rise(&self.sums, width).map(|most| most / width as f64)
    }
}

/// Trapezoidal integral between two places, N·s: of the straight lines between values.
pub fn integral(hold: &Stretch, from: f64, to: f64) -> Option<f64> {
    let inside = from >= 0.0 && to > from && to <= hold.values.len() as f64 - 1.0;
    if !inside {
        return None;
    }
    let (first, last) = (from.ceil() as usize, to.floor() as usize);
    if first > last {
        return Some(0.5 * (at(hold, from)? + at(hold, to)?) * (to - from) * hold.dt_s);
    }
    let head = 0.5 * (at(hold, from)? + hold.values[first]) * (first as f64 - from);
    let tail = 0.5 * (hold.values[last] + at(hold, to)?) * (to - last as f64);
    let whole = wave::sum(&hold.values[first..=last]) - 0.5 * (hold.values[first] + hold.values[last]);
    Some((head + whole + tail) * hold.dt_s)
}
