//! No pull without something that can warn.

use super::*;

#[test]
fn no_pull_is_offered_while_nothing_can_warn() {
    let mut world = World::begun(&make_and_break());
    world.warner(false);
    world.touch();
    world.type_line("");
    world.wait(2.0);
    assert!(world.cues() == 0 && matches!(world.visit.stage(), Stage::Ready { .. }));
    let told = world.said.iter().filter(|it| matches!(it, Effect::Say(text) if text.contains("can warn")));
    assert_eq!(told.count(), 1, "said once");
    world.warner(true);
    world.wait(0.1);
    assert_eq!(world.cues(), 1);
    // The person who pulls alone is loaded by nobody: only what has said that it cannot warn is in the way.
    let alone = World::settled(&self_paced(0.0));
    assert_eq!(alone.cues(), 1);
}

#[test]
fn a_window_is_closed_where_nothing_can_warn_any_more() {
    const PLAN: &str = "title = \"t\"\nprocedure = \"examined\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";
    let cues = |world: &World| world.said.iter().filter(|it| matches!(it, Effect::Cue(_))).count();
    let can_warn = |world: &mut World, able| {
        world.step(&Input::Action(&Examiner::Warner { able, by: "page".to_owned() }))
    };
    let mut world = World::begun(PLAN);
    can_warn(&mut world, false);
    world.force_n = 1.5;
    world.wait(3.0);
    world.type_line("");
    assert_eq!((cues(&world), world.visit.stage()), (0, Stage::Ready { item: 1 }));
    can_warn(&mut world, true);
    world.wait(0.1);
    assert_eq!((cues(&world), world.visit.stage()), (1, Stage::Pull { item: 1 }));
    // A window in which nobody pulls yet is closed; a pull that is on is the examiner's to end.
    can_warn(&mut world, false);
    assert_eq!(world.visit.stage(), Stage::Ready { item: 1 });
    can_warn(&mut world, true);
    world.wait(2.0);
    world.step(&Input::Pulling(true));
    can_warn(&mut world, false);
    assert_eq!(world.visit.stage(), Stage::Pull { item: 1 });
    assert!(
        world
            .said
            .iter()
            .any(|it| matches!(it, Effect::Observed(seen) if seen.value.contains("nothing could warn")))
    );
}

#[test]
fn who_pulls_alone_is_cued_as_soon_as_somebody_can_be_warned() {
    let plan = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";
    let mut world = World::new(plan);
    world.step(&Input::Action(&Examiner::Warner { able: false, by: "page".to_owned() }));
    world.zero();
    world.wait(1.0);
    assert_eq!(world.visit.stage(), Stage::Ready { item: 1 });
    world.step(&Input::Action(&Examiner::Warner { able: true, by: "page".to_owned() }));
    assert_eq!(world.visit.stage(), Stage::Pull { item: 1 });
}
