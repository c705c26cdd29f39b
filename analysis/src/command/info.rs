//! `fingerforce info`: what is in a recording, and whether it is whole.
//!
//! Comes in: a recording. Goes out: who, when, with which sensors (rates in Hz, times in s), how much of each table, the
//! plan; with `--verify`, whether every checksum and the digest of the contents hold.
use super::compare::BasisArgs;
use crate::console::{self, Usage, advised, clean};
use crate::documents;
use crate::recording::layout::{GapRow, LAYOUT_VERSION, Sensor};
use crate::recording::read::{ReadError, Recording};
use crate::recording::revise::{self, Effect};
use crate::report::{self, number::Number};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// What is in a recording, and whether it is whole
///
/// Examples:
///   fingerforce info recording-1.h5 --verify
///   fingerforce info --verify DATA                all recordings below a folder
///   fingerforce info earlier.h5 later.h5 --number change-1.change_n
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The recording, with --verify also a folder; of a change, all recordings that were compared; of a repeatability, those
    /// that it was made of
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Tell nothing of a recording that does not agree with its checksums and its digest
    #[arg(long)]
    pub verify: bool,
    /// Where a printed number comes from: its id, as in item-1.mean_of_peaks_n, trial-3.peak_zero_n, change-1.change_n or
    /// reliability-1.sem
    #[arg(long, value_name = "ID", conflicts_with = "verify")]
    pub number: Option<String>,
    /// What a change was held against.
    #[command(flatten)]
    pub basis: BasisArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if let Some(id) = &args.number {
        return number(args, id);
    }
    let [file] = args.files.as_slice() else {
        return Err(Usage("give one recording, or --number with the id of a change".to_owned()).into());
    };
    if args.verify && file.is_dir() {
        return super::verify::below(file, args.json);
    }
    let recording = Recording::open_unverified(file).map_err(advised)?;
    let verified = recording.verify();
    if args.verify && verified.is_err() {
        return verified.map_err(advised);
    }
    // Without --verify, what there is in a damaged one is told: with the word that it is, as output and as an error.
    let info = Info::of(&recording, file, verified.is_ok()).map_err(advised)?;
    console::result(&if args.json { documents::json(documents::INFO, &info)? } else { info.text() })?;
    verified.map_err(advised)
}

/// Where a printed number comes from.
fn number(args: &Args, id: &str) -> anyhow::Result<()> {
    let read = super::report::read(&args.files)?.visits;
    let mut number = report::number::find(&read, &args.basis.rules()?, id).map_err(advised)?;
    if report::number::rests_on_limits(&number.id) {
        number.files.extend(args.basis.own.reliability.iter().map(|path| path.display().to_string()));
        number.files.extend(args.basis.published.clone());
    }
    let text = if args.json { documents::json(documents::NUMBER, &number)? } else { number_text(&number) };
    console::result(&text)?;
    Ok(())
}

fn number_text(of: &Number) -> String {
    let value = match (of.value, of.unit.as_str()) {
        (None, _) => "not known".to_owned(),
        // What has no unit has `1` in the JSON.
        (Some(value), "" | "1") => value.to_string(),
        (Some(value), unit) => format!("{value} {unit}"),
    };
    let mut text = format!(
        "{} = {}\nformula: {}\nfile: {}\nmade by: {}\n",
        clean(&of.id),
        clean(&value),
        clean(&of.formula),
        clean(&of.files.join(", ")),
        clean(&of.software)
    );
    for origin in &of.origins {
        let peak = origin.peak_zero_n.map_or_else(|| "not known".to_owned(), |peak_n| format!("{peak_n} N"));
        // Writing to a string cannot fail.
        let _ = writeln!(
            text,
            "{}:trial-{}: peak above zero {peak}; {}[{}..={}], channel {}; sensor {}, calibration {}, zero {}",
            clean(&origin.visit),
            origin.trial,
            origin.samples,
            origin.first_sample,
            origin.last_sample,
            origin.channel,
            clean(&origin.sensor),
            clean(&origin.calibration),
            if origin.tare < 0 { "none".to_owned() } else { format!("row {} of tares", origin.tare) }
        );
    }
    text
}

