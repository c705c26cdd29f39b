//! What is true of the efforts of a drawn trace.
//!
//! Comes in: a scene. Goes out: times (s) and forces (N) by the measures' own definitions, read from the noiseless force
//! at 10 kHz, with crossings interpolated; never from samples.

use super::effort::Effort;
use super::scene::Scene;

/// Spacing of the noiseless force, s.
const FINE_S: f64 = 1e-4;

/// What is true of an effort. Forces are N above the level it started from, if nothing else is said.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    /// Its start, s; where force dips first, the turn.
    pub onset_s: f64,
    /// First crossing of 5 % of the peak, s.
    pub rise5_s: f64,
    /// Start of the yield, s.
    pub break_s: Option<f64>,
    /// Greatest force until then.
    pub break_n: Option<f64>,
    /// Start of the final fall, s.
    pub release_s: f64,
    /// Last crossing of 10 % of the peak, s.
    pub end_s: f64,
    /// When no force is left, s.
    pub over_s: f64,
    /// Peak.
    pub peak_n: f64,
    /// Peak above zero, where there was contact.
    pub peak_zero_n: Option<f64>,
    /// Best 1-s mean; `None` where the effort is shorter.
    pub mean_n: Option<f64>,
    /// First crossing of 90 % of the peak after the onset, s.
    pub time_to_90_percent_s: f64,
    /// Rise from the onset over 50, 100 and 200 ms, N/s.
    pub rfd_n_per_s: [f64; 3],
    /// Steepest rise over 20 ms before the peak, N/s.
    pub rfd_max_n_per_s: f64,
    /// Integral from the onset to the last crossing of 10 %, N·s.
    pub impulse_n_s: f64,
}

/// The truth about every effort of a scene, in order.
pub fn of(scene: &Scene) -> Vec<Truth> {
    scene.efforts.iter().map(|effort| Fine::new(scene, effort).truth(effort)).collect()
}

/// The noiseless force of an effort, finely.
struct Fine {
    first_s: f64,
    /// Above the level that the effort started from, N.
    force_n: Vec<f64>,
    /// Running sums of it.
    sums: Vec<f64>,
    level_n: f64,
    has_contact: bool,
}

impl Fine {
    fn new(scene: &Scene, effort: &Effort) -> Fine {
        let first_s = effort.first_s();
        let mut force_n = scene.force(first_s, FINE_S, ((effort.over_s() - first_s) / FINE_S) as usize + 2);
        let level_n = force_n[0];
        force_n.iter_mut().for_each(|force| *force -= level_n);
        let mut sums = vec![0.0];
        sums.extend(force_n.iter().scan(0.0, |sum, force| {
            *sum += force;
            Some(*sum)
        }));
        Fine { first_s, force_n, sums, level_n, has_contact: scene.has_contact() }
    }

    /// Force at a time, N.
    fn at(&self, time_s: f64) -> f64 {
        let place = ((time_s - self.first_s) / FINE_S).clamp(0.0, self.force_n.len() as f64 - 2.0);
        let k = place as usize;
        self.force_n[k] + (place - k as f64) * (self.force_n[k + 1] - self.force_n[k])
    }

    /// Number of the first force at or after a time.
    fn number(&self, time_s: f64) -> usize {
        (((time_s - self.first_s) / FINE_S).ceil().max(0.0) as usize).min(self.force_n.len() - 1)
    }

    /// Where the line between two forces passes a level, s.
    fn between(&self, k: usize, level: f64) -> f64 {
        let (a, b) = (self.force_n[k], self.force_n[k + 1]);
        self.first_s + (k as f64 + (level - a) / (b - a)) * FINE_S
    }

    fn first_crossing(&self, level: f64) -> f64 {
        let k = self.force_n.iter().position(|force| *force >= level).unwrap_or(0);
        if k == 0 { self.first_s } else { self.between(k - 1, level) }
    }

    fn last_crossing(&self, level: f64) -> f64 {
        let k = self.force_n.iter().rposition(|force| *force >= level).unwrap_or(0);
        self.between(k.min(self.force_n.len() - 2), level)
    }

