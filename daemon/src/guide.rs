//! A guided calibration: what to load when, and the readings that come of it.
//!
//! Comes in: the steps ([`programme`]), what the operator types, blocks of samples. Goes out: words for the operator, readings for the journal
//! ([`Out::Read`], [`Out::Withdrawn`]), the end, and where it stands ([`Shown`]). Pure: time is counted in samples.
//!
//! A reading is the mean of a steady second ([`ZeroSearch`]) that begins when the load has been there for a while; which
//! samples it is made of is written down, so that whoever reads the recording takes the same mean from the same samples.

pub mod programme;

use crate::pipeline::force::{NoZero, Scale, ZeroSearch};
use crate::pipeline::{Block, Output, SensorIdentity};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::dead_weight::KnownForce;
use analysis::sensor::points::Point;
use analysis::sensor::readings::Reading;
use programme::{Instruction, Step, duration};
use serde::Serialize;
use std::sync::Arc;

/// How often it is told how long a load is to stay.
const TOLD: u64 = 10;
/// An unsteady load is told about after this long, s.
const IMPATIENT_S: f64 = 15.0;

/// What comes out.
#[derive(Debug, Clone, PartialEq)]
pub enum Out {
    /// The next thing to do, in words.
    Ask(String),
    /// Words for the operator.
    Say(String),
    /// A reading for the journal.
    Read(Reading),
    /// For the journal: a reading does not count, it is taken again.
    Withdrawn(Reading),
    /// For the journal: the operator says that this was done.
    Step(String),
    /// All is done.
    Done,
}

enum Phase {
    /// The sensor has not spoken yet.
    Starting,
    /// The operator is asked for something.
    Asking,
    /// The load is there; so many samples must pass before it is read.
    Waiting { samples: u64, known: KnownForce },
    /// Nothing may change for so many samples more, of so many.
    Lasting { left: u64, of: u64 },
    /// A steady second is looked for.
    Reading { known: KnownForce, search: Box<ZeroSearch>, since: u64, told: bool },
    /// All is done.
    Done,
}

/// Where it stands, for a page.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Shown {
    /// The step's number.
    pub number: usize,
    /// Of how many.
    pub of: usize,
    /// What is to be done; `None` before the first and after the last.
    pub instruction: Option<Instruction>,
    /// Series, "" none.
    pub series: String,
    /// Mounting, "" none.
    pub mounting: String,
    /// `starting`, `asking`, `waiting` (the load is to come to rest), `reading`, `lasting` or `done`.
    pub doing: &'static str,
    /// Whether the sensor is still; `None` not known yet.
    pub still: Option<bool>,
    /// How long it is to be left as it is, s.
    pub left_s: Option<u64>,
    /// Readings so far.
    pub readings: usize,
    /// What is the matter, or was said last.
    pub said: String,
}

/// The guide.
pub struct Guide {
    channel: usize,
    steps: Vec<Step>,
    /// The step that is on, from 0.
    at: usize,
    still_s: f64,
    phase: Phase,
    interval_s: f64,
    identity: Option<SensorIdentity>,
    calibration: Option<Arc<Certificate>>,
    readings: Vec<(Reading, f64)>,
    /// Looks at every sample whether the sensor is still, whatever is on.
    watch: Option<ZeroSearch>,
    still: Option<bool>,
    said: String,
    out: Vec<Out>,
}

impl Guide {
    /// A guide through these steps, which reads a channel (from 1) when its load has been there for `still_s`.
    pub fn new(steps: Vec<Step>, still_s: f64, channel: usize) -> Guide {
        Guide {
            channel,
            steps,
            at: 0,
            still_s,
            phase: Phase::Starting,
            interval_s: f64::NAN,
            identity: None,
            calibration: None,
            readings: Vec::new(),
            watch: None,
            still: None,
            said: String::new(),
            out: Vec::new(),
        }
    }

    /// Whose sensor it is, once it has said so.
    pub fn identity(&self) -> Option<&SensorIdentity> {
        self.identity.as_ref()
    }

    /// The calibration that is in force for the channel.
    pub fn calibration(&self) -> Option<&Certificate> {
        self.calibration.as_deref()
    }

    /// Everything is read, and all that came out was taken.
    pub fn is_done(&self) -> bool {
        matches!(self.phase, Phase::Done) && self.out.is_empty()
    }

    /// The channel's nominal scale.
    fn scale(&self) -> Option<Scale> {
        self.identity.as_ref()?.channels.get(self.channel.checked_sub(1)?).map(|channel| channel.scale)
    }

