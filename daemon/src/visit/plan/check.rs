//! What makes a plan that reads well one that is not to be run.

use super::{ATTEMPTS_MAX, Item, Plan, Procedure};
use crate::port::SENSORS_MAX;
use analysis::recording::layout::CHANNELS_MAX;
use analysis::trial::Test;
use std::ops::RangeInclusive;

/// What is wrong, and where.
pub(super) struct Objection {
    /// Item, from 0.
    pub item: Option<usize>,
    /// The key it is about: the first of these that the item has.
    pub keys: &'static [&'static str],
    /// What is wrong.
    pub why: String,
}

/// At most this many items have three trials for the visit's question.
const PRIMARY_MAX: usize = 3;

/// The first objection to a plan.
pub(super) fn objection(plan: &Plan) -> Option<Objection> {
    let whole = |why: &str| Some(Objection { item: None, keys: &[], why: why.to_owned() });
    if plan.items.is_empty() {
        return whole("the plan has no [[item]] and no [[muscle]]");
    }
    if plan.at_most_minutes.is_some_and(|minutes| !(1.0..=600.0).contains(&minutes)) {
        return whole("at_most_minutes: use 1 to 600");
    }
    if !plan.population.is_empty()
        && let Err(why) = crate::participant::class("population", &plan.population)
    {
        return Some(Objection { item: None, keys: &[], why });
    }
    let examined = plan.procedure == Procedure::Examined;
    for (at, item) in plan.items.iter().enumerate() {
        let before = &plan.items[..at];
        let found = own(item).or_else(|| among(item, before, examined));
        if let Some((keys, why)) = found {
            let why = format!("item {} ({}): {why}", at + 1, item.name());
            return Some(Objection { item: Some(at), keys, why });
        }
    }
    let primary = plan.items.iter().filter(|item| item.primary).count();
    if primary > PRIMARY_MAX {
        let last = plan.items.iter().rposition(|item| item.primary);
        let why = format!(
            "{primary} primary items: a visit has at most {PRIMARY_MAX}, a side's item counts as one"
        );
        return Some(Objection { item: last, keys: &["primary"], why });
    }
    None
}

type Found = Option<(&'static [&'static str], String)>;

/// What an item alone cannot be.
fn own(item: &Item) -> Found {
    let counts: [(&'static [&'static str], u32, RangeInclusive<u32>); 2] =
        [(&["trials"], item.trials, 1..=ATTEMPTS_MAX), (&["count"], item.count, 1..=10)];
    for (key, value, allowed) in counts {
        if !allowed.contains(&value) {
            let why = format!("{} = {value}: use {} to {}", key[0], allowed.start(), allowed.end());
            return Some((key, why));
        }
    }
    let places: [(&'static [&'static str], usize, usize); 2] =
        [(&["sensor"], item.sensor, SENSORS_MAX), (&["channel"], item.channel, CHANNELS_MAX)];
    for (key, value, most) in places {
        if !(1..=most).contains(&value) {
            return Some((key, format!("{} = {value}: use 1 to {most}", key[0])));
        }
    }
    let numbers: [(&'static [&'static str], Option<f64>, RangeInclusive<f64>); 10] = [
        (&["hold_s"], Some(item.hold_s), 0.5..=60.0),
        (&["rest_s"], Some(item.rest_s), 0.0..=3600.0),
        // No finger moved sideways comes near the upper end: more is a slip of the decimal point.
        (&["cap_n"], item.cap_n, 1.0..=150.0),
        (&["cv_limit_percent"], Some(item.cv_limit_percent), 1.0..=100.0),
        (&["target_percent"], item.target_percent, 1.0..=95.0),
        (&["band_percent"], item.band_percent, 0.5..=50.0),
        (&["gap_mm"], item.gap_mm, 0.0..=100.0),
        (&["lever_mm"], item.lever_mm, 5.0..=150.0),
        (&["lever_uncertainty_mm"], item.lever_uncertainty_mm, 0.0..=50.0),
        (&["angle_deg"], item.angle_deg, 0.0..=60.0),
    ];
    for (key, value, allowed) in numbers {
        if let Some(value) = value
            && !allowed.contains(&value)
        {
            let why = format!("{} = {value}: use {} to {}", key[0], allowed.start(), allowed.end());
            return Some((key, why));
        }
    }
    words(item).or_else(|| target(item)).or_else(|| pace(item)).or_else(|| familiarisation(item))
}

