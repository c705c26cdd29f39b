//! What a guided session came to: a calibration that is still to be kept.

use super::asked::Asked;
use super::loads;
use crate::clock::rfc3339;
use crate::guide::Guide;
use crate::pipeline::SensorIdentity;
use analysis::console::{Hint, advised};
use analysis::report::sensor::NO_LABORATORY;
use analysis::sensor::calibration::{HIGHEST_DEGREE, Known, calibrate};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::dead_weight::Gravity;
use analysis::sensor::readings::reference_relative;
use anyhow::anyhow;
use std::path::PathBuf;

/// Why a session ends that went through all its steps.
pub(crate) const DONE: &str = "calibration done";

/// A guided session that was recorded.
pub(crate) struct Guided {
    pub guide: Guide,
    /// Its visit's folder.
    pub folder: PathBuf,
    pub data: PathBuf,
    /// When it began.
    pub utc_ns: i64,
}

impl Guided {
    pub fn visit_id(&self) -> String {
        self.folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    }

    /// Whose sensor it was; refused where not everything was read.
    pub fn identity(&self) -> anyhow::Result<&SensorIdentity> {
        self.guide.identity().filter(|_| self.guide.is_done()).ok_or_else(|| {
            anyhow!("ended before it was done: no calibration was made")
                .context(Hint::new("begin again; the samples are kept"))
        })
    }
}

/// The record that its readings come to.
pub(crate) fn certificate(
    asked: &Asked,
    gravity: Option<Gravity>,
    session: &Guided,
) -> anyhow::Result<Certificate> {
    let identity = session.identity()?;
    let points = session.guide.points();
    let stated = asked.reference_uncertainty.map(|percent| percent / 200.0).filter(|_| asked.reference);
    let known = Known {
        resolution: 1.0,
        reference_relative: stated.or_else(|| reference_relative(&session.guide.readings())),
        creep_relative: asked.creep.map(|percent| percent / 100.0),
        highest_degree: HIGHEST_DEGREE,
    };
    let calibration = calibrate(&points, &known).map_err(advised)?;
    let rated = identity.channels.get(asked.channel - 1).map(|channel| channel.scale.rated_n);
    Ok(Certificate {
        statement: NO_LABORATORY.to_owned(),
        serial: identity.serial.clone(),
        channel: asked.channel,
        when_utc: rfc3339(session.utc_ns),
        valid_until: day_after(session.utc_ns, asked.valid_days),
        operator: asked.operator.clone(),
        reference: loads::reference(asked),
        gravity: gravity.filter(|_| !asked.reference),
        air_density: (!asked.reference).then_some(asked.air_density),
        temperature_c: asked.temperature,
        temperature_percent_per_k: asked.temperature_effect,
        rated_force_n: rated.unwrap_or(f64::NAN),
        visit_id: session.visit_id(),
        software: concat!("finger-force ", env!("CARGO_PKG_VERSION")).to_owned(),
        ..Certificate::new(points, calibration)
    })
}

fn day_after(utc_ns: i64, days: u32) -> String {
    let day_ns = 86_400_000_000_000_i64;
    crate::clock::rfc3339(utc_ns.saturating_add(day_ns.saturating_mul(i64::from(days))))
        .chars()
        .take(10)
        .collect()
}
