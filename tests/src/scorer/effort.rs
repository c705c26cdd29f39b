//! One effort: how force rises, what happens at the top, how it falls.

use super::chance::Chance;
use super::kind::Kind;

/// How force rises from 0 to 1; times in s.
#[allow(missing_docs, reason = "the fields' names say it")]
#[derive(Debug, Clone, Copy)]
pub enum Rise {
    /// So many first-order lags of a time constant, s.
    Lags { count: u32, tau_s: f64 },
    /// Minimum jerk over a time, s.
    MinimumJerk { seconds: f64 },
    /// A ramp over a time with quadratic corners, s.
    Ramp { seconds: f64, corner_s: f64 },
    /// Smooth at both ends (quadratic) over a time, s.
    Smooth { seconds: f64 },
    /// x^h / (1 + x^h), x in units of a time, s.
    Sigmoid { half_s: f64, steepness: f64 },
    /// A little force while slack is taken up, then minimum jerk.
    Slack { share: f64, slack_s: f64, seconds: f64 },
}

impl Rise {
    /// Height at a time since the start, s.
    pub fn height(self, t: f64) -> f64 {
        if t <= 0.0 {
            return 0.0;
        }
        match self {
            Rise::Lags { count, tau_s } => {
                let x = t / tau_s;
                let (mut term, mut sum) = (1.0, 1.0);
                for k in 1..count {
                    term *= x / f64::from(k);
                    sum += term;
                }
                1.0 - sum * libm::exp(-x)
            }
            Rise::MinimumJerk { seconds } => {
                let x = (t / seconds).min(1.0);
                x * x * x * (10.0 + x * (6.0 * x - 15.0))
            }
            Rise::Ramp { seconds, corner_s } => {
                let speed = 1.0 / (seconds - corner_s);
                let left = seconds - t;
                match () {
                    () if t < corner_s => 0.5 * speed * t * t / corner_s,
                    () if left <= 0.0 => 1.0,
                    () if left < corner_s => 1.0 - 0.5 * speed * left * left / corner_s,
                    () => speed * (t - 0.5 * corner_s),
                }
            }
            Rise::Smooth { seconds } => {
                let x = (t / seconds).min(1.0);
                x * x * (3.0 - 2.0 * x)
            }
            Rise::Sigmoid { half_s, steepness } => {
                let x = libm::pow(t / half_s, steepness);
                x / (1.0 + x)
            }
            Rise::Slack { share, slack_s, seconds } => {
                let slack = Rise::Smooth { seconds: slack_s }.height(t);
                let main = Rise::MinimumJerk { seconds }.height(t - 0.6 * slack_s);
                share * slack * (1.0 - main) + main
            }
        }
    }

    fn explosive(chance: &mut Chance) -> Rise {
        Rise::Lags { count: 3, tau_s: chance.within(0.022, 0.05) }
    }

    /// None of these is among the curves that the finder fits.
    fn strange(chance: &mut Chance) -> Rise {
        match chance.count(0, 5) {
            0 => Rise::Sigmoid { half_s: chance.ratio(0.06, 0.5), steepness: chance.within(1.8, 3.5) },
            1 => Rise::Lags { count: 1, tau_s: chance.ratio(0.03, 0.3) },
            2 => Rise::Lags { count: 2, tau_s: chance.ratio(0.02, 0.25) },
            3 => Rise::Lags { count: 4, tau_s: chance.ratio(0.02, 0.15) },
            4 => Rise::Smooth { seconds: chance.ratio(0.2, 1.5) },
            _ => Rise::Slack {
                share: chance.within(0.01, 0.05),
                slack_s: chance.within(0.15, 0.4),
                seconds: chance.ratio(0.25, 1.0),
            },
        }
    }

