//! Random examiners, hands and accidents: what must hold whatever happens.

use super::*;
use crate::simulate::random::Random;
use crate::visit::plan::ATTEMPTS_MAX;
use std::collections::HashMap;

/// Four muscles of two sides and palms, all tests, short.
fn plan(random: &mut Random) -> String {
    let (rest_s, trials) = (random.between(0.0, 20.0), 1 + random.below(3));
    let involved = ["", "involved_side = \"left\"\n"][random.below(2)];
    let familiarisation = random.below(2);
    format!(
        "title = \"t\"\nprocedure = \"examined\"\n{involved}sides = [\"right\", \"left\"]\n\
         tests = [\"active-motion\", \"make\", \"break\", \"concentric\", \"length\"]\n\
         [defaults]\ntrials = {trials}\nrest_s = {rest_s:.1}\nhold_s = 0.6\ncount = 3\n\
         [test.make]\nfamiliarisation = {familiarisation}\n[test.concentric]\ngrip = \"same\"\n\
         [[muscle]]\nmuscle = \"index abduction\"\npalm = \"down\"\n[[muscle]]\nmuscle = \"ring abduction\"\npalm = \"up\"\n"
    )
}

/// What a test of a visit keeps of its own, to hold the visit against.
#[derive(Default)]
struct Witness {
    heard: usize,
    cues: usize,
    /// When each muscle's last pull ended, by the witness's own clock of seen time.
    rested: HashMap<String, f64>,
    seen_s: f64,
    /// Items whose cap was reached, and the one that is on.
    capped: Vec<usize>,
    on: usize,
    pending: Vec<Owed>,
}

enum Owed {
    Zero,
}

impl Witness {
    /// Looks at what was said since the last time.
    fn look(&mut self, world: &World, may: &dyn Fn(usize) -> bool) {
        for effect in &world.said[self.heard..] {
            match effect {
                Effect::Cue(cue) => {
                    assert!(world.warned[self.cues], "nothing could warn");
                    let plan = world.visit.plan.as_ref().unwrap();
                    let item = &plan.items[cue.item.0 - 1];
                    assert!(may(cue.item.0), "the gate forbids item {}: {}", cue.item.0, item.name());
                    // A trial that was called another muscle's takes its cap with it.
                    let moved = world
                        .said
                        .iter()
                        .any(|it| matches!(it, Effect::Amended(trial) if !trial.was.is_empty()));
                    assert!(
                        moved || !self.capped.contains(&cue.item.0),
                        "a cap that was reached is not repeated"
                    );
                    self.on = cue.item.0;
                    let (attempts, make_n) = world.cued[self.cues];
                    self.cues += 1;
                    assert!(attempts < ATTEMPTS_MAX, "at most five attempts");
                    if item.test == Test::Break {
                        let cap_n = cue.cap_n.unwrap_or(f64::INFINITY);
                        assert!(cap_n <= 1.5 * make_n.unwrap_or(0.0), "a make of this visit sets the cap");
                    }
                    if let Some(ended_s) = self.rested.get(&item.muscle.to_string()) {
                        let rest_s = self.seen_s - ended_s;
                        assert!(rest_s >= item.rest_s - 2.0 * STEP_S, "rested {rest_s} of {}", item.rest_s);
                    }
                }
                Effect::Result(result) if result.item.is_some() => {
                    assert!(result.outcome.is_some(), "every attempt has an outcome");
                    assert!(result.valid == result.why_not.is_empty());
                    if result.peak_zero_n.is_some() {
                        // The hold ended a little before the visit heard of it.
                        self.rested.insert(result.muscle.unwrap().to_string(), self.seen_s - 0.5);
                    }
                }
                Effect::Cap(true, ..) => self.capped.push(self.on),
                Effect::SeekZero | Effect::ForceZero => self.pending.push(Owed::Zero),
                _ => {}
            }
        }
        self.heard = world.said.len();
    }
}

const LINES: [&str; 19] = [
    "",
    "",
    "r",
    "p",
    "p 1",
    "p 6",
    "x",
    "s",
    "i",
    "l",
    "w left index abduction",
    "w right ring abduction",
    "w 2 left index abduction: wrong finger",
    "i 1 the thumb",
    "pause",
    "o active motion: full",
    "g 2",
    "override 3 because",
    "allow left make pain 2",
];

/// One random visit: some hundreds of things happen, then all is done as it should be until the end. Gives all it said.
fn visit(seed: u64) -> Vec<Effect> {
    let mut random = Random::new(seed);
    let mut world = World::new(&plan(&mut random));
    let mut witness = Witness::default();
    let mut typed: Vec<String> = Vec::new();
    let gate = ["none", "active", "make", "break"];
    for side in ["left", "right"] {
        typed.push(format!("allow {side} {} pain 1", gate[random.below(4)]));
    }
    world.zero();
    for line in typed.clone() {
        world.type_line(&line);
    }
    for _ in 0..120 + random.below(200) {
        happen(&mut random, &mut world, &mut witness, &mut typed);
        check(&mut witness, &world, &typed);
    }
    finish(&mut world, &mut witness, &typed);
    world.said
}

