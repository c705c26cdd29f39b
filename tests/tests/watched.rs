//! What is lost is said where a machine can watch for it: an error, with counts that add up to what is missing.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use serde_json::Value;
use tests::{Place, run, sealed, stderr};

#[test]
fn lost_samples_are_errors_with_counts_that_add_up() {
    let place = Place::default();
    let options = ["--drop", "0.2", "--unplug-after", "1.5", "--return-after", "0.3"];
    let _sensor = place.sensor(
        &[&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"][..], &options].concat(),
    );
    let output = run(place.record(&["--seconds", "3", "--json"]).env("FINGERFORCE_LOG_FORMAT", "json"));
    let missing = sealed(&output)["missing_samples"].as_u64().unwrap();
    assert!(missing > 300, "nothing was lost");
    let told = stderr(&output);
    let logs: Vec<Value> = told
        .lines()
        .filter(|line| line.starts_with('{'))
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    let lost = logs.iter().filter(|log| log["fields"]["message"] == "samples are missing");
    let counts: Vec<u64> = lost
        .map(|log| {
            assert_eq!(log["level"], "ERROR", "{log}");
            assert!(log["timestamp"].is_string() && log["fields"]["last_reason"].is_string(), "{log}");
            log["fields"]["missing"].as_u64().unwrap()
        })
        .collect();
    assert_eq!(counts.iter().sum::<u64>(), missing, "{told}");
}
