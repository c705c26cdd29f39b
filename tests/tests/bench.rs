//! What a sensor does on the bench, guided over a pseudo-terminal in real time: the zero in six orientations, creep and
//! recovery, the step response, the calibration of a second channel. What is planted is told, kept, and in the budget of later recordings.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use analysis::sensor::Figure;
use analysis::sensor::certificate::Certificate;
use analysis::sensor::properties::Properties;
use serde_json::Value;
use tests::guided::{guided, kilograms, newtons, obeyed, sensor, visits};
use tests::{Place, fingerforce, json, run, sealed, stderr};

/// What is wrong with a quiet sensor.
fn quiet(and: &[&'static str]) -> Vec<&'static str> {
    tests::guided::quiet("0.002", and)
}

/// What the weight of the sensor's own parts does in an orientation, N above the least.
fn weight_n(line: &str) -> f64 {
    match line {
        line if line.contains("face up") => 0.4,
        line if line.contains("face down") => 0.0,
        _ => 0.2,
    }
}

#[test]
fn the_zero_in_six_orientations_is_told_kept_and_used() {
    let place = Place::default();
    let (_sensor, mut hand) = sensor(&place, "sensor", &quiet(&[]));
    let load = |line: &str| format!("touch {}", weight_n(line));
    let (code, out, told) = obeyed(&place, "sensor", &mut hand, &["--attitude", "--still", "0.4"], load);
    assert_eq!(code, 0, "{told}");
    let of: Value = serde_json::from_str(&out).unwrap();
    let attitude = &of["attitude"];
    let near = |value: &Value, planted: f64| (value.as_f64().unwrap() - planted).abs() < 0.002;
    assert!(near(&attitude["range_n"], 0.4) && near(&attitude["return_n"], 0.0), "{of}");
    let zeros: Vec<f64> =
        attitude["zeros"].as_array().unwrap().iter().map(|zero| zero["zero_n"].as_f64().unwrap()).collect();
    for (zero_n, planted) in zeros.iter().zip([0.0, -0.4, -0.2, -0.2, -0.2, -0.2]) {
        assert!((zero_n - planted).abs() < 0.002, "{zeros:?}");
    }
    // By hand: half of 0.4 N is 20.4 g under standard gravity.
    assert!((attitude["effective_mass_g"].as_f64().unwrap() - 20.39).abs() < 0.1, "{of}");

    // The recording tells the same, and a calibrated sensor's later recordings carry it.
    let recording = visits(&place).pop().unwrap().join("recording-1.h5");
    let again = json(&run(fingerforce().args(["sensor", "--json"]).arg(&recording)));
    assert!(near(&again["attitudes"][0]["attitude"]["range_n"], 0.4), "{again}");
    let masses = ["--mountings", "1", "--tolerance", "0.01", "--mass", "2", "--mass", "5"];
    let (code, _, told) = guided(&place, "sensor", &mut hand, &masses);
    assert_eq!(code, 0, "{told}");
    let recorded = sealed(&run(&mut place.record(&["--json", "--seconds", "1"])));
    let recording = Recording::open(recorded["recording"].as_str().unwrap().as_ref()).unwrap();
    let events = recording.events().unwrap();
    let event = events.iter().find(|event| event.kind == "sensor's properties").unwrap();
    let kept: Properties = serde_json::from_str(&event.detail).unwrap();
    assert!((kept.attitude.unwrap().attitude.range_n - 0.4).abs() < 0.002);
}

#[test]
fn creep_and_recovery_are_guided_judged_and_kept() {
    let place = Place::default();
    let planted = quiet(&["--creep", "0.002", "--creep-time", "2"]);
    let (_sensor, mut hand) = sensor(&place, "sensor", &planted);
    let load =
        |line: &str| kilograms(line).map_or_else(|| "free".to_owned(), |kg| format!("touch {}", newtons(kg)));
    let options = ["--creep-test", "--mass", "10", "--minutes", "0.2"];
    let (code, out, told) = obeyed(&place, "sensor", &mut hand, &options, load);
    assert_eq!(code, 0, "{told}");
    assert!(told.contains("to go: leave it as it is"), "{told}");
    let of: Value = serde_json::from_str(&out).unwrap();
    let seconds = |name: &str| of["creep"][name].as_f64().unwrap();
    let change: Figure = serde_json::from_value(of["creep"]["change_n"].clone()).unwrap();
    // The load is there a little before the level counts as reached: a tenth of a second of creep is left open.
    let crept = |t: f64| newtons(10.0) * 0.002 * (1.0 - libm::exp(-t / 2.0));
    let truth = crept(seconds("to_s")) - crept(seconds("from_s"));
    let open = crept(seconds("from_s") + 0.1) - crept(seconds("from_s"));
    let wide = Figure { expanded: 2.0 * change.expanded + open, ..change };
    assert!(wide.covers(truth), "{change:?}, planted {truth}\n{told}");
    assert_eq!(of["creep"]["is_standard"], false);
    assert!(of["recovery"]["change_n"]["value"].as_f64().unwrap() < 0.0, "{of}");
    let relative = of["kept"]["relative"].as_f64().unwrap();
    assert!((relative - (change.value.abs() + change.expanded) / newtons(10.0)).abs() < 1e-4, "{relative}");
    // What was to be done stands in the recording.
    let recording = Recording::open(&visits(&place).pop().unwrap().join("recording-1.h5")).unwrap();
    let events = recording.events().unwrap();
    assert_eq!(events.iter().filter(|event| event.detail.contains("\"action\":\"step\"")).count(), 3);
}

#[test]
fn a_step_is_guided_judged_and_written_down() {
    let place = Place::default();
    let (_sensor, mut hand) = sensor(&place, "sensor", &quiet(&[]));
    let load =
        |line: &str| kilograms(line).map_or_else(|| "free".to_owned(), |kg| format!("touch {}", newtons(kg)));
    let (code, out, told) = obeyed(&place, "sensor", &mut hand, &["--step-test", "--mass", "5"], load);
    assert_eq!(code, 0, "{told}");
    let of: Value = serde_json::from_str(&out).unwrap();
    let number = |name: &str| of["step"][name].as_f64().unwrap();
    assert!((number("size_n").abs() - newtons(5.0)).abs() < 0.02, "{of}");
    // The simulated hand lets go within 0.25 s along 3u² − 2u³, which passes 10 and 90 % at u = 0.1958 and 0.8042 (algebra).
    assert!((number("rise_s") - 0.25 * 0.6084).abs() < 2.0 * number("rise_within_s"), "{of}");
    assert!(number("overshoot_percent") < 0.5, "{of}");
    // The recording tells the same of itself, and what was to be done stands in it.
    let path = visits(&place).pop().unwrap().join("recording-1.h5");
    let again = json(&run(fingerforce().args(["sensor", "--json"]).arg(&path)));
    assert_eq!(again["validations"][0]["step"], of["step"]);
    let events = Recording::open(&path).unwrap().events().unwrap();
    assert_eq!(events.iter().filter(|event| event.detail.contains("\"action\":\"step\"")).count(), 7);
}

#[test]
fn a_second_channel_is_calibrated_by_its_number() {
    let place = Place::default();
    let (_sensor, mut hand) = sensor(&place, "sensor", &quiet(&["--channels", "2"]));
    let masses = [
        "--channel",
        "2",
        "--mountings",
        "1",
        "--tolerance",
        "0.01",
        "--mass",
        "2",
        "--mass",
        "5",
        "--mass",
        "10",
    ];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &masses);
    assert_eq!(code, 0, "{told}");
    let of: Certificate = serde_json::from_str(&out).unwrap();
    assert_eq!(of.channel, 2);
    // The second channel has half the force: 40 000 counts a newton are 20 000.
    let slope = of.calibration.branch(true).unwrap().curve.slope(50.0);
    assert!((slope / 20_000.0 - 1.0).abs() < 1e-3, "{slope}");
    let check = ["--check", "--channel", "2", "--tolerance", "0.01", "--mass", "5"];
    let (code, out, told) = guided(&place, "sensor", &mut hand, &check);
    assert_eq!(code, 0, "{out}{told}");
    let checked: Value = serde_json::from_str(&out).unwrap();
    assert_eq!(
        (&checked["check"]["channel"], &checked["check"]["passed"]),
        (&2.into(), &true.into()),
        "{checked}"
    );
    let recorded = sealed(&run(&mut place.record(&["--json", "--seconds", "1"])));
    let recording = Recording::open(recorded["recording"].as_str().unwrap().as_ref()).unwrap();
    let channels = &recording.sensors()[0].channels;
    assert_eq!(channels[0].calibration, "nominal");
    assert!(channels[1].calibration.starts_with("calibrated "), "{}", channels[1].calibration);
    let third = ["--channel", "3", "--tolerance", "0.01", "--mass", "5", "--mass", "10"];
    let (code, _, told) = guided(&place, "sensor", &mut hand, &third);
    assert!(code == 1 && told.contains("no channel 3"), "{told}");
}

#[test]
fn creep_and_step_tests_take_one_mass() {
    for options in [
        &["--creep-test"][..],
        &["--creep-test", "--mass", "1", "--mass", "2"],
        &["--step-test"],
        &["--step-test", "--creep-test", "--mass", "1"],
    ] {
        let refused = run(tests::fingerforced().args(["calibrate", "--port", "/nowhere"]).args(options));
        assert_eq!(refused.status.code(), Some(2), "{}", stderr(&refused));
    }
}
