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
    world.wait(61.0);
    assert!(!world.heard("until the next touch"), "none comes");
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
    assert!(world.heard("until the next touch"), "the question waited for no answer");
    world.type_line("p 2");
    let goes_on = matches!(world.visit.stage(), Stage::Rest { .. } | Stage::Turn { .. });
    assert!(goes_on && world.results() == [(1, "released", true)]);
    let answers = world.said.iter().filter_map(|it| match it {
        Effect::Observed(seen) if seen.kind.starts_with("pain") => Some((&seen.kind[..], &seen.value[..])),
        _ => None,
    });
    assert_eq!(answers.collect::<Vec<_>>(), [("pain after", "not entered"), ("pain after", "2")]);
    // What is said after that is of the pull again.
    world.type_line("p 6");
    assert_eq!(world.results(), [(1, "pain-limited", false)]);
}

#[test]
fn much_pain_stops_the_visit_however_late_it_is_said() {
    let keys = "trials = 1\nrest_s = 60.0\nhold_s = 1.0";
    let items = ["left", "right"].map(|side| item(&format!("{side} index abduction"), "make", keys));
    for said in ["p", "p 6"] {
        let mut world = World::begun(&examined(&items));
        world.touch();
        world.pull(20.0, 1.2, |_| {});
        world.wait(16.0);
        world.type_line(said);
        assert!(matches!(world.visit.stage(), Stage::Halted { .. }), "{said}");
        assert_eq!(world.results(), [(1, "released", true)], "{said}: it is of the side");
    }
}

#[test]
fn what_ends_without_an_attempt_is_noted_with_its_reason() {
    let keys = "trials = 1\nrest_s = 1.0\nhold_s = 1.0\ncap_n = 15.0";
    let one = |typed: &str| {
        let mut world = World::begun(&examined(&[item("left index abduction", "make", keys)]));
        world.touch();
        assert!(matches!(world.visit.stage(), Stage::Pull { .. }));
        world.type_line(typed);
        world
    };
    assert!(one("s no time").noted("not tested: no time"));
    assert!(one("p 5").noted("not tested: pain-limited"));
    let mut skipped = World::begun(&examined(&[item("left index abduction", "make", keys)]));
    skipped.type_line("s a splint");
    assert!(skipped.noted("not tested: a splint"));
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
    world.type_line("g 4 left index abduction");
    assert!(!weak(&world), "the latest holds");
    world.type_line("g - left index abduction");
    assert!(weak(&world) && world.heard("is taken back: 2 holds now"));
    world.type_line("g - left index abduction");
    assert!(!weak(&world) && world.heard("is taken back: no grade holds now"));
    let values: Vec<_> = grades(&world).into_iter().map(|(_, value)| value).collect();
    assert_eq!(values, ["2", "4", "taken back", "taken back"]);
}

#[test]
fn a_press_for_what_ended_by_itself_begins_nothing_and_who_enters_has_time() {
    let items = [item("left index abduction", "active-motion", ""), item("left index abduction", "make", "")];
    let mut world = World::begun(&examined(&items));
    world.wait(4.0);
    world.type_line("o skin: dry");
    world.wait(4.0);
    assert!(matches!(world.visit.stage(), Stage::Look { item: 1 }), "something was entered");
    world.until(|stage| matches!(stage, Stage::Ready { item: 2 }));
    world.wait(0.4);
    world.type_line("");
    assert!(world.cues() == 0 && world.heard("too late for what was on before"));
    world.wait(1.0);
    world.type_line("");
    assert_eq!(world.cues(), 1);
}

#[test]
fn a_pull_that_does_not_end_is_said_once() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.step(&Input::Pulling(true));
    world.wait(60.0);
    let said = |it: &&Effect| matches!(it, Effect::Say(text) if text.contains("let go of it for a moment"));
    assert_eq!(world.said.iter().filter(said).count(), 1);
}

#[test]
fn after_an_interruption_the_next_item_is_said_again_and_a_new_zero_is_asked_for() {
    let mut world = World::begun(&make_and_break());
    let said = |world: &World| {
        world
            .said
            .iter()
            .filter(|it| matches!(it, Effect::Say(text) if text.starts_with("item 1 of 2")))
            .count()
    };
    world.touch();
    assert_eq!((world.cues(), said(&world)), (1, 1));
    world.step(&Input::Action(&Examiner::Resumed));
    assert!(matches!(world.visit.stage(), Stage::Turn { item: 1 }));
    assert_eq!(said(&world), 2);
    world.zero();
    world.touch();
    assert_eq!(world.cues(), 2);
}
