//! A disk that another program fills, at once and to the last byte, in the middle of a recording: a clear stop, everything
//! written before is intact, and it is sealed once there is room. The disk is a small file system in memory, in a name
//! space of its own.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use std::process::Command;
use tests::journal::samples_in;
use tests::{Place, fingerforced, run, stderr};

/// Records, fills the disk when there are samples, and waits for the end; then makes room, recovers, and copies all of it
/// to where it can be looked at. Ends with the recording's own exit code.
const SCRIPT: &str = r#"
mount -t tmpfs -o size=8m,mode=700 tmpfs "$DATA"
"$PROGRAM" record --port "$PORT" --data "$DATA" --keep-free 0 --json >"$OUT/recorded" 2>"$OUT/errors" &
recording=$!
until [ "$(stat -c %s "$DATA"/visits/*/journal-000 2>/dev/null || echo 0)" -gt 8000 ]; do
    kill -0 $recording || exit 99
done
cat /dev/zero >"$DATA/filler" 2>/dev/null
wait $recording
code=$?
rm "$DATA/filler"
cp -r "$DATA"/visits/* "$OUT/before"
"$PROGRAM" recover "$DATA" --json >"$OUT/recovered" || exit 98
cp -r "$DATA"/visits/* "$OUT/after"
exit $code
"#;

#[test]
fn a_disk_that_somebody_fills_stops_the_recording_and_costs_nothing_before() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"]);
    std::fs::create_dir(place.path("data")).unwrap();
    let mut command = Command::new("unshare");
    command.args(["--map-root-user", "--mount", "sh", "-c", SCRIPT]);
    command.env("PROGRAM", fingerforced().get_program()).env("PORT", place.port());
    let output = run(command.env("DATA", place.path("data")).env("OUT", place.path(".")));
    let errors = std::fs::read_to_string(place.path("errors")).unwrap();
    assert_eq!(output.status.code(), Some(1), "{}{errors}", stderr(&output));
    for word in ["error: recording ended early", "hint: ", "the recording was not written"] {
        assert!(errors.contains(word), "no `{word}` in: {errors}");
    }
    // Who notices first depends on the moment: the look at what is free, or the write itself.
    assert!(errors.contains("disk nearly full") || errors.contains("No space left"), "{errors}");
    assert!(!errors.contains("panicked"), "{errors}");

    let appended = samples_in(&place.path("before"));
    assert!(appended.len() > 500, "{} samples", appended.len());
    let recording = Recording::open(&place.path("after/recording-1.h5")).unwrap();
    recording.verify().unwrap();
    assert_eq!(recording.sensors()[0].samples as usize, appended.len());
    let told: serde_json::Value =
        serde_json::from_slice(&std::fs::read(place.path("recovered")).unwrap()).unwrap();
    let damage = told["visits"][0]["damage"].as_array().unwrap();
    assert!(damage.iter().all(|damage| damage["damage"] == "torn_tail"), "{told:#}");
}

/// A limit on the size of files ends no recording in the middle: the journal goes on in the next file.
#[test]
fn a_limit_on_the_size_of_files_kills_nothing() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"]);
    let mut record = Command::new("sh");
    // Blocks of 512 or 1024 bytes, as the shell likes: less than a second of samples.
    record.args([
        "-c",
        "ulimit -f 8; exec \"$PROGRAM\" record --port \"$PORT\" --data \"$DATA\" --seconds 6 --json",
    ]);
    record.env("PROGRAM", fingerforced().get_program()).env("PORT", place.port());
    let output = run(record.env("DATA", place.path("data")));
    assert_eq!(output.status.code(), Some(1), "not by a signal: {}", stderr(&output));
    let visit = place.visit();
    let appended = samples_in(&visit);
    let recovered = run(fingerforced().arg("recover").arg(place.path("data")));
    assert!(recovered.status.success(), "{}", stderr(&recovered));
    let recording = Recording::open(&visit.join("recording-1.h5")).unwrap();
    recording.verify().unwrap();
    assert_eq!(recording.sensors()[0].samples as usize, appended.len());
    // From the zero on: 6 s of 1 kHz, and not what fits into one file.
    assert!(appended.len() > 5000, "{} samples: {}", appended.len(), stderr(&output));
}
