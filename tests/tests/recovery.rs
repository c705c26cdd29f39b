//! A recording program that dies, and what is left of its visit.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::layout::TrialRow;
use analysis::recording::read::Recording;
use daemon::journal::SystemDisk;
use nix::sys::signal::Signal;
use serde_json::Value;
use std::path::Path;
use tests::journal::samples_in;
use tests::{Place, Running, fingerforce, fingerforced, json, run, sealed, stderr, wait_for};

const PULLS: [&str; 6] = ["--first", "1.5", "--period", "4", "--effort", "make:25:1.5"];

/// Records until the journal holds this many samples, then kills the recording program.
fn killed_after(place: &Place, samples: usize, options: &[&str]) {
    let recording = Running::start(&mut place.record(options));
    // Some seven bytes a sample, with frames and records around them.
    wait_for("samples in the journal", || place.journal_bytes().filter(|bytes| *bytes > samples as u64 * 7));
    recording.signal(Signal::SIGKILL);
    recording.output();
}

#[test]
fn killed_in_the_middle_of_a_trial_everything_appended_is_recovered() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    killed_after(&place, 2600, &[]);
    let folder = place.visit();
    let appended = samples_in(&folder);
    let told = sealed(&run(fingerforced().arg("recover").arg(place.path("data")).arg("--json")));
    assert_eq!(told["samples"].as_u64().unwrap() as usize, appended.len(), "{told:#}");
    assert_eq!(told["finished"], Value::Null, "it says that the recording was cut off");
    let recording = Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
    recording.verify().unwrap();
    let rows = recording.trials().unwrap();
    assert_eq!(rows.len(), 1, "the pull that was going on");
    assert!(rows[0].flags.split(',').any(|flag| flag == "cut"), "{}", rows[0].flags);
    assert!(rows[0].peak_zero_n > 20.0 && rows[0].end_s.is_nan());
}

#[test]
fn a_torn_tail_is_reported_to_the_byte_and_costs_nothing_before_it() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    killed_after(&place, 1500, &[]);
    let journal = place.visit().join("journal-000");
    let whole = samples_in(&place.visit());
    let bytes = std::fs::read(&journal).unwrap();
    std::fs::write(&journal, &bytes[..bytes.len() - 7]).unwrap();
    let left = samples_in(&place.visit());
    let told = sealed(&run(fingerforced().arg("recover").arg(&journal).arg("--json")));
    assert_eq!(told["samples"].as_u64().unwrap() as usize, left.len());
    assert!(whole.is_superset(&left));
    let damage = &told["damage"][0];
    assert_eq!(damage["damage"], "torn_tail", "{told:#}");
    let (at, torn) = (damage["at_byte"].as_u64().unwrap(), damage["bytes"].as_u64().unwrap());
    assert_eq!(at + torn, bytes.len() as u64 - 7);
}

#[test]
fn the_same_journal_sealed_twice_gives_the_same_digest_and_holds_gives_its_trials_again() {
    let place = Place::default();
    let plan = place.path("plan.toml");
    let item = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\ntrials = 2\nhold_s = 1.2\nrest_s = 0.5\n";
    std::fs::write(&plan, format!("title = \"t\"\n{item}")).unwrap();
    let pulls = ["--first", "3.5", "--period", "4", "--effort", "make:25:1.5", "--repeat"];
    let sensor = place.sensor(&[&pulls[..], &["--duplicate", "0.05", "--contact", "1.5"]].concat());
    let first = sealed(&run(&mut place.record(&["--plan", plan.to_str().unwrap(), "--json"])));
    sensor.output();

    let copy = place.path("copy");
    std::fs::create_dir(&copy).unwrap();
    for (_, segment) in daemon::journal::segments(&*SystemDisk::shared(), &place.visit()).unwrap() {
        std::fs::copy(&segment, copy.join(segment.file_name().unwrap())).unwrap();
    }
    let second = sealed(&run(fingerforced().arg("recover").arg(&copy).arg("--json")));
    assert_eq!(first["content_sha256"], second["content_sha256"]);
    let again = sealed(&run(fingerforced().arg("recover").arg(&copy).arg("--json")));
    assert_eq!(again["decision"], "sealed", "what is whole is not sealed again");

    let path = first["recording"].as_str().unwrap();
    let recording = Recording::open(path.as_ref()).unwrap();
    let events = recording.events().unwrap();
    assert!(events.iter().all(|event| event.kind != "hold differs from what was shown"));
    assert_eq!(recording.trials().unwrap().iter().filter(|row| row.item == 1 && row.valid == 1).count(), 2);
    let found = json(&run(fingerforce().args(["holds", path, "--json"])));
    same_holds(found["holds"].as_array().unwrap(), &recording.trials().unwrap());
    let summary = json(&run(fingerforce().args(["summary", path, "--json"])));
    assert_eq!(summary["items"][0]["trials_used"], 2);
}

