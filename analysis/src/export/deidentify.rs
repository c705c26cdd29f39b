//! Taking out of an export what could say who somebody is.
//!
//! Comes in: a [`Document`] and a secret. Goes out: the document with the participant's code replaced, every civil time moved
//! by a number of days and seconds that is the same for all of one participant's visits and cut to its minute, ages in bands,
//! and without: free text, the examiner, the visit's id, digests of its files, the sensor's serial number, the local time's
//! offset, the computer's clocks since it was started. What remains is what was measured. The order of visits, and to a minute
//! the intervals between them, stay as they were; a time of day would be a key to the same visit elsewhere.
//!
//! The days, the seconds and the new code are computed from the secret and the code with SHA-256, so that nobody who lacks
//! the secret can find the way back, and who has it gets the same again. The secret is made once for a data folder and
//! kept there, or is a seed that the user gives. That ages over 89 belong into one class, and which identifiers are to
//! go, follows 45 CFR 164.514(b)(2)(i) (from memory); whether the result is anonymous is for the user to judge.

use super::Document;
use crate::observed;
use crate::recording::layout::ObservationRow;
use crate::trial::{Muscle, Test};
use jiff::{Timestamp, civil::Date};
use sha2::{Digest, Sha256};
use toml::{Table, Value};

/// Dates move by up to this many days, either way, and never by none.
const DAYS_MAX: i64 = 180;
/// Years in an age band.
const BAND_YEARS: u32 = 10;
/// From this age on there is one band.
const OLD_YEARS: u32 = 90;
const S_PER_DAY: i64 = 86_400;
/// Times are whole minutes afterwards.
const MINUTE_S: i64 = 60;
const NS_PER_S: i64 = 1_000_000_000;

/// What the secret makes of a code.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mask {
    /// The code in its place.
    pub code: String,
    /// Days that are added to every date.
    pub days: i64,
    /// Seconds, less than a day, that are added to every time as well; the same way, so that none moves by less than a day.
    pub seconds: i64,
}

impl Mask {
    /// The mask of a participant.
    pub fn new(secret: &[u8], participant: &str) -> Mask {
        let digest =
            Sha256::new().chain_update(secret).chain_update([0]).chain_update(participant).finalize();
        let hex: String = digest.iter().take(5).map(|byte| format!("{byte:02x}")).collect();
        let number = |from: usize| {
            digest.iter().skip(from).take(4).fold(0_i64, |sum, byte| sum * 256 + i64::from(*byte))
        };
        let days = number(8) % (2 * DAYS_MAX) - DAYS_MAX;
        let (days, sign) = if days >= 0 { (days + 1, 1) } else { (days, -1) };
        Mask { code: format!("X{hex}"), days, seconds: sign * (number(12) % S_PER_DAY) }
    }

    /// A time, s since 1970, moved and cut to its minute.
    fn moved(&self, unix_s: i64) -> i64 {
        let moved = unix_s.saturating_add(self.days * S_PER_DAY + self.seconds);
        moved.div_euclid(MINUTE_S).saturating_mul(MINUTE_S)
    }

    fn time(&self, rfc_3339: &str) -> String {
        let moved = rfc_3339.parse::<Timestamp>().ok();
        let moved = moved.and_then(|time| Timestamp::from_second(self.moved(time.as_second())).ok());
        // What cannot be moved is left out: as it stands it could say when.
        moved.map(|time| time.to_string()).unwrap_or_default()
    }

    fn consent(&self, consent: &str) -> String {
        let Some((date, version)) = consent.split_once(' ') else { return String::new() };
        let days = i32::try_from(self.days).unwrap_or(0);
        let moved =
            date.parse::<Date>().ok().and_then(|date| date.checked_add(jiff::Span::new().days(days)).ok());
        // A version is a number; a word in it was somebody's choice.
        let number = version.trim_start_matches("version ").trim_start_matches('v');
        let version = if number.chars().any(char::is_alphabetic) { "" } else { version };
        moved.map(|date| format!("{date} {version}").trim_end().to_owned()).unwrap_or_default()
    }
}

