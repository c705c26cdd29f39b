//! The cap: the force at which a pull must stop.
//!
//! Comes in: an item and the muscle's peaks of this visit (N). Goes out: the cap (N), or `None` where the person's own
//! effort is the limit (a make test without a stated cap).
//!
//! A break pull stops at 1.5 times the muscle's make of the same visit, on the involved side also at the other side's force,
//! and always at the ceiling: what the plan states, otherwise 40 N for the index and 25 N for the others at 30 mm from the
//! knuckle's axis, at another distance the same moment. Breaks are about 1.3 to 1.5 times makes (Burns & Spanier 2005, Arch
//! Phys Med Rehabil 86:1420–1426); the ceilings are assumptions of this program, to be checked by a hand therapist.

use super::plan::Item;
use analysis::trial::{Digit, Test};

/// A break pull goes to this multiple of the make.
pub const OF_MAKE: f64 = 1.5;
/// From this share of the cap on there is a warning.
pub const WARN_SHARE: f64 = 0.8;
/// Ceiling of the index, N, at [`LEVER_MM`].
const INDEX_N: f64 = 40.0;
/// Ceiling of the other digits, N, at [`LEVER_MM`].
const OTHERS_N: f64 = 25.0;
/// Distance from the knuckle's axis for which the ceilings are meant, mm.
const LEVER_MM: f64 = 30.0;

/// What is known of a muscle when its cap is set.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Known {
    /// Best valid make of this visit, N.
    pub make_n: Option<f64>,
    /// Best force of the other side's muscle in this visit, N, where this side is the involved one.
    pub other_side_n: Option<f64>,
}

/// The cap of an item, N.
pub fn cap_n(item: &Item, known: Known) -> Option<f64> {
    match item.test {
        Test::Break => {
            let limits =
                [known.make_n.map(|make_n| OF_MAKE * make_n), known.other_side_n, Some(ceiling_n(item))];
            limits.into_iter().flatten().reduce(f64::min)
        }
        Test::Concentric | Test::Submaximal => Some(ceiling_n(item)),
        _ => item.cap_n,
    }
}

/// The ceiling of an item, N.
fn ceiling_n(item: &Item) -> f64 {
    let usual_n = if item.muscle.digit == Digit::Index { INDEX_N } else { OTHERS_N };
    item.cap_n.unwrap_or(usual_n * LEVER_MM / item.lever_mm.unwrap_or(LEVER_MM))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::visit::plan::Plan;

    fn item(digit: &str, test: &str, keys: &str) -> Item {
        let of = |test: &str| format!("[[item]]\nmuscle = \"left {digit} abduction\"\ntest = \"{test}\"\n");
        let text = format!("title = \"t\"\nprocedure = \"examined\"\n{}{}{keys}", of("make"), of(test));
        Plan::parse(&text).unwrap().items.remove(1)
    }

    #[test]
    fn the_least_of_all_limits_is_the_cap() {
        let known = |make_n, other_side_n| Known { make_n, other_side_n };
        for (digit, test, keys, known, cap) in [
            ("index", "break", "", known(Some(20.0), None), Some(30.0)),
            ("index", "break", "", known(Some(20.0), Some(25.0)), Some(25.0)),
            ("index", "break", "", known(Some(50.0), None), Some(40.0)),
            ("little", "break", "", known(Some(50.0), None), Some(25.0)),
            ("index", "break", "lever_mm = 60.0\n", known(Some(50.0), None), Some(20.0)),
            ("index", "break", "cap_n = 55.0\n", known(Some(50.0), None), Some(55.0)),
            ("index", "concentric", "", known(None, None), Some(40.0)),
            ("index", "make", "", known(Some(20.0), Some(5.0)), None),
            ("index", "make", "cap_n = 30.0\n", known(None, None), Some(30.0)),
        ] {
            assert_eq!(cap_n(&item(digit, test, keys), known), cap, "{digit} {test} {keys}");
        }
    }
}
