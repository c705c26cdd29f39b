//! Finds the averaging window again, so that it can be shown.
//!
//! Comes in: a hold's samples (s, N) and its best mean as recorded. Goes out: the window (s) whose mean that is.
use super::decimate::usual_interval_s;

/// Width of the averaging window, s.
pub const WINDOW_S: f64 = 1.0;

/// Start and end of the window with the greatest mean; `None` where no window without a gap has the recorded mean
/// (above zero, N) to within a hundredth of it or 0.02 N: a window that is not the one averaged must not be shown.
pub fn of(time_s: &[f64], force_n: &[f64], recorded_n: f64) -> Option<(f64, f64)> {
    let interval_s = usual_interval_s(time_s);
    let width = (WINDOW_S / interval_s).round() as usize;
    if width < 2 || width > time_s.len() || time_s.len() != force_n.len() {
        return None;
    }
    // Running sums: a window's sum is the difference of two.
    let sums: Vec<f64> = std::iter::once(0.0)
        .chain(force_n.iter().scan(0.0, |sum, force_n| {
            *sum += force_n;
            Some(*sum)
        }))
        .collect();
    let whole = |start: &usize| time_s[start + width - 1] - time_s[*start] < WINDOW_S + 0.5 * interval_s;
    let mean_n = |start: usize| (sums[start + width] - sums[start]) / width as f64;
    let best = (0..=time_s.len() - width).filter(whole).max_by(|a, b| mean_n(*a).total_cmp(&mean_n(*b)))?;
    let same = (mean_n(best) - recorded_n).abs() <= (0.01 * recorded_n.abs()).max(0.02);
    same.then(|| (time_s[best], time_s[best] + WINDOW_S))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 3 s at 100 Hz, 10 N but for one second of 12 N from 1 s.
    fn plateau() -> (Vec<f64>, Vec<f64>) {
        let time_s: Vec<f64> = (0..300).map(|n| f64::from(n) * 0.01).collect();
        let force_n = (0..300).map(|n| if (100..200).contains(&n) { 12.0 } else { 10.0 }).collect();
        (time_s, force_n)
    }

    #[test]
    fn the_window_is_found_where_the_mean_is_greatest() {
        let (time_s, force_n) = plateau();
        let (from_s, to_s) = of(&time_s, &force_n, 12.0).unwrap();
        assert!((from_s - 1.0).abs() < 1e-9 && (to_s - 2.0).abs() < 1e-9, "{from_s} {to_s}");
    }

    #[test]
    fn a_window_that_does_not_have_the_recorded_mean_is_not_shown() {
        let (time_s, force_n) = plateau();
        assert_eq!(of(&time_s, &force_n, 12.5), None);
        assert_eq!(of(&time_s, &force_n, f64::NAN), None);
        assert_eq!(of(&time_s[..50], &force_n[..50], 10.0), None);
        assert_eq!(of(&[], &[], 10.0), None);
    }

    #[test]
    fn no_window_spans_a_gap() {
        let (mut time_s, force_n) = plateau();
        time_s.iter_mut().skip(150).for_each(|time_s| *time_s += 0.5);
        assert_eq!(of(&time_s, &force_n, 12.0), None);
        assert!(of(&time_s, &force_n, 11.0).is_some());
    }
}
