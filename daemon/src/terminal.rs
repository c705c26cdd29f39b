//! What the examiner sees in a terminal: one live line (force now, peak, state, losses) and a line for each thing that
//! happens. All on stderr; without a terminal only the latter.

mod traces;
mod visit;

use crate::core::Said;
use crate::pipeline::force::NoZero;
use crate::pipeline::link::HANDSHAKE_NS;
use crate::pipeline::{LinkState, Output, WireFaults};
use crate::practice::Target;
use crate::shell::Ports;
use crate::stderr;
use crate::visit::engine::Cue;
use crate::visit::plan::Sees;
use analysis::console::{Hint, clean};
use analysis::holds::Event;
use analysis::measures::repeats;
use analysis::recording::layout::TrialRow;
use analysis::recording::trial_row::REACHED_CAP;
use analysis::trial::Outcome;
use std::collections::BTreeMap;
use std::io::IsTerminal;
use traces::Traces;
use visit::bar;

/// A sync older than this is worth a word, ns.
const SYNC_LATE_NS: u64 = 1_000_000_000;

/// The terminal's state.
pub struct Terminal {
    live: bool,
    traces: Traces,
    state: &'static str,
    /// How long the rest is that has begun, s; then when it ends.
    rest_s: Option<f64>,
    rest_ends_ns: Option<u64>,
    cue: Option<Cue>,
    missing: u64,
    told_zero: Vec<((usize, usize), NoZero)>,
    /// The plan's items by name, with what is shown of the force at each; and what is shown now.
    items: Vec<(String, Sees)>,
    now_sees: Sees,
    typed: String,
    /// What was said last of each trial, by its order.
    told_of: BTreeMap<i64, String>,
    /// Why the sensor cannot be used, when it cannot.
    pub refusal: Option<anyhow::Error>,
}

impl Terminal {
    /// A terminal; `quiet` leaves the live line out.
    pub fn new(quiet: bool) -> Self {
        Terminal {
            live: !quiet && std::io::stderr().is_terminal() && !stderr::is_json(),
            traces: Traces::default(),
            state: "waiting for the sensor",
            rest_s: None,
            rest_ends_ns: None,
            cue: None,
            missing: 0,
            told_zero: Vec::new(),
            items: Vec::new(),
            now_sees: Sees::All,
            typed: String::new(),
            told_of: BTreeMap::new(),
            refusal: None,
        }
    }

    /// The plan's items by name, and what may be shown of the force at each.
    pub fn plan(&mut self, items: Vec<(String, Sees)>) {
        self.items = items;
        self.at_item(1);
    }

    /// What is measured now: sensor and channel, from 1.
    pub fn measures(&mut self, place: (usize, usize)) {
        self.traces.measured = place;
    }

    fn planned(&self, item: usize) -> Option<&(String, Sees)> {
        item.checked_sub(1).and_then(|at| self.items.get(at))
    }

    /// The line that is being typed.
    pub fn typed(&mut self, line: &str) {
        line.clone_into(&mut self.typed);
    }

    fn at_item(&mut self, item: usize) {
        let sees = self.planned(item).map(|(_, sees)| *sees).unwrap_or_default();
        if std::mem::replace(&mut self.now_sees, sees) != sees {
            // A peak that was hidden stays hidden.
            self.traces.begin_trial();
        }
    }

    /// Says something.
    pub fn line(&self, text: &str) {
        stderr::say(text);
    }

    /// Time passed: the live line is drawn anew.
    pub fn tick(&mut self, now_ns: u64, faults: &WireFaults, sync_age_ns: u64) {
        if !self.live {
            return;
        }
        if let Some(seconds) = self.rest_s.take() {
            self.rest_ends_ns = Some(now_ns.saturating_add((seconds * 1e9) as u64));
        }
        let measured = self.traces.measured();
        let mut line = match (measured.and_then(|it| Some((it, it.force_n(now_ns)?))), self.now_sees) {
            (None, _) => format!("no signal  {}", self.state),
            (Some((measured, force_n)), Sees::All) => {
                let bar = bar(self.cue.as_ref(), measured.most_n, force_n);
                format!("{force_n:7.2} N  peak {:6.2} N  {bar}{}", measured.peak_n, self.state)
            }
            (Some(_), Sees::PaceOnly | Sees::Nothing) => self.state.to_owned(),
        };
        if let Some(ends_ns) = self.rest_ends_ns.filter(|_| self.state == "rest") {
            line += &format!(" {:.0} s", (ends_ns.saturating_sub(now_ns) as f64 * 1e-9).ceil());
        }
        if self.now_sees == Sees::All {
            line += &self.traces.others(now_ns);
        }
        if self.missing + faults.total() > 0 {
            line += &format!("  missing {} samples, {} damaged frames", self.missing, faults.total());
        }
        if sync_age_ns > SYNC_LATE_NS {
            line += &format!("  disk is slow: last saved {:.1} s ago", sync_age_ns as f64 * 1e-9);
        }
        if !self.typed.is_empty() {
            line += &format!("  > {}", clean(&self.typed));
        }
        stderr::live(&line);
    }

