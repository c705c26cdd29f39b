//! What people enter while the visit goes on: pain, grades, what they saw, whose a trial was.

use super::*;

#[test]
fn pain_is_asked_after_when_a_side_is_done_and_the_visit_waits_for_no_answer_for_ever() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 1.0";
    let items = ["left", "right"].map(|side| item(&format!("{side} index abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    assert!(matches!(world.visit.stage(), Stage::Pain { side: Side::Left }));
    world.type_line("p 4");
    assert!(matches!(world.visit.stage(), Stage::Rest { .. } | Stage::Turn { .. } | Stage::Ready { .. }));
    let asked = |world: &World| -> Vec<(String, Option<usize>)> {
        let of = |it: &Effect| match it {
            Effect::Observed(seen) if seen.kind == "pain after" => Some((seen.value.clone(), seen.item)),
            _ => None,
        };
        world.said.iter().filter_map(of).collect()
    };
    assert_eq!(asked(&world), [("4".to_owned(), Some(1))]);
    world.until(|stage| matches!(stage, Stage::Turn { .. }));
    world.wait(1.0);
    world.zero();
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    assert!(matches!(world.visit.stage(), Stage::Pain { side: Side::Right }));
    world.wait(16.0);
    assert_eq!(asked(&world)[1], ("not entered".to_owned(), Some(2)));
    assert!(world.visit.is_finished());
    assert_eq!(
        world.results(),
        [(1, "released", true), (2, "released", true)],
        "pain afterwards ends no trial"
    );
}

#[test]
fn what_is_seen_can_be_entered_with_the_foot_switch_alone() {
    let items = ["active-motion", "length"].map(|test| item("left index abduction", test, ""));
    let mut world = World::begun(&examined(&items));
    world.type_line("r");
    assert!(world.heard("active motion: part of the range? Press takes it"));
    // The fourth answer comes by itself, the fifth by another long press.
    world.wait(9.5);
    world.type_line("r");
    world.type_line("");
    assert!(world.noted("knuckle overextends"), "{:?}", world.said);
    assert!(
        matches!(world.visit.stage(), Stage::Look { item: 1 }),
        "the motion itself is still to be judged"
    );
    world.type_line("r");
    world.type_line("");
    assert!(world.noted("part of the range") && matches!(world.visit.stage(), Stage::Look { item: 2 }));
    world.type_line("r");
    world.type_line("r");
    world.type_line("r");
    assert!(matches!(world.visit.stage(), Stage::Look { item: 2 }), "after the last answer there is none");
    world.type_line("");
    assert!(world.noted("as expected") && world.visit.is_finished());
}

#[test]
fn an_earlier_trial_is_reassigned_and_what_it_ended_is_the_other_item() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 1.0\ncap_n = 15.0";
    let items =
        ["index", "ring", "little"].map(|digit| item(&format!("left {digit} abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.until_ready();
    world.touch();
    world.pull(12.0, 1.2, |_| {});
    assert_eq!(world.results(), [(1, "held-to-limit", true), (2, "released", true)]);
    assert_eq!(world.visit.results().why_closed(0), Some("the cap was reached"));
    world.type_line("w 1 left index abduction");
    assert!(world.heard("one of left index abduction already"));
    world.type_line("w 1 right thumb abduction");
    assert!(world.heard("(i TRIAL REASON)"));
    let to = "left little abduction".parse().unwrap();
    let reassign = Examiner::Reassign { trial: Some(1), to, reason: "wrong finger".to_owned() };
    world.step(&Input::Action(&reassign));
    assert_eq!(world.results(), [(3, "held-to-limit", true), (2, "released", true)]);
    let closed: Vec<_> = (0..3).map(|at| world.visit.results().why_closed(at).is_some()).collect();
    assert_eq!(closed, [false, false, true], "the cap was the little finger's");
    world.until_ready();
    assert!(matches!(world.visit.stage(), Stage::Ready { item: 1 }));
}

#[test]
fn pain_is_of_the_pull_that_was_stopped_or_else_of_the_last_one() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 1.0";
    let items = ["index", "ring"].map(|digit| item(&format!("left {digit} abduction"), "make", keys));
    // Stopped before a hold: the pain is this item's, and no other trial is touched.
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.until_ready();
    world.touch();
    world.type_line("");
    world.type_line("p 5");
    assert_eq!(world.results(), [(1, "released", true)]);
    assert_eq!(world.visit.results().why_closed(1), Some("pain-limited"));
    assert!(world.heard("no further pull of item 2, left ring abduction make: pain"));
    // Said after a pull, and said again with its level: the same pull both times.
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("p");
    world.type_line("p 6");
    assert_eq!(world.results(), [(1, "pain-limited", false)]);
    assert_eq!(world.visit.results().attempts()[0].pain, Some(6.0));
    assert_eq!(world.visit.results().why_closed(1), None);
    // A pause is no pull.
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("pause");
    assert!(world.noted("stopped: pause") && matches!(world.visit.stage(), Stage::Halted { .. }));
    world.type_line("p 6");
    assert_eq!(world.results(), [(1, "pain-limited", false)]);
}

#[test]
fn a_grade_is_of_the_pull_before_it_or_of_the_muscle_that_is_named() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 1.0";
    let items = ["index", "ring"].map(|digit| item(&format!("left {digit} abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    assert!(matches!(world.visit.stage(), Stage::Rest { item: 2, .. } | Stage::Ready { item: 2 }));
    world.type_line("g 4-");
    world.type_line("g 5 left ring abduction");
    world.type_line("g 3 right ring abduction");
    let of = |it: &Effect| match it {
        Effect::Observed(seen) if seen.kind == "grade" => Some((seen.item, seen.value.clone())),
        _ => None,
    };
    let grades: Vec<_> = world.said.iter().filter_map(of).collect();
    assert_eq!(grades, [(Some(1), "4-".to_owned()), (Some(2), "5".to_owned())]);
    assert!(world.heard("the plan has no right ring abduction"));
}

#[test]
fn an_answer_that_comes_late_is_one_and_ends_no_trial() {
    let keys = "trials = 1\nrest_s = 60.0\nhold_s = 1.0";
    let items = ["left", "right"].map(|side| item(&format!("{side} index abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.wait(16.0);
    assert!(world.heard("until the next pull"), "the question waited for no answer");
    world.type_line("p 6");
    let answers = world.said.iter().filter_map(|it| match it {
        Effect::Observed(seen) if seen.kind.starts_with("pain") => Some((&seen.kind[..], &seen.value[..])),
        _ => None,
    });
    assert_eq!(answers.collect::<Vec<_>>(), [("pain after", "not entered"), ("pain after", "6")]);
    assert_eq!(world.results(), [(1, "released", true)]);
    // What is said after that is of the pull again.
    world.type_line("p 6");
    assert_eq!(world.results(), [(1, "pain-limited", false)]);
}

#[test]
fn a_grade_without_a_muscle_is_refused_once_the_other_hand_is_on_and_can_be_taken_back() {
    let keys = "trials = 1\nrest_s = 60.0\nhold_s = 1.0";
    let items = ["left", "right"].map(|side| item(&format!("{side} index abduction"), "make", keys));
    let mut world = World::begun(&examined(&items));
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.type_line("p 1");
    let grades = |world: &World| -> Vec<(Option<usize>, String)> {
        let of = |it: &Effect| match it {
            Effect::Observed(seen) if seen.kind == "grade" => Some((seen.item, seen.value.clone())),
            _ => None,
        };
        world.said.iter().filter_map(of).collect()
    };
    world.type_line("g 2");
    assert!(world.heard("of which hand?") && grades(&world).is_empty());
    world.type_line("g 2 left index abduction");
    let weak = |world: &World| {
        let item = world.visit.item(1).unwrap();
        world.visit.results().profile(item) == Profile::Weak
    };
    assert!(weak(&world));
    world.type_line("g - left index abduction");
    let of_left = |value: &str| (Some(1), value.to_owned());
    assert_eq!(grades(&world), [of_left("2"), of_left("taken back")]);
    assert!(!weak(&world), "what was taken back is not looked for");
}
