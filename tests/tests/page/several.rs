//! Several sensors and channels: each item is measured on its own, what is beside it is shown and watched, and a turn of the
//! hand zeroes all that the hand carries.

use crate::browser::Browser;
use crate::clinic::Clinic;
use crate::visit::gate;
use analysis::recording::read::Recording;
use std::time::Duration;

/// A hand that carries both sensors; the last item's cap is reached beside it first: of the simulated sensor's channels the
/// second one shows half of the force, the third a third.
const PLAN: &str = r#"
title = "Two sensors"
procedure = "examined"

[[item]]
muscle = "left index abduction"
test = "make"
palm = "down"
trials = 1
rest_s = 1.0
hold_s = 1.0

[[item]]
muscle = "left ring abduction"
test = "make"
palm = "up"
sensor = 2
trials = 1
rest_s = 1.0
hold_s = 1.0

[[item]]
muscle = "left little abduction"
test = "concentric"
palm = "up"
channel = 3
cap_n = 12.0
trials = 1
rest_s = 1.0
hold_s = 1.0
"#;

/// The stage and the item's number.
const WHERE: &str = "if (document.querySelector('.done')) return 'done'; const number = document.getElementById('which')?.textContent.match(/(index|ring|little) finger/)?.[1]; \
                     return `${document.body.dataset.stage}|${number}`";

/// Nobody pulls in the very moment of the cue: a person's reaction takes some tenths of a second.
const REACTION: Duration = Duration::from_millis(300);

async fn reached(browser: &Browser, stage: &str) {
    browser.until(stage, &format!("const at = (() => {{ {WHERE} }})(); return at === {stage:?}")).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_sensors_are_served_each_item_on_its_own() {
    let sensors: [&[&str]; 2] = [&["--serial", "LEFT", "--channels", "3"], &["--serial", "RIGHT"]];
    let mut clinic = Clinic::of_sensors(PLAN, "127.0.0.1:0", &[], &sensors);
    let browser = Browser::start(false).await;
    gate(&browser, &clinic, &["left index", "left ring", "left little"]).await;

    // The first one, on sensor 1; the second sensor's force is beside it.
    reached(&browser, "ready|index").await;
    assert_eq!(browser.text("#link").await, "Sensor LEFT");
    clinic.hand("touch 1.5");
    clinic.hand_of(1, "touch 4");
    let beside = "const text = document.getElementById('beside').textContent; return text.includes('sensor 2, channel 1: 4.') && text";
    let beside = browser.until("the other sensor's force", beside).await;
    assert!(beside.as_str().unwrap().contains("sensor 1, channel 3: 0."), "{beside}");
    reached(&browser, "pull|index").await;
    browser.screenshots("beside").await;
    tokio::time::sleep(REACTION).await;
    clinic.hand("make:20:1.5");

    // The hand is turned: both sensors are on it, and the second is not free yet.
    reached(&browser, "turn|ring").await;
    clinic.hand("free");
    tokio::time::sleep(Duration::from_millis(300)).await;
    clinic.hand_of(1, "free");
    reached(&browser, "ready|ring").await;
    assert_eq!(browser.text("#link").await, "Sensor RIGHT");
    clinic.hand_of(1, "touch 1.5");
    reached(&browser, "pull|ring").await;
    tokio::time::sleep(REACTION).await;
    clinic.hand_of(1, "make:15:1.5");

    // On the third channel 5 N; beside it, on the second, 7.5 N and more: past the cap of 12 N when 8 N are measured.
    reached(&browser, "ready|little").await;
    clinic.hand("touch 4");
    reached(&browser, "pull|little").await;
    tokio::time::sleep(REACTION).await;
    clinic.hand("concentric:27:2");
    let alarm = "const alarm = document.getElementById('alarm'); return !alarm.hidden && alarm.dataset.level === 'cap' && alarm.textContent";
    browser.until("the alarm", alarm).await;
    browser.screenshots("beside-cap").await;
    clinic.hand("free");
    reached(&browser, "halted|little").await;
    browser.accessible("stopped beside").await;
    browser.tap("#end").await;
    browser.client.accept_alert().await.unwrap();
    browser
        .until("it is saved", "return document.getElementById('saved')?.textContent.includes('recording-1')")
        .await;
    assert_eq!(browser.severe().await, Vec::<String>::new());

    let recording = Recording::open(&clinic.place.visit().join("recording-1.h5")).unwrap();
    let rows: Vec<_> = recording.trials().unwrap().into_iter().filter(|row| row.item > 0).collect();
    let places: Vec<_> = rows.iter().map(|row| (row.item, row.sensor, row.channel, row.valid)).collect();
    assert_eq!(places[..2], [(1, 1, 1, 1), (2, 2, 1, 1)], "{rows:#?}");
    let stopped = recording.observations().unwrap().into_iter().map(|seen| seen.value).collect::<Vec<_>>();
    let told = rows
        .iter()
        .map(|row| row.why_not.clone())
        .chain(stopped)
        .any(|why| why.contains("channel 2 reached its cap of 12.0 N"));
    assert!(told, "{rows:#?}");
    // A zero at the beginning and one after the turn, on every channel of both, each as the hand lay.
    for (sensor, channels) in [(1, 3), (2, 1)] {
        let tares = recording.tares(sensor).unwrap();
        for channel in 1..=channels {
            let of: Vec<_> = tares
                .iter()
                .filter(|tare| tare.channel == channel)
                .map(|tare| tare.orientation.as_str())
                .collect();
            assert!(
                of.len() >= 2 && of[0].contains("down") && of[1].contains("up"),
                "sensor {sensor}: {tares:#?}"
            );
        }
    }
}
