//! What the examiner's actions do, in every state.

use super::{Effect, NOBODY_WARNS, State, Visit};
use crate::visit::action::Examiner;
use crate::visit::gate::Clearance;
use crate::visit::plan::Procedure;
use analysis::trial::{Muscle, Outcome};

/// Pain that rises by this much over rest stops an item.
const PAIN_RISE: f64 = 2.0;
/// Below this grade (0 to 5) a muscle is weak.
const WEAK_GRADE: f64 = 3.5;

impl Visit {
    pub(super) fn act(&mut self, action: &Examiner, out: &mut Vec<Effect>) {
        if let Examiner::CanWarn { able } = action {
            return self.can_warn(*able, out);
        }
        if let State::Pulling(_) = self.state
            && !matches!(action, Examiner::Observe { .. } | Examiner::Allow(_))
        {
            return self.stop_pull(action, out);
        }
        match action {
            Examiner::Allow(answer) => self.allow(answer, out),
            Examiner::Press => self.press(out),
            Examiner::Repeat { reason } | Examiner::Invalid { trial: None, reason } => {
                self.invalid(None, None, reason, out);
            }
            Examiner::Invalid { trial, reason } => self.invalid(*trial, None, reason, out),
            Examiner::Slipped => self.invalid(None, Some(Outcome::Slipped), "slipped", out),
            Examiner::Pain { level } => self.pain(*level, out),
            Examiner::Stop { reason } => self.halt(reason, out),
            Examiner::Skip { reason } => self.skip(reason, out),
            Examiner::Reassign { trial, to, reason } => self.reassign(*trial, *to, reason, out),
            Examiner::Observe { kind, value, scale } => self.saw(kind, value, scale, out),
            Examiner::Override { item, reason } => self.overrule(*item, reason, out),
            Examiner::CanWarn { .. } => {}
        }
    }

    /// A window in which nobody pulls yet is closed where nobody could be warned; a pull that is on is the examiner's to
    /// end.
    fn can_warn(&mut self, able: bool, out: &mut Vec<Effect>) {
        self.nobody_warns = !able;
        match &self.state {
            State::Pulling(pull) if !able => {
                let item = pull.item;
                if pull.pulling {
                    return self.observe(Some(item), "text", "for a time no page could warn", "", out);
                }
                out.push(Effect::Say(NOBODY_WARNS.to_owned()));
                self.state = State::Ready { item, since_s: self.now_s, helped: true };
            }
            // Who pulls alone goes on without a touch.
            State::Ready { item, .. } if able && self.procedure() == Procedure::SelfPaced => {
                let item = *item;
                self.begin(item, out);
            }
            _ => {}
        }
    }

    /// During load anything stops.
    fn stop_pull(&mut self, action: &Examiner, out: &mut Vec<Effect>) {
        let State::Pulling(pull) = &mut self.state else { return };
        let (outcome, reason) = match action {
            Examiner::Pain { level } => {
                pull.pain = *level;
                (Outcome::PainLimited, "pain".to_owned())
            }
            Examiner::Stop { reason } | Examiner::Skip { reason } => (Outcome::Stopped, reason.clone()),
            _ => (Outcome::Stopped, "stopped by the examiner".to_owned()),
        };
        let (item, pulling, pain) = (pull.item, pull.pulling, pull.pain);
        out.push(Effect::Say("STOP: let go slowly".to_owned()));
        if outcome == Outcome::PainLimited {
            let level = pain.map_or("pain".to_owned(), |level| level.to_string());
            self.observe(Some(item), "pain", &level, "0-10", out);
        }
        if pulling {
            let State::Pulling(pull) = &mut self.state else { return };
            // Pain that was said stays the reason, whatever is pressed after it.
            if !matches!(pull.stopped, Some((Outcome::PainLimited, _))) {
                pull.stopped = Some((outcome, reason));
            }
            return;
        }
        if outcome == Outcome::PainLimited {
            self.results.close(item, "pain-limited");
        }
        if matches!(action, Examiner::Skip { .. }) {
            self.results.close(item, &reason);
        }
        self.state = State::Halted { item };
    }

    fn allow(&mut self, answer: &Clearance, out: &mut Vec<Effect>) {
        self.gate.answer(answer.clone());
        let digit = answer.digit.map_or("all digits".to_owned(), |digit| digit.to_string());
        let value = format!(
            "{} {digit}: {} allowed, pain at rest {}",
            answer.side,
            answer.allowed.word(),
            answer.pain_at_rest
        );
        self.observe(None, "gate", &value, "", out);
        let answered = self.plan.as_ref().is_some_and(|plan| self.gate.missing(&plan.items).is_empty());
        if self.state == State::Gated && answered {
            self.go_on(out);
        }
    }

    fn press(&mut self, out: &mut Vec<Effect>) {
        match self.state.clone() {
            State::Ready { item, .. } => self.cue(item, false, out),
            State::Looking { item, .. } => {
                self.observed(item, "as expected", "", out);
                self.finish_item(item, "observed", out);
            }
            State::Halted { .. } => self.go_on(out),
            State::Turning { item, forced: false, .. } => {
                self.state = State::Turning { item, asked: true, forced: true };
                out.push(Effect::ForceZero);
            }
            // Even a zero as it is could not be had: the visit goes on, and says so.
            State::Turning { item, .. } => {
                self.observe(Some(item), "text", "no new zero after the hand was turned", "", out);
                self.zeroed_for = Some(item);
                self.go_on(out);
            }
            _ => {}
        }
    }

