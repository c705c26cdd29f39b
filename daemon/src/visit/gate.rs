//! The gate: what is allowed, per side and digit, answered before the first load.
//!
//! Comes in: the clinician's answers. Goes out: whether an item may be done. The program decides nothing: it asks, keeps to
//! the answer, and keeps an override with its reason. What a hand surgeon or therapist commonly wants cleared first stands
//! in [`ASK_ABOUT`], from general knowledge of the trade, to be checked against local practice.

use super::plan::Item;
use analysis::console::clean;
use analysis::trial::{Digit, Side, Test};
use jiff::civil::Date;
use serde::{Deserialize, Serialize};

super::plan::words!(
    /// How far a digit may be loaded; each includes those before it.
    Allowed {
        /// Not at all.
        #[default]
        Nothing => "none",
        /// It may be moved by the person.
        Active => "active",
        /// It may be loaded by the person's own effort, and stretched.
        Make => "make",
        /// It may be pulled until it gives way.
        Break => "break",
    }
);

/// What is asked before the first load.
pub const ASK_ABOUT: &str = "Do not load without clearance: a fracture, dislocation or fixation that has not healed; repaired or \
transferred tendon, ligament or nerve; injury of the knuckle's ligaments; joint replacement; recent injection or nerve \
release; replanted or ischaemic digit; inflammation, infection, swelling; open wound or graft at the contact; severe \
osteoporosis or tumour; uncontrolled pain. With care: rheumatoid or lax joints, regional pain syndrome, spasticity, \
fatiguing disease, anticoagulation, fragile skin, heart disease (no breath holding), fistula or line in the limb, \
allergy to the contact. Children and old people: rather make tests. Stop on new or sharp pain, a snap, tingling.";

/// An answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clearance {
    /// Side.
    pub side: Side,
    /// Digit; all of the side where missing.
    pub digit: Option<Digit>,
    /// How far it may be loaded.
    pub allowed: Allowed,
    /// Pain at rest, 0 to 10.
    pub pain_at_rest: f64,
    /// When it was injured or operated on; "" not.
    #[serde(default)]
    pub since: String,
    /// Who cleared it (a role) and when; "" nobody had to.
    #[serde(default)]
    pub cleared: String,
}

impl Clearance {
    /// Reads `left [index] make pain 2 [since 2026-01-03] [cleared surgeon 2026-02-01]`.
    ///
    /// # Errors
    /// What is wrong with it, in words.
    pub fn parse(text: &str) -> Result<Clearance, String> {
        const FORM: &str = "write: side, digit (or none for all), none|active|make|break, pain 0-10, as in \
                            `left index make pain 2 since 2026-01-03 cleared surgeon`";
        let mut words = text.split_whitespace().peekable();
        let side = words.next().ok_or(FORM)?.parse::<Side>().map_err(|error| format!("{error}. {FORM}"))?;
        let digit = words.peek().and_then(|word| word.parse::<Digit>().ok());
        if digit.is_some() {
            words.next();
        }
        let allowed = match words.next() {
            Some("none") => Allowed::Nothing,
            Some("active") => Allowed::Active,
            Some("make") => Allowed::Make,
            Some("break") => Allowed::Break,
            other => {
                return Err(format!("`{}` is not what can be allowed. {FORM}", other.unwrap_or_default()));
            }
        };
        let (mut pain, mut since, mut cleared) = (None, String::new(), Vec::new());
        while let Some(word) = words.next() {
            match word {
                "pain" => pain = Some(words.next().unwrap_or_default()),
                "since" => since = day(words.next().unwrap_or_default())?,
                "cleared" => cleared = words.by_ref().collect(),
                other => return Err(format!("`{other}` is not understood. {FORM}")),
            }
        }
        let pain = pain.ok_or_else(|| format!("the pain at rest is missing. {FORM}"))?;
        let level = pain.parse::<f64>().ok().filter(|level| (0.0..=10.0).contains(level));
        let pain_at_rest =
            level.ok_or_else(|| format!("pain at rest is a number from 0 to 10, not `{pain}`. {FORM}"))?;
        Ok(Clearance { side, digit, allowed, pain_at_rest, since, cleared: cleared.join(" ") })
    }
}

impl Clearance {
    /// What of it was written freely: who cleared it, without the day, which is asked for.
    pub fn free_text(&self) -> String {
        let is_day = |word: &&str| word.parse::<Date>().is_ok();
        self.cleared.split_whitespace().filter(|word| !is_day(word)).collect::<Vec<_>>().join(" ")
    }

    /// Why it cannot be so today, if it cannot.
    pub fn objection(&self, today: Date) -> Option<String> {
        let since: Date = self.since.parse().ok()?;
        (since > today).then(|| {
            format!("since {since}: that day has not come; check the date, and this computer's clock")
        })
    }
}

