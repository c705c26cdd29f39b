//! The vocabulary of what an examiner sees: kinds, scales, and the answers that are offered. All else was typed.

use crate::recording::layout::{ObservationRow, TAKEN_BACK};

/// Kinds that are entered after a visit. (During one `o KIND: VALUE` takes any.)
pub const KINDS: [&str; 7] =
    ["active motion", "length", "trick movement", "pain", "pain after", "grade", "text"];

/// Scale of a pain that was said to this program.
pub const PAIN_SCALE: &str = "0-10";
/// The Medical Research Council's scale, with + and − as is common practice.
pub const GRADE_SCALE: &str = "MRC 0-5";
/// Scales that name nobody.
const SCALES: [&str; 9] = ["", PAIN_SCALE, "0 to 10", "0-100", "0 to 100", GRADE_SCALE, "mm", "deg", "°"];

/// Answers that are offered one after the other to whoever has only the foot switch: kind and value, where a finger moves.
/// Trick movements and end feels as textbooks of muscle testing commonly name them (from memory).
pub const OF_MOTION: [(&str, &str); 8] = [
    ("active motion", "part of the range"),
    ("active motion", "flicker only"),
    ("active motion", "none"),
    ("trick movement", "finger joints bend"),
    ("trick movement", "knuckle overextends"),
    ("trick movement", "wrist"),
    ("trick movement", "thumb"),
    ("trick movement", "table"),
];
/// … and where a finger is carried.
pub const OF_LENGTH: [(&str, &str); 2] = [("length", "tight"), ("length", "lax")];
/// What a press says without them.
pub const AS_EXPECTED: &str = "as expected";
/// What the page offers beside these.
const ON_THE_PAGE: [(&str, &str); 3] =
    [("active motion", "full"), ("active motion", "reduced"), ("length", "normal")];

/// A grade of the scale: 0 to 5 with + or -.
pub fn is_grade(text: &str) -> bool {
    let mut signs = text.chars();
    matches!(signs.next(), Some('0'..='5')) && matches!(signs.as_str(), "" | "+" | "-")
}

/// Nothing in it was typed freely: a known kind, a known scale, and a grade, an offered answer, or a number that no date and
/// no telephone has.
pub fn is_plain(row: &ObservationRow) -> bool {
    let (kind, value) = (row.kind.as_str(), row.value.as_str());
    let number = || value.parse::<f64>().is_ok_and(|number| number.abs() < 1000.0);
    let offered = || [&OF_MOTION[..], &OF_LENGTH, &ON_THE_PAGE].concat().contains(&(kind, value));
    let plain = match kind {
        "grade" => is_grade(value) || value == TAKEN_BACK,
        "pain" | "pain after" => number() || value == "pain",
        "active motion" | "length" => number() || offered() || value == AS_EXPECTED,
        _ => offered(),
    };
    plain && SCALES.contains(&row.scale.as_str())
}