fn pace(item: &Item) -> Found {
    let (slow, fast) = item.pace_percent_per_s?;
    let key: &'static [&'static str] = &["pace_percent_per_s"];
    if item.test != Test::Break {
        return Some((key, "only a break pull has a pace in numbers".to_owned()));
    }
    // Written so that what is no number is refused, too.
    let good = slow >= 1.0 && slow < fast && fast <= 200.0;
    (!good).then(|| {
        let why = format!("pace_percent_per_s = [{slow}, {fast}]: use the least and the greatest, 1 to 200");
        (key, why)
    })
}

fn familiarisation(item: &Item) -> Found {
    const KEYS: &[&str] = &["familiarisation", "trials"];
    let own = item.familiarisation > 0;
    if own && !matches!(item.test, Test::Make | Test::Submaximal) {
        return Some((
            KEYS,
            "only who pulls with the own force can pull at half strength: make and submaximal tests"
                .to_owned(),
        ));
    }
    let pulls = item.familiarisation.saturating_add(item.trials);
    (own && pulls > ATTEMPTS_MAX).then(|| {
        let why =
            format!("familiarisation and trials come to {pulls} pulls: an item has at most {ATTEMPTS_MAX}");
        (KEYS, why)
    })
}

fn words(item: &Item) -> Found {
    let words: [(&'static [&'static str], &str, &[&str]); 5] = [
        (&["arrangement"], &item.arrangement, &["single", "pair"]),
        (&["reaction"], &item.reaction, &["examiner", "neighbour", "frame"]),
        (&["coupling"], &item.coupling, &["pad", "loop"]),
        (&["palm"], &item.palm, &["up", "down", "inward"]),
        (&["position"], &item.position, &["neutral", "lengthened", "shortened"]),
    ];
    let wrong = words.into_iter().find(|(_, word, known)| !word.is_empty() && !known.contains(word));
    wrong.map(|(key, word, known)| {
        let nearest = analysis::spelling::nearest(word, known).unwrap_or_default();
        (key, format!("{} = `{word}`: did you mean `{nearest}`? Known are {}", key[0], known.join(", ")))
    })
}

fn target(item: &Item) -> Found {
    let submaximal = item.test == Test::Submaximal;
    match (submaximal, item.target_percent) {
        (true, None) => Some((
            &["test"],
            "a submaximal hold needs target_percent, % of the muscle's best peak".to_owned(),
        )),
        (false, Some(_)) => Some((&["target_percent"], "only a submaximal hold has a target".to_owned())),
        _ => None,
    }
}

/// What an item cannot be after those before it.
fn among(item: &Item, before: &[Item], examined: bool) -> Found {
    let made = before.iter().any(|made| made.muscle == item.muscle && made.test == Test::Make);
    let needs_make = |what: &str| {
        format!("{what} comes only after a make test of the same muscle in the same visit: put one before it")
    };
    match item.test {
        Test::Free => return Some((&["test"], "`free` is a recording without a plan".to_owned())),
        Test::Break if !made => return Some((&["test"], needs_make("a break pull"))),
        Test::Submaximal if !made => return Some((&["test"], needs_make("a submaximal hold"))),
        Test::Make | Test::Submaximal => {}
        _ if examined => {}
        other => {
            let why = format!(
                "the test `{other}` needs an examiner's hand: write `procedure = \"examined\"` under the title, and the \
                 gate, the readiness and the caps of an examination go with it"
            );
            return Some((&["test"], why));
        }
    }
    let follows = before.last().is_some_and(|last| last.muscle == item.muscle);
    if item.grip == super::Grip::Same && !follows {
        return Some((&["grip"], "the same grip as the item before, which is of another muscle".to_owned()));
    }
    None
}
