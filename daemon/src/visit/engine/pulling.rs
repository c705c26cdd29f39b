//! The open window: cue, count, cap, and what becomes of the hold in it.

use super::{Cue, Effect, LET_GO_S, State, TrialResult, Visit, WINDOW_S, ends_item};
use crate::visit::cap::WARN_SHARE;
use crate::visit::plan::{ATTEMPTS_MAX, Procedure};
use crate::visit::results::{objections, outcome};
use analysis::holds::{Hold, Kind, Parameters, Profile};
use analysis::trial::{Outcome, Test};

/// An open window. Times are of the visit's clock, s.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pull {
    /// Item, from 0.
    pub item: usize,
    /// When it opened.
    pub cue_s: f64,
    /// It opened on contact, so losing contact closes it.
    pub on_contact: bool,
    /// The last count said.
    pub counted: u32,
    /// A pull may be going on.
    pub pulling: bool,
    /// It should be over, and that was said.
    pub reminded: bool,
    /// The cap was neared, reached.
    pub warned: bool,
    /// The cap was reached.
    pub capped: bool,
    /// Another channel reached its cap, and is not let go of yet.
    pub beside: bool,
    /// Somebody stopped it, and how it ends then.
    pub stopped: Option<(Outcome, String)>,
    /// Pain that was said.
    pub pain: Option<f64>,
    /// It is to get used to the task, and not scored.
    pub familiarisation: bool,
    /// Lower and upper end of the target's band, N.
    pub band_n: Option<(f64, f64)>,
    /// Samples in the band, and at or above half of its lower end.
    pub in_band: (u64, u64),
}

/// Why a pull to get used to the task does not count.
const FAMILIARISATION: &str = "familiarisation: not scored";

/// An onset this long before the cue is early at the least, and at the most, whatever its uncertainty, s.
const EARLY_S: (f64, f64) = (0.1, 0.25);

impl Pull {
    /// Counts a sample for the time in the band: from when the force is near it.
    pub fn count_band(&mut self, force_n: f64) {
        let Some((low_n, high_n)) = self.band_n else { return };
        if force_n >= 0.5 * low_n {
            self.in_band.1 += 1;
            self.in_band.0 += u64::from((low_n..=high_n).contains(&force_n));
        }
    }
}

impl Visit {
    /// Opens the window.
    pub(super) fn cue(&mut self, at: usize, on_contact: bool, out: &mut Vec<Effect>) {
        // The gate may have been answered anew, a make called invalid, since this item was chosen.
        if self.barred(at).is_some() {
            return self.go_on(out);
        }
        if !self.may_be_warned(out) {
            if !matches!(self.state, State::Ready { item, .. } if item == at) {
                self.state = State::Ready { item: at, since_s: self.now_s, helped: true };
            }
            return;
        }
        let Some((plan, item)) = self.plan.as_ref().zip(self.planned(at)) else { return };
        let best_n = self.results.best_n(item.muscle, Test::Make);
        let band_n = item.target_percent.zip(best_n).map(|(percent, best_n)| {
            let (target_n, half) = (percent / 100.0 * best_n, item.band_percent.unwrap_or(5.0) / 100.0);
            (target_n * (1.0 - half), target_n * (1.0 + half))
        });
        let familiarisation = self.results.unfamiliar(item, at) > 0;
        out.push(Effect::Cue(Cue {
            item: (at + 1, plan.items.len()),
            trial: (self.results.valid(at) + 1, item.trials.max(self.results.valid(at) + 1)),
            familiarisation,
            muscle: item.muscle,
            test: item.test,
            hold_s: item.hold_s,
            cap_n: self.cap_n(at),
            band_n,
            expected_n: best_n,
            pace_n_per_s: self.pace_n_per_s(at),
        }));
        let counted = if plan.procedure == Procedure::Examined { item.count } else { 0 };
        if counted > 0 {
            out.push(Effect::Count(counted));
        }
        self.unanswered = None;
        self.state = State::Pulling(Pull {
            item: at,
            cue_s: self.now_s,
            on_contact,
            counted,
            pulling: false,
            reminded: false,
            warned: false,
            capped: false,
            beside: false,
            stopped: None,
            pain: None,
            familiarisation,
            band_n,
            in_band: (0, 0),
        });
    }

