//! A whole study through the real program: repeatability, and changes judged by it.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

use analysis::holds::{Parameters, Profile};
use analysis::trial::Test;
use sample::study::{self, Planned};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const SEED: u64 = 11;

fn run(arguments: &[&str], files: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fingerforce")).args(arguments).args(files).output().unwrap()
}

fn json(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

fn make() -> Parameters {
    Parameters::new(Profile::Standard, Test::Make)
}

/// One examiner's visits of everybody.
fn of_first_examiner(files: &[PathBuf]) -> Vec<&Path> {
    files.iter().map(PathBuf::as_path).filter(|path| path.display().to_string().contains("-E1-")).collect()
}

fn visit(
    folder: &Path,
    visit: usize,
    factor: f64,
    condition: &'static str,
    parameters: &Parameters,
) -> PathBuf {
    let planned = Planned { participant: 3, examiner: "E1", visit, factor, condition, plan: "" };
    study::write_visit(folder, SEED, &planned, parameters)
}

#[test]
fn a_study_gives_its_error_and_a_change_is_judged_by_it() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("planned")).unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let reliability = run(&["reliability", "--json"], &visits);
    let document = json(&reliability);
    let analysis = &document["analyses"][0];
    assert_eq!(
        (&analysis["name"], &analysis["subjects"]),
        (&"left index abduction, make".into(), &12.into())
    );
    assert_eq!(analysis["conditions"]["examiner"], "same");
    // Known: variance of a visit's mean = visit² + trial²/3; with 11 degrees of freedom the estimate lies within its own
    // 99.9 % interval, 0.5 to 1.7 times that.
    let known = study::BETWEEN_VISITS_N.hypot(study::BETWEEN_TRIALS_N / 3.0_f64.sqrt());
    let sem = analysis["consistency"]["sem"]["value"].as_f64().unwrap();
    assert!(sem > 0.5 * known && sem < 1.7 * known, "{sem} {known}");
    assert!(analysis["averaging"][0]["sem"].as_f64() > analysis["averaging"][2]["sem"].as_f64());

    let data = folder.path().join("reliability.json");
    std::fs::write(&data, &reliability.stdout).unwrap();
    let data = data.to_str().unwrap();
    let (first, same) = (visits[4], visits[5]);
    let steady = json(&run(&["compare", "--json", "--reliability", data], &[first, same]));
    for change in steady["changes"].as_array().unwrap() {
        assert_eq!(change["verdict"], "within-error", "{change:#}");
        assert_eq!(change["limit"]["by_upper_end"], true);
    }
    assert_eq!((&steady["judged_together"], &steady["false_changes"]), (&2.into(), &0.05.into()));

    let stronger = visit(folder.path(), 3, 1.6, "invented", &make());
    let changed = json(&run(&["compare", "--json", "--reliability", data], &[first, &stronger]));
    assert!(changed["changes"].as_array().unwrap().iter().all(|change| change["verdict"] == "increased"));

    let singly = ["compare", "--json", "--reliability", data, "--primary", "left index abduction make"];
    let singly = json(&run(&singly, &[first, same]));
    assert_eq!((&singly["judged_singly"], &singly["judged_together"]), (&1.into(), &1.into()));
    let alone = singly["changes"][0]["limit"]["alpha"].as_f64().unwrap();
    assert!((alone - 0.05).abs() < 1e-15);

    // The plan of the first visit names it too.
    let plan = "[[item]]\nmuscle = \"right index abduction\"\ntest = \"make\"\nprimary = true\n";
    let planned =
        Planned { participant: 3, examiner: "E1", visit: 1, factor: 1.0, condition: "invented", plan };
    let with_plan = study::write_visit(&folder.path().join("planned"), SEED, &planned, &make());
    let by_plan = json(&run(&["compare", "--json", "--reliability", data], &[&with_plan, same]));
    assert_eq!(by_plan["changes"][1]["primary"], true, "{by_plan:#}");
    assert_eq!((&by_plan["judged_singly"], &by_plan["judged_together"]), (&1.into(), &1.into()));
}

#[test]
fn nothing_is_said_without_a_basis_or_where_conditions_differ() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let because = |output: &Output, words: &str| {
        let json = json(output);
        for change in json["changes"].as_array().unwrap() {
            assert_eq!(change["verdict"], Value::Null);
            let why = change["cannot_say"].to_string();
            assert!(why.contains(words), "{why}");
        }
        assert_eq!(json["false_changes"], 0.0);
    };
    because(&run(&["compare", "--json"], &[visits[4], visits[5]]), "no measurement error is known");

    let data = folder.path().join("reliability.json");
    std::fs::write(&data, run(&["reliability", "--json"], &visits).stdout).unwrap();
    let with_data = ["compare", "--json", "--reliability", data.to_str().unwrap()];
    let other_people =
        (visit(folder.path(), 3, 1.0, "injured", &make()), visit(folder.path(), 4, 1.0, "injured", &make()));
    because(
        &run(&with_data, &[&other_people.0, &other_people.1]),
        "population differs: injured and invented",
    );
    // The other examiner at the second visit: that error was not measured.
    let by_other = files.iter().find(|path| path.ends_with("P03-E2-visit-2.h5")).unwrap();
    because(&run(&with_data, &[visits[4], by_other]), "examiner differs: another and same");
    let published = ["compare", "--json", "--published", "schreuders-2004-index"];
    because(&run(&published, &[visits[4], visits[5]]), "population differs");
}