    /// Where it stands.
    pub fn shown(&self) -> Shown {
        let step = self.steps.get(self.at).filter(|_| !matches!(self.phase, Phase::Starting));
        let wanted = step.and_then(|step| step.reading.as_ref());
        let (doing, left) = match &self.phase {
            Phase::Starting => ("starting", None),
            Phase::Asking => ("asking", None),
            Phase::Waiting { .. } => ("waiting", None),
            Phase::Lasting { left, .. } => ("lasting", Some(*left)),
            Phase::Reading { .. } => ("reading", None),
            Phase::Done => ("done", None),
        };
        Shown {
            number: (self.at + 1).min(self.steps.len()),
            of: self.steps.len(),
            instruction: step.map(|step| step.instruction.clone()),
            series: wanted.map_or_else(String::new, |of| of.series.clone()),
            mounting: wanted.map_or_else(String::new, |of| of.mounting.clone()),
            doing,
            still: self.still,
            left_s: left.map(|samples| libm::ceil(samples as f64 * self.interval_s) as u64),
            readings: self.readings.len(),
            said: self.said.clone(),
        }
    }

    fn say(&mut self, words: String) {
        self.said.clone_from(&words);
        self.out.push(Out::Say(words));
    }

    /// The readings so far as points; indications are mean counts.
    pub fn points(&self) -> Vec<Point> {
        let point = |(reading, counts): &(Reading, f64)| Point {
            reference_n: reading.reference_n,
            indication: *counts,
            series: reading.series.clone(),
            mounting: reading.mounting.clone(),
            direction: reading.direction,
        };
        self.readings.iter().map(point).collect()
    }

    /// The readings as they were written down.
    pub fn readings(&self) -> Vec<Reading> {
        self.readings.iter().map(|(reading, _)| reading.clone()).collect()
    }

    /// What has come out since it was last asked.
    pub fn take(&mut self) -> Vec<Out> {
        std::mem::take(&mut self.out)
    }

    /// The pipeline said something.
    pub fn hear(&mut self, output: &Output) {
        match output {
            Output::Identified { sensor: 1, identity, .. } => {
                self.identity = Some(identity.clone());
                self.warn_of_load();
            }
            Output::Calibrated(1, of) if of.channel == self.channel => {
                self.calibration = Some(Arc::clone(of));
            }
            Output::Began(1, began) => {
                self.interval_s = f64::from(began.interval_ns) * 1e-9;
                self.restart();
            }
            Output::Gap(1, _) => self.restart(),
            Output::Block(block) if block.sensor == 1 => self.samples(block),
            _ => {}
        }
    }

    fn warn_of_load(&mut self) {
        let known = self.steps.iter().filter_map(|step| step.reading.as_ref()?.known);
        let greatest_n = known.map(|known| known.force_n.abs()).fold(0.0, f64::max);
        if let Some(scale) = self.scale().filter(|scale| greatest_n > scale.rated_n.abs()) {
            self.say(format!(
                "the greatest load, {greatest_n:.1} N, is above the sensor's rated {} N: do not load it",
                scale.rated_n
            ));
        }
    }

    /// Samples are missing: what was being read is read anew.
    fn restart(&mut self) {
        (self.watch, self.still) = (None, None);
        match &mut self.phase {
            Phase::Reading { search, .. } => search.clear(),
            Phase::Lasting { .. } => {
                self.say(
                    "samples are missing: what changes is told from the longest stretch without a gap"
                        .to_owned(),
                );
            }
            _ => {}
        }
    }

    /// The operator typed something: Enter, what a reference shows, or `r` to do a step again.
    pub fn typed(&mut self, line: &str) {
        if line.trim() == "r" {
            return self.again();
        }
        let Phase::Asking = self.phase else {
            return self.say("one moment: the load is being read".to_owned());
        };
        let Some(step) = self.steps.get(self.at) else { return };
        let Some(wanted) = &step.reading else {
            self.out.push(Out::Step(step.words()));
            let samples = (step.lasts_s / self.interval_s).clamp(0.0, 1e9) as u64;
            self.phase = Phase::Lasting { left: samples, of: samples };
            return self.lasting();
        };
        let known = match (wanted.known, line.trim().replace(',', ".").parse::<f64>()) {
            (Some(known), _) => known,
            (None, Ok(force_n)) if force_n.is_finite() && force_n != 0.0 => {
                KnownForce { force_n: force_n.abs(), standard_uncertainty_n: f64::NAN }
            }
            (None, _) => return self.say("type what the reference shows, in N".to_owned()),
        };
        let samples = (self.still_s / self.interval_s).clamp(0.0, 1e9) as u64;
        self.phase = Phase::Waiting { samples, known };
    }

