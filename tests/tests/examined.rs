//! Whole examinations in memory, faster than time: `tests::examined` has the world.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::layout::TrialRow;
use analysis::sensor::instrument::Uncertainty;
use analysis::sensor::properties::{MeasuredCreep, Properties};
use analysis::trial::Test;
use daemon::core::{Begun, Said};
use daemon::journal::Record;
use daemon::pipeline::setting::Setting;
use daemon::simulate::random::Random;
use daemon::visit::plan::{Plan, builtin};
use tests::examined::{Person, World, certificate};

const ALLOWED: [&str; 2] = ["allow left break pain 0", "allow right break pain 1"];

fn assigned(rows: &[TrialRow]) -> Vec<&TrialRow> {
    rows.iter().filter(|row| row.item > 0).collect()
}

/// Rows as text: NaN equals NaN there.
fn text(rows: &[TrialRow]) -> Vec<String> {
    rows.iter().map(|row| format!("{row:?}")).collect()
}

fn short(tests: &str, muscles: &[&str]) -> Plan {
    let muscle = |muscle: &&str| format!("[[muscle]]\nmuscle = \"{muscle}\"\npalm = \"down\"\n");
    let text = format!(
        "title = \"t\"\nprocedure = \"examined\"\nsides = [\"right\", \"left\"]\ntests = [{tests}]\n\
         [defaults]\ntrials = 1\nrest_s = 10.0\nhold_s = 2.0\n{}",
        muscles.iter().map(muscle).collect::<String>()
    );
    Plan::parse(&text).unwrap()
}

/// The orientation of each zero in the journal: row by row what `tares` has.
fn zeros(world: &World) -> Vec<String> {
    let set = world.journal.iter().filter_map(|stamped| match &stamped.record {
        Record::Parameters(text) => serde_json::from_str::<Setting>(text).ok(),
        _ => None,
    });
    set.filter_map(|setting| match setting {
        Setting::Tare(tare) => Some(tare.orientation),
        _ => None,
    })
    .collect()
}

/// A calibrated sensor: every peak, mean and moment has the instrument's uncertainty, with what is known of it and what is
/// not by name; sealing gives the same.
#[test]
fn every_result_of_a_calibrated_sensor_has_its_uncertainty() {
    let keys = "palm = \"down\"\nlever_mm = 40.0\nlever_uncertainty_mm = 3.0\nangle_deg = 10.0";
    let text = format!(
        "title = \"t\"\nprocedure = \"examined\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n\
         trials = 2\nrest_s = 5.0\nhold_s = 2.0\n{keys}\n"
    );
    let mut world = World::new(&Plan::parse(&text).unwrap(), Person::default(), &ALLOWED);
    let creep = MeasuredCreep {
        when_utc: String::new(),
        load_n: 100.0,
        lasted_s: 1800.0,
        relative: 0.002,
        visit_id: String::new(),
    };
    let known =
        Properties { serial: "SIM-0001".to_owned(), channel: 1, creep: Some(creep), ..Properties::default() };
    for setting in [Setting::Properties(Box::new(known)), Setting::Calibration(Box::new(certificate()))] {
        world.put(Record::Parameters(serde_json::to_string(&setting).unwrap()));
    }
    world.run(600.0);
    world.finish();
    let (sealed, _) = world.sealed();
    assert_eq!(self::text(&sealed), self::text(&world.rows()), "the recording holds what was shown");
    assert_eq!(assigned(&sealed).len(), 2);
    for row in assigned(&sealed) {
        let of = Uncertainty::from_json(&row.uncertainty_budget).unwrap();
        let named = |name: &str| of.budget.components.iter().any(|part| part.name == name);
        assert!(named("calibration") && named("noise") && named("creep"), "{of:?}");
        for term in ["reversibility", "attitude zero", "temperature", "drift since calibration"] {
            assert!(of.not_included.iter().any(|left_out| left_out.starts_with(term)), "{term}: {of:?}");
        }
        assert_eq!(of.budget.expanded, row.expanded_uncertainty_n);
        // Creep alone is 0.2 % of the force, rectangular.
        let least_n = 1.96 * 0.002 * row.peak_zero_n / 3.0_f64.sqrt();
        assert!(row.expanded_uncertainty_n > least_n && row.expanded_uncertainty_n < 1.0, "{row:?}");
        assert!(row.mean_expanded_uncertainty_n > 0.0 && row.mean_expanded_uncertainty_n < 1.0, "{row:?}");
        // 3 mm of 40 mm, rectangular, is most of a moment's.
        let lever_n_cm = row.peak_zero_n * 0.3 / 3.0_f64.sqrt();
        assert!(row.moment_expanded_uncertainty_n_cm > 1.9 * lever_n_cm, "{row:?}");
        assert!(!row.flags.contains("expired"), "{}", row.flags);
    }
}

