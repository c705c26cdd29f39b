//! The state machine that cuts a trace into rest, contact and holds.
//!
//! Comes in: samples, N. Goes out: [`Event`]s. It moves in steps of 25 ms: nothing is decided on part of a step, so
//! the cut of the input into pieces cannot show. The precise times and forces of a hold are computed when it ends, from
//! the kept values.
//!
//! ```text
//! starting → quiet ⇄ armed → active → quiet
//! ```
//! *Quiet* is a steady level: zero, or contact. A pull that goes steady at a level low enough for contact puts the
//! finder back to quiet with the pull *undecided*: a larger effort that leaves this level shows that it was contact, a
//! fall from it that it was a weak hold.

use super::front::{Front, Taken};
use super::level::{Level, Steps};
use super::live::{Live, LiveState};
use super::pull::{Job, Pull};
use super::track::Track;
use super::{Event, Flag, Parameters, Sample, precise, wave};

/// What is kept from before a pull, s.
const BEFORE_S: f64 = 4.0;
/// A step, s.
const STEP_S: f64 = 0.025;
/// A known level is looked at again every so many steps.
const REFRESH: u64 = 8;
/// Force this long below its level has left it, s.
const FALLEN_S: f64 = 0.25;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Starting,
    Quiet,
    Armed,
    Active,
}

/// Finds holds in a stream of samples.
#[derive(Debug)]
pub struct Finder {
    parameters: Parameters,
    front: Front,
    track: Track,
    steps: Steps,
    step: u64,
    smoothed: u64,
    /// Values of the longest hold, and what is kept from before a pull.
    longest: u64,
    before: u64,
    next: u64,
    state: State,
    level: Option<Level>,
    /// Steps before this one are not of the present level.
    level_from: u64,
    zero_n: Option<f64>,
    contact: Option<Contact>,
    pull: Option<Pull>,
    undecided: Option<Pull>,
    fallen_since: Option<u64>,
    force_n: f64,
    /// Where measuring is put off, what is to be measured.
    put_off: Option<Vec<Job>>,
}

#[derive(Debug, Clone, Copy)]
struct Contact {
    since: u64,
    since_s: f64,
    told: bool,
}

impl Finder {
    /// A finder for samples `interval_s` apart.
    pub fn new(interval_s: f64, parameters: Parameters) -> Finder {
        let parameters = parameters.sanitised();
        let front = Front::new(interval_s, parameters.spike_s);
        let dt_s = front.dt_s();
        let kept_s = BEFORE_S * 2.0 + 120.0 + 2.0;
        Finder {
            track: Track::new(dt_s, (kept_s / dt_s) as usize + 4096),
            step: (libm::round(STEP_S / dt_s) as u64).max(1),
            smoothed: smoothed(&parameters, dt_s),
            longest: values_in(parameters.hold_max_s, dt_s),
            before: (BEFORE_S / dt_s) as u64,
            parameters,
            front,
            steps: Steps::new(),
            next: 0,
            state: State::Starting,
            level: None,
            level_from: 0,
            zero_n: None,
            contact: None,
            pull: None,
            undecided: None,
            fallen_since: None,
            force_n: 0.0,
            put_off: None,
        }
    }

    /// Puts measuring off: what ends is no event but waits to be taken by [`Finder::take_jobs`].
    pub(super) fn put_off(&mut self) {
        self.put_off = Some(Vec::new());
    }

    /// What has ended and waits to be measured, in order.
    pub(super) fn take_jobs(&mut self) -> Vec<Job> {
        self.put_off.as_mut().map(std::mem::take).unwrap_or_default()
    }

    /// Puts other parameters in force from the next sample.
    pub fn set_parameters(&mut self, parameters: Parameters) {
        let known = self.parameters.zero_known;
        self.parameters = parameters.sanitised();
        self.smoothed = smoothed(&self.parameters, self.front.dt_s());
        self.longest = self.values_in(self.parameters.hold_max_s);
        if self.parameters.zero_known && !known {
            self.zero_n = Some(0.0);
        }
    }

    /// Takes samples; what they show is appended to `out`.
    pub fn push(&mut self, samples: &[Sample], out: &mut Vec<Event>) {
        let mut rest = samples;
        while let Some(first) = rest.first() {
            let taken = if self.front.is_new() {
                if Front::is_usable(first) { Taken::AfterGap } else { Taken::Some(1) }
            } else {
                self.front.take(rest, self.parameters.bridge_max_s)
            };
            let count = match taken {
                Taken::Some(count) => count,
                Taken::AfterGap => {
                    self.interrupt(out);
                    self.next = self.front.begin(first);
                    self.track.restart(self.next);
                    self.level_from = self.next;
                    1
                }
            };
            rest = &rest[count..];
            self.catch_up(out);
        }
    }

