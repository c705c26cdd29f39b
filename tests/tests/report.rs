//! The report on paper: a whole examination's page, printed by a real browser on A4 and Letter, and what can be checked
//! of a sheet without eyes. What was printed stays in `target/tmp/report`, for eyes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use analysis::trial::Test;
use daemon::visit::plan::{Plan, builtin};
use std::path::{Path, PathBuf};
use std::process::Command;
use tests::examined::{Person, World};
use tests::{fingerforce, fingerforced, run, stderr};

/// Points of the papers' sides (ISO 216; US Letter: 8.5 by 11 inches of 72 points).
const PAPERS: [(&str, f64, f64); 2] = [("A4", 595.28, 841.89), ("letter", 612.0, 792.0)];

/// An invented visit by the full plan in which everything happens, sealed into this folder.
fn recording(folder: &Path) -> PathBuf {
    let mut plan = Plan::parse(builtin::text("interossei").unwrap()).unwrap();
    plan.involved_side = Some(analysis::trial::Side::Left);
    for item in &mut plan.items {
        item.lever_mm = Some(30.0);
        item.primary = item.muscle.to_string().ends_with("index abduction") && item.test == Test::Break;
    }
    let person = Person {
        strength_n: Some(|cue| match cue.muscle.to_string().as_str() {
            "left ring abduction" => 0.0,
            "right little adduction" => 22.0,
            muscle if muscle.starts_with("left") => 9.0,
            _ => 14.0,
        }),
        says: Some(|cue| {
            (cue.muscle.to_string() == "right ring adduction" && cue.test == Test::Break).then_some("p 5")
        }),
        after: Some(|row| match (row.muscle.as_str(), row.test.as_str()) {
            ("left index abduction", "make") => {
                Some(format!("w {} left middle radial-deviation: wrong finger", row.order))
            }
            ("left index adduction", "make") => Some("g 4-".to_owned()),
            ("left little adduction", "make") => Some("o trick movement: thumb".to_owned()),
            ("right ring abduction", "make") => Some("o skin: warm and dry".to_owned()),
            ("right index abduction", "concentric") => Some("i the sensor tilted".to_owned()),
            _ => None,
        }),
        ..Person::default()
    };
    let allow = [
        "allow right break pain 1",
        "allow left break pain 0 since 2026-01-03 cleared surgeon 2026-02-20",
        "o practice: 2025-12-20: 10 pulls, 6.4 N/s, SD 0.5, 9 of 10 in range",
    ];
    let about = ["age=61", "sex=female", "dominant=right", "condition=ulnar nerve repair", "weeks-since=30"];
    let mut world = World::about(&plan.arrange(0), person, &allow, &about);
    world.run(4.0 * 3600.0);
    world.finish();
    world.seal(folder)
}

