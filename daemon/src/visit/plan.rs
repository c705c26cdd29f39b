//! Plans: what is to be tested, in order.
//!
//! Comes in: TOML. Goes out: a [`Plan`], or an error that names the line. Strict: an unknown key is refused.
//!
//! ```toml
//! title = "First dorsal interosseous, both sides"
//! research = true                   # only where consent is to be asked for
//!
//! [[item]]
//! muscle = "left index abduction"   # side, digit, direction
//! test = "make"                     # make, break or concentric
//! trials = 3                        # scored trials, 1 to 5
//! hold_s = 3.0                      # how long to hold
//! rest_s = 60.0                     # rest before the next trial
//! ```

use analysis::trial::{Muscle, Test};
use serde::{Deserialize, Serialize};

/// At most this many loaded attempts an item, failed ones included.
pub const ATTEMPTS_MAX: u32 = 5;

/// A plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    /// What the plan is for.
    pub title: String,
    /// A research plan: every participant's consent is asked for, its version and date.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub research: bool,
    /// What is tested, in order.
    #[serde(rename = "item")]
    pub items: Vec<Item>,
}

/// One muscle, one side, one kind of test.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Item {
    /// The muscle's key.
    pub muscle: Muscle,
    /// Kind of test.
    pub test: Test,
    /// Scored trials.
    #[serde(default = "three")]
    pub trials: u32,
    /// How long to hold, s.
    #[serde(default = "hold_default")]
    pub hold_s: f64,
    /// Rest before the next trial, s.
    #[serde(default = "rest_default")]
    pub rest_s: f64,
}

fn three() -> u32 {
    3
}
fn hold_default() -> f64 {
    3.0
}
fn rest_default() -> f64 {
    60.0
}

/// Why a plan is refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum PlanError {
    /// Not the TOML that a plan is; the text names line and key.
    #[error("{0}")]
    Toml(String),
    /// Well-formed but not to be run.
    #[error("item {item} ({what}): {why}")]
    Item {
        /// Item, from 1.
        item: usize,
        /// The item in words.
        what: String,
        /// What is wrong.
        why: String,
    },
    /// No items.
    #[error("the plan has no [[item]]")]
    Empty,
}

impl Plan {
    /// Reads and checks a plan.
    pub fn parse(text: &str) -> Result<Plan, PlanError> {
        let plan: Plan = toml::from_str(text).map_err(|error| PlanError::Toml(error.to_string()))?;
        plan.check()?;
        Ok(plan)
    }

    fn check(&self) -> Result<(), PlanError> {
        if self.items.is_empty() {
            return Err(PlanError::Empty);
        }
        for (i, item) in self.items.iter().enumerate() {
            let made =
                self.items[..i].iter().any(|made| made.muscle == item.muscle && made.test == Test::Make);
            if let Some(why) = item.objection(made) {
                let what = format!("{} {}", item.muscle, item.test);
                return Err(PlanError::Item { item: i + 1, what, why });
            }
        }
        Ok(())
    }

    /// The plan as TOML text.
    pub fn to_toml(&self) -> String {
        toml::to_string(self).unwrap_or_default()
    }
}

impl Item {
    fn objection(&self, made: bool) -> Option<String> {
        match self.test {
            Test::Make | Test::Concentric => {}
            Test::Break if made => {}
            Test::Break => {
                return Some(
                    "a break pull comes only after a make test of the same muscle in the same visit: put one before it"
                        .to_owned(),
                );
            }
            other => return Some(format!("test `{other}` cannot be run yet: use make, break or concentric")),
        }
        if !(1..=ATTEMPTS_MAX).contains(&self.trials) {
            return Some(format!("trials = {}: use 1 to {ATTEMPTS_MAX}", self.trials));
        }
        if !(0.5..=60.0).contains(&self.hold_s) {
            return Some(format!("hold_s = {}: use 0.5 to 60", self.hold_s));
        }
        if !(0.0..=3600.0).contains(&self.rest_s) {
            return Some(format!("rest_s = {}: use 0 to 3600", self.rest_s));
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: &str = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";

    #[test]
    fn defaults_are_filled_in_and_survive_toml() {
        let plan = Plan::parse(GOOD).unwrap();
        assert_eq!((plan.items[0].trials, plan.items[0].hold_s, plan.items[0].rest_s), (3, 3.0, 60.0));
        assert_eq!(Plan::parse(&plan.to_toml()).unwrap(), plan);
    }

    #[test]
    fn errors_name_the_line_or_the_item() {
        let unknown = Plan::parse(&format!("{GOOD}hold = 3\n")).unwrap_err().to_string();
        assert!(unknown.contains("line 5") && unknown.contains("hold"), "{unknown}");
        let muscle = Plan::parse(&GOOD.replace("index", "toe")).unwrap_err().to_string();
        assert!(muscle.contains("line 3") && muscle.contains("thumb"), "{muscle}");
        let none = Plan::parse("title = \"t\"\nitem = []\n").unwrap_err();
        assert_eq!(none, PlanError::Empty);
        for bad in ["trials = 0", "trials = 6", "hold_s = nan", "rest_s = -1.0"] {
            let error = Plan::parse(&format!("{GOOD}{bad}\n")).unwrap_err().to_string();
            assert!(error.starts_with("item 1"), "{error}");
        }
    }

    #[test]
    fn a_break_without_a_make_before_it_is_refused() {
        let break_item = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"break\"\n";
        assert!(Plan::parse(&format!("{GOOD}{break_item}")).is_ok());
        assert!(Plan::parse(&GOOD.replace("make", "break")).unwrap_err().to_string().contains("make test"));
    }
}
