//! Several sensors at once, each on a real pseudo-terminal of its own: one journal, one recording, one base of time.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use serde_json::Value;
use std::path::Path;
use tests::{Place, Running, fingerforce, fingerforced, json, run, sealed, stderr, sum, wait_for};

/// The clock that the recording's times count from, at their zero: the first reading of the host's clocks, s.
fn base_s(recording: &Recording) -> f64 {
    let events = recording.events().unwrap();
    events.iter().find(|event| event.kind == "clocks").unwrap().monotonic_ns as f64 * 1e-9
}

fn opened(sealed: &Value) -> Recording {
    let recording = Recording::open(Path::new(sealed["recording"].as_str().unwrap())).unwrap();
    recording.verify().unwrap();
    recording
}

/// Every segment's first sample is where the simulator says it was, within the segment's own bound.
fn placed_truly(recording: &Recording, sensor: usize, truth: &Value) {
    let about = &recording.sensors()[sensor - 1];
    assert_eq!(about.serial, truth["serial"]);
    let interval_s = about.interval_ns as f64 * 1e-9;
    for segment in recording.segments(sensor).unwrap() {
        let boots = truth["boots"].as_array().unwrap().iter();
        let boot = boots.rev().find(|boot| boot["boot_id"] == segment.boot_id).unwrap();
        let first = segment.first_sample.unsigned_abs();
        let found_s = recording.samples(sensor, first..first + 1).unwrap().time_s[0];
        let true_s = boot["began_ns"].as_u64().unwrap() as f64 * 1e-9
            + (segment.first_counter + 1) as f64 * interval_s
            - about.group_delay_s
            - base_s(recording);
        let bound_s = segment.bound_s;
        assert!(bound_s < 0.016, "no ping was answered: {bound_s}");
        assert!(
            (found_s - true_s).abs() <= bound_s,
            "sensor {sensor}: {found_s} s, truly {true_s} ± {bound_s} s"
        );
    }
}

const PULLS: [&str; 7] = ["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"];

#[test]
fn two_sensors_are_recorded_on_one_base_of_time_and_plotted_together() {
    let (left, right) = (Place::default(), Place::default());
    let options = |serial: &'static str| [&PULLS[..], &["--serial", serial]].concat();
    let sensors = [
        left.sensor(&options("LEFT")),
        right.sensor(&[&options("RIGHT")[..], &["--interval-ns", "2000000", "--channels", "4"]].concat()),
    ];
    let mut record = left.record(&["--seconds", "6", "--json"]);
    let output = run(record.arg("--port").arg(right.port()));
    let told = sealed(&output);
    let truths = sensors.map(|sensor| json(&sensor.output()));
    assert_eq!(told["finished"], "time over", "{told:#}");
    let recording = opened(&told);
    let serials: Vec<&str> = recording.sensors().iter().map(|sensor| sensor.serial.as_str()).collect();
    assert_eq!(serials, ["LEFT", "RIGHT"], "in the order of their ports");
    for (sensor, truth) in (1..).zip(&truths) {
        let samples = recording.sensors()[sensor - 1].samples;
        let missing: i64 = recording.gaps(sensor).unwrap().iter().map(|gap| gap.missing).sum();
        assert_eq!(samples + missing.unsigned_abs(), sum(truth, "produced_samples"), "{truth:#}");
        placed_truly(&recording, sensor, truth);
    }
    let rows = recording.trials().unwrap();
    let mut places: Vec<_> = rows.iter().map(|row| (row.sensor, row.channel)).collect();
    places.sort_unstable();
    places.dedup();
    assert_eq!(places, [(1, 1), (2, 1), (2, 2), (2, 3), (2, 4)], "each channel has its own holds");
    // Each on its own finds the same holds again.
    let file = told["recording"].as_str().unwrap();
    for (sensor, channel) in places {
        let mut holds = fingerforce();
        holds.args([
            "holds",
            file,
            "--json",
            "--sensor",
            &sensor.to_string(),
            "--channel",
            &channel.to_string(),
        ]);
        let again = json(&run(&mut holds));
        let onsets: Vec<f64> =
            again["holds"].as_array().unwrap().iter().map(|hold| hold["onset_s"].as_f64().unwrap()).collect();
        let recorded =
            rows.iter().filter(|row| (row.sensor, row.channel) == (sensor, channel)).map(|row| row.onset_s);
        assert_eq!(onsets, recorded.collect::<Vec<_>>());
    }
    let plots = left.path("plots");
    let plotted = run(fingerforce().args(["plot", file, "--format", "svg", "--out"]).arg(&plots));
    assert!(plotted.status.success(), "{}", stderr(&plotted));
    let together = std::fs::read_to_string(plots.join("overview-together.svg")).unwrap();
    for words in
        ["sensor 1, channel 1 (n = ", "sensor 2, channel 4 (n = ", "time since the recording began, s"]
    {
        assert!(together.contains(words), "{words}: {together}");
    }
}

