//! SIGKILL at random moments of real recordings over a pseudo-terminal: while the board is asked, while samples come,
//! while the end is sealed. Whatever was appended is recovered, nothing older than the sync interval was still to be
//! appended, and every file opens. `LONG=1` kills 500 times.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::clock::{Clock, SystemClock};
use daemon::journal::{Disk, SystemDisk};
use daemon::simulate::random::Random;
use nix::sys::signal::Signal;
use serde_json::Value;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;
use tests::journal::{last_read_ns, samples_in};
use tests::{Place, Running, fingerforced, json, run, sealed, stderr, times, wait_for};

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

/// Two visits of two participants, the first with a hold; the data folder is copied before each kill.
fn two_visits() -> Place {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1.5", "--repeat", "--forever"]);
    for (code, seconds) in [("QX7731", "5"), ("ZK4409", "1")] {
        sealed(&run(&mut place.record(&["--json", "--participant", code, "--seconds", seconds])));
    }
    place
}

/// Kills a command at points spread over its run, each time in a fresh copy of the data folder, and gives what is left to
/// `completed`. How long the command takes only chooses the points.
fn killed_everywhere(
    place: &Place,
    command: impl Fn(&Path) -> std::process::Command,
    completed: impl Fn(&Path, &str),
) {
    let copy = |name: &str| {
        let data = place.path(name);
        let copied = run(std::process::Command::new("cp").arg("-a").arg(place.path("data")).arg(&data));
        assert!(copied.status.success(), "{}", stderr(&copied));
        data
    };
    let data = copy("undisturbed");
    let mut undisturbed = command(&data);
    let began_ns = SystemClock.monotonic_ns();
    let output = run(&mut undisturbed);
    assert!(output.status.success(), "{}", stderr(&output));
    let lasts = Duration::from_nanos(SystemClock.monotonic_ns() - began_ns);
    completed(&data, "undisturbed");
    let kills = times(8, 100) as u32;
    for kill in 0..kills {
        let name = format!("killed-{kill}-of-{kills}");
        let data = copy(&name);
        let running = Running::start(command(&data).process_group(0));
        std::thread::sleep(lasts * kill / kills);
        running.signal_group(Signal::SIGKILL);
        running.output();
        completed(&data, &name);
        std::fs::remove_dir_all(&data).unwrap();
    }
}

/// The first visit's folder.
fn first_visit(data: &Path) -> PathBuf {
    daemon::data_folder::visits(&SystemDisk, data).unwrap().remove(0)
}

fn no_leftovers(folder: &Path, when: &str) {
    let names = SystemDisk.list(folder).unwrap();
    assert!(names.iter().all(|entry| !entry.name.contains("partial")), "{when}: {names:?}");
}

#[test]
fn recovering_that_is_killed_is_completed_by_the_next_and_gives_the_same() {
    let place = two_visits();
    let recording = first_visit(&place.path("data")).join("recording-1.h5");
    let digest = |recording: &Path| Recording::open(recording).unwrap().content_sha256().to_owned();
    let expected = digest(&recording);
    std::fs::remove_file(&recording).unwrap();
    let recover = |data: &Path| {
        let mut command = fingerforced();
        command.args(["recover", "--json"]).arg(data);
        command
    };
    killed_everywhere(&place, recover, |data, when| {
        let told = sealed(&run(&mut recover(data)));
        assert!(["seal", "sealed"].contains(&told["decision"].as_str().unwrap()), "{when}: {told:#}");
        let folder = first_visit(data);
        assert_eq!(digest(&folder.join("recording-1.h5")), expected, "{when}");
        assert!(!folder.join("recording-2.h5").exists(), "{when}");
        no_leftovers(&folder, when);
    });
}

