//! Text that came from a device, made safe to print.
//!
//! In: bytes or text that nobody vouches for. Out: text without control characters, so that a device cannot move the
//! cursor, change colours or forge lines in the examiner's terminal.

use analysis::console::clean;

/// The longest piece of a device's text that is printed, in characters.
const PRINTED_CHARACTERS: usize = 200;

/// `text` with every control or invisible direction-changing character replaced, and cut where it is too long.
#[must_use]
pub fn printable(text: &str) -> String {
    let cut: String = text.chars().take(PRINTED_CHARACTERS).collect();
    let mut out = clean(&cut).replace(hides, "\u{fffd}");
    if text.chars().nth(PRINTED_CHARACTERS).is_some() {
        out.push('…');
    }
    out
}

/// The same for bytes that should be text; what is not UTF-8 is replaced.
#[must_use]
pub fn printable_bytes(bytes: &[u8]) -> String {
    printable(&String::from_utf8_lossy(bytes))
}

/// Invisible, or changes the direction of what follows: `clean` leaves these.
fn hides(character: char) -> bool {
    matches!(character,
        '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn control_characters_never_come_through() {
        // An escape sequence that would clear the screen, one that sets the title, and C1's one-byte equivalent.
        let dirty = "a\x1b[2Jb\x1b]0;title\x07c\u{9b}31md\r\n\u{202e}e";
        let clean = printable(dirty);
        assert_eq!(clean, "a\u{fffd}[2Jb\u{fffd}]0;title\u{fffd}c\u{fffd}31md\u{fffd}\u{fffd}\u{fffd}e");
        assert_eq!(printable_bytes(b"ok \xff\x00"), "ok \u{fffd}\u{fffd}");
    }

    #[test]
    fn ordinary_text_stays_and_long_text_is_cut() {
        assert_eq!(printable("FF-0042 µN, größer"), "FF-0042 µN, größer");
        let long = printable(&"x".repeat(5000));
        assert_eq!(long.chars().count(), PRINTED_CHARACTERS + 1);
        assert!(long.ends_with('…'));
    }
}
