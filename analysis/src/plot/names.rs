//! Names of figures: titles in plain words, and file names made of known words and numbers only, because text from a
//! recording may hold anything.
use crate::recording::layout::TrialRow;
use crate::trial::{Muscle, Test};

/// The muscle's words for a file name: `left-index-abduction`, or `unnamed`.
fn muscle_words(row: &TrialRow) -> String {
    row.muscle
        .parse::<Muscle>()
        .map_or_else(|_| "unnamed".to_owned(), |muscle| muscle.to_string().replace(' ', "-"))
}

fn test_word(row: &TrialRow) -> &'static str {
    row.test.parse::<Test>().map_or("unknown", Test::word)
}

/// File name, without its extension, of a trial's figure: `trial-03-left-index-abduction-make`.
pub fn trial_file(row: &TrialRow) -> String {
    if row.item > 0 {
        format!("trial-{:02}-{}-{}", row.order.max(0), muscle_words(row), test_word(row))
    } else {
        let sensor = if row.sensor > 1 { format!("sensor-{}-", row.sensor) } else { String::new() };
        format!("hold-{:02}-{sensor}channel-{}", row.order.max(0), row.channel.max(0))
    }
}

/// File name of an item's figure: `item-02-left-index-abduction-make`.
pub fn item_file(row: &TrialRow) -> String {
    format!("item-{:02}-{}-{}", row.item.max(0), muscle_words(row), test_word(row))
}

/// File name of a muscle's figure, both sides: `muscle-index-abduction`.
pub fn muscle_file(muscle: Muscle) -> String {
    format!("muscle-{}", muscle.without_side().replace(' ', "-"))
}

/// A muscle and its test in plain words: `Left index abduction, make test`.
pub fn item_title(row: &TrialRow) -> String {
    let muscle = row
        .muscle
        .parse::<Muscle>()
        .map_or_else(|_| "Unnamed muscle".to_owned(), |muscle| sentence(&muscle.to_string()));
    match row.test.parse::<Test>() {
        Ok(Test::Free) => format!("{muscle}, free recording"),
        Ok(test) => format!("{muscle}, {} test", test.word().replace('-', " ")),
        Err(_) => format!("{muscle}, unknown test"),
    }
}

/// A trial in plain words: `Left index abduction, make test, trial 2 of 3`; `of` is the number of trials of the item.
pub fn trial_title(row: &TrialRow, of: i64) -> String {
    if row.item > 0 {
        let of = if is_scored(row) { format!(" of {of}") } else { String::new() };
        format!("{}, {}{of}{}", item_title(row), trial_label(row), attempt(row))
    } else {
        format!("Hold {} on sensor {}, channel {}, outside any trial", row.order, row.sensor, row.channel)
    }
}

/// A trial's short name: `trial 2`, or what a pull that is no scored trial is for.
fn trial_label(row: &TrialRow) -> String {
    if is_scored(row) { format!("trial {}", row.number) } else { "to get used to the task".to_owned() }
}

/// It has a number among the scored trials, whether it counts in the end or not.
fn is_scored(row: &TrialRow) -> bool {
    row.number > 0
}

/// A trial's name and peak, for a legend: `trial 2, attempt 3: 21.30 N`.
pub fn legend(row: &TrialRow) -> String {
    let peak =
        if row.peak_zero_n.is_finite() { format!("{:.2} N", row.peak_zero_n) } else { "–".to_owned() };
    format!("{}{}: {peak}", trial_label(row), attempt(row))
}

/// Which attempt, where attempts failed before it.
fn attempt(row: &TrialRow) -> String {
    if is_scored(row) && row.attempt > row.number {
        format!(", attempt {}", row.attempt)
    } else {
        String::new()
    }
}

/// An instant for people: `2026-03-02 09:15 UTC`; as it stands where it is none.
pub fn instant(rfc3339: &str) -> String {
    let read = rfc3339.parse::<jiff::Timestamp>();
    read.map_or_else(|_| rfc3339.to_owned(), |instant| instant.strftime("%Y-%m-%d %H:%M UTC").to_string())
}

