//! A plan that hides the force: from the examiner in make tests, from the participant in break tests. What is hidden is
//! neither shown nor sent, then or later.

use crate::browser::Browser;
use crate::clinic::Clinic;
use crate::visit::{TAB_ENTER, WHERE, gate};
use serde_json::json;
use std::time::Duration;

const PLAN: &str = r#"
title = "Who sees what"
procedure = "examined"
sides = ["right"]
tests = ["make", "break"]

[defaults]
trials = 1
rest_s = 2.0
hold_s = 1.5
count = 3

[test.make]
examiner_sees = "pace only"
participant_sees = "all"

[test.break]
participant_sees = "nothing"

[[muscle]]
muscle = "index abduction"
"#;

/// Of all messages since the list was set: those that tell a force while the state says that it may not be seen.
const TOLD_TOO_MUCH: &str = r#"
let sees = null;
return received.filter((message) => {
  if (message.state) sees = message.state.sees_force;
  return sees === false && (message.force_n !== null || message.peak_n !== null || message.pace_n_per_s !== null || message.bins.length > 0);
}).length;
"#;

/// From now on all messages are kept, and every 50 ms of a pull what could be read: its test, forces, whether there is a trace.
const KEEP: &str = r#"
window.received = [];
window.seen ??= setInterval(() => {
  const state = received.findLast((it) => it.state)?.state;
  if (state?.stage?.name !== "pull") return;
  const forces = [...document.querySelector("main").innerText.matchAll(/(\d+(\.\d+)?) N\b/g)].map((it) => Number(it[1]));
  looks.push({ test: state.item.test, most: Math.max(0, ...forces), trace: !document.getElementById("trace").hidden, count: document.getElementById("count").textContent });
}, 50);
window.looks ??= [];
lastSocket.close();
"#;

async fn keep(browser: &Browser) {
    browser.js(KEEP).await;
    browser.until("messages", "return received.some((it) => it.state)").await;
}

/// In pulls of a kind: how often somebody looked, the greatest force that could be read, whether there was a trace, a count.
async fn looks(browser: &Browser, test: &str) -> (u64, f64, bool, bool) {
    let script = format!(
        "const of = looks.filter((it) => it.test === {test:?}); \
         return [of.length, Math.max(...of.map((it) => it.most)), of.some((it) => it.trace), of.some((it) => it.count)]"
    );
    serde_json::from_value(browser.js(&script).await).unwrap()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_a_plan_hides_is_neither_shown_nor_sent() {
    let mut clinic = Clinic::with(PLAN, "127.0.0.1:0", &[]);
    let (examiner, participant) = (Browser::start(false).await, Browser::start(false).await);
    gate(&examiner, &clinic, &["right index"]).await;
    let link = "fetch('/api/links', { method: 'POST', headers: { 'Content-Type': 'application/json' }, body: '{\"role\":\"participant\"}' })\
                .then((it) => it.json()).then((it) => arguments[0](it.url))";
    let link = examiner.client.execute_async(link, vec![]).await.unwrap();
    participant.client.goto(link.as_str().unwrap()).await.unwrap();
    participant.until("the participant's page", "return document.querySelector('.you svg') !== null").await;
    keep(&examiner).await;
    keep(&participant).await;
    let (mut pictures, mut between) = (false, false);
    loop {
        let at = examiner.js(WHERE).await.as_str().unwrap().to_owned();
        clinic.follow(&at);
        let words: Vec<&str> = at.split('|').collect();
        match (words[0], words[1]) {
            (_, _) if words[3] == "done" => break,
            ("pain", _) => examiner.press(TAB_ENTER).await,
            ("pull", "make") if !pictures => {
                examiner.axe("a blinded pull").await;
                examiner.screenshots("blinded").await;
                participant.screenshots("participant-sees").await;
                pictures = true;
            }
            ("rest" | "ready", "break") if !between => {
                // A page that comes back is given the trace, but not the pull that was hidden.
                assert_eq!(examiner.js(TOLD_TOO_MUCH).await, 0);
                keep(&examiner).await;
                let most = "const pull = received.findIndex((it) => it.state?.stage?.name === 'pull'); \
                            const before = received.slice(0, pull < 0 ? received.length : pull); \
                            return Math.max(...before.flatMap((it) => [it.peak_n ?? 0, ...it.bins.map((bin) => bin[2])]))";
                examiner.until("the trace", "return received.some((it) => it.bins.length > 0)").await;
                let most_n = examiner.js(most).await;
                assert!(most_n.as_f64().unwrap() < 5.0, "a touch, and nothing of the pull: {most_n}");
                between = true;
            }
            _ => {}
        }
        tokio::time::sleep(Duration::from_millis(30)).await;
    }
    assert!(between);
    let (times, most_n, trace, _) = looks(&examiner, "make").await;
    assert!(times > 10 && most_n == 0.0 && !trace, "{times} {most_n} {trace}");
    let (_, most_n, trace, _) = looks(&examiner, "break").await;
    assert!(most_n > 15.0 && trace, "{most_n}");
    // The participant is shown what the examiner is not, and the other way round.
    let (_, most_n, trace, counted) = looks(&participant, "make").await;
    assert!(most_n > 15.0 && trace && counted, "{most_n}");
    let (times, most_n, trace, counted) = looks(&participant, "break").await;
    assert!(times > 10 && most_n == 0.0 && !trace && !counted, "{times} {most_n}");
    assert_eq!((examiner.js(TOLD_TOO_MUCH).await, participant.js(TOLD_TOO_MUCH).await), (json!(0), json!(0)));
    let told = participant.js("return JSON.stringify(received)").await;
    assert!(
        !told.as_str().unwrap().contains("P014") && !told.as_str().unwrap().contains("mean_of_peaks_n\":"),
        "{told}"
    );
    afterwards(&examiner).await;
}

/// The make's force is in no list, in no trace, in no report.
async fn afterwards(examiner: &Browser) {
    let results = examiner.js("return [...document.querySelectorAll('.done table')[0].tBodies[0].rows].map((row) => row.cells[1].textContent)").await;
    assert_eq!(results[0], "—", "{results}");
    assert!(results[1].as_str().unwrap().parse::<f64>().is_ok_and(|it| it > 8.0), "{results}");
    for path in ["/api/trace?trial=1", "/report"] {
        let asked = "const done = arguments[0]; fetch(arguments[1] ?? PATH).then(async (it) => done([it.status, await it.text()]))";
        let answer = examiner
            .client
            .execute_async(&asked.replace("arguments[1] ?? PATH", &format!("{path:?}")), vec![])
            .await
            .unwrap();
        assert_eq!(answer[0], 400, "{path}");
        assert!(answer[1].as_str().unwrap().contains("hides"), "{answer}");
    }
    let all = examiner
        .client
        .execute_async(
            "const done = arguments[0]; fetch('/api/results').then((it) => it.json()).then(done)",
            vec![],
        )
        .await
        .unwrap();
    assert_eq!(
        (&all["trials"][0]["peak_zero_n"], &all["results"][0]["mean_of_peaks_n"]),
        (&json!(null), &json!(null))
    );
}