    /// Takes forces one after the other, their times `interval_s` apart from 0 at index 0: the same as samples of them.
    pub(super) fn push_even(
        &mut self,
        first_index: u64,
        interval_s: f64,
        forces: &[f64],
        out: &mut Vec<Event>,
    ) {
        let (mut index, mut rest) = (first_index, forces);
        while let Some(&force_n) = rest.first() {
            let mut taken = self.front.take_even(index, interval_s, rest);
            if taken == 0 {
                let time_s = index as f64 * interval_s;
                self.push(&[Sample { index, time_s, force_n, saturated: false }], out);
                taken = 1;
            } else {
                self.catch_up(out);
            }
            index += taken as u64;
            rest = &rest[taken..];
        }
    }

    fn catch_up(&mut self, out: &mut Vec<Event>) {
        while self.hand_over(self.next + self.step, false) {
            self.advance(self.next + self.step, out);
        }
    }

    fn hand_over(&mut self, upto: u64, all: bool) -> bool {
        self.front.hand_over(&mut self.track, upto, self.parameters.spike_n, all)
    }

    /// The trace or segment has ended: what is open is reported as cut, and the next sample begins another trace.
    pub fn finish(&mut self, out: &mut Vec<Event>) {
        self.interrupt(out);
        self.front.restart();
        self.track.restart(0);
        self.next = 0;
    }

    /// What the finder sees now.
    pub fn live(&self) -> Live {
        let state = match self.state {
            State::Starting => LiveState::Starting,
            State::Quiet if self.contact.is_some() => LiveState::Contact,
            State::Quiet => LiveState::Rest,
            State::Armed => LiveState::Armed,
            State::Active => LiveState::Active,
        };
        let level_n = self.level.map(|level| level.force_n);
        Live { state, level_n, zero_n: self.zero_n, force_n: self.force_n }
    }

    /// Values that fit into the memory taken.
    #[cfg(test)]
    pub(super) fn room(&self) -> usize {
        self.track.room()
    }

    /// Ends everything at the end of the track: the trace ended, or too much is missing.
    fn interrupt(&mut self, out: &mut Vec<Event>) {
        self.front.close();
        while self.hand_over(self.next + self.step, true) {
            self.advance(self.next + self.step, out);
        }
        let end = self.track.end();
        if self.next < end {
            self.advance(end, out);
        }
        let open = match self.state {
            State::Active => self.pull.take(),
            _ => self.undecided.take(),
        };
        if let Some(pull) = open {
            let close = pull.low_since.unwrap_or(end);
            let flag = if pull.low_since.is_some() { None } else { Some(Flag::Cut) };
            self.report(&pull, close, flag, out);
        }
        self.forget_level(end);
        self.steps.interrupt();
        self.contact = None;
        self.pull = None;
        self.undecided = None;
        self.state = State::Starting;
    }

    /// Steps over the values up to `to`.
    fn advance(&mut self, to: u64, out: &mut Vec<Event>) {
        let from = self.next;
        self.next = to;
        self.steps.push(self.track.slice(from, to));
        if self.something_may_happen(from, to) {
            for position in from..to {
                let force = self.smooth(position);
                self.look(position, force, out);
            }
        }
        // Where measuring is put off, nobody looks.
        if self.put_off.is_none() {
            self.force_n = self.smooth(to.saturating_sub(1));
        }
        self.after_step(to, out);
        let needed = [&self.pull, &self.undecided].into_iter().flatten().map(|p| p.cross).min().unwrap_or(to);
        self.track.release(needed.min(to).saturating_sub(self.before));
    }

    /// Trailing mean over the smoothing time, N.
    fn smooth(&self, position: u64) -> f64 {
        let values = self.track.slice((position + 1).saturating_sub(self.smoothed), position + 1);
        values.iter().sum::<f64>() / values.len().max(1) as f64
    }