    /// Time has passed in an open window.
    pub(super) fn pass_pull(&mut self, mut pull: Pull, out: &mut Vec<Effect>) {
        let item = pull.item;
        let passed_s = self.now_s - pull.cue_s;
        let count = self.planned(item).map_or(0, |item| item.count);
        let counts = pull.stopped.is_none() && !pull.capped;
        while counts && pull.counted > 0 && passed_s >= f64::from(count - pull.counted + 1) {
            pull.counted -= 1;
            out.push(Effect::Count(pull.counted));
        }
        if pull.pulling || pull.beside {
            let lasts_s = self.planned(item).map_or(0.0, |item| item.hold_s.max(f64::from(item.count)));
            if !pull.reminded && passed_s >= WINDOW_S + lasts_s + LET_GO_S {
                pull.reminded = true;
                out.push(Effect::Say(
                    "this pull is not over for the sensor: let go of it for a moment".to_owned(),
                ));
            }
            self.state = State::Pulling(pull);
            return;
        }
        if pull.stopped.is_some() {
            self.halt_without_hold(&pull, out);
        } else if pull.on_contact && self.contact.is_lost() {
            out.push(Effect::Say("contact lost before a pull: not an attempt".to_owned()));
            self.begin_again(item, pull.capped, out);
        } else if passed_s >= WINDOW_S {
            let least_n = Parameters::new(
                self.planned(item).map_or(Profile::Standard, |item| self.results.profile(item)),
                Test::Free,
            );
            let mut result = self.attempt(&pull, Outcome::BelowMeasurable);
            result.below_n = Some(least_n.hold_min_n);
            self.conclude(&pull, result, self.now_s, out);
        } else {
            self.state = State::Pulling(pull);
        }
    }

    /// The finder sees a pull begin, or come to nothing.
    pub(super) fn pulling(&mut self, pulling: bool, out: &mut Vec<Effect>) {
        let State::Pulling(pull) = &mut self.state else { return };
        pull.pulling = pulling;
        if !pulling && pull.stopped.is_some() {
            let pull = pull.clone();
            self.halt_without_hold(&pull, out);
        }
    }

    /// Stopped, and no hold came of it.
    pub(super) fn halt_without_hold(&mut self, pull: &Pull, out: &mut Vec<Effect>) {
        out.push(Effect::Say("stopped before a pull: not an attempt".to_owned()));
        match &pull.stopped {
            Some((Outcome::PainLimited, _)) => self.end_for_pain(pull.item, None, out),
            Some((_, why)) => {
                self.observe(Some(pull.item), "text", &format!("stopped before a pull: {why}"), "", out);
            }
            None => {}
        }
        if pull.capped {
            self.close(pull.item, "the cap was reached", out);
        }
        self.state = State::Halted { item: pull.item, pulled: true };
    }

    /// The unsmoothed force against the cap, whatever the finder sees.
    pub(super) fn watch_cap(&mut self, force_n: f64, out: &mut Vec<Effect>) {
        let State::Pulling(pull) = &self.state else { return };
        let Some(cap_n) = self.cap_n(pull.item) else { return };
        let State::Pulling(pull) = &mut self.state else { return };
        if force_n >= WARN_SHARE * cap_n && !pull.warned {
            pull.warned = true;
            out.push(Effect::Cap(false, force_n, cap_n));
        }
        if force_n >= cap_n && !pull.capped {
            pull.capped = true;
            out.push(Effect::Cap(true, force_n, cap_n));
        }
    }

