//! A guided calibration: what to load when, and the readings that come of it.
//!
//! Comes in: the steps, what the operator types, blocks of samples. Goes out: words for the operator, readings for the journal
//! ([`Out::Read`]), and the end. Pure: time is counted in samples.
//!
//! A reading is the mean of a steady second ([`ZeroSearch`]) that begins when the load has been there for a while; which
//! samples it is made of is written down, so that whoever reads the recording takes the same mean from the same samples.

use crate::pipeline::force::{NoZero, Scale, ZeroSearch};
use crate::pipeline::{Block, Output};
use analysis::sensor::attitude::{self, ORIENTATIONS};
use analysis::sensor::dead_weight::KnownForce;
use analysis::sensor::points::{Direction, Point};
use analysis::sensor::readings::Reading;
use std::collections::VecDeque;

/// How often it is told how long a load is to stay.
const TOLD: u64 = 10;
/// How often a load is taken off for the step response.
const STEPS: u32 = 3;
/// An unsteady load is told about after this long, s.
const IMPATIENT_S: f64 = 15.0;

/// One thing to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What to do, in words.
    pub words: String,
    /// The reading to take then; `None` where nothing is read (exercising the sensor).
    pub reading: Option<Wanted>,
    /// How long it is to stay as it is before the next one, s.
    pub lasts_s: f64,
}

impl Step {
    fn new(words: String, reading: Option<Wanted>) -> Step {
        Step { words, reading, lasts_s: 0.0 }
    }
}

/// A reading to take.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// The known force; `None` where the operator types what a reference sensor shows.
    pub known: Option<KnownForce>,
    /// Forces are below zero.
    pub negative: bool,
    /// Series.
    pub series: String,
    /// Mounting.
    pub mounting: String,
    /// Which way the load came.
    pub direction: Direction,
}

/// What is to be loaded.
#[derive(Debug, Clone, PartialEq)]
pub struct Programme {
    /// Loads on the way up, each with its name; a force of `None` is typed.
    pub loads: Vec<(String, Option<KnownForce>)>,
    /// Directions of force: `false` compression (or whichever is positive), `true` the other one.
    pub negative: Vec<bool>,
    /// Mountings: 0°, then turned by equal parts of a turn.
    pub mountings: u32,
}

impl Programme {
    /// The steps, in the manner of ISO 376: three times to full load; two series up in the first mounting; in each further
    /// mounting one up and down (with a single mounting the second series comes down).
    pub fn steps(&self) -> Vec<Step> {
        let mut steps = Vec::new();
        for negative in &self.negative {
            self.exercise(*negative, &mut steps);
            let mut names = (b'A'..=b'Z').map(|letter| {
                let side = if *negative { "−" } else { "" };
                format!("{side}{}", char::from(letter))
            });
            for mounting in 0..self.mountings {
                let name = format!("{}", 360 * mounting / self.mountings);
                let runs = if mounting == 0 { 2 } else { 1 };
                for run in 0..runs {
                    let down = mounting > 0 || (self.mountings == 1 && run == 1);
                    let series = names.next().unwrap_or_default();
                    self.series(*negative, &name, &series, down, mounting > 0 && run == 0, &mut steps);
                }
            }
        }
        steps
    }

    fn exercise(&self, negative: bool, steps: &mut Vec<Step>) {
        let Some((name, _)) = self.loads.last() else { return };
        let way = way(negative);
        for time in 1..=3 {
            steps.push(Step::new(format!("exercise {time} of 3: load {name}{way}, then Enter"), None));
            steps.push(Step::new("unload the sensor, then Enter".to_owned(), None));
        }
    }

    fn series(
        &self,
        negative: bool,
        mounting: &str,
        series: &str,
        down: bool,
        turned: bool,
        steps: &mut Vec<Step>,
    ) {
        let wanted = |known: Option<KnownForce>, direction| {
            let (series, mounting) = (series.to_owned(), mounting.to_owned());
            Some(Wanted { known, negative, series, mounting, direction })
        };
        let none = Some(KnownForce { force_n: 0.0, standard_uncertainty_n: 0.0 });
        let turn = if turned { format!("turn the sensor to {mounting}°; ") } else { String::new() };
        let place = format!("series {series}, mounting {mounting}°");
        let step = Step::new;
        steps.push(step(format!("{place}: {turn}nothing on it, then Enter"), wanted(none, Direction::Up)));
        let typed = |known: &Option<KnownForce>| {
            if known.is_some() { "then Enter" } else { "then type what the reference shows (N) and Enter" }
        };
        let way = way(negative);
        for (name, known) in &self.loads {
            let words = format!("{place}: up to {name}{way}, {}", typed(known));
            steps.push(step(words, wanted(*known, Direction::Up)));
        }
        for (name, known) in self.loads.iter().rev().skip(1).filter(|_| down) {
            let words = format!("{place}: down to {name}{way}, {}", typed(known));
            steps.push(step(words, wanted(*known, Direction::Down)));
        }
        steps.push(step(format!("{place}: nothing on it, then Enter"), wanted(none, Direction::Down)));
    }

