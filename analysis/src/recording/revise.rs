//! Recording N+1 from recording N and corrections.
//!
//! Comes in: a recording and [`Correction`]s. Goes out: the next recording of the visit, which supersedes it: everything
//! that was not corrected is the same to the last bit; `/events` says of each correction what it was and which numbers
//! it changed. A moved mark is measured anew with the definitions of [`crate::measures`]; a person's onset has no spread,
//! so rates of force development are unknown then. A corrected calibration scales forces, and holds are sought again in
//! them (`refind`), because the finder's thresholds are newtons.

use super::layout::{EventRow, ObservationRow, Row, Sensor, TrialRow, Values};
use super::objection::{Held, NAMED};
use super::read::{OwnedSamples, ReadError, Recording};
use super::refind::{self, Scaled};
use super::trial_row::{TOO_FAST, TOO_SLOW};
use super::write::{Finished, Samples, SensorTables, Tables, WriteError, Writer};
use crate::console::Advice;
use crate::corrections::{Assignment, Change, Correction, Mark};
use crate::holds::wave;
use crate::measures::mean::Sums;
use crate::measures::{self, Stretch};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// `kind` of the event that says what a correction did.
pub const CORRECTED: &str = "correction";
/// Flag of a trial that somebody changed.
const FLAG: &str = "corrected";
/// Samples read around a hold that is measured anew, s.
const AROUND_S: f64 = 1.0;

/// Why a recording could not be corrected.
#[derive(Debug, thiserror::Error)]
pub enum ReviseError {
    /// It cannot be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// The next one cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The correction makes no sense for this recording.
    #[error("correction {number} cannot be made: {why}")]
    Senseless {
        /// Which.
        number: u64,
        /// Why.
        why: String,
    },
    /// One that somebody wants to make now, and that has no number yet, is not taken.
    #[error("this correction cannot be made: {why}")]
    Refused {
        /// Why.
        why: String,
        /// What to do instead.
        hint: String,
    },
}

impl Advice for ReviseError {
    fn hint(&self) -> String {
        match self {
            ReviseError::Read(error) => error.hint(),
            ReviseError::Write(error) => error.hint(),
            ReviseError::Senseless { .. } => NAMED.to_owned(),
            ReviseError::Refused { hint, .. } => hint.clone(),
        }
    }
}

/// A correction and which numbers it changed: the detail of its event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Effect {
    /// The correction.
    #[serde(flatten)]
    pub correction: Correction,
    /// `column: before → after`.
    pub changed: Vec<String>,
}

/// What corrections have done to a recording, in order.
pub fn effects(events: &[EventRow]) -> Vec<Effect> {
    let ours = events.iter().filter(|event| event.kind == CORRECTED);
    ours.filter_map(|event| serde_json::from_str(&event.detail).ok()).collect()
}

/// A recording with corrections that are not yet in it.
pub struct Revision<'a> {
    recording: &'a Recording,
    sensors: Vec<Sensor>,
    /// Factor on the forces of each sensor's channels.
    factors: Vec<Vec<f64>>,
    tables: Tables,
}