    /// What is being read is asked for again; where nothing is, the step before is taken back.
    fn again(&mut self) {
        match self.phase {
            Phase::Starting | Phase::Done => return,
            Phase::Asking if self.at == 0 => return self.say("this is the first step".to_owned()),
            Phase::Asking => {
                self.at -= 1;
                let was_read = self.steps.get(self.at).is_some_and(|step| step.reading.is_some());
                let last = if was_read { self.readings.pop() } else { None };
                self.out.extend(last.map(|(reading, _)| Out::Withdrawn(reading)));
            }
            _ => {}
        }
        self.ask();
    }

    /// Says now and then how long is left, and goes on when nothing is.
    fn lasting(&mut self) {
        let Phase::Lasting { left, of } = &self.phase else { return };
        if *left == 0 {
            self.at += 1;
            return self.ask();
        }
        let a_second = (1.0 / self.interval_s) as u64;
        if left.is_multiple_of(of.div_ceil(TOLD).max(a_second)) {
            let cut = self
                .steps
                .get(self.at)
                .is_some_and(|step| matches!(step.instruction, Instruction::Cut { .. }));
            let what = if cut && left == of { "take it off now, then leave it" } else { "leave it as it is" };
            let words = format!("{} to go: {what}", duration(*left as f64 * self.interval_s));
            self.say(words);
        }
    }

    fn ask(&mut self) {
        self.said.clear();
        self.phase = match self.steps.get(self.at) {
            Some(step) => {
                self.out.push(Out::Ask(format!("[{}/{}] {}", self.at + 1, self.steps.len(), step.words())));
                Phase::Asking
            }
            None => {
                self.out.push(Out::Done);
                Phase::Done
            }
        };
    }

    fn samples(&mut self, block: &Block) {
        let channels = (block.counts.len() as u64 / block.samples.max(1)).max(1) as usize;
        if let Phase::Starting = self.phase {
            self.ask();
        }
        for (at, counts) in block.counts.iter().skip(self.channel - 1).step_by(channels).enumerate() {
            self.sample(block.placed.position + at as u64, *counts);
        }
    }

    fn sample(&mut self, position: u64, counts: i32) {
        if let Some(scale) = self.scale() {
            let watch = self.watch.get_or_insert_with(|| ZeroSearch::new(self.interval_s, scale, true));
            match watch.push(counts) {
                Ok(_) => self.still = Some(true),
                Err(NoZero::TooFew) => {}
                Err(_) => self.still = Some(false),
            }
        }
        match &mut self.phase {
            Phase::Waiting { samples: 0, known } => {
                let known = *known;
                let Some(scale) = self.scale() else { return };
                let search = Box::new(ZeroSearch::new(self.interval_s, scale, true));
                self.phase = Phase::Reading { known, search, since: position, told: false };
                self.read_sample(position, counts);
            }
            Phase::Waiting { samples, .. } => *samples -= 1,
            Phase::Lasting { left, .. } => {
                *left -= 1;
                self.lasting();
            }
            Phase::Reading { .. } => self.read_sample(position, counts),
            _ => {}
        }
    }

    fn read_sample(&mut self, position: u64, counts: i32) {
        let Phase::Reading { known, search, since, told } = &mut self.phase else { return };
        match search.push(counts) {
            Ok(zero) => {
                let known = *known;
                self.read(known, position + 1 - zero.samples, zero.samples, zero.zero_counts);
            }
            Err(NoZero::Unsteady) if !*told && (position - *since) as f64 * self.interval_s > IMPATIENT_S => {
                *told = true;
                self.say("the load is not steady: let it hang still; waiting".to_owned());
            }
            Err(_) => {}
        }
    }

    fn read(&mut self, known: KnownForce, first_sample: u64, samples: u64, counts: f64) {
        let Some(wanted) = self.steps.get(self.at).and_then(|step| step.reading.clone()) else { return };
        self.at += 1;
        let sign = if wanted.negative { -1.0 } else { 1.0 };
        let reading = Reading {
            reference_n: sign * known.force_n,
            reference_u_n: Some(known.standard_uncertainty_n).filter(|u| u.is_finite()),
            series: wanted.series,
            mounting: wanted.mounting,
            direction: wanted.direction,
            first_sample,
            samples,
            channel: self.channel,
        };
        self.readings.push((reading.clone(), counts));
        self.out.push(Out::Read(reading));
        self.ask();
    }
}

