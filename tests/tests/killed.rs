//! SIGKILL at random moments of real recordings over a pseudo-terminal: while the board is asked, while samples come,
//! while the end is sealed. Whatever was appended is recovered, nothing older than the sync interval was still to be
//! appended, and every file opens. `LONG=1` kills 500 times.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::clock::{Clock, SystemClock};
use daemon::simulate::random::Random;
use nix::sys::signal::Signal;
use serde_json::Value;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;
use tests::journal::{last_read_ns, samples_in};
use tests::{Place, Running, fingerforced, json, run, stderr, times, wait_for};

/// What the journal promises to lose at most with the power, and so surely with a process.
const SYNC_NS: u64 = 250_000_000;
const PULLS: [&str; 7] = ["--first", "1", "--period", "2.5", "--effort", "make:25:0.6", "--repeat"];

/// When a recording is killed.
#[derive(Debug)]
enum Moment {
    /// So long after it was started.
    Started(Duration),
    /// So long after its journal has so many bytes.
    Journal(u64, Duration),
    /// While it is sealed: so long after the recording's first bytes.
    Sealing(Duration),
}

impl Moment {
    fn drawn(random: &mut Random) -> Moment {
        let within = |random: &mut Random, us| Duration::from_micros(random.below(us) as u64);
        match random.below(10) {
            0 => Moment::Started(within(random, 300_000)),
            1 | 2 => Moment::Sealing(within(random, 150_000)),
            _ => Moment::Journal(random.below(16_000) as u64, within(random, 25_000)),
        }
    }

    fn options(&self) -> &'static [&'static str] {
        if let Moment::Sealing(_) = self { &["--seconds", "0.7"] } else { &[] }
    }

    /// Returns at this moment. The waits only choose it; nothing depends on how long they really take.
    fn wait(&self, place: &Place) {
        let then = match self {
            Moment::Started(then) => then,
            Moment::Journal(bytes, then) => {
                wait_for("the journal", || place.journal_bytes().filter(|length| length >= bytes));
                then
            }
            Moment::Sealing(then) => {
                wait_for("the sealing", || sealing(place));
                then
            }
        };
        std::thread::sleep(*then);
    }
}

fn visit(place: &Place) -> Option<PathBuf> {
    Some(std::fs::read_dir(place.path("data").join("visits")).ok()?.next()?.ok()?.path())
}

fn sealing(place: &Place) -> Option<()> {
    let mut names =
        std::fs::read_dir(visit(place)?).ok()?.filter_map(|entry| entry.ok()?.file_name().into_string().ok());
    names.any(|name| name.contains("recording")).then_some(())
}

/// What came of one killed recording.
#[derive(Default)]
struct Left {
    samples: usize,
    /// Age of the newest sample in the journal when it was killed.
    age_ns: u64,
    torn: usize,
    /// The recording was whole already.
    sealed: bool,
}

/// Kills one recording, recovers it, and checks all that was promised.
fn killed(seed: u64) -> Left {
    let mut random = Random::new(seed);
    let moment = Moment::drawn(&mut random);
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    let mut command = place.record(moment.options());
    // A group of its own: the child that seals is killed, too.
    let recording = Running::start(command.process_group(0));
    moment.wait(&place);
    let killed_ns = SystemClock.monotonic_ns();
    recording.signal_group(Signal::SIGKILL);
    recording.output();

    let Some(folder) = visit(&place) else { return Left::default() };
    // While it is sealed no bytes come any more.
    let last_ns = if matches!(moment, Moment::Sealing(_)) { None } else { last_read_ns(&folder) };
    let age_ns = last_ns.map_or(0, |last_ns| killed_ns.saturating_sub(last_ns));
    assert!(age_ns < SYNC_NS, "{moment:?}: what came in the last {age_ns} ns is not in the journal");
    let told = recovered(&folder, "the first time");
    if told["decision"] == "nothing" {
        return Left::default();
    }
    let left = check(&folder, &told);
    let again = recovered(&folder, "again");
    assert_eq!(again["decision"], "sealed", "{moment:?}: {again:#}");
    Left { age_ns, ..left }
}

fn recovered(folder: &Path, when: &str) -> Value {
    let output = run(fingerforced().arg("recover").arg(folder).arg("--json"));
    assert!(output.status.success(), "recovering {when}: {}", stderr(&output));
    json(&output)["visits"][0].clone()
}

/// The recording opens, is whole, and holds every sample whose bytes the journal holds.
fn check(folder: &Path, told: &Value) -> Left {
    let names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    assert!(names.iter().all(|name| !name.contains("partial")), "left over: {names:?}");
    let recording = Recording::open(&folder.join("recording-1.h5")).unwrap();
    recording.verify().unwrap();
    let appended = samples_in(folder);
    let recorded: u64 = recording.sensors().iter().map(|sensor| sensor.samples).sum();
    assert_eq!(recorded as usize, appended.len(), "{told:#}");
    let sealed = told["decision"] == "sealed";
    let damage = told["damage"].as_array().map(Vec::as_slice).unwrap_or_default();
    assert!(damage.iter().all(|damage| damage["damage"] == "torn_tail"), "{told:#}");
    if let (Some(last), false) = (appended.last(), sealed) {
        assert_eq!(told["missing_samples"], last + 1 - appended.len() as u64, "{told:#}");
    }
    Left { samples: appended.len(), torn: damage.len(), sealed, age_ns: 0 }
}

#[test]
fn killed_at_random_moments_nothing_is_lost_and_every_file_opens() {
    const AT_ONCE: u64 = 3;
    let kills = times(18, 500);
    let all = Mutex::new(Vec::new());
    std::thread::scope(|scope| {
        for first in 0..AT_ONCE {
            let all = &all;
            scope.spawn(move || {
                for seed in (first..kills).step_by(AT_ONCE as usize) {
                    let left = std::panic::catch_unwind(|| killed(seed));
                    let left = left.unwrap_or_else(|_| panic!("seed {seed}; what is wrong stands above"));
                    all.lock().unwrap().push(left);
                }
            });
        }
    });
    let all = all.into_inner().unwrap();
    let count = |which: fn(&Left) -> bool| all.iter().filter(|left| which(left)).count();
    println!(
        "{kills} kills: {} recovered with samples ({} in all), {} with a torn tail, {} whole already, {} before any sample; \
         the newest sample appended was at most {:.1} ms old",
        count(|left| left.samples > 0),
        all.iter().map(|left| left.samples).sum::<usize>(),
        count(|left| left.torn > 0),
        count(|left| left.sealed),
        count(|left| left.samples == 0),
        all.iter().map(|left| left.age_ns).max().unwrap_or(0) as f64 * 1e-6,
    );
    assert_eq!(all.len() as u64, kills);
    assert!(count(|left| left.samples > 0) * 2 > all.len(), "too few had anything to lose");
}
