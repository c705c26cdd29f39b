//! A profile that is proposed for a sensor that only prints numbers.
//!
//! Comes in: bytes of a device that prints lines. Goes out: a [`Proposal`] with its reasons, or why none can be made. Pure.
//!
//! It is never guessed where two meanings are possible: then the proposal is refused, or leaves a field for a person to fill
//! in.

use super::profile::{LINE_MAX, NUMBERS_MAX, Number, Profile, Quantity, Terminator, numbers};
use serde::Serialize;

/// Lines that a proposal needs, whole ones.
const LINES_MIN: usize = 5;
/// Share of the lines that must be alike.
const ALIKE: f64 = 0.8;

/// A profile that is proposed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// The profile; its unit may be missing.
    pub profile: Profile,
    /// Why it is as it is, and what is left to a person.
    pub reasons: Vec<String>,
}

impl Proposal {
    /// As TOML, with what is left to be filled in.
    pub fn to_toml(&self) -> String {
        let mut text = toml::to_string(&self.profile).unwrap_or_default();
        if self.profile.unit.is_none() {
            text += "# unit = \"N\"   # fill in: N, kgf, gf, lbf, counts or mV/V\n";
        }
        if self.profile.unit.is_some_and(|unit| unit.newtons().is_none()) {
            text += "# newtons_per_unit = 0.0001   # fill in roughly; then calibrate\n";
        }
        text
    }
}

/// Proposes a profile for what was heard at a speed.
///
/// # Errors
/// Why none can be proposed.
pub fn propose(bytes: &[u8], baud: u32) -> Result<Proposal, String> {
    let (lines, terminator) = lines(bytes)?;
    let mut reasons = vec![format!(
        "{} lines, ended by {}",
        lines.len(),
        match terminator {
            Terminator::Lf => "a line feed",
            Terminator::Cr => "a carriage return alone",
        }
    )];
    let decimal_comma = decimal_comma(&lines, &mut reasons)?;
    let read: Vec<Vec<Number>> = lines.iter().map(|line| numbers(line, decimal_comma)).collect();
    let count = usual_count(&read)?;
    let alike: Vec<&Vec<Number>> = read.iter().filter(|of| of.len() == count).collect();
    if (alike.len() as f64) < ALIKE * lines.len() as f64 {
        return Err(format!(
            "only {} of {} lines have the same count of numbers ({count}): it is not clear what a line is",
            alike.len(),
            lines.len()
        ));
    }
    if alike.len() < lines.len() {
        reasons.push(format!("{} lines are left out: not like the others", lines.len() - alike.len()));
    }
    let (time, time_unit_s) = time_column(&alike, count, &mut reasons);
    let force = force_column(&alike, count, time, &mut reasons)?;
    let column: Vec<&Number> = alike.iter().map(|of| &of[force]).collect();
    let unit = unit(&column, &mut reasons);
    let decimals = column.iter().filter_map(|number| number.decimals).max().unwrap_or(0);
    reasons.push(format!("{decimals} places behind the decimal sign"));
    let profile = Profile {
        name: "text-sensor".to_owned(),
        baud,
        terminator,
        decimal_comma,
        numbers: count,
        force: force + 1,
        unit,
        newtons_per_unit: None,
        decimals: decimals.min(9),
        reversed: false,
        rated_n: None,
        time: time.map(|at| at + 1),
        time_unit_s,
        start: None,
    };
    Ok(Proposal { profile, reasons })
}

/// Whole lines: the first and the last piece may be cut.
fn lines(bytes: &[u8]) -> Result<(Vec<String>, Terminator), String> {
    let terminator = if bytes.contains(&b'\n') { Terminator::Lf } else { Terminator::Cr };
    let pieces: Vec<&[u8]> = bytes.split(|byte| *byte == terminator.byte()).collect();
    let whole = pieces.get(1..pieces.len().saturating_sub(1)).unwrap_or_default();
    let text = whole.iter().filter_map(|piece| std::str::from_utf8(piece).ok().map(str::trim));
    let lines: Vec<String> =
        text.filter(|line| !line.is_empty() && line.len() <= LINE_MAX).map(str::to_owned).collect();
    if lines.len() < LINES_MIN {
        return Err(format!(
            "{} whole lines were heard, {LINES_MIN} are needed: listen longer, or send the start command",
            lines.len()
        ));
    }
    // Speeds that are wrong give bytes that are no ASCII.
    let strange = bytes.iter().filter(|byte| !byte.is_ascii_graphic() && !byte.is_ascii_whitespace()).count();
    if strange * 20 > bytes.len() {
        return Err(
            "more than one byte in twenty is no text: the speed is probably wrong (--baud)".to_owned()
        );
    }
    Ok((lines, terminator))
}

