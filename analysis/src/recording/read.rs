//! Reads a recording: what it says about the visit, its sensors, their samples, its tables; and whether it is whole.
//!
//! Comes in: a path. Goes out: the types of [`super::layout`]; samples by range or block after block (times s, forces
//! N). Whatever the file claims about sizes is checked against its length before memory is taken.

use super::digest::{self, read_rows};
use super::layout::{
    CHANNELS_MAX, CHUNK_SAMPLES, Channel, EventRow, FrameRow, GapRow, LAYOUT, LAYOUT_VERSION, ObservationRow,
    Root, Row, SegmentRow, Sensor, TareRow, TrialRow, Values,
};
use super::open::{self, OpenError, Opened, summary};
use crate::console::Advice;
use hdf5::types::{FloatSize, IntSize, TypeDescriptor, VarLenUnicode};
use hdf5::{Dataset, Group, H5Type, Location};
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Why a recording could not be read.
#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    /// Missing, not HDF5, or damaged.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// HDF5, but something else.
    #[error("{} is not a finger-force recording", .0.display())]
    Foreign(PathBuf),
    /// Made by a later version.
    #[error("{} has layout {version} ({software}); this program reads up to {LAYOUT_VERSION}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its layout's version.
        version: i64,
        /// What wrote it.
        software: String,
    },
    /// There is no such sensor, or not so many samples.
    #[error("{} has no {what}", path.display())]
    NoSuch {
        /// The file.
        path: PathBuf,
        /// What was asked for.
        what: String,
    },
}

impl Advice for ReadError {
    fn hint(&self) -> String {
        match self {
            ReadError::Open(error) => error.hint(),
            ReadError::Foreign(_) => {
                "give a recording; `fingerforce holds` reads any HDF5 file with `--dataset PATH --rate HZ`"
                    .to_owned()
            }
            ReadError::Newer { software, .. } => format!("read it with {software} or newer"),
            ReadError::NoSuch { .. } => "`fingerforce info FILE` shows what there is".to_owned(),
        }
    }
}

/// Samples of one sensor, read from a recording.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OwnedSamples {
    /// Position of the first one.
    pub first: u64,
    /// Channels a sample.
    pub channels: usize,
    /// Counts as sent, sample after sample: samples × channels.
    pub counts: Vec<i32>,
    /// Force, tare removed, N: samples × channels.
    pub force_n: Vec<f32>,
    /// Device time since the segment's start, s.
    pub device_time_s: Vec<f64>,
    /// Time since the visit's start on the host's clock, s.
    pub time_s: Vec<f64>,
}

impl OwnedSamples {
    /// How many there are.
    pub fn len(&self) -> usize {
        self.time_s.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.time_s.is_empty()
    }

    /// Force of one channel (from 1), N. Nothing for a channel that is not there.
    pub fn channel_force_n(&self, channel: usize) -> impl Iterator<Item = f64> + '_ {
        let there = (1..=self.channels).contains(&channel);
        let skip = if there { channel - 1 } else { self.force_n.len() };
        self.force_n.iter().skip(skip).step_by(self.channels.max(1)).map(|force| f64::from(*force))
    }
}

/// A recording, open for reading.
#[derive(Debug)]
pub struct Recording {
    opened: Opened,
    root: Root,
    content_sha256: String,
    sensors: Vec<Sensor>,
    samples: Vec<SampleDatasets>,
}

impl Recording {
    /// Opens a recording and holds it against its digest: nothing is told of one whose contents are others.
    pub fn open(path: &Path) -> Result<Recording, ReadError> {
        let recording = Recording::open_unverified(path)?;
        recording.verify()?;
        Ok(recording)
    }

    /// Opens a recording as it is: for who verifies it, and where what it says of itself decides no result.
    pub fn open_unverified(path: &Path) -> Result<Recording, ReadError> {
        let opened = open::open(path)?;
        check_layout(&opened)?;
        let content_sha256 = text(&opened, &opened.file, digest::ATTRIBUTE)?;
        let root = read_root(&opened)?;
        let mut recording =
            Recording { opened, root, content_sha256, sensors: Vec::new(), samples: Vec::new() };
        recording.open_sensors()?;
        Ok(recording)
    }

    /// What the recording says about the visit.
    pub fn root(&self) -> &Root {
        &self.root
    }