/// Every number of every hold, bit for bit.
fn same_holds(holds: &[Value], rows: &[TrialRow]) {
    let rows: Vec<&TrialRow> = rows.iter().filter(|row| !row.kind.is_empty()).collect();
    assert_eq!(holds.len(), rows.len());
    for (hold, row) in holds.iter().zip(rows) {
        assert_eq!(hold["kind"], row.kind.as_str());
        for (name, value) in [
            ("onset_s", row.onset_s),
            ("onset_sd_s", row.onset_sd_s),
            ("rise5_s", row.rise5_s),
            ("release_s", row.release_s),
            ("end_s", row.end_s),
            ("rest_n", row.rest_n),
            ("contact_n", row.contact_n),
            ("peak_n", row.peak_n),
            ("peak_zero_n", row.peak_zero_n),
            ("peak_s", row.peak_s),
            ("mean_n", row.mean_n),
            ("impulse_n_s", row.impulse_n_s),
        ] {
            assert_eq!(hold[name].as_f64().unwrap_or(f64::NAN).to_bits(), value.to_bits(), "{name}");
        }
    }
}

#[test]
fn the_first_signal_ends_properly_and_the_second_leaves_it_for_recover() {
    for signals in [1, 2] {
        let place = Place::default();
        // A board that never answers the stop keeps the end waiting, so that a second signal finds it there.
        let sensor = place.sensor(&PULLS);
        let recording = Running::start(&mut place.record(&["--no-seal"]));
        wait_for("the journal", || place.journal_bytes().filter(|bytes| *bytes > 8000));
        if signals == 2 {
            sensor.signal(Signal::SIGSTOP);
        }
        recording.signal(Signal::SIGINT);
        if signals == 2 {
            wait_for("the stop to be asked for", || {
                let journal = std::fs::read(place.visit().join("journal-000")).ok()?;
                journal.windows(13).any(|bytes| bytes == b"\"interrupted\"").then_some(())
            });
            recording.signal(Signal::SIGTERM);
        }
        let output = recording.output();
        assert_eq!(output.status.success(), signals == 1, "{}", stderr(&output));
        if signals == 2 {
            sensor.signal(Signal::SIGCONT);
            assert!(stderr(&output).contains("fingerforced recover"), "{}", stderr(&output));
        }
        let told = sealed(&run(fingerforced().arg("recover").arg(place.visit()).arg("--json")));
        assert_eq!(told["finished"].is_string(), signals == 1, "{told:#}");
    }
}

/// A sensor that goes on pulling, for whoever records next.
const FOR_EVER: [&str; 6] = ["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"];

/// In many places: a format also has bytes that mean nothing.
fn damage(file: &Path) -> Vec<u8> {
    let mut bytes = std::fs::read(file).unwrap();
    let step = bytes.len() / 20;
    bytes.chunks_mut(step).skip(1).flat_map(|part| part.iter_mut().take(64)).for_each(|byte| *byte ^= 0x55);
    std::fs::write(file, &bytes).unwrap();
    bytes
}

#[test]
fn a_damaged_recording_is_sealed_again_beside_it_from_its_journal() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    let first = sealed(&run(&mut place.record(&["--seconds", "2", "--json"])));
    let damaged = damage(&place.visit().join("recording-1.h5"));
    let recover = || sealed(&run(fingerforced().arg("recover").arg(place.path("data")).arg("--json")));
    let told = recover();
    assert_eq!((&told["decision"], &told["samples"]), (&"seal-again".into(), &first["samples"]), "{told:#}");
    let second = place.visit().join("recording-2.h5");
    assert_eq!(told["recording"], second.to_str().unwrap());
    let recording = Recording::open(&second).unwrap();
    assert_eq!((recording.root().revision, &recording.root().supersedes[..]), (2, "recording-1.h5"));
    assert_eq!(std::fs::read(place.visit().join("recording-1.h5")).unwrap(), damaged, "it stays as it is");
    assert_eq!(recover()["decision"], "sealed");
}