impl Out {
    /// As an action of the journal, where it belongs there. A reading that does not count is told by its first sample,
    /// which no other reading has; of a step that was done nothing but the recording's events takes note.
    pub fn to_json(&self) -> Option<String> {
        Some(
            match self {
                Out::Read(reading) => {
                    let mut value = serde_json::to_value(reading).unwrap_or_default();
                    value["action"] = "reading".into();
                    value
                }
                Out::Withdrawn(reading) => {
                    serde_json::json!({ "action": "reading-withdrawn", "first_sample": reading.first_sample })
                }
                Out::Step(words) => serde_json::json!({ "action": "step", "words": words }),
                Out::Ask(_) | Out::Say(_) | Out::Done => return None,
            }
            .to_string(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::programme::Programme;
    use super::*;
    use crate::pipeline::ChannelIdentity;
    use crate::pipeline::device_time::Placed;
    use analysis::recording::layout::EventRow;
    use analysis::sensor::readings::marked;

    fn known(force_n: f64) -> Option<KnownForce> {
        Some(KnownForce { force_n, standard_uncertainty_n: 1e-4 * force_n })
    }

    fn programme(mountings: u32, negative: Vec<bool>) -> Programme {
        let loads = vec![("5 N".to_owned(), known(5.0)), ("10 N".to_owned(), known(10.0))];
        Programme { loads, negative, mountings }
    }

    #[test]
    fn the_programme_is_that_of_the_standard() {
        let steps = programme(3, vec![false]).steps();
        let words: Vec<String> = steps.iter().map(Step::words).collect();
        assert!(words[0].starts_with("exercise 1 of 3: load 10 N"));
        assert_eq!(words[7], "series A, mounting 0°: up to 5 N, then Enter");
        assert!(words.contains(
            &"series C, mounting 120°: turn the sensor to 120°; nothing on it, then Enter".to_owned()
        ));
        let series: Vec<(String, f64)> = steps
            .iter()
            .filter_map(|step| step.reading.as_ref())
            .map(|wanted| (format!("{}{}", wanted.series, wanted.mounting), wanted.known.unwrap().force_n))
            .collect();
        let of = |name: &str| -> Vec<f64> {
            series.iter().filter(|(series, _)| series == name).map(|(_, force_n)| *force_n).collect()
        };
        assert_eq!(of("A0"), [0.0, 5.0, 10.0, 0.0]);
        assert_eq!(of("B0"), [0.0, 5.0, 10.0, 0.0]);
        assert_eq!(of("C120"), [0.0, 5.0, 10.0, 5.0, 0.0]);
        assert_eq!(of("D240"), [0.0, 5.0, 10.0, 5.0, 0.0]);
        let both = programme(1, vec![false, true]).steps();
        assert!(both.iter().filter_map(|step| step.reading.as_ref()).any(|wanted| wanted.negative));
    }

    fn block(position: u64, counts: Vec<i32>) -> Output {
        let samples = counts.len() as u64;
        Output::Block(Block {
            sensor: 1,
            placed: Placed { segment: 0, index: position, position, skip: 0 },
            samples,
            sequence: 0,
            counter: position,
            device_time_us: 0,
            arrival_ns: 0,
            status: 0,
            saturated: false,
            force_n: vec![0.0; counts.len()],
            device_time_s: vec![0.0; counts.len()],
            counts,
        })
    }

    /// A guide at a sensor of 1000 counts a newton and 100 samples a second.
    fn guide(steps: Vec<Step>, still_s: f64) -> Guide {
        let scale = Scale::nominal(0, 1000, 1000);
        let channel = ChannelIdentity { scale, rated_counts: 1000, direction: "both".to_owned() };
        let identity = SensorIdentity {
            serial: "A".to_owned(),
            firmware: String::new(),
            interval_ns: 10_000_000,
            group_delay_s: 0.0,
            bandwidth_hz: f64::NAN,
            settling_s: f64::NAN,
            channels: vec![channel],
        };
        let (interval_s, identity) = (0.01, Some(identity));
        Guide { interval_s, identity, ..Guide::new(steps, still_s, 1) }
    }

    #[test]
    fn a_reading_is_the_mean_of_the_samples_it_names() {
        let steps = Programme::check("1 kg", KnownForce { force_n: 9.8, standard_uncertainty_n: 0.001 });
        let mut guide = guide(steps, 0.5);
        let mut all = Vec::new();
        let mut position = 0;
        let mut run = |guide: &mut Guide, level: i32, count: u64, all: &mut Vec<i32>| {
            for _ in 0..count / 10 {
                let counts: Vec<i32> = (0..10).map(|i| level + (position as i32 + i) % 3).collect();
                all.extend(&counts);
                guide.hear(&block(position, counts));
                position += 10;
            }
        };
        run(&mut guide, 100, 100, &mut all);
        assert!(matches!(&guide.take()[..], [Out::Ask(words)] if words.contains("[1/3]")));
        for level in [100, 5000, 101] {
            run(&mut guide, level, 50, &mut all);
            guide.typed("");
            run(&mut guide, level, 300, &mut all);
        }
        let out = guide.take();
        assert_eq!(out.last(), Some(&Out::Done));
        assert_eq!(guide.points().len(), 3);
        for (reading, point) in guide.readings().iter().zip(guide.points()) {
            let from = reading.first_sample as usize;
            let named = &all[from..from + reading.samples as usize];
            let mean = named.iter().map(|counts| f64::from(*counts)).sum::<f64>() / named.len() as f64;
            assert_eq!(mean, point.indication);
        }
        assert_eq!(guide.readings()[1].reference_n, 9.8);
    }

    #[test]
    fn a_step_is_taken_back_and_read_again() {
        let steps = Programme::check("1 kg", KnownForce { force_n: 9.8, standard_uncertainty_n: 0.001 });
        let mut guide = guide(steps, 0.0);
        let mut position = 0;
        let mut run = |guide: &mut Guide, level: i32, count: i32| {
            guide.hear(&block(position, (0..count).map(|i| level + i % 3).collect()));
            position += count as u64;
        };
        run(&mut guide, 100, 150);
        assert_eq!((guide.shown().doing, guide.shown().still), ("asking", Some(true)));
        guide.typed("r");
        assert_eq!((guide.shown().number, guide.shown().said.as_str()), (1, "this is the first step"));
        guide.typed("");
        run(&mut guide, 100, 150);
        // The wrong load: it is seen while it is read, and then again after it was.
        guide.typed("");
        run(&mut guide, 900, 20);
        assert_eq!(guide.shown().doing, "reading");
        guide.typed("r");
        assert_eq!((guide.shown().doing, guide.shown().number, guide.readings().len()), ("asking", 2, 1));
        guide.typed("");
        run(&mut guide, 900, 150);
        guide.take();
        guide.typed("r");
        let out = guide.take();
        let withdrawn = match &out[..] {
            [Out::Withdrawn(reading), Out::Ask(_)] => reading.clone(),
            other => panic!("{other:?}"),
        };
        assert_eq!((withdrawn.reference_n, guide.shown().number), (9.8, 2));
        guide.typed("");
        run(&mut guide, 5000, 250);
        assert_eq!(guide.shown().still, Some(true));
        guide.typed("");
        run(&mut guide, 100, 250);
        assert!(!guide.is_done(), "the last reading is not in the journal yet");
        guide.take();
        assert!(guide.is_done());
        let kept = guide.readings();
        assert!((guide.points()[1].indication - 5001.0).abs() < 0.1);
        // Whoever reads the recording's events comes to the same readings.
        let event = |detail: String| EventRow {
            monotonic_ns: 0,
            sensor: -1,
            sample: -1,
            kind: "action".to_owned(),
            detail,
        };
        let read = |reading: &Reading| Out::Read(reading.clone());
        let mut out = vec![read(&kept[0]), read(&withdrawn), Out::Withdrawn(withdrawn)];
        out.extend(kept[1..].iter().map(read));
        let events: Vec<EventRow> = out.iter().filter_map(Out::to_json).map(event).collect();
        assert_eq!(marked(&events), kept);
    }

    #[test]
    fn a_reference_must_be_typed() {
        let mut steps = programme(1, vec![false]).steps();
        steps.retain(|step| step.reading.as_ref().is_some_and(|wanted| wanted.known != known(0.0)));
        for wanted in steps.iter_mut().filter_map(|step| step.reading.as_mut()) {
            wanted.known = None;
        }
        let mut guide = guide(steps, 0.0);
        guide.hear(&block(0, vec![0; 10]));
        guide.take();
        guide.typed("");
        assert!(matches!(&guide.take()[..], [Out::Say(words)] if words.contains("reference")));
        guide.typed("12,5");
        (0..20).for_each(|n| guide.hear(&block(10 + 10 * n, (0..10).map(|i| i % 2).collect())));
        assert_eq!(guide.readings()[0].reference_n, 12.5);
    }
}
