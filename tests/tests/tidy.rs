//! The machine's readiness, and journals that go by a rule.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::Output;
use tests::{Place, fingerforced, json, run, sealed, stderr};

fn on_data(place: &Place, command: &str) -> Output {
    run(fingerforced().args([command, "--json", "--data"]).arg(place.path("data")))
}

fn recorded(place: &Place) -> PathBuf {
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1"]);
    PathBuf::from(
        sealed(&run(&mut place.record(&["--seconds", "2", "--json"])))["recording"].as_str().unwrap(),
    )
}

/// In many places: HDF5 also has bytes that mean nothing.
fn damage(whole: &[u8]) -> Vec<u8> {
    let mut damaged = whole.to_vec();
    let step = damaged.len() / 20;
    damaged.chunks_mut(step).skip(1).flat_map(|part| part.iter_mut().take(64)).for_each(|byte| *byte ^= 0x55);
    damaged
}

#[test]
fn a_journal_goes_only_by_the_rule_and_only_when_its_recording_is_whole() {
    let place = Place::default();
    let recording = recorded(&place);
    // A visit of long ago: the folder's name says when.
    let folder = place.path("data").join("visits/20200301T090000Z-abcdef01");
    std::fs::rename(recording.parent().unwrap(), &folder).unwrap();
    let (recording, journal) = (folder.join("recording-1.h5"), folder.join("journal-000"));
    let settings = place.path("data").join("settings.toml");
    assert_eq!(json(&on_data(&place, "tidy"))["removed"], serde_json::json!([]));
    assert!(journal.exists(), "without a rule everything stays");
    std::fs::write(&settings, "[journals]\nafter_sealing = \"delete\"\n").unwrap();
    assert_eq!(on_data(&place, "tidy").status.code(), Some(1), "a rule that cannot be understood is none");
    std::fs::write(
        &settings,
        "retention_days = 30\n[journals]\nafter_sealing = \"remove\"\nafter_days = 30\n",
    )
    .unwrap();

    let whole = std::fs::read(&recording).unwrap();
    std::fs::write(&recording, damage(&whole)).unwrap();
    assert_eq!(json(&on_data(&place, "tidy"))["removed"], serde_json::json!([]), "nothing goes unverified");
    assert!(journal.exists());
    std::fs::write(&recording, whole).unwrap();
    let told = json(&on_data(&place, "tidy"));
    assert_eq!(told["removed"].as_array().unwrap().len(), 1, "{told:#}");
    assert_eq!(told["overdue"].as_array().unwrap().len(), 1, "listed, not erased: {told:#}");
    assert!(!journal.exists() && recording.exists() && folder.join("journal-removed.json").exists());
    let after = sealed(&run(fingerforced().arg("recover").arg(place.path("data")).arg("--json")));
    assert_eq!(after["decision"], "sealed", "{after:#}");

    // Nothing is left to make it again from: that is said, loudly, and nothing is touched.
    let recover = || run(fingerforced().arg("recover").arg(place.path("data")));
    for (left, words) in
        [(Some(damage(&std::fs::read(&recording).unwrap())), "is damaged"), (None, "is gone")]
    {
        std::fs::remove_file(&recording).unwrap();
        left.iter().for_each(|bytes| std::fs::write(&recording, bytes).unwrap());
        let output = recover();
        let told = String::from_utf8_lossy(&output.stdout).into_owned();
        assert_eq!(output.status.code(), Some(1), "{told}");
        for words in ["lost", "recording-1.h5", words, "its journal was removed on 20", "from a copy"] {
            assert!(told.contains(words), "{words}: {told}");
        }
        let told = json(&run(fingerforced().arg("recover").arg(&folder).arg("--json")));
        assert_eq!(told["visits"][0]["decision"], "lost", "{told:#}");
        assert_eq!(std::fs::read(&recording).ok(), left);
    }
    let told = json(&on_data(&place, "check"))["checks"].to_string();
    assert!(told.contains("1 without the recording that its journal was removed for"), "{told}");
}

#[test]
fn a_removal_that_was_cut_off_is_not_taken_for_another_journal() {
    let place = Place::default();
    let recording = recorded(&place);
    let folder = place.path("data").join("visits/20200301T090000Z-abcdef01");
    std::fs::rename(recording.parent().unwrap(), &folder).unwrap();
    // As a crash leaves it: the note is there, one segment is not gone yet.
    let kept = std::fs::read(folder.join("journal-000")).unwrap();
    std::fs::write(place.path("data").join("settings.toml"), "[journals]\nafter_sealing = \"remove\"\n")
        .unwrap();
    on_data(&place, "tidy");
    std::fs::write(folder.join("journal-000"), &kept[..kept.len() / 2]).unwrap();
    let after = sealed(&run(fingerforced().arg("recover").arg(place.path("data")).arg("--json")));
    assert_eq!(after["decision"], "sealed", "half a journal makes no second recording: {after:#}");
    on_data(&place, "tidy");
    assert!(!folder.join("journal-000").exists(), "the next run completes it");
}

#[test]
fn check_tells_what_is_not_as_it_should_be() {
    let place = Place::default();
    recorded(&place);
    let state = |what: &str| {
        let told = json(&on_data(&place, "check"));
        let lines = told["checks"].as_array().unwrap().clone();
        lines.into_iter().find(|line| line["what"] == what).unwrap()["state"].as_str().unwrap().to_owned()
    };
    for what in ["data folder", "privacy", "clock", "leftover journals", "erasures"] {
        assert_eq!(state(what), "good", "{what}");
    }
    let recording = place.visit().join("recording-1.h5");
    std::fs::set_permissions(&recording, std::fs::Permissions::from_mode(0o644)).unwrap();
    assert_eq!(state("privacy"), "warning");
    let _sensor = place.sensor(&[]);
    let output = run(&mut place.record(&["--seconds", "1"]));
    assert!(stderr(&output).contains("privacy") && stderr(&output).contains("chmod"), "{}", stderr(&output));
    std::fs::remove_file(&recording).unwrap();
    assert_eq!(state("leftover journals"), "warning");
}
