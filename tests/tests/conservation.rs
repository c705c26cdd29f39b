//! Over a real pseudo-terminal: samples sent = samples recorded + samples in gaps, exactly, under every fault the
//! simulator has. Whether something is lost depends on the machine; that it is counted does not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use tests::{Place, json, run, sealed, sum};

/// Records `seconds` of a sensor with these options; checks conservation; gives the sealed visit and the truth.
fn conserved(seconds: &str, options: &[&str]) -> (serde_json::Value, serde_json::Value) {
    let place = Place::default();
    let mut all = vec!["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"];
    all.extend_from_slice(options);
    let sensor = place.sensor(&all);
    let sealed = sealed(&run(&mut place.record(&["--seconds", seconds, "--json"])));
    let truth = json(&sensor.output());
    let (samples, missing) =
        (sealed["samples"].as_u64().unwrap(), sealed["missing_samples"].as_u64().unwrap());
    assert_eq!(samples + missing, sum(&truth, "produced_samples"), "{sealed:#} {truth:#}");
    assert_eq!(sealed["unknown_gaps"], 0);
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

#[test]
fn a_device_that_resets() {
    let (_, truth) = conserved("5", &["--reset-after", "2"]);
    assert_eq!(truth["boots"].as_array().unwrap().len(), 2);
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