#[test]
fn one_sensor_is_unplugged_and_returns_while_the_other_goes_on() {
    let (left, right) = (Place::default(), Place::default());
    let sensors = [
        left.sensor(&[&PULLS[..], &["--serial", "LEFT"]].concat()),
        right.sensor(
            &[&PULLS[..], &["--serial", "RIGHT", "--unplug-after", "2", "--return-after", "1"]].concat(),
        ),
    ];
    let mut record = left.record(&["--seconds", "6", "--json"]);
    let told = sealed(&run(record.arg("--port").arg(right.port())));
    let truths = sensors.map(|sensor| json(&sensor.output()));
    let recording = opened(&told);
    let count = |sensor: usize| {
        (
            recording.segments(sensor).unwrap().len(),
            recording.gaps(sensor).unwrap().iter().map(|gap| gap.missing).sum::<i64>(),
        )
    };
    assert_eq!(count(1).0, 1, "nothing happened to the left one");
    let (segments, missing) = count(2);
    assert_eq!(segments, 2);
    assert!(missing.unsigned_abs() >= sum(&truths[1], "unplugged_samples") && missing > 900, "{truths:#?}");
    for (sensor, truth) in (1..).zip(&truths) {
        let samples = recording.sensors()[sensor - 1].samples;
        assert_eq!(samples + count(sensor).1.unsigned_abs(), sum(truth, "produced_samples"));
        placed_truly(&recording, sensor, truth);
    }
    let closed: Vec<i64> = recording
        .events()
        .unwrap()
        .iter()
        .filter(|event| event.kind == "port closed")
        .map(|event| event.sensor)
        .collect();
    assert_eq!(closed, [2], "the port that was closed is that of the right one");
}

#[test]
fn what_cannot_be_told_apart_is_refused() {
    let (left, right) = (Place::default(), Place::default());
    let _sensors =
        [left.sensor(&["--serial", "SAME", "--forever"]), right.sensor(&["--serial", "SAME", "--forever"])];
    let mut record = left.record(&["--seconds", "30"]);
    let refused = run(record.arg("--port").arg(right.port()));
    assert_eq!(refused.status.code(), Some(1));
    assert!(
        stderr(&refused).contains("has the serial number SAME, as another one here has"),
        "{}",
        stderr(&refused)
    );
    let twice = run(left.record(&[]).arg("--port").arg(left.port()));
    assert_eq!(twice.status.code(), Some(2));
    assert!(stderr(&twice).contains("is given twice"), "{}", stderr(&twice));
}

