//! The program that serves the page, past the page: consent, others who have the port or the folder, those who watch.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use nix::sys::signal::Signal;
use serde_json::{Value, json};
use tests::clinic::{Clinic, PLAN};
use tests::{Running, fingerforced, run, stderr, wait_for};

/// Error and hint of a refusal.
fn refused(answer: &str) -> (String, String) {
    assert!(answer.starts_with("HTTP/1.1 400"), "{answer}");
    let told: Value = serde_json::from_str(answer.split("\r\n\r\n").nth(1).unwrap()).unwrap();
    (told["error"].as_str().unwrap().to_owned(), told["hint"].as_str().unwrap().to_owned())
}

fn ended(clinic: &Clinic, cookie: &str) {
    assert!(clinic.post(cookie, "/api/visit/end", &json!({})).starts_with("HTTP/1.1 204"));
    let own = format!("Cookie: {cookie}\r\n");
    wait_for("the recording", || clinic.get("/api/results", &own).starts_with("HTTP/1.1 200").then_some(()));
}

/// What `/healthz` counts.
fn counted(clinic: &Clinic, what: &str) -> u64 {
    let answer = clinic.get("/healthz", "");
    assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("alive\n"), "{answer}");
    let line = answer.lines().find_map(|line| line.strip_prefix(what)).expect(&answer);
    line.trim().parse().unwrap()
}

#[test]
fn a_research_plan_asks_for_consent_on_the_page_too_and_the_recording_holds_it() {
    let clinic = Clinic::open(&[]);
    let cookie = clinic.cookie(&clinic.link);
    let plan = PLAN.replacen('\n', "\nresearch = true\n", 1);
    let begin = |version: &str, date: &str, participant: &str| {
        let wanted = json!({ "plan_text": plan, "participant": participant, "consent_version": version, "consent_date": date });
        clinic.post(&cookie, "/api/visit", &wanted)
    };
    for (version, date, participant, words) in [
        ("", "", "P014", "this is a research plan"),
        ("2.1", "", "P014", "is no date"),
        ("", "2026-03-02", "P014", "consent-version"),
        ("2.1", "2.3.2026", "P014", "YYYY-MM-DD"),
        ("2.1", "2999-01-01", "P014", "not given yet"),
        ("2.1", "1026-03-02", "P014", "is the year right"),
        ("2.1", "2026-03-02", "", "consent is somebody's"),
    ] {
        let (error, _) = refused(&begin(version, date, participant));
        assert!(error.contains(words), "{version} {date} {participant}: {error}");
    }
    assert!(
        !clinic.place.path("data/visits").exists()
            || std::fs::read_dir(clinic.place.path("data/visits")).unwrap().count() == 0
    );
    let begun = begin("2.1", "2026-03-02", "P014");
    assert!(begun.starts_with("HTTP/1.1 204"), "{begun}");
    wait_for("samples", || clinic.place.journal_bytes().filter(|bytes| *bytes > 6000));
    ended(&clinic, &cookie);
    let recording = Recording::open(&clinic.place.visit().join("recording-1.h5")).unwrap();
    let consent = ("consent".to_owned(), "2026-03-02 version 2.1".to_owned());
    assert!(recording.root().participant_fields.contains(&consent), "{:?}", recording.root());
}

#[test]
fn a_port_or_a_folder_that_another_program_has_is_refused_with_what_to_do() {
    let clinic = Clinic::logged(&[("FINGERFORCE_LOG", "warn")], &[]);
    let cookie = clinic.cookie(&clinic.link);
    let elsewhere = clinic.place.path("elsewhere");
    let mut record = fingerforced();
    record
        .arg("record")
        .arg("--port")
        .arg(clinic.place.port())
        .arg("--data")
        .arg(&elsewhere)
        .arg("--no-seal");
    let other = Running::start(&mut record);
    wait_for("another recording of this port", || {
        let visit = std::fs::read_dir(elsewhere.join("visits")).ok()?.next()?.ok()?.path();
        std::fs::metadata(visit.join("journal-000")).ok().filter(|file| file.len() > 6000)
    });

    let (error, hint) = refused(&clinic.post(&cookie, "/api/visit", &json!({})));
    assert!(error.contains("is busy") && !error.contains("close"), "{error}");
    assert!(hint.contains("close that program"), "{hint}");
    let log = wait_for("a word in the log", || {
        let log = std::fs::read_to_string(clinic.place.path("log")).unwrap();
        log.contains("nothing came of it").then_some(log)
    });
    assert!(log.contains("nothing came of it: port ") && log.contains("hint=\"close that program"), "{log}");

    let mut second = fingerforced();
    second.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(&elsewhere);
    let second = run(&mut second);
    assert!(
        second.status.code() == Some(1) && stderr(&second).contains("is in use by"),
        "{}",
        stderr(&second)
    );

    other.signal(Signal::SIGINT);
    other.output();
    let begun = clinic.post(&cookie, "/api/visit", &json!({}));
    assert!(begun.starts_with("HTTP/1.1 204"), "{begun}");
}

#[test]
fn who_watches_has_a_key_that_opens_nothing_else_and_is_told_of_losses() {
    let clinic = Clinic::of_sensors(PLAN, "127.0.0.1:0", &[], &[&["--drop", "0.2"]]);
    let key = std::fs::read_to_string(clinic.place.path("data/server/watch.key")).unwrap();
    let with = |key: &str| format!("Authorization: Bearer {key}\r\n");
    for (path, key, status) in [
        ("/metrics", &key[..], "200"),
        ("/metrics", "", "401"),
        ("/metrics", &key[1..], "401"),
        ("/api/setup", &key, "401"),
        ("/", &key, "401"),
        ("/openapi.json", &key, "401"),
    ] {
        let answer = clinic.get(path, &with(key));
        assert_eq!(answer.split(' ').nth(1), Some(status), "{path}: {answer}");
    }
    assert!(clinic.get("/metrics", "").starts_with("HTTP/1.1 401"));
    assert_eq!(counted(&clinic, "missing_samples"), 0);
    let cookie = clinic.cookie(&clinic.link);
    assert!(clinic.post(&cookie, "/api/visit", &json!({})).starts_with("HTTP/1.1 204"));
    let missing =
        wait_for("losses", || Some(counted(&clinic, "missing_samples")).filter(|missing| *missing > 0));
    ended(&clinic, &cookie);
    assert!(counted(&clinic, "missing_samples") >= missing && counted(&clinic, "failed_syncs") == 0);
    // Nothing can be recorded any more.
    let data = clinic.place.path("data");
    std::fs::rename(&data, clinic.place.path("moved")).unwrap();
    std::fs::write(&data, "no folder").unwrap();
    let answer = clinic.get("/healthz", "");
    assert!(
        answer.starts_with("HTTP/1.1 503") && answer.contains("nothing can be recorded: data folder"),
        "{answer}"
    );
}
