//! Corrections of a recording, and the recordings that supersede it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use serde_json::Value;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Output;
use tests::{Place, fingerforce, fingerforced, json, run, sealed, stderr};

/// A recording with one hold.
fn recorded(place: &Place) -> PathBuf {
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1.5"]);
    let told = sealed(&run(&mut place.record(&["--seconds", "5", "--participant", "P014", "--json"])));
    PathBuf::from(told["recording"].as_str().unwrap())
}

fn correct(recording: &Path, options: &[&str]) -> Output {
    let mut command = fingerforced();
    run(command
        .arg("correct")
        .arg(recording)
        .args(["--by", "E01", "--why", "drawn too late", "--json"])
        .args(options))
}

fn made(output: &Output) -> (PathBuf, Value) {
    assert!(output.status.success(), "{}", stderr(output));
    let told = json(output);
    (PathBuf::from(told["recording"].as_str().unwrap()), told)
}

#[test]
fn each_correction_makes_the_next_recording_and_all_stay() {
    let place = Place::default();
    let first = recorded(&place);
    let bytes = std::fs::read(&first).unwrap();
    let before = Recording::open(&first).unwrap();
    let row = before.trials().unwrap()[0].clone();
    let earlier = (row.onset_s - 0.05).to_string();
    let (second, told) =
        made(&correct(&first, &["mark", "--trial", "1", "--mark", "onset", "--at", &earlier]));
    assert!(second.ends_with("recording-2.h5"), "{second:?}");
    let changed = told["corrections"][0]["changed"].to_string();
    assert!(changed.contains("onset_s: ") && changed.contains("impulse_n_s: "), "{changed}");

    let after = Recording::open(&second).unwrap();
    after.verify().unwrap();
    assert_eq!((after.root().revision, &after.root().supersedes[..]), (2, before.content_sha256()));
    assert_eq!(after.root().journal_sha256, before.root().journal_sha256);
    let moved = after.trials().unwrap()[0].clone();
    assert!((moved.onset_s - row.onset_s + 0.05).abs() < 1e-12);
    assert!((moved.time_to_peak_s - row.time_to_peak_s - 0.05).abs() < 0.002, "one sample apart at most");
    assert!(moved.rfd_100_n_per_s.is_nan() && moved.flags.contains("corrected"));
    assert_eq!((moved.peak_n, moved.peak_zero_n, moved.end_s), (row.peak_n, row.peak_zero_n, row.end_s));
    let all = |recording: &Recording| recording.samples(1, 0..recording.sensors()[0].samples).unwrap();
    assert_eq!(all(&before), all(&after), "not a bit of what the sensor sent is different");

    let calibrated =
        ["calibrate", "--rated-counts", "4000000", "--rated-force-n", "50", "--source", "deadweights"];
    let (third, _) = made(&correct(&second, &calibrated));
    let last = Recording::open(&third).unwrap();
    let channel = |recording: &Recording| recording.sensors()[0].channels[0].clone();
    let factor = (50.0 / 4e6) / (channel(&before).rated_force_n / channel(&before).rated_counts);
    let peak_n = last.trials().unwrap()[0].peak_zero_n;
    assert!((peak_n / row.peak_zero_n - factor).abs() < 1e-9, "{peak_n} {} {factor}", row.peak_zero_n);
    let (old, new) = (all(&before), all(&last));
    assert_eq!(old.counts, new.counts);
    assert!(old.force_n.iter().zip(&new.force_n).all(|(a, b)| (f64::from(*a) * factor) as f32 == *b));
    assert_eq!(channel(&last).calibration, "deadweights");
    assert_eq!(std::fs::read(&first).unwrap(), bytes, "what was written once is never edited");

    let info = json(&run(fingerforce().arg("info").arg(&third).arg("--json")));
    assert_eq!(info["corrections"].as_array().unwrap().len(), 2);
    let summary = run(fingerforce().arg("summary").arg(&third));
    let text = String::from_utf8_lossy(&summary.stdout).into_owned();
    assert!(text.contains("Corrected: onset of trial 1") && text.contains("E01: drawn too late"), "{text}");
    let told = sealed(&run(fingerforced().arg("recover").arg(place.visit()).arg("--json")));
    assert_eq!(told["decision"], "sealed", "a corrected recording is of the same journal");
}