#[test]
fn a_recording_of_two_sensors_that_is_killed_is_recovered() {
    let (left, right) = (Place::default(), Place::default());
    let sensors =
        [left.sensor(&["--serial", "LEFT", "--repeat"]), right.sensor(&["--serial", "RIGHT", "--repeat"])];
    let mut record = left.record(&[]);
    let recording = Running::start(record.arg("--port").arg(right.port()));
    wait_for("samples", || left.journal_bytes().filter(|bytes| *bytes > 40_000));
    recording.signal(nix::sys::signal::Signal::SIGKILL);
    recording.output();
    drop(sensors);
    let recovered = || sealed(&run(fingerforced().arg("recover").arg(left.visit()).arg("--json")));
    let first = recovered();
    std::fs::remove_file(first["recording"].as_str().unwrap()).unwrap();
    let told = recovered();
    assert_eq!(told["content_sha256"], first["content_sha256"], "sealing again gives the same");
    let recording = opened(&told);
    let serials: Vec<&str> = recording.sensors().iter().map(|sensor| sensor.serial.as_str()).collect();
    assert_eq!(serials, ["LEFT", "RIGHT"]);
    assert!(recording.sensors().iter().all(|sensor| sensor.samples > 500), "{told:#}");
}

const BOTH_HANDS: &str = "title = \"t\"\nsides = [\"left\", \"right\"]\ntests = [\"make\"]\n\
    [defaults]\ntrials = 2\nhold_s = 1.0\nrest_s = 0.5\n\
    [side.left]\nsensor = 1\n[side.right]\nsensor = 2\n\
    [[muscle]]\nmuscle = \"index abduction\"\n[[muscle]]\nmuscle = \"little abduction\"\n[muscle.test.make]\nchannel = 2\n";

/// Each trial is measured on the sensor and the channel that its item says, with that channel's zero; what the other
/// sensor and channels saw meanwhile belongs to no trial.
#[test]
fn a_plan_measures_each_item_on_its_own_sensor_and_channel() {
    let (left, right) = (Place::default(), Place::default());
    let pulls = ["--first", "2", "--period", "3.2", "--effort", "make:24:1.2", "--repeat", "--channels", "2"];
    let _sensors = [
        left.sensor(&[&pulls[..], &["--serial", "LEFT"]].concat()),
        right.sensor(&[&pulls[..], &["--serial", "RIGHT", "--seed", "7"]].concat()),
    ];
    let plan = left.path("plan.toml");
    std::fs::write(&plan, BOTH_HANDS).unwrap();
    let options = ["--plan", plan.to_str().unwrap(), "--json"];
    let lacking = run(&mut left.record(&options));
    assert_eq!(lacking.status.code(), Some(2));
    assert!(stderr(&lacking).contains("is measured with sensor 2"), "{}", stderr(&lacking));
    let told = sealed(&run(left.record(&options).arg("--port").arg(right.port())));
    assert_eq!(told["finished"], "plan finished", "{told:#}");
    let recording = opened(&told);
    let rows = recording.trials().unwrap();
    let tares: Vec<_> = (1..=2).map(|sensor| recording.tares(sensor).unwrap()).collect();
    let mut counted = Vec::new();
    for row in rows.iter().filter(|row| row.valid == 1 && row.item > 0) {
        counted.push((row.muscle.as_str(), row.sensor, row.channel, row.number));
        let tare = &tares[row.sensor as usize - 1][usize::try_from(row.tare).unwrap()];
        assert_eq!(tare.channel, row.channel, "{row:?}");
        // The second channel shows half of the force.
        let peak_n = 24.0 / row.channel as f64;
        assert!((row.peak_zero_n / peak_n - 1.0).abs() < 0.3, "{row:?}");
    }
    let expected: Vec<_> = [("left", 1), ("right", 2)]
        .iter()
        .flat_map(|(side, sensor)| {
            [("index", 1), ("little", 2)].map(|(digit, channel)| (side, *sensor, digit, channel))
        })
        .flat_map(|(side, sensor, digit, channel)| {
            [1, 2].map(|number| (format!("{side} {digit} abduction"), sensor, channel, number))
        })
        .collect();
    let expected: Vec<_> = expected
        .iter()
        .map(|(muscle, sensor, channel, number)| (muscle.as_str(), *sensor, *channel, *number))
        .collect();
    assert_eq!(counted, expected);
    assert!(rows.iter().any(|row| row.item < 0 && row.sensor == 2), "the other hand pulled, too");
    // The rest before a second trial is known, from the sensor's own clock.
    let rests = rows.iter().filter(|row| row.number == 2 && row.valid == 1).map(|row| row.rest_before_s);
    assert!(rests.clone().all(|rest_s| rest_s >= 0.5), "{:?}", rests.collect::<Vec<_>>());
    // The finder's parameters in force are those of the test on the measured channel alone: `holds` finds the same again.
    let again = json(&run(fingerforce().args(["holds", told["recording"].as_str().unwrap(), "--json"])));
    assert_eq!(
        again["holds"].as_array().unwrap().len(),
        rows.iter().filter(|row| !row.kind.is_empty()).count()
    );
    let summary = json(&run(fingerforce().args(["summary", told["recording"].as_str().unwrap(), "--json"])));
    let places: Vec<_> = summary["items"]
        .as_array()
        .unwrap()
        .iter()
        .map(|item| (item["sensor"].as_i64().unwrap(), item["channel"].as_i64().unwrap()))
        .collect();
    assert_eq!(places, [(1, 1), (1, 2), (2, 1), (2, 2)]);
}

