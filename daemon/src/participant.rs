//! What is known of a participant beside the code: codes and classes, never what could name somebody.
//!
//! Comes in: `NAME=VALUE` as typed. Goes out: a field of a recording's `/participant` (years, weeks, mm), or what is wrong.

use serde::Serialize;
use std::ops::RangeInclusive;
use utoipa::ToSchema;

/// Name as typed and as stored, and what it may be.
const FIELDS: [(&str, &str, Kind); 7] = [
    ("age", "age_years", Kind::Number(0.0..=130.0)),
    ("sex", "sex", Kind::Word(&["female", "male", "other", "not-said"])),
    ("dominant", "dominant_hand", Kind::Word(&["left", "right", "both"])),
    ("condition", "condition", Kind::Class),
    ("weeks-since", "weeks_since", Kind::Number(0.0..=10_000.0)),
    ("hand-length", "hand_length_mm", Kind::Number(30.0..=300.0)),
    ("protocol", "protocol", Kind::Class),
];
/// Longest class.
const CLASS_MAX: usize = 40;

/// What is asked of a participant, for a form.
#[derive(Debug, Serialize, ToSchema)]
pub struct Asked {
    /// Its name, as it is typed.
    name: &'static str,
    /// The words there are; none: something else.
    words: &'static [&'static str],
    /// Least and greatest number; none: words.
    range: Option<(f64, f64)>,
}

/// Everything that may be said of a participant.
pub fn asked() -> impl Iterator<Item = Asked> {
    FIELDS.iter().map(|(name, _, kind)| {
        let (words, range) = match kind {
            Kind::Number(range) => (&[][..], Some((*range.start(), *range.end()))),
            Kind::Word(words) => (*words, None),
            Kind::Class => (&[][..], None),
        };
        Asked { name, words, range }
    })
}

enum Kind {
    Number(RangeInclusive<f64>),
    Word(&'static [&'static str]),
    /// A few words of one's own: a group, a protocol.
    Class,
}

/// Reads `age=61`.
///
/// # Errors
/// What is wrong with it, in words.
pub fn field(text: &str) -> Result<(String, String), String> {
    let names = || FIELDS.iter().map(|field| field.0).collect::<Vec<_>>().join(", ");
    let (name, value) =
        text.split_once('=').ok_or_else(|| format!("write NAME=VALUE; names are {}", names()))?;
    let (name, value) = (name.trim(), value.trim());
    let (_, stored, kind) = FIELDS
        .iter()
        .find(|field| field.0 == name)
        .ok_or_else(|| format!("`{name}` is not kept of a participant: use one of {}", names()))?;
    match kind {
        Kind::Number(allowed) if !value.parse::<f64>().is_ok_and(|value| allowed.contains(&value)) => {
            Err(format!("{name} = `{value}`: use a number from {} to {}", allowed.start(), allowed.end()))
        }
        Kind::Word(words) if !words.contains(&value) => {
            Err(format!("{name} = `{value}`: use one of {}", words.join(", ")))
        }
        Kind::Class => class(name, value).map(|()| ((*stored).to_owned(), value.to_owned())),
        _ => Ok(((*stored).to_owned(), value.to_owned())),
    }
}

/// Accepts a few words for a group.
///
/// # Errors
/// What is wrong with them, in words.
pub fn class(name: &str, value: &str) -> Result<(), String> {
    let allowed = |c: char| c.is_alphanumeric() || c == '-' || c == ' ';
    if value.is_empty() || value.chars().count() > CLASS_MAX || !value.chars().all(allowed) {
        return Err(format!(
            "{name} = `{value}`: use up to {CLASS_MAX} letters, digits, spaces and -, for a group and never a person"
        ));
    }
    analysis::code::personal(value).map_or(Ok(()), |found| {
        Err(format!("{name} = `{value}`: does `{found}` say who somebody is? Name a group, never a person"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn classes_are_kept_and_all_else_is_refused_with_what_would_do() {
        assert_eq!(field("age=61").unwrap(), ("age_years".to_owned(), "61".to_owned()));
        assert_eq!(field("dominant = left").unwrap().0, "dominant_hand");
        assert_eq!(field("condition=ulnar nerve repair").unwrap().1, "ulnar nerve repair");
        for (text, part) in [
            ("age", "NAME=VALUE"),
            ("name=Anna", "use one of age, sex"),
            ("age=old", "from 0 to 130"),
            ("age=nan", "from 0 to 130"),
            ("sex=f", "female, male"),
            ("condition=", "for a group"),
            ("condition=<b>", "for a group"),
            ("condition=Anna Miller", "does `Anna Miller` say who somebody is? Name a group"),
        ] {
            let error = field(text).unwrap_err();
            assert!(error.contains(part), "{text}: {error}");
        }
    }
}
