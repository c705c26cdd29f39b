//! What the examiner's actions do, in every state.

use super::{Effect, MEANT_S, State, Visit};
use crate::visit::action::Examiner;
use crate::visit::gate::Clearance;
use crate::visit::plan::Procedure;
use analysis::observed::{AS_EXPECTED, OF_LENGTH, OF_MOTION, PAIN_SCALE};
use analysis::recording::layout::TAKEN_BACK;
use analysis::trial::{Muscle, Outcome, Test};

/// Pain that rises by this much over rest stops an item.
const PAIN_RISE: f64 = 2.0;

impl Visit {
    pub(super) fn act(&mut self, action: &Examiner, out: &mut Vec<Effect>) {
        // What the program says of itself stops no pull.
        match action {
            Examiner::Warner { able, .. } => return self.can_warn(*able, out),
            Examiner::Resumed => return self.resumed(out),
            _ => {}
        }
        if let State::Pulling(_) = self.state
            && !matches!(action, Examiner::Observe { .. } | Examiner::Allow(_))
        {
            return self.stop_pull(action, out);
        }
        match action {
            Examiner::Allow(answer) => self.allow(answer, out),
            Examiner::Press => self.press(out),
            Examiner::Repeat { .. } if matches!(self.state, State::Looking { .. }) => self.offer(out),
            Examiner::Repeat { reason } | Examiner::Invalid { trial: None, reason } => {
                self.invalid(None, None, reason, out);
            }
            Examiner::Invalid { trial, reason } => self.invalid(*trial, None, reason, out),
            Examiner::Slipped => self.invalid(None, Some(Outcome::Slipped), "slipped", out),
            Examiner::Pain { level } => self.pain(*level, out),
            Examiner::Stop { reason } => {
                if self.current().is_some() {
                    self.observe(self.current(), "text", &format!("stopped: {reason}"), "", out);
                }
                self.halt(reason, out);
            }
            Examiner::Skip { reason } => self.skip(reason, out),
            Examiner::Reassign { trial, to, reason } => self.reassign(*trial, *to, reason, out),
            Examiner::Observe { kind, value, scale, muscle } => self.saw(kind, value, scale, *muscle, out),
            Examiner::Override { item, reason } => self.overrule(*item, reason, out),
            Examiner::Warner { .. } | Examiner::Resumed => {}
        }
    }

    /// The program was away: nobody knows how the sensor lies now, so a new zero is asked for, and what is next is said again.
    fn resumed(&mut self, out: &mut Vec<Effect>) {
        if self.procedure() == Procedure::SelfPaced {
            return;
        }
        (self.zeroed_for, self.announced) = (None, None);
        if let State::Pulling(pull) = &self.state {
            self.begin_again(pull.item, pull.capped, out);
        }
        self.choose_again(out);
    }

