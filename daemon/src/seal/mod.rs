//! Sealing: journal → recording, in two passes.
//!
//! The first ([`look_through`]) steps the whole core over the journal and finds everything but the samples; the second
//! ([`each_block`]) steps the pipeline alone, whose settings are in the journal, and gives the samples with their place in
//! the host's time. Both are pure: the same journal gives the same bits. Only [`seal`] writes a file: under a temporary
//! name, read back and verified before it gets its own.
//!
//! A journal whose beginning is lost is sealed all the same: whose visit it is stands in every segment's header; what
//! else was lost (the codes, the plan, the sensor's scale) is unknown in the recording and said in its events and gaps.

pub mod clock_map;
pub mod survey;

use crate::core::Begun;
use crate::journal::{self, Damage, Disk, JournalError, Reader, Stamped};
use crate::pipeline::{Block, Output, Pipeline};
use crate::visit::plan::Plan;
use analysis::recording::write::{Channel, Samples, Sensor};
use analysis::recording::write::{Root, SensorTables, Tables, WriteError, Writer};
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use survey::{SensorSurvey, Survey, Surveyor};

/// Field of `/participant`: what group the participant belongs to.
const CONDITION: &str = "condition";

/// A recording that was written.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Sealed {
    /// Where.
    pub recording: PathBuf,
    /// Digest of its contents.
    pub content_sha256: String,
    /// Samples in it, over all sensors.
    pub samples: u64,
    /// Samples known to be missing, over all sensors.
    pub missing_samples: u64,
    /// Holes whose length nobody knows.
    pub unknown_gaps: u64,
    /// Rows of `/trials`.
    pub trials: usize,
    /// The recording was ended properly, and why; `None` for one that a crash cut off.
    pub finished: Option<String>,
    /// What is wrong with the journal.
    pub damage: Vec<Damage>,
}

/// Why a journal could not be sealed.
#[derive(Debug, thiserror::Error)]
pub enum SealError {
    /// The journal cannot be read.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// The recording cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// There is nothing to seal.
    #[error("the journal in {0} holds no record that can be read: nothing can be sealed from it")]
    Empty(PathBuf),
}

/// Seals the journal in a visit's folder into `recording-N.h5` beside it.
pub fn seal(disk: &Arc<dyn Disk>, folder: &Path) -> Result<Sealed, SealError> {
    let (survey, damage) = look_through(disk, folder)?;
    let survey = survey.ok_or_else(|| SealError::Empty(folder.to_owned()))?;
    let (path, revision, supersedes) = next_recording(&**disk, folder)?;
    let root = root(disk, folder, &survey, revision, supersedes)?;
    let mut writer = Writer::create(&path, &root)?;
    for sensor in &survey.sensors {
        writer.add_sensor(&described(sensor))?;
    }
    each_block(disk, folder, &survey, |block, time_s| {
        let (counts, force_n, device_time_s) = (&block.counts, &block.force_n, &block.device_time_s);
        Ok(writer.append(block.sensor, Samples { counts, force_n, device_time_s, time_s })?)
    })?;
    let missing =
        |sensor: &SensorSurvey| sensor.gaps.iter().map(|gap| gap.missing.max(0).unsigned_abs()).sum::<u64>();
    let unknown = |sensor: &SensorSurvey| sensor.gaps.iter().filter(|gap| gap.missing < 0).count() as u64;
    let sealed = Sealed {
        recording: path,
        content_sha256: String::new(),
        samples: survey.sensors.iter().map(|sensor| sensor.samples).sum(),
        missing_samples: survey.sensors.iter().map(missing).sum(),
        unknown_gaps: survey.sensors.iter().map(unknown).sum(),
        trials: survey.trials.len(),
        finished: survey.finished.clone(),
        damage,
    };
    let finished = writer.finish(&tables(survey))?;
    Ok(Sealed { content_sha256: finished.content_sha256, ..sealed })
}

