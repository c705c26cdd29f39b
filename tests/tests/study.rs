//! The invented study of `fixtures/study`: made again it is the same, and the README's walk through it goes as it says.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use tests::{binaries, fingerforce, fixtures, run, stderr};

/// A line of the walk, in the folder of the study.
fn walked(line: &str, study: &Path) -> Output {
    let path = format!("{}:{}", binaries().display(), std::env::var("PATH").unwrap());
    let output = Command::new("sh").args(["-c", line]).current_dir(study).env("PATH", path).output().unwrap();
    assert!(output.status.success(), "{line}: {}", stderr(&output));
    output
}

/// Numbers to nine digits: another machine's last ones may differ.
fn same(made: &str, kept: &str) {
    let (made, kept): (Vec<&str>, Vec<&str>) = (made.lines().collect(), kept.lines().collect());
    assert_eq!((made.len(), made[0]), (kept.len(), kept[0]));
    for (number, (made, kept)) in made.iter().zip(&kept).enumerate() {
        let (made, kept): (Vec<&str>, Vec<&str>) = (made.split(',').collect(), kept.split(',').collect());
        assert_eq!(made.len(), kept.len(), "line {}", number + 1);
        for (a, b) in made.iter().zip(&kept) {
            let close = match (a.parse::<f64>(), b.parse::<f64>()) {
                (Ok(a), Ok(b)) => (a - b).abs() <= 1e-9 * (1.0 + b.abs()),
                _ => a == b,
            };
            assert!(close, "line {}: {a} is not {b}", number + 1);
        }
    }
}

#[test]
fn made_again_it_is_the_same_and_the_readme_walks_through_it() {
    let place = tempfile::tempdir().unwrap();
    let study = place.path().join("study");
    std::fs::create_dir(&study).unwrap();
    let files = tests::study::write(&study);
    assert_eq!(files.len(), 48);
    let exported = run(fingerforce().args(["export", "--to", "csv"]).args(&files));
    let exported = String::from_utf8(exported.stdout).unwrap();
    let text = |path: &str| std::fs::read_to_string(fixtures().join(path)).unwrap();
    same(&exported, &text("study/trials.csv"));

    let (protocol, readme) = (text("study/study.toml"), text("../README.md"));
    let (_, walk) = readme.split_once("### A study, walked through").unwrap();
    let walk = walk.split("\n## ").next().unwrap();
    let shown = walk.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    assert_eq!(shown, protocol, "the README shows the protocol that stands in fixtures/study");
    std::fs::write(study.join("study.toml"), &protocol).unwrap();
    let lines: Vec<&str> = walk.lines().filter(|line| line.starts_with("fingerforce ")).collect();
    assert!(lines.len() >= 10, "{lines:?}");
    for line in &lines {
        walked(line, &study);
    }

    // What is in it to be found.
    let read = |line: &str| -> Value { serde_json::from_slice(&walked(line, &study).stdout).unwrap() };
    let listing = read("fingerforce study P*-visit-*.h5 --protocol study.toml --on 2026-03-20 --json");
    assert_eq!(listing["settings"], listing["protocol"]["settings"], "the README's digest of the settings");
    for visit in listing["visits"].as_array().unwrap() {
        assert_eq!(visit["deviations"], serde_json::json!([]), "{visit:#}");
    }
    let open = listing["open"].as_array().unwrap();
    assert_eq!(open.len(), 1, "{open:#?}");
    assert_eq!((&open[0]["participant"], &open[0]["state"]), (&"P09".into(), &"missing".into()));
    let excluded =
        listing["visits"].as_array().unwrap().iter().filter(|of| of["excluded"] != serde_json::json!([]));
    let excluded: Vec<&Value> = excluded.collect();
    assert!(excluded.len() == 1 && excluded[0].to_string().contains("slipped off the pad"), "{excluded:#?}");
    let compared = read(
        "fingerforce compare P12-E1-visit-1.h5 after-training-P12.h5 --reliability reliability.json --json",
    );
    let verdicts: Vec<&Value> =
        compared["changes"].as_array().unwrap().iter().map(|change| &change["verdict"]).collect();
    assert_eq!(verdicts, ["increased", "within-error"], "{compared:#}");
}