    /// Whether a smoothed value of the step could cross anything: the cheap test that most steps end with.
    fn something_may_happen(&self, from: u64, to: u64) -> bool {
        let (low, high) = self.seen(from, to);
        match (self.state, self.level) {
            (State::Active, _) => self.pull.as_ref().is_none_or(|pull| {
                pull.low_since.is_some() || low < self.end_level(pull) || to - pull.cross >= self.longest
            }),
            (State::Quiet, Some(level)) => {
                let rise = self.arming_rise(&level);
                let undecided = self
                    .undecided
                    .as_ref()
                    .is_some_and(|pull| pull.low_since.is_some() || low < self.end_level(pull));
                undecided
                    || self.fallen_since.is_some()
                    || high > level.force_n + rise
                    || low < level.force_n - rise
            }
            (State::Armed, _) => true,
            _ => self.undecided.is_some(),
        }
    }

    /// Least and greatest value that the smoothed force of a step is made of, or a wider range.
    fn seen(&self, from: u64, to: u64) -> (f64, f64) {
        if self.smoothed <= self.step + 1 {
            return self.steps.range();
        }
        wave::range(self.track.slice((from + 1).saturating_sub(self.smoothed), to))
    }

    fn arming_rise(&self, level: &Level) -> f64 {
        self.parameters.arm_n.max(self.parameters.arm_sd * level.sd_n)
    }

    /// Below this a pull is over, N.
    fn end_level(&self, pull: &Pull) -> f64 {
        let least = 0.5 * self.arming_rise(&pull.base);
        pull.base.force_n + least.max(self.parameters.end_share * (pull.top_n - pull.base.force_n))
    }

    fn values_in(&self, seconds: f64) -> u64 {
        values_in(seconds, self.track.dt_s())
    }

    /// One smoothed value.
    fn look(&mut self, position: u64, force: f64, out: &mut Vec<Event>) {
        match self.state {
            State::Starting => self.watch_undecided(position, force, out),
            State::Quiet => {
                self.watch_undecided(position, force, out);
                self.watch_level(position, force, out);
            }
            State::Armed => self.watch_armed(position, force, out),
            State::Active => self.watch_active(position, force, out),
        }
    }

    fn watch_level(&mut self, position: u64, force: f64, out: &mut Vec<Event>) {
        let Some(level) = self.level else { return };
        let rise = self.arming_rise(&level);
        if force > level.force_n + rise {
            self.arm(position, level, out);
        } else if force < level.force_n - rise {
            let since = *self.fallen_since.get_or_insert(position);
            if position - since >= self.values_in(FALLEN_S) {
                self.forget_level(since + self.values_in(0.1));
            }
        } else {
            self.fallen_since = None;
        }
    }

    fn arm(&mut self, position: u64, level: Level, out: &mut Vec<Event>) {
        let zero_n = self.zero_n.unwrap_or(level.force_n);
        self.pull = Some(Pull {
            cross: position,
            earliest: self.level_from.max(self.track.start()),
            base: level,
            zero_n,
            contact_s: self.contact.map(|contact| contact.since_s),
            late: position.saturating_sub(self.level_from) < self.values_in(0.75),
            top_n: level.force_n,
            steepest: 0.0,
            low_since: None,
        });
        self.fallen_since = None;
        self.state = State::Armed;
        out.push(Event::Armed { time_s: self.track.time_s(position as f64) });
    }

    fn watch_armed(&mut self, position: u64, force: f64, out: &mut Vec<Event>) {
        let Some(pull) = &self.pull else { return };
        let (base, cross) = (pull.base, pull.cross);
        let rise = self.arming_rise(&base);
        if force < base.force_n + self.parameters.arm_hysteresis * rise {
            self.pull = None;
            self.state = State::Quiet;
            out.push(Event::Dismissed);
        } else if position - cross >= self.values_in(self.parameters.confirm_min_s)
            && force - base.force_n >= self.confirming_rise(pull)
        {
            self.confirm(out);
        } else if position - cross > self.values_in(self.parameters.settle_max_s) {
            self.settle(position.saturating_sub(self.values_in(0.5)));
            out.push(Event::Dismissed);
        }
    }

    /// A rise that confirms; out of a level that may be a weak hold it must be a larger effort.
    fn confirming_rise(&self, pull: &Pull) -> f64 {
        let least = self.parameters.confirm_n.max(self.parameters.confirm_sd * pull.base.sd_n);
        if self.undecided.is_none() {
            return least;
        }
        least.max(self.parameters.confirm_share * (pull.base.force_n - pull.zero_n))
    }