/// The first pass: everything but the samples, `None` where no record is left, and what is wrong with the journal.
///
/// # Errors
/// The journal cannot be read.
pub fn look_through(
    disk: &Arc<dyn Disk>,
    folder: &Path,
) -> Result<(Option<Survey>, Vec<Damage>), JournalError> {
    let mut reader = Reader::open(Arc::clone(disk), folder)?;
    let mut surveyor = Surveyor::default();
    let mut last: Option<Stamped> = None;
    for stamped in &mut reader {
        let stamped = stamped?;
        surveyor.step(&stamped);
        last = Some(stamped);
    }
    let mut survey = last.is_some().then(|| surveyor.finish(last.as_ref()));
    if let Some(survey) = survey.as_mut().filter(|survey| survey.begun.is_none()) {
        survey.begun = Some(begun_of_header(&reader, survey));
    }
    Ok((survey, reader.damage().to_vec()))
}

/// What is known of a visit whose first record is lost.
fn begun_of_header(reader: &Reader, survey: &Survey) -> Begun {
    let started = survey.anchor.as_ref().and_then(|anchor| {
        jiff::Timestamp::from_nanosecond(i128::from(anchor.utc_ns)).ok().map(|time| time.to_string())
    });
    Begun {
        visit_id: reader.visit().map(|visit| visit.to_string()).unwrap_or_default(),
        participant: String::new(),
        examiner: String::new(),
        consent: String::new(),
        about: Vec::new(),
        plan: String::new(),
        software: reader.software().to_owned(),
        started_utc: started.unwrap_or_default(),
        utc_offset: String::new(),
    }
}

/// The second pass: every block of samples, with their host times, s since the recording's start.
///
/// # Errors
/// The journal cannot be read, or `each` fails.
pub fn each_block(
    disk: &Arc<dyn Disk>,
    folder: &Path,
    survey: &Survey,
    mut each: impl FnMut(&Block, &[f64]) -> Result<(), SealError>,
) -> Result<(), SealError> {
    let base_s = survey.anchor.as_ref().map_or(0.0, |anchor| anchor.monotonic_ns as f64 * 1e-9);
    let mut pipeline = Pipeline::new(false);
    let mut outputs = Vec::new();
    let mut latest = vec![f64::NEG_INFINITY; survey.sensors.len()];
    for stamped in Reader::open(Arc::clone(disk), folder)? {
        pipeline.step(&stamped?, &mut outputs);
        for output in outputs.drain(..) {
            let Output::Block(block) = output else { continue };
            let sensor = block.sensor - 1;
            if let (Some(survey), Some(latest)) = (survey.sensors.get(sensor), latest.get_mut(sensor)) {
                each(&block, &placed(&block, survey, base_s, latest))?;
            }
        }
    }
    Ok(())
}

/// Host times of a block's samples, s since the recording's start; later than all before.
fn placed(block: &Block, survey: &SensorSurvey, base_s: f64, latest: &mut f64) -> Vec<f64> {
    /// Two segments' maps may disagree by their bounds; time goes forward all the same.
    const LEAST_STEP_S: f64 = 1e-9;
    let map = usize::try_from(block.placed.segment).ok().and_then(|segment| survey.maps.get(segment));
    let time = |&device_s: &f64| {
        let host_s = map.map_or(device_s, |map| map.host_s(device_s) - base_s);
        *latest = host_s.max(*latest + LEAST_STEP_S);
        *latest
    };
    block.device_time_s.iter().map(time).collect()
}

fn root(
    disk: &Arc<dyn Disk>,
    folder: &Path,
    survey: &Survey,
    revision: u32,
    supersedes: String,
) -> Result<Root, SealError> {
    let begun = survey.begun.clone().ok_or_else(|| SealError::Empty(folder.to_owned()))?;
    Ok(Root {
        participant_fields: participant(&begun),
        visit_id: begun.visit_id,
        revision: i64::from(revision),
        supersedes,
        participant: begun.participant,
        examiner: begun.examiner,
        started_utc: begun.started_utc,
        utc_offset: begun.utc_offset,
        software: begun.software,
        journal_sha256: journal::read::sha256(&**disk, folder)?,
        plan: begun.plan,
    })
}

