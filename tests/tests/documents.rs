//! The JSON of every command of both programs is told of in `analysis/JSON.md`. (What the other program tests print is held
//! against it, too: `tests::json`.)
#![allow(clippy::unwrap_used, clippy::panic, reason = "a test that cannot go on fails")]

use std::process::Command;
use tests::documents::sections;
use tests::{Place, fingerforce, fingerforced, json, run};

/// The names of a program's commands, as its help lists them.
fn commands(program: &mut Command) -> Vec<String> {
    let help = String::from_utf8(run(program.arg("--help")).stdout).unwrap();
    let (_, listed) = help.split_once("Commands:\n").unwrap();
    let lines = listed.lines().take_while(|line| !line.is_empty());
    let named = lines.filter(|line| line.starts_with("  ") && !line.starts_with("   "));
    named.filter_map(|line| line.split_whitespace().next()).map(str::to_owned).collect()
}

#[test]
fn every_command_that_prints_json_has_its_section() {
    let told: Vec<&str> =
        sections().iter().filter_map(|(_, section)| section.trim().lines().next()).collect();
    let mut found = 0;
    for (name, program) in [("fingerforce", fingerforce as fn() -> Command), ("fingerforced", fingerforced)] {
        for command in commands(&mut program()) {
            let help = String::from_utf8(run(program().args([&command, "--help"])).stdout).unwrap();
            if command == "help" || !help.lines().any(|line| line.trim_start().starts_with("--json")) {
                continue;
            }
            let said = format!("`{name} {command} ");
            assert!(
                told.iter().any(|line| line.contains(&said)),
                "{said}… has no section in analysis/JSON.md"
            );
            found += 1;
        }
    }
    assert!(found > 15, "{found} commands were looked at");
}

#[test]
fn a_port_and_its_sensor_are_told_as_documents() {
    let place = Place::default();
    let _sensor = place.sensor(&[]);
    let listed = json(&run(fingerforced().args(["ports", "--json", "--seconds", "0.1"])));
    assert_eq!((&listed["kind"], listed["ports"].is_array()), (&"finger-force ports".into(), true));
    let probed = json(&run(fingerforced().args(["ports", "--json", "--probe"]).arg(place.port())));
    assert_eq!(probed["kind"], "finger-force sensor identity");
    assert!(probed["serial"].as_str().is_some_and(|serial| !serial.is_empty()), "{probed:#}");
}