#[test]
fn visits_with_different_settings_are_measured_again_with_one_set() {
    let folder = tempfile::tempdir().unwrap();
    let first = visit(folder.path(), 1, 1.0, "invented", &make());
    let mut other = make();
    other.set("end_share", "0.2").unwrap();
    let second = visit(folder.path(), 2, 1.0, "invented", &other);
    let json = json(&run(&["compare", "--json"], &[&first, &second]));
    let change = &json["changes"][0];
    assert!(change["notes"].to_string().contains("measured again"), "{change:#}");
    // A visit's peaks do not depend on where a hold ends: nothing else may change.
    assert_eq!(change["reported_n"], Value::Null);
    assert_ne!(change["settings"], "");
}

#[test]
fn recordings_that_cannot_be_compared_are_refused_with_a_hint() {
    let folder = tempfile::tempdir().unwrap();
    let of = |participant, visit| {
        let planned =
            Planned { participant, examiner: "E1", visit, factor: 1.0, condition: "invented", plan: "" };
        study::write_visit(folder.path(), SEED, &planned, &make())
    };
    let (a, b, c) = (of(1, 1), of(1, 2), of(2, 1));
    for (files, words) in [
        ([&a, &c], "different participants"),
        ([&b, &a], "began before"),
        ([&a, &a], "recordings of one visit"),
    ] {
        let output = run(&["compare"], &[files[0], files[1]]);
        let error = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(1));
        assert!(error.contains(words) && error.contains("\nhint: "), "{error}");
    }
    let wrong = run(&["compare", "--primary", "left index"], &[&a, &b]);
    assert_eq!(wrong.status.code(), Some(2));
    let unknown = run(&["compare", "--same", "weather"], &[&a, &b]);
    assert_eq!(unknown.status.code(), Some(2));
}

/// The spans with an id on a page: id and what is shown.
fn numbers(html: &str) -> Vec<(String, String)> {
    let of = |part: &str| {
        let (id, rest) = part.split_once('"')?;
        let (_, shown) = rest.split_once('>')?;
        Some((id.to_owned(), shown.split_once('<')?.0.to_owned()))
    };
    html.split("<span class=\"n\" id=\"").skip(1).map(|part| of(part).unwrap()).collect()
}

#[test]
fn every_number_on_the_page_leads_back_to_its_samples() {
    use analysis::recording::read::Recording;
    use analysis::report::number::{resolve, visit_mark};
    let folder = tempfile::tempdir().unwrap();
    let (first, second) = (
        visit(folder.path(), 1, 1.0, "invented", &make()),
        visit(folder.path(), 2, 1.0, "invented", &make()),
    );
    let out = folder.path().join("report.html");
    let output = run(&["report", "--methods", "--out", out.to_str().unwrap()], &[&second, &first]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let html = std::fs::read_to_string(&out).unwrap();
    let numbers = numbers(&html);
    // Two visits of two items with three trials and seven more numbers an item, and six a difference of sides.
    assert_eq!(numbers.len(), 2 * (2 * (3 + 7) + 6), "{numbers:?}");
    let recordings = [&first, &second].map(|path| Recording::open(path).unwrap());
    for (id, shown) in &numbers {
        let of = recordings.iter().find(|of| id.starts_with(&visit_mark(&of.root().visit_id))).unwrap();
        let number = resolve(of, id).unwrap();
        let printed: f64 = shown.trim_start_matches("to ").trim_start_matches("over ").parse().unwrap();
        assert!((number.value.unwrap() - printed).abs() <= 0.06, "{id}: {shown}, {:?}", number.value);
        assert!(!number.origins.is_empty() && !number.formula.is_empty(), "{id}");
        assert!(number.origins.iter().all(|origin| origin.last_sample > origin.first_sample), "{id}");
    }
    let mut ids: Vec<&String> = numbers.iter().map(|(id, _)| id).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), numbers.len(), "an id is used twice");
    let other = resolve(&recordings[0], &numbers.last().unwrap().0).unwrap_err();
    assert!(other.to_string().contains("is a number of visit"), "{other}");
    assert!(resolve(&recordings[0], "item-9.mean_of_peaks_n").is_err());
    assert!(resolve(&recordings[0], "trial-1.muscle").is_err());
}

#[test]
fn the_page_stands_alone() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let some: Vec<&Path> = files.iter().take(7).map(PathBuf::as_path).collect();
    let output = run(&["report", "--methods", "--no-figures", "--out", "-"], &some);
    let html = String::from_utf8(output.stdout).unwrap();
    for outside in ["<script", "src=", "href=", "url(", "@import"] {
        assert!(!html.contains(outside), "{outside}");
    }
    assert!(html.contains("not a diagnosis") && html.contains("P02: 1 of 2 visits by examiner E2"), "{html}");
    let over = run(&["report", "--out", some[0].to_str().unwrap()], &some);
    assert_eq!(over.status.code(), Some(2));
    assert!(std::fs::metadata(some[0]).unwrap().len() > 10_000, "the recording was written over");
}