    /// The id of a trial: the one named, or the last.
    fn trial(&self, named: Option<u64>) -> Option<u64> {
        let attempts = self.results.attempts();
        match named {
            Some(id) => attempts.iter().find(|it| it.id == id).map(|it| it.id),
            None => attempts.last().map(|it| it.id),
        }
    }

    fn invalid(&mut self, named: Option<u64>, outcome: Option<Outcome>, reason: &str, out: &mut Vec<Effect>) {
        let Some(id) = self.trial(named) else {
            return out.push(Effect::Say("there is no trial yet".to_owned()));
        };
        let changed = self.results.amend(id, |it| {
            it.valid = false;
            it.outcome = outcome.or(it.outcome);
            it.why_not = added(&it.why_not, reason);
        });
        out.extend(changed.into_iter().map(Effect::Amended));
        self.choose_again(out);
    }

    /// Something changed in what is to be done: unless something is on that is not to be disturbed, it is chosen anew.
    fn choose_again(&mut self, out: &mut Vec<Effect>) {
        if matches!(self.state, State::Resting { .. } | State::Ready { .. } | State::Done) {
            self.go_on(out);
        }
    }

    fn pain(&mut self, level: Option<f64>, out: &mut Vec<Effect>) {
        let last = self.results.attempts().last().map(|it| (it.id, it.item));
        let at = last.and_then(|(_, item)| item).map(|item| item - 1);
        let text = level.map_or("pain".to_owned(), |level| level.to_string());
        self.observe(at.or(self.current()), "pain", &text, "0-10", out);
        let rest =
            at.and_then(|at| self.planned(at)).and_then(|item| self.gate.pain_at_rest(item)).unwrap_or(0.0);
        let (Some((id, _)), Some(at)) = (last, at) else { return };
        if level.is_some_and(|level| level - rest < PAIN_RISE) {
            let changed = self.results.amend(id, |it| it.pain = level);
            return out.extend(changed.into_iter().map(Effect::Amended));
        }
        let changed = self.results.amend(id, |it| {
            it.pain = level;
            it.valid = false;
            it.outcome = Some(Outcome::PainLimited);
            it.why_not = added(&it.why_not, "pain");
        });
        out.extend(changed.into_iter().map(Effect::Amended));
        self.results.close(at, "pain-limited");
        self.halt("pain", out);
    }

    fn halt(&mut self, reason: &str, out: &mut Vec<Effect>) {
        if let Some(item) = self.current() {
            out.push(Effect::Say(format!("stopped ({reason}): press to go on")));
            self.state = State::Halted { item };
        }
    }

    fn skip(&mut self, reason: &str, out: &mut Vec<Effect>) {
        let Some(at) = self.current() else { return };
        self.observe(Some(at), "text", &format!("skipped: {reason}"), "", out);
        self.results.close(at, reason);
        self.go_on(out);
    }

    fn reassign(&mut self, named: Option<u64>, to: Muscle, reason: &str, out: &mut Vec<Effect>) {
        let Some(id) = self.trial(named) else {
            return out.push(Effect::Say("there is no trial yet".to_owned()));
        };
        let test = self.results.attempts().iter().find(|it| it.id == id).map(|it| it.test);
        let items = self.plan.as_ref().map_or(&[][..], |plan| &plan.items);
        let Some(at) = items.iter().position(|item| item.muscle == to && Some(item.test) == test) else {
            return out.push(Effect::Say(format!(
                "the plan has no such test of {to}: call the trial invalid instead"
            )));
        };
        let changed = self.results.amend(id, |it| {
            it.was.extend(it.item);
            it.item = Some(at + 1);
            it.muscle = Some(to);
        });
        // The muscle that was really loaded has to rest.
        self.rests.ended(to, self.now_s);
        self.observe(Some(at), "text", &format!("a trial was reassigned to {to}: {reason}"), "", out);
        out.extend(changed.into_iter().map(Effect::Amended));
        self.choose_again(out);
    }

    fn saw(&mut self, kind: &str, value: &str, scale: &str, out: &mut Vec<Effect>) {
        let at = self.current().or(self.last);
        self.observe(at, kind, value, scale, out);
        let muscle = at.and_then(|at| self.planned(at)).map(|item| item.muscle);
        if let (Some(muscle), "grade") = (muscle, kind)
            && grade(value).is_some_and(|grade| grade < WEAK_GRADE)
        {
            self.results.graded_weak(muscle);
        }
        if let State::Looking { item, .. } = self.state
            && matches!(kind, "active motion" | "length")
        {
            self.finish_item(item, "observed", out);
        }
    }

    fn overrule(&mut self, number: usize, reason: &str, out: &mut Vec<Effect>) {
        let at = number.checked_sub(1).filter(|at| self.planned(*at).is_some());
        let Some(at) = at.filter(|_| self.procedure() == Procedure::Examined && !reason.is_empty()) else {
            return out.push(Effect::Say("override takes the number of an item, and a reason".to_owned()));
        };
        self.observe(Some(at), "override", reason, "", out);
        self.overridden.push(at);
        if self.results.why_closed(at).is_some_and(|why| why.starts_with("the gate")) {
            self.results.reopen(at);
        }
        self.choose_again(out);
    }
}

/// A grade's number: `4-` is 4.
fn grade(text: &str) -> Option<f64> {
    text.trim().trim_end_matches(['+', '-', '−']).parse().ok()
}

fn added(why: &str, more: &str) -> String {
    if why.is_empty() { more.to_owned() } else { format!("{why}; {more}") }
}