    /// Until the rise is over, s.
    fn seconds(self) -> f64 {
        match self {
            Rise::Lags { count, tau_s } => tau_s * (4.0 + 1.6 * f64::from(count)),
            Rise::MinimumJerk { seconds } | Rise::Smooth { seconds } | Rise::Ramp { seconds, .. } => seconds,
            Rise::Sigmoid { half_s, .. } => 4.0 * half_s,
            Rise::Slack { slack_s, seconds, .. } => slack_s + seconds,
        }
    }
}

/// A sudden loss of a share of the force.
#[derive(Debug, Clone, Copy)]
struct Loss {
    at_s: f64,
    share: f64,
    within_s: f64,
    /// When it comes back, and how fast; for ever without.
    back: Option<(f64, f64)>,
}

/// An effort.
#[derive(Debug, Clone)]
pub struct Effort {
    /// Its start, s.
    pub onset_s: f64,
    /// Force at the top, N.
    pub peak_n: f64,
    /// Start of the final fall, s.
    pub release_s: f64,
    rise: Rise,
    /// The main rise starts later where something comes before it.
    main_s: f64,
    fall_s: f64,
    tiring_per_s: f64,
    loss: Option<Loss>,
    /// The examiner adds a share of the force: from when, over what time.
    added: Option<(f64, f64, f64)>,
    /// Undulation: share, turns a second.
    wave: Option<(f64, f64)>,
    /// Force dips before it rises: N, from when, how fast down and up, s.
    dip: Option<(f64, f64, f64, f64)>,
    /// A first pull: share of the peak, until when.
    first_pull: Option<(f64, f64)>,
}

impl Effort {
    /// An effort of a kind that starts at a time.
    pub fn new(kind: Kind, onset_s: f64, chance: &mut Chance) -> Effort {
        let rise = match kind {
            Kind::Explosive => Rise::explosive(chance),
            Kind::Slow => Rise::Ramp { seconds: chance.within(2.0, 4.0), corner_s: chance.within(0.05, 0.3) },
            Kind::Break | Kind::Snatch => {
                Rise::Ramp { seconds: chance.within(1.2, 4.0), corner_s: chance.within(0.05, 0.25) }
            }
            Kind::Strange => Rise::strange(chance),
            Kind::DoublePull if chance.count(0, 1) == 0 => Rise::explosive(chance),
            _ => Rise::MinimumJerk { seconds: chance.within(0.4, 1.5) },
        };
        let mut effort = Effort {
            onset_s,
            peak_n: chance.ratio(8.0, 70.0),
            release_s: 0.0,
            rise,
            main_s: onset_s,
            fall_s: if kind == Kind::SlowRelease {
                chance.within(0.7, 1.6)
            } else {
                chance.within(0.12, 0.4)
            },
            tiring_per_s: chance.within(0.0, 0.03),
            loss: None,
            added: None,
            wave: None,
            dip: None,
            first_pull: None,
        };
        if kind == Kind::DoublePull {
            let until = onset_s + chance.within(0.14, 0.4);
            effort.first_pull = Some((chance.within(0.2, 0.5), until));
            effort.main_s = until + chance.within(0.1, 0.25);
        }
        effort.fill(kind, chance);
        effort
    }

