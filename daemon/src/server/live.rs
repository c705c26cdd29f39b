//! What every page is told, from one place: the acquiring thread puts it here and never waits for a page.
//!
//! Comes in: samples and [`View`]s, from one thread. Goes out: messages, each made for a page when it can take one, so
//! that a slow page misses what it could not have shown in time and nobody else notices. Forces N, times s.
//!
//! The trace is kept in bins of 10 ms (least and greatest force), the last 30 s of it; a page that comes or comes back is
//! given all of them. A page says with every frame that it draws which message was in it, and whether it can sound an
//! alarm: that is how the visit knows that somebody can be warned, and how long the way from the port to the screen is.

use super::guard::Role;
use super::metrics::Histogram;
use super::view::{Place, View};
use crate::clock::Clock;
use crate::pipeline::Block;
use crate::visit::plan::Sees;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::watch;

/// Length of a bin, s.
const BIN_S: f64 = 0.01;
/// Bins that are kept: 30 s.
const BINS: usize = 3000;
/// A stretch without samples this long is a hole in the trace, and no more than that of it is shown, s.
const HOLE_S: f64 = 0.1;
/// The pace is the slope over this, s.
const PACE_S: f64 = 0.5;
/// A page that confirmed within this time can warn, ns.
const CONFIRMED_NS: u64 = 600_000_000;
/// A page confirms with a message that is not older than this, ns.
const RECENT_NS: u64 = 300_000_000;
/// Messages whose confirmation is awaited, at most.
const AWAITED: usize = 64;

/// A bin: time, least and greatest force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Bin(f64, f32, f32);

/// What pages are made of.
struct Shared {
    /// The visit's: samples' arrivals are by it.
    clock: Arc<dyn Clock>,
    bins: VecDeque<Bin>,
    /// Number of the first bin kept.
    first: u64,
    /// Segment, and what is added to its times.
    segment: Option<(usize, u64)>,
    offset_s: f64,
    force_n: f32,
    arrival_ns: u64,
    /// What is measured, and the newest force of every channel of every sensor, with its arrival.
    place: Place,
    newest: BTreeMap<Place, (f32, u64)>,
    paced: bool,
    /// Examiner's, participant's.
    told: [Told; 2],
    number: u64,
}

/// What a role is told.
#[derive(Debug, Clone, Default)]
struct Told {
    /// The state (JSON).
    state: Arc<str>,
    /// What may be seen of the force now.
    sees: Option<Sees>,
    /// Number of the first bin after the last that was not to be seen: what was hidden when it came stays hidden.
    from: u64,
    /// Greatest force of the trial that was to be seen.
    peak_n: f32,
}

impl Told {
    fn sees_force(&self) -> bool {
        self.sees == Some(Sees::All)
    }
}

/// The one place.
pub struct Live {
    shared: Mutex<Shared>,
    changed: watch::Sender<u64>,
    confirmed_ns: AtomicU64,
    /// From the last byte's arrival to the message's being handed to the network.
    pub served: Histogram,
    /// From the last byte's arrival to the page's word that it is drawn.
    pub drawn: Histogram,
}

impl Live {
    /// Nothing yet, by this clock.
    pub fn new(clock: Arc<dyn Clock>) -> Arc<Live> {
        Arc::new(Live {
            shared: Mutex::new(Shared::new(clock)),
            changed: watch::Sender::new(0),
            confirmed_ns: AtomicU64::new(0),
            served: Histogram::default(),
            drawn: Histogram::default(),
        })
    }

    fn shared(&self) -> MutexGuard<'_, Shared> {
        // A panic elsewhere cannot leave it half changed in a way that matters: it is only shown.
        self.shared.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Samples came; what is measured is this.
    pub fn samples(&self, block: &Block, place: Place) {
        self.shared().samples(block, place);
    }

    /// A trial begins: its peak is nobody's yet.
    pub fn begin_trial(&self) {
        self.shared().told.iter_mut().for_each(|told| told.peak_n = 0.0);
    }

    /// A visit begins, by this clock: nothing is left of the one before.
    pub fn begin(&self, clock: &Arc<dyn Clock>) {
        self.confirmed_ns.store(0, Ordering::Relaxed);
        let mut shared = self.shared();
        let (told, number) = (shared.told.clone().map(|told| Told { peak_n: 0.0, ..told }), shared.number);
        // The bins' numbers go on, so that a page that is behind does not take old ones for new.
        let first = shared.first + shared.bins.len() as u64;
        *shared = Shared { told, number, first, ..Shared::new(Arc::clone(clock)) };
    }

