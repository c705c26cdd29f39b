//! Units of force, exactly.
//!
//! Comes in: a unit's name. Goes out: how many newtons it is.

use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Standard acceleration of free fall, m/s², exact by definition (CGPM 1901).
pub const STANDARD_GRAVITY: f64 = 9.80665;
/// The international avoirdupois pound, kg, exact by definition (1959).
const POUND_KG: f64 = 0.453_592_37;

/// A unit of force.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Unit {
    /// Newton.
    #[serde(rename = "N")]
    Newton,
    /// Kilogram-force.
    #[serde(rename = "kgf")]
    KilogramForce,
    /// Gram-force.
    #[serde(rename = "gf")]
    GramForce,
    /// Pound-force.
    #[serde(rename = "lbf")]
    PoundForce,
}

impl Unit {
    /// How many newtons it is, exactly but for the last bit.
    pub fn newtons(self) -> f64 {
        match self {
            Unit::Newton => 1.0,
            Unit::KilogramForce => STANDARD_GRAVITY,
            Unit::GramForce => STANDARD_GRAVITY / 1000.0,
            Unit::PoundForce => STANDARD_GRAVITY * POUND_KG,
        }
    }

    /// Its usual name.
    pub fn name(self) -> &'static str {
        match self {
            Unit::Newton => "N",
            Unit::KilogramForce => "kgf",
            Unit::GramForce => "gf",
            Unit::PoundForce => "lbf",
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl FromStr for Unit {
    type Err = String;

    /// Names as instruments print them; a scale's kilograms, grams and pounds are the forces that they weigh at standard
    /// gravity.
    fn from_str(text: &str) -> Result<Unit, String> {
        match text.trim().to_ascii_lowercase().as_str() {
            "n" | "newton" | "newtons" => Ok(Unit::Newton),
            "kgf" | "kp" | "kg" => Ok(Unit::KilogramForce),
            "gf" | "p" | "g" => Ok(Unit::GramForce),
            "lbf" | "[lbf_av]" | "lb" | "lbs" => Ok(Unit::PoundForce),
            other => Err(format!("`{other}` is no unit of force: N, kgf, gf or lbf")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conversions_are_exact() {
        // Exact by definition (CGPM 1901; international yard and pound 1959): NIST SP 811, appendix B.
        assert_eq!(Unit::KilogramForce.newtons(), 9.80665);
        assert_eq!(Unit::GramForce.newtons(), 0.00980665);
        assert_eq!(Unit::PoundForce.newtons(), 4.4482216152605);
        for unit in [Unit::Newton, Unit::KilogramForce, Unit::GramForce, Unit::PoundForce] {
            assert_eq!(unit.name().parse(), Ok(unit));
        }
        assert!("stone".parse::<Unit>().is_err());
    }
}