#[test]
fn the_full_plan_runs_by_itself_with_contact_kept_between_efforts() {
    let plan = Plan::parse(builtin::text("interossei").unwrap()).unwrap().arrange(0);
    let mut world = World::new(&plan, Person::default(), &ALLOWED);
    let took_s = world.run(3.0 * 3600.0);
    world.finish();
    let rows = world.rows();
    for (number, item) in (1..).zip(&plan.items) {
        let own: Vec<&TrialRow> = rows.iter().filter(|row| row.item == number).collect();
        let valid = own.iter().filter(|row| row.valid == 1).count();
        let told = || {
            own.iter()
                .map(|row| (row.outcome.clone(), row.why_not.clone(), row.peak_zero_n))
                .collect::<Vec<_>>()
        };
        if item.is_loaded() {
            assert!(valid >= 3, "item {number}, {}: {:?}", item.name(), told());
            assert!(own.iter().all(|row| row.palm == item.palm && row.muscle == item.muscle.to_string()));
        } else {
            assert!(own.is_empty(), "{}", item.name());
        }
        let outcome = if item.test == Test::Break { "broke" } else { "released" };
        assert!(own.iter().filter(|row| row.valid == 1).all(|row| row.outcome == outcome), "{:?}", told());
    }
    for row in assigned(&rows) {
        assert!(
            row.rest_before_s.is_nan() || row.rest_before_s >= 60.0,
            "{}: rested {} s",
            row.muscle,
            row.rest_before_s
        );
    }
    // The hand is turned once a side: every pull stands on a zero that was taken as the hand then lay.
    let zeros = zeros(&world);
    for row in assigned(&rows).iter().filter(|row| row.tare >= 0) {
        let held = format!("{} hand, palm {}", row.side, row.palm);
        assert_eq!(zeros[row.tare as usize], held, "trial {}", row.order);
    }
    let known = assigned(&rows).iter().filter(|row| row.rest_before_s.is_finite()).count();
    assert!(known > 100, "the rest before each but a muscle's first is known: {known}");
    let estimate_s = plan.estimate_s();
    assert!((took_s / estimate_s - 1.0).abs() < 0.25, "{took_s:.0} s, estimated {estimate_s:.0} s");
    let (sealed, observed) = world.sealed();
    assert_eq!(text(&sealed), text(&rows), "the recording holds what was shown");
    let looked = |kind: &str| observed.iter().filter(|row| row.kind == kind).count();
    assert_eq!((looked("active motion"), looked("length"), looked("gate")), (14, 14, 2));
    assert_eq!(looked("pain after"), 2, "asked once a side");
}

/// Everything that happens to an examiner, in one visit by the full plan.
#[test]
fn the_full_plan_with_a_paralysed_a_painful_a_confused_and_a_strong_muscle_has_every_row() {
    let plan = Plan::parse(builtin::text("interossei").unwrap()).unwrap().arrange(0);
    let person = Person {
        strength_n: Some(|cue| match cue.muscle.to_string().as_str() {
            "left ring abduction" => 0.0,
            // It does not give way before its cap of 25 N.
            "right little adduction" => 22.0,
            _ => 14.0,
        }),
        says: Some(|cue| {
            (cue.muscle.to_string() == "right ring adduction" && cue.test == Test::Break).then_some("p 5")
        }),
        // The first scored make of the left index was the middle finger's.
        after: Some(|row| {
            let confused = row.muscle == "left index abduction" && row.test == "make" && row.valid == 1;
            confused.then(|| format!("w {} left middle radial-deviation: wrong finger", row.order))
        }),
        ..Person::default()
    };
    let mut world = World::new(&plan, person, &ALLOWED);
    world.run(3.0 * 3600.0);
    world.finish();
    let (rows, observed) = world.sealed();
    assert_eq!(text(&rows), text(&world.rows()), "the recording holds what was shown");
    let own = |muscle: &str, test: &str| -> Vec<TrialRow> {
        assigned(&rows).into_iter().filter(|row| row.muscle == muscle && row.test == test).cloned().collect()
    };
    let ended = |rows: &[TrialRow]| rows.iter().map(|row| row.outcome.clone()).collect::<Vec<_>>();
    let mut items = 0;
    for item in plan.items.iter().filter(|item| item.is_loaded()) {
        let muscle = item.muscle.to_string();
        let found = own(&muscle, item.test.word());
        let outcomes = ended(&found);
        match (muscle.as_str(), item.test) {
            ("left ring abduction", Test::Break) => assert!(found.is_empty(), "no make, no break"),
            ("left ring abduction", _) => {
                assert!(outcomes.iter().all(|it| it == "below-measurable"));
                assert_eq!(found.iter().filter(|row| row.valid == 1).count(), 3);
            }
            ("right ring adduction", Test::Break) => assert_eq!(outcomes, ["pain-limited"]),
            ("right little adduction", Test::Break) => {
                assert_eq!(outcomes, ["broke"], "at its cap, and not repeated")
            }
            ("left middle radial-deviation", Test::Make) => {
                assert_eq!(found.iter().filter(|row| row.valid == 1).count(), 3);
                assert!(found.iter().any(|row| row.flags.contains("was_item_")), "the old label is kept");
            }
            _ => assert!(
                found.iter().filter(|row| row.valid == 1).count() >= 3,
                "{}: {outcomes:?}",
                item.name()
            ),
        }
        items += 1;
    }
    assert_eq!(items, 7 * 2 * 3);
    assert!(assigned(&rows).iter().all(|row| row.attempt <= 5 && !row.outcome.is_empty()));
    let looked = |kind: &str| observed.iter().filter(|row| row.kind == kind).count();
    assert_eq!((looked("active motion"), looked("length")), (14, 14), "the parts that are not loaded");
    assert!(observed.iter().any(|row| row.value.contains("reassigned to left middle radial-deviation")));
}