/// The finder's thresholds are newtons: with another calibration holds may come and go, and what `/trials` says is what
/// the finder finds in the recording.
#[test]
fn after_a_corrected_calibration_the_holds_are_sought_again() {
    let place = Place::default();
    let first = recorded(&place);
    let sensor = Recording::open(&first).unwrap().sensors()[0].channels[0].clone();
    let calibrate = |recording: &Path, factor: f64| {
        let rated_n = (sensor.rated_force_n * factor).to_string();
        let counts = sensor.rated_counts.to_string();
        let options =
            ["calibrate", "--rated-counts", &counts, "--rated-force-n", &rated_n, "--source", "deadweights"];
        made(&correct(recording, &options))
    };
    let peaks = |recording: &Path| -> Vec<f64> {
        let told = json(&run(fingerforce().arg("holds").arg(recording).arg("--json")));
        let holds = told["holds"].as_array().unwrap().clone();
        holds.iter().map(|hold| hold["peak_zero_n"].as_f64().unwrap()).collect()
    };
    let (second, told) = calibrate(&first, 0.37);
    assert!(
        told["corrections"][0]["changed"].to_string().contains("sought again: 1 found again, 0 new"),
        "{told}"
    );
    let rows = Recording::open(&second).unwrap().trials().unwrap();
    assert_eq!(rows.iter().map(|row| row.peak_zero_n).collect::<Vec<_>>(), peaks(&second));
    assert!((rows[0].peak_zero_n - 0.37 * peaks(&first)[0]).abs() < 1e-5, "{rows:?}");
    // A hundredth of 25 N is nothing that the finder would call an effort.
    let (third, told) = calibrate(&second, 0.01);
    assert!(told["corrections"][0]["changed"].to_string().contains("1 not found any more"), "{told}");
    assert_eq!(Recording::open(&third).unwrap().trials().unwrap().len(), peaks(&third).len());
    // And back: the counts were never touched.
    let (fourth, _) = calibrate(&third, 1.0);
    let back = Recording::open(&fourth).unwrap().trials().unwrap();
    assert!((back[0].peak_zero_n - peaks(&first)[0]).abs() < 1e-5, "{back:?}");
}

#[test]
fn a_crash_between_the_correction_and_its_recording_is_made_good() {
    let place = Place::default();
    let first = recorded(&place);
    let (second, _) = made(&correct(&first, &["exclude", "--trial", "1"]));
    std::fs::remove_file(&second).unwrap();
    // And one that was being appended when the power went.
    let file = place.visit().join("corrections.jsonl");
    let mut lines = std::fs::OpenOptions::new().append(true).open(&file).unwrap();
    lines.write_all(b"{\"number\":2,\"when_utc\":\"2026").unwrap();
    assert!(run(fingerforced().arg("recover").arg(place.path("data"))).status.success());
    let rows = Recording::open(&second).unwrap().trials().unwrap();
    assert_eq!((rows[0].valid, &rows[0].why_not[..]), (0, "excluded by E01: drawn too late"));

    let output = correct(&second, &["observe", "--kind", "pain", "--value", "3", "--scale", "0 to 10"]);
    assert!(stderr(&output).contains("line 2 of corrections.jsonl"), "{}", stderr(&output));
    let (third, told) = made(&output);
    assert_eq!(told["corrections"].as_array().unwrap().len(), 1, "only what is new: {told:#}");
    let seen = Recording::open(&third).unwrap().observations().unwrap();
    assert_eq!((&seen[0].kind[..], &seen[0].value[..], &seen[0].by[..]), ("pain", "3", "E01"));
    let nothing = made(&run(fingerforced().arg("correct").arg(&third).arg("--json")));
    assert_eq!(nothing.0, third, "nothing is left to do");
}