    /// The zero in six orientations, and in the first one again.
    pub fn attitude() -> Vec<Step> {
        let again = [ORIENTATIONS[0]];
        let all: Vec<&str> = ORIENTATIONS.into_iter().chain(again).collect();
        let step = |orientation: &&str| {
            let wanted = Wanted {
                known: Some(KnownForce { force_n: 0.0, standard_uncertainty_n: 0.0 }),
                negative: false,
                series: attitude::SERIES.to_owned(),
                mounting: (*orientation).to_owned(),
                direction: Direction::Up,
            };
            let words = format!("lay the sensor with its {orientation}, nothing touching it, then Enter");
            Step::new(words, Some(wanted))
        };
        all.iter().map(step).collect()
    }

    /// Creep and recovery (OIML R 60): nothing, one load at once and for `lasts_s`, nothing for as long.
    pub fn creep(load: &str, lasts_s: f64) -> Vec<Step> {
        let long = duration(lasts_s);
        let step = |words: String, lasts_s| Step { lasts_s, ..Step::new(words, None) };
        vec![
            step("nothing on the sensor, then Enter".to_owned(), (0.1 * lasts_s).min(60.0)),
            step(format!("press Enter and load {load} at once: it stays for {long}"), lasts_s),
            step(format!("press Enter and unload it at once: nothing touches it for {long}"), lasts_s),
        ]
    }

    /// Step response: a load that hangs still is taken off at once, several times; the fastest is the least of the hand.
    pub fn step(load: &str, still_s: f64) -> Vec<Step> {
        let still = |words: String| Step { lasts_s: still_s, ..Step::new(words, None) };
        let once = |time: u32| {
            let place = format!("step {time} of {STEPS}");
            let hang = format!("{place}: hang {load} on a thread, let it hang still, then Enter");
            let cut = format!("{place}: press Enter, then cut the thread or lift the load off at once");
            [still(hang), still(cut)]
        };
        let first = still("nothing on the sensor, then Enter".to_owned());
        std::iter::once(first).chain((1..=STEPS).flat_map(once)).collect()
    }

    /// A check: without, with, without one load.
    pub fn check(name: &str, known: KnownForce) -> Vec<Step> {
        let none = KnownForce { force_n: 0.0, standard_uncertainty_n: 0.0 };
        let step = |words: String, known: KnownForce, direction| {
            let (series, mounting) = ("check".to_owned(), "as used".to_owned());
            let negative = known.force_n < 0.0;
            let known = Some(KnownForce { force_n: known.force_n.abs(), ..known });
            Step::new(words, Some(Wanted { known, negative, series, mounting, direction }))
        };
        vec![
            step("check: nothing on it, then Enter".to_owned(), none, Direction::Up),
            step(format!("check: load {name}, then Enter"), known, Direction::Up),
            step("check: unload it, then Enter".to_owned(), none, Direction::Down),
        ]
    }
}

/// A time for people.
fn duration(seconds: f64) -> String {
    if seconds >= 90.0 { format!("{:.0} min", seconds / 60.0) } else { format!("{seconds:.0} s") }
}

fn way(negative: bool) -> &'static str {
    if negative { " the other way (tension)" } else { "" }
}

/// What comes out.
#[derive(Debug, Clone, PartialEq)]
pub enum Out {
    /// Words for the operator.
    Say(String),
    /// A reading for the journal.
    Read(Reading),
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

/// The guide.
pub struct Guide {
    channel: usize,
    steps: VecDeque<Step>,
    count: usize,
    still_s: f64,
    phase: Phase,
    interval_s: f64,
    scale: Option<Scale>,
    readings: Vec<(Reading, f64)>,
    out: Vec<Out>,
}

impl Guide {
    /// A guide through these steps, which reads a channel (from 1) when its load has been there for `still_s`.
    pub fn new(steps: Vec<Step>, still_s: f64, channel: usize) -> Guide {
        Guide {
            channel,
            count: steps.len(),
            steps: steps.into(),
            still_s,
            phase: Phase::Starting,
            interval_s: f64::NAN,
            scale: None,
            readings: Vec::new(),
            out: Vec::new(),
        }
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
                self.scale = identity.channels.get(self.channel - 1).map(|channel| channel.scale);
                self.warn_of_load();
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
        if let Some(scale) = self.scale.filter(|scale| greatest_n > scale.rated_n.abs()) {
            let words = format!(
                "the greatest load, {greatest_n:.1} N, is above the sensor's rated {} N: do not load it",
                scale.rated_n
            );
            self.out.push(Out::Say(words));
        }
    }

    /// Samples are missing: what was being read is read anew.
    fn restart(&mut self) {
        match &mut self.phase {
            Phase::Reading { search, .. } => search.clear(),
            Phase::Lasting { .. } => {
                let words =
                    "samples are missing: what changes is told from the longest stretch without a gap";
                self.out.push(Out::Say(words.to_owned()));
            }
            _ => {}
        }
    }

