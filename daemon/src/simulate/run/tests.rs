//! The simulation on a real pseudo-terminal, in real time, read through the very port that acquisition uses.

use super::super::converter;
use super::super::faults::Faults;
use super::super::sensor::Settings;
use super::super::source::Source;
use super::super::test_host::{Host, message};
use super::*;
use crate::clock::SystemClock;
use crate::port::handover::{CAPACITY_BYTES, Handover, Item};
use crate::port::reader::Reader;
use crate::port::{DEFAULT_BAUD, Port, open};
use analysis::trace::Trace;
use firmware_protocol::message::HostMessage;
use std::sync::Arc;
use std::thread::JoinHandle;

const WAIT: Duration = Duration::from_millis(20);

/// A simulation in a thread of its own, and what a test needs to be its host.
struct Scene {
    folder: tempfile::TempDir,
    thread: JoinHandle<Result<Report, RunError>>,
    stop: Arc<AtomicBool>,
    host: Host,
    handover: Arc<Handover>,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
    unplugged: u32,
}

fn scene(settings: Settings, rows: usize) -> Scene {
    let folder = tempfile::tempdir().unwrap();
    let trace = Trace {
        time_s: (0..rows).map(|row| row as f64).collect(),
        force_n: (0..rows).map(|row| (row % 5_000) as f64 * 0.01).collect(),
    };
    let running = Running {
        link: Some(folder.path().join("sensor")),
        lingers_ns: 60_000_000_000,
        log_counts: Some(folder.path().join("counts.i32")),
        ..Running::default()
    };
    let settings = Settings { keep_counts: true, ..settings };
    let sensor = Sensor::new(settings, Source::Rows(trace), SystemClock.monotonic_ns()).unwrap();
    let simulation = Simulation::new(sensor, running).unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let stopped = Arc::clone(&stop);
    let thread = std::thread::Builder::new().spawn(move || simulation.run(&SystemClock, &stopped)).unwrap();
    let handover = Handover::new(CAPACITY_BYTES);
    let host = Host::default();
    Scene { folder, thread, stop, host, handover, reader: None, writer: None, unplugged: 0 }
}

impl Scene {
    /// Opens the port if it is there and not open.
    fn open(&mut self) {
        let link = self.folder.path().join("sensor");
        if self.reader.is_none()
            && let Ok(port) = open(link.to_str().unwrap(), DEFAULT_BAUD)
        {
            self.writer = Some(port.writer().unwrap());
            let clock = Arc::new(SystemClock);
            self.reader = Some(Reader::start(0, Box::new(port), clock, Arc::clone(&self.handover)).unwrap());
        }
    }

    fn say(&mut self, what: HostMessage) {
        if let Some(writer) = &mut self.writer {
            // The cable may have gone meanwhile: then the reader says so.
            let _ = writer.write_all(&message(what));
        }
    }

    /// Takes what came, keeping frames by their boot alone.
    fn take(&mut self) {
        let _ = self.handover.wait(WAIT);
        for item in self.handover.take() {
            match item {
                Item::Chunk { bytes, .. } => self.host.read(&bytes),
                Item::Dropped { .. } => unreachable!("nothing is dropped here"),
                Item::Gone { .. } => {
                    self.host.accumulator.reset();
                    (self.reader, self.writer) = (None, None);
                    self.unplugged += 1;
                }
            }
        }
    }

    /// A host as it should be: opens, starts, waits for all rows, stops until it is told the end.
    fn play(mut self, done: impl Fn(&Host) -> bool) -> (Host, Report, Vec<u8>, u32) {
        let mut rounds = 0;
        while !self.thread.is_finished() {
            self.open();
            // Saying it every fifth of a second is enough.
            if rounds % 10 == 0 {
                self.say(if done(&self.host) { HostMessage::Stop } else { HostMessage::Start });
            }
            self.take();
            rounds += 1;
        }
        self.take();
        let report = self.thread.join().unwrap().unwrap();
        let log = std::fs::read(self.folder.path().join("counts.i32")).unwrap();
        assert!(!self.folder.path().join("sensor").exists(), "the link is gone");
        (self.host, report, log, self.unplugged)
    }
}

/// The host has exactly the samples that the truth says were delivered, with exactly the counts that were logged.
fn agree(host: &Host, report: &Report, log: &[u8]) {
    assert!(report.is_balanced(), "{report:?}");
    let produced: u64 = report.streams.iter().map(|stream| stream.produced_samples).sum();
    let channels = log.len() / 4 / produced as usize;
    let numbers: Vec<i32> = log.as_chunks::<4>().0.iter().map(|bytes| i32::from_le_bytes(*bytes)).collect();
    let mut rows = numbers.chunks(channels);
    for stream in &report.streams {
        let range = (stream.boot_id, 0, 0)..=(stream.boot_id, 0, u64::MAX);
        assert_eq!(host.samples.range(range).count() as u64, stream.delivered_samples, "{stream:?}");
        for sample in 0..stream.produced_samples {
            let counts = rows.next().unwrap();
            if let Some(came) = host.samples.get(&(stream.boot_id, 0, sample)) {
                assert_eq!(came, counts, "sample {sample}");
            }
        }
    }
    assert!(rows.next().is_none());
}

/// The host knows of `count` samples in its latest stream.
fn knows(host: &Host, count: u64) -> bool {
    host.known.values().any(|known| known.samples >= count)
}

