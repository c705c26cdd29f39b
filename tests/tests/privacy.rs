//! Who may read what was recorded, and what is said about whom.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use serde_json::json;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tests::clinic::Clinic;
use tests::{Place, fingerforce, fingerforced, run, sealed, stderr, wait_for};

const CODES: [&str; 4] = ["--participant", "QX7731", "--examiner", "ZK4409"];

/// Everything in a folder, itself included.
fn tree(folder: &Path) -> Vec<PathBuf> {
    let mut found = vec![folder.to_owned()];
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() { found.extend(tree(&path)) } else { found.push(path) }
    }
    found
}

/// Runs a program as a careless shell would: with a umask that lets everybody read.
fn with_open_umask(command: &std::process::Command) -> std::process::Output {
    let mut shell = std::process::Command::new("sh");
    shell.args(["-c", "umask 000; exec \"$@\"", "sh"]).arg(command.get_program()).args(command.get_args());
    run(&mut shell)
}

#[test]
fn everything_either_program_makes_is_for_its_owner_only() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1"]);
    let recorded = with_open_umask(place.record(&["--seconds", "4", "--json"]).args(CODES));
    let recording = sealed(&recorded)["recording"].as_str().unwrap().to_owned();
    let plots = place.path("plots");
    let plotted = with_open_umask(fingerforce().args(["plot", &recording, "--out"]).arg(&plots));
    assert!(plotted.status.success(), "{}", stderr(&plotted));
    let made: Vec<PathBuf> = [place.path("data"), plots].iter().flat_map(|folder| tree(folder)).collect();
    assert!(made.len() > 6, "{made:?}");
    are_private(&made);
}

fn are_private(made: &[PathBuf]) {
    for path in made {
        let mode = std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
        let expected = if path.is_dir() { 0o700 } else { 0o600 };
        assert_eq!(mode, expected, "{} has mode {mode:o}", path.display());
    }
}

#[test]
fn no_code_is_in_a_path_or_in_a_log() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--effort", "make:25:1", "--drop", "0.05"]);
    let mut command = place.record(&["--seconds", "4"]);
    let output = run(command.args(CODES).env("FINGERFORCE_LOG", "trace"));
    assert!(output.status.success(), "{}", stderr(&output));
    let again = run(fingerforced().arg("recover").arg(place.path("data")).env("FINGERFORCE_LOG", "trace"));
    for code in ["QX7731", "ZK4409"] {
        for text in [stderr(&output), stderr(&again)] {
            assert!(!text.contains(code), "{text}");
        }
        for path in tree(&place.path("data")) {
            assert!(!path.to_string_lossy().contains(code), "{}", path.display());
        }
    }
}

/// Samples of the visit that is on, as `/metrics` counts them.
fn samples(metrics: &str) -> u64 {
    let line = metrics.lines().find_map(|line| line.strip_prefix("fingerforce_samples_total "));
    line.and_then(|number| number.parse().ok()).unwrap_or(0)
}

#[test]
fn no_code_is_in_what_a_served_visit_logs_or_tells_those_who_watch_and_all_of_it_is_private() {
    let mut clinic = Clinic::logged(&[("FINGERFORCE_LOG", "trace")], &[]);
    let key = clinic.link.rsplit('=').next().unwrap().to_owned();
    let cookie = clinic.cookie(&clinic.link);
    let own = format!("Cookie: {cookie}\r\n");
    // What is refused is told to the page that asked, and to nobody else.
    for (refused, word) in [
        (json!({ "participant": "Miller7" }), "Miller7"),
        (json!({ "examiner": "someone7@example.org" }), "someone7"),
        (json!({ "plan_text": "title = \"t\"\n\"Jane Example\" = 3" }), "Jane Example"),
    ] {
        let answer = clinic.post(&cookie, "/api/visit", &refused);
        assert!(answer.starts_with("HTTP/1.1 400") && answer.contains(word), "{answer}");
    }
    let mut watched = Vec::new();
    let mut begin = |clinic: &Clinic| {
        let visit = json!({ "participant": "QX7731", "examiner": "ZK4409", "about": { "sex": "female" } });
        let answer = clinic.post(&cookie, "/api/visit", &visit);
        assert!(answer.starts_with("HTTP/1.1 204"), "{answer}");
        let metrics = wait_for("samples", || {
            let metrics = clinic.get("/metrics", &own);
            (samples(&metrics) > 500).then_some(metrics)
        });
        watched.extend([metrics, clinic.get("/healthz", ""), clinic.get("/healthz", &own)]);
    };
    begin(&clinic);
    assert!(clinic.post(&cookie, "/api/visit/end", &json!({})).starts_with("HTTP/1.1 204"));
    wait_for("the recording", || clinic.get("/api/results", &own).starts_with("HTTP/1.1 200").then_some(()));
    let seen = json!({ "by": "ZK4409", "why": "seen late", "change": "observe", "item": -1, "kind": "text",
        "value": "swollen", "scale": "" });
    let answer = clinic.post(&cookie, "/api/correct", &seen);
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    // What looks like a name is asked about once: who means it enters it again.
    let named = json!({ "by": "ZK4409", "why": "Jane Example said so", "change": "observe", "item": -1, "kind": "text",
        "value": "tired", "scale": "" });
    for begins in ["HTTP/1.1 400", "HTTP/1.1 200"] {
        let answer = clinic.post(&cookie, "/api/correct", &named);
        assert!(answer.starts_with(begins), "{answer}");
        let asked = answer.contains("does `Jane Example` say who somebody is?")
            && answer.contains("enter the same again");
        assert_eq!(asked, begins.ends_with("400"), "{answer}");
    }
    // The next visit is interrupted, and sealed when the program starts again.
    begin(&clinic);
    for begins in ["HTTP/1.1 400", "HTTP/1.1 204"] {
        let answer =
            clinic.post(&cookie, "/api/visit/act", &json!({ "line": "o text: Mrs Jane Example cried" }));
        assert!(answer.starts_with(begins), "{answer}");
        assert_eq!(answer.contains("enter the same again"), begins.ends_with("400"), "{answer}");
    }
    clinic.restart();
    watched.push(clinic.get("/metrics", &own));
    let log = std::fs::read_to_string(clinic.place.path("log")).unwrap();
    for told in ["sealing a visit that was left unsealed", "a page's request was refused"] {
        assert!(log.contains(told), "{log}");
    }
    let made = tree(&clinic.place.path("data"));
    for code in ["QX7731", "ZK4409", "Miller", "someone7", "Example", "swollen", &key] {
        for text in watched.iter().chain([&log]) {
            assert!(!text.contains(code), "{code} in: {text}");
        }
        for path in &made {
            assert!(!path.to_string_lossy().contains(code), "{}", path.display());
        }
    }
    assert!(made.iter().filter(|path| path.ends_with("recording-1.h5")).count() == 2, "{made:?}");
    are_private(&made);
}

#[test]
fn a_code_that_is_none_is_refused_before_anything_is_made() {
    let place = Place::default();
    for (given, why) in
        [("Miller7", "name"), ("1980-03-02", "birth"), ("a1@b.org", "e-mail"), ("../../x1", "path")]
    {
        for option in ["--participant", "--examiner"] {
            let output = run(&mut place.record(&[option, given]));
            assert_eq!(output.status.code(), Some(2));
            assert!(stderr(&output).contains(why), "{}", stderr(&output));
        }
    }
    assert!(!place.path("data").exists());
}