    /// The plan as it was run (TOML); "" for none.
    pub fn plan(&self) -> &str {
        &self.root.plan
    }

    /// The digest that the recording carries.
    pub fn content_sha256(&self) -> &str {
        &self.content_sha256
    }

    /// The sensors, in order: sensor 1 first.
    pub fn sensors(&self) -> &[Sensor] {
        &self.sensors
    }

    /// Samples of sensor `number` (from 1), by their positions.
    pub fn samples(&self, number: usize, range: Range<u64>) -> Result<OwnedSamples, ReadError> {
        let datasets = self.sensor(number)?;
        let rows = usize::try_from(range.start).ok().zip(usize::try_from(range.end).ok());
        match rows {
            Some((start, end)) if start <= end && end <= datasets.rows => {
                Ok(datasets.read(&self.opened, number, start..end)?)
            }
            _ => Err(self.no_such(format!("samples {range:?} of sensor {number}"))),
        }
    }

    /// All samples of sensor `number` (from 1), block after block, in bounded memory.
    pub fn blocks(
        &self,
        number: usize,
    ) -> Result<impl Iterator<Item = Result<OwnedSamples, ReadError>> + '_, ReadError> {
        let datasets = self.sensor(number)?;
        Ok((0..datasets.rows).step_by(CHUNK_SAMPLES).map(move |first| {
            let end = datasets.rows.min(first + CHUNK_SAMPLES);
            Ok(datasets.read(&self.opened, number, first..end)?)
        }))
    }

    /// What came when, of sensor `number` (from 1).
    pub fn frames(&self, number: usize) -> Result<Vec<FrameRow>, ReadError> {
        self.sensor_table(number, "frames")
    }

    /// Device epochs of sensor `number` (from 1).
    pub fn segments(&self, number: usize) -> Result<Vec<SegmentRow>, ReadError> {
        self.sensor_table(number, "segments")
    }

    /// What is missing, of sensor `number` (from 1).
    pub fn gaps(&self, number: usize) -> Result<Vec<GapRow>, ReadError> {
        self.sensor_table(number, "gaps")
    }

    /// Each zero of sensor `number` (from 1).
    pub fn tares(&self, number: usize) -> Result<Vec<TareRow>, ReadError> {
        self.sensor_table(number, "tares")
    }

    /// Trials.
    pub fn trials(&self) -> Result<Vec<TrialRow>, ReadError> {
        table(&self.opened, "/trials")
    }

    /// Observations.
    pub fn observations(&self) -> Result<Vec<ObservationRow>, ReadError> {
        table(&self.opened, "/observations")
    }

    /// Events.
    pub fn events(&self) -> Result<Vec<EventRow>, ReadError> {
        table(&self.opened, "/events")
    }

    /// Reads everything, checksums included, the tables as whoever uses them does, and compares the digest of the contents
    /// with the one the recording carries.
    pub fn verify(&self) -> Result<(), ReadError> {
        for number in 1..=self.sensors.len() {
            self.frames(number)?;
            self.segments(number)?;
            self.gaps(number)?;
            self.tares(number)?;
        }
        self.trials()?;
        self.observations()?;
        self.events()?;
        if digest::of_file(&self.opened)? == self.content_sha256 {
            return Ok(());
        }
        Err(self.opened.damaged("its contents are not those that its digest names").into())
    }

    fn sensor(&self, number: usize) -> Result<&SampleDatasets, ReadError> {
        let datasets = number.checked_sub(1).and_then(|index| self.samples.get(index));
        datasets.ok_or_else(|| self.no_such(format!("sensor {number}")))
    }

    fn sensor_table<R: Row>(&self, number: usize, name: &str) -> Result<Vec<R>, ReadError> {
        self.sensor(number)?;
        table(&self.opened, &format!("/sensors/{number}/{name}"))
    }

    pub(super) fn no_such(&self, what: String) -> ReadError {
        ReadError::NoSuch { path: self.opened.path.clone(), what }
    }

    fn open_sensors(&mut self) -> Result<(), ReadError> {
        let sensors = group(&self.opened, "/sensors")?;
        let count = sensors.member_names().map_err(|error| damaged(&self.opened, "/sensors", &error))?.len();
        for number in 1..=count {
            let (sensor, datasets) = open_sensor(&self.opened, number)?;
            self.sensors.push(sensor);
            self.samples.push(datasets);
        }
        Ok(())
    }
}

