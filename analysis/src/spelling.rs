//! The nearest known word to one that is not known, for errors. Comes in: words. Goes out: a word.

/// The known word with the fewest single-letter edits to what was given; `None` where none is known.
pub fn nearest<'a>(given: &str, known: &[&'a str]) -> Option<&'a str> {
    known.iter().min_by_key(|word| edits(given, word)).copied()
}

/// Levenshtein's distance (Levenshtein 1966, Soviet Physics Doklady 10:707–710).
fn edits(a: &str, b: &str) -> usize {
    let b: Vec<char> = b.chars().collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.chars().take(80).enumerate() {
        let mut diagonal = row[0];
        row[0] = i + 1;
        for (j, cb) in b.iter().enumerate() {
            let change = diagonal + usize::from(ca != *cb);
            diagonal = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(diagonal + 1);
        }
    }
    row.last().copied().unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn distances_are_those_of_the_textbook() {
        for (a, b, distance) in
            [("kitten", "sitting", 3), ("", "abc", 3), ("rest", "rest", 0), ("ab", "ba", 2)]
        {
            assert_eq!(edits(a, b), distance, "{a} {b}");
        }
        assert_eq!(nearest("hold", &["trials", "hold_s", "rest_s"]), Some("hold_s"));
    }
}