    /// The operator typed something: Enter, or what a reference shows.
    pub fn typed(&mut self, line: &str) {
        let Phase::Asking = self.phase else {
            return self.out.push(Out::Say("one moment: the load is being read".to_owned()));
        };
        let Some(step) = self.steps.front() else { return };
        let Some(wanted) = &step.reading else {
            self.out.push(Out::Step(step.words.clone()));
            let samples = (step.lasts_s / self.interval_s).clamp(0.0, 1e9) as u64;
            self.phase = Phase::Lasting { left: samples, of: samples };
            return self.lasting();
        };
        let known = match (wanted.known, line.trim().replace(',', ".").parse::<f64>()) {
            (Some(known), _) => known,
            (None, Ok(force_n)) if force_n.is_finite() && force_n != 0.0 => {
                KnownForce { force_n: force_n.abs(), standard_uncertainty_n: f64::NAN }
            }
            (None, _) => return self.out.push(Out::Say("type what the reference shows, in N".to_owned())),
        };
        let samples = (self.still_s / self.interval_s).clamp(0.0, 1e9) as u64;
        self.phase = Phase::Waiting { samples, known };
    }

    /// Says now and then how long is left, and goes on when nothing is.
    fn lasting(&mut self) {
        let Phase::Lasting { left, of } = &self.phase else { return };
        if *left == 0 {
            self.steps.pop_front();
            return self.ask();
        }
        let a_second = (1.0 / self.interval_s) as u64;
        if left.is_multiple_of(of.div_ceil(TOLD).max(a_second)) {
            let words = format!("{} to go: leave it as it is", duration(*left as f64 * self.interval_s));
            self.out.push(Out::Say(words));
        }
    }

    fn ask(&mut self) {
        self.phase = match self.steps.front() {
            Some(step) => {
                let number = self.count - self.steps.len() + 1;
                self.out.push(Out::Say(format!("[{number}/{}] {}", self.count, step.words)));
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
        match &mut self.phase {
            Phase::Waiting { samples: 0, known } => {
                let Some(scale) = self.scale else { return };
                let search = Box::new(ZeroSearch::new(self.interval_s, scale, true));
                self.phase = Phase::Reading { known: *known, search, since: position, told: false };
                self.sample(position, counts);
            }
            Phase::Waiting { samples, .. } => *samples -= 1,
            Phase::Lasting { left, .. } => {
                *left -= 1;
                self.lasting();
            }
            Phase::Reading { known, search, since, told } => match search.push(counts) {
                Ok(zero) => {
                    let known = *known;
                    self.read(known, position + 1 - zero.samples, zero.samples, zero.zero_counts);
                }
                Err(NoZero::Unsteady)
                    if !*told && (position - *since) as f64 * self.interval_s > IMPATIENT_S =>
                {
                    *told = true;
                    self.out.push(Out::Say("the load is not steady: let it hang still; waiting".to_owned()));
                }
                Err(_) => {}
            },
            _ => {}
        }
    }

    fn read(&mut self, known: KnownForce, first_sample: u64, samples: u64, counts: f64) {
        let Some(wanted) = self.steps.pop_front().and_then(|step| step.reading) else { return };
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

/// A reading as an action of the journal.
pub fn to_json(reading: &Reading) -> String {
    let mut value = serde_json::to_value(reading).unwrap_or_default();
    value["action"] = "reading".into();
    value.to_string()
}

/// A step that was done as an action of the journal: nothing but the recording's events takes note of it.
pub fn step_to_json(words: &str) -> String {
    serde_json::json!({ "action": "step", "words": words }).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::device_time::Placed;

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
        let words: Vec<&str> = steps.iter().map(|step| step.words.as_str()).collect();
        assert!(words[0].starts_with("exercise 1 of 3: load 10 N"));
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

    #[test]
    fn a_reading_is_the_mean_of_the_samples_it_names() {
        let steps = Programme::check("1 kg", KnownForce { force_n: 9.8, standard_uncertainty_n: 0.001 });
        let mut guide = Guide::new(steps, 0.5, 1);
        (guide.interval_s, guide.scale) = (0.01, Some(Scale::nominal(0, 1000, 1000)));
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
        assert!(matches!(&guide.take()[..], [Out::Say(words)] if words.contains("[1/3]")));
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
            assert!(to_json(reading).contains("\"action\":\"reading\""));
        }
        assert_eq!(guide.readings()[1].reference_n, 9.8);
    }

    #[test]
    fn a_reference_must_be_typed() {
        let mut steps = programme(1, vec![false]).steps();
        steps.retain(|step| step.reading.as_ref().is_some_and(|wanted| wanted.known != known(0.0)));
        for wanted in steps.iter_mut().filter_map(|step| step.reading.as_mut()) {
            wanted.known = None;
        }
        let mut guide = Guide::new(steps, 0.0, 1);
        (guide.interval_s, guide.scale) = (0.01, Some(Scale::nominal(0, 1000, 1000)));
        guide.hear(&block(0, vec![0; 10]));
        guide.take();
        guide.typed("");
        assert!(matches!(&guide.take()[..], [Out::Say(words)] if words.contains("reference")));
        guide.typed("12,5");
        (0..20).for_each(|n| guide.hear(&block(10 + 10 * n, (0..10).map(|i| i % 2).collect())));
        assert_eq!(guide.readings()[0].reference_n, 12.5);
    }
}