    fn confirm(&mut self, out: &mut Vec<Event>) {
        if self.undecided.take().is_some() {
            out.push(Event::Dismissed);
        }
        self.state = State::Active;
        // Where measuring is put off, nobody waits for a first estimate.
        if let Some(pull) = self.pull.as_ref().filter(|_| self.put_off.is_none()) {
            let onset = precise::onset_so_far(&self.track, pull, self.next);
            out.push(Event::Confirmed { onset_s: self.track.time_s(onset) });
        }
    }

    fn watch_active(&mut self, position: u64, force: f64, out: &mut Vec<Event>) {
        let Some(pull) = &self.pull else { return };
        let end_level = self.end_level(pull);
        let low_since = if force < end_level { pull.low_since.or(Some(position)) } else { None };
        let ended = low_since.filter(|since| position - since >= self.values_in(self.parameters.end_min_s));
        let too_long = position - pull.cross >= self.longest;
        if let Some(pull) = &mut self.pull {
            pull.low_since = low_since;
        }
        if let Some(close) = ended {
            self.end(close, None, out);
        } else if too_long {
            self.end(position, Some(Flag::TooLong), out);
        }
    }

    /// An undecided pull ends when force falls from it; after too long it can only be contact.
    fn watch_undecided(&mut self, position: u64, force: f64, out: &mut Vec<Event>) {
        let Some(pull) = &self.undecided else { return };
        let low = force < self.end_level(pull);
        let low_since = if low { pull.low_since.or(Some(position)) } else { None };
        let ended = low_since.filter(|since| position - since >= self.values_in(self.parameters.end_min_s));
        if let Some(close) = ended {
            if let Some(pull) = self.undecided.take() {
                self.report(&pull, close, None, out);
                self.return_to_level(&pull, close);
            }
        } else if let Some(pull) = &mut self.undecided {
            pull.low_since = low_since;
        }
    }

    /// The active pull is over.
    fn end(&mut self, close: u64, flag: Option<Flag>, out: &mut Vec<Event>) {
        let Some(pull) = self.pull.take() else { return };
        self.report(&pull, close, flag, out);
        self.return_to_level(&pull, close);
    }

    /// Measures a pull that ended at `close`, or puts that off.
    fn report(&mut self, pull: &Pull, close: u64, flag: Option<Flag>, out: &mut Vec<Event>) {
        let before = (precise::BEFORE_S / self.track.dt_s()) as u64;
        let job = Job {
            track: self.track.excerpt(pull.cross.saturating_sub(before), self.next),
            grid: self.front.grid(),
            pull: pull.clone(),
            close,
            flag,
            parameters: self.parameters.clone(),
        };
        match &mut self.put_off {
            Some(jobs) => jobs.push(job),
            None => out.push(Event::Ended(Box::new(precise::measure(&job)))),
        }
    }

    /// After a pull: back at its old level that level holds on, otherwise it is learned anew.
    fn return_to_level(&mut self, pull: &Pull, close: u64) {
        let from = close + self.values_in(0.1);
        self.forget_level(from);
        let recent = self.track.slice(self.next.saturating_sub(self.values_in(0.1)), self.next);
        let now = recent.iter().sum::<f64>() / recent.len().max(1) as f64;
        if (now - pull.base.force_n).abs() < self.arming_rise(&pull.base) {
            self.level = Some(pull.base);
            self.state = State::Quiet;
            let since_s = self.track.time_s(close as f64);
            self.contact = pull.contact_s.map(|_| Contact { since: close, since_s, told: false });
        } else {
            self.contact = None;
        }
    }

    /// The level is not known; steps from `position` on will tell.
    fn forget_level(&mut self, position: u64) {
        self.level = None;
        self.level_from = position;
        self.fallen_since = None;
        self.state = State::Starting;
    }

    /// What was armed or active has become steady: a new level, from `since` on.
    fn settle(&mut self, since: u64) {
        let was_active = self.state == State::Active;
        let pull = self.pull.take();
        if was_active && self.undecided.is_none() {
            self.undecided = pull;
        }
        self.forget_level(since);
    }