    /// The view is another one.
    pub fn show(&self, view: &View) {
        let state = |role| {
            let text = serde_json::to_string(&view.state(role)).unwrap_or_default();
            (Arc::from(text), Some(view.sees(role)))
        };
        let states = [state(Role::Examiner), state(Role::Participant)];
        let mut shared = self.shared();
        for (told, (state, sees)) in shared.told.iter_mut().zip(states) {
            (told.state, told.sees) = (state, sees);
        }
        shared.paced = view.is_paced();
        shared.number += 1;
    }

    /// Wakes the pages.
    pub fn wake(&self) {
        self.changed.send_modify(|number| *number += 1);
    }

    /// To wait for.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.changed.subscribe()
    }

    fn now_ns(&self) -> u64 {
        self.shared().clock.monotonic_ns()
    }

    /// Some examiner's page has confirmed lately that it can warn.
    pub fn can_warn(&self) -> bool {
        let confirmed_ns = self.confirmed_ns.load(Ordering::Relaxed);
        confirmed_ns > 0 && self.now_ns().saturating_sub(confirmed_ns) < CONFIRMED_NS
    }
}

impl Shared {
    fn new(clock: Arc<dyn Clock>) -> Shared {
        Shared {
            clock,
            bins: VecDeque::new(),
            first: 0,
            segment: None,
            offset_s: 0.0,
            force_n: 0.0,
            arrival_ns: 0,
            place: (1, 1),
            newest: BTreeMap::new(),
            paced: false,
            told: Default::default(),
            number: 0,
        }
    }

    fn samples(&mut self, block: &Block, place: Place) {
        let channels = block.channels();
        let last = block.force_n.len().saturating_sub(channels);
        for (channel, force_n) in (1..).zip(block.force_n.iter().skip(last)) {
            self.newest.insert((block.sensor, channel), (*force_n, block.arrival_ns));
        }
        self.place = place;
        if block.sensor == place.0 {
            self.measured(block, place.1);
        }
    }

    /// The newest force of all channels but the one that is measured; none of a sensor that has become silent.
    fn beside(&self, now_ns: u64) -> Vec<(usize, usize, Option<f32>)> {
        let others = self.newest.iter().filter(|(place, _)| **place != self.place);
        let shown = |(place, (force_n, arrival_ns)): (&Place, &(f32, u64))| {
            let is_recent = now_ns.saturating_sub(*arrival_ns) < RECENT_NS;
            (place.0, place.1, is_recent.then_some(*force_n))
        };
        others.map(shown).collect()
    }

    fn measured(&mut self, block: &Block, channel: usize) {
        let segment = Some((block.sensor, block.placed.segment));
        let first_s = block.device_time_s.first().copied().unwrap_or(0.0);
        let last_s = self.bins.back().map_or(0.0, |bin| bin.0);
        if self.segment != segment || first_s + self.offset_s < last_s {
            self.segment = segment;
            self.offset_s = last_s + HOLE_S - first_s;
        }
        for (time_s, force_n) in block.device_time_s.iter().zip(&*block.channel_force_n(channel)) {
            self.push(time_s + self.offset_s, *force_n);
        }
        self.arrival_ns = block.arrival_ns;
        let end = self.first + self.bins.len() as u64;
        self.told.iter_mut().filter(|told| !told.sees_force()).for_each(|told| told.from = end);
    }

    fn push(&mut self, time_s: f64, force_n: f32) {
        let bin_s = libm::floor(time_s / BIN_S) * BIN_S;
        self.force_n = force_n;
        for told in self.told.iter_mut().filter(|told| told.sees_force()) {
            told.peak_n = told.peak_n.max(force_n);
        }
        match self.bins.back_mut() {
            Some(Bin(own_s, least, greatest)) if *own_s >= bin_s => {
                (*least, *greatest) = (least.min(force_n), greatest.max(force_n));
            }
            _ => {
                if self.bins.len() == BINS {
                    self.bins.pop_front();
                    self.first += 1;
                }
                self.bins.push_back(Bin(bin_s, force_n, force_n));
            }
        }
    }

    /// How fast the force grows, N/s: the slope of the line of least squares through the last half second.
    fn pace_n_per_s(&self) -> Option<f64> {
        let end_s = self.bins.back()?.0;
        let last: Vec<(f64, f64)> = self
            .bins
            .iter()
            .rev()
            .take_while(|bin| end_s - bin.0 < PACE_S)
            .map(|bin| (bin.0 - end_s, f64::from(bin.1 + bin.2) / 2.0))
            .collect();
        let n = last.len() as f64;
        let (mean_s, mean_n) =
            last.iter().fold((0.0, 0.0), |(s, f), (time_s, force_n)| (s + time_s / n, f + force_n / n));
        let (over, under) = last.iter().fold((0.0, 0.0), |(over, under), (time_s, force_n)| {
            (over + (time_s - mean_s) * (force_n - mean_n), under + (time_s - mean_s) * (time_s - mean_s))
        });
        (under > 0.0).then(|| over / under)
    }
}

