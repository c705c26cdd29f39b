//! A simulated sensor with planted errors is reported as it is, within the uncertainty that the report states: over a real
//! pseudo-terminal, and from many seeds in memory (the same converter, the same analysis).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::sensor::Figure;
use analysis::sensor::calibration::{Known, calibrate};
use analysis::sensor::points::{Direction, Point};
use analysis::sensor::validation::{self, Asked, Trace};
use daemon::simulate::converter::{Converter, Settings};
use serde_json::Value;
use std::fmt::Write;
use tests::{Place, fingerforce, json, run, sealed, times};

/// Rated force, N; counts there; what was planted.
const RATED_N: f64 = 200.0;
const NOISE_N: f64 = 0.01;
const DRIFT_N_PER_MIN: f64 = 0.03;
const CREEP: f64 = 0.001;
const CREEP_S: f64 = 8.0;
const BOW: f64 = 0.002;
const HYSTERESIS: f64 = 0.0008;
const JITTER_US: f64 = 30.0;

fn planted() -> Settings {
    Settings {
        noise_n: NOISE_N,
        drift_n_per_min: DRIFT_N_PER_MIN,
        hum_n: 0.0,
        creep: CREEP,
        creep_s: CREEP_S,
        ..Settings::default()
    }
}

/// How often a figure's interval held what was planted.
#[derive(Default)]
struct Held(Vec<(&'static str, u32, u32)>);

impl Held {
    fn note(&mut self, name: &'static str, figure: Figure, truth: f64) {
        let held = u32::from(figure.covers(truth));
        match self.0.iter_mut().find(|(known, ..)| *known == name) {
            Some((_, inside, all)) => (*inside, *all) = (*inside + held, *all + 1),
            None => self.0.push((name, held, 1)),
        }
    }

    /// 95 % intervals; of 200 seeds, one in a thousand tests would see fewer than 90 % by chance.
    fn judge(&self) {
        for (name, inside, all) in &self.0 {
            println!("{name}: {inside} of {all} intervals held what was planted");
            assert!(f64::from(*inside) >= 0.9 * f64::from(*all), "{name}: {inside} of {all}");
        }
    }
}

/// Load over time: 20 s nothing, 60 s of 150 N, 60 s nothing, loaded at once.
fn load_n(time_s: f64) -> f64 {
    if (20.0..80.0).contains(&time_s) { 150.0 } else { 0.0 }
}

/// What creep and drift change between two times after the load, N.
fn crept_n(from_s: f64, to_s: f64) -> f64 {
    150.0 * CREEP * (libm::exp(-from_s / CREEP_S) - libm::exp(-to_s / CREEP_S))
        + DRIFT_N_PER_MIN / 60.0 * (to_s - from_s)
}

#[test]
fn noise_drift_creep_and_recovery_from_many_seeds() {
    let mut held = Held::default();
    let (interval_s, asked) = (0.01, Asked { creep_initial_s: 2.0, creep_shortest_s: 30.0 });
    for seed in 0..times(200, 2_000) {
        let settings = planted();
        let (resolution_n, zero) = (settings.resolution_n(), f64::from(settings.zero_counts));
        let mut converter = Converter::new(settings, seed);
        let mut counts = [0];
        let force_n: Vec<f64> = (0..14_000)
            .map(|i| {
                converter.convert(f64::from(i) * interval_s, load_n, &mut counts);
                (f64::from(counts[0]) - zero) * resolution_n
            })
            .collect();
        let trace = Trace { force_n: &force_n, interval_s, full_scale_n: RATED_N, count_n: resolution_n };
        let of = validation::of(&trace, &asked);
        let creep = of.creep.unwrap_or_else(|| panic!("seed {seed}: {:?}", of.notes));
        let recovery = of.recovery.unwrap_or_else(|| panic!("seed {seed}: no recovery"));
        let noise = of.noise.unwrap_or_else(|| panic!("seed {seed}: no noise"));
        held.note("noise", noise.rms_n, NOISE_N);
        held.note("drift", noise.drift_n_per_h, DRIFT_N_PER_MIN * 60.0);
        held.note("creep", creep.change_n, crept_n(creep.from_s, creep.to_s));
        // What the load had crept to comes back.
        let back = |s: f64| -150.0 * CREEP * (1.0 - libm::exp(-60.0 / CREEP_S)) * libm::exp(-s / CREEP_S);
        let recovered = back(recovery.from_s) - back(recovery.to_s);
        let drifted = DRIFT_N_PER_MIN / 60.0 * (recovery.to_s - recovery.from_s);
        held.note("recovery", recovery.change_n, recovered + drifted);
    }
    held.judge();
}

/// Series of loads read as means of a second, in four series and three mountings.
fn points(seed: u64) -> Vec<Point> {
    let settings = Settings { bow: BOW, hysteresis: HYSTERESIS, creep: 0.0, ..planted() };
    let mut converter = Converter::new(settings, seed);
    let loads: Vec<f64> = (0..=8).map(|i| f64::from(i) * 20.0).collect();
    let up = loads.iter().map(|n| (*n, Direction::Up));
    let down = loads.iter().rev().skip(1).map(|n| (*n, Direction::Down));
    let steps: Vec<(f64, Direction)> = up.chain(down).collect();
    let (mut all, mut time_s) = (Vec::new(), 0.0);
    for (series, mounting) in [("A", "0"), ("B", "0"), ("C", "120"), ("D", "240")] {
        for (reference_n, direction) in &steps {
            let (mut sum, mut counts) = (0.0, [0]);
            for _ in 0..100 {
                converter.convert(time_s, |_| *reference_n, &mut counts);
                sum += f64::from(counts[0]);
                time_s += 0.01;
            }
            time_s += 2.0;
            all.push(Point {
                reference_n: *reference_n,
                indication: sum / 100.0,
                series: series.to_owned(),
                mounting: mounting.to_owned(),
                direction: *direction,
            });
        }
    }
    all
}

#[test]
fn non_linearity_hysteresis_and_forces_from_many_seeds() {
    let mut held = Held::default();
    let known = Known {
        resolution: 1.0,
        reference_relative: Some(0.0),
        creep_relative: Some(0.0),
        highest_degree: 3,
    };
    let bow = |n: f64| BOW * RATED_N * 4.0 * (n / RATED_N) * (1.0 - n / RATED_N);
    for seed in 0..times(200, 2_000) {
        let found = calibrate(&points(seed), &known).unwrap();
        let branch = found.branch(true).unwrap();
        let full_n = 160.0;
        let away = (1..8).map(|i| f64::from(i) * 20.0).map(|n| bow(n) - bow(full_n) * n / full_n);
        held.note(
            "non-linearity (terminal line)",
            branch.figures.non_linearity[0].1.n,
            away.fold(0.0, f64::max),
        );
        let lag = (1..8).map(|i| f64::from(i) * 20.0).map(|n| HYSTERESIS / BOW * bow(n)).fold(0.0, f64::max);
        held.note("hysteresis", branch.figures.hysteresis.unwrap().n, lag);
        // A force read through the curve, at a load between those calibrated, on the way up.
        let shown = (50.0 + bow(50.0)) / Settings::default().resolution_n();
        let read_n = branch.curve.force_n(shown);
        let expanded = branch.expanded_at(read_n).unwrap();
        held.note("force", Figure { value: read_n, expanded }, 50.0);
    }
    held.judge();
}

/// The same over the wire: the daemon records it, `fingerforce sensor` reads the recording.
#[test]
fn over_a_pseudo_terminal_the_report_gives_what_was_planted() {
    let mut told = String::new();
    for seed in 1..=times(2, 10) {
        let place = Place::default();
        let csv = String::from("time_s,force_n\n0,0\n5.999,0\n6,150\n25.999,150\n26,0\n48,0\n");
        let trace = place.path("loads.csv");
        std::fs::write(&trace, csv).unwrap();
        let (seed, jitter) = (seed.to_string(), JITTER_US.to_string());
        let planted = [
            "--trace",
            trace.to_str().unwrap(),
            "--seed",
            &seed,
            "--noise",
            "0.01",
            "--hum",
            "0",
            "--drift",
            "0.03",
            "--creep",
            "0.001",
            "--creep-time",
            "8",
            "--stamp-jitter",
            &jitter,
            "--interval-ns",
            "2000000",
        ];
        let _sensor = place.sensor(&planted);
        let recorded = sealed(&run(&mut place.record(&["--json", "--seconds", "46"])));
        let recording = recorded["recording"].as_str().unwrap();
        let page = place.path("sensor.html");
        let mut command = fingerforce();
        command.args(["sensor", recording, "--json", "--initial", "2", "--shortest", "15", "--report"]);
        let of = json(&run(command.arg(&page)));
        let of = &of["validations"][0];
        let figure = |value: &Value| Figure {
            value: value["value"].as_f64().unwrap(),
            expanded: value["expanded"].as_f64().unwrap(),
        };
        let times = |value: &Value| (value["from_s"].as_f64().unwrap(), value["to_s"].as_f64().unwrap());
        let (from_s, to_s) = times(&of["creep"]);
        for (name, figure, truth) in [
            ("noise", figure(&of["noise"]["rms_n"]), NOISE_N),
            ("creep", figure(&of["creep"]["change_n"]), crept_n(from_s, to_s)),
            ("jitter", figure(&of["timing"]["jitter_us"]), JITTER_US),
            ("drift", figure(&of["noise"]["drift_n_per_h"]), DRIFT_N_PER_MIN * 60.0),
        ] {
            let _ = writeln!(told, "seed {seed}: {name} {figure:?}, planted {truth}");
            // One interval in twenty may miss by chance; twice as wide, one in ten thousand.
            assert!(Figure { expanded: 2.0 * figure.expanded, ..figure }.covers(truth), "{told}");
        }
        assert_eq!(of["timing"]["missing"], 0);
        assert!((of["timing"]["by_device_hz"].as_f64().unwrap() - 500.0).abs() < 0.1);
        assert!(std::fs::read_to_string(page).unwrap().contains("Allan deviation"));
    }
    println!("{told}");
}