/// Whether a comma between digits is the decimal sign.
fn decimal_comma(lines: &[String], reasons: &mut Vec<String>) -> Result<bool, String> {
    let between = |line: &String, mark: char| {
        let chars: Vec<char> = line.chars().collect();
        chars.windows(3).any(|of| of[1] == mark && of[0].is_ascii_digit() && of[2].is_ascii_digit())
    };
    let with_comma: Vec<&String> = lines.iter().filter(|line| between(line, ',')).collect();
    if with_comma.len() * 2 < lines.len() {
        return Ok(false);
    }
    if lines.iter().any(|line| between(line, '.')) {
        reasons.push("points are the decimal sign, commas separate".to_owned());
        return Ok(false);
    }
    let other_separator = |line: &&String| line.contains(';') || line.contains('\t');
    let unit_follows = |line: &&String| numbers(line, true).iter().any(|number| number.unit.is_some());
    let leading_zero = |line: &&String| {
        numbers(line, true).iter().any(|number| number.text.starts_with("0.") && number.decimals.is_some())
    };
    // A sign, or blanks and a digit, behind the comma: another number begins there.
    let number_after = |line: &String| {
        let pieces: Vec<&str> = line.split(',').collect();
        pieces.windows(2).any(|pair| {
            let next = pair[1].trim_start();
            let begins = next.starts_with(['+', '-'])
                || (next.len() < pair[1].len() && next.starts_with(|c: char| c.is_ascii_digit()));
            pair[0].ends_with(|c: char| c.is_ascii_digit()) && begins
        })
    };
    if lines.iter().any(number_after) {
        reasons.push("commas separate: signs or blanks follow them".to_owned());
        return Ok(false);
    }
    for (is_so, why) in [
        (with_comma.iter().all(other_separator), "semicolons or tabs separate"),
        (with_comma.iter().all(unit_follows), "a unit follows the digits behind it"),
        (with_comma.iter().any(leading_zero), "a single zero stands before it"),
    ] {
        if is_so {
            reasons.push(format!("the comma is the decimal sign: {why}"));
            return Ok(true);
        }
    }
    let places = |line: &&String| -> Vec<usize> {
        numbers(line, false).iter().map(|number| number.text.len()).collect()
    };
    let lengths: Vec<Vec<usize>> = with_comma.iter().map(places).collect();
    let varies = lengths.windows(2).any(|pair| pair[0].last() != pair[1].last());
    if varies || lengths.iter().any(|of| of.len() > 2) {
        reasons.push(
            "commas separate: what follows them is not always as long, or there are several".to_owned(),
        );
        return Ok(false);
    }
    Err("the comma between digits may be a decimal sign or a separator, and nothing in the lines says which: write a profile \
         by hand (decimal_comma)"
        .to_owned())
}

fn usual_count(read: &[Vec<Number>]) -> Result<usize, String> {
    let mut counts: Vec<usize> = read.iter().map(Vec::len).filter(|count| *count > 0).collect();
    counts.sort_unstable();
    let most = |count: &usize| counts.iter().filter(|other| *other == count).count();
    let usual = counts.iter().copied().max_by_key(|count| most(count));
    match usual {
        None => Err("the lines have no numbers".to_owned()),
        Some(count) if count > NUMBERS_MAX => Err(format!("the lines have more than {NUMBERS_MAX} numbers")),
        Some(count) => Ok(count),
    }
}

/// A column that rises by equal steps is a time or a counter.
fn time_column(
    alike: &[&Vec<Number>],
    count: usize,
    reasons: &mut Vec<String>,
) -> (Option<usize>, Option<f64>) {
    if count < 2 {
        return (None, None);
    }
    for column in 0..count {
        let values: Vec<f64> = alike.iter().map(|of| of[column].value).collect();
        let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
        let mean = steps.iter().sum::<f64>() / steps.len().max(1) as f64;
        let even = steps.iter().all(|step| *step > 0.0 && (step - mean).abs() <= 0.5 * mean);
        let has_unit = alike.iter().any(|of| of[column].unit.is_some());
        if !even || has_unit {
            continue;
        }
        let whole = alike.iter().all(|of| of[column].decimals.is_none());
        if whole && (mean - 1.0).abs() < 1e-9 {
            reasons
                .push(format!("number {} counts the lines: not used (times come from arrivals)", column + 1));
            continue;
        }
        let (unit_s, name) = match (whole, mean) {
            (false, _) => (1.0, "s"),
            (true, mean) if mean < 1000.0 => (1e-3, "ms"),
            (true, _) => (1e-6, "µs"),
        };
        reasons.push(format!(
            "number {} rises by equal steps: the device's time, in {name} by its size (check it)",
            column + 1
        ));
        return (Some(column), Some(unit_s));
    }
    (None, None)
}

