//! A guided calibration over a pseudo-terminal in real time: a simulated sensor with planted errors is loaded as the terminal
//! says; the record is kept, used by the next recording, and checked against masses later.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use analysis::sensor::certificate::Certificate;
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::ChildStdin;
use tests::guided::{Ended, guided, newtons, quiet, sensor, start, tell, visits};
use tests::{Place, fingerforce, fingerforced, json, run, stderr};

/// Rated 200 N; a bow of 0.4 N and a hysteresis of 0.2 N at 100 N; a gain that is 2 % too high.
fn planted(gain_error: &'static str) -> Vec<&'static str> {
    quiet("0.005", &["--bow", "0.002", "--hysteresis", "0.001", "--gain-error", gain_error])
}

/// The planted bow's distance from the line through zero and `full_n`, in newtons of the curve.
fn bow_n(at_n: f64, full_n: f64) -> f64 {
    let bow = |n: f64| 0.4 * 4.0 * (n / 200.0) * (1.0 - n / 200.0);
    bow(at_n) - bow(full_n) * at_n / full_n
}

fn the_record_says_what_was_planted(of: &Certificate) {
    let branch = of.calibration.branch(true).unwrap();
    let terminal = branch.figures.non_linearity[0].1.n;
    let planted = [2.0, 5.0].map(|kg| bow_n(newtons(kg), newtons(10.0))).into_iter().fold(0.0, f64::max);
    assert!(terminal.covers(planted), "non-linearity {terminal:?}, planted {planted}");
    let hysteresis = branch.figures.hysteresis.unwrap().n;
    let lag = |n: f64| 0.2 * 4.0 * (n / 200.0) * (1.0 - n / 200.0);
    // The lag is planted in nominal newtons; where the bow makes the sensor steeper, one of those is less of the curve's.
    let steeper = 1.0 + 0.4 * 4.0 / 200.0 * (1.0 - 2.0 * newtons(5.0) / 200.0);
    let planted = lag(newtons(5.0)) / steeper;
    assert!(hysteresis.covers(planted), "hysteresis {hysteresis:?}, planted {planted}");
    assert!((of.gravity.as_ref().unwrap().value - 9.8126).abs() < 2e-4, "{:?}", of.gravity);
    assert_eq!((of.serial.as_str(), of.points.len(), branch.counts[2]), ("SIM-0001", 24, 3));
}

const PLAN: &str = r#"
title = "One muscle"

[[item]]
muscle = "left index abduction"
test = "make"
trials = 2
hold_s = 2.0
rest_s = 1.0
"#;

/// A recording made afterwards: its forces are the true ones, and its trials carry the instrument's uncertainty.
fn the_next_recording_uses_it(place: &Place, hand: &mut ChildStdin) {
    let plan = place.path("plan.toml");
    std::fs::write(&plan, PLAN).unwrap();
    let mut record = place.record(&["--json", "--plan", plan.to_str().unwrap(), "--participant", "P001"]);
    let mut child = start(&mut record);
    let mut told = String::new();
    for line in BufReader::new(child.0.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        told += &(line.clone() + "\n");
        match line {
            // The simulated hand's time begins anew with every stream.
            line if line.starts_with("sensor ") => tell(hand, "free"),
            // The first cue comes with the zero; a hand that pulled at once would leave the finder no rest to see.
            line if line.starts_with("go: ") && line.contains("trial 2") => tell(hand, "make:40:2.5"),
            _ => {}
        }
    }
    assert!(child.0.wait().unwrap().success(), "{told}");
    let visit = visits(place).pop().unwrap();
    let path = visit.join("recording-1.h5");
    let recording = Recording::open(&path).unwrap();
    let channel = &recording.sensors()[0].channels[0];
    assert!(channel.calibration.starts_with("calibrated "), "{}", channel.calibration);
    // The whole record stands in the recording.
    let events = recording.events().unwrap();
    let event = events.iter().find(|event| event.kind == "calibration in force").unwrap();
    assert!(serde_json::from_str::<Certificate>(&event.detail).is_ok());
    let summary = json(&run(fingerforce().arg("summary").arg(&path).arg("--json")));
    let trial = &summary["items"][0]["trials"][1];
    assert_eq!(trial["outcome"], "released", "{told}");
    let (peak_n, expanded_n) =
        (trial["peak_zero_n"].as_f64().unwrap(), trial["expanded_uncertainty_n"].as_f64().unwrap());
    // By the sensor's own scale it would be 2 % more (and the bow).
    assert!((peak_n - 40.0).abs() < expanded_n.max(0.1), "{peak_n} ± {expanded_n}");
    assert!(expanded_n > 0.0 && expanded_n < 1.0, "{expanded_n}");
    let number = json(&run(fingerforce()
        .args(["info", "--json", "--number", "item-1.expanded_uncertainty_n"])
        .arg(&path)));
    assert_eq!(number["value"].as_f64(), Some(expanded_n), "{number}");
    let page = run(fingerforce().arg("report").arg(&path).args(["--no-figures", "--out", "-"]));
    assert!(String::from_utf8_lossy(&page.stdout).contains("instrument ± (95 %), N"));
    sealing_again_gives_the_same(&visit, recording.content_sha256());
}

fn sealing_again_gives_the_same(visit: &Path, digest: &str) {
    std::fs::remove_file(visit.join("recording-1.h5")).unwrap();
    let sealed = tests::sealed(&run(fingerforced().arg("recover").arg(visit).arg("--json")));
    assert_eq!(sealed["content_sha256"], digest, "{sealed}");
}

#[test]
fn a_sensor_is_calibrated_used_and_checked() {
    let place = Place::default();
    let (sensor_of_the_year, mut hand) = sensor(&place, "sensor", &planted("0.02"));
    let masses = ["--tolerance", "0.01", "--mass", "2", "--mass", "5", "--mass", "10"];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &masses);
    assert_eq!(code, 0, "{told}");
    let of: Certificate = serde_json::from_str(&out).unwrap();
    the_record_says_what_was_planted(&of);

    // The recording tells the same: its samples are read anew.
    let path = visits(&place).pop().unwrap().join("recording-1.h5");
    let again = json(&run(fingerforce().arg("sensor").arg(&path).arg("--json")));
    let coefficients = |of: &Value| -> Vec<f64> {
        let all = of["curve"]["coefficients"].as_array().unwrap();
        all.iter().map(|value| value.as_f64().unwrap()).collect()
    };
    let kept: Value = serde_json::from_str(&out).unwrap();
    let (kept, again) = (&kept["calibration"]["branches"][0], &again["calibration"]["branches"][0]);
    assert_eq!(coefficients(kept), coefficients(again));

    the_next_recording_uses_it(&place, &mut hand);

    let check = ["--check", "--tolerance", "0.01", "--mass", "5"];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &check);
    assert_eq!(code, 0, "{out}{told}");
    let passed: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(passed["check"]["passed"], true, "{passed}");
    a_failed_check_names_the_recordings_since(&place, sensor_of_the_year, hand);
}