/// The same in the place's own time, with its offset: `2026-03-02 10:12 +01:00`.
pub fn local(rfc3339: &str, offset: &str) -> String {
    let seconds = offset_seconds(offset).and_then(|seconds| jiff::tz::Offset::from_seconds(seconds).ok());
    match (rfc3339.parse::<jiff::Timestamp>(), seconds) {
        (Ok(instant), Some(own)) => {
            format!("{} {offset}", own.to_datetime(instant).strftime("%Y-%m-%d %H:%M"))
        }
        _ => instant(rfc3339),
    }
}

/// `+01:00` in seconds.
fn offset_seconds(offset: &str) -> Option<i32> {
    let (sign, digits) = if let Some(digits) = offset.strip_prefix('-') {
        (-1, digits)
    } else {
        (1, offset.strip_prefix('+')?)
    };
    let (hours, minutes) = digits.split_once(':')?;
    let (hours, minutes) = (hours.parse::<i32>().ok()?, minutes.parse::<i32>().ok()?);
    (hours < 24 && minutes < 60).then_some(sign * (3600 * hours + 60 * minutes))
}

/// Time of day in the place's own time: `10:12:30`; as it stands where it is no time.
pub fn clock(rfc3339: &str, offset: &str) -> String {
    let own = offset_seconds(offset).and_then(|seconds| jiff::tz::Offset::from_seconds(seconds).ok());
    let own = own.unwrap_or(jiff::tz::Offset::UTC);
    let read = rfc3339.parse::<jiff::Timestamp>();
    read.map_or_else(
        |_| rfc3339.to_owned(),
        |instant| own.to_datetime(instant).strftime("%H:%M:%S").to_string(),
    )
}

/// Key words as a sentence begins: `left middle radial-deviation` becomes `Left middle radial deviation`.
pub fn sentence(words: &str) -> String {
    let words = words.replace('-', " ");
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::repeats::tests::make_row;

    #[test]
    fn names_say_what_is_in_the_figure() {
        let row = make_row(3, 20.0);
        assert_eq!(trial_file(&row), "trial-03-left-index-abduction-make");
        assert_eq!(item_file(&row), "item-01-left-index-abduction-make");
        assert_eq!(trial_title(&row, 4), "Left index abduction, make test, trial 3 of 4");
        let to_get_used = TrialRow { number: -1, attempt: 1, ..row };
        assert_eq!(trial_title(&to_get_used, 4), "Left index abduction, make test, to get used to the task");
        assert_eq!(local("2026-03-02T23:12:00Z", "+01:30"), "2026-03-03 00:42 +01:30");
        assert_eq!(local("2026-03-02T09:12:00Z", "-05:00"), "2026-03-02 04:12 -05:00");
        assert_eq!(local("2026-03-02T09:12:00Z", ""), "2026-03-02 09:12 UTC");
        let middle: Muscle = "right middle ulnar-deviation".parse().unwrap();
        assert_eq!(muscle_file(middle), "muscle-middle-ulnar-deviation");
        assert_eq!(sentence(&middle.to_string()), "Right middle ulnar deviation");
        let again = TrialRow { attempt: 4, ..make_row(3, 20.0) };
        assert_eq!(trial_title(&again, 3), "Left index abduction, make test, trial 3 of 3, attempt 4");
        assert_eq!(legend(&again), "trial 3, attempt 4: 20.00 N");
        assert_eq!(instant("2026-03-02T09:15:37.620663046Z"), "2026-03-02 09:15 UTC");
        let free = TrialRow { item: -1, ..make_row(7, 20.0) };
        assert_eq!(trial_file(&free), "hold-07-channel-1");
    }

    #[test]
    fn text_from_a_recording_never_reaches_a_file_name() {
        let row =
            TrialRow { muscle: "../../etc/x".into(), test: "a/b\0".into(), order: -5, ..make_row(1, 1.0) };
        assert_eq!(trial_file(&row), "trial-00-unnamed-unknown");
        assert_eq!(item_title(&row), "Unnamed muscle, unknown test");
    }
}