/// A message to a page.
#[derive(Debug, Serialize)]
struct Message<'a> {
    number: u64,
    /// The page's own time of the last word that was heard from it, ms: nothing in this message is older than that word's
    /// journey and `age_ms`.
    #[serde(skip_serializing_if = "Option::is_none")]
    heard: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    state: Option<&'a serde_json::value::RawValue>,
    /// Number of the first bin in `bins`; a bin that is known already has grown.
    first: u64,
    bins: Vec<Bin>,
    force_n: Option<f32>,
    peak_n: Option<f32>,
    pace_n_per_s: Option<f64>,
    /// What is beside it: sensor, channel, force.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    beside: Vec<(usize, usize, Option<f32>)>,
    /// How long ago the newest sample arrived, ms; `None` none did.
    age_ms: Option<f64>,
}

/// What a page says.
#[derive(Debug, Deserialize)]
struct Word {
    /// Its own time, ms.
    now: f64,
    /// Number of the message that it drew last.
    drawn: u64,
    /// It can be seen and heard, or somebody muted it.
    warns: bool,
}

/// One page: how far it has been told.
#[derive(Debug)]
pub struct Page {
    role: Role,
    state: u64,
    bins: u64,
    number: u64,
    heard: Option<f64>,
    /// Number of a message, when it was sent, when its newest sample had arrived (0 none, or told before).
    awaited: VecDeque<(u64, u64, u64)>,
    told_arrival_ns: u64,
}

impl Page {
    /// A page that has been told nothing.
    pub fn new(role: Role) -> Page {
        Page { role, state: 0, bins: 0, number: 0, heard: None, awaited: VecDeque::new(), told_arrival_ns: 0 }
    }

    /// All that it does not know yet, as one message (JSON).
    pub fn message(&mut self, live: &Live) -> String {
        let at = usize::from(self.role == Role::Participant);
        let shared = live.shared();
        let now_ns = shared.clock.monotonic_ns();
        let Told { state, peak_n, from, .. } = shared.told[at].clone();
        let force = shared.told[at].sees_force();
        let first = self.bins.max(shared.first).max(from);
        let skip = usize::try_from(first - shared.first).unwrap_or(usize::MAX);
        let bins: Vec<Bin> =
            if force { shared.bins.iter().skip(skip).copied().collect() } else { Vec::new() };
        // The newest bin may grow: it is sent again.
        self.bins = (shared.first + shared.bins.len() as u64).saturating_sub(1).max(from);
        let arrival_ns = shared.arrival_ns;
        let any = arrival_ns > 0;
        let is_new = self.state != shared.number;
        self.state = shared.number;
        let force_n = shared.force_n;
        let pace_n_per_s = if force && shared.paced { shared.pace_n_per_s() } else { None };
        let beside = if force { shared.beside(now_ns) } else { Vec::new() };
        drop(shared);
        self.number += 1;
        if self.awaited.len() == AWAITED {
            self.awaited.pop_front();
        }
        let fresh_ns = if arrival_ns > self.told_arrival_ns { arrival_ns } else { 0 };
        self.told_arrival_ns = arrival_ns;
        self.awaited.push_back((self.number, now_ns, fresh_ns));
        if fresh_ns > 0 {
            live.served.add_ns(now_ns.saturating_sub(fresh_ns));
        }
        let state: Option<Box<serde_json::value::RawValue>> =
            is_new.then(|| serde_json::from_str(&state).ok()).flatten();
        let message = Message {
            number: self.number,
            heard: self.heard,
            state: state.as_deref(),
            first,
            bins,
            force_n: (force && any).then_some(force_n),
            peak_n: (force && any).then_some(peak_n),
            pace_n_per_s,
            beside,
            age_ms: any.then(|| now_ns.saturating_sub(arrival_ns) as f64 * 1e-6),
        };
        serde_json::to_string(&message).unwrap_or_default()
    }

    /// The page said something; what is no word of ours is left out.
    pub fn hear(&mut self, text: &str, live: &Live) {
        let Ok(word) = serde_json::from_str::<Word>(text) else { return };
        self.heard = Some(word.now);
        let now_ns = live.now_ns();
        while self.awaited.front().is_some_and(|(number, ..)| *number < word.drawn) {
            self.awaited.pop_front();
        }
        let Some((_, sent_ns, arrival_ns)) = self.awaited.front_mut().filter(|it| it.0 == word.drawn) else {
            return;
        };
        if *arrival_ns > 0 {
            live.drawn.add_ns(now_ns.saturating_sub(std::mem::take(arrival_ns)));
        }
        let recent = now_ns.saturating_sub(*sent_ns) < RECENT_NS;
        if recent && word.warns && self.role == Role::Examiner {
            live.confirmed_ns.store(now_ns, Ordering::Relaxed);
        }
    }
}

#[cfg(test)]
mod tests;
