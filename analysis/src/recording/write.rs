//! Writes a recording, once: a temporary file beside its place, read back and verified before it gets its name.
//!
//! Comes in: what the visit, its sensors and their samples are, in blocks of any size; the tables at the end. Goes out:
//! the recording at its place, whole, or an error and nothing. Equal contents give equal files, however they were cut
//! into blocks.

use super::build::Build;
use super::digest::{Number, ValuesDigest};
use super::layout::{
    CHANNELS_MAX, CHUNK_SAMPLES, EventRow, FrameRow, GapRow, LAYOUT, LAYOUT_VERSION, ObservationRow,
    SegmentRow, TareRow, TrialRow, Values,
};
use super::open::{summary, unlocked};
use super::read::{ReadError, Recording};
use crate::console::Advice;
use hdf5::{Dataset, Group};
use ndarray::{ArrayView1, ArrayView2};
use std::fs;
use std::io;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

pub use super::layout::{Channel, Root, Sensor};

/// Why a recording could not be written. Nothing is left behind.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The system refused.
    #[error("cannot write {}: {what}", path.display())]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried.
        what: &'static str,
        /// What the system said.
        source: io::Error,
    },
    /// libhdf5 refused.
    #[error("cannot write {}: {what}", path.display())]
    Hdf5 {
        /// The file.
        path: PathBuf,
        /// What it said.
        what: String,
    },
    /// What was to be written contradicts itself.
    #[error("cannot write a recording: {0}")]
    Invalid(String),
    /// The file was written, but reads back differently.
    #[error("what was written to {} reads back differently: {what}", path.display())]
    Differs {
        /// The file.
        path: PathBuf,
        /// What differs.
        what: String,
    },
}

impl Advice for WriteError {
    fn hint(&self) -> String {
        match self {
            WriteError::Io { .. } | WriteError::Hdf5 { .. } => {
                "check that the folder exists, may be written to, and that its disk has room"
            }
            WriteError::Invalid(_) => "this is a fault of the program; the journal still holds everything",
            WriteError::Differs { .. } => {
                "the disk or memory may be failing; the journal still holds everything: try another disk"
            }
        }
        .to_owned()
    }
}

/// Samples of one sensor, in order.
#[derive(Debug, Clone, Copy)]
pub struct Samples<'a> {
    /// Counts as sent, sample after sample: samples × channels.
    pub counts: &'a [i32],
    /// Force, tare removed, N: samples × channels.
    pub force_n: &'a [f32],
    /// Device time since the segment's start, s.
    pub device_time_s: &'a [f64],
    /// Time since the visit's start on the host's clock, s: strictly increasing.
    pub time_s: &'a [f64],
}

/// The tables of one sensor.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SensorTables {
    /// What came when.
    pub frames: Vec<FrameRow>,
    /// Device epochs.
    pub segments: Vec<SegmentRow>,
    /// What is missing.
    pub gaps: Vec<GapRow>,
    /// Each zero.
    pub tares: Vec<TareRow>,
}

/// The tables of a recording.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Tables {
    /// One for each sensor, in order.
    pub sensors: Vec<SensorTables>,
    /// Trials.
    pub trials: Vec<TrialRow>,
    /// Observations.
    pub observations: Vec<ObservationRow>,
    /// Events.
    pub events: Vec<EventRow>,
}

/// A recording that was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finished {
    /// Digest of its contents.
    pub content_sha256: String,
}

/// A recording that is being written.
pub struct Writer {
    // The order matters: what is open in the file is closed before the file is removed.
    sensors: Vec<SensorWriter>,
    build: Build,
    temporary: Temporary,
    path: PathBuf,
}

impl Writer {
    /// Starts a recording that will be at `path`.
    pub fn create(path: &Path, root: &Root) -> Result<Writer, WriteError> {
        let temporary = Temporary::create(path)?;
        let file = unlocked().create(&temporary.path).map_err(|error| failed(path, &error))?;
        let mut build = Build::new(file);
        write_root(&mut build, root).map_err(|error| failed(path, &error))?;
        Ok(Writer { sensors: Vec::new(), build, temporary, path: path.to_owned() })
    }

    /// Adds a sensor; gives its number, from 1.
    pub fn add_sensor(&mut self, sensor: &Sensor) -> Result<usize, WriteError> {
        let number = self.sensors.len() + 1;
        if sensor.channels.is_empty() || sensor.channels.len() > CHANNELS_MAX {
            let channels = sensor.channels.len();
            return Err(WriteError::Invalid(format!("sensor {number} has {channels} channels")));
        }
        let writer = SensorWriter::create(&mut self.build, number, sensor)
            .map_err(|error| failed(&self.path, &error))?;
        self.sensors.push(writer);
        Ok(number)
    }

