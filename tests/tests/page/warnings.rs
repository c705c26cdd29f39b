//! Warnings: the limit, a connection that is cut, and no pull where nobody can be warned.

use crate::browser::Browser;
use crate::clinic::Clinic;
use crate::crowd::follow;
use crate::visit::begin;
use serde_json::Value;
use std::time::Duration;

const STAGE: &str = "return document.body.dataset.stage ?? ''";

/// Plays the visit up to the first break's open window.
async fn up_to_the_break(browser: &Browser, clinic: &mut Clinic) {
    browser.press('\u{e007}').await;
    for test in ["make", "make"] {
        browser.until("ready", "return ['ready', 'rest'].includes(document.body.dataset.stage)").await;
        clinic.hand("touch 1.5");
        browser.until("the cue", "return document.body.dataset.stage === 'pull'").await;
        clinic.hand(&format!("{test}:20:1.9"));
        browser.until("its end", "return document.body.dataset.stage !== 'pull'").await;
    }
    browser.until("the break", "return document.getElementById('which').textContent.includes('break')").await;
}

/// The alarm is there, and what to do stands whole beside it, on a phone and on a projector.
async fn uncovered(browser: &Browser) {
    for size in [(390, 844), (1024, 768), (1920, 1080)] {
        browser.sized(Some(size)).await;
        let boxes = browser
            .js("return ['alarm', 'task', 'tools'].map((id) => document.getElementById(id).getBoundingClientRect()).map((it) => [it.top, it.bottom])")
            .await;
        let at = |element: usize, end: usize| boxes[element][end].as_f64().unwrap();
        assert!(at(0, 0) < 1.0 && at(0, 1) > 20.0 && at(0, 1) <= at(1, 0), "{size:?}: {boxes}");
        assert!(at(2, 1) <= f64::from(size.1) + 1.0, "{size:?}: the tools are in sight: {boxes}");
    }
    browser.sized(None).await;
    assert_eq!(
        browser.js("return document.getElementById('alarm').hidden").await,
        false,
        "it ended too soon to be looked at"
    );
}

async fn alarms(browser: &Browser) -> Vec<Value> {
    browser.js("return heard.alarms").await.as_array().unwrap().clone()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_limit_is_seen_and_heard_before_and_at_it() {
    let mut clinic = Clinic::open(&[]);
    let browser = Browser::start(false).await;
    begin(&browser, &clinic).await;
    up_to_the_break(&browser, &mut clinic).await;
    clinic.hand("touch 1.5");
    browser.until("the cue", "return document.body.dataset.stage === 'pull'").await;
    let quiet = browser.js("heard.tones.length = 0; return 0").await;
    assert_eq!(quiet, 0);
    // The limit is 1.5 times the make of 20 N.
    clinic.hand("make:60:30");
    browser.until("the alarm", "return heard.alarms.some((it) => it.level === 'cap')").await;
    browser.accessible("the alarm").await;
    browser.screenshots("limit").await;
    uncovered(&browser).await;
    let seen = alarms(&browser).await;
    // On a machine so busy that updates came late, that was said in between.
    let first = |level: &str| seen.iter().position(|it| it["level"] == level);
    assert!(first("near").is_some() && first("near") < first("cap"), "{seen:?}");
    assert!(seen.iter().any(|it| it["text"].as_str().unwrap().contains("STOP")), "{seen:?}");
    let tones = browser.js("return heard.tones").await;
    let tones = tones.as_array().unwrap();
    let heard =
        |frequency: f64| tones.iter().any(|it| it["frequency"] == frequency && it["context"] == "running");
    assert!(heard(880.0), "the warning: {tones:?}");
    assert!(heard(1200.0), "the alarm: {tones:?}");
    let told = browser.text("#task").await;
    assert!(told.contains("STOP"), "{told}");
    browser.until("the alarm ends with the pull", "return document.getElementById('alarm').hidden").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn updates_cut_during_a_load_alarm_and_no_pull_is_offered_until_they_are_back() {
    let mut clinic = Clinic::open(&[]);
    let browser = Browser::start(false).await;
    begin(&browser, &clinic).await;
    // Somebody who sees what the program has on, whatever the page does: the participant's screen.
    let url = browser
        .client
        .execute_async(
            "fetch('/api/links', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{\"role\":\"participant\"}' })\
             .then((it) => it.json()).then((it) => arguments[0](it.url))",
            vec![],
        )
        .await
        .unwrap();
    let cookie = clinic.cookie(url.as_str().unwrap());
    let mut truth = follow(&clinic, &cookie).await;
    browser.press('\u{e007}').await;
    browser.until("ready", "return document.body.dataset.stage === 'ready'").await;
    clinic.hand("touch 1.5");
    browser.until("the cue", "return document.body.dataset.stage === 'pull'").await;
    clinic.hand("make:20:1.9");
    browser.until("a pull", "return parseFloat(document.getElementById('force').textContent) > 10").await;
    let cut_ms = browser
        .js("heard.alarms.length = 0; heard.tones.length = 0; return cut(true)")
        .await
        .as_f64()
        .unwrap();
    browser.until("the alarm", "return heard.alarms.some((it) => it.level === 'lost')").await;
    browser.axe("no signal").await;
    browser.screenshots("lost").await;
    uncovered(&browser).await;
    assert!(browser.text("#task").await.starts_with("No signal"));
    let seen = alarms(&browser).await;
    let lost = seen.iter().find(|it| it["level"] == "lost").unwrap();
    let took_ms = lost["at"].as_f64().unwrap() - cut_ms;
    println!("cut to alarm: {took_ms:.0} ms");
    assert!(took_ms < 300.0, "{took_ms} ms");
    let tones = browser
        .js("return heard.tones.filter((it) => it.frequency === 700 && it.context === 'running').length")
        .await;
    assert!(tones.as_u64().unwrap() > 0);
    assert_eq!(browser.text("#force").await, "no signal");
    // The pull ends, the rest passes, the hand touches steadily: and nothing is offered.
    truth
        .until("ready, with nobody to warn", |state| {
            state["stage"]["name"] == "ready" && state["can_warn"] == false
        })
        .await;
    let since = tokio::time::Instant::now();
    while since.elapsed() < Duration::from_secs(4) {
        let state = truth.next().await;
        assert_eq!(state["stage"]["name"], "ready", "{state}");
    }
    browser.js("return cut(false)").await;
    truth.until("the pull", |state| state["stage"]["name"] == "pull").await;
    assert_eq!(browser.until("it is back", STAGE).await, "pull");
}
