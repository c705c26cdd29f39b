//! A whole visit on the page, by keyboard and foot switch only.

use crate::browser::Browser;
use crate::clinic::Clinic;
use analysis::measures::repeats;
use analysis::recording::layout::TrialRow;
use analysis::recording::read::Recording;
use std::path::Path;
use std::time::Duration;

pub const TAB_ENTER: char = '\u{e007}';

/// Where the visit is, as the page shows it.
pub const WHERE: &str = r#"
const which = document.getElementById("which")?.textContent ?? "";
const test = ["make", "break", "concentric", "active motion"].find((test) => which.includes(test)) ?? "";
return [document.body.dataset.stage ?? "", test, which, document.querySelector(".done") ? "done" : ""].join("|");
"#;

/// Fills in the setup with the keyboard and begins; then the gate, which allows everything.
pub async fn begin(browser: &Browser, clinic: &Clinic) {
    gate(browser, clinic, &["right index", "left index"]).await;
    browser.until("the visit", "return document.body.dataset.stage === 'look'").await;
}

/// The same, up to the answer.
pub async fn gate(browser: &Browser, clinic: &Clinic, digits: &[&str]) {
    browser.client.goto(&clinic.link).await.unwrap();
    browser.until("the setup", "return document.querySelector('input[name=participant]') !== null").await;
    browser.accessible("setup").await;
    browser.screenshots("setup").await;
    browser.tab_to("input[name=participant]").await;
    browser.type_text("P014").await;
    browser.tab_to("input[name=examiner]").await;
    browser.type_text("E01").await;
    browser.choose("input[name=file]", &clinic.plan()).await;
    browser.tab_to("button.main").await;
    browser.press(TAB_ENTER).await;
    answer_gate(browser, digits).await;
}

/// Allows everything.
pub async fn answer_gate(browser: &Browser, digits: &[&str]) {
    browser.until("the gate", "return document.querySelector('.gate') !== null").await;
    browser.accessible("gate").await;
    browser.screenshots("gate").await;
    for digit in digits {
        browser.tab_to(&format!("select[name='allowed {digit}']")).await;
        browser.type_text("break").await;
        browser.tab_to(&format!("input[name='pain {digit}']")).await;
        browser.type_text("1").await;
    }
    browser.tab_to(".gate button.main").await;
    browser.press(TAB_ENTER).await;
    browser.until("the visit", "return document.body.dataset.stage !== undefined").await;
}

/// The number as the page writes it.
fn shown(value: f64) -> String {
    if value.is_finite() { format!("{value:.*}", if value < 9.95 { 2 } else { 1 }) } else { "—".to_owned() }
}

async fn table(browser: &Browser, at: usize) -> Vec<Vec<String>> {
    let script = format!(
        "return [...document.querySelectorAll('.done table')[{at}].tBodies[0].rows].map((row) => [...row.cells].map((cell) => cell.textContent))"
    );
    serde_json::from_value(browser.js(&script).await).unwrap()
}

