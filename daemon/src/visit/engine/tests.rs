//! The visit alone, driven by hand and by chance. Samples come every 10 ms; holds are made up.

mod capped;
mod entered;
mod random;
mod warned;

use super::*;
use crate::visit::plan::Plan;
use analysis::holds::{Flag, Kind, Profile};
use analysis::measures::Measures;

const STEP_S: f64 = 0.01;

pub(super) fn hold(onset_s: f64, held_s: f64, peak_n: f64) -> Hold {
    Hold {
        kind: Kind::Hold,
        first_index: 0,
        last_index: 0,
        onset_s,
        onset_sd_s: None,
        rise5_s: None,
        break_s: None,
        break_n: None,
        release_s: Some(onset_s + held_s),
        end_s: Some(onset_s + held_s + 0.1),
        rest_n: 0.0,
        contact_s: None,
        contact_n: 0.0,
        peak_n,
        peak_s: onset_s,
        peak_zero_n: peak_n,
        mean_n: None,
        measures: Measures::default(),
        flags: Vec::new(),
    }
}

/// A visit, its time, the force on its sensor, and all that it said.
pub(super) struct World {
    pub visit: Visit,
    pub said: Vec<Effect>,
    pub segment: u64,
    pub time_s: f64,
    pub force_n: f64,
    /// At each cue: attempts of the item so far, and the muscle's best make, N.
    pub cued: Vec<(u32, Option<f64>)>,
    /// At each cue: something could warn.
    pub warned: Vec<bool>,
    pub able: bool,
}

impl World {
    pub fn new(plan: &str) -> World {
        let visit = Visit::new(Some(Plan::parse(plan).unwrap()));
        let (said, cued) = (Vec::new(), Vec::new());
        let warned = Vec::new();
        let mut world =
            World { visit, said, segment: 0, time_s: 0.0, force_n: 0.0, cued, warned, able: false };
        world.warner(true);
        world
    }

    /// With its zero, and everything allowed.
    pub fn begun(plan: &str) -> World {
        let mut world = World::new(plan);
        world.zero();
        world.type_line("allow left break pain 1");
        world.type_line("allow right break pain 1");
        world
    }

    pub fn step(&mut self, input: &Input) {
        let heard = self.said.len();
        self.visit.step(input, &mut self.said);
        for effect in &self.said[heard..] {
            if let Effect::Cue(cue) = effect {
                let results = self.visit.results();
                self.warned.push(self.able);
                self.cued.push((results.attempted(cue.item.0 - 1), results.best_n(cue.muscle, Test::Make)));
            }
        }
    }

    /// The plan is done, once pain was asked after.
    pub fn done(&mut self) -> bool {
        if matches!(self.visit.stage(), Stage::Pain { .. }) {
            self.type_line("");
        }
        self.visit.is_finished()
    }

    pub fn warner(&mut self, able: bool) {
        self.able = able;
        self.step(&Input::Action(&Examiner::Warner { able, by: "terminal".to_owned() }));
    }

    pub fn zero(&mut self) {
        self.step(&Input::Zeroed);
    }

    /// With its zero, and seen at rest.
    pub fn settled(plan: &str) -> World {
        let mut world = World::new(plan);
        world.zero();
        world.wait(REST_SEEN_S + 0.05);
        world
    }

    pub fn type_line(&mut self, line: &str) {
        let action = Examiner::parse(line).unwrap();
        self.step(&Input::Action(&action));
    }

    pub fn wait(&mut self, seconds: f64) {
        for _ in 0..libm::round(seconds / STEP_S) as u32 {
            self.time_s += STEP_S;
            self.step(&Input::Samples(self.segment, &[self.time_s], &[self.force_n as f32]));
        }
    }

    pub fn touch(&mut self) {
        self.force_n = 1.5;
        self.wait(1.3);
    }

    pub fn ended(&mut self, hold: &Hold) {
        self.step(&Input::Ended(self.segment, hold));
    }

