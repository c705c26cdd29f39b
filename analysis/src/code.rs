//! Codes of participants and examiners: what may stand for a person in a file, and what could give the person away.
//!
//! Comes in: a code or a piece of free text as somebody typed it. Goes out: whether it is a code, and why not; whether a
//! text looks as if it held a name, a birth date or an address. A guess can be wrong both ways: it only asks.

use crate::console::clean;

/// Characters a code may have.
const LENGTH_MAX: usize = 32;
/// So many letters in a row are a word, and a word may be a name.
const WORD_LETTERS: usize = 5;

/// Why something is not a code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "`{}` is no {what} code: {why}; use up to {LENGTH_MAX} letters, digits, - and _, with at least one digit (P014), never a name",
    clean(given)
)]
pub struct CodeError {
    /// Whose code it was to be: `participant` or `examiner`.
    pub what: &'static str,
    /// What was given.
    pub given: String,
    /// What is wrong with it.
    pub why: &'static str,
}

/// Accepts a code, or says why it is none. Nothing given is no code, and fine: nobody is named then.
///
/// # Errors
/// It has other characters, or looks as if it said who the person is.
pub fn check(what: &'static str, given: &str) -> Result<(), CodeError> {
    match objection(given) {
        Some(why) if !given.is_empty() => Err(CodeError { what, given: given.to_owned(), why }),
        _ => Ok(()),
    }
}

fn objection(given: &str) -> Option<&'static str> {
    let allowed = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if given.contains('@') {
        return Some("it looks like an e-mail address");
    }
    if given.contains(['/', '\\']) || given.contains("..") {
        return Some("it looks like a path");
    }
    if is_birth_date(given) {
        return Some("it looks like a date, perhaps of birth");
    }
    if words(given).any(is_name_like) {
        return Some("it looks like a name");
    }
    if given.chars().count() > LENGTH_MAX {
        return Some("it is too long");
    }
    if !given.chars().all(allowed) {
        return Some("it has other characters than a code may have");
    }
    (!given.chars().any(|c| c.is_ascii_digit())).then_some("it has no digit, so it could be a name")
}

/// Runs of letters.
fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphabetic()).filter(|word| !word.is_empty())
}

/// A run of letters in a code that is a word, or is written as names are: `Ana`, `MILLER`.
fn is_name_like(word: &str) -> bool {
    let letters = word.chars().count();
    letters >= WORD_LETTERS || (letters >= 3 && is_capitalised(word))
}

fn is_capitalised(word: &str) -> bool {
    let mut letters = word.chars();
    letters.next().is_some_and(char::is_uppercase)
        && letters.clone().count() > 0
        && letters.all(char::is_lowercase)
}

/// Whether digits in it are a date: eight or six in a row that can be read as one, or three numbers side by side.
fn is_birth_date(text: &str) -> bool {
    let mut numbers = Vec::new();
    for part in text.split(['-', '_', '.', '/', ' ']) {
        let digits: String = part.chars().filter(char::is_ascii_digit).collect();
        let bare = digits.len() == part.len();
        if is_date_in_a_row(&digits) {
            return true;
        }
        numbers.push(digits.parse::<u32>().ok().filter(|_| bare && digits.len() <= 4));
    }
    numbers.windows(3).any(|three| match three {
        [Some(a), Some(b), Some(c)] => is_date(*a, *b, *c),
        _ => false,
    })
}

/// Eight digits with the year in four of them, or six with the year in two.
fn is_date_in_a_row(digits: &str) -> bool {
    let number = |range: std::ops::Range<usize>| {
        digits.get(range).and_then(|part| part.parse::<u32>().ok()).unwrap_or(0)
    };
    match digits.len() {
        8 => {
            is_date(number(0..4), number(4..6), number(6..8))
                || is_date(number(0..2), number(2..4), number(4..8))
        }
        6 => is_day(number(2..4), number(4..6)) || is_day(number(0..2), number(2..4)),
        _ => false,
    }
}

