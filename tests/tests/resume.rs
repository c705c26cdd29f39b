//! An interrupted visit goes on where it was.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use nix::sys::signal::Signal;
use tests::follow::Hand;
use tests::terminal::Terminal;
use tests::{Place, Running, fingerforce, fingerforced, run, sealed, stderr, wait_for};

const PLAN: &str = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\ntrials = 2\nhold_s = 1.2\nrest_s = 0.5\n";
const PULLS: [&str; 7] = ["--first", "2.5", "--period", "3.5", "--effort", "make:25:1.5", "--repeat"];

/// Records by a plan of two trials until one is done, then kills the program.
fn interrupted(place: &Place, plan: &str) {
    let file = place.path("plan.toml");
    std::fs::write(&file, plan).unwrap();
    let recording =
        Running::start(&mut place.record(&["--plan", file.to_str().unwrap(), "--participant", "P014"]));
    wait_for("the first hold in the journal", || {
        let visit = std::fs::read_dir(place.path("data").join("visits")).ok()?.next()?.ok()?.path();
        let journal = std::fs::read(visit.join("journal-000")).ok()?;
        journal.windows(14).any(|bytes| bytes == b"\"kind\":\"hold\",").then_some(())
    });
    recording.signal(Signal::SIGKILL);
    recording.output();
}

#[test]
fn an_interrupted_visit_waits_and_is_finished_by_resuming_it() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    interrupted(&place, PLAN);
    let waiting = run(fingerforced().arg("recover").arg(place.path("data")).arg("--json"));
    assert_eq!(sealed(&waiting)["decision"], "interrupted");
    let told = sealed(&run(&mut place.record(&["--resume", "--json"])));
    assert_eq!(told["finished"], "plan finished", "{told:#}");
    assert_eq!(told["damage"].as_array().unwrap().len(), 0, "{told:#}");
    let recording = Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
    recording.verify().unwrap();
    assert_eq!(recording.root().participant, "P014");
    let rows = recording.trials().unwrap();
    let counted: Vec<_> =
        rows.iter().filter(|row| row.valid == 1).map(|row| (row.number, row.segment)).collect();
    assert_eq!(counted, [(1, 0), (2, 1)], "the first trial is the one from before");
    let events = recording.events().unwrap();
    assert!(events.iter().all(|event| event.kind != "hold differs from what was shown"));
    assert!(events.iter().any(|event| event.detail == "interrupted"));
    assert!(place.visit().join("journal-001").exists(), "resuming appends a segment");
}

/// Both programs' terminals are listened to; the hand stays between them.
#[test]
fn an_examination_that_is_killed_goes_on_at_its_break_without_asking_anything_again() {
    let place = Place::default();
    let mut hand = Hand::start(&place);
    let file = place.path("plan.toml");
    let plan = "title = \"t\"\nprocedure = \"examined\"\nsides = [\"right\"]\ntests = [\"make\", \"break\"]\n\
        [defaults]\ntrials = 1\nrest_s = 2.0\nhold_s = 1.0\ncount = 3\n[[muscle]]\nmuscle = \"index abduction\"\n";
    std::fs::write(&file, plan).unwrap();
    let mut record = place.record(&["--plan", file.to_str().unwrap(), "--participant", "P014"]);
    let mut first = Terminal::run(record.args(["--allow", "right break pain 0"]));
    // Killed in the middle of the break pull.
    while let Some(line) = first.line() {
        hand.hear(&line);
        if line.starts_with("go: right index abduction, break") {
            break;
        }
    }
    drop(first);
    let mut second = Terminal::run(&mut place.record(&["--resume"]));
    let mut told = Vec::new();
    while let Some(line) = second.line() {
        if line.starts_with("how much does") {
            second.keys("p 0\r");
        }
        hand.hear(&line);
        told.push(line);
    }
    let told = told.join("\n");
    assert!(!told.contains("type what is allowed") && !told.contains("make test"), "{told}");
    let recording = Recording::open(&place.visit().join("recording-1.h5")).unwrap();
    let rows = recording.trials().unwrap();
    let valid: Vec<_> = rows
        .iter()
        .filter(|row| row.valid == 1)
        .map(|row| (row.test.as_str(), row.outcome.as_str()))
        .collect();
    assert_eq!(valid, [("make", "released"), ("break", "broke")], "{told}");
    let events = recording.events().unwrap();
    assert!(events.iter().all(|event| event.kind != "hold differs from what was shown"));
    assert!(events.iter().any(|event| event.detail == "interrupted"));
    // Who goes on is told with what, and who reads the report that it happened.
    assert!(told.contains("going on with the visit of participant P014"), "{told}");
    assert!(told.contains("1 trial is recorded"), "{told}");
    let file = place.visit().join("recording-1.h5");
    let report = run(fingerforce().arg("report").arg(file).args(["--no-figures", "--out", "-"]));
    let report = String::from_utf8(report.stdout).unwrap();
    assert!(report.contains("The program was cut off; the visit was gone on with at "), "{report}");
    assert!(report.contains("<li>The plan was done to its end</li>"), "{report}");
}