/// The document without what could say who somebody is.
pub fn deidentify(document: &mut Document, secret: &[u8]) {
    let mask = Mask::new(secret, &document.root.participant);
    let root = &mut document.root;
    root.participant.clone_from(&mask.code);
    root.started_utc = mask.time(&root.started_utc);
    for text in [
        &mut root.examiner,
        &mut root.visit_id,
        &mut root.supersedes,
        &mut root.journal_sha256,
        &mut root.utc_offset,
    ] {
        text.clear();
    }
    root.plan = items(&root.plan);
    root.participant_fields.retain_mut(|(name, value)| field(name, value, &mask));
    document.content_sha256.clear();
    document.corrections.clear();
    document.procedure.without_words();
    document.sensors.iter_mut().for_each(|(serial, ..)| serial.clear());
    for segment in document.segments.iter_mut().flatten() {
        segment.utc_ns = mask.moved(segment.utc_ns.div_euclid(NS_PER_S)).saturating_mul(NS_PER_S);
        // They are civil time but for when the computer was started: unknown.
        (segment.monotonic_ns, segment.boottime_ns) = (-1, -1);
        segment.host_boot_id.clear();
    }
    document.trials.iter_mut().for_each(|row| row.why_not.clear());
    document.observations.retain_mut(|row| observation(row, &mask));
}

/// Classes stay, ages become bands, dates move; everything else goes.
fn field(name: &str, value: &mut String, mask: &Mask) -> bool {
    match name {
        "age_years" => *value = band(value),
        "consent" => *value = mask.consent(value),
        "sex" => return ["female", "male", "other", "not-said"].contains(&value.as_str()),
        "dominant_hand" | "involved_side" => return ["left", "right", "both"].contains(&value.as_str()),
        "weeks_since" | "hand_length_mm" => return value.parse::<f64>().is_ok(),
        _ => return false,
    }
    !value.is_empty()
}

fn band(age_years: &str) -> String {
    let Ok(years) = age_years.trim().parse::<f64>() else { return String::new() };
    let years = years.clamp(0.0, 200.0) as u32;
    if years >= OLD_YEARS {
        return format!("{OLD_YEARS}+");
    }
    let from = years / BAND_YEARS * BAND_YEARS;
    format!("{from}-{}", from + BAND_YEARS - 1)
}

/// Numbers, grades and answers that were offered stay; what may have been typed goes, be it the kind or the scale.
fn observation(row: &mut ObservationRow, mask: &Mask) -> bool {
    row.by.clear();
    row.entered_utc = mask.time(&row.entered_utc);
    observed::is_plain(row)
}