    fn best_mean(&self, seconds: f64) -> Option<f64> {
        let width = libm::round(seconds / FINE_S) as usize;
        let means = self.sums.get(width..)?.iter().zip(&self.sums).map(|(end, start)| end - start);
        means.reduce(f64::max).map(|most| most / width as f64)
    }

    /// Integral between two times by the trapezoidal rule, N·s.
    fn integral(&self, from_s: f64, to_s: f64) -> f64 {
        let (from, to) = (self.number(from_s), self.number(to_s));
        let ends = 0.5 * (self.force_n[from] + self.force_n[to]);
        (self.sums[to] - self.sums[from] + ends - self.force_n[from]) * FINE_S
    }

    fn truth(&self, effort: &Effort) -> Truth {
        let peak_n = self.force_n.iter().copied().fold(0.0, f64::max);
        let peak = self.force_n.iter().position(|force| *force == peak_n).unwrap_or(0);
        let before = |time_s: f64| &self.force_n[..=self.number(time_s)];
        let rise = |seconds: f64| (self.at(effort.onset_s + seconds) - self.at(effort.onset_s)) / seconds;
        let (window, end_s) = (200, self.last_crossing(0.1 * peak_n));
        let steepest = self.force_n[..=peak].iter().skip(window).zip(&self.force_n).map(|(b, a)| b - a);
        Truth {
            onset_s: effort.onset_s,
            rise5_s: self.first_crossing(0.05 * peak_n),
            break_s: effort.break_s(),
            break_n: effort.break_s().map(|at| before(at).iter().copied().fold(0.0, f64::max)),
            release_s: effort.release_s,
            end_s,
            over_s: effort.over_s(),
            peak_n,
            peak_zero_n: self.has_contact.then_some(peak_n + self.level_n),
            mean_n: self.best_mean(1.0),
            time_to_90_percent_s: self.first_crossing(0.9 * peak_n) - effort.onset_s,
            rfd_n_per_s: [0.05, 0.1, 0.2].map(rise),
            rfd_max_n_per_s: steepest.fold(0.0, f64::max) / (window as f64 * FINE_S),
            impulse_n_s: self.integral(effort.onset_s, end_s),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scorer::kind::Kind;

    /// A minimum-jerk rise of T s reaches 5 % of its height at 0.18930 T and 90 % at 0.75336 T (roots of
    /// 10x³ − 15x⁴ + 6x⁵ = 0.05 and 0.9), near enough for a force that trembles by a per cent.
    #[test]
    fn crossings_and_peak_are_those_of_the_curve() {
        for number in 0..20 {
            let scene = Scene::new(Kind::Make, 5, number);
            let (truth, effort) = (of(&scene)[0], &scene.efforts[0]);
            let seconds = effort.rise_s();
            let share = (truth.rise5_s - truth.onset_s) / seconds;
            assert!((share - 0.1893).abs() < 0.01, "{share}");
            assert!((truth.peak_n / effort.peak_n - 1.0).abs() < 0.06, "{truth:?}");
            assert!(
                truth.onset_s < truth.rise5_s && truth.release_s < truth.end_s && truth.end_s < truth.over_s
            );
            assert!(truth.mean_n.unwrap() < truth.peak_n && truth.rfd_max_n_per_s > truth.rfd_n_per_s[2]);
            let longest = (truth.end_s - truth.onset_s) * truth.peak_n;
            assert!(truth.impulse_n_s > 0.5 * longest && truth.impulse_n_s < longest, "{truth:?}");
        }
    }

    #[test]
    fn truth_is_the_same_at_every_rate_and_samples_follow_it() {
        let scene = Scene::new(Kind::Break, 5, 3);
        let truth = of(&scene)[0];
        for rate in [80, 1000, 10_000] {
            let samples = scene.sample(rate, 0.0);
            let most = samples.iter().map(|sample| sample.force_n).fold(0.0, f64::max);
            assert!(
                (most / truth.peak_n - 1.0).abs() < 0.005,
                "{rate} Hz: {most} instead of {}",
                truth.peak_n
            );
        }
        assert_eq!(format!("{truth:?}"), format!("{:?}", of(&Scene::new(Kind::Break, 5, 3))[0]));
    }
}
