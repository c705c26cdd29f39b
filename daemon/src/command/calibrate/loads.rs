//! What the operator loads: masses under local gravity, or about so much with a reference sensor beside it.

use super::Args;
use analysis::console::Usage;
use analysis::sensor::dead_weight::{Gravity, KnownForce, Mass, force};

pub(super) fn gravity(args: &Args) -> anyhow::Result<Option<Gravity>> {
    let found = match (args.latitude.zip(args.height), args.gravity.zip(args.gravity_uncertainty)) {
        (Some((latitude, height)), _) => Gravity::at(latitude, height),
        (None, Some((gravity, uncertainty))) => Gravity::measured(gravity, uncertainty),
        (None, None) if args.reference => return Ok(None),
        (None, None) => {
            let what = "masses pull with local gravity, which has no default: give --latitude and --height, or --gravity and --gravity-uncertainty";
            return Err(Usage(what.to_owned()).into());
        }
    };
    found.map(Some).map_err(|why| Usage(why).into())
}

/// The loads, smallest first, each with its name.
pub(super) fn loads(
    args: &Args,
    gravity: Option<&Gravity>,
) -> anyhow::Result<Vec<(String, Option<KnownForce>)>> {
    let usage = |text: &str| Err(Usage(text.to_owned()).into());
    let positive = |values: &[f64]| values.iter().all(|value| *value > 0.0 && *value < 1e4);
    if !positive(&args.masses) || !positive(&args.loads) || !(500.0..=25_000.0).contains(&args.density) {
        return usage("masses, loads and densities are positive numbers");
    }
    let (mut masses, mut forces) = (args.masses.clone(), args.loads.clone());
    masses.sort_by(f64::total_cmp);
    forces.sort_by(f64::total_cmp);
    let known: Vec<(String, Option<KnownForce>)> = match gravity {
        Some(gravity) if !args.reference => {
            let Some(tolerance) = args.tolerance.filter(|percent| (0.0..=10.0).contains(percent)) else {
                return usage(
                    "say how well the masses are known: --tolerance, % (0.01 for class M1, 0.1 for weighed ones)",
                );
            };
            let of = |kg: f64| {
                let mass = Mass { kg, tolerance_kg: kg * tolerance / 100.0, density: args.density };
                let known = force(&mass, gravity, args.air_density);
                (format!("{kg} kg ({:.3} N)", known.force_n), Some(known))
            };
            masses.into_iter().map(of).collect()
        }
        _ => forces.into_iter().map(|n| (format!("about {n} N"), None)).collect(),
    };
    let least = if args.check { 1 } else { 2 };
    if known.len() < least {
        return usage(
            "give the loads: --mass twice at least (five and more tell the curve), or --reference with --load",
        );
    }
    Ok(known)
}

/// What the known forces came from, in words.
pub(super) fn reference(args: &Args) -> String {
    if args.reference {
        return format!(
            "reference sensor, expanded uncertainty {} % (k = 2)",
            args.reference_uncertainty.unwrap_or(f64::NAN)
        );
    }
    format!(
        "masses of {} kg/m³, known to ±{} %, in air of {} kg/m³",
        args.density,
        args.tolerance.unwrap_or(f64::NAN),
        args.air_density
    )
}
