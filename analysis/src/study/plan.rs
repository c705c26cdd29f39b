//! What a recorded plan says that a comparison needs: which items it named as primary, before anything was measured.
//!
//! Comes in: a plan's TOML text. Goes out: items by muscle key and test. Everything else in the plan is the daemon's.
use serde::Deserialize;

#[derive(Deserialize)]
struct Plan {
    #[serde(rename = "item", default)]
    items: Vec<Item>,
}

#[derive(Deserialize)]
struct Item {
    muscle: String,
    test: String,
    #[serde(default)]
    primary: bool,
}

/// The primary items, in the plan's order; none where the text is no plan or names none.
pub fn primary(text: &str) -> Vec<(String, String)> {
    let plan: Option<Plan> = toml::from_str(text).ok();
    let items = plan.into_iter().flat_map(|plan| plan.items);
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