    /// The same for the other channels of the sensor, while somebody pulls: the wrong digit may be pulled, or another one with
    /// it. Each has the cap of what the plan measures there; where it measures nothing, that of the item that is on, because
    /// the force may go past the channel that is meant. It stops the pull, and says nothing of the muscle that is tested.
    pub(super) fn watch_beside(&mut self, forces: &[(usize, f64)], out: &mut Vec<Effect>) {
        let State::Pulling(Pull { item, .. }) = self.state else { return };
        let Some(own_n) = self.cap_n(item) else { return };
        let sensor = self.place().0;
        let with_cap = |(channel, force_n): &(usize, f64)| {
            Some((*channel, *force_n, self.cap_of_place((sensor, *channel), own_n)?))
        };
        let nearest = forces.iter().filter_map(with_cap).max_by(|a, b| (a.1 / a.2).total_cmp(&(b.1 / b.2)));
        let Some((channel, force_n, cap_n)) = nearest else { return };
        let State::Pulling(pull) = &mut self.state else { return };
        let (near, reached) = (force_n >= WARN_SHARE * cap_n, force_n >= cap_n);
        if near && !pull.warned {
            pull.warned = true;
            out.push(Effect::Cap(false, force_n, cap_n));
        }
        if reached && !pull.beside {
            out.push(Effect::Cap(true, force_n, cap_n));
            out.push(Effect::Say(format!("STOP: let go slowly; channel {channel} is at its cap")));
            let why = format!("channel {channel} reached its cap of {cap_n:.1} N");
            pull.stopped.get_or_insert((Outcome::Stopped, why));
        }
        pull.beside = reached || pull.beside && near;
    }

    /// The greatest cap of what is measured there, N; `None` where its own effort is the limit.
    fn cap_of_place(&self, place: (usize, usize), else_n: f64) -> Option<f64> {
        let items = self.plan.iter().flat_map(|plan| plan.items.iter().enumerate());
        let there: Vec<usize> =
            items.filter(|(_, item)| item.is_loaded() && item.place() == place).map(|(at, _)| at).collect();
        match there[..] {
            [] => Some(else_n),
            _ => there.into_iter().filter_map(|at| self.cap_n(at)).reduce(f64::max),
        }
    }

    /// A hold or touch ended.
    pub(super) fn ended(&mut self, segment: u64, hold: &Hold, out: &mut Vec<Effect>) {
        let State::Pulling(mut pull) = self.state.clone() else { return self.unassigned(hold, out) };
        pull.pulling = false;
        let onset_s = hold.onset_s + self.offset_s;
        let end_s = hold.end_s.map_or(self.now_s, |end_s| end_s + self.offset_s);
        // An onset is an estimate: what seems early by less than its own uncertainty is not.
        let unsure_s = hold.onset_sd_s.map_or(EARLY_S.0, |sd_s| (2.0 * sd_s).clamp(EARLY_S.0, EARLY_S.1));
        let early = onset_s + unsure_s < pull.cue_s;
        let examined = self.procedure() == Procedure::Examined;
        // Who pulls before the cue and through it has spent an attempt; a touch, or what was over before, has not.
        let ours =
            segment == self.segment && hold.kind == Kind::Hold && (!early || examined && end_s > pull.cue_s);
        let Some(item) = self.planned(pull.item).filter(|_| ours) else {
            self.state = State::Pulling(pull);
            return self.unassigned(hold, out);
        };
        let shape = outcome(item.test, hold, pull.capped);
        let mut why = objections(item, hold, shape);
        if early {
            why.push("began before the cue".to_owned());
        }
        let (ended, said) = pull.stopped.clone().unwrap_or((shape, String::new()));
        if !said.is_empty() {
            why.push(said);
        }
        let mut result = self.attempt(&pull, ended);
        result.peak_zero_n = Some(hold.peak_zero_n);
        if !pull.familiarisation {
            result.why_not = why.join("; ");
            result.valid = result.why_not.is_empty();
        }
        self.conclude(&pull, result, end_s, out);
    }