#[test]
fn a_correction_that_is_killed_is_made_once_and_nothing_before_it_is_changed() {
    let place = two_visits();
    let before = std::fs::read(first_visit(&place.path("data")).join("recording-1.h5")).unwrap();
    let correct = |data: &Path| {
        let mut command = fingerforced();
        command.arg("correct").arg(first_visit(data).join("recording-1.h5"));
        command.args(["--by", "E01", "--why", "slipped", "exclude", "--trial", "1"]);
        command
    };
    killed_everywhere(&place, correct, |data, when| {
        let folder = first_visit(data);
        let again = run(&mut correct(data));
        let made = ["does not count already", "not the visit's latest recording"];
        let refused = made.iter().any(|why| stderr(&again).contains(why));
        assert!(again.status.success() || refused, "{when}: {}", stderr(&again));
        let told = sealed(&run(fingerforced().args(["recover", "--json"]).arg(&folder)));
        assert_eq!(told["decision"], "sealed", "{when}: {told:#}");
        let trial = Recording::open(&folder.join("recording-2.h5")).unwrap().trials().unwrap().remove(0);
        assert_eq!((trial.valid, &trial.why_not[..]), (0, "excluded by E01: slipped"), "{when}");
        assert_eq!(std::fs::read(folder.join("recording-1.h5")).unwrap(), before, "{when}");
        no_leftovers(&folder, when);
    });
}

#[test]
fn tidying_that_is_killed_removes_no_journal_without_a_note_and_the_next_completes_it() {
    let place = two_visits();
    let data = place.path("data");
    // Of long ago: the folder's name says when.
    std::fs::rename(first_visit(&data), data.join("visits/20200301T090000Z-abcdef01")).unwrap();
    std::fs::write(data.join("settings.toml"), "[journals]\nafter_sealing = \"remove\"\n").unwrap();
    let tidy = |data: &Path| {
        let mut command = fingerforced();
        command.args(["tidy", "--data"]).arg(data);
        command
    };
    killed_everywhere(&place, tidy, |data, when| {
        let folder = first_visit(data);
        let there = |name: &str| folder.join(name).exists();
        assert!(there("journal-000") || there("journal-removed.json"), "{when}");
        let again = run(&mut tidy(data));
        assert!(again.status.success(), "{when}: {}", stderr(&again));
        assert!(!there("journal-000") && there("journal-removed.json"), "{when}");
        let told = sealed(&run(fingerforced().args(["recover", "--json"]).arg(&folder)));
        assert_eq!(told["decision"], "sealed", "{when}: {told:#}");
        no_leftovers(&folder, when);
    });
}

#[test]
fn an_erasure_that_is_killed_is_completed_and_takes_nobody_elses() {
    let place = two_visits();
    let other = daemon::data_folder::visits(&SystemDisk, &place.path("data")).unwrap().pop().unwrap();
    let list = |data: &Path| {
        let mut command = fingerforced();
        command.args(["erase", "--json", "--participant", "QX7731", "--data"]).arg(data);
        command
    };
    let erase = |data: &Path| {
        let confirmation = json(&run(&mut list(data)))["yes"].as_str().unwrap().to_owned();
        let mut command = list(data);
        command.args(["--yes", &confirmation]);
        command
    };
    killed_everywhere(&place, erase, |data, when| {
        // Nothing of theirs is left, or what is left is listed and erased as before.
        let listed = run(&mut list(data));
        if listed.status.success() && json(&listed)["yes"].is_string() {
            let again = run(&mut erase(data));
            assert!(again.status.success(), "{when}: {}", stderr(&again));
        }
        let visits = daemon::data_folder::visits(&SystemDisk, data).unwrap();
        let names: Vec<_> = visits.iter().filter_map(|visit| visit.file_name()).collect();
        assert_eq!(names, [other.file_name().unwrap()], "{when}");
        Recording::open(&visits[0].join("recording-1.h5")).unwrap();
        let holding = run(std::process::Command::new("grep").args(["-rlaw", "QX7731"]).arg(data));
        assert_eq!(String::from_utf8_lossy(&holding.stdout), "", "{when}");
        let begun = daemon::erase::begun(&SystemDisk::shared(), data).unwrap();
        assert!(begun.is_empty() && std::fs::read_dir(data.join("erasures")).unwrap().count() > 0, "{when}");
    });
}
