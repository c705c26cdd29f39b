//! What is lost is said where a machine can watch for it: an error, with counts that add up to what is missing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use tests::clinic::Clinic;
use tests::{Place, fingerforced, run, sealed, stderr, wait_for};

const FORMAT: (&str, &str) = ("FINGERFORCE_LOG_FORMAT", "json");
/// A bad line, and a cable that is out for a moment.
const BAD: [&str; 6] = ["--drop", "0.2", "--unplug-after", "1.5", "--return-after", "0.3"];

/// Every line is an event.
fn events(told: &str) -> Vec<Value> {
    let event = |line: &str| serde_json::from_str(line).unwrap_or_else(|error| panic!("{error}: {line}"));
    told.lines().map(event).collect()
}

fn said<'a>(events: &'a [Value], message: &'a str) -> impl Iterator<Item = &'a Value> {
    let is_said = move |event: &&Value| event["fields"]["message"].as_str().unwrap().starts_with(message);
    events.iter().filter(is_said)
}

/// The errors' counts by reason, and what the recording says is missing.
fn add_up(events: &[Value], recording: &Path) -> BTreeMap<String, u64> {
    let (mut told, mut total) = (BTreeMap::new(), 0);
    for event in said(events, "samples are missing").filter(|event| !event["fields"]["missing"].is_null()) {
        let fields = &event["fields"];
        assert!(event["level"] == "ERROR" && event["timestamp"].is_string(), "{event}");
        let missing = fields["missing"].as_u64().unwrap();
        total += missing;
        assert_eq!((fields["total"].as_u64(), &fields["sensor"]), (Some(total), &1.into()), "{event}");
        *told.entry(fields["reason"].as_str().unwrap().to_owned()).or_default() += missing;
    }
    let mut gaps = BTreeMap::new();
    for gap in Recording::open(recording).unwrap().gaps(1).unwrap() {
        if let Ok(missing) = u64::try_from(gap.missing) {
            *gaps.entry(gap.reason).or_default() += missing;
        }
    }
    assert_eq!(told, gaps, "{events:#?}");
    told
}

/// What went wrong is in the log, each loss under its own reason.
fn all_is_told(told: &str, recording: &Path) {
    let events = events(told);
    let missing = add_up(&events, recording);
    assert!(missing["lost frame"] > 100 && missing["unplugged"] > 100, "{missing:?}");
    let gone: Vec<&Value> = said(&events, "the port is gone").collect();
    assert!(gone.len() == 1 && gone[0]["fields"]["reason"] == "unplugged", "{told}");
    let began: Vec<&Value> = said(&events, "a new segment began").collect();
    assert!(began.len() == 1 && began[0]["level"] == "WARN", "{told}");
}

#[test]
fn lost_samples_are_errors_with_counts_that_add_up() {
    let place = Place::default();
    // Something that the start warns of.
    std::fs::create_dir(place.path("data")).unwrap();
    std::fs::set_permissions(place.path("data"), PermissionsExt::from_mode(0o755)).unwrap();
    let _sensor = place.sensor(
        &[&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"][..], &BAD].concat(),
    );
    let output = run(place.record(&["--seconds", "3", "--json"]).envs([FORMAT]));
    let recording = sealed(&output)["recording"].as_str().unwrap().to_owned();
    all_is_told(&stderr(&output), Path::new(&recording));
    assert_eq!(said(&events(&stderr(&output)), "privacy").count(), 1, "{}", stderr(&output));
}

#[test]
fn what_a_served_visit_loses_is_told_the_same_way() {
    let clinic = Clinic::logged(&[FORMAT], &BAD);
    let cookie = clinic.cookie(&clinic.link);
    let own = format!("Cookie: {cookie}\r\n");
    assert!(clinic.post(&cookie, "/api/visit", &json!({})).starts_with("HTTP/1.1 204"));
    wait_for("a second segment", || {
        let view = std::fs::read_to_string(clinic.place.path("log")).unwrap();
        view.contains("a new segment began").then_some(())
    });
    assert!(clinic.post(&cookie, "/api/visit/end", &json!({})).starts_with("HTTP/1.1 204"));
    wait_for("the recording", || clinic.get("/api/results", &own).starts_with("HTTP/1.1 200").then_some(()));
    let log = std::fs::read_to_string(clinic.place.path("log")).unwrap();
    all_is_told(&log, &clinic.place.visit().join("recording-1.h5"));
}

#[test]
fn an_error_is_an_event_too_with_what_to_do_beside_it() {
    let place = Place::default();
    for (arguments, code, told, advised) in [
        (&["record", "--port", "/nowhere"][..], 1, "/nowhere", true),
        (&["record", "--participant", "a@b.org"], 2, "e-mail", false),
        (&["record", "--nonsense"], 2, "--nonsense", false),
    ] {
        let output = run(fingerforced().args(arguments).arg("--data").arg(place.path("data")).envs([FORMAT]));
        let events = events(&stderr(&output));
        assert_eq!((output.status.code(), events.len()), (Some(code), 1), "{events:?}");
        let fields = &events[0]["fields"];
        assert!(
            events[0]["level"] == "ERROR" && fields["message"].as_str().unwrap().contains(told),
            "{fields}"
        );
        assert_eq!(fields["hint"].is_string(), advised, "{fields}");
    }
}
