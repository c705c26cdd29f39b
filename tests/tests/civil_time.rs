//! Civil time stepped for one program (libfaketime, preloaded; never the machine's clock): no sample moves, and what
//! waits for its examiner is told from what was abandoned by the journal's own clocks.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use nix::sys::signal::Signal;
use std::path::{Path, PathBuf};
use std::process::Command;
use tests::{Place, Running, fingerforced, json, run, sealed, stderr, sum, wait_for};

/// The library that tells one program another civil time.
fn faketime() -> PathBuf {
    let libraries = std::fs::read_dir("/usr/lib").unwrap();
    let mut found = libraries.map(|folder| folder.unwrap().path().join("faketime/libfaketimeMT.so.1"));
    found.find(|path| path.exists()).expect("libfaketime: run `tests/prepare tests`")
}

/// Runs the command's program by the civil time that `file` gives, as `+3600` (s), read anew each time.
fn by_another_clock<'a>(command: &'a mut Command, file: &Path) -> &'a mut Command {
    command
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME_TIMESTAMP_FILE", file)
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("DONT_FAKE_MONOTONIC", "1")
}

/// Replaces the file at once: a reader finds one or the other.
fn step(file: &Path, offset: &str) {
    let new = file.with_extension("new");
    std::fs::write(&new, offset).unwrap();
    std::fs::rename(&new, file).unwrap();
}

#[test]
fn steps_of_civil_time_move_no_sample() {
    let place = Place::default();
    let sensor = place.sensor(&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"]);
    let file = place.path("civil");
    step(&file, "+0");
    let mut command = place.record(&["--seconds", "4", "--json"]);
    let recording = Running::start(by_another_clock(&mut command, &file));
    // An hour forward, two back, a day forward: at these lengths of the journal.
    for (bytes, offset) in [(6000, "+3600"), (12000, "-3600"), (18000, "+86400")] {
        wait_for("samples", || place.journal_bytes().filter(|length| *length > bytes));
        step(&file, offset);
    }
    let sealed = sealed(&recording.output());
    let truth = json(&sensor.output());
    let (samples, missing) =
        (sealed["samples"].as_u64().unwrap(), sealed["missing_samples"].as_u64().unwrap());
    assert_eq!(samples + missing, sum(&truth, "produced_samples"));

    let recording = Recording::open(sealed["recording"].as_str().unwrap().as_ref()).unwrap();
    assert_eq!(recording.segments(1).unwrap().len(), 1, "a step of civil time begins no segment");
    let samples = recording.samples(1, 0..samples).unwrap();
    assert!(samples.time_s.windows(2).all(|pair| pair[1] > pair[0]));
    // Device and host run at the same rate here: no sample stands apart from the others by more than arrivals do.
    let apart = |at: usize| samples.time_s[at] - samples.device_time_s[at];
    let moved = (0..samples.len()).map(|at| (apart(at) - apart(0)).abs()).fold(0.0, f64::max);
    assert!(moved < 0.5, "samples moved by {moved} s");
}

const PLAN: &str = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";

#[test]
fn an_interrupted_visit_waits_half_a_day_of_civil_time() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"]);
    let (file, plan) = (place.path("civil"), place.path("plan.toml"));
    std::fs::write(&plan, PLAN).unwrap();
    let recording = Running::start(&mut place.record(&["--plan", plan.to_str().unwrap()]));
    wait_for("samples", || place.journal_bytes().filter(|bytes| *bytes > 8000));
    recording.signal(Signal::SIGKILL);
    recording.output();
    for (offset, decision) in [("+0", "interrupted"), ("+39600", "interrupted"), ("+46800", "seal")] {
        step(&file, offset);
        let mut command = fingerforced();
        command.arg("recover").arg(place.path("data")).arg("--json");
        let told = sealed(&run(by_another_clock(&mut command, &file)));
        assert_eq!(told["decision"], decision, "{offset} s later: {told:#}");
    }
}

#[test]
fn a_clock_that_was_never_set_is_warned_of_and_hinders_nothing() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1"]);
    let file = place.path("civil");
    // Some thirty years.
    step(&file, "-1000000000");
    let mut check = fingerforced();
    check.arg("check").arg("--data").arg(place.path("data"));
    let checked = run(by_another_clock(&mut check, &file));
    let told = String::from_utf8_lossy(&checked.stdout).into_owned();
    assert!(checked.status.success() && told.contains("WARNING  civil time was never set"), "{told}");
    let mut record = place.record(&["--seconds", "2", "--json"]);
    let recorded = run(by_another_clock(&mut record, &file));
    assert!(sealed(&recorded)["samples"].as_u64().unwrap() > 500);
    assert!(stderr(&recorded).contains("civil time was never set"), "{}", stderr(&recorded));
}
