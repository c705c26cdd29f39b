//! Guided sessions over a pseudo-terminal: a simulated sensor that is loaded as the terminal says.

use crate::{Place, fingerforced, wait_for};
use analysis::sensor::dead_weight::{Gravity, Mass, force};
use std::io::{BufRead, BufReader, Read, Write};
use std::path::PathBuf;
use std::process::{Child, ChildStdin, Command, Stdio};

/// A child that ends with the test.
pub struct Ended(pub Child);

impl Drop for Ended {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts it with all its streams piped.
pub fn start(command: &mut Command) -> Ended {
    let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped());
    Ended(piped.spawn().unwrap_or_else(|error| panic!("cannot start {command:?}: {error}")))
}

/// Types a line.
pub fn tell(to: &mut ChildStdin, line: &str) {
    writeln!(to, "{line}").unwrap();
    to.flush().unwrap();
}

/// Newtons that a mass pulls with where the test says it is: what the simulated hand then loads.
pub fn newtons(kg: f64) -> f64 {
    let mass = Mass { kg, tolerance_kg: 0.0, density: 8000.0 };
    force(&mass, &Gravity::at(52.3, 60.0).unwrap(), 1.2).force_n
}

/// Options of a quiet sensor without errors, 500 samples/s, its noise in N; what else is wrong with it comes after.
pub fn quiet(noise_n: &'static str, and: &[&'static str]) -> Vec<&'static str> {
    let quiet = ["--hum", "0", "--drift", "0", "--unsteadiness", "0", "--interval-ns", "2000000"];
    ["--noise", noise_n].into_iter().chain(quiet).chain(and.iter().copied()).collect()
}

/// A simulated sensor that loads what it is told.
pub fn sensor(place: &Place, link: &str, planted: &[&str]) -> (Ended, ChildStdin) {
    let mut simulate = fingerforced();
    simulate
        .args(["simulate", "--follow", "--forever", "--json", "--link"])
        .arg(place.path(link))
        .args(planted);
    let mut sensor = start(&mut simulate);
    let hand = sensor.0.stdin.take().unwrap();
    wait_for("the simulated port", || place.path(link).exists().then_some(()));
    (sensor, hand)
}

/// The mass that a line of the terminal asks for, as "… up to 2 kg (19.612 N), then Enter", kg.
pub fn kilograms(line: &str) -> Option<f64> {
    line.split(" kg").next().and_then(|head| head.rsplit(' ').next()).and_then(|kg| kg.parse().ok())
}

/// Runs `calibrate`, loading what it says; gives its exit code, its stdout and what it said.
pub fn guided(place: &Place, link: &str, hand: &mut ChildStdin, options: &[&str]) -> (i32, String, String) {
    let gravity = ["--still", "0.4", "--latitude", "52.3", "--height", "60"];
    let options: Vec<&str> = gravity.into_iter().chain(options.iter().copied()).collect();
    let load =
        |line: &str| kilograms(line).map_or_else(|| "free".to_owned(), |kg| format!("touch {}", newtons(kg)));
    obeyed(place, link, hand, &options, load)
}

/// Runs `calibrate` with these options; at each step `load` says what the hand does.
pub fn obeyed(
    place: &Place,
    link: &str,
    hand: &mut ChildStdin,
    options: &[&str],
    load: impl Fn(&str) -> String,
) -> (i32, String, String) {
    let mut command = fingerforced();
    command.args(["calibrate", "--json"]).arg("--port").arg(place.path(link));
    let mut child = start(command.arg("--data").arg(place.path("data")).args(options));
    let mut keys = child.0.stdin.take().unwrap();
    let mut told = String::new();
    for line in BufReader::new(child.0.stderr.take().unwrap()).lines() {
        let line = line.unwrap();
        told += &(line.clone() + "\n");
        if line.trim_start().starts_with('[') {
            tell(hand, &load(&line));
            tell(&mut keys, "");
        }
    }
    let mut out = String::new();
    child.0.stdout.take().unwrap().read_to_string(&mut out).unwrap();
    if !out.is_empty() {
        crate::document(&out).unwrap();
    }
    (child.0.wait().unwrap().code().unwrap(), out, told)
}

/// The visits' folders, the earliest first.
pub fn visits(place: &Place) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(place.path("data").join("visits")).unwrap();
    let mut all: Vec<PathBuf> = entries.map(|entry| entry.unwrap().path()).collect();
    all.sort();
    all
}
