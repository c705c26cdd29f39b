//! Sensors that only print numbers: what their lines mean.
//!
//! Comes in: a profile (TOML), and lines. Goes out: numbers from lines, or what is wrong with the profile. Pure.
//!
//! A profile says where the force is among the numbers of a line and what it is in.

use crate::visit::plan::PlanError;
use analysis::sensor::units::Unit;
use serde::{Deserialize, Serialize};

/// Longest line, bytes: what is longer is no line.
pub const LINE_MAX: usize = 256;
/// Numbers a line may have.
pub(super) const NUMBERS_MAX: usize = 16;

/// What the numbers are in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Quantity {
    /// Newton.
    N,
    /// Kilogram-force.
    #[serde(rename = "kgf")]
    Kgf,
    /// Gram-force.
    #[serde(rename = "gf")]
    Gf,
    /// Pound-force.
    #[serde(rename = "lbf")]
    Lbf,
    /// A converter's counts.
    #[serde(rename = "counts")]
    Counts,
    /// A bridge's output.
    #[serde(rename = "mV/V")]
    MvPerV,
}

impl Quantity {
    /// Newtons of one, where it is a force.
    pub fn newtons(self) -> Option<f64> {
        Some(match self {
            Quantity::N => Unit::Newton.newtons(),
            Quantity::Kgf => Unit::KilogramForce.newtons(),
            Quantity::Gf => Unit::GramForce.newtons(),
            Quantity::Lbf => Unit::PoundForce.newtons(),
            Quantity::Counts | Quantity::MvPerV => return None,
        })
    }

    pub(super) fn of_word(word: &str) -> Option<Quantity> {
        match word {
            "mV/V" | "mv/v" => Some(Quantity::MvPerV),
            "counts" | "cnt" | "cts" => Some(Quantity::Counts),
            word => match word.parse().ok()? {
                Unit::Newton => Some(Quantity::N),
                Unit::KilogramForce => Some(Quantity::Kgf),
                Unit::GramForce => Some(Quantity::Gf),
                Unit::PoundForce => Some(Quantity::Lbf),
            },
        }
    }
}

/// What ends a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Terminator {
    /// Line feed, with or without a carriage return before it.
    #[serde(rename = "LF")]
    Lf,
    /// Carriage return alone.
    #[serde(rename = "CR")]
    Cr,
}

impl Terminator {
    /// Its byte.
    pub fn byte(self) -> u8 {
        match self {
            Terminator::Lf => b'\n',
            Terminator::Cr => b'\r',
        }
    }
}

/// What a sensor's lines mean.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Profile {
    /// Name of the sensor: letters, digits and - (it stands for the serial number that it does not tell).
    pub name: String,
    /// Speed of the port.
    #[serde(default = "default_baud")]
    pub baud: u32,
    /// What ends a line.
    pub terminator: Terminator,
    /// Numbers come with a decimal comma.
    #[serde(default)]
    pub decimal_comma: bool,
    /// How many numbers a line has.
    pub numbers: usize,
    /// Which of them is the force, from 1.
    pub force: usize,
    /// What it is in; a proposal leaves it out where the lines do not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<Quantity>,
    /// For counts and mV/V: how many newtons one is, roughly, until the sensor is calibrated.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub newtons_per_unit: Option<f64>,
    /// Places behind the decimal sign.
    pub decimals: u8,
    /// The force is printed with the other sign.
    #[serde(default)]
    pub reversed: bool,
    /// Rated force, N.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rated_n: Option<f64>,
    /// Which number is the device's own time, from 1 …
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time: Option<usize>,
    /// … and how many seconds one of it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_unit_s: Option<f64>,
    /// Sent to the device when the port is opened; \r and \n stand for themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start: Option<String>,
}

fn default_baud() -> u32 {
    115_200
}

impl Profile {
    /// Reads a profile.
    ///
    /// # Errors
    /// What is wrong with it, in a sentence.
    pub fn parse(text: &str) -> Result<Profile, String> {
        let profile: Profile =
            toml::from_str(text).map_err(|error| PlanError::of_toml(text, &error).with_line(text))?;
        profile.checked()
    }

    fn checked(self) -> Result<Profile, String> {
        let named = !self.name.is_empty()
            && self.name.len() <= 32
            && self.name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-');
        let within = |column: usize| (1..=self.numbers).contains(&column);
        let positive = |value: Option<f64>| value.is_none_or(|value| value.is_finite() && value > 0.0);
        let Some(unit) = self.unit else {
            return Err("`unit` is missing: N, kgf, gf, lbf, counts or mV/V".to_owned());
        };
        if !named {
            return Err("`name` takes up to 32 letters, digits and -".to_owned());
        }
        if self.numbers > NUMBERS_MAX || !within(self.force) || !self.time.is_none_or(within) {
            return Err("`force` and `time` are places among the `numbers` of a line, from 1".to_owned());
        }
        if self.time == Some(self.force) || self.time.is_some() != self.time_unit_s.is_some() {
            return Err(
                "`time` is another number than the force, and `time_unit_s` says what it is in".to_owned()
            );
        }
        if unit.newtons().is_none() && self.newtons_per_unit.is_none() {
            return Err("`newtons_per_unit` is needed for counts and mV/V: a rough value, until the sensor is calibrated".to_owned());
        }
        if !positive(self.newtons_per_unit)
            || !positive(self.rated_n)
            || !positive(self.time_unit_s)
            || self.decimals > 9
        {
            return Err("`newtons_per_unit`, `rated_n` and `time_unit_s` are positive, `decimals` at most 9"
                .to_owned());
        }
        Ok(self)
    }