/// What there is to say about a recording.
#[derive(Debug, Serialize)]
struct Info {
    file: String,
    layout_version: i64,
    visit_id: String,
    revision: i64,
    supersedes: String,
    participant: String,
    participant_fields: BTreeMap<String, String>,
    examiner: String,
    started_utc: String,
    utc_offset: String,
    software: String,
    journal_sha256: String,
    content_sha256: String,
    /// Every checksum and the digest hold; an error, too, where they do not.
    whole: bool,
    sensors: Vec<SensorInfo>,
    trials: usize,
    valid_trials: usize,
    observations: usize,
    events: usize,
    /// What was changed after the visit.
    corrections: Vec<Effect>,
    /// Each of them in words.
    #[serde(skip)]
    corrected: Vec<String>,
    plan: String,
}

#[derive(Debug, Serialize)]
struct SensorInfo {
    number: usize,
    serial: String,
    firmware: String,
    channels: usize,
    calibration: Vec<String>,
    interval_ns: i64,
    rate_hz: Option<f64>,
    samples: u64,
    duration_s: Option<f64>,
    frames: usize,
    segments: usize,
    gaps: usize,
    missing_samples: i64,
    gaps_of_unknown_length: usize,
    tares: usize,
    /// How well the worst of its segments is placed on the host's clock: half the width of what is possible, s.
    placed_within_s: Option<f64>,
}

impl Info {
    fn of(recording: &Recording, file: &Path, whole: bool) -> Result<Info, ReadError> {
        let sensors = recording.sensors().iter().zip(1..);
        let sensors = sensors.map(|(sensor, number)| SensorInfo::read(recording, sensor, number));
        let trials = recording.trials()?;
        let events = recording.events()?;
        let root = recording.root().clone();
        let corrections = revise::effects(&events);
        let words =
            |effect: &Effect| effect.correction.change.words(&effect.correction.change.of_trial(&trials));
        Ok(Info {
            corrected: corrections.iter().map(words).collect(),
            corrections,
            file: file.display().to_string(),
            layout_version: LAYOUT_VERSION,
            visit_id: root.visit_id,
            revision: root.revision,
            supersedes: root.supersedes,
            participant: root.participant,
            participant_fields: root.participant_fields.into_iter().collect(),
            examiner: root.examiner,
            started_utc: root.started_utc,
            utc_offset: root.utc_offset,
            software: root.software,
            journal_sha256: root.journal_sha256,
            content_sha256: recording.content_sha256().to_owned(),
            whole,
            sensors: sensors.collect::<Result<_, _>>()?,
            trials: trials.len(),
            valid_trials: trials.iter().filter(|trial| trial.valid == 1).count(),
            observations: recording.observations()?.len(),
            events: events.len(),
            plan: root.plan,
        })
    }

    fn text(&self) -> String {
        let mut text = String::new();
        let mut line = |name: &str, value: &str| {
            if !value.is_empty() {
                // Writing to a string cannot fail.
                let _ = writeln!(text, "{name:<14}{}", clean(value));
            }
        };
        line("recording", &self.file);
        line("visit", &format!("{}, revision {}", self.visit_id, self.revision));
        line("supersedes", &self.supersedes);
        line("participant", &self.participant);
        for (name, value) in &self.participant_fields {
            line("", &format!("{name}: {value}"));
        }
        line("examiner", &self.examiner);
        line("started", &format!("{} (local time {} from UTC)", self.started_utc, self.utc_offset));
        line("software", &format!("{}, layout {}", self.software, self.layout_version));
        self.sensors.iter().for_each(|sensor| sensor.lines(&mut line));
        line("trials", &format!("{}, {} of them valid", self.trials, self.valid_trials));
        line("observations", &self.observations.to_string());
        line("events", &self.events.to_string());
        for (effect, what) in self.corrections.iter().zip(&self.corrected) {
            let of = &effect.correction;
            line("correction", &format!("{}: {what} ({} at {}: {})", of.number, of.who, of.when_utc, of.why));
            effect.changed.iter().for_each(|changed| line("", changed));
        }
        for (number, plan) in self.plan.lines().enumerate() {
            line(if number == 0 { "plan" } else { "" }, plan);
        }
        line("digest", &self.content_sha256);
        let (yes, no) =
            ("yes: every checksum and the digest hold", "NO: some of this is not what was recorded");
        line("whole", if self.whole { yes } else { no });
        text
    }
}

