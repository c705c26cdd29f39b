//! Scores the hold finder against drawn traces whose truth is known.
//!
//! Comes in: a seed, a number of traces, rates in Hz. Goes out: errors (ms, %) and counts of every kind of trace, the
//! targets beside them, and the page of documentation they are published on.

pub mod chance;
pub mod effort;
pub mod figure;
pub mod find;
pub mod kind;
pub mod page;

pub mod scene;
pub mod table;
pub mod targets;
pub mod truth;

use analysis::holds::{Flag, Hold};
use figure::Figure;
use find::{Found, Job};
use kind::Kind;
use scene::Scene;
use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use truth::Truth;

/// Rates that are scored, Hz: a slow converter, a fast one, an amplifier, an oversampling amplifier.
pub const RATES_HZ: [u32; 4] = [80, 320, 1000, 10_000];
/// White noise on every sample, N.
pub const NOISE_N: f64 = 0.05;
/// A break found further than this from the true one is another, s.
const SAME_BREAK_S: f64 = 0.15;

/// What is run.
#[derive(Debug, Clone, Copy)]
pub struct Run<'a> {
    /// Where chance starts.
    pub seed: u64,
    /// Traces of each kind. (Of [`Kind::Nobody`], which lasts a minute, a quarter.)
    pub count: u64,
    /// Rates, Hz.
    pub rates_hz: &'a [u32],
    /// Noise on every sample, N.
    pub noise_n: f64,
}

/// The score of one kind of trace at one rate.
#[derive(Debug, Clone)]
pub struct Row {
    /// The kind.
    pub kind: Kind,
    /// The rate, Hz.
    pub rate_hz: u32,
    /// The score.
    pub score: Score,
}

/// The errors of one kind of trace at one rate.
#[derive(Debug, Default, Clone)]
pub struct Score {
    /// Length of the traces, s.
    pub seconds: f64,
    /// True efforts.
    pub efforts: usize,
    /// Of which not found.
    pub missed: usize,
    /// Holds that are no effort.
    pub false_holds: usize,
    /// True breaks.
    pub breaks: usize,
    /// Of which found.
    pub breaks_found: usize,
    /// Efforts found that did not break.
    pub unbroken: usize,
    /// Of which called broken, or possibly yielded.
    pub false_breaks: usize,
    /// Errors by figure.
    pub errors: BTreeMap<Figure, Vec<f64>>,
}

impl Score {
    /// Takes the holds of a trace: each effort has the hold that overlaps it most. Gives the onset error of each
    /// effort, ms.
    fn take(&mut self, truths: &[Truth], found: &Found) -> Vec<Option<f64>> {
        let mut free: Vec<&Hold> = found.holds.iter().collect();
        let mut onsets = Vec::new();
        for truth in truths {
            self.efforts += 1;
            let overlap = |hold: &Hold| {
                hold.end_s.unwrap_or(f64::INFINITY).min(truth.over_s) - hold.onset_s.max(truth.onset_s)
            };
            let best = (0..free.len()).max_by(|&a, &b| overlap(free[a]).total_cmp(&overlap(free[b])));
            let best = best.filter(|&k| overlap(free[k]) > 0.0);
            self.missed += usize::from(best.is_none());
            onsets.push(best.map(|k| {
                let hold = free.swap_remove(k);
                self.add(truth, hold);
                1e3 * (hold.onset_s - truth.onset_s)
            }));
            let confirmed = found.confirmed_s.iter().find(|at| (truth.onset_s..truth.over_s).contains(at));
            self.put(Figure::Latency, confirmed.map(|at| 1e3 * (at - truth.onset_s)));
        }
        self.false_holds += free.len();
        onsets
    }

    fn put(&mut self, figure: Figure, error: Option<f64>) {
        self.errors.entry(figure).or_default().extend(error);
    }

    fn add(&mut self, truth: &Truth, hold: &Hold) {
        for figure in Figure::OF_A_HOLD {
            self.put(figure, figure.error(truth, hold));
        }
        let Some(break_s) = truth.break_s else {
            self.unbroken += 1;
            let called = hold.break_s.is_some() || hold.flags.contains(&Flag::PossibleYield);
            self.false_breaks += usize::from(called);
            return;
        };
        self.breaks += 1;
        if hold.break_s.is_some_and(|found| (found - break_s).abs() < SAME_BREAK_S) {
            self.breaks_found += 1;
            for figure in Figure::OF_A_BREAK {
                self.put(figure, figure.error(truth, hold));
            }
        }
    }

    /// Mean of a figure's errors, and the value that 95 % of their absolute values are within.
    pub fn figure(&self, figure: Figure) -> Option<(f64, f64)> {
        let errors = self.errors.get(&figure).filter(|errors| !errors.is_empty())?;
        let mut absolute: Vec<f64> = errors.iter().map(|error| error.abs()).collect();
        absolute.sort_unstable_by(f64::total_cmp);
        let place = 0.95 * (absolute.len() - 1) as f64;
        let (low, high) = (place as usize, (place as usize + 1).min(absolute.len() - 1));
        let within = absolute[low] + (place - low as f64) * (absolute[high] - absolute[low]);
        Some((errors.iter().sum::<f64>() / errors.len() as f64, within))
    }
}

/// Scores a finder on one kind of trace: a row a rate.
pub fn score(run: &Run, kind: Kind, find: &find::Find) -> Vec<Row> {
    let empty = |rate_hz: &u32| Row { kind, rate_hz: *rate_hz, score: Score::default() };
    let mut rows: Vec<Row> = run.rates_hz.iter().map(empty).collect();
    let parameters = kind.parameters();
    for number in 0..run.count {
        let scene = Scene::new(kind, run.seed, number);
        let truths = truth::of(&scene);
        let mut at_1_khz = vec![None; truths.len()];
        for Row { rate_hz, score, .. } in &mut rows {
            let samples = scene.sample(*rate_hz, run.noise_n);
            let interval_s = 1.0 / f64::from(*rate_hz);
            let found = find(&Job { samples: &samples, interval_s, parameters: &parameters });
            let onsets = score.take(&truths, &found);
            score.seconds += scene.seconds();
            match *rate_hz {
                1000 => at_1_khz = onsets,
                10_000 => {
                    let pairs = onsets.iter().zip(&at_1_khz);
                    let between = pairs.filter_map(|(fast, slow)| Some((*fast)? - (*slow)?));
                    score.errors.entry(Figure::OnsetBetweenRates).or_default().extend(between);
                }
                _ => {}
            }
        }
    }
    rows
}

/// Scores a finder on several kinds of traces, in order; the work is shared among the processors.
pub fn score_all(run: &Run, kinds: &[Kind], find: &(dyn Fn(&Job) -> Found + Sync)) -> Vec<Row> {
    let (next, done) = (AtomicUsize::new(0), Mutex::new(BTreeMap::new()));
    let work = || {
        while let Some(&kind) = kinds.get(next.fetch_add(1, Ordering::Relaxed)) {
            let rows = score(run, kind, find);
            done.lock().unwrap().insert(kind, rows);
        }
    };
    std::thread::scope(|scope| {
        for _ in 0..std::thread::available_parallelism().map_or(1, usize::from) {
            scope.spawn(work);
        }
    });
    done.into_inner().unwrap().into_values().flatten().collect()
}