#[test]
fn a_channel_that_the_sensor_has_not_is_refused() {
    let place = Place::default();
    let _sensor = place.sensor(&["--forever"]);
    let plan = place.path("plan.toml");
    let item = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\nchannel = 3\n";
    std::fs::write(&plan, item).unwrap();
    let refused = run(&mut place.record(&["--plan", plan.to_str().unwrap()]));
    assert_eq!(refused.status.code(), Some(1));
    let words = "is measured on channel 3 of sensor 1, which has 1";
    assert!(stderr(&refused).contains(words), "{}", stderr(&refused));
}

#[test]
fn an_interrupted_plan_goes_on_with_both_sensors() {
    let (left, right) = (Place::default(), Place::default());
    let pulls = ["--first", "2", "--period", "3.2", "--effort", "make:24:1.2", "--repeat", "--channels", "2"];
    let _sensors = [
        left.sensor(&[&pulls[..], &["--serial", "LEFT"]].concat()),
        right.sensor(&[&pulls[..], &["--serial", "RIGHT"]].concat()),
    ];
    let plan = left.path("plan.toml");
    std::fs::write(&plan, BOTH_HANDS.replace("trials = 2", "trials = 1")).unwrap();
    let mut record = left.record(&["--plan", plan.to_str().unwrap()]);
    let recording = Running::start(record.arg("--port").arg(right.port()));
    wait_for("the first hold in the journal", || {
        let visit = std::fs::read_dir(left.path("data").join("visits")).ok()?.next()?.ok()?.path();
        let journal = std::fs::read(visit.join("journal-000")).ok()?;
        journal.windows(14).any(|bytes| bytes == b"\"kind\":\"hold\",").then_some(())
    });
    recording.signal(nix::sys::signal::Signal::SIGKILL);
    recording.output();
    let alone = run(&mut left.record(&["--resume"]));
    assert!(stderr(&alone).contains("has 2 sensors, 1 are given"), "{}", stderr(&alone));
    let told = sealed(&run(left.record(&["--resume", "--json"]).arg("--port").arg(right.port())));
    assert_eq!(told["finished"], "plan finished", "{told:#}");
    let recording = opened(&told);
    let rows = recording.trials().unwrap();
    let places: Vec<_> =
        rows.iter().filter(|row| row.valid == 1).map(|row| (row.item, row.sensor, row.channel)).collect();
    assert_eq!(places, [(1, 1, 1), (2, 1, 2), (3, 2, 1), (4, 2, 2)]);
    let events = recording.events().unwrap();
    let interrupted = events.iter().filter(|event| event.detail == "interrupted").map(|event| event.sensor);
    assert_eq!(interrupted.collect::<Vec<_>>(), [1, 2]);
    assert!(events.iter().all(|event| event.kind != "hold differs from what was shown"));
}
