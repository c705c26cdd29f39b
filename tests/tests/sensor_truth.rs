//! A simulated sensor with planted errors is reported as it is, within the uncertainty that the report states: over a real
//! pseudo-terminal, and from many seeds in memory (the same converter, the same analysis).
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::sensor::Figure;
use analysis::sensor::attitude;
use analysis::sensor::calibration::{Known, calibrate};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::check::Check;
use analysis::sensor::creep::INITIAL_S;
use analysis::sensor::instrument::{InUse, Uncertainty, Zero};
use analysis::sensor::points::{Direction, Point};
use analysis::sensor::properties::{MeasuredAttitude, MeasuredCreep, Properties};
use analysis::sensor::validation::{self, Asked, Trace};
use daemon::guide::programme::Programme;
use daemon::guide::{Guide, Out};
use daemon::pipeline::device_time::Placed;
use daemon::pipeline::{Block, Output};
use daemon::simulate::converter::{Converter, Settings};
use daemon::simulate::random::Random;
use serde_json::Value;
use tests::guided::{guided, newtons, sensor};
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
const PER_K_PERCENT: f64 = 0.02;

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

    fn add(&mut self, other: Held) {
        for (name, inside, all) in other.0 {
            match self.0.iter_mut().find(|(known, ..)| *known == name) {
                Some(of) => (of.1, of.2) = (of.1 + inside, of.2 + all),
                None => self.0.push((name, inside, all)),
            }
        }
    }

    /// 95 % intervals; so few held that one run in a thousand would see it by chance are too few.
    fn judge(&self) {
        for (name, inside, all) in &self.0 {
            let least = least(*all);
            println!("{name}: {inside} of {all} intervals held what was planted (at least {least} must)");
            assert!(*inside >= least, "{name}: {inside} of {all}");
        }
    }
}