    /// Appends samples to sensor `number` (from 1).
    pub fn append(&mut self, number: usize, samples: Samples<'_>) -> Result<(), WriteError> {
        let sensor = number.checked_sub(1).and_then(|index| self.sensors.get_mut(index));
        let Some(sensor) = sensor else {
            return Err(WriteError::Invalid(format!("there is no sensor {number}")));
        };
        sensor
            .check(&samples)
            .map_err(|problem| WriteError::Invalid(format!("sensor {number}: {problem}")))?;
        sensor.append(&samples).map_err(|error| failed(&self.path, &error))
    }

    /// Writes the tables, brings everything to the disk, reads it back, and gives the recording its name.
    pub fn finish(self, tables: &Tables) -> Result<Finished, WriteError> {
        let Writer { sensors, mut build, mut temporary, path } = self;
        if tables.sensors.len() != sensors.len() {
            let (given, there) = (tables.sensors.len(), sensors.len());
            return Err(WriteError::Invalid(format!("tables of {given} sensors for {there}")));
        }
        for (index, sensor) in sensors.into_iter().enumerate() {
            let problem = sensor.end(&mut build).map_err(|error| failed(&path, &error))?;
            if let Some(problem) = problem {
                return Err(WriteError::Invalid(format!("sensor {}: {problem}", index + 1)));
            }
        }
        write_tables(&mut build, tables).map_err(|error| failed(&path, &error))?;
        let content_sha256 = build.finish().map_err(|error| failed(&path, &error))?;
        temporary.sync()?;
        verify(&temporary.path, &content_sha256)?;
        temporary.rename(&path)?;
        Ok(Finished { content_sha256 })
    }
}

fn failed(path: &Path, error: &hdf5::Error) -> WriteError {
    WriteError::Hdf5 { path: path.to_owned(), what: summary(error) }
}

