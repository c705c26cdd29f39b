//! What a guided session asks for: instructions in their order, and the readings that are taken then.
//!
//! Comes in: loads, directions, mountings. Goes out: the [`Step`]s of a calibration, a check, zeros by attitude, creep, a step
//! response.

use analysis::sensor::attitude::{self, ORIENTATIONS};
use analysis::sensor::dead_weight::KnownForce;
use analysis::sensor::points::Direction;
use serde::Serialize;

/// How often a load is taken off for the step response.
const STEPS: u32 = 3;

/// What is to be done.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Instruction {
    /// The full load, the first to third time: exercise.
    Exercise {
        /// Which time.
        time: u32,
        /// The load's name.
        load: String,
        /// The other way.
        negative: bool,
    },
    /// Off with it again.
    Relieve,
    /// Nothing on it.
    Empty {
        /// The sensor is turned before.
        turned: bool,
    },
    /// Up (or down) to a load.
    Load {
        /// The load's name.
        load: String,
        /// The other way.
        negative: bool,
        /// Down.
        down: bool,
        /// What it is, a reference shows: that is to be typed.
        typed: bool,
    },
    /// The sensor lies as it is told.
    Lay {
        /// In this orientation.
        orientation: String,
    },
    /// Nothing on it, before a creep test.
    Free,
    /// The creep test's load.
    Creep {
        /// The load's name.
        load: String,
    },
    /// Off with that.
    Recover,
    /// The load hangs on a thread.
    Hang {
        /// The load's name.
        load: String,
        /// Which time.
        time: u32,
    },
    /// The thread is cut.
    Cut {
        /// Which time.
        time: u32,
    },
}

/// One thing to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// What to do.
    pub instruction: Instruction,
    /// The reading to take then; `None` where nothing is read (exercising the sensor).
    pub reading: Option<Wanted>,
    /// How long it is to stay as it is before the next one, s.
    pub lasts_s: f64,
}

impl Step {
    pub(super) fn new(instruction: Instruction, reading: Option<Wanted>) -> Step {
        Step { instruction, reading, lasts_s: 0.0 }
    }

    /// What to do, in words for a terminal.
    pub fn words(&self) -> String {
        let wanted = self.reading.as_ref();
        let place = wanted.map_or_else(String::new, |of| match of.series.as_str() {
            CHECK => CHECK.to_owned(),
            series => format!("series {series}, mounting {}°", of.mounting),
        });
        let long = duration(self.lasts_s);
        let way = |negative: &bool| if *negative { " the other way (tension)" } else { "" };
        match &self.instruction {
            Instruction::Exercise { time, load, negative } => {
                format!("exercise {time} of 3: load {load}{}, then Enter", way(negative))
            }
            Instruction::Relieve => "unload the sensor, then Enter".to_owned(),
            Instruction::Empty { turned } => {
                let to =
                    wanted.filter(|_| *turned).map(|of| format!("turn the sensor to {}°; ", of.mounting));
                format!("{place}: {}nothing on it, then Enter", to.unwrap_or_default())
            }
            Instruction::Load { load, negative, down, typed } => {
                let direction = if *down { "down" } else { "up" };
                let then =
                    if *typed { "then type what the reference shows (N) and Enter" } else { "then Enter" };
                format!("{place}: {direction} to {load}{}, {then}", way(negative))
            }
            Instruction::Lay { orientation } => {
                format!("lay the sensor with its {orientation}, nothing touching it, then Enter")
            }
            Instruction::Free => "nothing on the sensor, then Enter".to_owned(),
            Instruction::Creep { load } => {
                format!("press Enter and load {load} at once: it stays for {long}")
            }
            Instruction::Hang { load, time } => {
                format!("step {time} of {STEPS}: hang {load} on a thread, let it hang still, then Enter")
            }
            Instruction::Cut { time } => format!(
                "step {time} of {STEPS}: press Enter, then cut the thread or lift the load off at once"
            ),
            Instruction::Recover => {
                format!("press Enter and unload it at once: nothing touches it for {long}")
            }
        }
    }
}

