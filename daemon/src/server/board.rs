//! The pages as an audience: what the core says becomes a [`View`], and the pages are woken.
//!
//! Comes in: what the core says, ticks. Goes out: to [`Live`]; and to the visit, whether anybody can be warned.

use super::live::Live;
use super::view::{Ended, Phase, Place, View};
use crate::clock::Clock;
use crate::core::{Begun, Said};
use crate::guide::Guide;
use crate::health::Health;
use crate::pipeline::Output;
use crate::shell::{Audience, Ports};
use crate::visit::action::Examiner;
use crate::visit::engine::Visit;
use crate::visit::plan::Plan;
use std::sync::{Arc, Mutex, PoisonError};

/// The pages.
pub struct Board {
    live: Arc<Live>,
    health: Arc<Mutex<Health>>,
    view: View,
    refusal: Option<anyhow::Error>,
    /// What the visit was told last.
    told_can_warn: Option<bool>,
}

impl Board {
    /// Pages that show nothing yet.
    pub fn new(live: Arc<Live>, health: Arc<Mutex<Health>>) -> Board {
        let view = View::default();
        live.show(&view);
        Board { live, health, view, refusal: None, told_can_warn: None }
    }

    /// Changes what is shown.
    fn change(&mut self, change: impl FnOnce(&mut View)) {
        change(&mut self.view);
        self.live.show(&self.view);
        self.live.wake();
    }

    /// A visit or a guided session is shown that is not over.
    pub fn is_on(&self) -> bool {
        matches!(self.view.phase(), Phase::Visit | Phase::Bench | Phase::Sealing)
    }

    /// What had begun came to nothing.
    pub fn refuse(&mut self, why: String) {
        self.change(|view| view.refuse(why));
    }

    /// Its recording is being made.
    pub fn seal(&mut self) {
        self.change(View::seal);
    }

    /// The visit is over.
    pub fn done(&mut self, ended: Ended) {
        self.change(|view| view.end(ended));
    }

    /// What the guided session came to waits to be looked at.
    pub fn judge(&mut self) {
        self.change(View::judge);
    }

    /// A guided session begins.
    pub(super) fn begin_guided(&mut self, is_check: bool, channel: usize, clock: &Arc<dyn Clock>) {
        self.refusal = None;
        self.live.begin(clock);
        self.change(|view| view.begin_guided(is_check, channel));
    }

    /// The core said this in a guided session: no load that hangs is a trial to be told of.
    pub(super) fn guided(&mut self, said: &[Said], guide: &Guide, channel: usize, ports: &Ports) {
        let mut changed = false;
        for said in said.iter().filter(|said| matches!(said, Said::Pipeline(_) | Said::Say(_))) {
            changed |= self.said(said, (1, channel), ports);
        }
        if self.view.guided(guide) || changed {
            self.live.show(&self.view);
        }
        self.live.wake();
    }

    /// Something was said of a sensor, or to people; true where what is shown is different.
    fn said(&mut self, said: &Said, place: Place, ports: &Ports) -> bool {
        match said {
            Said::Pipeline(Output::Block(block)) => self.live.samples(block, place),
            Said::Pipeline(Output::Link(port, state)) => {
                self.refusal = crate::terminal::refused(state, ports.name(*port)).or(self.refusal.take());
            }
            _ => {}
        }
        self.view.hear(said)
    }

    /// The counters are these.
    pub(super) fn counted(&self, health: &Health) {
        *self.health.lock().unwrap_or_else(PoisonError::into_inner) = *health;
    }

    /// What the visit is to be told of who can be warned.
    fn warning(&mut self) -> Option<String> {
        let able = self.live.can_warn();
        (self.told_can_warn.replace(able) != Some(able))
            .then(|| Examiner::Warner { able, by: "page".to_owned() }.to_json())
    }
}

impl Audience for Board {
    fn begin(&mut self, begun: &Begun, clock: &Arc<dyn Clock>) {
        (self.refusal, self.told_can_warn) = (None, None);
        self.live.begin(clock);
        let plan = Plan::parse(&begun.plan).ok();
        self.change(|view| view.begin(plan, &begun.participant, &begun.examiner));
    }

    fn hear(&mut self, said: &[Said], visit: Option<&Visit>, ports: &Ports) {
        let (mut changed, mut moved) = (false, false);
        let place = visit.map_or((1, 1), Visit::place);
        self.view.measures(place);
        for said in said {
            if let Said::Cue(_) = said {
                self.live.begin_trial();
            }
            moved |= matches!(said, Said::Stage(_) | Said::Trial(_) | Said::Amended(_) | Said::Cue(_));
            changed |= self.said(said, place, ports);
        }
        if let Some(visit) = visit {
            changed |= self.view.look(visit, moved);
        }
        if changed {
            self.live.show(&self.view);
        }
        if !said.is_empty() {
            self.live.wake();
        }
    }

    fn tick(&mut self, _: u64, health: &Health) -> Vec<String> {
        self.counted(health);
        let action = self.warning();
        if self.view.set_can_warn(self.told_can_warn == Some(true)) {
            self.live.show(&self.view);
        }
        action.into_iter().collect()
    }

    fn end(&mut self) {}

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.refusal.take()
    }
}
