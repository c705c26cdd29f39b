//! Over a real pseudo-terminal: samples sent = samples recorded + samples in gaps, exactly, under every fault the
//! simulator has. Whether something is lost depends on the machine; that it is counted does not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use nix::sys::signal::Signal;
use std::process::Command;
use std::time::Duration;
use tests::{Place, Running, json, run, sealed, sum, wait_for};

/// Records `seconds` of a sensor with these options; checks conservation; gives the sealed visit and the truth.
fn conserved(seconds: &str, options: &[&str]) -> (serde_json::Value, serde_json::Value) {
    conserved_while(seconds, options, |_, _| {})
}

/// The same while something is done to the sensor and to the recording program.
fn conserved_while(
    seconds: &str,
    options: &[&str],
    meanwhile: impl FnOnce(&Running, &Running),
) -> (serde_json::Value, serde_json::Value) {
    let place = Place::default();
    let mut all = vec!["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"];
    all.extend_from_slice(options);
    let sensor = place.sensor(&all);
    let recording = Running::start(&mut place.record(&["--seconds", seconds, "--json"]));
    wait_for("samples", || place.journal_bytes().filter(|bytes| *bytes > 4000));
    meanwhile(&sensor, &recording);
    let sealed = sealed(&recording.output());
    let truth = json(&sensor.output());
    let (samples, missing) =
        (sealed["samples"].as_u64().unwrap(), sealed["missing_samples"].as_u64().unwrap());
    assert_eq!(samples + missing, sum(&truth, "produced_samples"), "{sealed:#} {truth:#}");
    // What was under way at a reset is unknown even where, as here, nothing was: the host cannot tell.
    let resets = truth["boots"].as_array().unwrap().len() as u64 - 1;
    assert_eq!(sealed["unknown_gaps"], resets);
    (sealed, truth)
}

#[test]
fn an_undisturbed_line() {
    let (sealed, truth) = conserved("4", &[]);
    let lost = sum(&truth, "lost_samples") + sum(&truth, "device_dropped_samples");
    assert_eq!(sealed["missing_samples"], lost);
}

#[test]
fn lost_frames() {
    let (sealed, truth) = conserved("4", &["--drop", "0.1", "--seed", "5"]);
    assert!(
        sum(&truth, "lost_samples") > 0
            && sealed["missing_samples"].as_u64() >= Some(sum(&truth, "lost_samples"))
    );
}

#[test]
fn damaged_frames() {
    let (sealed, truth) = conserved("4", &["--flip", "0.1", "--seed", "6"]);
    assert!(sum(&truth, "damaged_samples") > 0);
    assert!(sealed["missing_samples"].as_u64() >= Some(sum(&truth, "damaged_samples")));
}

#[test]
fn frames_that_come_twice() {
    let (sealed, truth) = conserved("4", &["--duplicate", "0.2", "--seed", "7"]);
    assert!(sum(&truth, "duplicated_samples") > 0);
    assert_eq!(sealed["missing_samples"], sum(&truth, "device_dropped_samples"));
}

#[test]
fn a_port_unplugged_and_returned_again_and_again() {
    let options = ["--unplug-after", "1.2", "--return-after", "0.6", "--unplug-again"];
    let (sealed, truth) = conserved("6", &options);
    assert!(sum(&truth, "unplugged_samples") > 1000, "{truth:#}");
    assert!(sealed["missing_samples"].as_u64() >= Some(sum(&truth, "unplugged_samples")));
}

/// Programs that take all the time they can get.
fn load() -> Vec<Running> {
    let busy = || Running::start(Command::new("sh").args(["-c", "while :; do :; done"]));
    (0..4).map(|_| busy()).collect()
}

#[test]
fn a_port_unplugged_and_returned_on_a_busy_machine() {
    let _load = load();
    // The end, at 6 s, falls into the middle of a time with the port there: only then is the board's count known.
    let options = ["--unplug-after", "2", "--return-after", "0.5", "--unplug-again", "--drop", "0.02"];
    let (sealed, truth) = conserved("6", &options);
    assert!(sum(&truth, "unplugged_samples") > 0, "{truth:#}");
    assert!(sealed["missing_samples"].as_u64() >= Some(sum(&truth, "unplugged_samples")));
}

/// How long a program is stopped: longer than the line holds what comes, and than the sync interval.
const STOPPED: Duration = Duration::from_secs(4);

#[test]
fn a_recording_program_that_is_stopped_for_seconds() {
    let options = ["--interval-ns", "100000", "--channels", "8", "--buffer", "4096"];
    let (sealed, truth) = conserved_while("8", &options, |_, recording| {
        recording.signal(Signal::SIGSTOP);
        std::thread::sleep(STOPPED);
        recording.signal(Signal::SIGCONT);
    });
    let dropped = sum(&truth, "device_dropped_samples");
    assert!(dropped > 1000, "the board had to drop nothing: {truth:#}");
    assert!(sealed["missing_samples"].as_u64() >= Some(dropped));
}

#[test]
fn a_sensor_that_stands_still_for_seconds() {
    let (sealed, _) = conserved_while("7", &[], |sensor, _| {
        sensor.signal(Signal::SIGSTOP);
        std::thread::sleep(STOPPED);
        sensor.signal(Signal::SIGCONT);
    });
    assert!(sealed["samples"].as_u64() > Some(1000), "{sealed:#}");
}

#[test]
fn a_device_that_resets() {
    let (_, truth) = conserved("5", &["--reset-after", "2"]);
    assert_eq!(truth["boots"].as_array().unwrap().len(), 2);
}

#[test]
fn a_device_that_resets_while_samples_are_under_way_leaves_a_gap_that_says_so() {
    let place = Place::default();
    let options = ["--reset-after", "1.5", "--reset-abruptly", "--repeat"];
    let sensor = place.sensor(&options);
    let sealed = sealed(&run(&mut place.record(&["--seconds", "3", "--json"])));
    let truth = json(&sensor.output());
    let (samples, missing) =
        (sealed["samples"].as_u64().unwrap(), sealed["missing_samples"].as_u64().unwrap());
    assert!(samples + missing <= sum(&truth, "produced_samples"), "{sealed:#} {truth:#}");
    assert_eq!(sealed["unknown_gaps"], 1);
}

#[test]
fn a_reset_just_before_the_end_does_not_keep_the_simulator_running() {
    let place = Place::default();
    let sensor = place.sensor(&["--reset-after", "3.5", "--repeat"]);
    sealed(&run(&mut place.record(&["--seconds", "3", "--json"])));
    assert!(sensor.output().status.success());
}

#[test]
fn a_device_whose_clock_drifts() {
    conserved("4", &["--clock-drift", "-180", "--drop", "0.05"]);
}

#[test]
fn a_slow_sensor_and_a_fast_one_with_many_channels() {
    conserved("4", &["--interval-ns", "12500000"]);
    let (sealed, _) = conserved("3", &["--interval-ns", "100000", "--channels", "8"]);
    assert!(sealed["samples"].as_u64() > Some(20_000), "{sealed:#}");
}

#[test]
fn everything_at_once() {
    let faults = [
        "--drop",
        "0.05",
        "--flip",
        "0.05",
        "--duplicate",
        "0.05",
        "--unplug-after",
        "1.5",
        "--return-after",
        "0.4",
    ];
    conserved("5", &faults);
}