    /// A pull at once, to this force, from the touch back to it.
    pub fn pull(&mut self, peak_n: f64, held_s: f64, shape: impl FnOnce(&mut Hold)) {
        let mut hold = hold(self.time_s + 0.05, held_s, peak_n);
        shape(&mut hold);
        self.wait(0.1);
        self.step(&Input::Pulling(true));
        self.force_n = peak_n;
        self.wait(held_s);
        self.force_n = 1.5;
        self.wait(0.4);
        self.ended(&hold);
    }

    /// Until this is on, at most two minutes.
    pub fn until(&mut self, wanted: impl Fn(&Stage) -> bool) {
        for _ in 0..1200 {
            if wanted(&self.visit.stage()) {
                return;
            }
            self.wait(0.1);
        }
        panic!("waited in vain: {:?}", self.visit.stage());
    }

    /// The hand lets go and waits for the next trial's turn.
    pub fn until_ready(&mut self) {
        self.force_n = 0.0;
        self.until(|stage| matches!(stage, Stage::Ready { .. }));
    }

    /// The results so far, as amended: item, outcome, valid.
    pub fn results(&self) -> Vec<(usize, &'static str, bool)> {
        let attempts = self.visit.results().attempts().iter();
        attempts.map(|it| (it.item.unwrap_or(0), it.outcome.map_or("", Outcome::word), it.valid)).collect()
    }

    pub fn cues(&self) -> usize {
        self.said.iter().filter(|effect| matches!(effect, Effect::Cue(_))).count()
    }

    pub fn heard(&self, part: &str) -> bool {
        self.said.iter().any(|effect| matches!(effect, Effect::Say(text) if text.contains(part)))
    }

    pub fn noted(&self, part: &str) -> bool {
        self.said.iter().any(|effect| matches!(effect, Effect::Observed(seen) if seen.value.contains(part)))
    }
}

fn item(muscle: &str, test: &str, keys: &str) -> String {
    format!("[[item]]\nmuscle = \"{muscle}\"\ntest = \"{test}\"\n{keys}\n")
}

fn examined(items: &[String]) -> String {
    format!("title = \"t\"\nprocedure = \"examined\"\n{}", items.concat())
}

fn self_paced(rest_s: f64) -> String {
    let keys = |trials| format!("trials = {trials}\nhold_s = 1.0\nrest_s = {rest_s:.1}");
    let items =
        [item("left index abduction", "make", &keys(2)), item("right index abduction", "make", &keys(1))];
    format!("title = \"t\"\n{}", items.concat())
}

/// A make and a break of one muscle.
fn make_and_break() -> String {
    let keys = "trials = 1\nrest_s = 5.0\nhold_s = 1.0";
    examined(&[item("left index abduction", "make", keys), item("left index abduction", "break", keys)])
}

fn broke(hold: &mut Hold) {
    hold.break_s = Some(hold.onset_s + 1.0);
    hold.break_n = Some(hold.peak_n);
}

#[test]
fn who_pulls_alone_runs_from_the_zero_to_the_end() {
    let mut world = World::settled(&self_paced(5.0));
    for _ in 0..20 {
        if world.done() {
            break;
        }
        world.wait(0.2);
        world.pull(20.0, 1.2, |_| {});
    }
    assert_eq!(world.results(), [(1, "released", true), (1, "released", true), (2, "released", true)]);
    let unassigned = |effect: &&Effect| matches!(effect, Effect::Result(result) if result.item.is_none());
    assert!(world.said.iter().filter(unassigned).count() > 2, "holds during the rest stay unassigned");
    assert!(world.said.contains(&Effect::Finished));
}

#[test]
fn a_pull_as_soon_as_there_is_a_zero_is_before_the_cue_and_the_next_one_counts() {
    let mut world = World::new(&self_paced(0.0));
    world.zero();
    world.pull(20.0, 0.3, |_| {});
    assert_eq!((world.cues(), world.results().len()), (0, 0), "the finder has not seen the sensor at rest");
    world.wait(0.3);
    assert_eq!(world.cues(), 1);
    world.pull(20.0, 1.2, |_| {});
    assert_eq!(world.results(), [(1, "released", true)]);
}

