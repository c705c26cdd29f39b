//! The conditions of a measurement: two values may be held against each other only where they match.
//!
//! Comes in: what was recorded or published. Goes out: what does not match, or is not known to, in words.
//!
//! Force is inversely proportional to the distance of the contact from the joint, the reading depends on what the sensor
//! is braced against, and an error of measurement holds for the number of trials averaged, the examiner and the people it
//! was found in. So none of this is taken for granted: what was not recorded matches nothing, unless the user says so.
use serde::{Deserialize, Serialize};

/// How far levers may differ, mm.
pub const LEVER_MM: f64 = 3.0;

/// How far gaps may differ, mm.
pub const GAP_MM: f64 = 1.0;

/// The names of the conditions, as they are typed and printed.
pub const NAMES: [&str; 12] = [
    "muscle",
    "test",
    "arrangement",
    "reaction",
    "coupling",
    "position",
    "lever",
    "gap",
    "trials",
    "profile",
    "population",
    "examiner",
];

/// The conditions of a value. Empty or `None`: not known.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Conditions {
    /// Muscle key without its side: `index abduction`.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// `single` or `pair`.
    pub arrangement: String,
    /// `examiner`, `neighbour` or `frame`.
    pub reaction: String,
    /// `pad` or `loop`.
    pub coupling: String,
    /// `neutral`, `lengthened` or `shortened`.
    pub position: String,
    /// Distance of the contact from the joint's axis, mm.
    pub lever_mm: Option<f64>,
    /// Thickness of the sensor between the digits, mm.
    pub gap_mm: Option<f64>,
    /// Trials averaged.
    pub trials: Option<usize>,
    /// Finder's profile: `standard` or `weak`.
    pub profile: String,
    /// Who was measured.
    pub population: String,
    /// Between the occasions: the `same` examiner, or `another`.
    pub examiner: String,
}

/// The word that all share; where they differ, all of them, which match nothing else; empty, not known, where one is.
pub fn common<'a>(words: impl Iterator<Item = &'a str>) -> String {
    let mut words: Vec<&str> = words.collect();
    words.sort_unstable();
    words.dedup();
    if words.contains(&"") { String::new() } else { words.join("/") }
}

/// What is said of conditions that one of the two, or both, do not tell.
pub const NOT_RECORDED: &str = "not recorded for both";

/// What a user vouches for: conditions that are not recorded on one side or both, and were the same.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Vouched(pub Vec<String>);

impl Vouched {
    /// This condition is vouched for.
    pub fn covers(&self, name: &str) -> bool {
        self.0.iter().any(|word| word == name || word == "all")
    }
}

impl Conditions {
    /// What does not match, or cannot be known to, in words; empty where everything does.
    pub fn differences(&self, other: &Conditions, vouched: &Vouched) -> Vec<String> {
        let words = [
            ("muscle", &self.muscle, &other.muscle),
            ("test", &self.test, &other.test),
            ("arrangement", &self.arrangement, &other.arrangement),
            ("reaction", &self.reaction, &other.reaction),
            ("coupling", &self.coupling, &other.coupling),
            ("position", &self.position, &other.position),
            ("profile", &self.profile, &other.profile),
            ("population", &self.population, &other.population),
            ("examiner", &self.examiner, &other.examiner),
        ];
        let mut found = Found { vouched, unknown: Vec::new(), different: Vec::new() };
        words.iter().for_each(|(name, a, b)| found.word(name, a, b));
        found.number("lever", (self.lever_mm, other.lever_mm), LEVER_MM);
        // The gap is the sensor's thickness; it sets the angle the digit starts at. Alone it is no condition.
        if self.arrangement == "pair" || other.arrangement == "pair" {
            found.number("gap", (self.gap_mm, other.gap_mm), GAP_MM);
        }
        let count = |trials: Option<usize>| trials.map(|trials| trials as f64);
        found.number("trials", (count(self.trials), count(other.trials)), 0.0);
        found.told()
    }

    /// Of the sensor and the hand, what neither tells.
    pub fn unsaid(&self, other: &Conditions) -> Vec<&'static str> {
        let pair = self.arrangement == "pair" || other.arrangement == "pair";
        let silent = [
            ("arrangement", self.arrangement.is_empty() && other.arrangement.is_empty()),
            ("reaction", self.reaction.is_empty() && other.reaction.is_empty()),
            ("coupling", self.coupling.is_empty() && other.coupling.is_empty()),
            ("position", self.position.is_empty() && other.position.is_empty()),
            ("lever", self.lever_mm.or(other.lever_mm).is_none()),
            ("gap", pair && self.gap_mm.or(other.gap_mm).is_none()),
        ];
        silent.into_iter().filter(|(_, silent)| *silent).map(|(name, _)| name).collect()
    }
}