impl SensorInfo {
    fn read(recording: &Recording, sensor: &Sensor, number: usize) -> Result<SensorInfo, ReadError> {
        let (gaps, segments) = (recording.gaps(number)?, recording.segments(number)?);
        let bounds_s = segments.iter().map(|segment| segment.bound_s).filter(|bound_s| bound_s.is_finite());
        let rate_hz = (sensor.interval_ns > 0).then(|| 1e9 / sensor.interval_ns as f64);
        Ok(SensorInfo {
            number,
            serial: sensor.serial.clone(),
            firmware: sensor.firmware.clone(),
            channels: sensor.channels.len(),
            calibration: sensor.channels.iter().map(|channel| channel.calibration.clone()).collect(),
            interval_ns: sensor.interval_ns,
            rate_hz,
            samples: sensor.samples,
            duration_s: rate_hz.map(|rate| sensor.samples as f64 / rate),
            frames: recording.frames(number)?.len(),
            segments: segments.len(),
            placed_within_s: bounds_s.reduce(f64::max),
            gaps: gaps.len(),
            missing_samples: known(&gaps).sum(),
            gaps_of_unknown_length: gaps.len() - known(&gaps).count(),
            tares: recording.tares(number)?.len(),
        })
    }

    fn lines(&self, line: &mut impl FnMut(&str, &str)) {
        let name = format!("sensor {}", self.number);
        let rate = self.rate_hz.map_or("unknown rate".to_owned(), |rate| format!("{} Hz", significant(rate)));
        let channels = if self.channels == 1 { "channel" } else { "channels" };
        let about = format!("{} ({}), {rate}, {} {channels}", self.serial, self.firmware, self.channels);
        line(&name, &about);
        let mut calibration = self.calibration.clone();
        calibration.dedup();
        line("", &format!("calibration: {}", calibration.join(", ")));
        let duration = self.duration_s.map_or(String::new(), |s| format!(" ({} s)", significant(s)));
        let (frames, segments, tares) = (self.frames, self.segments, self.tares);
        line(
            "",
            &format!(
                "{} samples{duration}, frames {frames}, segments {segments}, tares {tares}",
                self.samples
            ),
        );
        line("", &self.gap_words());
        let placed = self.placed_within_s.map(|s| format!("times within ± {} ms", significant(1e3 * s)));
        line("", &placed.unwrap_or_default());
    }

    fn gap_words(&self) -> String {
        match (self.gaps, self.gaps_of_unknown_length) {
            (0, _) => "no sample is missing".to_owned(),
            (gaps, 0) => format!("gaps {gaps}, missing samples {}", self.missing_samples),
            (gaps, unknown) => {
                format!("gaps {gaps}, {unknown} of unknown length, missing samples {}", self.missing_samples)
            }
        }
    }
}

/// The lengths of those gaps whose length is known.
fn known(gaps: &[GapRow]) -> impl Iterator<Item = i64> + '_ {
    gaps.iter().map(|gap| gap.missing).filter(|missing| *missing >= 0)
}

/// A number without digits that say nothing.
fn significant(value: f64) -> String {
    format!("{value:.3}").trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_have_no_empty_digits() {
        assert_eq!(significant(1000.0), "1000");
        assert_eq!(significant(12.5), "12.5");
        assert_eq!(significant(1.0 / 3.0), "0.333");
    }
}