/// What `/participant` says.
fn participant(begun: &Begun) -> Vec<(String, String)> {
    let plan = Plan::parse(&begun.plan).ok();
    let told = begun.about.iter().any(|(name, _)| name == CONDITION);
    let population = plan.as_ref().map(|plan| plan.population.clone()).filter(|of| !told && !of.is_empty());
    let involved = plan.and_then(|plan| plan.involved_side);
    let consent = Some(begun.consent.clone()).filter(|consent| !consent.is_empty());
    let known = [
        (CONDITION, population),
        ("involved_side", involved.map(|side| side.to_string())),
        ("consent", consent),
    ];
    let known = known.into_iter().filter_map(|(name, value)| Some((name.to_owned(), value?)));
    begun.about.iter().cloned().chain(known).collect()
}

fn described(survey: &SensorSurvey) -> Sensor {
    let identity = &survey.identity;
    let channels = (1..).zip(&identity.channels).map(|(number, channel)| {
        let of = survey.calibrations.iter().find(|of| of.channel == number);
        Channel {
            zero_counts: channel.scale.zero_counts,
            rated_counts: of.and_then(|of| of.rated_counts()).unwrap_or(f64::from(channel.rated_counts)),
            rated_force_n: channel.scale.rated_n,
            direction: channel.direction.clone(),
            calibration: of.map_or_else(|| "nominal".to_owned(), |of| of.label()),
        }
    });
    Sensor {
        serial: identity.serial.clone(),
        firmware: identity.firmware.clone(),
        interval_ns: i64::from(identity.interval_ns),
        group_delay_s: identity.group_delay_s,
        bandwidth_hz: identity.bandwidth_hz,
        settling_s: identity.settling_s,
        channels: channels.collect(),
        samples: survey.samples,
    }
}

fn tables(survey: Survey) -> Tables {
    let base_s = survey.anchor.as_ref().map_or(0.0, |anchor| anchor.monotonic_ns as f64 * 1e-9);
    let sensors = survey.sensors.into_iter().map(|mut sensor| {
        for (segment, map) in sensor.segments.iter_mut().zip(&sensor.maps) {
            segment.start_s = map.host_s(0.0) - base_s;
            segment.rate = map.rate;
            segment.bound_s = map.bound_s;
        }
        SensorTables {
            frames: sensor.frames,
            segments: sensor.segments,
            gaps: sensor.gaps,
            tares: sensor.tares,
        }
    });
    Tables {
        sensors: sensors.collect(),
        trials: survey.trials,
        observations: survey.observations,
        events: survey.events,
    }
}

/// Recordings in a visit's folder, by number.
pub fn recordings(disk: &dyn Disk, folder: &Path) -> Result<Vec<(u32, PathBuf)>, JournalError> {
    let number = |name: &str| name.strip_prefix("recording-")?.strip_suffix(".h5")?.parse::<u32>().ok();
    let mut found: Vec<_> = disk
        .list(folder)
        .map_err(|source| JournalError::Io { doing: "list", path: folder.to_owned(), source })?
        .into_iter()
        .filter_map(|entry| Some((number(&entry.name)?, folder.join(&entry.name))))
        .collect();
    found.sort();
    Ok(found)
}

fn next_recording(disk: &dyn Disk, folder: &Path) -> Result<(PathBuf, u32, String), SealError> {
    let existing = recordings(disk, folder)?;
    let number = existing.last().map_or(1, |(number, _)| number + 1);
    let supersedes = existing.last().and_then(|(_, path)| path.file_name());
    let supersedes = supersedes.map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    Ok((folder.join(format!("recording-{number}.h5")), number, supersedes))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whom_the_plan_is_for_is_said_of_the_participant_unless_something_else_is() {
        let item = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";
        let of = |plan: &str, about: &[(&str, &str)]| {
            let about = about.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned())).collect();
            participant(&Begun { about, plan: format!("{plan}{item}"), ..Begun::default() })
        };
        let condition = |value: &str| (CONDITION.to_owned(), value.to_owned());
        let plan = "title = \"t\"\npopulation = \"healthy adults\"\n";
        assert_eq!(of(plan, &[]), [condition("healthy adults")]);
        assert_eq!(of(plan, &[(CONDITION, "ulnar nerve repair")]), [condition("ulnar nerve repair")]);
        assert_eq!(of("title = \"t\"\n", &[]), []);
    }
}