    /// Newtons of one step of the last place.
    pub fn n_per_count(&self) -> f64 {
        let unit_n = self.newtons_per_unit.or(self.unit.and_then(Quantity::newtons)).unwrap_or(f64::NAN);
        let sign = if self.reversed { -1.0 } else { 1.0 };
        sign * unit_n / libm::pow(10.0, f64::from(self.decimals))
    }

    /// The force of a line in steps of the last place, and the device's time, s; `None` for a line that is not like the
    /// others.
    pub fn read(&self, line: &[u8]) -> Option<(i32, Option<f64>)> {
        let text = std::str::from_utf8(line).ok()?;
        let found = numbers(text, self.decimal_comma);
        if found.len() != self.numbers {
            return None;
        }
        let force = found.get(self.force.checked_sub(1)?)?;
        let named = self.unit.and_then(|unit| unit.newtons()).is_none()
            || force.unit.is_none_or(|unit| Some(unit) == self.unit);
        let steps = libm::round(force.value * libm::pow(10.0, f64::from(self.decimals)));
        let fits = steps.abs() <= f64::from(i32::MAX);
        let time_s = match (self.time, self.time_unit_s) {
            (Some(at), Some(unit_s)) => Some(found.get(at.checked_sub(1)?)?.value * unit_s),
            _ => None,
        };
        (named && fits).then_some((steps as i32, time_s))
    }
}

/// A number in a line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Number {
    pub value: f64,
    /// Places behind the decimal sign; `None` without one.
    pub decimals: Option<u8>,
    pub unit: Option<Quantity>,
    pub text: String,
}

/// The numbers of a line. A digit that stands within a word (`F1`) is none.
pub(super) fn numbers(text: &str, decimal_comma: bool) -> Vec<Number> {
    let mark = if decimal_comma { ',' } else { '.' };
    let chars: Vec<char> = text.chars().take(LINE_MAX).collect();
    let (mut all, mut at) = (Vec::new(), 0);
    while at < chars.len() && all.len() <= NUMBERS_MAX {
        let before = at.checked_sub(1).map(|before| chars[before]);
        let begins = chars[at].is_ascii_digit() && !before.is_some_and(|c| c.is_alphabetic() || c == '_');
        if !begins {
            at += 1;
            // A word's own digits belong to it.
            if chars[at - 1].is_alphabetic() {
                while at < chars.len() && (chars[at].is_alphanumeric() || chars[at] == '_') {
                    at += 1;
                }
            }
            continue;
        }
        let from = at;
        while at < chars.len() && chars[at].is_ascii_digit() {
            at += 1;
        }
        let mut decimals = None;
        if at + 1 < chars.len() && chars[at] == mark && chars[at + 1].is_ascii_digit() {
            let first = at + 1;
            at = first;
            while at < chars.len() && chars[at].is_ascii_digit() {
                at += 1;
            }
            decimals = u8::try_from(at - first).ok();
        }
        let digits: String = chars[from..at].iter().map(|c| if *c == mark { '.' } else { *c }).collect();
        let value = digits.parse::<f64>().unwrap_or(f64::NAN);
        let negative = is_negative(&chars[..from]);
        let unit = unit_after(&chars[at..]);
        all.push(Number { value: if negative { -value } else { value }, decimals, unit, text: digits });
    }
    all
}

/// A minus before the digits, with blanks between; one directly behind a digit or a letter is a dash.
fn is_negative(before: &[char]) -> bool {
    let sign = before.iter().rposition(|c| *c != ' ');
    sign.is_some_and(|at| {
        before[at] == '-' && !at.checked_sub(1).is_some_and(|left| before[left].is_ascii_alphanumeric())
    })
}

fn unit_after(rest: &[char]) -> Option<Quantity> {
    let word: String = rest
        .iter()
        .skip_while(|c| **c == ' ')
        .take_while(|c| c.is_ascii_alphabetic() || **c == '/')
        .collect();
    Quantity::of_word(&word)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn partial_and_strange_lines_give_no_number() {
        let text =
            "name = \"scale\"\nterminator = \"LF\"\nnumbers = 1\nforce = 1\nunit = \"kgf\"\ndecimals = 3\n";
        let profile = Profile::parse(text).unwrap();
        assert_eq!(profile.read(b"ST,GS,   +1.234 kg"), Some((1234, None)));
        for line in
            [&b"GS,   +1.2"[..], b"ST,GS,", b"ST,GS,+1.2 kg 3", b"ST,GS, +1.234 lb", b"\xff\xfe1.2 kg", b""]
        {
            let read = profile.read(line);
            // What is cut behind the decimals cannot be told from a shorter number, but another unit can.
            assert!(read.is_none() || line == b"GS,   +1.2", "{line:?}: {read:?}");
        }
    }

    #[test]
    fn a_profile_is_checked() {
        let text =
            "name = \"bench\"\nterminator = \"LF\"\nnumbers = 1\nforce = 1\nunit = \"kgf\"\ndecimals = 3\n";
        let profile = Profile::parse(text).unwrap();
        assert_eq!((profile.n_per_count(), profile.baud), (0.00980665, 115_200));
        for (change, word) in [
            ("unit = \"stone\"", "unit"),
            ("unit = \"counts\"", "newtons_per_unit"),
            ("unit = \"N\"\ntime = 1\ntime_unit_s = 1.0", "another number"),
            ("unit = \"N\"\nbuad = 9600", "buad"),
        ] {
            let changed = text.replace("unit = \"kgf\"", change);
            let refused = Profile::parse(&changed);
            assert!(refused.as_ref().is_err_and(|why| why.contains(word)), "{change}: {refused:?}");
        }
        assert!(
            Profile::parse(&text.replace("unit = \"kgf\"\n", "")).is_err_and(|why| why.contains("`unit`"))
        );
    }
}