    pub(super) fn unassigned(&mut self, hold: &Hold, out: &mut Vec<Effect>) {
        let planned = self.plan.is_some();
        let test = self.current().and_then(|at| self.planned(at)).map_or(Test::Free, |item| item.test);
        let why_not = if planned { "outside every trial's window".to_owned() } else { String::new() };
        self.ids += 1;
        let peak_zero_n = Some(hold.peak_zero_n);
        let id = self.ids;
        out.push(Effect::Result(TrialResult { id, why_not, peak_zero_n, ..TrialResult::unassigned(test) }));
    }

    fn attempt(&mut self, pull: &Pull, outcome: Outcome) -> TrialResult {
        self.ids += 1;
        let item = self.planned(pull.item);
        let (muscle, test) = item.map_or((None, Test::Free), |item| (Some(item.muscle), item.test));
        // Only within one segment is the length of a rest known; over a hole it was at least what the clock saw.
        let here =
            |muscle| self.rest_segment.iter().any(|(it, segment)| *it == muscle && *segment == self.segment);
        let rested_s = muscle.filter(|muscle| here(*muscle)).and_then(|muscle| self.rests.of(muscle));
        let (inside, all) = pull.in_band;
        TrialResult {
            id: self.ids,
            item: Some(pull.item + 1),
            muscle,
            outcome: Some(outcome),
            rest_before_s: rested_s.map(|ended_s| pull.cue_s - ended_s),
            in_band: (all > 0).then(|| inside as f64 / all as f64),
            cap_n: self.cap_n(pull.item),
            reached_cap: pull.capped,
            pace_n_per_s: self.pace_n_per_s(pull.item).filter(|_| !pull.familiarisation),
            pain: pull.pain,
            familiarisation: pull.familiarisation,
            valid: !pull.familiarisation,
            why_not: if pull.familiarisation { FAMILIARISATION.to_owned() } else { String::new() },
            ..TrialResult::unassigned(test)
        }
    }

    /// An attempt is over: what follows from it, and what comes next.
    fn conclude(&mut self, pull: &Pull, result: TrialResult, end_s: f64, out: &mut Vec<Effect>) {
        let at = pull.item;
        if let Some(muscle) = result.muscle {
            self.rests.ended(muscle, end_s);
            self.rest_segment.retain(|(it, _)| *it != muscle);
            self.rest_segment.push((muscle, self.segment));
        }
        let further_before = self.planned(at).and_then(|item| self.results.further(item, at));
        let result = self.results.add(result);
        let ended = result.outcome;
        out.push(Effect::Result(result.clone()));
        if let Some(share) = result.in_band {
            self.observe(
                Some(at),
                "text",
                &format!("{:.0} % of the hold in the band", 100.0 * share),
                "",
                out,
            );
        }
        self.last = Some(at);
        self.unasked = true;
        if pull.capped {
            self.results.close(at, "the cap was reached", Some(result.id));
        }
        if ended.is_some_and(ends_item) {
            self.results.close(at, ended.map_or("", Outcome::word), Some(result.id));
        }
        self.tell_item(at, further_before.is_some(), out);
        if pull.stopped.is_some() {
            self.state = State::Halted { item: at, pulled: true };
            return;
        }
        self.go_on(out);
    }

    /// Says why an item goes on beyond its plan, or ends before it.
    fn tell_item(&self, at: usize, told_further: bool, out: &mut Vec<Effect>) {
        let Some((plan, item)) = self.plan.as_ref().zip(self.planned(at)) else { return };
        let (valid, attempts) = (self.results.valid(at), self.results.attempted(at));
        if let Some(why) = self.results.why_closed(at) {
            out.push(Effect::Say(format!("this item ends: {why}")));
        } else if attempts >= ATTEMPTS_MAX && valid < item.trials {
            out.push(Effect::Say(format!(
                "{ATTEMPTS_MAX} attempts: this item ends with {valid} of {}",
                item.trials
            )));
        } else if let Some(why) = self.results.further(item, at).filter(|_| !told_further)
            && self.results.left(plan, at) > 0
        {
            out.push(Effect::Say(format!("one more trial: {why}")));
        }
    }
}