impl<'a> Revision<'a> {
    /// The recording, as it is.
    ///
    /// # Errors
    /// It cannot be read.
    pub fn of(recording: &'a Recording) -> Result<Revision<'a>, ReviseError> {
        let sensors = recording.sensors().to_vec();
        let tables_of = |number| {
            Ok::<_, ReadError>(SensorTables {
                frames: recording.frames(number)?,
                segments: recording.segments(number)?,
                gaps: recording.gaps(number)?,
                tares: recording.tares(number)?,
            })
        };
        let tables = Tables {
            sensors: (1..=sensors.len()).map(tables_of).collect::<Result<_, _>>()?,
            trials: recording.trials()?,
            observations: recording.observations()?,
            events: recording.events()?,
        };
        let factors = sensors.iter().map(|sensor| vec![1.0; sensor.channels.len()]).collect();
        Ok(Revision { recording, sensors, factors, tables })
    }

    /// Makes those corrections that the recording does not hold yet; gives what they did.
    ///
    /// # Errors
    /// One makes no sense for this recording, or samples cannot be read.
    pub fn apply(&mut self, corrections: &[Correction]) -> Result<Vec<Effect>, ReviseError> {
        let done: Vec<u64> =
            effects(&self.tables.events).iter().map(|effect| effect.correction.number).collect();
        let coming = corrections.iter().filter(|correction| !done.contains(&correction.number));
        coming.map(|correction| self.apply_one(correction)).collect()
    }

    /// Tries a new correction out: it must make sense, and something must be different then. Those that were taken once
    /// are made whatever they say ([`Revision::apply`]): otherwise a recording could not be made again.
    ///
    /// # Errors
    /// It cannot be made, or samples cannot be read.
    pub fn try_out(&mut self, correction: &Correction) -> Result<Effect, ReviseError> {
        let held = Held { sensors: &self.sensors, trials: &self.tables.trials, plan: self.recording.plan() };
        if let Some((why, hint)) = held.objection(&correction.change) {
            return Err(ReviseError::Refused { why, hint });
        }
        self.apply_one(correction).map_err(|error| match error {
            ReviseError::Senseless { why, .. } => ReviseError::Refused { why, hint: NAMED.to_owned() },
            other => other,
        })
    }

    fn apply_one(&mut self, correction: &Correction) -> Result<Effect, ReviseError> {
        let senseless = |why: String| ReviseError::Senseless { number: correction.number, why };
        let changed = match &correction.change {
            Change::Mark { trial, mark, time_s } => {
                let index = self.trial(*trial).map_err(senseless)?;
                let mut row = self.tables.trials[index].clone();
                move_mark(&mut row, *mark, *time_s).map_err(senseless)?;
                self.measure(&mut row, *mark)?;
                self.put(index, row)
            }
            Change::Trial { trial, to, valid } => {
                let index = self.trial(*trial).map_err(senseless)?;
                let mut row = self.tables.trials[index].clone();
                reassign(&mut row, *to, *valid, correction);
                self.put(index, row)
            }
            Change::Observation { item, kind, value, scale } => {
                self.tables.observations.push(ObservationRow {
                    item: *item,
                    kind: kind.clone(),
                    value: value.clone(),
                    scale: scale.clone(),
                    entered_utc: correction.when_utc.clone(),
                    by: correction.who.clone(),
                });
                vec![format!("observations: {kind} → {value}")]
            }
            Change::Calibration { sensor, channel, rated_counts, rated_force_n, source } => {
                let rated = (*rated_counts, *rated_force_n);
                let mut changed = self.calibrate(*sensor, *channel, rated, source).map_err(senseless)?;
                changed.push(self.seek_again(*sensor, *channel)?);
                changed
            }
        };
        let effect = Effect { correction: correction.clone(), changed };
        let monotonic_ns = self.tables.events.last().map_or(0, |event| event.monotonic_ns);
        self.tables.events.push(EventRow {
            monotonic_ns,
            sensor: -1,
            sample: -1,
            kind: CORRECTED.to_owned(),
            detail: serde_json::to_string(&effect).unwrap_or_default(),
        });
        Ok(effect)
    }

    fn trial(&self, order: i64) -> Result<usize, String> {
        let found = self.tables.trials.iter().position(|row| row.order == order);
        found
            .ok_or_else(|| format!("there is no trial with order {order} among {}", self.tables.trials.len()))
    }

    /// Puts a changed row in its place; gives what is different.
    fn put(&mut self, index: usize, mut row: TrialRow) -> Vec<String> {
        row.flag(FLAG);
        let before = std::mem::replace(&mut self.tables.trials[index], row);
        difference(&before, &self.tables.trials[index])
    }

    /// Measures a hold anew after one of its marks was moved.
    fn measure(&self, row: &mut TrialRow, moved: Mark) -> Result<(), ReviseError> {
        // They judged the pace by the old marks.
        row.unflag(TOO_FAST);
        row.unflag(TOO_SLOW);
        let Some(trace) = self.trace_around(row)? else {
            // Samples are missing in it: nothing that needs them is known any more.
            row.set_measures(&measures::Measures::default());
            row.mean_n = f64::NAN;
            return Ok(());
        };
        let place = |time_s: f64| (time_s - trace.from_s) / trace.dt_s;
        let end = if row.end_s.is_nan() { trace.above.len() as f64 - 1.0 } else { place(row.end_s) };
        let broke = (!row.break_s.is_nan()).then(|| place(row.break_s));
        let before_n = broke.map(|at| best_20_ms_until(&trace, place(row.onset_s), at));
        let stretch = Stretch {
            values: &trace.above,
            dt_s: trace.dt_s,
            onset: place(row.onset_s),
            onset_sd: (!row.onset_sd_s.is_nan()).then_some(row.onset_sd_s / trace.dt_s),
            release: (!row.release_s.is_nan()).then(|| place(row.release_s)),
            end,
            peak: (libm::round(place(row.peak_s)).max(0.0) as usize).min(trace.above.len().saturating_sub(1)),
            peak_n: row.peak_n,
            yielded: broke.zip(before_n).map(|(at, before_n)| measures::Yielded {
                at,
                before_n,
                after_n: f64::NAN,
            }),
        };
        let sums = Sums::of(&stretch);
        let drop_percent = row.drop_percent;
        row.set_measures(&measures::all(&stretch, &sums, &crate::holds::Parameters::default()));
        row.mean_n = sums.best(1.0).unwrap_or(f64::NAN);
        if moved == Mark::Break {
            row.break_n = before_n.unwrap_or(f64::NAN);
        } else {
            row.drop_percent = drop_percent;
        }
        let sample = |place: f64| (trace.first + place.max(0.0) as u64) as i64;
        row.first_sample = sample(libm::ceil(stretch.onset));
        row.last_sample = sample(libm::floor(end));
        Ok(())
    }

    /// Force above the level a hold started from, from a second before it to a second after; `None` where samples are
    /// missing there.
    fn trace_around(&self, row: &TrialRow) -> Result<Option<Trace>, ReviseError> {
        let (Ok(number), Ok(channel)) = (usize::try_from(row.sensor), usize::try_from(row.channel)) else {
            return Ok(None);
        };
        let index = number.wrapping_sub(1);
        let (Some(sensor), Some(tables)) = (self.sensors.get(index), self.tables.sensors.get(index)) else {
            return Ok(None);
        };
        let segment = usize::try_from(row.segment).ok().and_then(|segment| tables.segments.get(segment));
        let Some(segment) = segment.filter(|_| row.first_sample >= 0 && sensor.interval_ns > 0) else {
            return Ok(None);
        };
        let dt_s = segment.interval_ns as f64 * 1e-9;
        let around = (AROUND_S / dt_s) as i64;
        let from = (row.first_sample - around).max(segment.first_sample);
        let to = (row.last_sample + around + 1).min(segment.first_sample + segment.samples);
        let range = u64::try_from(from).unwrap_or(0)..u64::try_from(to).unwrap_or(0);
        let samples = self.recording.samples(number, range)?;
        Ok(Trace::of(&samples, channel, row.rest_n, dt_s, self.factor(index, channel)))
    }

    fn factor(&self, sensor: usize, channel: usize) -> f64 {
        let factors = self.factors.get(sensor);
        factors.and_then(|factors| factors.get(channel.wrapping_sub(1))).copied().unwrap_or(1.0)
    }

    fn calibrate(
        &mut self,
        sensor: usize,
        channel: usize,
        (rated_counts, rated_force_n): (f64, f64),
        source: &str,
    ) -> Result<Vec<String>, String> {
        let (index, column) = (sensor.wrapping_sub(1), channel.wrapping_sub(1));
        let there = self.sensors.get_mut(index).and_then(|sensor| sensor.channels.get_mut(column));
        let Some(there) = there else {
            return Err(format!("there is no channel {channel} of sensor {sensor}"));
        };
        let before = format!("{} counts at {} N", there.rated_counts, there.rated_force_n);
        let factor = (rated_force_n / rated_counts) / (there.rated_force_n / there.rated_counts);
        if !(factor.is_finite() && factor != 0.0) {
            return Err(format!("{rated_counts} counts at {rated_force_n} N are no calibration"));
        }
        (there.rated_counts, there.rated_force_n, there.calibration) =
            (rated_counts, rated_force_n, source.to_owned());
        self.factors[index][column] *= factor;
        let (sensor, channel) = (sensor as i64, channel as i64);
        for row in self.tables.trials.iter_mut().filter(|row| (row.sensor, row.channel) == (sensor, channel))
        {
            scale(row, factor);
        }
        for tare in self.tables.sensors[index].tares.iter_mut().filter(|tare| tare.channel == channel) {
            (tare.sd_n, tare.slope_n_per_s) = (tare.sd_n * factor, tare.slope_n_per_s * factor);
        }
        Ok(vec![format!(
            "calibration: {before} → {rated_counts} counts at {rated_force_n} N; forces × {factor}"
        )])
    }

    /// Seeks the holds of a channel whose forces were scaled; gives what came of it.
    fn seek_again(&mut self, sensor: usize, channel: usize) -> Result<String, ReviseError> {
        let marked: Vec<i64> = effects(&self.tables.events)
            .iter()
            .filter_map(|effect| match effect.correction.change {
                Change::Mark { trial, .. } => Some(trial),
                _ => None,
            })
            .collect();
        let scaled = Scaled { sensor, channel, factor: self.factor(sensor.wrapping_sub(1), channel) };
        let by_hand = |order| marked.contains(&order);
        let found = refind::seek(self.recording, &scaled, &mut self.tables.trials, by_hand)?;
        let (same, new, gone) = (found.same, found.new, found.gone);
        Ok(format!("holds sought again: {same} found again, {new} new, {gone} not found any more"))
    }

    /// Writes the next recording.
    ///
    /// # Errors
    /// It cannot be written, or the samples not read.
    pub fn write(&self, path: &Path) -> Result<Finished, ReviseError> {
        let mut root = self.recording.root().clone();
        root.revision += 1;
        root.supersedes = self.recording.content_sha256().to_owned();
        let mut writer = Writer::create(path, &root)?;
        for sensor in &self.sensors {
            writer.add_sensor(sensor)?;
        }
        for (number, factors) in (1..).zip(&self.factors) {
            for block in self.recording.blocks(number)? {
                let mut block = block?;
                for (force_n, factor) in block.force_n.iter_mut().zip(factors.iter().cycle()) {
                    // A factor of 1 leaves every bit as it is.
                    *force_n = (f64::from(*force_n) * factor) as f32;
                }
                let OwnedSamples { counts, force_n, device_time_s, time_s, .. } = &block;
                writer.append(number, Samples { counts, force_n, device_time_s, time_s })?;
            }
        }
        Ok(writer.finish(&self.tables)?)
    }
}

/// Force around a hold, evenly spaced.
struct Trace {
    /// Position of the first sample.
    first: u64,
    from_s: f64,
    dt_s: f64,
    above: Vec<f64>,
}

impl Trace {
    fn of(samples: &OwnedSamples, channel: usize, rest_n: f64, dt_s: f64, factor: f64) -> Option<Trace> {
        let (first_s, last_s) = (*samples.device_time_s.first()?, *samples.device_time_s.last()?);
        let expected_s = (samples.len() - 1) as f64 * dt_s;
        // A lost sample would shift everything after it by one interval.
        if (last_s - first_s - expected_s).abs() > 0.5 * dt_s {
            return None;
        }
        let above = samples.channel_force_n(channel).map(|force_n| force_n * factor - rest_n).collect();
        Some(Trace { first: samples.first, from_s: first_s, dt_s, above })
    }
}

fn best_20_ms_until(trace: &Trace, from: f64, to: f64) -> f64 {
    let width = (libm::round(0.020 / trace.dt_s) as usize).max(1);
    let inside = (from.max(0.0) as usize)..=(to.max(0.0) as usize).min(trace.above.len().saturating_sub(1));
    inside.map(|k| wave::mean_at(&trace.above, k, width)).fold(f64::NAN, f64::max)
}

fn move_mark(row: &mut TrialRow, mark: Mark, time_s: f64) -> Result<(), String> {
    if row.kind.is_empty() {
        return Err(format!("trial {} has no hold", row.order));
    }
    *place(row, mark) = time_s;
    if mark == Mark::Onset {
        row.onset_sd_s = f64::NAN;
    }
    let marks = [row.onset_s, row.break_s, row.release_s, row.end_s];
    let known: Vec<f64> = marks.into_iter().filter(|mark_s| !mark_s.is_nan()).collect();
    let in_order = known.windows(2).all(|pair| pair[0] <= pair[1]) && time_s >= 0.0 && time_s.is_finite();
    if in_order && row.onset_s <= row.peak_s {
        return Ok(());
    }
    Err(format!(
        "the {} at {time_s} s is out of order: onset, peak, break, release and end follow one another",
        mark.word()
    ))
}

/// Where a mark stands.
pub(super) fn place(row: &mut TrialRow, mark: Mark) -> &mut f64 {
    match mark {
        Mark::Onset => &mut row.onset_s,
        Mark::Break => &mut row.break_s,
        Mark::Release => &mut row.release_s,
        Mark::End => &mut row.end_s,
    }
}

fn reassign(row: &mut TrialRow, to: Option<Assignment>, valid: Option<bool>, correction: &Correction) {
    if let Some(to) = to {
        (row.item, row.number) = (to.item, to.number);
        (row.muscle, row.side) = (to.muscle.to_string(), to.muscle.side.to_string());
    }
    if let Some(valid) = valid {
        row.valid = u8::from(valid);
        row.why_not =
            if valid { String::new() } else { format!("excluded by {}: {}", correction.who, correction.why) };
    }
}

/// Every column that is a force, or a force times or by something.
fn scale(row: &mut TrialRow, factor: f64) {
    for force in [
        &mut row.contact_n,
        &mut row.rest_n,
        &mut row.peak_n,
        &mut row.peak_zero_n,
        &mut row.mean_n,
        &mut row.break_n,
        &mut row.loading_rate_n_per_s,
        &mut row.pace_n_per_s,
        &mut row.cap_n,
        &mut row.impulse_n_s,
        &mut row.rfd_50_n_per_s,
        &mut row.rfd_100_n_per_s,
        &mut row.rfd_200_n_per_s,
        &mut row.moment_n_cm,
    ] {
        *force *= factor;
    }
    // Nobody has said how uncertain the other factors are.
    row.expanded_uncertainty_n = f64::NAN;
    row.mean_expanded_uncertainty_n = f64::NAN;
    row.moment_expanded_uncertainty_n_cm = f64::NAN;
    row.uncertainty_budget.clear();
}

/// `column: before → after` of every column that is different.
fn difference(before: &TrialRow, after: &TrialRow) -> Vec<String> {
    let word = |values: &Values| match values {
        Values::F64(values) => values.first().map(f64::to_string),
        Values::I64(values) => values.first().map(i64::to_string),
        Values::U8(values) => values.first().map(u8::to_string),
        Values::Text(values) => values.first().cloned(),
    };
    let columns = |row: &TrialRow| TrialRow::columns(std::slice::from_ref(row));
    let pairs = columns(before).into_iter().zip(columns(after));
    pairs
        .filter_map(|(was, is)| {
            let (old, new) = (word(&was.values)?, word(&is.values)?);
            (old != new).then(|| format!("{}: {old} → {new}", is.name))
        })
        .collect()
}
