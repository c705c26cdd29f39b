//! What happens in a drawn trace: the force that a perfect sensor would see, and how the sensor errs.
//!
//! Comes in: a kind of trace, a seed, a number. Goes out: force (N) at any time (s), and samples at any rate. Force is a
//! function of continuous time, so the same seed and number are the same event at every rate; the sampling grid is
//! aligned with nothing in it.

use super::chance::{Chance, Wobble};
use super::effort::{Effort, Rise};
use super::kind::Kind;
use analysis::holds::Sample;
use std::f64::consts::TAU;

/// The noiseless force of a trace.
#[derive(Debug, Clone)]
pub struct Scene {
    pub(super) efforts: Vec<Effort>,
    /// Levels: from when on, N, and how fast they are reached, s.
    levels: Vec<(f64, f64, f64)>,
    wander: Wobble,
    wander_share: f64,
    drift_n_per_s: f64,
    /// When, for how long (s), how high (N).
    knocks: Vec<(f64, f64, f64)>,
    flutter: Wobble,
    flutter_share: f64,
    tremor: Wobble,
    tremor_share: f64,
    seconds: f64,
    kind: Kind,
    /// What the sensor's chance starts from.
    sensor: (u64, u64),
}

impl Scene {
    /// Draws trace `number` of a kind.
    pub fn new(kind: Kind, seed: u64, number: u64) -> Scene {
        let mut chance = Chance::new(seed, kind as u64, number);
        let chance = &mut chance;
        let start = chance.within(1.3, 2.3) + if Scene::is_soiled(kind) { 0.8 } else { 0.0 };
        let touch = chance.within(0.5, 3.0);
        let mut at = start;
        let mut levels = vec![(f64::NEG_INFINITY, Scene::rest_n(kind, chance), 0.0)];
        if kind.has_contact() {
            levels.push((start, touch, 0.25));
            let wait = if kind == Kind::Contact { chance.ratio(1.0, 30.0) } else { chance.within(1.0, 4.0) };
            at += 0.3 + wait;
        }
        let mut efforts: Vec<Effort> = Vec::new();
        for effort in kind.efforts(chance) {
            let mut effort = Effort::new(effort, at, chance);
            match kind {
                Kind::Weak => effort.scale_to(chance.within(1.2, 4.0)),
                Kind::Countermovement => effort.dip(levels[0].1 * chance.within(0.15, 0.5), chance),
                _ if kind.has_contact() => effort.scale_to(effort.peak_n.max(4.0 * touch)),
                _ => {}
            }
            at = effort.over_s()
                + if kind.has_contact() { chance.within(1.5, 4.0) } else { chance.within(1.2, 3.0) };
            efforts.push(effort);
        }
        if kind.has_contact() {
            levels.push((at - 0.8, 0.0, 0.25));
        } else if let Some(last) = efforts.last().filter(|_| Scene::lets_go(kind, chance)) {
            levels.push((last.release_s, 0.0, last.over_s() - last.release_s));
        }
        Scene {
            seconds: if kind == Kind::Nobody { 60.0 } else { at + chance.within(0.2, 0.8) },
            knocks: Scene::knocks(kind, efforts.first().map_or(59.0, Effort::first_s), chance),
            efforts,
            levels,
            wander: Wobble::new(0.0, 1.0, chance),
            wander_share: Scene::wander_share(kind),
            drift_n_per_s: Scene::drift(kind, chance),
            flutter: Wobble::new(0.0, 3.0, chance),
            flutter_share: if matches!(kind, Kind::Tremor | Kind::Dirty) { 0.03 } else { 0.012 },
            tremor: Wobble::new(8.0, 12.0, chance),
            tremor_share: Scene::tremor_share(kind, chance),
            kind,
            sensor: (seed ^ 0x5eed, number),
        }
    }

    fn is_soiled(kind: Kind) -> bool {
        matches!(kind, Kind::Artefacts | Kind::Dirty | Kind::Nobody)
    }

    /// The level before anything happens, N.
    fn rest_n(kind: Kind, chance: &mut Chance) -> f64 {
        match kind {
            Kind::Pretension | Kind::Countermovement => chance.within(0.5, 4.0),
            Kind::Dirty => chance.within(0.0, 2.0),
            Kind::Nobody => chance.within(0.0, 3.0),
            _ => 0.0,
        }
    }

    /// Whether the level before goes with the effort.
    fn lets_go(kind: Kind, chance: &mut Chance) -> bool {
        match kind {
            Kind::Pretension | Kind::Countermovement => chance.count(0, 1) == 0,
            Kind::Dirty => true,
            _ => false,
        }
    }

    fn wander_share(kind: Kind) -> f64 {
        match kind {
            Kind::Pretension | Kind::Countermovement | Kind::Nobody => 0.04,
            Kind::Dirty => 0.05,
            _ if kind.has_contact() => 0.04,
            _ => 0.0,
        }
    }

    fn drift(kind: Kind, chance: &mut Chance) -> f64 {
        let most = match kind {
            Kind::Dirty => 0.1,
            Kind::Nobody => 0.05,
            _ => 0.01,
        };
        chance.within(-most, most)
    }

    fn tremor_share(kind: Kind, chance: &mut Chance) -> f64 {
        match kind {
            Kind::Tremor | Kind::Dirty => chance.within(0.015, 0.05),
            Kind::Weak => 0.02,
            _ => 0.006,
        }
    }

