//! Means and integrals of force.

use super::{Stretch, at};

/// Best mean over `seconds` within the hold, N; `None` where the hold is shorter. (Usual windows are 0.25 to 1 s.)
pub fn best(hold: &Stretch, seconds: f64) -> Option<f64> {
    let width = libm::round(seconds / hold.dt_s) as usize;
    let from = hold.onset.ceil().max(0.0) as usize;
    let to = ((hold.end.floor() + 1.0).max(0.0) as usize).min(hold.values.len());
    let inside = hold.values.get(from..to)?;
    if width == 0 || inside.len() < width {
        return None;
    }
    let mut sum: f64 = inside[..width].iter().sum();
    let mut most = sum;
    for (out, new) in inside.iter().zip(&inside[width..]) {
        sum += new - out;
        most = most.max(sum);
    }
    Some(most / width as f64)
}

/// Mean from onset to end, N: the integral over the duration.
pub fn whole(hold: &Stretch) -> Option<f64> {
    integral(hold, hold.onset, hold.end).map(|i| i / ((hold.end - hold.onset) * hold.dt_s))
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
    let whole =
        hold.values[first..=last].iter().sum::<f64>() - 0.5 * (hold.values[first] + hold.values[last]);
    Some((head + whole + tail) * hold.dt_s)
}