#[test]
fn a_pull_to_get_used_to_the_task_is_kept_and_not_scored() {
    let keys = "trials = 2\nfamiliarisation = 1\nhold_s = 1.0\nrest_s = 0.0";
    let mut world = World::begun(&examined(&[item("left index abduction", "make", keys)]));
    // The first one is stopped: it has made nobody used to anything.
    world.until_ready();
    world.touch();
    world.step(&Input::Pulling(true));
    world.type_line("x");
    world.pull(10.0, 1.2, |_| {});
    world.type_line("");
    for peak_n in [10.0, 20.0, 21.0] {
        world.until_ready();
        world.touch();
        world.pull(peak_n, 1.2, |_| {});
    }
    assert!(world.done());
    let [stopped, half, first, second] = world.results()[..] else { panic!("{:?}", world.results()) };
    assert_eq!((stopped, half), ((1, "stopped", false), (1, "released", false)));
    assert_eq!((first, second), ((1, "released", true), (1, "released", true)));
    let attempts = world.visit.results().attempts();
    let numbers: Vec<_> = attempts.iter().map(|it| (it.number, it.attempt)).collect();
    assert_eq!(numbers, [(None, Some(1)), (None, Some(2)), (Some(1), Some(3)), (Some(2), Some(4))]);
    assert_eq!(attempts[0].why_not, "familiarisation: not scored");
    let cues = world.said.iter().filter_map(|it| if let Effect::Cue(cue) = it { Some(cue) } else { None });
    assert_eq!(cues.map(|cue| cue.familiarisation).collect::<Vec<_>>(), [true, true, false, false]);
}

#[test]
fn a_hold_too_short_is_repeated_and_five_attempts_end_the_item() {
    let mut world = World::settled(&self_paced(0.0));
    for _ in 0..5 {
        world.pull(20.0, 0.3, |_| {});
    }
    assert_eq!(world.results(), vec![(1, "released", false); 5]);
    assert!(world.heard("5 attempts: this item ends with 0 of 2"));
    world.wait(0.1);
    assert!(matches!(world.visit.stage(), Stage::Pull { item: 2 }));
}

#[test]
fn nothing_within_eight_seconds_is_below_measurable_and_a_pull_is_waited_for() {
    let mut world = World::settled(&self_paced(0.0));
    world.step(&Input::Pulling(true));
    world.wait(20.0);
    assert!(world.results().is_empty());
    world.step(&Input::Pulling(false));
    world.wait(0.1);
    assert_eq!(world.results(), [(1, "below-measurable", true)]);
    assert_eq!(world.visit.results().attempts()[0].below_n, Some(2.0));
}

#[test]
fn rest_goes_on_in_the_next_segment_and_is_never_counted_over_a_hole() {
    let mut world = World::settled(&self_paced(10.0));
    world.pull(20.0, 1.2, |_| {});
    world.wait(4.0);
    (world.segment, world.time_s) = (1, 0.0);
    world.wait(5.0);
    assert_eq!(world.cues(), 1, "nine seconds were seen");
    world.wait(1.5);
    assert_eq!(world.cues(), 2);
    world.pull(20.0, 1.2, |_| {});
    assert_eq!(
        world.visit.results().attempts()[1].rest_before_s,
        None,
        "how long it really was is not known"
    );
}