    /// Something happened.
    pub fn hear(&mut self, said: &Said, ports: &Ports) {
        match said {
            Said::Pipeline(output) => self.output(output, ports),
            Said::Say(text) => self.line(text),
            Said::Cue(cue) => self.cue(cue),
            Said::Trial(row) => self.trial(row),
            Said::Stage(stage) => self.stage(stage),
            Said::Count(count) => self.count(*count),
            Said::Cap { reached, force_n, cap_n } => self.cap(*reached, *force_n, *cap_n),
            Said::Amended(row) => self.amended(row),
            Said::Observed(seen) => self.observed(seen),
            Said::PlanFinished => self.line("the plan is done"),
            Said::Journal(_) => {}
        }
    }

    fn cue(&mut self, cue: &Cue) {
        let ((item, items), (trial, trials)) = (cue.item, cue.trial);
        self.state = "go";
        self.traces.begin_trial();
        let which = if cue.familiarisation {
            "to get used to it, at about half strength, not scored".to_owned()
        } else {
            format!("trial {trial} of {trials}")
        };
        self.line(&format!(
            "go: {}, {} test, {which} (item {item} of {items}), hold {:.1} s",
            cue.muscle, cue.test, cue.hold_s
        ));
        if let Some(cap_n) = cue.cap_n.filter(|_| self.now_sees == Sees::All) {
            self.line(&format!("stop at {cap_n:.1} N"));
        }
        if let Some((low_n, high_n)) = cue.band_n.filter(|_| self.now_sees == Sees::All) {
            self.line(&format!("keep the force between {low_n:.1} and {high_n:.1} N"));
        }
        if let Some((low, high)) = cue.pace_n_per_s.filter(|_| self.now_sees == Sees::All) {
            self.line(&format!("let the force grow by {low:.1} to {high:.1} N a second"));
        }
        self.cue = Some(cue.clone());
    }

    fn trial(&mut self, row: &TrialRow) {
        if row.kind == "touch" {
            return;
        }
        self.state = "rest";
        let mut name = if row.muscle.is_empty() { "hold".to_owned() } else { row.muscle.clone() };
        if self.traces.several() {
            name += &format!(" on sensor {}, channel {}", row.sensor, row.channel);
        }
        let result = if row.kind.is_empty() {
            format!("{}: no hold found within 8 s", row.outcome.replace('-', " "))
        } else if self.now_sees != Sees::All {
            "recorded".to_owned()
        } else {
            let mean = if row.mean_n.is_nan() {
                String::new()
            } else {
                let touched = row.contact_s.is_finite();
                let level = if touched { "the touch" } else { "the level before the pull" };
                format!(", mean {:.2} N above {level}", row.mean_n)
            };
            let limit = if row.is_flagged(REACHED_CAP) { ", at its limit" } else { "" };
            format!("peak {:.2} N above zero{limit}{mean}", row.peak_zero_n)
        };
        let why = if row.why_not.is_empty() {
            String::new()
        } else {
            format!(" (does not count: {})", row.why_not)
        };
        let outcome = if matches!(row.outcome.as_str(), "" | "released" | "below-measurable") {
            String::new()
        } else {
            format!("{}, ", row.outcome.replace('-', " "))
        };
        self.line(&format!("{name}: {outcome}{result}{why} [trial-{}]", row.order));
        self.told_of.insert(row.order, judged(row));
        let range = self
            .cue
            .as_ref()
            .and_then(|cue| cue.pace_n_per_s)
            .filter(|_| self.now_sees == Sees::All && row.outcome != Outcome::Stopped.word());
        if let Some(((low_n_per_s, high_n_per_s), rate)) = range.zip(repeats::known(row.pace_n_per_s)) {
            let target = Target { pulls: 1, low_n_per_s, high_n_per_s };
            self.line(&format!("its pace: {}", target.judged(rate)));
        }
    }

