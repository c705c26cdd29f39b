//! Dead weights: the force with which a mass pulls where it hangs.
//!
//! Comes in: mass (kg) and its tolerance, density (kg/m³), local gravity (m/s²) or latitude (degrees) and height (m), air
//! (Pa, °C, relative humidity 0 to 1). Goes out: force (N) with its standard uncertainty.
//!
//! Normal gravity: Geodetic Reference System 1980 (Moritz, Bulletin Géodésique 54:395–405), closed formula of Somigliana;
//! with height by its second-order expansion (the same). Air density: OIML R 111-1:2004, eq. E.3-1. A mass marked with
//! its conventional value (OIML D 28) is one of 8000 kg/m³ in air of 1.2 kg/m³.

use serde::{Deserialize, Serialize};

/// GRS80: semi-major axis, m; flattening; first eccentricity squared; ω²a²b/GM; normal gravity at the equator, m/s²; k.
const SEMI_MAJOR_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 0.003_352_810_681_18;
const ECCENTRICITY_SQUARED: f64 = 0.006_694_380_022_90;
const M: f64 = 0.003_449_786_003_08;
const EQUATOR: f64 = 9.780_326_771_5;
const K: f64 = 0.001_931_851_353;
/// Gravity where it was not measured differs from normal gravity by the anomaly of the place: most lie within ±100 mGal
/// (textbook figure, from memory), taken as rectangular, m/s².
const ANOMALY: f64 = 1e-3;
/// The conventional mass's reference density and air, kg/m³ (OIML D 28).
const CONVENTIONAL_DENSITY: f64 = 8000.0;
/// Reference air density, kg/m³ (OIML D 28).
pub const CONVENTIONAL_AIR: f64 = 1.2;

/// Gravity where the sensor stands, and where the number comes from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Gravity {
    /// Acceleration of free fall, m/s².
    pub value: f64,
    /// Its standard uncertainty, m/s².
    pub standard_uncertainty: f64,
    /// In words.
    pub source: String,
}

impl Gravity {
    /// Normal gravity at a latitude and a height.
    ///
    /// # Errors
    /// The place is none on Earth.
    pub fn at(latitude_deg: f64, height_m: f64) -> Result<Gravity, String> {
        if !(-90.0..=90.0).contains(&latitude_deg) || !(-500.0..=9000.0).contains(&height_m) {
            return Err(format!("no place on Earth has latitude {latitude_deg}° and height {height_m} m"));
        }
        Ok(Gravity {
            value: normal_gravity(latitude_deg, height_m),
            standard_uncertainty: ANOMALY / 3.0_f64.sqrt(),
            source: format!("GRS80 normal gravity at latitude {latitude_deg}°, height {height_m} m"),
        })
    }

    /// A measured value with its standard uncertainty.
    ///
    /// # Errors
    /// It is none that is measured on Earth.
    pub fn measured(value: f64, standard_uncertainty: f64) -> Result<Gravity, String> {
        if !(9.75..=9.85).contains(&value) || !(0.0..0.1).contains(&standard_uncertainty) {
            return Err(format!("{value} m/s² is no gravity on Earth's surface (9.75 to 9.85)"));
        }
        Ok(Gravity { value, standard_uncertainty, source: "measured".to_owned() })
    }
}

/// Normal gravity (GRS80), m/s².
pub fn normal_gravity(latitude_deg: f64, height_m: f64) -> f64 {
    let sine = libm::sin(latitude_deg.to_radians());
    let sine_squared = sine * sine;
    let on_ellipsoid =
        EQUATOR * (1.0 + K * sine_squared) / (1.0 - ECCENTRICITY_SQUARED * sine_squared).sqrt();
    let height = height_m / SEMI_MAJOR_M;
    on_ellipsoid
        * (1.0 - 2.0 * (1.0 + FLATTENING + M - 2.0 * FLATTENING * sine_squared) * height
            + 3.0 * height * height)
}

/// Density of air, kg/m³, from pressure (Pa), temperature (°C) and relative humidity (0 to 1).
pub fn air_density(pressure_pa: f64, temperature_c: f64, humidity: f64) -> f64 {
    let vapour = 0.009 * (100.0 * humidity) * libm::exp(0.061 * temperature_c);
    (0.348_48 * (pressure_pa / 100.0) - vapour) / (273.15 + temperature_c)
}

/// A mass to hang on a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mass {
    /// Its (conventional) value, kg.
    pub kg: f64,
    /// Largest error of that value, kg: the class's limit or the scale's (rectangular).
    pub tolerance_kg: f64,
    /// Its density, kg/m³.
    pub density: f64,
}