fn damaged(opened: &Opened, path: &str, error: &hdf5::Error) -> OpenError {
    opened.damaged(format!("`{path}`: {}", summary(error)))
}

fn check_layout(opened: &Opened) -> Result<(), ReadError> {
    match text(opened, &opened.file, "layout") {
        Ok(layout) if layout == LAYOUT => {}
        _ => return Err(ReadError::Foreign(opened.path.clone())),
    }
    let version: i64 = number(opened, &opened.file, "layout_version")?;
    if version > LAYOUT_VERSION {
        let software =
            text(opened, &opened.file, "software").unwrap_or_else(|_| "a newer version".to_owned());
        return Err(ReadError::Newer { path: opened.path.clone(), version, software });
    }
    if version < 1 {
        return Err(opened.damaged(format!("layout version {version}")).into());
    }
    Ok(())
}

fn read_root(opened: &Opened) -> Result<Root, OpenError> {
    let on: &Location = &opened.file;
    Ok(Root {
        visit_id: text(opened, on, "visit_id")?,
        revision: number(opened, on, "revision")?,
        supersedes: text(opened, on, "supersedes")?,
        participant: text(opened, on, "participant")?,
        examiner: text(opened, on, "examiner")?,
        started_utc: text(opened, on, "started_utc")?,
        utc_offset: text(opened, on, "utc_offset")?,
        software: text(opened, on, "software")?,
        journal_sha256: text(opened, on, "journal_sha256")?,
        participant_fields: read_participant(opened)?,
        plan: read_plan(opened)?,
    })
}

fn read_participant(opened: &Opened) -> Result<Vec<(String, String)>, OpenError> {
    let group = group(opened, "/participant")?;
    let names = group.attr_names().map_err(|error| damaged(opened, "/participant", &error))?;
    names.into_iter().map(|name| text(opened, &group, &name).map(|value| (name, value))).collect()
}

fn read_plan(opened: &Opened) -> Result<String, OpenError> {
    let path = "/plan/toml";
    let dataset = opened.file.dataset(path).map_err(|error| damaged(opened, path, &error))?;
    let text = dataset.read_scalar::<VarLenUnicode>().map_err(|error| damaged(opened, path, &error))?;
    utf8(opened, path, &text)
}

fn group(opened: &Opened, path: &str) -> Result<Group, OpenError> {
    opened.file.group(path).map_err(|error| damaged(opened, path, &error))
}

fn text(opened: &Opened, on: &Location, name: &str) -> Result<String, OpenError> {
    let failed = |error: hdf5::Error| opened.damaged(format!("attribute `{name}`: {}", summary(&error)));
    let value =
        on.attr(name).and_then(|attribute| attribute.read_scalar::<VarLenUnicode>()).map_err(failed)?;
    utf8(opened, name, &value)
}

/// A damaged file may hold any bytes as text.
fn utf8(opened: &Opened, path: &str, text: &VarLenUnicode) -> Result<String, OpenError> {
    let text = std::str::from_utf8(text.as_bytes());
    text.map(str::to_owned).map_err(|_| opened.damaged(format!("`{path}` is not UTF-8 text")))
}

fn number<T: H5Type>(opened: &Opened, on: &Location, name: &str) -> Result<T, OpenError> {
    let failed = |error: hdf5::Error| opened.damaged(format!("attribute `{name}`: {}", summary(&error)));
    on.attr(name).and_then(|attribute| attribute.read_scalar::<T>()).map_err(failed)
}

fn open_sensor(opened: &Opened, number_from_1: usize) -> Result<(Sensor, SampleDatasets), ReadError> {
    let path = format!("/sensors/{number_from_1}");
    let on = group(opened, &path)?;
    let channels: Vec<Channel> = table(opened, &format!("{path}/channels"))?;
    let datasets = SampleDatasets::open(opened, &format!("{path}/samples"), channels.len())?;
    let sensor = Sensor {
        serial: text(opened, &on, "serial")?,
        firmware: text(opened, &on, "firmware")?,
        interval_ns: number(opened, &on, "interval_ns")?,
        group_delay_s: number(opened, &on, "group_delay_s")?,
        bandwidth_hz: number(opened, &on, "bandwidth_hz")?,
        settling_s: number(opened, &on, "settling_s")?,
        channels,
        samples: datasets.rows as u64,
    };
    Ok((sensor, datasets))
}