#[test]
fn what_makes_no_sense_is_refused_and_leaves_nothing() {
    let place = Place::default();
    let first = recorded(&place);
    for (options, code, words) in [
        (
            &["exclude", "--trial", "7"][..],
            1,
            "this correction cannot be made: there is no trial with order 7",
        ),
        (&["include", "--trial", "1"], 1, "counts already: nothing would be different"),
        (&["mark", "--trial", "1", "--mark", "onset", "--at", "4000"], 1, "out of order"),
        (&["mark", "--trial", "1", "--mark", "peak", "--at", "1"], 2, "onset, break, release or end"),
        (&["observe", "--kind", "text", "--value", "as Anna Miller said"], 2, "Anna Miller"),
        (&["observe", "--kind", "called", "--value", "Miller"], 1, "`called` is no kind of observation"),
        (&["calibrate", "--rated-counts", "0", "--rated-force-n", "1", "--source", "x"], 1, "no calibration"),
        (&[], 2, "say what is different"),
    ] {
        let output = correct(&first, options);
        assert_eq!(output.status.code(), Some(code), "{}", stderr(&output));
        assert!(stderr(&output).contains(words), "{}", stderr(&output));
    }
    assert!(!place.visit().join("corrections.jsonl").exists());
    assert!(!place.visit().join("recording-2.h5").exists());
    made(&correct(&first, &["exclude", "--trial", "1"]));
    let output = correct(&first, &["include", "--trial", "1"]);
    assert!(stderr(&output).contains("not the visit's latest") && stderr(&output).contains("recording-2.h5"));
    let second = place.visit().join("recording-2.h5");
    let again = correct(&second, &["exclude", "--trial", "1"]);
    assert!(stderr(&again).contains("does not count already: excluded by E01"), "{}", stderr(&again));
    assert!(again.status.code() == Some(1) && !place.visit().join("recording-3.h5").exists());
    let lines = std::fs::read_to_string(place.visit().join("corrections.jsonl")).unwrap();
    assert_eq!(lines.lines().count(), 1, "{lines}");
    // What is different says of which trial, so that a slip of the number is noticed.
    let mut include = fingerforced();
    include.arg("correct").arg(&second).args([
        "--by",
        "E01",
        "--why",
        "it was fine",
        "include",
        "--trial",
        "1",
    ]);
    let told = String::from_utf8(run(&mut include).stdout).unwrap();
    assert!(
        told.contains("2: trial 1 (hold of no trial, sensor 1, channel 1, peak 2")
            && told.contains(" N) counts"),
        "{told}"
    );
}

/// The file of corrections is damaged, gone or an older one: a new correction still gets into a recording.
#[test]
fn a_correction_is_made_whatever_became_of_the_file_of_those_before() {
    let place = Place::default();
    let first = recorded(&place);
    let file = first.with_file_name("corrections.jsonl");
    let (second, _) = made(&correct(&first, &["exclude", "--trial", "1"]));
    let whole = std::fs::read(&file).unwrap();
    let mut damaged = whole.clone();
    damaged[whole.len() / 2] = 0xff;
    std::fs::write(&file, &damaged).unwrap();
    let (third, told) = made(&correct(&second, &["include", "--trial", "1"]));
    assert_eq!((&told["corrections"][0]["number"], &told["held"]), (&2.into(), &1.into()));
    std::fs::remove_file(&file).unwrap();
    let (fourth, told) = made(&correct(&third, &["exclude", "--trial", "1"]));
    assert_eq!(told["corrections"][0]["number"], 3);
    assert!(fourth.ends_with("recording-4.h5"), "{fourth:?}");
    let numbers = |recording: &Path| -> Vec<u64> {
        let info = json(&run(fingerforce().arg("info").arg(recording).arg("--json")));
        info["corrections"].as_array().unwrap().iter().map(|of| of["number"].as_u64().unwrap()).collect()
    };
    assert_eq!(numbers(&fourth), [1, 2, 3]);
    // What a correction that was killed left beside it goes.
    let cut_off = first.with_file_name(".recording-5.h5.1-0.partial");
    std::fs::write(&cut_off, "cut off").unwrap();
    let recovered = run(fingerforced().arg("recover").arg(first.parent().unwrap()));
    assert!(recovered.status.success() && !cut_off.exists(), "{}", stderr(&recovered));
    // The last number there is leaves none.
    let last = String::from_utf8(whole).unwrap().replace("\"number\":1", &format!("\"number\":{}", u64::MAX));
    std::fs::write(&file, last).unwrap();
    let refused = correct(&fourth, &["include", "--trial", "1"]);
    assert_eq!(refused.status.code(), Some(1));
    assert!(stderr(&refused).contains("has the last number there is: it is damaged"), "{}", stderr(&refused));
}