fn force_column(
    alike: &[&Vec<Number>],
    count: usize,
    time: Option<usize>,
    reasons: &mut Vec<String>,
) -> Result<usize, String> {
    let with_unit: Vec<usize> =
        (0..count).filter(|column| alike.iter().all(|of| of[*column].unit.is_some())).collect();
    match with_unit[..] {
        [only] => {
            reasons.push(format!("number {} has a unit: the force", only + 1));
            return Ok(only);
        }
        [first, ..] => {
            reasons.push(format!(
                "several numbers have a unit: the first of them, number {}, is taken",
                first + 1
            ));
            return Ok(first);
        }
        [] => {}
    }
    let counter = |column: &usize| {
        let steps = alike.windows(2).map(|pair| pair[1][*column].value - pair[0][*column].value);
        let mut steps = steps.peekable();
        steps.peek().is_some() && steps.all(|step| (step - 1.0).abs() < 1e-9)
    };
    let constant =
        |column: &usize| alike.windows(2).all(|pair| pair[0][*column].value == pair[1][*column].value);
    let others: Vec<usize> = (0..count).filter(|column| Some(*column) != time && !counter(column)).collect();
    let moving: Vec<usize> = others.iter().copied().filter(|column| !constant(column)).collect();
    match (&moving[..], &others[..]) {
        ([only], _) | ([], [only]) => {
            reasons.push(format!(
                "number {} is the only one that is neither time nor always the same: the force",
                only + 1
            ));
            Ok(*only)
        }
        ([], []) => Err("no number is left for the force: all count or rise evenly".to_owned()),
        _ => Err(format!(
            "{} numbers change and none has a unit: it is not clear which is the force; write a profile by hand",
            moving.len().max(others.len())
        )),
    }
}