    /// What happens at the top.
    fn fill(&mut self, kind: Kind, chance: &mut Chance) {
        let top = self.main_s + self.rise.seconds();
        let held = if kind == Kind::Tiring { chance.within(8.0, 12.0) } else { chance.within(2.5, 5.0) };
        self.release_s = top + held;
        match kind {
            Kind::Tiring => self.tiring_per_s = chance.within(0.02, 0.05),
            Kind::Concentric => {
                self.peak_n *= 0.6;
                self.release_s = top + chance.within(1.0, 2.5);
                self.wave = Some((chance.within(0.05, 0.2), chance.within(0.4, 1.2)));
            }
            Kind::GiveWay => {
                let (at_s, within_s) = (top + chance.within(0.4, 1.2), chance.within(0.12, 0.3));
                let back = Some((at_s + within_s + chance.within(0.0, 0.15), chance.within(0.2, 0.5)));
                self.loss = Some(Loss { at_s, share: chance.within(0.25, 0.5), within_s, back });
            }
            Kind::Break | Kind::MakeBreak | Kind::Snatch => {
                let mut at_s = top + chance.within(0.0, 0.6);
                if kind == Kind::MakeBreak {
                    let (from, over) = (top + chance.within(0.8, 2.0), chance.within(0.5, 1.8));
                    self.added = Some((chance.within(0.1, 0.45), from, over));
                    at_s = from + over + chance.within(0.0, 0.25);
                } else {
                    self.tiring_per_s = 0.0;
                }
                let within_s = chance.within(0.08, 0.3);
                self.loss = Some(Loss { at_s, share: chance.within(0.22, 0.65), within_s, back: None });
                self.release_s = match kind {
                    Kind::Snatch => at_s + 0.35 * within_s,
                    _ => at_s + within_s + chance.within(0.25, 1.0),
                };
            }
            _ => {}
        }
    }

    /// Makes its force at the top another.
    pub fn scale_to(&mut self, peak_n: f64) {
        self.peak_n = peak_n;
    }

    /// How long it rises, s.
    pub fn rise_s(&self) -> f64 {
        self.rise.seconds()
    }

    /// When no force is left, s.
    pub fn over_s(&self) -> f64 {
        self.release_s + self.fall_s
    }

    /// Lets force dip by so much, N, just before it rises.
    pub fn dip(&mut self, by_n: f64, chance: &mut Chance) {
        let (down_s, up_s) = (chance.within(0.05, 0.12), chance.within(0.04, 0.1));
        self.dip = Some((by_n, self.onset_s - down_s - chance.within(0.0, 0.03), down_s, up_s));
    }

    /// When it first leaves the level, s: earlier than the onset where force dips first.
    pub fn first_s(&self) -> f64 {
        self.dip.map_or(self.onset_s, |dip| dip.1)
    }

    /// When it yields for good while contact goes on, s.
    pub fn break_s(&self) -> Option<f64> {
        let loss = self.loss.filter(|loss| loss.back.is_none())?;
        (self.release_s >= loss.at_s + loss.within_s).then_some(loss.at_s)
    }

    /// Its force, N.
    pub fn force(&self, t: f64) -> f64 {
        if t <= self.first_s() || t >= self.over_s() {
            return 0.0;
        }
        let step = |from: f64, over: f64| Rise::MinimumJerk { seconds: over }.height(t - from);
        if t <= self.onset_s {
            return self.dip.map_or(0.0, |(by_n, from, down_s, _)| -by_n * step(from, down_s));
        }
        let mut force = self.rise.height(t - self.main_s);
        if let Some((share, until)) = self.first_pull {
            let up = step(self.onset_s, 0.8 * (until - self.onset_s));
            force += share * up * (1.0 - 0.9 * step(until, 0.15)) * (1.0 - force);
        }
        force *= 1.0 - self.tiring_per_s * (t - self.main_s - self.rise.seconds()).max(0.0);
        if let Some((share, from, over)) = self.added {
            force += share * Rise::Ramp { seconds: over, corner_s: 0.1 }.height(t - from);
        }
        if let Some((share, turns)) = self.wave {
            let from = self.main_s + self.rise.seconds();
            let inside = step(from, 0.25) * (1.0 - step(self.release_s - 0.25, 0.25));
            force *= 1.0 + share * inside * libm::sin(std::f64::consts::TAU * turns * (t - from));
        }
        if let Some(loss) = self.loss {
            let back = loss.back.map_or(0.0, |(from, over)| step(from, over));
            force *= 1.0 - loss.share * step(loss.at_s, loss.within_s) * (1.0 - back);
        }
        let dip_n = self.dip.map_or(0.0, |(by_n, _, _, up_s)| by_n * (1.0 - step(self.onset_s, up_s)));
        self.peak_n * force * (1.0 - step(self.release_s, self.fall_s)) - dip_n
    }
}
