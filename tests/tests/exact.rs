//! A real force-plate trace (M. Duarte and R. Watanabe, CC BY 4.0: fixtures/force-plate) played through the simulated
//! sensor and the daemon comes out sample by sample as it went in, within the converter's resolution.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use analysis::trace::read_csv;
use tests::{Place, fixtures, json, run, sealed, sum};

/// Rated force, N, for 8 000 000 counts: half a millinewton a count.
const RATED_N: f64 = 4000.0;
const RESOLUTION_N: f64 = RATED_N / 8e6;

#[test]
fn a_real_trace_comes_out_as_it_went_in() {
    let trace = fixtures().join("force-plate/jump_600hz.csv");
    let rows = read_csv(&trace).unwrap();
    let place = Place::default();
    let trace_option = trace.display().to_string();
    let options = ["--trace", &trace_option, "--exact", "--interval-ns", "1666667", "--rated", "4000"];
    let sensor = place.sensor(&options);
    let sealed = sealed(&run(&mut place.record(&["--seconds", "2.6", "--json"])));
    let truth = json(&sensor.output());
    assert_eq!(sum(&truth, "produced_samples"), rows.time_s.len() as u64);

    let recording = Recording::open(sealed["recording"].as_str().unwrap().as_ref()).unwrap();
    let samples = recording.samples(1, 0..sealed["samples"].as_u64().unwrap()).unwrap();
    let frames = recording.frames(1).unwrap();
    let mut compared = 0;
    for frame in &frames {
        for i in 0..frame.samples {
            let (row, at) = ((frame.counter + i) as usize, (frame.first_sample + i) as usize);
            let went_in_n = rows.force_n[row];
            let came_out_n = f64::from(samples.counts[at]) * RESOLUTION_N;
            assert!(
                (came_out_n - went_in_n).abs() <= RESOLUTION_N / 2.0 + 1e-9,
                "row {row}: {came_out_n} for {went_in_n}"
            );
            let time_s = samples.device_time_s[at];
            assert!((time_s - rows.time_s[row] + rows.time_s[0]).abs() < 1e-5, "row {row}: {time_s} s");
            // The person stands on the plate from the start, so no zero is taken: force is the sensor's own.
            assert!((f64::from(samples.force_n[at]) - came_out_n).abs() < 1e-3, "row {row}");
            compared += 1;
        }
    }
    let missing = sealed["missing_samples"].as_u64().unwrap();
    assert_eq!(
        compared as u64 + missing,
        rows.time_s.len() as u64,
        "each row is compared or known to be missing"
    );
    assert!(samples.time_s.windows(2).all(|pair| pair[1] > pair[0]), "time goes forward");
}
