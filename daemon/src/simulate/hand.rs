//! A hand that pulls: force as a pure function of time, from a seed.
//!
//! Comes in: a script of efforts and the time since the stream began, s. Goes out: force, N. Shapes: minimum-jerk rise
//! (Flash and Hogan 1985), plateau with slow fluctuation, 8–12 Hz tremor and fatigue; break efforts rise in a straight
//! line, give way by a share of the force and leave a residual. The sizes are assumptions, not measurements of anybody.

use std::f64::consts::TAU;
use std::str::FromStr;

/// Kind of effort.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// The person pulls and holds.
    Make,
    /// The examiner raises the force until it gives way.
    Break,
    /// As make, rising as fast as possible.
    Explosive,
}

/// One effort of the script: `make:32:1.5` is 32 N for 1.5 s.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Effort {
    /// Kind.
    pub kind: Kind,
    /// Peak above zero, N.
    pub peak_n: f64,
    /// Plateau (make) or rise (break), s.
    pub hold_s: f64,
}

impl FromStr for Effort {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let hint = || {
            format!(
                "`{text}` is no effort: use KIND:PEAK_N:HOLD_S as in make:32:1.5 (make, break, explosive)"
            )
        };
        let mut parts = text.split(':');
        let (Some(kind), Some(peak), Some(hold), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(hint());
        };
        let kind = match kind {
            "make" => Kind::Make,
            "break" => Kind::Break,
            "explosive" => Kind::Explosive,
            _ => return Err(hint()),
        };
        let number = |text: &str, most: f64| text.parse::<f64>().ok().filter(|v| *v > 0.0 && *v <= most);
        let (Some(peak_n), Some(hold_s)) = (number(peak, 1e5), number(hold, 600.0)) else {
            return Err(hint());
        };
        Ok(Effort { kind, peak_n, hold_s })
    }
}

/// A script of efforts, one every `period_s`.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// The efforts, in order.
    pub efforts: Vec<Effort>,
    /// Start of the first one, s.
    pub first_s: f64,
    /// From one start to the next, s.
    pub period_s: f64,
    /// The examiner's touch between efforts, N; 0 for none.
    pub contact_n: f64,
    /// Begin again at its end.
    pub repeat: bool,
}

impl Default for Script {
    fn default() -> Self {
        let effort = |peak_n| Effort { kind: Kind::Make, peak_n, hold_s: 3.0 };
        Script {
            efforts: vec![effort(28.0), effort(27.0), effort(28.5)],
            first_s: 3.0,
            period_s: 8.0,
            contact_n: 0.0,
            repeat: false,
        }
    }
}

/// The hand.
#[derive(Debug, Clone)]
pub struct Hand {
    script: Script,
    seed: u64,
    waves: [(f64, f64, f64); 6],
}

/// One effort as it comes out, with its chance variations.
struct Pull {
    effort: Effort,
    start_s: f64,
    peak_n: f64,
    rise_s: f64,
    fall_s: f64,
    drop: f64,
    fatigue_per_s: f64,
}

impl Hand {
    /// A hand from a script and a seed.
    pub fn new(script: Script, seed: u64) -> Self {
        let mut random = fastrand::Rng::with_seed(seed ^ 0x9e37_79b9_7f4a_7c15);
        let mut wave = |low_hz: f64, high_hz: f64, size: f64| {
            (low_hz + (high_hz - low_hz) * random.f64(), TAU * random.f64(), size)
        };
        let waves = [
            wave(0.2, 1.0, 0.010),
            wave(1.0, 2.0, 0.006),
            wave(2.0, 3.0, 0.004),
            wave(8.0, 9.5, 0.004),
            wave(9.5, 10.5, 0.004),
            wave(10.5, 12.0, 0.003),
        ];
        Hand { script, seed, waves }
    }

    /// When the script ends, s; `None` when it repeats.
    pub fn end_s(&self) -> Option<f64> {
        let script = &self.script;
        (!script.repeat).then(|| script.first_s + script.period_s * script.efforts.len() as f64 + 0.5)
    }

    fn pull(&self, number: usize) -> Option<Pull> {
        let script = &self.script;
        let count = script.efforts.len();
        let effort = if script.repeat {
            script.efforts.get(number % count.max(1))
        } else {
            script.efforts.get(number)
        };
        let effort = *effort?;
        let mut random = fastrand::Rng::with_seed(self.seed.wrapping_add(1 + number as u64));
        let mut between = |low: f64, high: f64| low + (high - low) * random.f64();
        let rise_s = match effort.kind {
            Kind::Make => between(0.25, 0.45),
            Kind::Explosive => between(0.08, 0.15),
            Kind::Break => effort.hold_s,
        };
        Some(Pull {
            effort,
            start_s: script.first_s + script.period_s * number as f64 + between(0.0, 0.1),
            peak_n: effort.peak_n * between(0.96, 1.04),
            rise_s,
            fall_s: between(0.15, 0.3),
            drop: between(0.3, 0.5),
            fatigue_per_s: between(0.0, 0.02),
        })
    }