/// Another sensor was measured meanwhile: its segment has a number of its own, and the first sensor's clock went on.
#[test]
fn a_segment_that_is_come_back_to_tells_how_long_one_was_away() {
    let mut world = World::settled(&self_paced(10.0));
    world.pull(20.0, 1.2, |_| {});
    let (left_s, other) = (world.time_s, 1 << 48);
    (world.segment, world.time_s) = (other, 500.0);
    world.wait(2.0);
    (world.segment, world.time_s) = (0, left_s + 9.0);
    world.wait(0.5);
    assert_eq!(world.cues(), 1, "nine and a half seconds by the clock that was away");
    world.wait(1.0);
    assert_eq!(world.cues(), 2);
    world.pull(20.0, 1.2, |_| {});
    let rest_s = world.visit.results().attempts()[1].rest_before_s.unwrap();
    assert!((10.0..10.5).contains(&rest_s), "{rest_s}");
    // Two clocks differ a little: time never goes back.
    let (left_s, before_s) = (world.time_s, world.visit.remaining_s());
    (world.segment, world.time_s) = (other, 600.0);
    world.wait(3.0);
    (world.segment, world.time_s) = (0, left_s + 2.9);
    world.wait(0.1);
    assert!(world.visit.remaining_s() <= before_s - 3.0, "{before_s}");
}

#[test]
fn nothing_is_loaded_before_the_gate_is_answered() {
    let mut world = World::new(&make_and_break());
    world.zero();
    world.touch();
    world.wait(5.0);
    let asked = |it: &Effect| matches!(it, Effect::Stage(Stage::Gate(_)));
    let before = world.said.iter().filter(|it| asked(it)).count();
    world.type_line("");
    assert_eq!(world.said.iter().filter(|it| asked(it)).count(), before + 1, "it is asked again");
    assert!(matches!(world.visit.stage(), Stage::Gate(_)) && world.cues() == 0);
    world.type_line("left make pain 0");
    world.touch();
    assert_eq!(world.cues(), 1);
    world.pull(20.0, 1.2, |_| {});
    assert!(world.done(), "the break is not allowed");
    assert!(world.noted("not tested: the gate does not allow it"));
    assert!(world.heard("left out: item 2, left index abduction break: the gate does not allow it"));
}

#[test]
fn an_override_needs_a_reason_is_noted_and_lets_the_item_be_done() {
    let mut world = World::new(&make_and_break());
    world.zero();
    world.type_line("allow left make pain 0");
    world.step(&Input::Action(&Examiner::Override { item: 2, reason: String::new() }));
    assert!(world.heard("and a reason"));
    world.type_line("override 1 for nothing");
    assert!(world.heard("the gate does not hold item 1 back") && !world.noted("for nothing"));
    world.type_line("override 2 the surgeon is here and agrees");
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.until_ready();
    assert!(world.noted("the surgeon is here"));
}

#[test]
fn a_trial_begins_on_steady_contact_and_the_count_runs_through_the_pull() {
    let mut world = World::begun(&make_and_break());
    world.wait(30.0);
    assert_eq!(world.cues(), 0, "nobody touches");
    assert!(world.heard("no steady contact yet"));
    world.touch();
    assert_eq!(world.cues(), 1);
    world.wait(6.0);
    let counts: Vec<u32> = world
        .said
        .iter()
        .filter_map(|it| if let Effect::Count(count) = it { Some(*count) } else { None })
        .collect();
    assert_eq!(counts, [5, 4, 3, 2, 1, 0]);
}

#[test]
fn contact_lost_before_a_pull_is_no_attempt() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.force_n = 0.0;
    world.wait(1.0);
    assert!(world.results().is_empty() && matches!(world.visit.stage(), Stage::Ready { item: 1 }));
    world.touch();
    assert_eq!(world.cues(), 2);
}

#[test]
fn a_pull_before_the_cue_and_through_it_is_an_attempt_that_does_not_count() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    let early = world.time_s - 0.5;
    world.pull(20.0, 1.2, |hold| hold.onset_s = early);
    assert_eq!(world.results(), [(1, "released", false)]);
    assert_eq!(world.visit.results().attempts()[0].why_not, "began before the cue");
}

#[test]
fn a_weak_first_effort_makes_the_finder_look_for_weak_ones() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.pull(3.0, 1.2, |_| {});
    let looks: Vec<Profile> = world
        .said
        .iter()
        .filter_map(|it| if let Effect::Look(look) = it { Some(look.profile) } else { None })
        .collect();
    assert_eq!(looks, [Profile::Standard, Profile::Weak]);
    let mut world = World::begun(&make_and_break());
    world.type_line("g 3");
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    assert!(world.said.iter().any(|it| matches!(it, Effect::Look(look) if look.profile == Profile::Weak)));
}

