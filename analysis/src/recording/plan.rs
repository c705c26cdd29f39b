//! What a recorded plan says that a comparison or a report needs: which items it named as primary, before anything was
//! measured, and how each was to be done.
//!
//! Comes in: a plan's TOML text. Goes out: items by muscle key and test. Everything else in the plan is the daemon's.
use crate::trial::Side;
use serde::Deserialize;

/// A plan, as far as it is needed here.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
pub struct Plan {
    /// What it is for.
    #[serde(default)]
    pub title: String,
    /// What is in random order: `side`, `muscle`.
    #[serde(default)]
    pub randomise: Vec<String>,
    /// Where a random order came from.
    #[serde(default)]
    pub seed: Option<u32>,
    /// The involved side, where one is named.
    #[serde(default)]
    pub involved_side: Option<Side>,
    /// What is tested, in order.
    #[serde(rename = "item", default)]
    pub items: Vec<Item>,
}

/// One muscle, one side, one kind of test. Forces N, times s, lengths mm; "" and `None` not said.
#[derive(Debug, Clone, PartialEq, Default, Deserialize)]
#[serde(default)]
pub struct Item {
    /// Muscle key with its side.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// One that the visit's question hangs on.
    pub primary: bool,
    /// The belly's name.
    pub belly: String,
    /// How the arm and the joints are placed.
    pub posture: String,
    /// Where the force is applied.
    pub contact: String,
    /// What the examiner says.
    pub say: String,
    /// What the examiner sees of the force; "" not said.
    pub examiner_sees: String,
    /// What the participant sees of it.
    pub participant_sees: String,
    /// How long to hold.
    pub hold_s: Option<f64>,
    /// Rest of the muscle before each trial.
    pub rest_s: Option<f64>,
    /// Where the pull must stop, as the plan says.
    pub cap_n: Option<f64>,
    /// The count that runs through the pull.
    pub count: Option<u32>,
}

/// Reads a plan; an empty one where the text is none.
pub fn read(text: &str) -> Plan {
    toml::from_str(text).unwrap_or_default()
}

/// The primary items, in the plan's order; none where the text is no plan or names none.
pub fn primary(text: &str) -> Vec<(String, String)> {
    let items = read(text).items.into_iter();
    items.filter(|item| item.primary).map(|item| (item.muscle, item.test)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_the_plan_marks_is_primary() {
        let plan = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\nprimary = true\nrest_s = 60.0\n\
                    [[item]]\nmuscle = \"right index abduction\"\ntest = \"make\"\n";
        assert_eq!(primary(plan), [("left index abduction".to_owned(), "make".to_owned())]);
        assert_eq!(primary(""), []);
        assert_eq!(primary("no plan"), []);
    }
}