/// In the middle: a reload, a connection that is cut, a second tab beside it, and the participant's page.
async fn disturb(browser: &Browser, clinic: &Clinic) {
    let first_tab = browser.client.window().await.unwrap();
    browser.client.refresh().await.unwrap();
    browser.until("the page is back", "return document.getElementById('trace') !== null").await;
    browser.js("window.before = lastSocket; lastSocket.close()").await;
    let back = "return lastSocket !== window.before && lastSocket.readyState === 1";
    browser.until("the connection is back", back).await;
    let tab = browser.client.new_window(true).await.unwrap();
    browser.client.switch_to_window(tab.handle).await.unwrap();
    browser.client.goto(&format!("http://{}/", clinic.address())).await.unwrap();
    browser
        .until("the second tab", "return document.getElementById('which')?.textContent.includes('break')")
        .await;
    // The participant's page: what to do, and no number (the plan lets them see the count only).
    browser.client.goto(&format!("http://{}/participant", clinic.address())).await.unwrap();
    browser.until("the participant's page", "return document.querySelector('.you svg') !== null").await;
    browser.accessible("participant").await;
    browser.screenshots("participant").await;
    let told = browser.text("main").await;
    assert!(!told.contains(" N") && !told.contains("P014"), "{told}");
    browser.client.switch_to_window(first_tab).await.unwrap();
    browser.until("the trace is back", "return document.getElementById('trace') !== null").await;
    // The foot switch turns the sound on again; it does nothing else.
    browser.press(' ').await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_whole_visit_with_no_click_but_the_foot_switch() {
    let mut clinic = Clinic::open(&[]);
    let browser = Browser::start(true).await;
    begin(&browser, &clinic).await;
    let (mut reloaded, mut looked, mut pressed) = (false, Vec::new(), String::new());
    let at = loop {
        let at = browser.js(WHERE).await.as_str().unwrap().to_owned();
        clinic.follow(&at);
        let words: Vec<&str> = at.split('|').collect();
        let stage = words[0];
        if words[3] == "done" {
            break at;
        }
        if stage == "look" && pressed != at {
            // As expected.
            browser.press(TAB_ENTER).await;
            pressed.clone_from(&at);
        }
        if !reloaded && stage == "rest" && words[1] == "break" {
            disturb(&browser, &clinic).await;
            reloaded = true;
        }
        let place = format!("{stage}-{}", words[1]).replace(' ', "-");
        if !looked.contains(&place) && matches!(stage, "pull" | "rest" | "turn" | "look" | "ready") {
            // A pull is too short for that; a long one is looked at in `touch`.
            if stage == "rest" || stage == "look" || stage == "turn" {
                browser.accessible(&place).await;
            }
            browser.screenshots(&place).await;
            looked.push(place);
        }
        tokio::time::sleep(Duration::from_millis(30)).await;
    };
    assert!(reloaded, "{at}");
    browser.accessible("done").await;
    browser.screenshots("done").await;
    assert_eq!(browser.severe().await, Vec::<String>::new());

    // What the page says is what the recording holds.
    let first = clinic.place.visit().join("recording-1.h5");
    let rows = same_numbers(&browser, &first).await;
    let planned: Vec<_> = rows.iter().filter(|row| row.item > 0).collect();
    assert_eq!(planned.len(), clinic.pulls, "every pull was found: {planned:#?}");
    let valid = planned.iter().filter(|row| row.valid == 1).count();
    assert_eq!(valid, 12, "{planned:#?}");
    let outcomes: Vec<&str> = planned.iter().map(|row| row.outcome.as_str()).collect();
    assert_eq!(outcomes.iter().filter(|it| **it == "broke").count(), 4, "{outcomes:?}");

    // What was said: the count and what to do, by the voice of this machine.
    let said = browser.js("return heard.said").await;
    let said: Vec<(&str, &str)> = said
        .as_array()
        .unwrap()
        .iter()
        .map(|it| (it["text"].as_str().unwrap(), it["voice"].as_str().unwrap()))
        .collect();
    assert!(said.iter().all(|(_, voice)| *voice == "here"), "{said:?}");
    for text in ["2", "1", "and let go", "hold. 3", "push through. 3", "rest"] {
        assert!(said.iter().any(|(told, _)| told.ends_with(text)), "{text}: {said:?}");
    }

    corrected(&browser, &first).await;
    // The console tells of the one that was refused for want of a reason, and of nothing else.
    let told = browser.severe().await;
    assert!(told.len() == 1 && told[0].contains("/api/correct"), "{told:?}");
    browser.client.goto(&format!("http://{}/report", clinic.address())).await.unwrap();
    let report = browser.text("body").await;
    assert!(report.contains("P014") && report.contains("not a diagnosis"), "{report}");
    assert_eq!(browser.js("return document.querySelectorAll('svg').length > 0").await, true);
    assert_eq!(browser.severe().await, Vec::<String>::new());
}

/// Every number in the page's two tables is the recording's; gives its rows.
async fn same_numbers(browser: &Browser, recording: &Path) -> Vec<TrialRow> {
    let rows = Recording::open(recording).unwrap().trials().unwrap();
    let listed: Vec<_> = rows.iter().filter(|row| row.kind != "touch").collect();
    let trials = table(browser, 1).await;
    assert_eq!(trials.len(), listed.len());
    for (cells, row) in trials.iter().zip(&listed) {
        let counts = if row.valid == 1 { "yes".to_owned() } else { row.why_not.clone() };
        let expected = [row.order.to_string(), shown(row.peak_zero_n), shown(row.mean_n), counts];
        assert_eq!([&cells[0], &cells[2], &cells[3], &cells[5]], expected.each_ref(), "{cells:?}");
    }
    let items = repeats::items(&rows);
    let results = table(browser, 0).await;
    assert_eq!(results.len(), items.len());
    for (cells, item) in results.iter().zip(&items) {
        let spread = &item.spread;
        let number = |value: Option<f64>| shown(value.unwrap_or(f64::NAN));
        let cv = spread.cv_percent.map_or("—".to_owned(), |cv| format!("{cv:.1}"));
        // No repeats of this place's own are in the data folder: the procedure's error is not known.
        let expected = [
            number(spread.mean_of_peaks_n),
            number(spread.expanded_uncertainty_n),
            "—".to_owned(),
            cv,
            number(spread.best_n),
            spread.trials_used.to_string(),
        ];
        assert_eq!(cells[1..], expected, "{cells:?}");
        assert!(cells[0].starts_with(&item.muscle), "{cells:?}");
    }
    rows
}

/// Clicks the first button with this text.
async fn click(browser: &Browser, text: &str) {
    let find = format!("[...document.querySelectorAll('button')].find((it) => it.textContent === {text:?})");
    browser.until(text, &format!("return {find} !== undefined")).await;
    browser.js(&format!("{find}.click()")).await;
}

/// A mark is moved and a trial called invalid: two more recordings, and the page shows the last one's numbers.
async fn corrected(browser: &Browser, first: &Path) {
    let automatic = Recording::open(first).unwrap();
    let (before, digest) = (automatic.trials().unwrap(), automatic.content_sha256().to_owned());
    click(browser, "look at 1").await;
    browser.until("the trace", "return document.getElementById('mark-onset') !== null").await;
    browser.accessible("review").await;
    browser.screenshots("review").await;
    let found_s =
        browser.js("return document.getElementById('mark-onset').valueAsNumber").await.as_f64().unwrap();
    let own = before.iter().find(|row| row.order == 1).unwrap();
    assert!((found_s - own.onset_s).abs() < 0.001, "{found_s} {}", own.onset_s);
    click(browser, "Move the onset here").await;
    browser
        .until(
            "a reason is asked for",
            "return document.querySelector('.done > .error').textContent.includes('why')",
        )
        .await;
    let moved = "const onset = document.getElementById('mark-onset'); onset.value = (onset.valueAsNumber - 0.05).toFixed(3); \
                 onset.dispatchEvent(new Event('input')); document.getElementById('why').value = 'drawn too late'";
    browser.js(moved).await;
    click(browser, "Move the onset here").await;
    let saved =
        |name: &str| format!("return document.getElementById('saved').textContent.includes('{name}')");
    browser.until("the next recording", &saved("recording-2.h5")).await;
    let second = first.with_file_name("recording-2.h5");
    let rows = same_numbers(browser, &second).await;
    let moved_s = rows.iter().find(|row| row.order == 1).unwrap().onset_s;
    assert!((found_s - moved_s - 0.05).abs() < 0.0011, "{found_s} {moved_s}");
    let told = browser.text(".tables").await;
    assert!(told.contains("E01: drawn too late (") && told.contains("onset_s"), "{told}");
    // Both marks are shown, and the trial is left out.
    click(browser, "look at 1").await;
    let both = format!(
        "return document.querySelector('.marks')?.textContent.includes('found automatically at {found_s:.3} s')"
    );
    browser.until("the automatic mark", &both).await;
    browser.js("document.getElementById('why').value = 'slipped'").await;
    click(browser, "This trial does not count").await;
    browser.until("the one after it", &saved("recording-3.h5")).await;
    let rows = same_numbers(browser, &first.with_file_name("recording-3.h5")).await;
    assert_eq!(rows.iter().find(|row| row.order == 1).unwrap().valid, 0);
    // It counts after all.
    click(browser, "look at 1").await;
    browser
        .until(
            "the button",
            "return document.querySelector('.marks')?.textContent.includes('counts after all')",
        )
        .await;
    browser.js("document.getElementById('why').value = 'it did not slip'").await;
    click(browser, "This trial counts after all").await;
    browser.until("the one with it", &saved("recording-4.h5")).await;
    let rows = same_numbers(browser, &first.with_file_name("recording-4.h5")).await;
    assert_eq!(rows.iter().find(|row| row.order == 1).unwrap().valid, 1);
    completed(browser, first).await;
    let now = Recording::open(first).unwrap();
    now.verify().unwrap();
    assert_eq!(now.content_sha256(), digest, "the first one stays");
}

/// Nobody said how much it hurt after each side: that is listed, and entered late with one click; something else by the form.
async fn completed(browser: &Browser, first: &Path) {
    let missing =
        "return [...document.querySelectorAll('#missing li > span:first-child')].map((it) => it.textContent)";
    let after = |side: &str| format!("{side} index abduction, pain after: ");
    assert_eq!(browser.js(missing).await, serde_json::json!([after("right"), after("left")]));
    browser.accessible("to complete").await;
    browser.screenshots("to-complete").await;
    browser
        .js(&format!("document.querySelector('button[aria-label=\"{}3\"]').click()", after("right")))
        .await;
    let saved =
        |name: &str| format!("return document.getElementById('saved').textContent.includes('{name}')");
    browser.until("the recording with it", &saved("recording-5.h5")).await;
    assert_eq!(browser.js(missing).await, serde_json::json!([after("left")]));
    let form = "document.getElementById('seen-kind').value = 'trick movement'; document.getElementById('seen-value').value = 'wrist'; \
                document.getElementById('why').value = 'remembered'";
    browser.js(form).await;
    click(browser, "Add").await;
    browser.until("the recording with that", &saved("recording-6.h5")).await;
    assert!(browser.text(".done").await.contains("trick movement: wrist"));
    let recording = Recording::open(&first.with_file_name("recording-6.h5")).unwrap();
    let entered = recording.observations().unwrap();
    for (kind, value) in [("pain after", "3"), ("trick movement", "wrist")] {
        assert!(
            entered.iter().any(|it| it.kind == kind && it.value == value && it.by == "E01"),
            "{entered:?}"
        );
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_killed_program_comes_back_and_the_page_with_it() {
    let mut clinic = Clinic::open(&[]);
    let browser = Browser::start(false).await;
    begin(&browser, &clinic).await;
    clinic.restart();
    // The page comes back by itself: this browser was let in before.
    let resume = "return [...document.querySelectorAll('button')].find((it) => it.textContent.includes('interrupted'))";
    browser.until("the interrupted visit is offered", &format!("{resume} !== undefined")).await;
    browser.js(&resume.replace("return ", "").replace("))", ")).click()")).await;
    browser.until("it goes on", "return document.body.dataset.stage === 'look'").await;
    assert_eq!(browser.js("return document.getElementById('whose').textContent").await, "P014");
}