/// From the key to the cut, at most, s.
const CUT_S: f64 = 5.0;
/// Series of a check.
const CHECK: &str = "check";
/// Without a load.
const NOTHING: KnownForce = KnownForce { force_n: 0.0, standard_uncertainty_n: 0.0 };

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
        let Some((load, _)) = self.loads.last() else { return };
        for time in 1..=3 {
            steps.push(Step::new(Instruction::Exercise { time, load: load.clone(), negative }, None));
            steps.push(Step::new(Instruction::Relieve, None));
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
        let load = |name: &String, known: &Option<KnownForce>, direction| {
            let down = direction == Direction::Down;
            let instruction =
                Instruction::Load { load: name.clone(), negative, down, typed: known.is_none() };
            Step::new(instruction, wanted(*known, direction))
        };
        steps.push(Step::new(Instruction::Empty { turned }, wanted(Some(NOTHING), Direction::Up)));
        steps.extend(self.loads.iter().map(|(name, known)| load(name, known, Direction::Up)));
        let back = self.loads.iter().rev().skip(1).filter(|_| down);
        steps.extend(back.map(|(name, known)| load(name, known, Direction::Down)));
        steps.push(Step::new(Instruction::Empty { turned: false }, wanted(Some(NOTHING), Direction::Down)));
    }

    /// The zero in six orientations, and in the first one again.
    pub fn attitude() -> Vec<Step> {
        let again = [ORIENTATIONS[0]];
        let all: Vec<&str> = ORIENTATIONS.into_iter().chain(again).collect();
        let step = |orientation: &&str| {
            let wanted = Wanted {
                known: Some(NOTHING),
                negative: false,
                series: attitude::SERIES.to_owned(),
                mounting: (*orientation).to_owned(),
                direction: Direction::Up,
            };
            Step::new(Instruction::Lay { orientation: (*orientation).to_owned() }, Some(wanted))
        };
        all.iter().map(step).collect()
    }

    /// Creep and recovery (OIML R 60): nothing, one load at once and for `lasts_s`, nothing for as long.
    pub fn creep(load: &str, lasts_s: f64) -> Vec<Step> {
        let step = |instruction, lasts_s| Step { lasts_s, ..Step::new(instruction, None) };
        vec![
            step(Instruction::Free, (0.1 * lasts_s).min(60.0)),
            step(Instruction::Creep { load: load.to_owned() }, lasts_s),
            step(Instruction::Recover, lasts_s),
        ]
    }

    /// Step response: a load that hangs still is taken off at once, several times; the fastest is the least of the hand.
    pub fn step(load: &str, still_s: f64) -> Vec<Step> {
        let once = |time: u32| [Instruction::Hang { load: load.to_owned(), time }, Instruction::Cut { time }];
        let of = |instruction| {
            // The hand needs its time after the key; then it is to be still as long as before.
            let hand_s = if matches!(instruction, Instruction::Cut { .. }) { CUT_S } else { 0.0 };
            Step { lasts_s: still_s + hand_s, ..Step::new(instruction, None) }
        };
        std::iter::once(Instruction::Free).chain((1..=STEPS).flat_map(once)).map(of).collect()
    }

    /// A check: without, with, without one load.
    pub fn check(name: &str, known: KnownForce) -> Vec<Step> {
        let negative = known.force_n < 0.0;
        let step = |instruction, known: KnownForce, direction| {
            let (series, mounting) = (CHECK.to_owned(), "as used".to_owned());
            let known = Some(KnownForce { force_n: known.force_n.abs(), ..known });
            Step::new(instruction, Some(Wanted { known, negative, series, mounting, direction }))
        };
        let load = Instruction::Load { load: name.to_owned(), negative, down: false, typed: false };
        vec![
            step(Instruction::Empty { turned: false }, NOTHING, Direction::Up),
            step(load, known, Direction::Up),
            step(Instruction::Empty { turned: false }, NOTHING, Direction::Down),
        ]
    }
}

/// A time for people.
pub(super) fn duration(seconds: f64) -> String {
    if seconds >= 90.0 { format!("{:.0} min", seconds / 60.0) } else { format!("{seconds:.0} s") }
}