    fn knocks(kind: Kind, first_s: f64, chance: &mut Chance) -> Vec<(f64, f64, f64)> {
        let count = match kind {
            Kind::Artefacts | Kind::Dirty => chance.count(1, 2),
            Kind::Nobody => chance.count(2, 7),
            Kind::Three => 1,
            _ => 0,
        };
        let mut knocks = Vec::new();
        for _ in 0..count {
            let (long, high) = (chance.within(0.08, 0.3), chance.within(0.3, 1.5));
            let latest = first_s - 0.45 - long;
            if latest > 0.9 {
                knocks.push((chance.within(0.9, latest), long, high));
            }
        }
        knocks
    }

    /// Force at `count` times `step_s` apart, from `first_s` on, N.
    pub fn force(&self, first_s: f64, step_s: f64, count: usize) -> Vec<f64> {
        let flutter = self.flutter.even(first_s, step_s, count);
        let tremor = self.tremor.even(first_s, step_s, count);
        let wander =
            if self.wander_share > 0.0 { self.wander.even(first_s, step_s, count) } else { vec![0.0; count] };
        let at = |k: usize| {
            let t = first_s + k as f64 * step_s;
            let pull: f64 = self.efforts.iter().map(|effort| effort.force(t)).sum();
            let unsteady = 1.0 + self.flutter_share * flutter[k] + self.tremor_share * tremor[k];
            let level = self.level(t) * (1.0 + self.wander_share * wander[k]);
            pull * unsteady + level + self.knock(t) + self.drift_n_per_s * t
        };
        (0..count).map(at).collect()
    }

    fn level(&self, t: f64) -> f64 {
        let mut level = self.levels[0].1;
        for pair in self.levels.windows(2) {
            let (from_s, level_n, seconds) = pair[1];
            level += (level_n - pair[0].1) * Rise::MinimumJerk { seconds }.height(t - from_s);
        }
        level
    }

    fn knock(&self, t: f64) -> f64 {
        let one = |&(at, long, high): &(f64, f64, f64)| {
            let x = (t - at) / long;
            if (0.0..1.0).contains(&x) { 0.5 * high * (1.0 - libm::cos(TAU * x)) } else { 0.0 }
        };
        self.knocks.iter().map(one).sum()
    }

    /// Whether its efforts start from contact.
    pub fn has_contact(&self) -> bool {
        self.kind.has_contact()
    }

    /// How long it lasts, s.
    pub fn seconds(&self) -> f64 {
        self.seconds
    }

    /// What a sensor samples of it, with white noise of this standard deviation on every sample.
    pub fn sample(&self, rate_hz: u32, noise_n: f64) -> Vec<Sample> {
        let (seed, number) = self.sensor;
        let mut chance = Chance::new(seed, self.kind as u64 ^ (u64::from(rate_hz) << 8), number);
        let rate = f64::from(rate_hz);
        let count = (self.seconds * rate) as usize;
        let first_s = chance.within(0.0, 1.0 / rate);
        let mut force_n = self.force(first_s, 1.0 / rate, count);
        let hum_n = if self.kind == Kind::Dirty { 0.03 * 2.0_f64.sqrt() } else { 0.0 };
        let phase = chance.within(0.0, TAU);
        for (k, force) in force_n.iter_mut().enumerate() {
            let hum = hum_n * libm::sin(TAU * 50.0 * (k as f64 / rate) + phase);
            *force += hum + noise_n * chance.normal();
        }
        self.soil(&mut force_n, rate, &mut chance);
        let lost = self.lost(count, rate, &mut chance);
        let sample = |k: usize| Sample {
            index: k as u64,
            time_s: first_s + k as f64 / rate,
            force_n: force_n[k],
            saturated: false,
        };
        (0..count).filter(|k| !lost[*k]).map(sample).collect()
    }

    /// Spikes and coarse steps.
    fn soil(&self, force_n: &mut [f64], rate: f64, chance: &mut Chance) {
        let (spikes, step_n) = match self.kind {
            Kind::Artefacts => (chance.count(2, 5), 0.02),
            Kind::Dirty => (chance.count(2, 5), 0.05),
            Kind::Nobody => (chance.count(2, 7), 0.01),
            _ => return,
        };
        for _ in 0..spikes {
            let long = chance.count(1, libm::round(0.002 * rate).max(1.0) as u64) as usize;
            let high = chance.within(3.0, 30.0) * chance.choose(&[-1.0, 1.0]);
            let at = chance.count((0.7 * rate) as u64, force_n.len() as u64 - 2) as usize;
            force_n.iter_mut().skip(at).take(long).for_each(|force| *force += high);
        }
        for force in force_n {
            *force = libm::round(*force / step_n) * step_n;
        }
    }

    /// Which samples are lost: single ones, and short gaps.
    fn lost(&self, count: usize, rate: f64, chance: &mut Chance) -> Vec<bool> {
        let mut lost = vec![false; count];
        if !matches!(self.kind, Kind::Artefacts | Kind::Dirty) {
            return lost;
        }
        for lost in lost.iter_mut().skip(1) {
            *lost = chance.within(0.0, 1.0) < 0.003;
        }
        for _ in 0..chance.count(1, 3) {
            let (from, long) = (chance.within(0.7, self.seconds - 0.1), chance.within(0.01, 0.06));
            lost.iter_mut().skip((from * rate) as usize).take((long * rate) as usize).for_each(|l| *l = true);
        }
        lost
    }
}