/// The smallest count that fewer than one in a thousand binomial counts of `all` at 95 % fall below.
fn least(all: u32) -> u32 {
    let n = f64::from(all);
    // The probability of `all` of `all`, then downwards by the ratio of neighbours.
    let mut probabilities = vec![0.0; all as usize + 1];
    probabilities[all as usize] = libm::pow(0.95, n);
    for k in (0..all as usize).rev() {
        let ratio = (k as f64 + 1.0) / (n - k as f64) * 0.05 / 0.95;
        probabilities[k] = probabilities[k + 1] * ratio;
    }
    let mut below = 0.0;
    (0..=all)
        .find(|k| {
            below += probabilities[*k as usize];
            below >= 1e-3
        })
        .unwrap_or(all)
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

/// The guided creep test of half an hour, loaded and unloaded, in accelerated time: whoever loads does what the guide says
/// when it says so, and what was recorded meanwhile is judged.
#[test]
fn the_guided_half_hour_of_creep_from_many_seeds() {
    const SLOW_S: f64 = 300.0;
    let interval_s = 0.1;
    let mut held = Held::default();
    for seed in 0..times(20, 200) {
        let settings = Settings { creep_s: SLOW_S, drift_n_per_min: 0.0, ..planted() };
        let (resolution_n, zero) = (settings.resolution_n(), f64::from(settings.zero_counts));
        let mut converter = Converter::new(settings, seed);
        let mut guide = Guide::new(Programme::creep("15 kg", 1800.0), 5.0, 1);
        guide.hear(&Output::Began(1, began(interval_s)));
        let (mut loaded, mut force_n, mut counts, mut done) =
            ((f64::INFINITY, f64::INFINITY), Vec::new(), [0], false);
        while !done {
            let from = force_n.len() as u64;
            let block: Vec<i32> = (0..10)
                .map(|i| {
                    let time_s = (from + i) as f64 * interval_s;
                    let load = |at_s: f64| if (loaded.0..loaded.1).contains(&at_s) { 150.0 } else { 0.0 };
                    converter.convert(time_s, load, &mut counts);
                    counts[0]
                })
                .collect();
            force_n.extend(block.iter().map(|counts| (f64::from(*counts) - zero) * resolution_n));
            guide.hear(&Output::Block(self::block(from, block)));
            let now_s = force_n.len() as f64 * interval_s;
            for out in guide.take() {
                match out {
                    Out::Ask(words) if words.contains("unload") => loaded.1 = now_s,
                    Out::Ask(words) if words.contains("load 15 kg") => loaded.0 = now_s,
                    Out::Say(_) | Out::Step(_) => continue,
                    Out::Done => done = true,
                    _ => {}
                }
                guide.typed("");
            }
            assert!(now_s < 4000.0, "the guide does not end");
        }
        assert!((loaded.1 - loaded.0 - 1800.0).abs() < 2.0, "{loaded:?}");
        let trace = Trace { force_n: &force_n, interval_s, full_scale_n: RATED_N, count_n: resolution_n };
        let of = validation::of(&trace, &Asked { creep_initial_s: INITIAL_S, creep_shortest_s: 1620.0 });
        let creep = of.creep.unwrap_or_else(|| panic!("seed {seed}: {:?}", of.notes));
        assert!(creep.is_standard, "{creep:?}");
        let crept = |s: f64| -150.0 * CREEP * libm::exp(-s / SLOW_S);
        held.note("creep in half an hour, guided", creep.change_n, crept(creep.to_s) - crept(creep.from_s));
        let recovery = of.recovery.unwrap_or_else(|| panic!("seed {seed}: no recovery"));
        let back = |s: f64| 150.0 * CREEP * (1.0 - libm::exp(-1800.0 / SLOW_S)) * libm::exp(-s / SLOW_S);
        held.note("recovery, guided", recovery.change_n, back(recovery.to_s) - back(recovery.from_s));
    }
    held.judge();
}

fn began(interval_s: f64) -> daemon::pipeline::device_time::Began {
    daemon::pipeline::device_time::Began {
        segment: 0,
        position: 0,
        counter: 0,
        device_start_us: 0,
        boot_id: 1,
        interval_ns: (interval_s * 1e9) as u32,
        reason: "started",
    }
}

fn block(position: u64, counts: Vec<i32>) -> Block {
    Block {
        sensor: 1,
        placed: Placed { segment: 0, index: position, position, skip: 0 },
        samples: counts.len() as u64,
        sequence: 0,
        counter: position,
        device_time_us: 0,
        arrival_ns: 0,
        status: 0,
        saturated: false,
        force_n: vec![0.0; counts.len()],
        device_time_s: vec![0.0; counts.len()],
        counts,
    }
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

/// A calibrated sensor in use, with everything that use adds: another gain than at the calibration, warmer or colder, leaning,
/// creeping, one noisy sample. The instrument's uncertainty of the force encloses the true one.
#[test]
fn a_force_in_use_from_many_seeds() {
    const WEIGHT_N: f64 = 0.2;
    const FORCE_N: f64 = 50.0;
    let mut held = Held::default();
    let counts_per_n = 1.0 / Settings::default().resolution_n();
    for seed in 0..times(200, 2_000) {
        let mut random = Random::fork(seed, 77);
        let certificate = certificate(seed);
        let noise_n = |random: &mut Random| NOISE_N * random.normal();
        let weights = [WEIGHT_N, -WEIGHT_N, 0.0, 0.0, 0.0, 0.0, WEIGHT_N];
        let orientations = attitude::ORIENTATIONS.iter().chain(&attitude::ORIENTATIONS[..1]);
        let readings: Vec<Point> = orientations
            .zip(weights)
            .map(|(orientation, weight_n)| Point {
                reference_n: 0.0,
                indication: counts_per_n * (weight_n + noise_n(&mut random) / 10.0),
                series: attitude::SERIES.to_owned(),
                mounting: (*orientation).to_owned(),
                direction: Direction::Up,
            })
            .collect();
        let measured = attitude::of(&readings, |counts| counts / counts_per_n).unwrap();
        let gain = random.between(-0.001, 0.001);
        let properties = Properties {
            serial: String::new(),
            channel: 1,
            attitude: Some(MeasuredAttitude {
                when_utc: String::new(),
                attitude: measured,
                visit_id: String::new(),
            }),
            creep: Some(MeasuredCreep {
                when_utc: String::new(),
                load_n: 150.0,
                lasted_s: 1800.0,
                relative: CREEP,
                visit_id: String::new(),
            }),
            checks: vec![check(100.0 * (1.0 + gain) + noise_n(&mut random) / 10.0)],
        };
        let warmer_k = random.between(-8.0, 8.0);
        let in_use = InUse {
            certificate: &certificate,
            properties: Some(&properties),
            zero: Some(Zero { sd_n: NOISE_N, samples: 100, orientation: "as used" }),
            orientation: "as used",
            temperature_c: Some(20.0 + warmer_k),
        };
        // What the sensor shows above its zero: it leans after it, from anywhere.
        let (at, lean) = (random.between(0.0, 180.0).to_radians(), random.between(-10.0, 10.0).to_radians());
        let leans_n = WEIGHT_N * (libm::cos(at + lean) - libm::cos(at));
        let warm = random.between(-1.0, 1.0) * PER_K_PERCENT / 100.0 * warmer_k;
        let crept = CREEP * (1.0 - libm::exp(-random.between(0.0, 10.0) / CREEP_S));
        let bow_n = BOW * RATED_N * 4.0 * (FORCE_N / RATED_N) * (1.0 - FORCE_N / RATED_N);
        let shown_n = FORCE_N * (1.0 + gain) * (1.0 + warm) * (1.0 + crept) + bow_n + leans_n;
        let read_n = certificate.curves().unwrap().force_n(counts_per_n * (shown_n + noise_n(&mut random)));
        let of = Uncertainty::of_force(read_n, &in_use).unwrap();
        assert_eq!(of.not_included, [] as [String; 0], "{of:?}");
        held.note("force in use", Figure { value: read_n, expanded: of.budget.expanded }, FORCE_N);
    }
    held.judge();
}

fn certificate(seed: u64) -> Certificate {
    let known =
        Known { resolution: 1.0, reference_relative: Some(1e-6), creep_relative: None, highest_degree: 3 };
    let points = points(seed);
    let calibration = calibrate(&points, &known).unwrap();
    Certificate {
        when_utc: "2026-03-02T09:00:00Z".to_owned(),
        valid_until: "2027-03-02".to_owned(),
        temperature_c: Some(20.0),
        temperature_percent_per_k: Some(PER_K_PERCENT),
        rated_force_n: RATED_N,
        ..Certificate::new(points, calibration)
    }
}

fn check(read_n: f64) -> Check {
    Check {
        when_utc: "2026-04-01T09:00:00Z".to_owned(),
        serial: String::new(),
        channel: 1,
        reference_n: 100.0,
        read_n,
        expanded_n: 0.05,
        limit_n: 1.0,
        passed: true,
        visit_id: String::new(),
    }
}

/// The same over the wire: the daemon records it and calibrates, `fingerforce sensor` reads the recordings. Real time: seeds
/// run beside each other, three of them in a little more than a minute; with LONG=1 forty.
#[test]
fn over_a_pseudo_terminal_the_report_gives_what_was_planted() {
    let mut held = Held::default();
    let seeds: Vec<u64> = (1..=times(3, 40)).collect();
    for some in seeds.chunks(4) {
        std::thread::scope(|scope| {
            let runs: Vec<_> = some
                .iter()
                .flat_map(|seed| [scope.spawn(|| validated(*seed)), scope.spawn(|| calibrated(*seed))])
                .collect();
            runs.into_iter().for_each(|run| held.add(run.join().unwrap()));
        });
    }
    held.judge();
}

/// 20 s of 150 N and 22 s of nothing, recorded: noise, creep, drift, jitter.
fn validated(seed: u64) -> Held {
    let (place, mut held) = (Place::default(), Held::default());
    let trace = place.path("loads.csv");
    std::fs::write(&trace, "time_s,force_n\n0,0\n5.999,0\n6,150\n25.999,150\n26,0\n48,0\n").unwrap();
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
    let figure = |value: &Value| -> Figure { serde_json::from_value(value.clone()).unwrap() };
    let (from_s, to_s) = (of["creep"]["from_s"].as_f64().unwrap(), of["creep"]["to_s"].as_f64().unwrap());
    for (name, figure, truth) in [
        ("noise, recorded", figure(&of["noise"]["rms_n"]), NOISE_N),
        ("creep, recorded", figure(&of["creep"]["change_n"]), crept_n(from_s, to_s)),
        ("jitter, recorded", figure(&of["timing"]["jitter_us"]), JITTER_US),
        ("drift, recorded", figure(&of["noise"]["drift_n_per_h"]), DRIFT_N_PER_MIN * 60.0),
    ] {
        println!("seed {seed}: {name} {figure:?}, planted {truth}");
        held.note(name, figure, truth);
        // Three times as wide: by chance once in a hundred million.
        assert!(
            Figure { expanded: 3.0 * figure.expanded, ..figure }.covers(truth),
            "{name} {figure:?}, {truth}"
        );
    }
    assert_eq!(of["timing"]["missing"], 0);
    assert!((of["timing"]["by_device_hz"].as_f64().unwrap() - 500.0).abs() < 0.1);
    assert!(std::fs::read_to_string(page).unwrap().contains("Allan deviation"));
    held
}

/// A guided calibration and a check: non-linearity, hysteresis, a force read with its uncertainty.
fn calibrated(seed: u64) -> Held {
    let (place, mut held) = (Place::default(), Held::default());
    let seed = seed.to_string();
    let planted = [
        "--seed",
        &seed,
        "--bow",
        "0.002",
        "--hysteresis",
        "0.0008",
        "--gain-error",
        "0.02",
        "--noise",
        "0.01",
        "--hum",
        "0",
        "--drift",
        "0.03",
        "--unsteadiness",
        "0",
        "--interval-ns",
        "2000000",
    ];
    let (_sensor, mut hand) = sensor(&place, "sensor", &planted);
    let masses = ["--tolerance", "0.001", "--mass", "2", "--mass", "5", "--mass", "10"];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &masses);
    assert_eq!(code, 0, "{told}");
    let of: Certificate = serde_json::from_str(&out).unwrap();
    let figures = &of.calibration.branch(true).unwrap().figures;
    let half = |share: f64, n: f64| share * RATED_N * 4.0 * (n / RATED_N) * (1.0 - n / RATED_N);
    let full_n = newtons(10.0);
    let away = [2.0, 5.0].map(newtons).map(|n| half(BOW, n) - half(BOW, full_n) * n / full_n);
    let terminal = figures.non_linearity[0].1.n;
    held.note("non-linearity, guided", terminal, away.into_iter().fold(0.0, f64::max));
    // The lag is planted in nominal newtons; where the bow makes the sensor steeper, one of those is less of the curve's.
    let steeper = 1.0 + BOW * 4.0 * (1.0 - 2.0 * newtons(5.0) / RATED_N);
    let lag_n =
        [2.0, 5.0].map(newtons).map(|n| half(HYSTERESIS, n)).into_iter().fold(0.0, f64::max) / steeper;
    held.note("hysteresis, guided", figures.hysteresis.unwrap().n, lag_n);
    let check = ["--check", "--tolerance", "0.001", "--mass", "5"];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &check);
    assert_eq!(code, 0, "{out}{told}");
    let checked: Check = serde_json::from_value(json_of(&out)["check"].clone()).unwrap();
    let read = Figure { value: checked.read_n, expanded: checked.expanded_n };
    held.note("force, checked", read, newtons(5.0));
    println!("seed {seed}: non-linearity {terminal:?}, force {read:?} at {}", newtons(5.0));
    held
}

fn json_of(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}