/// The datasets of a sensor's samples; all of them have `rows` rows.
#[derive(Debug)]
struct SampleDatasets {
    counts: Dataset,
    force_n: Dataset,
    device_time_s: Dataset,
    time_s: Dataset,
    rows: usize,
    channels: usize,
}

impl SampleDatasets {
    fn open(opened: &Opened, path: &str, channels: usize) -> Result<SampleDatasets, OpenError> {
        if channels == 0 || channels > CHANNELS_MAX {
            return Err(opened.damaged(format!("`{path}` claims {channels} channels")));
        }
        let dataset = |name: &str| {
            let path = format!("{path}/{name}");
            opened.file.dataset(&path).map_err(|error| damaged(opened, &path, &error))
        };
        let (counts, force_n) = (dataset("counts")?, dataset("force_n")?);
        let (device_time_s, time_s) = (dataset("device_time_s")?, dataset("time_s")?);
        let rows = time_s.shape().first().copied().unwrap_or(0);
        let fits = opened.can_hold(rows, channels * (size_of::<i32>() + size_of::<f32>()));
        let equal = time_s.shape() == [rows]
            && device_time_s.shape() == [rows]
            && counts.shape() == [rows, channels]
            && force_n.shape() == [rows, channels];
        if !fits || !equal {
            return Err(opened.damaged(format!("the lengths of `{path}` contradict each other or the file")));
        }
        Ok(SampleDatasets { counts, force_n, device_time_s, time_s, rows, channels })
    }

    fn read(&self, opened: &Opened, number: usize, rows: Range<usize>) -> Result<OwnedSamples, OpenError> {
        let failed = |error| damaged(opened, &format!("/sensors/{number}/samples"), &error);
        Ok(OwnedSamples {
            first: rows.start as u64,
            channels: self.channels,
            counts: read_rows(&self.counts, 2, rows.clone()).map_err(failed)?,
            force_n: read_rows(&self.force_n, 2, rows.clone()).map_err(failed)?,
            device_time_s: read_rows(&self.device_time_s, 1, rows.clone()).map_err(failed)?,
            time_s: read_rows(&self.time_s, 1, rows).map_err(failed)?,
        })
    }
}

fn table<R: Row>(opened: &Opened, path: &str) -> Result<Vec<R>, ReadError> {
    let group = group(opened, path)?;
    let mut failure = None;
    let rows = R::rows(|name, may_be_missing| {
        if may_be_missing && !group.link_exists(name) {
            return None;
        }
        match column(opened, &group, &format!("{path}/{name}"), name) {
            Ok(values) => Some(values),
            Err(error) => {
                failure.get_or_insert(error);
                None
            }
        }
    });
    match (rows, failure) {
        (_, Some(error)) => Err(error.into()),
        (Err(name), None) => {
            Err(opened.damaged(format!("column `{path}/{name}` is not as it should be")).into())
        }
        (Ok(rows), None) => Ok(rows),
    }
}

fn column(opened: &Opened, group: &Group, path: &str, name: &str) -> Result<Values, OpenError> {
    let failed = |error: hdf5::Error| damaged(opened, path, &error);
    let dataset = group.dataset(name).map_err(failed)?;
    let shape = dataset.get_shape().map_err(failed)?;
    let descriptor = dataset.dtype().and_then(|dtype| dtype.to_descriptor()).map_err(failed)?;
    let [rows] = shape[..] else {
        return Err(opened.damaged(format!("`{path}` has {} axes", shape.len())));
    };
    if !opened.can_hold(rows, descriptor.size()) {
        return Err(opened.damaged(format!("`{path}` claims {rows} rows")));
    }
    match descriptor {
        TypeDescriptor::Float(FloatSize::U8) => dataset.read_raw().map(Values::F64).map_err(failed),
        TypeDescriptor::Integer(IntSize::U8) => dataset.read_raw().map(Values::I64).map_err(failed),
        TypeDescriptor::Unsigned(IntSize::U1) => dataset.read_raw().map(Values::U8).map_err(failed),
        TypeDescriptor::VarLenUnicode => {
            let texts = dataset.read_raw::<VarLenUnicode>().map_err(failed)?;
            texts.iter().map(|value| utf8(opened, path, value)).collect::<Result<_, _>>().map(Values::Text)
        }
        other => Err(opened.damaged(format!("`{path}` is of type {other}"))),
    }
}