    /// A window in which nobody pulls yet is closed where nobody could be warned; a pull that is on is the examiner's to
    /// end.
    fn can_warn(&mut self, able: bool, out: &mut Vec<Effect>) {
        (self.can_warn, self.told_no_warner) = (Some(able), false);
        match &self.state {
            State::Pulling(pull) if !able => {
                let (item, capped) = (pull.item, pull.capped);
                if pull.pulling {
                    return self.observe(Some(item), "text", "for a time nothing could warn", "", out);
                }
                if capped {
                    return self.begin_again(item, capped, out);
                }
                self.state = State::Ready { item, since_s: self.now_s, helped: true };
                self.may_be_warned(out);
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
            self.observe(Some(item), "pain", &level, PAIN_SCALE, out);
        }
        if pulling {
            let State::Pulling(pull) = &mut self.state else { return };
            // Pain that was said stays the reason, whatever is pressed after it.
            if !matches!(pull.stopped, Some((Outcome::PainLimited, _))) {
                pull.stopped = Some((outcome, reason));
            }
            return;
        }
        if matches!(action, Examiner::Skip { .. }) {
            self.close(item, &reason, out);
        }
        let State::Pulling(pull) = &mut self.state else { return };
        pull.stopped = Some((outcome, reason));
        let pull = pull.clone();
        self.halt_without_hold(&pull, out);
    }

    fn allow(&mut self, answer: &Clearance, out: &mut Vec<Effect>) {
        self.gate.answer(answer.clone());
        let digit = answer.digit.map_or("all digits".to_owned(), |digit| digit.to_string());
        let mut value = format!(
            "{} {digit}: {} allowed, pain at rest {}",
            answer.side,
            answer.allowed.word(),
            answer.pain_at_rest
        );
        for (what, said) in [("injury or surgery", &answer.since), ("cleared by", &answer.cleared)] {
            if !said.is_empty() {
                value += &format!(", {what} {said}");
            }
        }
        self.observe(None, "gate", &value, "", out);
        let answered = self.plan.as_ref().is_some_and(|plan| self.gate.missing(&plan.items).is_empty());
        if self.state == State::Gated && answered {
            self.go_on(out);
        }
    }

    fn press(&mut self, out: &mut Vec<Effect>) {
        match self.state.clone() {
            State::Ready { .. } if self.now_s - self.ended_alone_s < MEANT_S => {
                out.push(Effect::Say("too late for what was on before; press again to begin".to_owned()));
            }
            State::Ready { item, .. } => self.cue(item, false, out),
            State::Looking { item, offered: None, .. } => {
                self.observed(item, AS_EXPECTED, "", out);
                self.finish_item(item, "observed", out);
            }
            State::Looking { item, offered: Some(at), .. } => {
                if let Some((kind, value)) = self.answers(item).get(at) {
                    self.saw(kind, value, "", None, out);
                }
                // What was done is seen; what was done beside it may be more than one thing.
                if let State::Looking { since_s, offered, .. } = &mut self.state {
                    (*since_s, *offered) = (self.now_s, None);
                }
            }
            State::Asking { .. } => self.answered_pain("no more than before", out),
            State::Halted { .. } => self.go_on(out),
            // A press answers nothing here: what is asked is said again.
            State::Gated => out.push(Effect::Stage(self.stage())),
            State::Turning { item, forced: false, .. } => {
                self.state = State::Turning { item, asked: true, forced: true };
                out.push(Effect::ForceZero);
            }
            // Even a zero as it is could not be had: the visit goes on, and says so.
            State::Turning { item, .. } => {
                self.observe(Some(item), "text", "no new zero after the hand was turned", "", out);
                self.zeroed_for = self.way_of(item);
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
            return out.push(Effect::Say("there is no such trial".to_owned()));
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
        let text = level.map_or("pain".to_owned(), |level| level.to_string());
        if let State::Asking { .. } = self.state {
            return self.answered_pain(&text, out);
        }
        let between = matches!(self.state, State::Resting { .. } | State::Turning { .. });
        if let Some(side_done) = self.unanswered.take_if(|_| between) {
            self.observe(Some(side_done), "pain after", &text, PAIN_SCALE, out);
            if self.limits(side_done, level) {
                self.halt("pain", out);
            }
            return;
        }
        let last = self.results.attempts().last().map(|it| (it.id, it.item.map(|item| item - 1)));
        // What is looked at or was stopped hurts; otherwise the last pull did.
        let at = match &self.state {
            State::Looking { item, .. } | State::Halted { item, pulled: true } => Some(*item),
            _ => last.and_then(|(_, at)| at).or(self.current()),
        };
        let Some(at) = at else { return };
        self.observe(Some(at), "pain", &text, PAIN_SCALE, out);
        let limits = self.limits(at, level);
        let id = last.filter(|(_, of)| *of == Some(at)).map(|(id, _)| id);
        if let Some(id) = id {
            let changed = self.results.amend(id, |it| {
                it.pain = level;
                if limits {
                    it.valid = false;
                    it.outcome = Some(Outcome::PainLimited);
                    it.why_not = added(&it.why_not, "pain");
                }
            });
            out.extend(changed.into_iter().map(Effect::Amended));
        }
        if limits {
            self.end_for_pain(at, id, out);
            self.halt_at(Some(at), "pain", out);
        }
    }

    /// Pain that nothing goes on with: much more than at rest, or nobody says how much.
    fn limits(&self, at: usize, level: Option<f64>) -> bool {
        let rest = self.planned(at).and_then(|item| self.gate.pain_at_rest(item)).unwrap_or(0.0);
        level.is_none_or(|level| level - rest >= PAIN_RISE)
    }

    /// Pain after a side's pulls.
    pub(super) fn answered_pain(&mut self, answer: &str, out: &mut Vec<Effect>) {
        self.observe(self.last, "pain after", answer, PAIN_SCALE, out);
        self.go_on(out);
    }

    fn answers(&self, at: usize) -> &'static [(&'static str, &'static str)] {
        match self.planned(at).map(|item| item.test) {
            Some(Test::ActiveMotion) => &OF_MOTION,
            _ => &OF_LENGTH,
        }
    }

    /// Offers the first answer, or the one after that which is offered.
    fn offer(&mut self, out: &mut Vec<Effect>) {
        let State::Looking { item, offered, .. } = self.state else { return };
        match offered {
            Some(_) => self.offer_next(item, out),
            None => self.offer_this(item, 0, out),
        }
    }

    pub(super) fn offer_next(&mut self, item: usize, out: &mut Vec<Effect>) {
        let State::Looking { offered: Some(offered), .. } = self.state else { return };
        self.offer_this(item, offered + 1, out);
    }

    fn offer_this(&mut self, item: usize, at: usize, out: &mut Vec<Effect>) {
        let answer = self.answers(item).get(at);
        if let Some((kind, value)) = answer {
            out.push(Effect::Say(format!("{kind}: {value}? Press takes it")));
        }
        self.state = State::Looking { item, since_s: self.now_s, offered: answer.map(|_| at) };
    }

    fn halt(&mut self, reason: &str, out: &mut Vec<Effect>) {
        self.halt_at(None, reason, out);
    }

    /// Stops where something is on; `of` the pull of this item.
    fn halt_at(&mut self, of: Option<usize>, reason: &str, out: &mut Vec<Effect>) {
        if let Some(item) = self.current() {
            out.push(Effect::Say(format!("stopped ({reason}): press to go on")));
            self.state = State::Halted { item: of.unwrap_or(item), pulled: of.is_some() };
        }
    }

    fn skip(&mut self, reason: &str, out: &mut Vec<Effect>) {
        let Some(at) = self.current() else { return };
        self.observe(Some(at), "text", &format!("skipped: {reason}"), "", out);
        self.close(at, reason, out);
        self.go_on(out);
    }

    fn reassign(&mut self, named: Option<u64>, to: Muscle, reason: &str, out: &mut Vec<Effect>) {
        let Some(id) = self.trial(named) else {
            return out.push(Effect::Say("there is no such trial".to_owned()));
        };
        let attempt = self.results.attempts().iter().find(|it| it.id == id);
        let test = attempt.map(|it| it.test);
        if attempt.is_some_and(|it| it.muscle == Some(to)) {
            return out.push(Effect::Say(format!("that trial is one of {to} already")));
        }
        let items = self.plan.as_ref().map_or(&[][..], |plan| &plan.items);
        let Some(at) = items.iter().position(|item| item.muscle == to && Some(item.test) == test) else {
            return out.push(Effect::Say(format!(
                "the plan has no such test of {to}: call the trial invalid instead (i TRIAL REASON)"
            )));
        };
        let changed = self.results.amend(id, |it| {
            it.was.extend(it.item);
            it.item = Some(at + 1);
            it.muscle = Some(to);
        });
        self.results.close_elsewhere(id, at);
        // The muscle that was really loaded has to rest.
        self.rests.ended(to, self.now_s);
        self.observe(Some(at), "text", &format!("a trial was reassigned to {to}: {reason}"), "", out);
        out.extend(changed.into_iter().map(Effect::Amended));
        self.choose_again(out);
    }

    fn saw(&mut self, kind: &str, value: &str, scale: &str, muscle: Option<Muscle>, out: &mut Vec<Effect>) {
        // Between two pulls it is the one before that was seen.
        let at = match &self.state {
            State::Looking { item, .. } => Some(*item),
            State::Pulling(pull) => Some(pull.item),
            _ => self.last.or(self.current()),
        };
        let items = self.plan.as_ref().map_or(&[][..], |plan| &plan.items);
        let named = muscle.and_then(|muscle| items.iter().position(|item| item.muscle == muscle));
        if let (Some(muscle), None) = (muscle, named) {
            return out.push(Effect::Say(format!("the plan has no {muscle}: nothing was noted")));
        }
        // Once the other hand is on, nobody can tell whose grade it is.
        let other_hand = self
            .current()
            .zip(at)
            .is_some_and(|(on, at)| self.way_of(on).map(|it| it.0) != self.way_of(at).map(|it| it.0));
        if named.is_none() && kind == "grade" && other_hand {
            return out.push(Effect::Say(format!(
                "of which hand? Nothing was noted; say the muscle, too, as in `g {value} left index abduction`"
            )));
        }
        let at = named.or(at);
        self.observe(at, kind, value, scale, out);
        let muscle = at.and_then(|at| self.planned(at)).map(|item| item.muscle);
        if let (Some(muscle), "grade") = (muscle, kind) {
            let taken_back = value == TAKEN_BACK;
            let holds = self.results.graded(muscle, (!taken_back).then_some(value));
            if taken_back {
                let holds = holds.map_or("no grade holds".to_owned(), |grade| format!("{grade} holds"));
                out.push(Effect::Say(format!("the latest grade of {muscle} is taken back: {holds} now")));
            }
        }
        if let State::Looking { item, since_s, .. } = &mut self.state {
            // Who is still entering has more time.
            *since_s = self.now_s;
            let item = *item;
            if matches!(kind, "active motion" | "length") {
                self.finish_item(item, "observed", out);
            }
        }
    }

    fn overrule(&mut self, number: usize, reason: &str, out: &mut Vec<Effect>) {
        let at = number.checked_sub(1).filter(|at| self.planned(*at).is_some());
        let Some(at) = at.filter(|_| self.procedure() == Procedure::Examined && !reason.is_empty()) else {
            return out.push(Effect::Say("override takes the number of an item, and a reason".to_owned()));
        };
        if self.planned(at).is_some_and(|item| self.gate.allows(item)) {
            let ended = self.results.why_closed(at).map_or(String::new(), |why| format!("; it ended: {why}"));
            return out.push(Effect::Say(format!("the gate does not hold item {number} back{ended}")));
        }
        self.observe(Some(at), "override", reason, "", out);
        self.overridden.push(at);
        if self.results.why_closed(at).is_some_and(|why| why.starts_with("the gate")) {
            self.results.reopen(at);
        }
        self.choose_again(out);
    }
}

fn added(why: &str, more: &str) -> String {
    if why.is_empty() { more.to_owned() } else { format!("{why}; {more}") }
}