    /// What is judged once a step: levels, contact, plateaus.
    fn after_step(&mut self, now: u64, out: &mut Vec<Event>) {
        let mean = self.steps.mean(0);
        let rise_s = 4.0 * self.step as f64 * self.track.dt_s();
        let steepness = if self.steps.count() > 4 { (mean - self.steps.mean(4)) / rise_s } else { 0.0 };
        for pull in [&mut self.pull, &mut self.undecided].into_iter().flatten() {
            pull.top_n = pull.top_n.max(mean);
            pull.steepest = pull.steepest.max(steepness);
        }
        match self.state {
            State::Starting | State::Quiet => self.refresh_level(now, out),
            State::Armed | State::Active => self.watch_plateau(now),
        }
        if self.undecided.as_ref().is_some_and(|pull| now - pull.cross > self.longest) {
            self.undecided = None;
        }
    }

    fn refresh_level(&mut self, now: u64, out: &mut Vec<Event>) {
        if self.state == State::Quiet && !self.steps.count().is_multiple_of(REFRESH) {
            return;
        }
        let step_s = self.step as f64 * self.track.dt_s();
        let window = (libm::round(self.parameters.rest_window_s / step_s) as u64).clamp(4, 80);
        let guard = (libm::round(self.parameters.rest_guard_s / step_s) as u64).clamp(0, 40);
        let seen = now.saturating_sub(self.level_from) / self.step;
        let usable = seen.min(self.steps.count()).saturating_sub(guard).min(window);
        if (usable as f64) * step_s < 0.2 - 1e-9 {
            return;
        }
        let level = self.steps.level(guard, usable, self.smoothed as usize, self.parameters.noise_floor_n);
        if self.state == State::Quiet && self.fallen_since.is_some() {
            return;
        }
        self.level = Some(level);
        self.state = State::Quiet;
        self.place_zero(&level, step_s);
        self.judge_contact(&level, now, out);
    }

    /// Zero is the tare, or follows the level where that is not contact.
    fn place_zero(&mut self, level: &Level, step_s: f64) {
        if self.parameters.zero_known {
            self.zero_n = Some(0.0);
            return;
        }
        let zero = self.zero_n.unwrap_or(level.force_n);
        let above = level.force_n - zero;
        let most = self.parameters.zero_creep_n_per_s * step_s * REFRESH as f64;
        let least = self.parameters.contact_min_n;
        self.zero_n = Some(if above < -least {
            level.force_n
        } else if self.contact.is_none() && self.undecided.is_none() {
            zero + above.clamp(-most, most)
        } else {
            zero
        });
    }

    fn judge_contact(&mut self, level: &Level, now: u64, out: &mut Vec<Event>) {
        let above = level.force_n - self.zero_n.unwrap_or(level.force_n);
        let least = self.parameters.contact_min_n;
        if above < if self.contact.is_some() { 0.7 * least } else { least } {
            self.contact = None;
            return;
        }
        let since = self.level_from;
        let since_s = self.track.time_s(since as f64);
        let contact = self.contact.get_or_insert(Contact { since, since_s, told: false });
        let long =
            now.saturating_sub(contact.since) as f64 * self.track.dt_s() >= self.parameters.contact_min_s;
        if long && !contact.told {
            contact.told = true;
            out.push(Event::Contact { since_s: contact.since_s, level_n: above });
        }
    }

    /// Force that rose and then stays: contact, if low enough; or a fall to a contact well below the peak.
    fn watch_plateau(&mut self, now: u64) {
        let Some(pull) = &self.pull else { return };
        let slack = 1.0 + self.parameters.contact_ceiling_slack;
        if pull.top_n > pull.zero_n + self.parameters.contact_ceiling() * slack {
            return;
        }
        let step_s = self.step as f64 * self.track.dt_s();
        // Five parts of 0.1 s by default.
        let part = ((0.2 * self.parameters.contact_min_s / step_s) as u64).clamp(1, 24);
        if now.saturating_sub(pull.cross) < 5 * part * self.step || self.steps.count() < 5 * part {
            return;
        }
        let parts = [0, 1, 2, 3, 4].map(|k| self.steps.mean_of(k * part, part));
        let high = parts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = parts.iter().copied().fold(f64::INFINITY, f64::min);
        let most = self.parameters.contact_slope_share * pull.steepest * 2.5 * part as f64 * step_s;
        if high - low <= most {
            self.settle(now - 5 * part * self.step);
        }
    }
}

fn values_in(seconds: f64, dt_s: f64) -> u64 {
    libm::round(seconds / dt_s) as u64
}

/// Values of a smoothed one: enough to tame noise where values are few.
fn smoothed(parameters: &Parameters, dt_s: f64) -> u64 {
    values_in(parameters.smoothing_s, dt_s).max(3)
}