#[test]
fn a_visit_that_is_being_recorded_is_left_alone() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    let recording = Running::start(&mut place.record(&["--json"]));
    wait_for("samples in the journal", || place.journal_bytes().filter(|bytes| *bytes > 8000));
    for path in [place.path("data"), place.visit()] {
        let told = sealed(&run(fingerforced().arg("recover").arg(path).arg("--json")));
        assert_eq!(told["decision"], "in-use", "{told:#}");
    }
    let words = run(fingerforced().arg("recover").arg(place.path("data"))).stdout;
    assert!(String::from_utf8_lossy(&words).contains("in use, left alone"));
    assert!(!place.visit().join("recording-1.h5").exists());
    recording.signal(Signal::SIGINT);
    let told = sealed(&recording.output());
    assert_eq!(told["samples"].as_u64().unwrap() as usize, samples_in(&place.visit()).len());
}

#[test]
fn a_recording_that_begins_seals_what_was_left_and_says_what_is_missing_of_it() {
    let place = Place::default();
    let _sensor = place.sensor(&FOR_EVER);
    for is_damaged in [false, true] {
        let recording = Running::start(&mut place.record(&[]));
        let left = wait_for("samples in the journal", || {
            let visits = daemon::data_folder::visits(&SystemDisk, &place.path("data")).ok()?;
            let left = visits.into_iter().find(|visit| !visit.join("recording-1.h5").exists())?;
            let journal = std::fs::metadata(left.join("journal-000")).ok()?;
            (journal.len() > 10_000).then_some(left)
        });
        recording.signal(Signal::SIGKILL);
        recording.output();
        if is_damaged {
            damage(&left.join("journal-000"));
        }
        let output = run(&mut place.record(&["--seconds", "1"]));
        let told = stderr(&output);
        assert!(output.status.success() && left.join("recording-1.h5").exists(), "{told}");
        let lines: Vec<&str> = told.lines().filter(|line| line.contains("is sealed now")).collect();
        let [line] = lines[..] else { panic!("{told}") };
        let name = left.file_name().unwrap().to_str().unwrap();
        let words: &[&str] = match is_damaged {
            false => &["WARN", name, "missing_samples=0"],
            true => &["ERROR", name, "not complete", "missing_samples=", "unreadable bytes", "lost"],
        };
        assert!(words.iter().all(|word| line.contains(word)), "{words:?}: {line}");
    }
}

#[test]
fn a_journal_of_which_nothing_can_be_read_is_said_everywhere_and_stays_as_it_is() {
    let place = Place::default();
    let _sensor = place.sensor(&FOR_EVER);
    assert!(run(&mut place.record(&["--seconds", "1", "--no-seal"])).status.success());
    let (visit, data) = (place.visit(), place.path("data"));
    let journal = visit.join("journal-000");
    let zeros = vec![0; std::fs::read(&journal).unwrap().len()];
    std::fs::write(&journal, &zeros).unwrap();
    for path in [&data, &visit] {
        let output = run(fingerforced().arg("recover").arg(path).arg("--json"));
        let told = json(&output)["visits"][0].clone();
        assert_eq!((output.status.code(), &told["decision"]), (Some(1), &"lost".into()), "{told:#}");
        assert_eq!(told["damage"][0]["damage"], "bad_header", "{told:#}");
        let words = run(fingerforced().arg("recover").arg(path)).stdout;
        let words = String::from_utf8_lossy(&words).into_owned();
        for word in ["no record of its journal can be read", "damage: journal-000", "hint: look for a copy"] {
            assert!(words.contains(word), "{word}: {words}");
        }
    }
    let told = run(fingerforced().args(["check", "--data"]).arg(&data)).stdout;
    let told = String::from_utf8_lossy(&told).into_owned();
    assert!(told.contains("WARNING  0 interrupted, 0 to be sealed, 1 unreadable"), "{told}");
    let told = stderr(&run(&mut place.record(&["--seconds", "1"])));
    assert!(told.contains("no record of this visit's journal can be read"), "{told}");
    assert_eq!(std::fs::read(&journal).unwrap(), zeros);
}

#[test]
fn a_data_folder_without_visits_is_said_to_have_none() {
    let place = Place::default();
    std::fs::create_dir_all(place.path("data/visits")).unwrap();
    let output = run(fingerforced().arg("recover").arg(place.path("data")));
    assert!(output.status.success() && output.stdout.starts_with(b"there is no visit in "), "{output:?}");
    // As a kill between a visit's folder and its journal leaves it; named, it is still a visit, and another folder none.
    let empty = place.path("data/visits/20260302T090000Z-abcdef01");
    std::fs::create_dir(&empty).unwrap();
    let output = run(fingerforced().arg("recover").arg(&empty).arg("--json"));
    assert!(output.status.success(), "{}", stderr(&output));
    assert_eq!(json(&output)["visits"][0]["decision"], "nothing");
    std::fs::create_dir(place.path("elsewhere")).unwrap();
    assert_eq!(run(fingerforced().arg("recover").arg(place.path("elsewhere"))).status.code(), Some(1));
}