    /// Force, N, at a time since the stream began, s.
    pub fn force_n(&self, time_s: f64) -> f64 {
        let script = &self.script;
        let since_s = time_s - script.first_s;
        let wave: f64 =
            self.waves.iter().map(|(hz, phase, size)| size * libm::sin(TAU * hz * time_s + phase)).sum();
        let contact_n = self.contact_n(time_s) * (1.0 + wave);
        if since_s < 0.0 || script.period_s <= 0.0 {
            return contact_n;
        }
        let number = (since_s / script.period_s) as usize;
        let pulled =
            self.pull(number).map_or(0.0, |pull| pull.share(time_s) * (pull.peak_n - contact_n).max(0.0));
        contact_n + pulled * (1.0 + wave)
    }

    /// The touch begins 1.5 s before the first effort and stays to the script's end.
    fn contact_n(&self, time_s: f64) -> f64 {
        let on = minimum_jerk((time_s - self.script.first_s + 1.5) / 0.3);
        let off = self.end_s().map_or(0.0, |end_s| minimum_jerk((time_s - end_s + 0.4) / 0.3));
        self.script.contact_n * on * (1.0 - off)
    }
}

impl Pull {
    /// Share of the peak at a time.
    fn share(&self, time_s: f64) -> f64 {
        let since_s = time_s - self.start_s;
        if since_s <= 0.0 {
            return 0.0;
        }
        if self.effort.kind == Kind::Break {
            // A straight rise with rounded corners, a quick partial fall, a residual, release.
            let rise = rounded_ramp(since_s / self.rise_s);
            let yielded = 1.0 - self.drop * minimum_jerk((since_s - self.rise_s) / 0.15);
            return rise * yielded * (1.0 - minimum_jerk((since_s - self.rise_s - 0.7) / self.fall_s));
        }
        let tired = 1.0 - self.fatigue_per_s * (since_s - self.rise_s).max(0.0);
        let release_s = self.rise_s + self.effort.hold_s;
        minimum_jerk(since_s / self.rise_s)
            * tired
            * (1.0 - minimum_jerk((since_s - release_s) / self.fall_s))
    }
}

/// From 0 to 1 with no jump in speed or acceleration.
fn minimum_jerk(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * x * (10.0 + x * (6.0 * x - 15.0))
}

/// From 0 to 1 in a straight line, the first and last twentieth rounded.
fn rounded_ramp(x: f64) -> f64 {
    const CORNER: f64 = 0.05;
    let x = x.clamp(0.0, 1.0);
    let slope = 1.0 / (1.0 - CORNER);
    if x < CORNER {
        slope * x * x / (2.0 * CORNER)
    } else if x > 1.0 - CORNER {
        1.0 - slope * (1.0 - x) * (1.0 - x) / (2.0 * CORNER)
    } else {
        slope * (x - CORNER / 2.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn efforts_are_read_or_refused_with_the_form() {
        let effort: Effort = "break:30:2.5".parse().unwrap();
        assert_eq!(effort, Effort { kind: Kind::Break, peak_n: 30.0, hold_s: 2.5 });
        for bad in ["", "make", "make:1", "push:3:1", "make:-3:1", "make:3:1:1", "make:nan:1"] {
            assert!(bad.parse::<Effort>().unwrap_err().contains("make:32:1.5"), "{bad}");
        }
    }

    #[test]
    fn the_script_is_pulled_at_its_times_and_heights() {
        let hand = Hand::new(Script { contact_n: 2.0, ..Script::default() }, 3);
        assert_eq!(hand.force_n(0.5), 0.0);
        assert!((hand.force_n(2.5) - 2.0).abs() < 0.2, "contact before the first effort");
        for (start_s, peak_n) in [(3.0, 28.0), (11.0, 27.0), (19.0, 28.5)] {
            let top = (0..300).map(|i| hand.force_n(start_s + f64::from(i) * 0.01)).fold(0.0, f64::max);
            assert!((top / peak_n - 1.0).abs() < 0.08, "{top} at {start_s}");
            assert!((hand.force_n(start_s + 5.5) - 2.0).abs() < 0.2, "back to contact");
        }
        assert!(hand.force_n(hand.end_s().unwrap() + 1.0).abs() < 1e-9);
    }

    #[test]
    fn a_break_gives_way_partly_and_the_same_seed_gives_the_same_hand() {
        let effort = Effort { kind: Kind::Break, peak_n: 30.0, hold_s: 2.0 };
        let script = Script { efforts: vec![effort], ..Script::default() };
        let (a, b) = (Hand::new(script.clone(), 5), Hand::new(script, 5));
        let forces: Vec<f64> = (0..700).map(|i| a.force_n(f64::from(i) * 0.01)).collect();
        assert_eq!(forces, (0..700).map(|i| b.force_n(f64::from(i) * 0.01)).collect::<Vec<_>>());
        let residual = a.force_n(3.0 + 2.0 + 0.5) / 30.0;
        assert!((0.45..0.75).contains(&residual), "{residual}");
    }
}