fn unit(column: &[&Number], reasons: &mut Vec<String>) -> Option<Quantity> {
    let named = column.first().and_then(|number| number.unit);
    if named.is_some() && column.iter().all(|number| number.unit == named) {
        let masses = matches!(named, Some(Quantity::Kgf | Quantity::Gf | Quantity::Lbf));
        reasons.push(format!(
            "the unit stands in the lines{}",
            if masses {
                " (a scale's kg, g and lb are the forces they weigh at standard gravity)"
            } else {
                ""
            }
        ));
        return named;
    }
    let whole = column.iter().all(|number| number.decimals.is_none());
    if whole && column.iter().any(|number| number.value.abs() >= 10_000.0) {
        reasons.push("whole numbers of five digits and more, no unit: counts".to_owned());
        return Some(Quantity::Counts);
    }
    reasons.push("no unit stands in the lines: fill it in".to_owned());
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Twenty lines of a dialect, as a port gives them: cut at both ends, with a line of noise at the start.
    fn heard(first: &str, line: impl Fn(u32, f64) -> String, end: &str) -> Vec<u8> {
        let mut text = "2.3".to_owned() + end + first;
        for n in 0..20 {
            let value = 12.3 + 0.7 * f64::from(n * 7 % 11) / 3.0 - 2.0 * f64::from(u8::from(n == 9)) * 10.0;
            text += &(line(n, value) + end);
        }
        (text + "12").into_bytes()
    }

    fn comma(text: String) -> String {
        text.replace('.', ",")
    }

    /// Invented, in the manner of what amplifiers, scales and hobby boards print: name, bytes, and unit, decimals, force,
    /// time, decimal comma that must come out.
    type Expected = (Option<Quantity>, u8, usize, Option<usize>, bool);

    fn dialects() -> Vec<(&'static str, Vec<u8>, Expected)> {
        use Quantity::{Counts, Gf, Kgf, Lbf, MvPerV, N};
        vec![
            ("plain", heard("", |_, v| format!("{v:.2}"), "\r\n"), (None, 2, 1, None, false)),
            ("newtons", heard("", |_, v| format!("{v:.3} N"), "\r\n"), (Some(N), 3, 1, None, false)),
            (
                "scale",
                heard("", |n, v| format!("{},GS,{v:>+9.3} kg", if n % 3 == 0 { "US" } else { "ST" }), "\r\n"),
                (Some(Kgf), 3, 1, None, false),
            ),
            (
                "grams, padded",
                heard(
                    "",
                    |_, v| format!("{}{:08.1} g", if v < 0.0 { '-' } else { '+' }, v.abs() * 100.0),
                    "\r\n",
                ),
                (Some(Gf), 1, 1, None, false),
            ),
            (
                "decimal comma",
                heard("", |_, v| comma(format!("{v:.2} N")), "\n"),
                (Some(N), 2, 1, None, true),
            ),
            (
                "semicolons",
                heard("", |n, v| comma(format!("{:.3};{v:.3}", f64::from(n) * 0.0125)), "\n"),
                (None, 3, 2, Some(1), true),
            ),
            (
                "counts and milliseconds",
                heard("", |n, v| format!("{},{}", 5_000 + n * 12, (v * 41_000.0) as i64), "\r\n"),
                (Some(Counts), 0, 2, Some(1), false),
            ),
            (
                "header and tabs",
                heard("time\tforce\n", |n, v| format!("{:.4}\t{v:.2}", f64::from(n) * 0.01), "\n"),
                (None, 2, 2, Some(1), false),
            ),
            (
                "bridge",
                heard("# amplifier ready\r\n", |_, v| format!("{:+.5} mV/V", v / 10.0), "\r\n"),
                (Some(MvPerV), 5, 1, None, false),
            ),
            (
                "labelled pounds",
                heard("", |_, v| format!("F1={v:.2}lbf"), "\r\n"),
                (Some(Lbf), 2, 1, None, false),
            ),
            (
                "words around",
                heard("", |_, v| format!("W: {v:.3} kgf  OK"), "\r\n"),
                (Some(Kgf), 3, 1, None, false),
            ),
            ("carriage returns", heard("", |_, v| format!("{v:.1} N"), "\r"), (Some(N), 1, 1, None, false)),
            (
                "counter and peak",
                heard("", |n, v| format!("#{n} {v:.2} N peak 31.40 N"), "\r\n"),
                (Some(N), 2, 2, None, false),
            ),
            (
                "sign apart",
                heard("", |_, v| format!("{} {:6.2} N", if v < 0.0 { '-' } else { ' ' }, v.abs()), "\r\n"),
                (Some(N), 2, 1, None, false),
            ),
        ]
    }

    #[test]
    fn each_dialect_is_understood() {
        for (name, bytes, (unit, decimals, force, time, decimal_comma)) in dialects() {
            let proposal = propose(&bytes, 9600).unwrap_or_else(|why| panic!("{name}: {why}"));
            let of = &proposal.profile;
            let found = (of.unit, of.decimals, of.force, of.time, of.decimal_comma);
            assert_eq!(found, (unit, decimals, force, time, decimal_comma), "{name}: {:?}", proposal.reasons);
            assert!(proposal.reasons.len() >= 3, "{name}: {:?}", proposal.reasons);
            // Every whole line of it is read, the negative one with its sign.
            let end = of.terminator.byte();
            let lines: Vec<&[u8]> = bytes.split(|byte| *byte == end).collect();
            let read = lines[1..lines.len() - 1].iter().filter_map(|line| of.read(line.trim_ascii()));
            let read: Vec<i32> = read.map(|(steps, _)| steps).collect();
            assert_eq!(read.len(), 20, "{name}");
            assert_eq!(read.iter().filter(|steps| **steps < 0).count(), 1, "{name}: {read:?}");
        }
        assert!(dialects().len() >= 12);
    }

    #[test]
    fn what_has_two_meanings_is_refused_with_the_reason() {
        let two = |n: u32, v: f64| format!("{v:.2} {:.2}", v + f64::from(n * 3 % 7));
        for (bytes, word) in [
            (heard("", |_, v| comma(format!("{:.3}", v.abs() + 10.0)), "\n"), "decimal sign or a separator"),
            (heard("", two, "\n"), "which is the force"),
            (heard("", |_, _| "all is well".to_owned(), "\n"), "no numbers"),
            (heard("", |n, v| format!("{v:.1} ").repeat(1 + n as usize % 4), "\n"), "same count of numbers"),
            (b"12.3\r\n12.4\r\n".to_vec(), "whole lines"),
            (
                (0..4_000_u32)
                    .map(|i| if i % 17 == 0 { b'\n' } else { (i * 7919 % 256) as u8 | 0x80 })
                    .collect(),
                "",
            ),
        ] {
            let refused = propose(&bytes, 9600).map(|of| of.reasons);
            assert!(refused.as_ref().is_err_and(|why| why.contains(word)), "{word}: {refused:?}");
        }
    }
}
