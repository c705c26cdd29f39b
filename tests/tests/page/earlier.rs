//! A second visit: before it the first one with its conditions, after it the changes, both without typing.

use crate::browser::Browser;
use crate::clinic::Clinic;
use crate::visit::{TAB_ENTER, WHERE, answer_gate};
use analysis::recording::read::Recording;
use analysis::study::visit::Visit;
use serde_json::Value;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::time::Duration;
use tests::{fingerforce, fingerforced, run};

const PLAN: &str = r#"
title = "One make test"
procedure = "examined"
sides = ["right"]
tests = ["make"]

[defaults]
trials = 3
rest_s = 0.5
hold_s = 1.0
count = 1
arrangement = "single"
reaction = "examiner"
coupling = "pad"
position = "neutral"
lever_mm = 30.0
cv_limit_percent = 100.0

[[muscle]]
muscle = "index abduction"
primary = true
"#;

/// Plays a visit to its end.
async fn play(browser: &Browser, clinic: &mut Clinic) {
    loop {
        let at = browser.js(WHERE).await.as_str().unwrap().to_owned();
        clinic.follow(&at);
        if at.ends_with("|done") {
            return;
        }
        if at.starts_with("pain") {
            browser.press(TAB_ENTER).await;
        }
        tokio::time::sleep(Duration::from_millis(30)).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_last_visit_is_shown_before_and_the_changes_after() {
    let mut clinic = Clinic::with(PLAN, "127.0.0.1:0", &[]);
    let browser = Browser::start(false).await;
    browser.client.goto(&clinic.link).await.unwrap();
    browser.until("the setup", "return document.querySelector('input[name=participant]') !== null").await;
    browser.tab_to("input[name=participant]").await;
    browser.type_text("P014").await;
    begin(&browser, &clinic).await;
    play(&browser, &mut clinic).await;
    let first = clinic.place.visit().join("recording-1.h5");
    browser
        .until("it is saved", "return document.getElementById('saved')?.textContent.includes('recording-1')")
        .await;
    assert_eq!(browser.text("#since").await, "", "there is no earlier one");
    let own = own_repeats(&clinic, &first);
    let long_ago = long_before(&first);

    // The next day, for all the page knows: the code is typed, and the visit is there.
    clinic.another_sensor();
    browser
        .js("[...document.querySelectorAll('button')].find((it) => it.textContent === 'New visit').click()")
        .await;
    browser.until("the setup", "return document.querySelector('input[name=participant]') !== null").await;
    browser.tab_to("input[name=participant]").await;
    browser.type_text("P014").await;
    browser.press('\u{e004}').await;
    browser.until("the last visit", "return document.querySelector('#last table') !== null").await;
    let told = browser.text("#last").await;
    let recorded = Recording::open(&first).unwrap();
    let mean =
        analysis::measures::repeats::items(&recorded.trials().unwrap())[0].spread.mean_of_peaks_n.unwrap();
    for part in [
        "One make test, examiner E01",
        &format!("{mean:.1}"),
        "reaction examiner",
        "lever 30 mm",
        "right index abduction",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    browser.accessible("the last visit").await;
    browser.screenshots("setup-last").await;
    begin(&browser, &clinic).await;
    play(&browser, &mut clinic).await;
    browser.until("the changes", "return document.querySelector('#since table') !== null").await;
    browser.accessible("the changes").await;
    browser.screenshots("changes").await;

    let second = newest(&clinic);
    both_errors(&browser, &second, &own).await;
    the_earlier_one_is_chosen(&browser, &long_ago, &first).await;
    same_words(&browser, &first, &second, &own).await;
    // What was said of the participant is in the recording.
    let fields = Recording::open(&second).unwrap().root().participant_fields.clone();
    for field in [
        ("age_years", "61"),
        ("sex", "female"),
        ("dominant_hand", "right"),
        ("condition", "ulnar nerve repair"),
    ] {
        assert!(fields.contains(&(field.0.to_owned(), field.1.to_owned())), "{field:?}: {fields:?}");
    }
    assert_eq!(browser.severe().await, Vec::<String>::new());
}

/// Fills in the rest of the setup, and begins.
async fn begin(browser: &Browser, clinic: &Clinic) {
    about(browser).await;
    browser.tab_to("input[name=examiner]").await;
    browser.type_text("E01").await;
    browser.choose("input[name=file]", &clinic.plan()).await;
    browser.tab_to("button.main").await;
    browser.press(TAB_ENTER).await;
    answer_gate(browser, &["right index"]).await;
}

/// The site's own error in the data folder, as it would be of repeats in the second visit's conditions.
fn own_repeats(clinic: &Clinic, first: &Path) -> PathBuf {
    let table = clinic.place.path("repeats.csv");
    // Differences that do not grow with the force.
    let retest = |subject: usize| 10.0 + subject as f64 + [0.4, -0.3, 0.2, -0.5][subject % 4];
    let row = |subject: usize| format!("S{subject:02},{},{:.2}\n", 10 + subject, retest(subject));
    let rows = (1..=12).map(row);
    std::fs::write(&table, "subject,1,2\n".to_owned() + &rows.collect::<String>()).unwrap();
    let printed = run(fingerforce().args(["reliability", "--json", "--table"]).arg(&table));
    let mut document: Value = serde_json::from_slice(&printed.stdout).unwrap();
    let analysis = &mut document["analyses"][0];
    analysis["name"] = "right index abduction, make".into();
    analysis["conditions"] = serde_json::to_value(&Visit::read(first).unwrap().items[0].conditions).unwrap();
    analysis["conditions"]["population"] = "ulnar nerve repair".into();
    analysis["conditions"]["examiner"] = "same".into();
    // The same file stands in the data folder as it may be put there: others may read it, and the page warns of that.
    let own = clinic.place.path("data/reliability.json");
    std::fs::write(&own, document.to_string()).unwrap();
    own
}

/// The visit once more, as if it had been years before, and with a trial that does not count.
fn long_before(first: &Path) -> PathBuf {
    let folder = first.parent().unwrap();
    let name = folder.file_name().unwrap().to_str().unwrap();
    let before = folder.with_file_name(format!("2019{}", &name[4..]));
    std::fs::DirBuilder::new().mode(0o700).create(&before).unwrap();
    for entry in std::fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        if entry.file_type().unwrap().is_file() {
            std::fs::copy(entry.path(), before.join(entry.file_name())).unwrap();
        }
    }
    let mut correct = fingerforced();
    correct.arg("correct").arg(before.join("recording-1.h5"));
    run(correct.args(["--by", "E01", "--why", "slipped", "--sure", "exclude", "--trial", "1"]));
    before
}

/// The instrument's and the procedure's error stand beside each result, as the command has them.
async fn both_errors(browser: &Browser, second: &Path, own: &Path) {
    let printed = run(fingerforce().arg("summary").arg(second).arg("--reliability").arg(own));
    let printed = String::from_utf8(printed.stdout).unwrap();
    let procedure = browser.text(".tables li").await;
    assert!(printed.contains(procedure.split_once(": ").unwrap().1), "{procedure}\n{printed}");
    let sem = browser.js("return document.querySelector('.tables tbody tr').cells[3].textContent").await;
    let sem = sem.as_str().unwrap();
    assert!(
        sem.ends_with(" N") && procedure.contains(&format!("procedure SEM {sem} (")),
        "{sem}: {procedure}"
    );
}

/// Another earlier visit is chosen without typing, and the changes and the report are since that one.
async fn the_earlier_one_is_chosen(browser: &Browser, long_ago: &Path, first: &Path) {
    let choose = |visit: &Path| {
        let visit = visit.file_name().unwrap().to_str().unwrap().to_owned();
        format!(
            "const since = document.getElementById('since-visit'); since.value = '{visit}'; \
             since.dispatchEvent(new Event('change')); return since.options.length"
        )
    };
    let then = "document.querySelector('#since tbody tr').cells[1].textContent";
    let shown = |mean_n: f64| format!("return {then} === '{mean_n:.2}'");
    let mean_n =
        |recording: &Path| Visit::read(recording).unwrap().items[0].item.spread.mean_of_peaks_n.unwrap();
    let (before_n, first_n) = (mean_n(&long_ago.join("recording-2.h5")), mean_n(first));
    assert!(format!("{before_n:.2}") != format!("{first_n:.2}"), "{before_n} {first_n}");
    assert_eq!(browser.js(&choose(long_ago)).await, 2);
    browser.until("the changes since long ago", &shown(before_n)).await;
    let verdict = "return document.querySelector('#since tbody tr').cells[6].textContent";
    assert_eq!(browser.js(verdict).await, "cannot say", "of two trials then");
    let report =
        "return [...document.querySelectorAll('a.button')].some((it) => it.href.includes('since=2019'))";
    assert_eq!(browser.js(report).await, true);
    browser.js(&choose(first.parent().unwrap())).await;
    browser.until("the changes since the first", &shown(first_n)).await;
}

/// What the page says of the changes is what the command says; the report has them, too.
async fn same_words(browser: &Browser, first: &Path, second: &Path, own: &Path) {
    // What the page says is what the command says, word for word.
    let compare = |json: &[&str]| {
        run(fingerforce().arg("compare").args([first, second]).arg("--reliability").arg(own).args(json))
    };
    let compared = compare(&["--json"]);
    let json: Value = serde_json::from_slice(&compared.stdout).unwrap();
    let change = &json["changes"][0];
    let cells = browser
        .js("return [...document.querySelector('#since tbody tr').cells].map((it) => it.textContent)")
        .await;
    let number = |name: &str| format!("{:.2}", change[name].as_f64().unwrap());
    assert_eq!(
        (cells[1].as_str(), cells[2].as_str()),
        (Some(number("earlier_n").as_str()), Some(number("later_n").as_str()))
    );
    let text = String::from_utf8(compare(&[]).stdout).unwrap();
    // The conditions match, and so there is a limit and a verdict.
    let verdict = match change["verdict"].as_str() {
        Some("increased") => "more than measurement error: increased",
        Some("decreased") => "more than measurement error: decreased",
        Some("within-error") => "no change shown: within measurement error",
        other => panic!("{other:?}: {change:#}"),
    };
    assert_eq!(cells[6], verdict);
    let limit = cells[5].as_str().unwrap();
    let decides = change["limit"]["decides"].as_f64().unwrap();
    assert!(limit.starts_with(&format!("{decides:.2} N (MDC95 ")), "{limit}: {change:#}");
    assert!(text.contains(limit) && text.contains(verdict), "{limit}: {text}");
    let lines =
        browser.js("return [...document.querySelectorAll('#since li')].map((it) => it.textContent)").await;
    assert!(lines.as_array().unwrap().len() >= 3, "{lines}");
    for line in lines.as_array().unwrap() {
        assert!(text.contains(line.as_str().unwrap()), "{line}\n{text}");
    }
    let report = browser.js("return [...document.querySelectorAll('a.button')].find((it) => it.textContent === 'Report').href").await;
    browser.client.goto(report.as_str().unwrap()).await.unwrap();
    let report = browser.text("body").await;
    assert!(report.contains("Changes between visits") && report.contains("Visit 2:"), "{report}");
}

fn newest(clinic: &Clinic) -> PathBuf {
    let visits = std::fs::read_dir(clinic.place.path("data/visits")).unwrap();
    let newest = visits.map(|entry| entry.unwrap().path()).max().unwrap();
    newest.join("recording-1.h5")
}

/// Fills in what is known of the participant.
async fn about(browser: &Browser) {
    let fill = "for (const [name, value] of [['age', '61'], ['sex', 'female'], ['dominant', 'right'], ['condition', 'ulnar nerve repair']]) \
                document.querySelector(`[name=\"about ${name}\"]`).value = value";
    browser.js(fill).await;
}