/// A known force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct KnownForce {
    /// N.
    pub force_n: f64,
    /// Its standard uncertainty, N.
    pub standard_uncertainty_n: f64,
}

/// The force of a mass marked with its conventional value, buoyancy of air taken off.
pub fn force(mass: &Mass, gravity: &Gravity, air_density: f64) -> KnownForce {
    // The true mass that balances the conventional one in the reference air, then what it pulls in this air.
    let true_kg =
        mass.kg * (1.0 - CONVENTIONAL_AIR / CONVENTIONAL_DENSITY) / (1.0 - CONVENTIONAL_AIR / mass.density);
    let lifted = 1.0 - air_density / mass.density;
    let force_n = true_kg * gravity.value * lifted;
    // The air is known to ±5 % without a barometer, the density of the mass to ±5 %: both matter little.
    let of_air = (0.05 * air_density / mass.density).abs() / 3.0_f64.sqrt();
    let of_density = 0.05 * ((air_density - CONVENTIONAL_AIR) / mass.density).abs() / 3.0_f64.sqrt();
    let of_mass = if mass.kg > 0.0 { mass.tolerance_kg / mass.kg / 3.0_f64.sqrt() } else { 0.0 };
    let of_gravity = gravity.standard_uncertainty / gravity.value;
    let relative =
        (of_air * of_air + of_density * of_density + of_mass * of_mass + of_gravity * of_gravity).sqrt();
    KnownForce { force_n, standard_uncertainty_n: force_n * relative }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Published: Moritz 1980 for 0°, 45° and 90°; the rows between computed from the closed formula with 40 digits.
    const GRAVITY: &str = include_str!("../../../fixtures/metrology/normal_gravity.csv");
    /// Computed, not published: the equation of OIML R 111-1:2004 beside that of CIPM-2007.
    const AIR: &str = include_str!("../../../fixtures/metrology/air_density.csv");

    fn rows(text: &str) -> impl Iterator<Item = Vec<f64>> + '_ {
        text.lines().skip(1).map(|line| line.split(',').map(|cell| cell.trim().parse().unwrap()).collect())
    }

    #[test]
    fn normal_gravity_is_that_of_grs80() {
        let mut checked = 0;
        for row in rows(GRAVITY) {
            let here = normal_gravity(row[0], 0.0);
            assert!((here - row[1]).abs() < 2e-10, "{row:?}: {here}");
            checked += 1;
        }
        assert!(checked >= 7);
        // Published (Moritz 1980): 9.8061992 at 45°, 9.8321863685 at the pole.
        assert!((normal_gravity(45.0, 0.0) - 9.806_199_203).abs() < 1e-9);
        assert!((normal_gravity(90.0, 0.0) - 9.832_186_368_5).abs() < 1e-9);
    }

    #[test]
    fn gravity_falls_by_three_tenths_of_a_milligal_a_metre() {
        // Textbook: the free-air gradient is −0.3086 mGal/m.
        let gradient = normal_gravity(45.0, 1.0) - normal_gravity(45.0, 0.0);
        assert!((gradient + 3.086e-6).abs() < 2e-9, "{gradient}");
    }

    #[test]
    fn air_has_the_density_of_the_recommendation() {
        for row in rows(AIR) {
            let here = air_density(row[0], row[1], row[2]);
            assert!((here / row[4] - 1.0).abs() < 1e-9, "{row:?}: {here}");
            assert!((here / row[3] - 1.0).abs() < 1e-4, "{row:?}: {here}");
        }
    }

    #[test]
    fn a_kilogram_pulls_what_it_should() {
        let standard = Gravity { value: 9.80665, standard_uncertainty: 0.0, source: String::new() };
        for density in [8000.0, 7100.0, 2700.0] {
            let mass = Mass { kg: 1.0, tolerance_kg: 0.0, density };
            // Computed, exactly: 9.80665 · (1 − 1.2/8000); the conventional mass's definition makes the density drop out.
            let force_n = force(&mass, &standard, 1.2).force_n;
            assert!((force_n - 9.805_179_002_5).abs() < 1e-14, "{density}: {force_n}");
        }
        let mass = Mass { kg: 1.0, tolerance_kg: 50e-6, density: 7900.0 };
        let known = force(&mass, &Gravity::at(52.0, 50.0).unwrap(), 1.2);
        assert!(known.standard_uncertainty_n / known.force_n < 1e-4, "{known:?}");
    }

    #[test]
    fn what_is_not_on_earth_is_refused() {
        assert!(Gravity::at(91.0, 0.0).is_err() && Gravity::at(0.0, f64::NAN).is_err());
        assert!(Gravity::measured(1.62, 0.0).is_err() && Gravity::measured(9.81, 0.001).is_ok());
    }
}