#[test]
fn anything_stops_during_load_and_somebody_must_say_that_it_goes_on() {
    for line in ["", "x participant", "r", "s", "p 6"] {
        let mut world = World::begun(&make_and_break());
        world.touch();
        world.step(&Input::Pulling(true));
        world.type_line(line);
        assert!(world.heard("STOP"), "`{line}`");
        world.pull(20.0, 1.2, |_| {});
        let outcome = if line == "p 6" { "pain-limited" } else { "stopped" };
        assert_eq!(world.results(), [(1, outcome, false)], "`{line}`");
        world.wait(30.0);
        assert!(matches!(world.visit.stage(), Stage::Halted { .. }), "`{line}`");
        world.type_line("");
        let ended = line == "p 6";
        assert_eq!(world.done(), ended, "pain is not repeated: without its make there is no break");
    }
}

#[test]
fn pain_after_a_trial_makes_it_pain_limited_where_it_rose_by_two() {
    for (level, limited) in [("p 2", false), ("p 3", true), ("p", true)] {
        let mut world = World::begun(&make_and_break());
        world.touch();
        world.pull(20.0, 1.2, |_| {});
        world.type_line(level);
        let outcome = if limited { "pain-limited" } else { "released" };
        assert_eq!(world.results(), [(1, outcome, !limited)], "{level}, 1 at rest");
        assert_eq!(matches!(world.visit.stage(), Stage::Halted { .. }), limited);
    }
}

#[test]
fn a_trial_called_invalid_is_done_again_and_what_hangs_on_it_follows() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("i the thumb helped");
    assert!(
        world
            .said
            .iter()
            .any(|it| matches!(it, Effect::Amended(result) if result.why_not == "the thumb helped"))
    );
    world.until_ready();
    assert!(matches!(world.visit.stage(), Stage::Ready { item: 1 }), "the make is asked for again");
    world.touch();
    world.pull(16.0, 1.2, |_| {});
    world.until_ready();
    world.touch();
    let cap = world.said.iter().rev().find_map(|it| if let Effect::Cue(cue) = it { cue.cap_n } else { None });
    assert_eq!(cap, Some(24.0), "of the make that counts");
}

