//! `fingerforce sensor` as a program: readings in, figures and a page out.
#![allow(clippy::unwrap_used)]
use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};

fn sensor(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fingerforce")).arg("sensor").args(arguments).output().unwrap()
}

/// Published: NIST StRD Pontius, the calibration of load cells: `y,x` there, `reference_n,indication` here.
fn pontius(folder: &Path) -> String {
    let text: String = include_str!("../../fixtures/nist/pontius.csv")
        .lines()
        .skip(1)
        .filter_map(|line| line.split_once(','))
        .map(|(y, x)| format!("{x},{y}\n"))
        .collect();
    let path = folder.join("pontius.csv");
    std::fs::write(&path, "reference_n,indication\n".to_owned() + &text).unwrap();
    path.display().to_string()
}

#[test]
fn the_load_cells_of_nist_go_through_the_program() {
    let folder = tempfile::tempdir().unwrap();
    let (file, page) = (pontius(folder.path()), folder.path().join("sensor.html"));
    let report = ["--report", page.to_str().unwrap()];
    let out = sensor(&[&["--calibration", &file, "--json"][..], &report].concat());
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let document: Value = serde_json::from_slice(&out.stdout).unwrap();
    let branch = &document["calibration"]["branches"][0];
    let coefficient = branch["curve"]["coefficients"][2].as_f64().unwrap();
    // Certified values: NIST/ITL StRD, linear regression, Pontius.
    assert!((coefficient / -0.316081871345029e-14 - 1.0).abs() < 1e-9, "{coefficient}");
    assert!((branch["residual_sd"].as_f64().unwrap() / 0.205177424076185e-3 - 1.0).abs() < 1e-9);
    let html = std::fs::read_to_string(page).unwrap();
    for word in ["non-linearity, terminal line", "not a certificate", "reference is not stated", "<svg"] {
        assert!(html.contains(word), "{word}");
    }
    assert!(!html.contains("<script") && !html.contains("src=") && !html.contains("href="));
    let text = sensor(&["--calibration", &file, "--out", folder.path().to_str().unwrap()]);
    let text = String::from_utf8(text.stdout).unwrap();
    assert!(text.contains("F test at p < 0.01") && text.contains("ν eff"), "{text}");
    assert!(folder.path().join("calibration-positive.png").exists());
}

#[test]
fn wrong_usage_and_bad_readings_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("bad.csv");
    std::fs::write(&path, "reference_n,indication\n0,1\nheavy,2\n").unwrap();
    let path = path.to_str().unwrap();
    for (arguments, code, word) in [
        (vec!["--calibration", path], 1, "line 3"),
        (vec!["--calibration", "/nowhere.csv"], 1, "cannot read"),
        (vec!["--calibration", path, "--creep", "200"], 2, "--creep"),
        (vec![], 2, "required"),
    ] {
        let out = sensor(&arguments);
        let told = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(code), "{told}");
        assert!(told.contains(word), "{told}");
    }
}

#[test]
fn checks_become_a_control_chart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("checks.jsonl");
    let line = |n: u32| {
        let read_n = 50.0 + f64::from(n % 3) * 0.01 + if n == 9 { 0.7 } else { 0.0 };
        let passed = n != 9;
        format!(
            "{{\"when_utc\":\"2026-03-{:02}T08:00:00Z\",\"serial\":\"S\",\"channel\":1,\"reference_n\":50.0,\"read_n\":{read_n},\"expanded_n\":0.05,\"limit_n\":0.5,\"passed\":{passed},\"visit_id\":\"\"}}\n",
            n + 1
        )
    };
    std::fs::write(&path, (0..10).map(line).collect::<String>() + "cut off\n").unwrap();
    let out = sensor(&["--checks", path.to_str().unwrap(), "--out", folder.path().to_str().unwrap()]);
    let text = String::from_utf8(out.stdout).unwrap();
    for word in ["control limits", "check FAILED: 50.700 N", "1 lines of the file are no checks"] {
        assert!(text.contains(word), "{word}: {text}");
    }
    assert!(folder.path().join("checks.svg").exists());
}