fn check(witness: &mut Witness, world: &World, typed: &[String]) {
    let plan = world.visit.plan.clone().unwrap();
    // The gate as the witness understands it: the last word about each side, and what was overridden.
    let may = |number: usize| {
        let item = &plan.items[number - 1];
        let side = item.muscle.side.to_string();
        let allowed = typed.iter().rev().find(|line| line.starts_with(&format!("allow {side}"))).unwrap();
        let level = allowed.split_whitespace().nth(2).unwrap();
        let enough = match item.test {
            Test::Break => level == "break",
            _ => level == "break" || level == "make",
        };
        enough || typed.contains(&format!("override {number} because"))
    };
    witness.look(world, &may);
}

fn wait(world: &mut World, witness: &mut Witness, seconds: f64) {
    let before_s = world.visit.now_s;
    world.wait(seconds);
    witness.seen_s += world.visit.now_s - before_s;
}

fn happen(random: &mut Random, world: &mut World, witness: &mut Witness, typed: &mut Vec<String>) {
    match random.below(12) {
        0 | 1 => {
            world.force_n = 1.5;
            wait(world, witness, 1.3);
        }
        2 => {
            world.force_n = 0.0;
            wait(world, witness, random.between(0.1, 2.0));
        }
        3 => {
            world.force_n = random.between(-5.0, 60.0);
            wait(world, witness, random.between(0.01, 1.0));
        }
        4..=6 => pull(random, world, witness),
        7 => {
            let line = LINES[random.below(LINES.len())];
            typed.push(line.to_owned());
            world.type_line(line);
        }
        8 => {
            world.segment += 1;
            world.time_s = random.between(0.0, 5.0);
            wait(world, witness, 0.05);
        }
        9 if random.chance(0.3) => world.zero(),
        9 if random.chance(0.3) => world.warner(random.chance(0.5)),
        10 => world.step(&Input::Pulling(random.chance(0.5))),
        _ => wait(world, witness, random.between(1.0, 12.0)),
    }
    serve(world, witness);
}

fn pull(random: &mut Random, world: &mut World, witness: &mut Witness) {
    let (peak_n, held_s) = (random.between(0.5, 45.0), random.between(0.1, 1.5));
    let mut hold = hold(world.time_s + 0.02, held_s, peak_n);
    if random.chance(0.4) {
        broke(&mut hold);
    }
    if random.chance(0.1) {
        hold.flags.push(Flag::Gap);
    }
    if random.chance(0.1) {
        hold.kind = Kind::Touch;
    }
    world.step(&Input::Pulling(true));
    world.force_n = peak_n;
    wait(world, witness, held_s + 0.02);
    world.force_n = 1.5;
    wait(world, witness, 0.4);
    world.ended(&hold);
}

/// The sensor takes the zeros that were asked for.
fn serve(world: &mut World, witness: &mut Witness) {
    for owed in std::mem::take(&mut witness.pending) {
        match owed {
            Owed::Zero => world.zero(),
        }
    }
}

/// Everybody does what is asked: the visit must come to its end.
fn finish(world: &mut World, witness: &mut Witness, typed: &[String]) {
    world.warner(true);
    world.step(&Input::Pulling(false));
    for _ in 0..2000 {
        match world.visit.stage() {
            Stage::Done => return,
            Stage::Halted { .. } | Stage::Pain { .. } => world.type_line(""),
            Stage::Turn { .. } => {
                world.force_n = 0.0;
                wait(world, witness, 0.8);
            }
            Stage::Ready { .. } => {
                world.force_n = 1.5;
                wait(world, witness, 1.3);
            }
            Stage::Pull { .. } => {
                let mut hold = hold(world.time_s + 0.02, 0.8, 12.0);
                broke(&mut hold);
                world.step(&Input::Pulling(true));
                world.force_n = 12.0;
                wait(world, witness, 0.9);
                world.force_n = 1.5;
                wait(world, witness, 0.4);
                world.ended(&hold);
            }
            _ => wait(world, witness, 1.0),
        }
        check(witness, world, typed);
        serve(world, witness);
    }
    panic!("no way on from {:?}", world.visit.stage());
}

#[test]
fn whatever_happens_there_is_a_way_on_and_no_rule_is_broken() {
    for seed in 0..300 {
        let ran = std::panic::catch_unwind(|| visit(seed));
        assert!(ran.is_ok(), "seed {seed}");
    }
}

#[test]
fn the_same_inputs_give_the_same_visit() {
    for seed in 0..5 {
        assert_eq!(visit(seed), visit(seed), "seed {seed}");
    }
}
