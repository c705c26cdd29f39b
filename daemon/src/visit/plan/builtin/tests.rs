use super::*;
use crate::visit::plan::{Plan, Procedure, Ray};
use crate::visit::schedule::{Rests, estimate_s};
use analysis::trial::{Digit, Test};
use std::collections::BTreeSet;

/// The facts that the plans lean on. Origin, insertion side and action: the dorsal interossei move digits away from the
/// middle finger's ray, the palmar ones towards it, the abductor of the little finger away from it (Standring (ed.), Gray's
/// Anatomy, chapter on wrist and hand; from memory). That the examiner pulls against the action, touches the side towards
/// which the digit moves, and holds the next digit still is common practice of manual muscle testing.
/// Muscle, side of the contact, way of the examiner's pull, digit held, palm.
const FACTS: [(&str, Ray, Ray, Digit, &str); 9] = [
    ("index adduction", Ray::Ulnar, Ray::Radial, Digit::Middle, "up"),
    ("ring adduction", Ray::Radial, Ray::Ulnar, Digit::Middle, "up"),
    ("little adduction", Ray::Radial, Ray::Ulnar, Digit::Ring, "up"),
    ("index abduction", Ray::Radial, Ray::Ulnar, Digit::Middle, "down"),
    ("middle radial-deviation", Ray::Radial, Ray::Ulnar, Digit::Ring, "down"),
    ("middle ulnar-deviation", Ray::Ulnar, Ray::Radial, Digit::Index, "down"),
    ("ring abduction", Ray::Ulnar, Ray::Radial, Digit::Middle, "down"),
    ("little abduction", Ray::Ulnar, Ray::Radial, Digit::Ring, "down"),
    ("thumb abduction", Ray::Radial, Ray::Ulnar, Digit::Index, "up"),
];

fn plans() -> Vec<(String, Plan)> {
    let mut plans = Vec::new();
    for (name, text) in ALL {
        plans.push(((*name).to_owned(), Plan::parse(text).unwrap_or_else(|error| panic!("{name}: {error}"))));
        let optional = text.replace("#| ", "");
        assert_ne!(&optional, text, "{name} offers the abductors of the little finger and the thumb");
        plans.push((format!("{name} with the option"), Plan::parse(&optional).unwrap()));
    }
    plans
}

#[test]
fn every_built_in_plan_is_whole_and_agrees_with_the_anatomy() {
    for (name, plan) in plans() {
        assert_eq!(plan.procedure, Procedure::Examined);
        assert!(plan.note.contains("hand therapist must check"), "{name}");
        let muscles: BTreeSet<String> = plan.items.iter().map(|item| item.muscle.to_string()).collect();
        assert_eq!(
            muscles.len(),
            if name.ends_with("option") { 18 } else { 14 },
            "{name}: bellies of both sides"
        );
        for item in &plan.items {
            let key = item.muscle.without_side();
            let fact = FACTS.iter().find(|fact| fact.0 == key).unwrap_or_else(|| panic!("{name}: {key}"));
            let own = (item.contact_side, item.examiner_pulls, item.held_digit, item.palm.as_str());
            assert_eq!(own, (Some(fact.1), Some(fact.2), Some(fact.3), fact.4), "{name}: {}", item.name());
            assert_ne!(item.contact_side, item.examiner_pulls, "the pull is against the action");
            assert_eq!(item.position == "lengthened", item.test == Test::Length, "{name}: {}", item.name());
            assert!(!item.posture.is_empty() && !item.say.is_empty(), "{name}: {}", item.name());
        }
    }
}

#[test]
fn the_full_plan_has_all_parts_of_every_belly_palm_up_and_then_turned() {
    let plan = Plan::parse(text("interossei").unwrap()).unwrap();
    assert_eq!(plan.items.len(), 7 * 2 * 5, "four parts, and the make that a break needs");
    let turns = plan.items.windows(2).filter(|pair| pair[0].palm != pair[1].palm).count();
    assert_eq!(turns, 3, "up and down on each side");
    assert_eq!(plan.items[0].palm, "up");
    let grips = plan.items.windows(2).filter(|pair| pair[1].test == Test::Concentric);
    assert!(
        grips
            .clone()
            .all(|pair| pair[0].test == Test::Break && pair[1].grip == crate::visit::plan::Grip::Same)
    );
    assert_eq!(grips.count(), 14);
}

#[test]
fn the_clinic_plan_takes_no_longer_than_it_says() {
    let plan = Plan::parse(text("interossei-clinic").unwrap()).unwrap();
    let minutes = plan.estimate_s() / 60.0;
    assert!(minutes <= plan.at_most_minutes.unwrap() && minutes > 8.0, "{minutes:.1} min");
    assert_eq!(plan.at_most_minutes, Some(15.0));
    let trials: Vec<u32> = plan.items.iter().filter(|item| item.primary).map(|item| item.trials).collect();
    assert_eq!(trials, [3, 3]);
    let all = plan.items.iter().map(|item| if item.is_loaded() { item.trials } else { 1 }).collect();
    assert_eq!(plan.estimate_s(), estimate_s(&plan.items, plan.procedure, all, None, Rests::default(), 0.0));
}

#[test]
fn lab_plans_are_put_in_another_order_by_each_seed() {
    for name in ["lab-make", "lab-submaximal"] {
        let order = |seed| Plan::parse(text(name).unwrap()).unwrap().arrange(seed).items;
        assert_ne!(order(1), order(2), "{name}");
        assert_eq!(order(1), order(1), "{name}");
    }
}
