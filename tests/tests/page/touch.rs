//! By touch alone; and without movement, where somebody wants none.

use crate::browser::Browser;
use crate::clinic::{Clinic, PLAN};
use analysis::recording::read::Recording;
use serde_json::json;

const STAGE: &str = "document.body.dataset.stage";

/// A button with this text can be tapped as `#tapped`.
pub async fn tap_text(browser: &Browser, text: &str) {
    let mark = format!(
        "document.getElementById('tapped')?.removeAttribute('id'); \
         const found = [...document.querySelectorAll('button')].find((it) => it.textContent === {text:?} && it.checkVisibility()); \
         if (found) found.id = 'tapped'; return found !== undefined"
    );
    browser.until(text, &mark).await;
    browser.tap("#tapped").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_visit_is_begun_stopped_and_ended_by_touch() {
    let plan = PLAN.replace("[[muscle]]", "[test.make]\nfamiliarisation = 1\n\n[[muscle]]");
    let mut clinic = Clinic::with(&plan, "127.0.0.1:0", &[]);
    let browser = Browser::start(false).await;
    browser.cdp("Emulation.setTouchEmulationEnabled", json!({ "enabled": true })).await;
    browser
        .cdp(
            "Emulation.setEmulatedMedia",
            json!({ "features": [{ "name": "prefers-reduced-motion", "value": "reduce" }] }),
        )
        .await;
    browser.client.goto(&clinic.link).await.unwrap();
    browser.until("the setup", "return document.querySelector('input[name=participant]') !== null").await;
    browser.js("window.touched = []; document.addEventListener('pointerdown', (event) => touched.push(event.pointerType), true)").await;
    browser.tap("input[name=participant]").await;
    browser.type_text("P014").await;
    browser.choose("input[name=file]", &clinic.plan()).await;
    tap_text(&browser, "Next: the sensor").await;
    browser.until("the gate", "return document.querySelector('.gate') !== null").await;
    // A list opens a picker of the system's, which is not the page's: what is chosen there is set.
    let answers = "for (const field of document.querySelectorAll('.gate select')) field.value = 'break'; \
                   for (const field of document.querySelectorAll('.gate input[type=number]')) field.value = '0'";
    browser.js(answers).await;
    tap_text(&browser, "Begin").await;
    browser.until("something to look at", &format!("return {STAGE} === 'look'")).await;
    let small = "return [...document.querySelectorAll('button, select, input, summary')].filter((it) => it.checkVisibility()) \
                 .filter((it) => it.getBoundingClientRect().height < 43.9 || it.getBoundingClientRect().width < 43.9).map((it) => it.outerHTML)";
    assert_eq!(browser.js(small).await, json!([]), "a finger needs 44 px");
    tap_text(&browser, "reduced").await;
    browser.until("ready", &format!("return {STAGE} === 'ready'")).await;
    clinic.hand("touch 1.5");
    browser.until("the cue", &format!("return {STAGE} === 'pull'")).await;
    clinic.hand("make:20:20");
    browser.until("a pull", "return parseFloat(document.getElementById('force').textContent) > 10").await;
    still(&browser).await;
    // What the pull is for is said where it is read from afar.
    assert!(browser.text("#task").await.contains("half strength"));
    assert!(browser.text("#which").await.contains("not scored"));
    browser.accessible("a pull").await;
    browser.screenshots("half").await;
    tap_text(&browser, "Stop").await;
    browser
        .until(
            "it is told to let go",
            "return [...document.querySelectorAll('#told')].some((it) => it.textContent.includes('STOP'))",
        )
        .await;
    clinic.hand("touch 1.5");
    browser.until("it stopped", &format!("return {STAGE} === 'halted'")).await;
    browser.accessible("halted").await;
    browser.screenshots("halted").await;
    tap_text(&browser, "Switch (Enter)").await;
    browser.until("it goes on", &format!("return ['rest', 'ready', 'pull'].includes({STAGE})")).await;
    // The participant's own switch types Escape.
    browser.press('\u{e00c}').await;
    browser.until("they stopped it", &format!("return {STAGE} === 'halted'")).await;
    tap_text(&browser, "End visit").await;
    browser.client.accept_alert().await.unwrap();
    browser
        .until("the results", "return document.getElementById('saved')?.textContent.includes('recording-1')")
        .await;
    let touched = browser.js("return touched.every((kind) => kind === 'touch') && touched.length").await;
    assert!(touched.as_u64().unwrap() >= 6, "{touched}");
    let recording = Recording::open(&clinic.place.visit().join("recording-1.h5")).unwrap();
    let seen = recording.observations().unwrap();
    assert!(seen.iter().any(|it| it.kind == "active motion" && it.value == "reduced"), "{seen:?}");
    assert!(seen.iter().any(|it| it.value.contains("stopped by the participant")), "{seen:?}");
    let trials = recording.trials().unwrap();
    assert!(trials.iter().any(|row| row.outcome == "stopped"), "{trials:?}");
}

/// Nothing moves by itself but the force; without the wish the mark of the pace glides.
async fn still(browser: &Browser) {
    let moving = "return [...document.querySelectorAll('*')].filter((it) => { const style = getComputedStyle(it); \
                  return [style.transitionDuration, style.animationDuration].some((all) => all.split(', ').some((it) => parseFloat(it) > 0)); }).length";
    assert_eq!(browser.js(moving).await, 0);
    browser.cdp("Emulation.setEmulatedMedia", json!({ "features": [] })).await;
    assert_eq!(browser.js(moving).await, 1, "the check sees what moves");
}
