//! Where a pull must stop: the break's cap, and what comes of reaching it.

use super::*;

#[test]
fn the_break_follows_its_make_with_one_and_a_half_times_its_force_as_cap() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.pull(20.0, 1.2, |_| {});
    world.until_ready();
    world.touch();
    let cap = world.said.iter().rev().find_map(|it| if let Effect::Cue(cue) = it { cue.cap_n } else { None });
    assert_eq!(cap, Some(30.0));
    world.pull(25.0, 1.2, broke);
    assert_eq!(world.results(), [(1, "released", true), (2, "broke", true)]);
    let caps: Vec<bool> = world
        .said
        .iter()
        .filter_map(|it| if let Effect::Cap(reached, ..) = it { Some(*reached) } else { None })
        .collect();
    assert_eq!(caps, [false], "25 N is more than 80 % of 30 N");
    assert!(world.done());
}

#[test]
fn the_cap_is_said_from_the_force_itself_ends_the_item_and_is_not_repeated() {
    let keys = "trials = 3\nrest_s = 5.0\nhold_s = 1.0";
    let items = [item("left index abduction", "make", keys), item("left index abduction", "break", keys)];
    let mut world = World::begun(&examined(&items));
    for _ in 0..3 {
        world.until_ready();
        world.touch();
        world.pull(20.0, 1.2, |_| {});
    }
    world.until_ready();
    world.touch();
    // The finder has seen nothing yet.
    world.force_n = 31.0;
    world.wait(0.01);
    assert!(
        matches!(world.said.last(), Some(Effect::Cap(true, force_n, cap_n)) if *force_n == 31.0 && *cap_n == 30.0)
    );
    world.pull(31.0, 1.2, |_| {});
    assert_eq!(world.results()[3], (2, "held-to-limit", true));
    let last = &world.visit.results().attempts()[3];
    assert_eq!((last.cap_n, last.reached_cap), (Some(30.0), true));
    assert!(world.done() && world.heard("this item ends: the cap was reached"));
}

#[test]
fn without_a_measured_make_there_is_no_break() {
    let mut world = World::begun(&make_and_break());
    world.touch();
    world.wait(8.5);
    assert_eq!(world.results(), [(1, "below-measurable", true)]);
    assert!(world.done());
    assert!(world.noted("not tested: no make of this muscle was measured"));
}

/// Another digit's channel of the same sensor reaches what the plan allows there: it stops the pull until it is let go of.
#[test]
fn the_cap_is_watched_beside_what_is_measured() {
    let keys = |channel: u32, more: &str| {
        format!("trials = 1\nrest_s = 0.5\nhold_s = 1.0\nchannel = {channel}\n{more}")
    };
    let items = [
        item("left index abduction", "concentric", &keys(1, "cap_n = 20.0")),
        item("left ring abduction", "concentric", &keys(2, "cap_n = 30.0")),
        item("left little abduction", "make", &keys(3, "")),
    ];
    let world = || {
        let mut world = World::begun(&examined(&items));
        world.touch();
        assert!(matches!(world.visit.stage(), Stage::Pull { item: 1 }), "{:?}", world.visit.stage());
        world
    };
    let caps = |world: &World| -> Vec<(bool, f64, f64)> {
        let cap = |effect: &Effect| match effect {
            Effect::Cap(reached, force_n, cap_n) => Some((*reached, *force_n, *cap_n)),
            _ => None,
        };
        world.said.iter().filter_map(cap).collect()
    };
    // Its own cap where the plan measures something, the item's where nothing; own effort is its own limit.
    for (forces, told) in [
        (&[(2, 23.0), (3, 500.0), (4, 15.0)][..], vec![]),
        (&[(2, 24.0)], vec![(false, 24.0, 30.0)]),
        (&[(4, 16.0)], vec![(false, 16.0, 20.0)]),
        (&[(2, 24.0), (4, 20.0)], vec![(false, 20.0, 20.0), (true, 20.0, 20.0)]),
    ] {
        let mut world = world();
        world.step(&Input::Beside(forces));
        assert_eq!(caps(&world), told);
    }
    let mut world = world();
    world.step(&Input::Beside(&[(2, 31.0)]));
    world.wait(0.1);
    assert!(matches!(world.visit.stage(), Stage::Pull { item: 1 }), "it is not let go of yet");
    world.step(&Input::Beside(&[(2, 25.0)]));
    world.wait(0.1);
    assert!(matches!(world.visit.stage(), Stage::Pull { item: 1 }));
    world.step(&Input::Beside(&[(2, 3.0)]));
    world.wait(0.1);
    assert!(
        matches!(world.visit.stage(), Stage::Halted { item: 1 }) && world.noted("channel 2 reached its cap")
    );
    assert_eq!(caps(&world).len(), 2, "it is told once");
    world.step(&Input::Beside(&[(2, 99.0)]));
    assert_eq!(caps(&world).len(), 2, "nobody pulls");
}

#[test]
fn what_was_at_its_cap_is_not_offered_again_whatever_closed_its_window() {
    let keys = "trials = 3\nrest_s = 1.0\nhold_s = 1.0\ncap_n = 15.0";
    type Closing = (&'static str, fn(&mut World));
    let closing: [Closing; 4] = [
        ("nothing can warn", |world| world.warner(false)),
        ("a new zero", World::zero),
        ("a new segment", |world| (world.segment, world.time_s) = (1, 0.0)),
        ("contact lost", |world| world.force_n = 0.0),
    ];
    for (what, close) in closing {
        let mut world = World::begun(&examined(&[item("left index abduction", "make", keys)]));
        world.touch();
        // The finder has seen nothing, the force itself was at the cap.
        world.force_n = 16.0;
        world.wait(0.05);
        world.force_n = 1.5;
        close(&mut world);
        world.wait(1.0);
        world.warner(true);
        world.touch();
        assert_eq!(world.cues(), 1, "{what}");
        assert_eq!(world.visit.results().why_closed(0), Some("the cap was reached"), "{what}");
        assert!(world.noted("not tested: the cap was reached"), "{what}");
    }
}