#[test]
fn what_is_not_interrupted_is_not_resumed() {
    let place = Place::default();
    let _sensor = place.sensor(&PULLS);
    let nothing = run(&mut place.record(&["--resume"]));
    assert!(stderr(&nothing).contains("no interrupted visit waits"), "{}", stderr(&nothing));
    interrupted(&place, PLAN);
    let folder = place.visit();
    assert!(run(fingerforced().arg("recover").arg(&folder)).status.success());
    let bytes = std::fs::read(folder.join("journal-000")).unwrap();
    let sealed = run(&mut place.record(&[&format!("--resume={}", folder.display())]));
    assert!(stderr(&sealed).contains("cannot be resumed"), "{}", stderr(&sealed));
    assert_eq!(std::fs::read(folder.join("journal-000")).unwrap(), bytes);
    let both = run(&mut place.record(&["--resume", "--participant", "P015"]));
    assert_eq!(both.status.code(), Some(2), "whose visit it is stands in it");
}

#[test]
fn a_research_plan_asks_for_consent_and_the_recording_holds_it() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1.5"]);
    let plan = place.path("plan.toml");
    std::fs::write(&plan, PLAN.replacen('\n', "\nresearch = true\n", 1)).unwrap();
    let options = ["--plan", plan.to_str().unwrap(), "--seconds", "3", "--json"];
    let consent = ["--consent-version", "2.1", "--consent-date", "2026-03-02"];
    for (given, words) in [
        (&[][..], "--consent-version"),
        (&consent[..], "--participant"),
        (&["--consent-version", "2.1", "--consent-date", "2.3.2026"], "YYYY-MM-DD"),
        (
            &["--consent-version", "2.1", "--consent-date", "2999-01-01", "--participant", "P014"],
            "not given yet",
        ),
    ] {
        let output = run(place.record(&options).args(given));
        assert_eq!(output.status.code(), Some(2));
        assert!(stderr(&output).contains(words), "{}", stderr(&output));
    }
    assert!(!place.path("data").exists());
    let output = run(place.record(&options).args(consent).args(["--participant", "P014"]));
    let told = sealed(&output);
    let recording = Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
    let fields = &recording.root().participant_fields;
    assert_eq!(fields[..], [("consent".to_owned(), "2026-03-02 version 2.1".to_owned())]);
    let health = &tests::json(&output)["health"];
    assert_eq!(health["samples"], told["samples"], "{health:#}");
    assert_eq!(health["missing_samples"], 0);
    let sensor = std::fs::read_dir(place.path("data").join("sensors")).unwrap().count();
    assert_eq!(sensor, 1, "a sensor once seen is remembered");
}

#[test]
fn without_a_port_only_a_known_sensor_is_spoken_to() {
    let place = Place::default();
    let output = run(fingerforced().arg("record").arg("--data").arg(place.path("data")));
    assert_eq!(output.status.code(), Some(1));
    let told = stderr(&output);
    assert!(told.contains("no sensor seen before is plugged in") && told.contains("--port"), "{told}");
}