/// The items of a plan, with their muscles, tests and numbers: all else in it may be free text.
fn items(plan: &str) -> String {
    let plan: Table = plan.parse().unwrap_or_default();
    let items = plan.get("item").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    let kept = |(name, value): &(&String, &Value)| match (name.as_str(), value) {
        ("muscle", Value::String(text)) => text.parse::<Muscle>().is_ok(),
        ("test", Value::String(text)) => text.parse::<Test>().is_ok(),
        _ => value.is_integer() || value.is_float() || value.is_bool(),
    };
    let item = |item: &Table| -> String {
        let lines = item.iter().filter(kept).map(|(name, value)| format!("{name} = {value}\n"));
        format!("[[item]]\n{}", lines.collect::<String>())
    };
    items.iter().filter_map(Value::as_table).map(item).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::layout::TAKEN_BACK;

    #[test]
    fn of_what_was_observed_stays_what_nobody_typed() {
        let mask = Mask::new(b"secret", "P014");
        let row = |kind: &str, value: &str, scale: &str| ObservationRow {
            item: 1,
            kind: kind.to_owned(),
            value: value.to_owned(),
            scale: scale.to_owned(),
            entered_utc: String::new(),
            by: "E01".to_owned(),
        };
        for (kind, value, scale, stays) in [
            ("grade", "4-", "MRC 0-5", true),
            ("grade", TAKEN_BACK, "", true),
            ("pain", "3", "0-10", true),
            ("pain", "pain", "0-10", true),
            ("pain after", "2.5", "0 to 10", true),
            ("active motion", "part of the range", "", true),
            ("active motion", "45", "deg", true),
            ("trick movement", "wrist", "", true),
            ("length", "as expected", "", true),
            ("skin", "warm and dry", "", false),
            ("text", "tired", "", false),
            ("text", "3", "", false),
            ("called", "Miller", "", false),
            ("miller", "tired", "", false),
            ("miller", "3", "", false),
            ("pain", "3", "as told by miller", false),
            ("pain", "miller", "0-10", false),
            ("pain", "19800302", "", false),
            ("pain", "nan", "", false),
            ("grade", "miller", "MRC 0-5", false),
            ("length", "miller", "", false),
            ("length", "wrist", "", false),
            ("trick movement", "45", "", false),
        ] {
            assert_eq!(observation(&mut row(kind, value, scale), &mask), stays, "{kind} {value} {scale}");
        }
    }

    #[test]
    fn of_a_participant_stays_what_is_a_class_or_a_number() {
        let mask = Mask::new(b"secret", "P014");
        let day = mask.consent("2026-03-02 version 2.1").split(' ').next().unwrap().to_owned();
        for (name, value, expected) in [
            ("sex", "female", "female"),
            ("sex", "miller", ""),
            ("dominant_hand", "both", "both"),
            ("dominant_hand", "miller", ""),
            ("weeks_since", "12", "12"),
            ("weeks_since", "miller", ""),
            ("condition", "ulnar", ""),
            ("age_years", "61", "60-69"),
            ("consent", "2026-03-02 version v2.1", &format!("{day} version v2.1")),
            ("consent", "2026-03-02 version miller", &day),
        ] {
            let mut left = value.to_owned();
            let left = if field(name, &mut left, &mask) { left } else { String::new() };
            assert_eq!(left, expected, "{name} {value}");
        }
    }

    #[test]
    fn all_visits_of_a_participant_move_by_the_same_days_and_nobody_elses_by_intent() {
        let mask = Mask::new(b"secret", "P014");
        assert_eq!(mask, Mask::new(b"secret", "P014"));
        assert_ne!(mask, Mask::new(b"secret", "P015"));
        assert_ne!(mask, Mask::new(b"another", "P014"));
        let days = |n: u32| Mask::new(b"secret", &format!("P{n}")).days;
        let all: std::collections::BTreeSet<i64> = (0..20_000).map(days).collect();
        assert!(!all.contains(&0), "a date that does not move says when");
        assert_eq!((all.len(), all.first(), all.last()), (360, Some(&-180), Some(&180)));
        let (first, later) = (mask.time("2026-03-02T09:00:00Z"), mask.time("2026-03-16T10:30:00Z"));
        let between = later.parse::<Timestamp>().unwrap().duration_since(first.parse().unwrap());
        assert_eq!(
            between.as_secs(),
            14 * 86_400 + 5400,
            "the interval between visits is a result: it stays"
        );
        let seconds = |n: u32| Mask::new(b"secret", &format!("P{n}"));
        let all: Vec<Mask> = (0..2000).map(seconds).collect();
        assert!(all.iter().all(|it| it.seconds.abs() < S_PER_DAY && it.seconds * it.days >= 0));
        let odd = all.iter().filter(|it| it.seconds % 3600 != 0).count();
        assert!(odd > 1900, "a time of day that stays is a key to the identified visit: {odd}");
        assert_eq!(mask.time("yesterday"), "");
        assert_ne!(mask.consent("2026-03-02 version 2.1"), "2026-03-02 version 2.1");
        assert!(mask.consent("2026-03-02 version 2.1").ends_with(" version 2.1"));
    }

    #[test]
    fn of_a_plan_only_what_is_tested_stays() {
        let item = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\ntrials = 3\n";
        let plan = format!(
            "title = \"For Anna Miller\"\nnote = \"\"\"\nsee\nher file\"\"\"\n\n{item}say = \"Anna\"\n"
        );
        assert_eq!(items(&plan), item);
        let inside = "note = \"\"\"\n[[item]]\nmuscle = \"Anna\"\nmiller = 3\n\"\"\"\n";
        assert_eq!(items(&format!("{inside}{item}")), item);
        assert_eq!(items("[[item]]\nmuscle = \"Anna\"\ntest = \"Miller\"\n"), "[[item]]\n");
        assert_eq!(items("Anna Miller"), "");
    }

    #[test]
    fn ages_become_bands() {
        for (age, expected) in
            [("41", "40-49"), ("7", "0-9"), ("89.9", "80-89"), ("90", "90+"), ("104", "90+"), ("old", "")]
        {
            assert_eq!(band(age), expected);
        }
    }
}