#[test]
fn a_paralysed_muscle_is_below_measurable_and_is_never_pulled() {
    let plan = short("\"make\", \"break\"", &["index abduction", "little abduction"]);
    let person = Person {
        strength_n: Some(|cue| if cue.muscle.to_string() == "left index abduction" { 0.0 } else { 18.0 }),
        ..Person::default()
    };
    let mut world = World::new(&plan, person, &ALLOWED);
    world.run(600.0);
    world.finish();
    let (rows, observed) = world.sealed();
    let own: Vec<_> =
        assigned(&rows).into_iter().filter(|row| row.muscle == "left index abduction").collect();
    let outcomes: Vec<_> =
        own.iter().map(|row| (row.test.as_str(), row.outcome.as_str(), row.valid)).collect();
    assert_eq!(outcomes, [("make", "below-measurable", 1)]);
    assert_eq!(own[0].flags, "below_2_n");
    assert!(observed.iter().any(|row| row.value.contains("no make of this muscle")));
    assert_eq!(assigned(&rows).len(), 7, "everything else is there");
}

#[test]
fn a_painful_muscle_ends_pain_limited_and_the_others_go_on() {
    let plan = short("\"make\", \"break\"", &["index abduction", "little abduction"]);
    let person = Person {
        says: Some(|cue| (cue.muscle.to_string() == "right little abduction").then_some("p 5")),
        ..Person::default()
    };
    let mut world = World::new(&plan, person, &ALLOWED);
    world.run(600.0);
    world.finish();
    let (rows, observed) = world.sealed();
    let own: Vec<_> =
        assigned(&rows).into_iter().filter(|row| row.muscle == "right little abduction").collect();
    assert_eq!(own.len(), 1, "not repeated, and no break without its make");
    assert_eq!((own[0].outcome.as_str(), own[0].valid, own[0].pain), ("pain-limited", 0, 5.0));
    assert!(observed.iter().any(|row| row.kind == "pain" && row.value == "5"));
    assert_eq!(assigned(&rows).iter().filter(|row| row.valid == 1).count(), 6);
}

#[test]
fn a_wrong_finger_is_reassigned_and_both_end_with_what_they_need() {
    let plan = short("\"make\"", &["index abduction", "ring abduction"]);
    let person = Person {
        after: Some(|row| (row.item == 1).then(|| "w right ring abduction".to_owned())),
        ..Person::default()
    };
    let mut world = World::new(&plan, person, &ALLOWED);
    world.run(600.0);
    world.finish();
    let (rows, observed) = world.sealed();
    let labels: Vec<_> = assigned(&rows)
        .iter()
        .map(|row| (row.muscle.clone(), row.valid, row.flags.contains("was_item_1")))
        .collect();
    assert_eq!(labels.len(), 4, "{labels:?}");
    assert_eq!(labels[0], ("right ring abduction".to_owned(), 1, true), "the old label is kept");
    assert_eq!(labels[1], ("right index abduction".to_owned(), 1, false));
    assert!(observed.iter().any(|row| row.value.contains("reassigned to right ring abduction")));
}

#[test]
fn a_cap_that_is_reached_ends_the_item_with_what_was_held() {
    let mut plan = short("\"make\", \"break\"", &["index abduction"]);
    for item in &mut plan.items {
        item.cap_n = (item.test == Test::Break).then_some(16.0);
        item.trials = 3;
    }
    let mut world = World::new(&plan, Person::default(), &ALLOWED);
    world.run(900.0);
    world.finish();
    let alarms = world.said.iter().filter(|said| matches!(said, Said::Cap { reached: true, .. })).count();
    let (rows, _) = world.sealed();
    let breaks: Vec<_> = assigned(&rows).into_iter().filter(|row| row.test == "break").collect();
    assert_eq!((alarms, breaks.len()), (2, 2), "once a side, not repeated");
}