fn tool(name: &str, arguments: &[&str], files: &[&Path]) -> String {
    let output = Command::new(name).args(arguments).args(files).output();
    let output =
        output.unwrap_or_else(|error| panic!("{name}: {error}; `sh tests/prepare tests` installs it"));
    assert!(output.status.success(), "{name}: {}", stderr(&output));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// Prints a page on this paper.
fn printed(html: &str, paper: &str, folder: &Path) -> PathBuf {
    let (page, pdf) = (folder.join(format!("{paper}.html")), folder.join(format!("{paper}.pdf")));
    std::fs::write(&page, html.replacen("</style>", &format!("@page {{ size: {paper} }}</style>"), 1))
        .unwrap();
    let profile = tempfile::tempdir().unwrap();
    let flags = [
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--no-pdf-header-footer",
    ];
    let mut chromium = Command::new("chromium");
    chromium.args(flags).arg(format!("--user-data-dir={}", profile.path().display()));
    chromium.arg(format!("--print-to-pdf={}", pdf.display())).arg(format!("file://{}", page.display()));
    let output = chromium.output().expect("chromium; `sh tests/prepare tests` installs it");
    assert!(pdf.exists(), "{}", stderr(&output));
    pdf
}

/// A word on a sheet, points from its upper left.
#[derive(Debug, Clone)]
struct Word {
    text: String,
    left: f64,
    top: f64,
    right: f64,
    bottom: f64,
}

/// The words of each sheet, with the sheet's width and height.
fn sheets(pdf: &Path) -> Vec<(f64, f64, Vec<Word>)> {
    let text = tool("pdftotext", &["-bbox"], &[pdf, Path::new("-")]);
    let number = |line: &str, name: &str| -> f64 {
        let (_, rest) = line.split_once(&format!("{name}=\"")).unwrap();
        rest.split_once('"').unwrap().0.parse().unwrap()
    };
    let mut sheets = Vec::new();
    for line in text.lines().map(str::trim) {
        if line.starts_with("<page ") {
            sheets.push((number(line, "width"), number(line, "height"), Vec::new()));
        } else if line.starts_with("<word ") {
            let (_, inner) = line.split_once('>').unwrap();
            let text = inner
                .trim_end_matches("</word>")
                .replace("&lt;", "<")
                .replace("&gt;", ">")
                .replace("&amp;", "&");
            let [left, top, right, bottom] = ["xMin", "yMin", "xMax", "yMax"].map(|name| number(line, name));
            sheets.last_mut().unwrap().2.push(Word { text, left, top, right, bottom });
        }
    }
    sheets
}

/// Two words of which one covers a good part of the other.
fn overlapping(words: &[Word]) -> Option<(&Word, &Word)> {
    let shared = |a: &Word, b: &Word| {
        let width = a.right.min(b.right) - a.left.max(b.left);
        let height = a.bottom.min(b.bottom) - a.top.max(b.top);
        if width <= 0.0 || height <= 0.0 { 0.0 } else { width * height }
    };
    let area = |it: &Word| (it.right - it.left) * (it.bottom - it.top);
    let pairs = words.iter().enumerate().flat_map(|(at, a)| words[at + 1..].iter().map(move |b| (a, b)));
    pairs.into_iter().find(|(a, b)| shared(a, b) > 0.3 * area(a).min(area(b)))
}

/// What a chart needs, and no word of judgement.
fn everything_is_told(html: &str) {
    for part in [
        "Began 2026-01-01 00:00 +00:00",
        "Participant P001; age 61 years; condition ulnar nerve repair; dominant hand right; involved side left; sex female;",
        "left all digits: break allowed, pain at rest 0, injury or surgery 2026-01-03, cleared by surgeon 2026-02-20",
        "Practice of the examiner: 2025-12-20: 10 pulls",
        "not a diagnosis",
        "calibration nominal",
        "Measured by ",
        "Result of an item: mean of the peaks of its first three valid trials",
        "percentage difference 100·(M − m)/M",
        "Ulnar nerve, deep branch (C8, T1)",
        "nothing here tells the ulnar nerve from the T1 root",
        "lever 30 mm",
        "position neutral",
        "contact: middle of the proximal phalanx",
        "4- (MRC 0-5)",
        "never computed from forces",
        "pain limited",
        "below measurable",
        "broke",
        "the sensor tilted",
        "skin: warm and dry",
        "of right little adduction, break: the limit of 25.0 N was reached, peak 2",
        "left (involved), N",
        "How the break pulls went",
        "The plan was done to its end; 1 item of the plan was not tested",
        "was entered as left index abduction, make",
        "a trial was reassigned to left middle radial-deviation: wrong finger",
        "no make of this muscle was measured in this visit",
        "Label of the institution",
        "Examiner: name and signature",
        "right little adduction",
    ] {
        assert!(html.contains(part), "{part}");
    }
    let lines = html.split_once("<pre>").unwrap().1.split_once("</pre>").unwrap().0;
    assert_eq!(lines.lines().count(), 5, "{lines}");
    for muscle in ["index abduction", "middle radial-deviation", "little adduction"] {
        assert_eq!(lines.matches(muscle).count(), 2, "{muscle}, of both sides: {lines}");
    }
    for verdict in ["abnormal", "impaired", "deficit", "paralys", "pathologic", "weakness", "healthy"] {
        assert!(!html.to_lowercase().contains(verdict), "{verdict} is a verdict without a reference");
    }
}

#[test]
fn the_report_of_a_whole_examination_is_right_on_a4_and_on_letter() {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("report");
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    let recording = recording(&folder);
    let page = folder.join("report.html");
    let made = run(fingerforce().arg("report").arg(&recording).arg("--out").arg(&page));
    assert!(made.status.success(), "{}", stderr(&made));
    let html = std::fs::read_to_string(&page).unwrap();
    let opened = Recording::open(&recording).unwrap();
    let id: String = opened.content_sha256().chars().take(12).collect();
    everything_is_told(&html);
    for (paper, width, height) in PAPERS {
        let pdf = printed(&html, paper, &folder);
        let sheets = sheets(&pdf);
        assert!(sheets.len() > 3, "{paper}: {} sheets", sheets.len());
        for (number, (own_width, own_height, words)) in (1..).zip(&sheets) {
            let here = format!("{paper}, sheet {number} of {}", sheets.len());
            assert!(
                (own_width - width).abs() < 1.0 && (own_height - height).abs() < 1.0,
                "{here}: {own_width} {own_height}"
            );
            for word in words {
                let inside = word.left >= 28.0
                    && word.right <= width - 28.0
                    && word.top >= 28.0
                    && word.bottom <= height - 14.0;
                assert!(inside, "{here}: {word:?}");
            }
            if let Some(pair) = overlapping(words) {
                panic!("{here}: {pair:?}");
            }
            let text = words.iter().map(|word| word.text.as_str()).collect::<Vec<_>>().join(" ");
            assert!(text.contains(&format!("page {number} of {}", sheets.len())), "{here}: {text}");
            assert!(text.contains(&format!("report {id}")), "{here}: {text}");
            assert!(words.len() > 20, "{here} is nearly empty: {text}");
        }
    }
    // A corrected recording's report says which one it replaces, and what was corrected.
    let correct = |action: &str, trial: i64| {
        let mut command = fingerforced();
        command.arg("correct").arg(&recording).args(["--by", "E01", "--why", "sensor tilted", action]);
        run(command.args(["--trial", &trial.to_string()]))
    };
    let rows = opened.trials().unwrap();
    let order =
        |scored: bool| rows.iter().find(|row| row.item > 0 && (row.number > 0) == scored).unwrap().order;
    let refused = correct("include", order(false));
    assert!(stderr(&refused).contains("never scored"), "{}", stderr(&refused));
    assert!(!folder.join("recording-2.h5").exists() && !folder.join("corrections.jsonl").exists());
    let corrected = correct("exclude", order(true));
    assert!(corrected.status.success(), "{}", stderr(&corrected));
    let again = run(fingerforce().arg("report").arg(folder.join("recording-2.h5")).args([
        "--no-figures",
        "--out",
        "-",
    ]));
    let again = String::from_utf8(again.stdout).unwrap();
    assert!(again.contains(&format!("replaces report {id}")), "{again}");
    assert!(again.contains(&format!("by E01: trial {} (", order(true))), "{again}");
}