/// What has been found not to match.
struct Found<'a> {
    vouched: &'a Vouched,
    unknown: Vec<&'a str>,
    different: Vec<String>,
}

impl<'a> Found<'a> {
    fn word(&mut self, name: &'a str, a: &str, b: &str) {
        if a.is_empty() || b.is_empty() {
            self.missing(name);
        } else if a != b && name == "examiner" {
            let who = |word: &str| match word {
                "same" => "the same examiner".to_owned(),
                "another" => "another examiner".to_owned(),
                other => format!("{other} examiners"),
            };
            let (these, data) = (who(a), who(b));
            self.different.push(format!("examiner differs: {these} at these visits, {data} in the data"));
        } else if a != b {
            self.different.push(format!("{name} differs: {a} and {b}"));
        }
    }

    fn number(&mut self, name: &'a str, values: (Option<f64>, Option<f64>), within: f64) {
        match values {
            (Some(a), Some(b)) if (a - b).abs() > within + 1e-9 => {
                let unit = if name == "trials" { "" } else { " mm" };
                self.different.push(format!("{name} differs: {a}{unit} and {b}{unit}"));
            }
            (Some(_), Some(_)) => {}
            _ => self.missing(name),
        }
    }

    fn missing(&mut self, name: &'a str) {
        if !self.vouched.covers(name) {
            self.unknown.push(name);
        }
    }

    fn told(mut self) -> Vec<String> {
        if !self.unknown.is_empty() {
            self.different.push(format!("{NOT_RECORDED}: {}", self.unknown.join(", ")));
        }
        self.different
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub fn full() -> Conditions {
        let text = String::from;
        Conditions {
            muscle: text("index abduction"),
            test: text("make"),
            arrangement: text("single"),
            reaction: text("examiner"),
            coupling: text("pad"),
            position: text("neutral"),
            lever_mm: Some(30.0),
            gap_mm: None,
            trials: Some(3),
            profile: text("standard"),
            population: text("healthy"),
            examiner: text("same"),
        }
    }

    #[test]
    fn what_matches_has_no_differences_and_each_condition_counts() {
        let nobody = Vouched::default();
        assert_eq!(full().differences(&full(), &nobody), Vec::<String>::new());
        let near = Conditions { lever_mm: Some(33.0), ..full() };
        assert!(full().differences(&near, &nobody).is_empty(), "within 3 mm");
        let changed: [(&str, Conditions); 10] = [
            ("muscle", Conditions { muscle: "ring abduction".into(), ..full() }),
            ("test", Conditions { test: "break".into(), ..full() }),
            ("arrangement", Conditions { arrangement: "other".into(), ..full() }),
            ("reaction", Conditions { reaction: "frame".into(), ..full() }),
            ("coupling", Conditions { coupling: "loop".into(), ..full() }),
            ("lever", Conditions { lever_mm: Some(33.5), ..full() }),
            ("trials", Conditions { trials: Some(2), ..full() }),
            ("profile", Conditions { profile: "weak".into(), ..full() }),
            ("population", Conditions { population: "nerve injury".into(), ..full() }),
            ("examiner", Conditions { examiner: "another".into(), ..full() }),
        ];
        for (name, other) in changed {
            let found = full().differences(&other, &Vouched(vec!["all".into()]));
            assert_eq!(found.len(), 1, "{name}: {found:?}");
            assert!(
                found[0].starts_with(name),
                "a difference that is known cannot be vouched away: {found:?}"
            );
        }
    }

    #[test]
    fn a_word_that_one_does_not_tell_is_not_known() {
        let of = |words: &[&'static str]| common(words.iter().copied());
        assert_eq!((of(&["pad", "pad"]), of(&["pad", "loop"])), ("pad".to_owned(), "loop/pad".to_owned()));
        assert_eq!((of(&["", "pad"]), of(&[])), (String::new(), String::new()));
    }

    #[test]
    fn what_is_not_known_matches_only_where_the_user_vouches_for_it() {
        let bare = Conditions { lever_mm: None, position: String::new(), ..full() };
        let found = full().differences(&bare, &Vouched::default());
        assert_eq!(found, ["not recorded for both: position, lever"]);
        let vouched = Vouched(vec!["position".into(), "lever".into()]);
        assert!(full().differences(&bare, &vouched).is_empty());
        let pair = Conditions { arrangement: "pair".into(), ..full() };
        assert_eq!(pair.differences(&pair, &Vouched::default()), ["not recorded for both: gap"]);
    }
}
