//! What the operator loads: masses under local gravity, or about so much with a reference sensor beside it.

use super::asked::Asked;
use analysis::console::Usage;
use analysis::sensor::dead_weight::{Gravity, KnownForce, Mass, force};

pub(super) fn gravity(asked: &Asked) -> anyhow::Result<Option<Gravity>> {
    let found = match (asked.latitude.zip(asked.height), asked.gravity.zip(asked.gravity_uncertainty)) {
        (Some((latitude, height)), _) => Gravity::at(latitude, height),
        (None, Some((gravity, uncertainty))) => Gravity::measured(gravity, uncertainty),
        (None, None) if asked.reference => return Ok(None),
        (None, None) => {
            let what = "masses pull with local gravity, which has no default: give --latitude and --height, or --gravity and --gravity-uncertainty";
            return Err(Usage(what.to_owned()).into());
        }
    };
    found.map(Some).map_err(|why| Usage(why).into())
}

/// The name of the load of a creep test or a step response.
pub(super) fn only_one(asked: &Asked) -> anyhow::Result<String> {
    if !(0.01..=600.0).contains(&asked.minutes) {
        return Err(Usage("--minutes takes 0.01 to 600".to_owned()).into());
    }
    match asked.masses[..] {
        [kg] if kg > 0.0 && kg < 1e4 => Ok(format!("{kg} kg")),
        _ => {
            Err(Usage("this test takes one --mass: 90 to 100 % of what the sensor is used for".to_owned())
                .into())
        }
    }
}

/// The loads, smallest first, each with its name.
pub(super) fn loads(
    asked: &Asked,
    gravity: Option<&Gravity>,
) -> anyhow::Result<Vec<(String, Option<KnownForce>)>> {
    let usage = |text: &str| Err(Usage(text.to_owned()).into());
    let positive = |values: &[f64]| values.iter().all(|value| *value > 0.0 && *value < 1e4);
    if !positive(&asked.masses) || !positive(&asked.loads) || !(500.0..=25_000.0).contains(&asked.density) {
        return usage("masses, loads and densities are positive numbers");
    }
    if !(0.0..=2.0).contains(&asked.air_density) {
        return usage("--air-density takes 0 to 2 kg/m³");
    }
    let stated = asked.reference_uncertainty.is_some_and(|percent| (0.0..=10.0).contains(&percent));
    if asked.reference && (!stated || !asked.masses.is_empty()) {
        return usage(
            "with --reference the forces are typed, not --mass; say how well they are known: --reference-uncertainty, %",
        );
    }
    let (mut masses, mut forces) = (asked.masses.clone(), asked.loads.clone());
    masses.sort_by(f64::total_cmp);
    forces.sort_by(f64::total_cmp);
    let known: Vec<(String, Option<KnownForce>)> = match gravity {
        Some(gravity) if !asked.reference => {
            let Some(tolerance) = asked.tolerance.filter(|percent| (0.0..=10.0).contains(percent)) else {
                return usage(
                    "say how well the masses are known: --tolerance, % (0.01 for class M1, 0.1 for weighed ones)",
                );
            };
            let of = |kg: f64| {
                let mass = Mass { kg, tolerance_kg: kg * tolerance / 100.0, density: asked.density };
                let known = force(&mass, gravity, asked.air_density);
                (format!("{kg} kg ({:.3} N)", known.force_n), Some(known))
            };
            masses.into_iter().map(of).collect()
        }
        _ => forces.into_iter().map(|n| (format!("about {n} N"), None)).collect(),
    };
    let least = if asked.check { 1 } else { 2 };
    if known.len() < least {
        return usage(
            "give the loads: --mass twice at least (five and more tell the curve), or --reference with --load",
        );
    }
    Ok(known)
}

/// What the known forces came from, in words.
pub(super) fn reference(asked: &Asked) -> String {
    if asked.reference {
        return format!(
            "reference sensor, expanded uncertainty {} % (k = 2)",
            asked.reference_uncertainty.unwrap_or(f64::NAN)
        );
    }
    format!(
        "masses of {} kg/m³, known to ±{} %, in air of {} kg/m³",
        asked.density,
        asked.tolerance.unwrap_or(f64::NAN),
        asked.air_density
    )
}
