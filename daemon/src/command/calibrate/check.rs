//! The daily check with one mass.

use super::outcome::Guided;
use crate::data_folder;
use crate::journal::{Disk, Reader, SystemDisk};
use crate::pipeline::{Output, Pipeline};
use crate::sensors;
use analysis::console::{Hint, advised, clean};
use analysis::sensor::check::{Check, limit_n};
use analysis::sensor::dead_weight::KnownForce;
use anyhow::{Context as _, anyhow};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Judges a check, keeps it, and where it failed names the recordings since the last good one.
pub(crate) fn checked(known: KnownForce, session: &Guided) -> anyhow::Result<(Check, Vec<PathBuf>)> {
    let points = session.guide.points();
    let [before, loaded, after] = &points[..] else { anyhow::bail!("the check was not read whole") };
    let serial = &session.identity()?.serial;
    let of = session.guide.calibration().ok_or_else(|| not_calibrated(serial))?;
    let curves = of.curves().context("the calibration in force has no curve")?;
    let zero = 0.5 * (before.indication + after.indication);
    let read_n = curves.force_n(loaded.indication - zero);
    let drift_n = curves.force_n(after.indication - zero) - curves.force_n(before.indication - zero);
    // The zero moved by so much between the two: half of it either way is uncertain (rectangular).
    let of_zero = drift_n.abs() / 2.0 / 3.0_f64.sqrt();
    let calibrated = of.expanded_n(read_n).unwrap_or(f64::NAN);
    let expanded_n = (calibrated * calibrated
        + 4.0 * (known.standard_uncertainty_n * known.standard_uncertainty_n + of_zero * of_zero))
        .sqrt();
    let check = Check {
        when_utc: crate::clock::rfc3339(session.utc_ns),
        serial: serial.clone(),
        channel: of.channel,
        reference_n: known.force_n,
        read_n,
        expanded_n,
        limit_n: limit_n(known.force_n),
        passed: false,
        visit_id: session.visit_id(),
    }
    .judged();
    let mut earlier = sensors::checks(&SystemDisk, &session.data, &check.serial).map_err(advised)?;
    earlier.retain(|other| other.channel == check.channel);
    sensors::keep_check(&SystemDisk, &session.data, &check).map_err(advised)?;
    let doubtful = if check.passed { Vec::new() } else { since_last_good(session, &earlier)? };
    Ok((check, doubtful))
}

/// There is nothing to check.
pub(super) fn not_calibrated(serial: &str) -> anyhow::Error {
    anyhow!("sensor {} is not calibrated: there is nothing to check", clean(serial))
        .context(Hint::new("calibrate it first: fingerforced calibrate --help"))
}

/// Visits' folders with samples of this sensor since its last good check, or since its calibration.
fn since_last_good(session: &Guided, earlier: &[Check]) -> anyhow::Result<Vec<PathBuf>> {
    let serial = &session.identity()?.serial;
    let good = earlier.iter().rev().find(|check| check.passed).map(|check| check.visit_id.clone());
    let since =
        good.or_else(|| session.guide.calibration().map(|of| of.visit_id.clone())).unwrap_or_default();
    let disk = SystemDisk::shared();
    let mut found = Vec::new();
    for folder in data_folder::visits(&SystemDisk, &session.data).map_err(advised)? {
        let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        // Folders' names begin with the time.
        if name > since && name != session.visit_id() && is_of(&disk, &folder, serial) {
            found.push(folder);
        }
    }
    found.sort();
    Ok(found)
}

/// Whether a visit's journal names this sensor; one that cannot be read, or names none, may be of it.
fn is_of(disk: &Arc<dyn Disk>, folder: &Path, serial: &str) -> bool {
    let Ok(reader) = Reader::open(Arc::clone(disk), folder) else { return true };
    let (mut pipeline, mut out, mut named) = (Pipeline::new(false), Vec::new(), false);
    for stamped in reader.map_while(Result::ok) {
        pipeline.step(&stamped, &mut out);
        for output in out.drain(..) {
            if let Output::Identified { identity, .. } = output {
                named = true;
                if identity.serial == serial {
                    return true;
                }
            }
        }
    }
    !named
}