fn day(word: &str) -> Result<String, String> {
    let day: Result<Date, _> = word.parse();
    day.map(|day| day.to_string()).map_err(|_| {
        format!("`{}` is no date: use YYYY-MM-DD, the day of the injury or operation", clean(word))
    })
}

/// All answers so far.
#[derive(Debug, Clone, Default)]
pub struct Gate {
    answers: Vec<Clearance>,
}

impl Gate {
    /// Takes an answer; a later one about the same digit replaces an earlier one.
    pub fn answer(&mut self, answer: Clearance) {
        self.answers.push(answer);
    }

    /// The answer about a digit.
    pub fn of(&self, side: Side, digit: Digit) -> Option<&Clearance> {
        let about = |answer: &&Clearance| answer.side == side && answer.digit.is_none_or(|it| it == digit);
        self.answers.iter().rev().find(about)
    }

    /// Digits of these items that nobody has answered for.
    pub fn missing(&self, items: &[Item]) -> Vec<(Side, Digit)> {
        let mut missing = Vec::new();
        for item in items {
            let (side, digit) = (item.muscle.side, item.muscle.digit);
            if self.of(side, digit).is_none() && !missing.contains(&(side, digit)) {
                missing.push((side, digit));
            }
        }
        missing
    }

    /// Whether an item may be done.
    pub fn allows(&self, item: &Item) -> bool {
        let allowed = self.of(item.muscle.side, item.muscle.digit).map_or(Allowed::Nothing, |it| it.allowed);
        allowed as u8 >= needed(item.test) as u8
    }

    /// Pain at rest of an item's digit, where it was asked.
    pub fn pain_at_rest(&self, item: &Item) -> Option<f64> {
        self.of(item.muscle.side, item.muscle.digit).map(|answer| answer.pain_at_rest)
    }
}

/// What must be allowed for a test.
fn needed(test: Test) -> Allowed {
    match test {
        Test::ActiveMotion => Allowed::Active,
        Test::Make | Test::Concentric | Test::Submaximal | Test::Length | Test::Free => Allowed::Make,
        Test::Break => Allowed::Break,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::visit::plan::Plan;

    fn items() -> Vec<Item> {
        let item = |test: &str| format!("[[item]]\nmuscle = \"left index abduction\"\ntest = \"{test}\"\n");
        let tests = ["active-motion", "make", "break"].map(item).concat();
        Plan::parse(&format!("title = \"t\"\nprocedure = \"examined\"\n{tests}")).unwrap().items
    }

    fn allows(answer: &str) -> Vec<bool> {
        let mut gate = Gate::default();
        gate.answer(Clearance::parse(answer).unwrap());
        items().iter().map(|item| gate.allows(item)).collect()
    }

    #[test]
    fn each_answer_allows_what_it_includes() {
        assert_eq!(allows("left none pain 0"), [false, false, false]);
        assert_eq!(allows("left active pain 0"), [true, false, false]);
        assert_eq!(allows("left index make pain 3"), [true, true, false]);
        assert_eq!(allows("left break pain 0 since 2026-01-03 cleared surgeon 2026-02-01"), [true; 3]);
        assert_eq!(allows("right break pain 0"), [false; 3], "the other hand");
    }

    #[test]
    fn a_digit_without_an_answer_is_missing_and_a_later_answer_wins() {
        let mut gate = Gate::default();
        assert_eq!(gate.missing(&items()), [(Side::Left, Digit::Index)]);
        gate.answer(Clearance::parse("left break pain 0").unwrap());
        gate.answer(Clearance::parse("left index active pain 1").unwrap());
        assert!(gate.missing(&items()).is_empty() && !gate.allows(&items()[1]));
    }

    #[test]
    fn what_has_not_come_yet_cannot_have_happened() {
        let on = |today: &str| {
            let answer = Clearance::parse("left make pain 3 since 2026-01-03").unwrap();
            answer.objection(today.parse().unwrap())
        };
        assert!(on("2026-01-02").is_some_and(|why| why.contains("2026-01-03: that day has not come")));
        assert_eq!((on("2026-01-03"), on("2026-02-01")), (None, None));
    }

    #[test]
    fn an_answer_that_says_not_enough_is_refused() {
        for text in [
            "",
            "left",
            "left index",
            "left index make",
            "left make pain 12",
            "left make pain",
            "left make pian 3",
            "left make pain 3 since",
            "left make pain 3 since last-week",
            "left make pain 3 since 2026-02-30",
        ] {
            assert!(Clearance::parse(text).is_err(), "{text}");
        }
    }
}