#[test]
fn a_wrong_finger_is_reassigned_with_its_old_label_and_both_items_are_counted_anew() {
    let keys = "trials = 1\nrest_s = 5.0\nhold_s = 1.0";
    let items = ["index", "ring"].map(|digit| item(&format!("left {digit} abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("w left ring abduction");
    assert_eq!(world.results(), [(2, "released", true)]);
    assert_eq!(world.visit.results().attempts()[0].was, [1]);
    world.until_ready();
    assert!(matches!(world.visit.stage(), Stage::Ready { item: 1 }));
    world.touch();
    world.pull(18.0, 1.2, |_| {});
    assert!(world.done(), "the ring's make is there already");
    world.type_line("w left thumb adduction");
    assert!(world.heard("the plan has no such test"));
}

#[test]
fn repeats_that_disagree_ask_for_one_more() {
    let keys = "trials = 3\nrest_s = 0.0\nhold_s = 1.0";
    for (peaks, trials) in [([20.0, 20.5, 19.5], 3), ([20.0, 12.0, 26.0], 4), ([20.0, 20.0, 23.0], 4)] {
        let mut world = World::begun(&examined(&[item("left index abduction", "make", keys)]));
        for peak_n in peaks.into_iter().chain([20.0]) {
            if !world.done() {
                world.until_ready();
                world.touch();
                world.pull(peak_n, 1.2, |_| {});
            }
        }
        assert!(world.done());
        assert_eq!(
            (world.results().len(), world.heard("one more trial")),
            (trials, trials == 4),
            "{peaks:?}"
        );
    }
}

#[test]
fn what_spoils_a_hold_is_said_and_the_trial_is_repeated() {
    for (flag, part) in [(Flag::Saturated, "saturated"), (Flag::Gap, "missing"), (Flag::TooLong, "120 s")] {
        let mut world = World::begun(&make_and_break());
        world.touch();
        world.pull(20.0, 1.2, |hold| hold.flags.push(flag));
        let attempt = &world.visit.results().attempts()[0];
        assert!(!attempt.valid && attempt.why_not.contains(part), "{}", attempt.why_not);
        world.until_ready();
        assert!(matches!(world.visit.stage(), Stage::Ready { item: 1 }));
    }
}

#[test]
fn what_is_only_looked_at_waits_for_nobody_and_keeps_what_is_entered() {
    let items = ["active-motion", "length"].map(|test| item("left index abduction", test, ""));
    let mut world = World::begun(&examined(&items));
    world.type_line("o active motion: half the range");
    assert!(world.noted("half the range") && matches!(world.visit.stage(), Stage::Look { item: 2 }));
    world.wait(7.0);
    assert!(world.noted("not entered") && world.done());
}

#[test]
fn a_turned_hand_gets_a_new_zero_once_the_sensor_is_free() {
    let keys = |palm: &str| format!("trials = 1\nrest_s = 1.0\nhold_s = 1.0\npalm = \"{palm}\"");
    let items = [
        item("left index abduction", "make", &keys("up")),
        item("left ring abduction", "make", &keys("down")),
    ];
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.wait(5.0);
    assert!(
        matches!(world.visit.stage(), Stage::Turn { item: 2 }) && !world.said.contains(&Effect::SeekZero)
    );
    world.force_n = 0.1;
    world.wait(1.0);
    assert!(world.said.contains(&Effect::SeekZero));
    world.zero();
    assert!(matches!(world.visit.stage(), Stage::Ready { item: 2 }));
}

#[test]
fn a_turned_hand_without_a_zero_has_two_ways_on() {
    let keys = |palm: &str| format!("trials = 1\nrest_s = 1.0\nhold_s = 1.0\npalm = \"{palm}\"");
    let items = [
        item("left index abduction", "make", &keys("up")),
        item("left ring abduction", "make", &keys("down")),
    ];
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("");
    assert!(world.said.contains(&Effect::ForceZero));
    world.type_line("");
    assert!(world.noted("no new zero") && matches!(world.visit.stage(), Stage::Ready { item: 2 }));
}

#[test]
fn a_submaximal_hold_has_its_band_from_the_make_and_says_how_much_of_it_was_inside() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 2.0";
    let target = format!("{keys}\ntarget_percent = 50.0\nband_percent = 10.0");
    let items =
        [item("left index abduction", "make", keys), item("left index abduction", "submaximal", &target)];
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 2.2, |_| {});
    world.until_ready();
    world.touch();
    let band =
        world.said.iter().rev().find_map(|it| if let Effect::Cue(cue) = it { cue.band_n } else { None });
    assert_eq!(band, Some((9.0, 11.0)));
    world.force_n = 10.0;
    world.wait(1.0);
    world.pull(14.0, 1.0, |hold| hold.release_s = hold.release_s.map(|release_s| release_s + 1.0));
    let share = world.visit.results().attempts()[1].in_band.unwrap();
    assert!((share - 0.5).abs() < 0.1, "{share}");
}

#[test]
fn what_comes_after_the_item_that_is_on_is_known_before() {
    let of =
        |muscle| format!("[[item]]\nmuscle = \"left {muscle} abduction\"\ntest = \"make\"\ntrials = 1\n");
    let mut world =
        World::begun(&format!("title = \"t\"\nprocedure = \"examined\"\n{}{}", of("index"), of("ring")));
    world.wait(0.1);
    assert_eq!((world.visit.stage(), world.visit.after()), (Stage::Ready { item: 1 }, Some(2)));
}
