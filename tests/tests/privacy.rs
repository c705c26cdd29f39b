//! Who may read what was recorded, and what is said about whom.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use tests::{Place, fingerforce, fingerforced, run, sealed, stderr};

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
    for path in made {
        let mode = std::fs::metadata(&path).unwrap().permissions().mode() & 0o777;
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
