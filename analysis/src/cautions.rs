//! The cautions shown where the work is done and on every result, in one place.

/// What a result is for, and what it is not.
pub const CAUTIONS: &str = "For documentation and research by trained people; not a diagnosis. Not a medical device and \
not assessed as one: clinical use is the user's institution's decision. Follow local rules and the treating clinician.";