/// Whatever is typed, and whenever: sealing steps the same journal and gets the same rows.
#[test]
fn a_journal_full_of_corrections_is_sealed_to_the_rows_that_were_shown() {
    const LINES: [&str; 10] =
        ["", "r", "p 1", "p 6", "x", "i thumb", "l", "w left index abduction", "s", "allow left make pain 0"];
    for seed in 0..4 {
        let plan = short("\"make\", \"break\", \"concentric\"", &["index abduction", "ring abduction"]);
        let mut world = World::new(&plan, Person::default(), &ALLOWED);
        let mut random = Random::new(seed);
        while !world.core.is_finished() && world.now_ns < 600_000_000_000 {
            world.step();
            if random.chance(0.004) {
                world.typed(LINES[random.below(LINES.len())]);
            }
        }
        assert!(world.core.is_finished(), "seed {seed}: {:?}", world.core.visit().stage());
        world.finish();
        assert!(
            world.said.iter().any(|said| matches!(said, Said::Amended(_))),
            "seed {seed} corrects something"
        );
        let (rows, observed) = world.sealed();
        assert_eq!(text(&rows), text(&world.rows()), "seed {seed}");
        let noted = world.said.iter().filter(|said| matches!(said, Said::Observed(_))).count();
        assert_eq!(observed.len(), noted, "seed {seed}");
    }
}

#[test]
fn a_submaximal_lab_visit_keeps_seed_and_order() {
    let mut plan = Plan::parse(builtin::text("lab-submaximal").unwrap()).unwrap();
    plan.items.retain(|item| item.muscle.digit == analysis::trial::Digit::Index);
    for item in &mut plan.items {
        (item.trials, item.rest_s, item.hold_s) = (1, 10.0, 2.0);
    }
    let plan = plan.arrange(5);
    let mut world = World::new(&plan, Person::default(), &ALLOWED);
    world.run(900.0);
    world.finish();
    let kept = world.journal.iter().find_map(|stamped| match &stamped.record {
        Record::Begun(text) => serde_json::from_str::<Begun>(text).ok(),
        _ => None,
    });
    let kept = Plan::parse(&kept.unwrap().plan).unwrap();
    assert_eq!((kept.seed, &kept.items), (Some(5), &plan.items));
    let (rows, observed) = world.sealed();
    let holds = assigned(&rows).into_iter().filter(|row| row.test == "submaximal" && row.valid == 1).count();
    assert_eq!(holds, 4);
    let inside = observed.iter().filter(|row| row.value.ends_with("of the hold in the band")).count();
    assert_eq!(inside, 4);
}

/// Wherever in an examination the program dies: it goes on where it was, and sealing gives the rows that were shown.
#[test]
fn an_examination_that_is_interrupted_anywhere_goes_on_at_its_step() {
    use daemon::visit::engine::Stage;
    let plan = short("\"active-motion\", \"make\", \"break\"", &["index abduction", "ring abduction"]);
    let mut stages = std::collections::BTreeSet::new();
    for seed in 0..6 {
        let mut world = World::new(&plan, Person::default(), &ALLOWED);
        let mut random = Random::new(seed);
        let mut left = 4;
        while !world.core.is_finished() {
            world.step();
            assert!(world.now_ns < 1_200_000_000_000, "seed {seed}: {:?}", world.core.visit().stage());
            if left > 0 && random.chance(0.002) {
                left -= 1;
                let stage = world.core.visit().stage();
                stages.insert(format!("{:?}", std::mem::discriminant(&stage)));
                let attempts = world.core.visit().results().attempts().to_vec();
                world.interrupt();
                // A pull that was on ended with the sensor's stream.
                let after = world.core.visit().results().attempts();
                assert!(after.starts_with(&attempts), "seed {seed}, {stage:?}");
                assert!(after.len() <= attempts.len() + 1, "seed {seed}, {stage:?}");
                assert!(!matches!(world.core.visit().stage(), Stage::Gate(_)), "the gate is not asked twice");
            }
        }
        world.finish();
        let (rows, _) = world.sealed();
        assert_eq!(text(&rows), text(&world.rows()), "seed {seed}");
        let valid = assigned(&rows).iter().filter(|row| row.valid == 1).count();
        assert_eq!(valid, 2 * 2 * 2, "seed {seed}: every item has its trial, once");
    }
    assert!(stages.len() >= 4, "it was interrupted at different steps: {stages:?}");
}