    fn output(&mut self, output: &Output, ports: &Ports) {
        let of = |sensor: usize| if ports.several() { format!("sensor {sensor}, ") } else { String::new() };
        match output {
            Output::Block(block) => self.traces.hear(block),
            Output::Identified { sensor, identity, .. } => self.line(&format!(
                "sensor {}{} ({}), {} channel{}, {:.6} Hz",
                if ports.several() { format!("{sensor}: ") } else { String::new() },
                identity.serial,
                identity.firmware,
                identity.channels.len(),
                if identity.channels.len() == 1 { "" } else { "s" },
                1e9 / f64::from(identity.interval_ns)
            )),
            Output::Calibrated(sensor, certificate) => {
                let (channel, label) = (certificate.channel, certificate.label());
                self.line(&format!("{}channel {channel}: {label}", of(*sensor)));
            }
            Output::Gap(_, gap) => self.missing += gap.missing.unwrap_or(0),
            Output::Set(crate::pipeline::setting::Setting::Tare(tare), _) => {
                self.state = "zeroed";
                let (of, channel) = (of(tare.sensor), tare.channel);
                self.line(&format!("zero taken on {of}channel {channel} (SD {:.3} N)", tare.sd_n));
            }
            Output::NoZero { sensor, channel, why } => {
                self.no_zero((*sensor, *channel), *why, &format!("{}channel {channel}", of(*sensor)))
            }
            Output::Holds(found) if (found.sensor, found.channel) == self.traces.measured => {
                match found.event {
                    Event::Armed { .. } | Event::Confirmed { .. } => self.state = "pull",
                    Event::Contact { .. } => self.state = "contact",
                    Event::Dismissed => self.state = if self.cue.is_some() { "go" } else { "rest" },
                    Event::Ended(_) => self.state = "rest",
                }
            }
            Output::Link(port, state) => self.link(*port, state, ports),
            _ => {}
        }
    }

    fn no_zero(&mut self, place: (usize, usize), why: NoZero, named: &str) {
        let same = |(told, before): &((usize, usize), NoZero)| {
            *told == place && std::mem::discriminant(before) == std::mem::discriminant(&why)
        };
        if self.told_zero.iter().any(same) {
            return;
        }
        self.told_zero.retain(|(told, _)| *told != place);
        self.told_zero.push((place, why));
        match why {
            NoZero::Unsteady => self.line(&format!("{named} is not steady: keep the sensor still for its zero")),
            NoZero::Loaded(force_n) => self.line(&format!(
                "{named} shows {force_n:.1} N by its own zero: unload it, or type t and Enter to zero it as it is"
            )),
            NoZero::Touched(above_n) => self.line(&format!(
                "{named} stands {above_n:.1} N above its lowest level: let go of the sensor for its zero, or type t and \
                 Enter to zero it as it is"
            )),
            NoZero::TooFew => {}
        }
    }

    fn link(&mut self, port: u8, state: &LinkState, ports: &Ports) {
        let name = ports.name(port);
        match state {
            LinkState::Flowing => self.state = "recording",
            LinkState::Stopped => self.state = "stopped",
            LinkState::Silent => self.state = "silent",
            LinkState::Closed(_) => self.state = "port gone",
            LinkState::OtherSensor { expected, found } => self.line(&format!(
                "another sensor came back: {found} instead of {expected}; type y and Enter to go on with it"
            )),
            LinkState::NoAnswer { .. } | LinkState::OtherVersion(_) | LinkState::Twice(_) => {
                if let Some(error) = refused(state, name) {
                    self.line(&format!("{error:#}"));
                    self.refusal = Some(error);
                }
            }
        }
    }
}

/// What is said of a trial, but for its numbers: they follow from the others.
fn judged(row: &TrialRow) -> String {
    let why = if row.why_not.is_empty() { "it counts" } else { &row.why_not };
    format!("{}, {} test, {}: {why}", row.muscle, row.test, row.outcome)
}

/// Why the sensor on this port cannot be used.
pub fn refused(state: &LinkState, port: &str) -> Option<anyhow::Error> {
    match state {
        LinkState::NoAnswer { noise_bytes } => Some(no_answer(port, *noise_bytes)),
        LinkState::OtherVersion(version) => Some(
            anyhow::anyhow!(
                "the sensor on {port} speaks protocol version {version}, this program version {}",
                firmware_protocol::message::PROTOCOL_VERSION
            )
            .context(Hint::new("update whichever of the two is older")),
        ),
        LinkState::Twice(serial) => Some(
            anyhow::anyhow!("the sensor on {port} has the serial number {serial}, as another one here has")
                .context(Hint::new("give each sensor a serial number (or a profile's name) of its own")),
        ),
        _ => None,
    }
}

fn no_answer(port: &str, noise_bytes: u64) -> anyhow::Error {
    let seconds = HANDSHAKE_NS / 1_000_000_000;
    if noise_bytes == 0 {
        anyhow::anyhow!("no sensor answers on {port}: nothing came in {seconds} s").context(Hint::new(
            "is it powered, is this its port (`fingerforced ports`), and its speed (--baud)?",
        ))
    } else {
        anyhow::anyhow!("no sensor answers on {port}: {noise_bytes} bytes came in {seconds} s, none of them a frame of ours")
            .context(Hint::new("is the speed right (--baud), and does the board speak this protocol?"))
    }
}