/// Three numbers with the year first or last (a year is four digits, from 1900).
fn is_date(a: u32, b: u32, c: u32) -> bool {
    let year = |n: u32| (1900..2100).contains(&n) || n < 100;
    (year(a) && is_day(b, c)) || (year(c) && is_day(a, b))
}

/// Day and month, in either order.
fn is_day(a: u32, b: u32) -> bool {
    let (month, day) = (1..=12_u32, 1..=31_u32);
    (month.contains(&a) && day.contains(&b)) || (month.contains(&b) && day.contains(&a))
}

/// Titles that come before a name.
const TITLES: [&str; 12] =
    ["mr", "mrs", "ms", "miss", "dr", "prof", "frau", "herr", "mme", "mlle", "monsieur", "madame"];

/// What in a free text looks as if it said who somebody is: an e-mail address, a date, a telephone number, a title with
/// a name, or two capitalised words side by side.
pub fn personal(text: &str) -> Option<String> {
    let words: Vec<&str> = text.split_whitespace().collect();
    let bare = |word: &str| word.trim_matches(|c: char| !c.is_alphanumeric()).to_owned();
    for word in &words {
        let inner = word.trim_matches(|c: char| !c.is_alphanumeric());
        let separated =
            inner.contains(['-', '.', '/']) && inner.chars().all(|c| c.is_ascii_digit() || "-./".contains(c));
        if (inner.contains('@') && inner.contains('.')) || (separated && is_birth_date(inner)) {
            return Some(inner.to_owned());
        }
        let digits = word.chars().filter(char::is_ascii_digit).count();
        if digits >= 7 && !word.chars().any(char::is_alphabetic) && !word.contains('.') {
            return Some(inner.to_owned());
        }
    }
    words.windows(2).find_map(|pair| {
        let [first, second] = [bare(pair[0]), bare(pair[1])];
        // A full stop ends a sentence: the next word is capitalised anyway. After a title it does not.
        let title = TITLES.contains(&first.to_lowercase().as_str());
        let ended = pair[0].ends_with(['.', '!', '?', ':', ';']);
        let named = is_capitalised(&second) && (title || (!ended && is_capitalised(&first)));
        named.then(|| format!("{first} {second}"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_accepted() {
        for code in
            ["", "P014", "E01", "D001", "P-014", "ctrl_07", "A1B2", "S-2026-14", "000014", "site3-0047"]
        {
            assert_eq!(check("participant", code), Ok(()), "{code}");
        }
    }

    #[test]
    fn what_could_say_who_somebody_is_is_refused_with_its_reason() {
        for (given, why) in [
            ("Miller7", "name"),
            ("anna-maria", "name"),
            ("Ana1", "name"),
            ("Zoë1", "name"),
            ("bob", "no digit"),
            ("1980-03-02", "birth"),
            ("2.3.1980", "birth"),
            ("P19800302", "birth"),
            ("02031980", "birth"),
            ("P_800302", "birth"),
            ("000123", "birth"),
            ("someone7@example.org", "e-mail"),
            ("../P014", "path"),
            ("P01/4", "path"),
            ("P 14", "characters"),
            ("P14\u{1b}[2J", "characters"),
            ("P0000000000000000000000000000000000001", "too long"),
        ] {
            let error = check("participant", given).expect_err(given).to_string();
            assert!(error.contains(why), "{error}");
            assert!(error.contains("P014") && !error.contains('\u{1b}'), "{error}");
        }
    }

    #[test]
    fn free_text_that_could_name_somebody_is_noticed_and_other_text_is_not() {
        for (text, found) in [
            ("patient Anna Miller felt pain", "Anna Miller"),
            ("asked Dr. Miller", "Dr Miller"),
            ("write to a.miller@example.org.", "a.miller@example.org"),
            ("born 02.03.1980", "02.03.1980"),
            ("call 0151-2345678", "0151-2345678"),
        ] {
            assert_eq!(personal(text).as_deref(), Some(found), "{text}");
        }
        for text in [
            "First dorsal interosseous, both sides",
            "Slipped. Repeated after a rest",
            "2.5 N at 10 ms; palm up",
            "Swelling of the left hand",
            "",
        ] {
            assert_eq!(personal(text), None, "{text}");
        }
    }
}