/// The same sensor a while later: its gain has changed by 3 %.
fn a_failed_check_names_the_recordings_since(place: &Place, before: Ended, mut hand: ChildStdin) {
    let mut record = place.record(&["--seconds", "1"]);
    let recorded = run(&mut record);
    assert!(recorded.status.success(), "{}", stderr(&recorded));
    let doubtful = visits(place).pop().unwrap();
    tell(&mut hand, "free");
    drop(before);
    let (_sensor, mut hand) = sensor(place, "again", &planted("0.05"));
    let check = ["--check", "--tolerance", "0.01", "--mass", "5"];
    let (code, out, told) = guided(place, "again", &mut hand, &check);
    assert_eq!(code, 1, "{out}{told}");
    let failed: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(failed["check"]["passed"], false);
    let listed: Vec<PathBuf> = serde_json::from_value(failed["recordings_since_last_good"].clone()).unwrap();
    assert_eq!(listed, [doubtful], "{told}");
}

#[test]
fn gravity_has_no_silent_default_and_loads_are_needed() {
    for (options, word) in [
        (&["--mass", "1", "--mass", "2", "--tolerance", "0.1"][..], "local gravity"),
        (&["--latitude", "50", "--height", "0", "--mass", "1", "--mass", "2"], "--tolerance"),
        (&["--latitude", "50", "--height", "0", "--tolerance", "0.1", "--mass", "1"], "--mass twice"),
        (&["--latitude", "50"], "--height"),
        (&["--gravity", "1.62", "--gravity-uncertainty", "0.001", "--mass", "1"], "no gravity"),
    ] {
        let refused = run(fingerforced().args(["calibrate", "--port", "/nowhere"]).args(options));
        assert_eq!(refused.status.code(), Some(2), "{}", stderr(&refused));
        assert!(stderr(&refused).contains(word), "{}", stderr(&refused));
    }
}
