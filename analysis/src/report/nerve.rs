//! Which nerve a muscle has.
//!
//! Comes in: a muscle key without its side. Goes out: the belly's name, its nerve and roots. General knowledge of anatomy
//! (Standring (ed.), Gray's Anatomy, chapter on wrist and hand; from memory); individuals differ, and connections between
//! the median and ulnar nerves are common.

/// A group of muscles with one nerve.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Nerve {
    /// Its name, with the roots.
    pub name: &'static str,
    /// Muscles of this nerve, by key without side.
    muscles: &'static [&'static str],
}

/// The nerves, in the order in which they are told.
pub const ALL: [Nerve; 2] = [
    Nerve {
        name: "Ulnar nerve, deep branch (C8, T1)",
        muscles: &[
            "index adduction",
            "ring adduction",
            "little adduction",
            "index abduction",
            "middle radial-deviation",
            "middle ulnar-deviation",
            "ring abduction",
            "little abduction",
        ],
    },
    Nerve { name: "Median nerve (C8, T1): the same roots by another nerve", muscles: &["thumb abduction"] },
];

/// Said where no muscle of the same roots by another nerve was measured.
pub const WITHOUT_CONTROL: &str = "All muscles here have one nerve and the same roots: nothing here tells the ulnar nerve \
from the T1 root. A muscle of the same roots by another nerve (thumb abduction) can be added to the plan.";
/// Said where one was.
pub const WITH_CONTROL: &str = "Muscles are listed by their usual nerve; individuals differ, and connections between the \
median and ulnar nerves are common.";

/// The nerve of a muscle.
pub fn of(muscle: &str) -> Option<Nerve> {
    ALL.into_iter().find(|nerve| nerve.muscles.contains(&muscle))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::trial::Muscle;

    #[test]
    fn every_muscle_is_a_key_and_has_one_nerve() {
        for nerve in ALL {
            for muscle in nerve.muscles {
                assert!(format!("left {muscle}").parse::<Muscle>().is_ok(), "{muscle}");
                assert_eq!(of(muscle), Some(nerve));
            }
        }
        assert_eq!(of("thumb adduction"), None);
    }
}
