//! `fingerforced practice` on a simulated dummy, and what a visit says of it afterwards.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use tests::{Place, fingerforced, json, run, stderr};

/// Mean slope of a pull from 5 to 90 % of its peak above where it began, straight from the samples, N/s.
fn slope(time_s: &[f64], force_n: &[f64]) -> f64 {
    let rest_n = force_n[0];
    let peak_n = force_n.iter().fold(0.0_f64, |peak, force| peak.max(*force)) - rest_n;
    let crossing = |share: f64| {
        let at = force_n.iter().position(|force| force - rest_n >= share * peak_n).unwrap();
        time_s[at]
    };
    0.85 * peak_n / (crossing(0.9) - crossing(0.05))
}

#[test]
fn ten_pulls_are_summed_up_kept_for_their_examiner_and_told_in_the_next_visit() {
    let place = Place::default();
    let sensor = place.sensor(&[
        "--first",
        "2.5",
        "--period",
        "2.6",
        "--noise",
        "0.01",
        "--unsteadiness",
        "0.3",
        "--effort",
        "make:6:0.5",
        "--effort",
        "make:4:0.4",
        "--effort",
        "make:9:0.5",
        "--repeat",
    ]);
    let practice = |options: &[&str]| {
        let mut command = fingerforced();
        command.arg("practice").arg("--port").arg(place.port()).arg("--data").arg(place.path("data"));
        run(command.args(["--examiner", "E07", "--json"]).args(options))
    };
    let output = practice(&[]);
    let told = json(&output);
    let rates: Vec<f64> =
        told["rates_n_per_s"].as_array().unwrap().iter().map(|rate| rate.as_f64().unwrap()).collect();
    assert_eq!(rates.len(), 10, "{told:#}\n{}", stderr(&output));
    assert!(stderr(&output).contains("pull 10 of 10: "), "{}", stderr(&output));
    // The same from the samples of the recording that was kept.
    let recording = Recording::open(&place.visit().join("recording-1.h5")).unwrap();
    let rows = recording.trials().unwrap();
    for (row, rate) in rows.iter().filter(|row| row.kind == "hold").zip(&rates) {
        let (from, to) = (row.first_sample as u64, row.last_sample as u64 + 1);
        let samples = recording.samples(1, from..to).unwrap();
        let force_n: Vec<f64> = samples.force_n.iter().map(|force| f64::from(*force)).collect();
        // Smoothed over 20 ms, as a peak is: the noise must not decide where 5 % are crossed.
        let smooth: Vec<f64> = force_n.windows(20).map(|w| w.iter().sum::<f64>() / 20.0).collect();
        let own = slope(&samples.device_time_s[..smooth.len()], &smooth);
        assert!((own / rate - 1.0).abs() < 0.05, "{own} {rate}");
    }
    let mean = rates.iter().sum::<f64>() / 10.0;
    let sd = (rates.iter().map(|rate| (rate - mean) * (rate - mean)).sum::<f64>() / 9.0).sqrt();
    assert!((told["mean_n_per_s"].as_f64().unwrap() - mean).abs() < 1e-9);
    assert!((told["sd_n_per_s"].as_f64().unwrap() - sd).abs() < 1e-9);
    let inside = rates.iter().filter(|rate| (5.0..=8.0).contains(*rate)).count();
    assert_eq!(told["in_range"], inside as u64, "25 to 40 % of 20 N a second");
    drop(sensor);

    let usage = practice(&["--pulls", "1"]);
    assert_eq!(usage.status.code(), Some(2));
    // The next examination of this examiner says it and keeps it.
    let _sensor = place.sensor(&["--forever"]);
    let visit = |examiner: &str| {
        let mut record = place.record(&["--plan", "interossei-clinic", "--seconds", "2", "--json"]);
        tests::sealed(&run(record.args(["--examiner", examiner])))
    };
    for (examiner, part) in [("E07", "10 pulls, loading rate"), ("E08", "none on file: due")] {
        let told = visit(examiner);
        let recording = Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
        let seen = recording.observations().unwrap();
        let own = seen.iter().find(|row| row.kind == "practice").unwrap();
        assert!(own.value.contains(part) && own.item == -1, "{own:?}");
    }
}