#[test]
fn every_row_of_a_trace_arrives_as_its_own_sample() {
    let (host, report, log, _) = scene(Settings::default(), 700).play(|host| knows(host, 700));
    agree(&host, &report, &log);
    assert_eq!(report.ended, "stopped by the host");
    assert_eq!((report.streams[0].produced_samples, report.streams[0].delivered_samples), (700, 700));
    assert_eq!(host.samples.values().nth(123).unwrap()[0], 49_200, "1.23 N at 25 µN a count");
}

#[test]
fn samples_are_conserved_under_faults_on_the_line_and_at_the_plug() {
    let faults = Faults {
        drop: 0.1,
        flip: 0.1,
        duplicate: 0.1,
        unplug_after_s: Some(0.3),
        return_after_s: Some(0.2),
        ..Faults::default()
    };
    let settings = Settings { faults, ..Settings::default() };
    let (host, report, log, unplugged) = scene(settings, 1_500).play(|host| knows(host, 1_500));
    agree(&host, &report, &log);
    let stream = &report.streams[0];
    assert_eq!((stream.produced_samples, stream.known_samples), (1_500, 1_500));
    assert!(unplugged > 0);
    assert!(
        stream.unplugged_samples > 150 && stream.lost_samples > 0 && stream.damaged_samples > 0,
        "{stream:?}"
    );
    assert_eq!(stream.cut_samples, 0, "the port is drained before the cable is out");
}

#[test]
fn a_reset_is_a_new_boot_that_the_host_starts_again() {
    let faults = Faults { reset_after_s: Some(0.4), ..Faults::default() };
    let settings = Settings { faults, ..Settings::default() };
    let both_boots = |host: &Host| host.known.values().filter(|known| known.samples >= 50).count() == 2;
    let (host, report, log, _) = scene(settings, 1_200).play(both_boots);
    agree(&host, &report, &log);
    assert_eq!(report.streams.len(), 2);
    assert_ne!(report.streams[0].boot_id, report.streams[1].boot_id);
}

#[test]
fn what_a_stalled_reader_does_not_take_is_dropped_by_the_board_and_counted() {
    let converter = converter::Settings { channels: 8, ..converter::Settings::default() };
    let settings = Settings { converter, interval_ns: 100_000, buffer_bytes: 4_096, ..Settings::default() };
    let mut scene = scene(settings, 8_000);
    let link = scene.folder.path().join("sensor");
    // A host that starts the stream and then does not read for as long as all rows take.
    let port = open(link.to_str().unwrap(), DEFAULT_BAUD).unwrap();
    port.writer().unwrap().write_all(&message(HostMessage::Start)).unwrap();
    SystemClock.sleep_until_ns(SystemClock.monotonic_ns() + 900_000_000);
    let clock = Arc::new(SystemClock);
    scene.writer = Some(port.writer().unwrap());
    scene.reader = Some(Reader::start(0, Box::new(port), clock, Arc::clone(&scene.handover)).unwrap());
    let (host, report, log, _) = scene.play(|host| knows(host, 8_000));
    agree(&host, &report, &log);
    let stream = &report.streams[0];
    assert!(stream.device_dropped_samples > 4_000, "256 KB do not fit into some 30 KB: {stream:?}");
    assert_eq!(stream.delivered_samples + stream.device_dropped_samples, 8_000);
}

#[test]
fn the_cable_is_out_only_when_a_late_reader_has_what_was_sent_before() {
    let faults = Faults { unplug_after_s: Some(0.3), ..Faults::default() };
    let mut scene = scene(Settings { faults, ..Settings::default() }, 600);
    let link = scene.folder.path().join("sensor");
    let port = open(link.to_str().unwrap(), DEFAULT_BAUD).unwrap();
    port.writer().unwrap().write_all(&message(HostMessage::Start)).unwrap();
    // By then the cable is being pulled, and nothing was read yet.
    SystemClock.sleep_until_ns(SystemClock.monotonic_ns() + 600_000_000);
    let clock = Arc::new(SystemClock);
    scene.reader = Some(Reader::start(0, Box::new(port), clock, Arc::clone(&scene.handover)).unwrap());
    while scene.unplugged == 0 {
        scene.take();
    }
    scene.stop.store(true, Ordering::Relaxed);
    let report = scene.thread.join().unwrap().unwrap();
    let stream = &report.streams[0];
    assert!(report.is_balanced(), "{report:?}");
    assert_eq!((stream.cut_samples, scene.host.samples.len() as u64), (0, stream.delivered_samples));
    assert!(stream.delivered_samples >= 260, "{stream:?}");
}

#[test]
fn what_a_dead_reader_never_read_is_counted_when_the_simulation_ends() {
    let mut scene = scene(Settings::default(), 500);
    let link = scene.folder.path().join("sensor");
    let port = open(link.to_str().unwrap(), DEFAULT_BAUD).unwrap();
    port.writer().unwrap().write_all(&message(HostMessage::Start)).unwrap();
    SystemClock.sleep_until_ns(SystemClock.monotonic_ns() + 700_000_000);
    scene.stop.store(true, Ordering::Relaxed);
    let report = scene.thread.join().unwrap().unwrap();
    drop(port);
    scene.reader = None;
    let stream = &report.streams[0];
    assert!(report.is_balanced(), "{report:?}");
    assert_eq!((stream.delivered_samples, report.ended), (0, "signal"));
    assert_eq!(stream.cut_samples + stream.left_samples, stream.produced_samples);
}
