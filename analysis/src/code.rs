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
    if is_name_and_year(given) {
        return Some("it looks like a name or initials with a year of birth");
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

/// Nothing but some letters and a year, either first: `ANNA1980`, `1980-jm`. One letter is a series, as in `P2001`.
fn is_name_and_year(given: &str) -> bool {
    let runs =
        |of: fn(char) -> bool| given.split(move |c| !of(c)).filter(|run| !run.is_empty()).collect::<Vec<_>>();
    match (&runs(char::is_alphabetic)[..], &runs(|c| c.is_ascii_digit())[..]) {
        ([letters], [digits]) => letters.chars().count() > 1 && is_year(digits),
        _ => false,
    }
}

/// Four digits that can be the year of somebody's birth, or of a date.
fn is_year(digits: &str) -> bool {
    digits.len() == 4 && digits.parse().is_ok_and(|year| (1900..2100).contains(&year))
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

/// Those whom somebody names without a title.
const RELATIONS: [&str; 20] = [
    "husband",
    "wife",
    "partner",
    "son",
    "daughter",
    "mother",
    "father",
    "mum",
    "mom",
    "dad",
    "brother",
    "sister",
    "friend",
    "colleague",
    "boss",
    "carer",
    "nurse",
    "named",
    "called",
    "name",
];

/// Months, as people write them: the first three letters and what may follow.
const MONTHS: [(&str, &[&str]); 21] = [
    ("jan", &["", "uary", "uar", "vier"]),
    ("feb", &["", "ruary", "ruar"]),
    ("fév", &["", "rier"]),
    ("mar", &["", "ch", "s"]),
    ("mär", &["z"]),
    ("apr", &["", "il"]),
    ("avr", &["il"]),
    ("may", &[""]),
    ("mai", &[""]),
    ("jun", &["", "e", "i"]),
    ("jul", &["", "y", "i"]),
    ("jui", &["n", "llet"]),
    ("aug", &["", "ust"]),
    ("aoû", &["t"]),
    ("sep", &["", "t", "tember", "tembre"]),
    ("oct", &["", "ober", "obre"]),
    ("okt", &["", "ober"]),
    ("nov", &["", "ember", "embre"]),
    ("dec", &["", "ember"]),
    ("déc", &["", "embre"]),
    ("dez", &["", "ember"]),
];

/// Words that people write in capitals, or begin a sentence with, and that nobody is called.
const ORDINARY: [&str; 44] = [
    "left", "right", "both", "hand", "side", "thumb", "index", "middle", "ring", "little", "finger", "wrist",
    "elbow", "palm", "pain", "painful", "tired", "weak", "strong", "tight", "normal", "swelling", "swollen",
    "stopped", "slipped", "repeated", "sensor", "zero", "trial", "test", "make", "break", "hold", "pull",
    "force", "before", "after", "during", "again", "with", "without", "very", "more", "less",
];

/// What in a free text looks as if it said who somebody is: an e-mail address, a date, a telephone number, a title, an
/// initial or a relation with a name, or two capitalised words side by side. A name in small letters is none of these.
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
        let is = |list: &[&str], word: &str| list.contains(&word.to_lowercase().as_str());
        // A full stop ends a sentence: the next word is capitalised anyway. After a title or an initial it does not.
        let title = is(&TITLES, &first) || (is_initials(pair[0]) && !is(&ORDINARY, &second));
        let ended = pair[0].ends_with(['.', '!', '?', ':', ';']);
        let before = is_capitalised(&first) || is(&RELATIONS, &first);
        let named = is_capitalised(&second) && (title || (!ended && before));
        let ordinary = is(&ORDINARY, &first) || is(&ORDINARY, &second);
        let shouted = !ended && !ordinary && are_shouted(&first, &second);
        (named || shouted || is_dated(&first, &second)).then(|| format!("{first} {second}"))
    })
}

/// `A.` or `J.M.`
fn is_initials(word: &str) -> bool {
    let letters: Vec<char> = word.chars().collect();
    !letters.is_empty() && letters.chunks(2).all(|pair| matches!(pair, [c, '.'] if c.is_uppercase()))
}

/// Two words in capitals that are no abbreviations: those are short.
fn are_shouted(first: &str, second: &str) -> bool {
    let lengths = [first, second]
        .map(|word| if word.chars().all(char::is_uppercase) { word.chars().count() } else { 0 });
    let (least, most) = (lengths[0].min(lengths[1]), lengths[0].max(lengths[1]));
    least >= 3 && most >= 5
}

/// A month beside its day or its year, or a year of birth. `may` and `march` are words, too: in small letters they want a year.
fn is_dated(first: &str, second: &str) -> bool {
    let number = |word: &str| word.trim_end_matches(|c: char| c.is_ascii_lowercase()).parse::<u32>();
    let day = |word: &str| number(word).is_ok_and(|day| (1..=31).contains(&day));
    let of = |month: &str, beside: &str| {
        is_month(month) && (is_year(beside) || (day(beside) && month.starts_with(char::is_uppercase)))
    };
    of(first, second) || of(second, first) || (first.eq_ignore_ascii_case("born") && is_year(second))
}

fn is_month(word: &str) -> bool {
    let word = word.to_lowercase();
    MONTHS.iter().any(|(begins, ends)| word.strip_prefix(begins).is_some_and(|rest| ends.contains(&rest)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_accepted() {
        for code in [
            "",
            "P014",
            "E01",
            "D001",
            "P-014",
            "ctrl_07",
            "A1B2",
            "S-2026-14",
            "000014",
            "site3-0047",
            "P2001",
            "AB2200",
            "CTS2024-07",
            "jm198",
        ] {
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
            ("ANNA1980", "year of birth"),
            ("jm1980", "year of birth"),
            ("jm-2004", "year of birth"),
            ("1980_jm", "year of birth"),
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
            ("ANNA MILLER was tired", "ANNA MILLER"),
            ("ask JOHN SMITHERS first", "JOHN SMITHERS"),
            ("asked A. Miller", "A Miller"),
            ("J.M. Miller pulled", "J.M Miller"),
            ("her husband Tom helped", "husband Tom"),
            ("is called Tom", "called Tom"),
            ("born 2 March 1980", "2 March"),
            ("born March 1980", "March 1980"),
            ("on 3rd Feb. again", "3rd Feb"),
            ("May 3 was bad", "May 3"),
            ("né le 2 mars 1980", "mars 1980"),
            ("am 2. Oktober", "2 Oktober"),
            ("born 1980", "born 1980"),
        ] {
            assert_eq!(personal(text).as_deref(), Some(found), "{text}");
        }
        for text in [
            "First dorsal interosseous, both sides",
            "Slipped. Repeated after a rest",
            "2.5 N at 10 ms; palm up",
            "Swelling of the left hand",
            "STOPPED EARLY, LEFT HAND VERY WEAK",
            "EMG NCS MRC 4, FDI ADM weak",
            "pain may 3 times return on the march",
            "it may last 2 s",
            "group B. Repeated",
            "her husband helped, called it off. Then a rest",
            "grade A; Swelling",
            "sister of 30 years, 3 sons",
            "1980 N/s is no pace",
            "mar. 3 trials",
            "",
        ] {
            assert_eq!(personal(text), None, "{text}");
        }
    }
}