fn write_root(build: &mut Build, root: &Root) -> hdf5::Result<()> {
    let group = build.root();
    build.text(&group, "layout", LAYOUT)?;
    build.number(&group, "layout_version", LAYOUT_VERSION)?;
    build.number(&group, "revision", root.revision)?;
    for (name, text) in [
        ("Conventions", "CF-1.11"),
        ("visit_id", &root.visit_id),
        ("supersedes", &root.supersedes),
        ("participant", &root.participant),
        ("examiner", &root.examiner),
        ("started_utc", &root.started_utc),
        ("utc_offset", &root.utc_offset),
        ("software", &root.software),
        ("journal_sha256", &root.journal_sha256),
    ] {
        build.text(&group, name, text)?;
    }
    let participant = build.group("/participant")?;
    for (name, text) in &root.participant_fields {
        if !is_name(name) {
            return Err(format!("`{name}` cannot name a field of the participant").into());
        }
        build.text(&participant, name, text)?;
    }
    let plan = build.group("/plan")?;
    build.single_text(&plan, "toml", "plan as it was run (TOML)", &root.plan)?;
    build.group("/sensors")?;
    Ok(())
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

fn write_tables(build: &mut Build, tables: &Tables) -> hdf5::Result<()> {
    for (index, sensor) in tables.sensors.iter().enumerate() {
        let path = |table| format!("/sensors/{}/{table}", index + 1);
        build.table(&path("frames"), &sensor.frames)?;
        build.table(&path("segments"), &sensor.segments)?;
        build.table(&path("gaps"), &sensor.gaps)?;
        build.table(&path("tares"), &sensor.tares)?;
    }
    build.table("/trials", &tables.trials)?;
    build.table("/observations", &tables.observations)?;
    build.table("/events", &tables.events)
}

fn verify(path: &Path, expected: &str) -> Result<(), WriteError> {
    let differs = |error: ReadError| WriteError::Differs { path: path.to_owned(), what: error.to_string() };
    let recording = Recording::open_unverified(path).map_err(differs)?;
    recording.verify().map_err(differs)?;
    if recording.content_sha256() == expected {
        return Ok(());
    }
    Err(WriteError::Differs { path: path.to_owned(), what: "another digest".to_owned() })
}

/// A sensor whose samples are being written.
struct SensorWriter {
    counts: Column<i32>,
    force_n: Column<f32>,
    device_time_s: Column<f64>,
    time_s: Column<f64>,
    channels: usize,
    expected: u64,
    written: u64,
    last_time_s: f64,
}

impl SensorWriter {
    fn create(build: &mut Build, number: usize, sensor: &Sensor) -> hdf5::Result<SensorWriter> {
        let path = format!("/sensors/{number}");
        let group = build.group(&path)?;
        build.text(&group, "serial", &sensor.serial)?;
        build.text(&group, "firmware", &sensor.firmware)?;
        build.number(&group, "interval_ns", sensor.interval_ns)?;
        build.number(&group, "group_delay_s", sensor.group_delay_s)?;
        build.number(&group, "bandwidth_hz", sensor.bandwidth_hz)?;
        build.number(&group, "settling_s", sensor.settling_s)?;
        build.table(&format!("{path}/channels"), &sensor.channels)?;

        let group = build.group(&format!("{path}/samples"))?;
        let channels = sensor.channels.len();
        let numbers = Values::I64((1..=channels as i64).collect());
        let channel = build.column(&group, "channel", ("1", "channel, from 1"), &numbers)?;
        build.scale(&channel)?;
        let rows = usize::try_from(sensor.samples).map_err(|_| hdf5::Error::from("too many samples"))?;
        let writer = SensorWriter::datasets(build, &group, rows, channels)?;
        let time_s = &writer.time_s.dataset;
        build.scale(time_s)?;
        build.attach(&writer.counts.dataset, &[time_s, &channel])?;
        build.attach(&writer.force_n.dataset, &[time_s, &channel])?;
        build.attach(&writer.device_time_s.dataset, &[time_s])?;
        Ok(writer)
    }

    fn datasets(
        build: &mut Build,
        group: &Group,
        rows: usize,
        channels: usize,
    ) -> hdf5::Result<SensorWriter> {
        let wide = [rows, channels];
        let narrow = [rows];
        let counts = build.dataset::<i32>(group, "counts", ("1", "counts as sent"), &wide)?;
        let force_n = build.dataset::<f32>(group, "force_n", ("N", "force, tare removed"), &wide)?;
        let about = ("s", "device time since the segment's start");
        let device_time_s = build.dataset::<f64>(group, "device_time_s", about, &narrow)?;
        let about = ("s", "time since started_utc on the host's clock");
        let time_s = build.dataset::<f64>(group, "time_s", about, &narrow)?;
        Ok(SensorWriter {
            counts: Column::new(counts, Some(channels)),
            force_n: Column::new(force_n, Some(channels)),
            device_time_s: Column::new(device_time_s, None),
            time_s: Column::new(time_s, None),
            channels,
            expected: rows as u64,
            written: 0,
            last_time_s: f64::NEG_INFINITY,
        })
    }

    fn check(&self, samples: &Samples<'_>) -> Result<(), String> {
        let rows = samples.time_s.len();
        let values = rows * self.channels;
        if samples.counts.len() != values
            || samples.force_n.len() != values
            || samples.device_time_s.len() != rows
        {
            return Err(format!("{rows} samples of {} channels, but not as many values", self.channels));
        }
        if self.written + rows as u64 > self.expected {
            return Err(format!("more than the {} samples announced", self.expected));
        }
        let mut last = self.last_time_s;
        for time_s in samples.time_s {
            // Also refuses NaN, which is not greater than anything.
            if !(*time_s > last && time_s.is_finite()) {
                return Err(format!("time_s {time_s} does not come after {last}"));
            }
            last = *time_s;
        }
        Ok(())
    }

    fn append(&mut self, samples: &Samples<'_>) -> hdf5::Result<()> {
        self.counts.append(samples.counts)?;
        self.force_n.append(samples.force_n)?;
        self.device_time_s.append(samples.device_time_s)?;
        self.time_s.append(samples.time_s)?;
        self.written += samples.time_s.len() as u64;
        self.last_time_s = samples.time_s.last().copied().unwrap_or(self.last_time_s);
        Ok(())
    }

    /// Writes what is left; says what is wrong where fewer samples came than were announced.
    fn end(self, build: &mut Build) -> hdf5::Result<Option<String>> {
        self.counts.end(build)?;
        self.force_n.end(build)?;
        self.device_time_s.end(build)?;
        self.time_s.end(build)?;
        let short = self.written != self.expected;
        Ok(short.then(|| format!("{} samples of the {} announced", self.written, self.expected)))
    }
}

/// A dataset that is being written from its beginning to its end, in whole chunks.
struct Column<T: Number> {
    dataset: Dataset,
    /// Values a row, where there is a second axis.
    width: Option<usize>,
    rows: usize,
    buffer: Vec<T>,
    digest: ValuesDigest,
}

impl<T: Number> Column<T> {
    fn new(dataset: Dataset, width: Option<usize>) -> Column<T> {
        Column { dataset, width, rows: 0, buffer: Vec::new(), digest: ValuesDigest::default() }
    }

    fn append(&mut self, mut values: &[T]) -> hdf5::Result<()> {
        let full = CHUNK_SAMPLES * self.width.unwrap_or(1);
        while !values.is_empty() {
            let (now, later) = values.split_at(values.len().min(full - self.buffer.len()));
            self.buffer.extend(now.iter().map(|value| value.canonical()));
            if self.buffer.len() == full {
                self.write()?;
            }
            values = later;
        }
        Ok(())
    }

    fn write(&mut self) -> hdf5::Result<()> {
        if self.buffer.is_empty() {
            return Ok(());
        }
        let rows = self.buffer.len() / self.width.unwrap_or(1);
        let range = self.rows..self.rows + rows;
        match self.width {
            None => self.dataset.write_slice(ArrayView1::from(&self.buffer), range)?,
            Some(width) => {
                let values = ArrayView2::from_shape((rows, width), &self.buffer)
                    .map_err(|error| hdf5::Error::from(error.to_string()))?;
                self.dataset.write_slice(values, (range, ..))?;
            }
        }
        self.digest.numbers(&self.buffer);
        self.rows += rows;
        self.buffer.clear();
        Ok(())
    }

    fn end(mut self, build: &mut Build) -> hdf5::Result<()> {
        self.write()?;
        build.enter(&self.dataset, T::TYPE, self.digest)
    }
}

/// A file under a temporary name, beside the place it is meant for; removed unless it got there.
struct Temporary {
    path: PathBuf,
    placed: bool,
}

impl Temporary {
    /// Makes an empty file that only its owner may read. libhdf5 then writes into it and keeps its mode.
    fn create(place: &Path) -> Result<Temporary, WriteError> {
        let name = place.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        for attempt in 0..1000 {
            let path = place.with_file_name(format!(".{name}.{}-{attempt}.partial", std::process::id()));
            match fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&path) {
                Ok(_) => return Ok(Temporary { path, placed: false }),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(source) => return Err(io_error(place, "cannot make a file there", source)),
            }
        }
        let source = io::Error::from(io::ErrorKind::AlreadyExists);
        Err(io_error(place, "no temporary name is free", source))
    }

    fn sync(&self) -> Result<(), WriteError> {
        let synced = fs::File::open(&self.path).and_then(|file| file.sync_all());
        synced.map_err(|source| io_error(&self.path, "cannot bring it to the disk", source))
    }

    /// Gives the file its name, never that of another, and brings that to the disk too.
    fn rename(&mut self, place: &Path) -> Result<(), WriteError> {
        take_name(&self.path, place).map_err(|source| io_error(place, "cannot give it its name", source))?;
        self.placed = true;
        let folder = match place.parent() {
            Some(folder) if !folder.as_os_str().is_empty() => folder,
            _ => Path::new("."),
        };
        let synced = fs::File::open(folder).and_then(|folder| folder.sync_all());
        synced.map_err(|source| io_error(folder, "cannot bring the folder to the disk", source))
    }
}

impl Drop for Temporary {
    fn drop(&mut self) {
        if !self.placed {
            // Nothing more can be done where even this fails; the name says what the file is.
            let _ = fs::remove_file(&self.path);
        }
    }
}

/// Renames, but never over what is there: a recording is written once. Where the file system cannot do that in one step,
/// a second name is given and the first taken away; a crash between leaves both, and the name of the first says what it is.
fn take_name(from: &Path, to: &Path) -> io::Result<()> {
    use nix::fcntl::{AT_FDCWD, RenameFlags, renameat2};
    match renameat2(AT_FDCWD, from, AT_FDCWD, to, RenameFlags::RENAME_NOREPLACE) {
        Err(nix::Error::EINVAL | nix::Error::ENOSYS) => {
            fs::hard_link(from, to)?;
            fs::remove_file(from)
        }
        done => Ok(done?),
    }
}

fn io_error(path: &Path, what: &'static str, source: io::Error) -> WriteError {
    WriteError::Io { path: path.to_owned(), what, source }
}
