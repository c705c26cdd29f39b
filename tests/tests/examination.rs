//! A whole examination over a pseudo-terminal in real time: `record --plan` with no key pressed after the gate, and a
//! simulated hand that follows what the terminal says.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use tests::follow::Hand;
use tests::{Place, fingerforce, fingerforced, json, run};

const PLAN: &str = r#"
title = "One muscle, both sides"
procedure = "examined"
sides = ["right", "left"]
tests = ["active-motion", "make", "break", "concentric"]

[defaults]
trials = 1
rest_s = 2.0
hold_s = 1.0
count = 3

[[muscle]]
muscle = "index abduction"
palm = "down"
"#;

#[test]
fn an_examination_runs_by_itself_after_the_gate() {
    let place = Place::default();
    let plan = place.path("plan.toml");
    std::fs::write(&plan, PLAN).unwrap();
    let mut hand = Hand::start(&place);
    let answers =
        ["--allow", "right break pain 0", "--allow", "left break pain 1 since 2026-01-03 cleared surgeon"];
    let mut record = place.record(&["--plan", plan.to_str().unwrap(), "--participant", "P001"]);
    record.args(answers).stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    let mut visit = record.spawn().unwrap();
    let mut keys = visit.stdin.take().unwrap();
    let mut heard = Vec::new();
    for line in BufReader::new(visit.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        if line.starts_with("how much does the ") {
            writeln!(keys, "p 1").unwrap();
        }
        // The left index is paralysed.
        if !line.starts_with("go: left") {
            hand.hear(&line);
        }
        heard.push(line);
    }
    let status = visit.wait().unwrap();
    let told = heard.join("\n");
    assert!(status.success(), "{told}");
    assert!(
        told.contains("not a diagnosis") && told.contains("about "),
        "cautions and duration first:\n{told}"
    );
    assert!(told.contains("not tested: no make of this muscle was measured"), "{told}");

    let recording = place.visit().join("recording-1.h5");
    let rows = Recording::open(&recording).unwrap().trials().unwrap();
    let rows: Vec<_> = rows.iter().filter(|row| row.item > 0).collect();
    let results: Vec<_> = rows.iter().map(|row| (row.item, row.outcome.as_str(), row.valid)).collect();
    // Items 5 to 8 are the left side's; a concentric pull of a muscle that makes nothing is looked for and not found.
    let expected = [
        (2, "released", 1),
        (3, "broke", 1),
        (4, "released", 1),
        (6, "below-measurable", 1),
        (8, "below-measurable", 1),
    ];
    assert_eq!(results, expected, "{told}");
    let summary = json(&run(fingerforce().arg("summary").arg(&recording).arg("--json")));
    assert_eq!(summary["items"].as_array().unwrap().len(), 5);
}

#[test]
fn built_in_plans_are_listed_printed_and_checked() {
    let text = |command: &mut Command| String::from_utf8(run(command).stdout).unwrap();
    let list = text(fingerforced().arg("plans"));
    assert!(list.contains("interossei-clinic") && list.contains(" min: "), "{list}");
    let all = tests::json(&run(fingerforced().args(["plans", "--json"])));
    let names: Vec<&str> =
        all["plans"].as_array().unwrap().iter().map(|plan| plan["name"].as_str().unwrap()).collect();
    let printed: Vec<&str> = list.lines().map(|line| line.split_whitespace().next().unwrap()).collect();
    assert_eq!((&all["kind"], &names), (&"finger-force plans".into(), &printed));
    let one = tests::json(&run(fingerforced().args(["plans", "interossei-clinic", "--json"])));
    let items = one["plans"][0]["items"].as_array().unwrap();
    assert_eq!((items.len(), &items[69]["muscle"]), (70, &"left ring abduction".into()));
    assert_eq!((&items[69]["test"], &items[69]["trials"]), (&"length".into(), &serde_json::Value::Null));
    let place = Place::default();
    let mine = place.path("mine.toml");
    std::fs::write(&mine, text(fingerforced().args(["plans", "interossei-clinic"]))).unwrap();
    let checked = text(fingerforced().arg("plans").arg("--check").arg(&mine));
    assert!(
        checked.contains("70  left ring abduction length") && !checked.contains("longer than"),
        "{checked}"
    );
    let long =
        std::fs::read_to_string(&mine).unwrap().replace("at_most_minutes = 15.0", "at_most_minutes = 5.0");
    std::fs::write(&mine, &long).unwrap();
    assert!(text(fingerforced().arg("plans").arg("--check").arg(&mine)).contains("longer than the 5 min"));
    std::fs::write(&mine, long.replace("rest_s = 30.0", "rset_s = 30.0")).unwrap();
    let refused = run(fingerforced().arg("plans").arg("--check").arg(&mine));
    let error = tests::stderr(&refused);
    assert!(
        !refused.status.success() && error.contains("line 16, column 1") && error.contains("`rest_s`"),
        "{error}"
    );
}
