//! A whole study through the real program: repeatability, and changes judged by it.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
#[path = "sample/program.rs"]
mod program;
mod sample;

use program::{SEED, json, make, of_first_examiner, run, visit};
use sample::documents::undocumented;
use sample::study::{self, Planned};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;

/// What is read on a page.
fn read_aloud(html: &str) -> String {
    let parts = html.split('<').map(|part| part.split_once('>').map_or(part, |(_, words)| words));
    parts.collect()
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

    let singly = ["compare", "--reliability", data, "--primary", "left index abduction make"];
    let told = String::from_utf8(run(&singly, &[first, same]).stdout).unwrap();
    assert!(
        told.contains(
            "Named by whoever compared, not by the first visit's plan: left index abduction, make;"
        ),
        "{told}"
    );
    // What can be said comes before the table.
    let (said, table) = (told.find("No change shown: within measurement error: left index"), told.find('┌'));
    assert!(said.is_some() && said < table, "{told}");
    let singly = ["compare", "--json", "--reliability", data, "--primary", "left index abduction make"];
    let singly = json(&run(&singly, &[first, same]));
    assert_eq!((&singly["judged_singly"], &singly["judged_together"]), (&1.into(), &1.into()));
    // One chance of 5 % a visit, half for either kind; the primary one's MDC95 beside it is that of the whole chance.
    let chance = |at: usize| singly["changes"][at]["limit"]["alpha"].as_f64().unwrap();
    assert_eq!((chance(0), chance(1), &singly["false_changes"]), (0.025, 0.025, &0.05.into()));
    let mdc95 = &analysis["agreement"]["mdc95"];
    assert_eq!(&singly["changes"][0]["alone"]["mdc"], mdc95, "{singly:#}");
    assert_eq!(
        (&singly["changes"][1]["alone"], &singly["changes"][0]["beyond_alone"]),
        (&Value::Null, &false.into())
    );

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
fn a_deidentified_export_does_not_tell_conditions_by_the_procedures_error() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let data = folder.path().join("reliability.json");
    std::fs::write(&data, run(&["reliability", "--json"], &of_first_examiner(&files)).stdout).unwrap();
    let given = ["--reliability", data.to_str().unwrap()];
    // Why there is none may tell what the participant has.
    let other = visit(folder.path(), 3, 1.6, "a rare disease", &make());
    for to in ["csv", "json"] {
        let told = |more: &[&str]| {
            let options = [&["export", "--to", to], &given[..], more].concat();
            String::from_utf8(run(&options, &[other.as_path()]).stdout).unwrap()
        };
        assert!(told(&[]).contains("a rare disease"), "{to}: the conditions differ");
        assert!(!told(&["--deidentify", "--seed", "s"]).contains("rare"), "{to}");
    }
}

#[test]
fn the_procedures_error_stands_beside_the_instruments_everywhere() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let data = folder.path().join("reliability.json");
    let reliability = run(&["reliability", "--json"], &visits);
    std::fs::write(&data, &reliability.stdout).unwrap();
    let (analysis, data) = (&json(&reliability)["analyses"][0], data.to_str().unwrap());
    let of = |form: &str| analysis[form]["sem"]["value"].as_f64().unwrap();
    let sem_n = &analysis["agreement"]["sem"]["value"];
    // The table of trials averaged is of consistency: a shift between the visits comes on top where agreement is asked for.
    let in_table = analysis["averaging"][0]["sem"].as_f64().unwrap();
    let shift = of("agreement") * of("agreement") - of("consistency") * of("consistency");
    let trial_sem_n = (in_table * in_table + shift).sqrt();
    assert!(shift >= 0.0 && trial_sem_n >= of("agreement"), "{shift}, {trial_sem_n}: {analysis:#}");
    let given = ["--reliability", data];
    let file = &visits[4..5];

    let summary = json(&run(&[&["summary", "--json"], &given[..]].concat(), file));
    let procedure = &summary["items"][0]["procedure"];
    assert_eq!(&procedure["sem_n"], sem_n);
    assert!((procedure["trial_sem_n"].as_f64().unwrap() - trial_sem_n).abs() < 1e-12, "{procedure}");
    let consistent = [&["summary", "--json", "--sem", "consistency"], &given[..]].concat();
    let consistent = json(&run(&consistent, file));
    assert_eq!(consistent["items"][0]["procedure"]["trial_sem_n"], analysis["averaging"][0]["sem"]);
    assert_eq!(procedure["source"], "own data: left index abduction, make, n 12, same examiner, agreement");
    assert_eq!(json(&run(&["summary", "--json"], file))["items"][0]["procedure"], Value::Null);
    let exported = json(&run(&[&["export", "--to", "json"], &given[..]].concat(), file));
    assert_eq!(&exported["recordings"][0]["procedure"][0]["sem_n"], sem_n);
    let csv =
        String::from_utf8(run(&[&["export", "--to", "csv"], &given[..]].concat(), file).stdout).unwrap();
    let mut rows = csv::Reader::from_reader(csv.as_bytes());
    let header = rows.headers().unwrap().clone();
    let at = |name: &str| header.iter().position(|column| column == name).unwrap();
    for row in rows.records().map(Result::unwrap).filter(|row| &row[at("item")] == "1") {
        assert_eq!(row[at("procedure_sem_n")].parse::<f64>().ok(), sem_n.as_f64());
        assert!((row[at("procedure_trial_sem_n")].parse::<f64>().unwrap() - trial_sem_n).abs() < 1e-12);
        assert!(row[at("procedure_sem_source")].contains("own data"));
    }
    let fhir = json(&run(&[&["export", "--to", "fhir"], &given[..]].concat(), file));
    let entries = fhir["entry"].as_array().unwrap().iter().map(|entry| &entry["resource"]);
    let of = |code: &'static str| {
        let components = entries.clone().flat_map(|of| of["component"].as_array().into_iter().flatten());
        components.filter(move |part| part["code"]["coding"][0]["code"] == code)
    };
    // Two items, each in newtons or, where differences grow with the force, as a share; six trials.
    let results = of("procedure_sem_n").count() + of("procedure_sem_percent").count();
    assert_eq!((results, of("procedure_trial_sem_n").count()), (2, 6));
    let of_first = of("procedure_sem_n").next().unwrap()["valueQuantity"]["value"].as_f64().unwrap();
    assert!((of_first - sem_n.as_f64().unwrap()).abs() <= 0.0005 + 1e-9, "{of_first}");

    let plots = folder.path().join("plots");
    run(&[&["plot", "--format", "svg", "--out", plots.to_str().unwrap()], &given[..]].concat(), file);
    let told = format!("procedure SEM {:.2} N", sem_n.as_f64().unwrap());
    let drawn = std::fs::read_dir(&plots).unwrap();
    let drawn: Vec<String> =
        drawn.map(|entry| std::fs::read_to_string(entry.unwrap().path()).unwrap()).collect();
    let with = |words: &str| drawn.iter().filter(|svg| svg.contains(words)).count();
    // The first item's overlay and its muscle; every trial of an item with an error in newtons.
    assert_eq!((with(&told), with("procedure SEM of one trial") >= 3), (2, true));
    let page = run(&[&["report", "--out", "-", "--no-figures"], &given[..]].concat(), file);
    assert!(
        read_aloud(&String::from_utf8(page.stdout).unwrap())
            .contains(&format!("item-1: {told} (own data: left index"))
    );

    // Other people: the data say nothing of them.
    let other = visit(folder.path(), 3, 1.0, "injured", &make());
    let summary = json(&run(&[&["summary", "--json"], &given[..]].concat(), &[&other]));
    let procedure = &summary["items"][0]["procedure"];
    assert_eq!(procedure["sem_n"], Value::Null);
    assert!(
        procedure["cannot_say"].to_string().contains("population differs: injured and invented"),
        "{procedure}"
    );
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
    because(
        &run(&with_data, &[visits[4], by_other]),
        "examiner differs: another examiner at these visits, the same examiner in the data",
    );
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

#[test]
fn the_listing_says_what_is_done_due_missing_and_out_of_the_ordinary() {
    let folder = tempfile::tempdir().unwrap();
    let mut other = make();
    other.set("end_share", "0.2").unwrap();
    let files = [
        visit(folder.path(), 1, 1.0, "invented", &make()),
        visit(folder.path(), 2, 1.0, "invented", &other),
        visit(folder.path(), 4, 1.0, "invented", &make()),
    ];
    let files = files.each_ref().map(PathBuf::as_path);
    let unplanned = json(&run(&["study", "--json"], &files));
    let settings = unplanned["visits"][0]["settings"][0].as_str().unwrap();
    assert_eq!((&unplanned["protocol"], unplanned["settings"].as_array().unwrap().len()), (&Value::Null, 2));
    // Made on 2 March, 9 March and 23 March.
    let protocol = folder.path().join("study.toml");
    let text = format!(
        "title = \"Test and retest\"\nparticipants = [\"P03\", \"P04\"]\nsettings = [\"{settings}\"]\n\
         software = [\"fingerforced 0.0.9\"]\nblinding = \"examiners did not know earlier results\"\n\
         [[visit]]\nname = \"test\"\nday = 0\n[[visit]]\nname = \"retest\"\nday = 7\nwithin_days = 2\n\
         [[visit]]\nname = \"late\"\nday = 60\nwithin_days = 5\n"
    );
    std::fs::write(&protocol, text).unwrap();
    let at = |on: &str| {
        let protocol = protocol.to_str().unwrap();
        json(&run(&["study", "--json", "--protocol", protocol, "--on", on], &files))
    };
    let states = |of: &Value| {
        let state = |open: &Value| format!("{} {}", open["participant"], open["state"]).replace('"', "");
        of["open"].as_array().unwrap().iter().map(state).collect::<Vec<_>>()
    };
    let begun = ["P04 not-begun", "P04 not-begun", "P04 not-begun"];
    assert_eq!(states(&at("2026-04-01")), [&["P03 to-come"][..], &begun].concat());
    assert_eq!(states(&at("2026-05-01")), [&["P03 due"][..], &begun].concat());
    let late = at("2026-06-01");
    assert_eq!(states(&late), [&["P03 missing"][..], &begun].concat());
    let planned: Vec<&Value> = late["visits"].as_array().unwrap().iter().map(|of| &of["planned"]).collect();
    assert_eq!(planned, [&Value::from("test"), &Value::from("retest"), &Value::Null]);
    let deviations = |at: usize| late["visits"][at]["deviations"].to_string();
    assert!(!deviations(0).contains("frozen") && deviations(1).contains("are not the frozen ones"));
    assert!(deviations(2).contains("in the window of no planned visit"));
    assert!(deviations(0).contains("recorded by fingerforced 0.1.0, which is not the protocol's"));
    assert_eq!(late["visits"][0]["calibrations"][0]["state"], "nominal");

    let told = run(&["study", "--protocol", protocol.to_str().unwrap(), "--on", "2026-06-01"], &files);
    let told = String::from_utf8(told.stdout).unwrap();
    let mut lines = told.lines();
    // Three planned of each of two participants.
    let standing = "2 of 6 planned visits done as of 2026-06-01; 0 due, 1 missing, 3 not begun";
    assert_eq!(lines.next(), Some(standing), "{told}");
    let own: Vec<&str> = lines.filter(|line| line.starts_with("P0")).collect();
    let expected =
        ["P03: late (2026-04-26 to 2026-05-06) is missing", "P04: test is not begun, so are retest, late"];
    assert_eq!(own, expected, "{told}");
    let unplanned = String::from_utf8(run(&["study", "--on", "2026-03-10"], &files).stdout).unwrap();
    assert!(
        unplanned.starts_with("2 visits as of 2026-03-10; nothing says which were planned\n"),
        "{unplanned}"
    );

    let page = run(
        &["report", "--methods", "--no-figures", "--out", "-", "--protocol", protocol.to_str().unwrap()],
        &files,
    );
    let page = String::from_utf8(page.stdout).unwrap();
    assert!(page.contains("2 of 6 planned visits done as of "));
    for part in
        ["P04: test is not begun", "examiners did not know earlier results", "it froze the analysis settings"]
    {
        assert!(page.contains(part), "{part}");
    }
    std::fs::write(&protocol, "title = \"t\"\nday = 1\n").unwrap();
    let refused = run(&["study", "--protocol", protocol.to_str().unwrap()], &files);
    let error = String::from_utf8(refused.stderr).unwrap();
    assert!(error.contains("unknown field `day`") && error.contains("\nhint: "), "{error}");
}

#[test]
fn the_paper_is_told_who_saw_what_and_in_which_order() {
    let folder = tempfile::tempdir().unwrap();
    let plan = "title = \"t\"\nrandomise = [\"side\"]\nseed = 5\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n\
                examiner_sees = \"pace only\"\nparticipant_sees = \"nothing\"\n";
    let planned =
        Planned { participant: 3, examiner: "E1", visit: 1, factor: 1.0, condition: "invented", plan };
    let path = study::write_visit(folder.path(), SEED, &planned, &make());
    let page = run(&["report", "--methods", "--no-figures", "--out", "-"], &[&path]);
    let page = read_aloud(&String::from_utf8(page.stdout).unwrap());
    for part in [
        "the participant saw: nothing (1 of 1 items)",
        "the examiner saw: pace only (1 of 1 items)",
        "1 of 1 visits in random order of side (seeds 5",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    for field in ["participant_saw_1", "examiner_saw_1", "in_random_order"] {
        let told = json(&run(&["info", "--json", "--number", &format!("study-1.{field}")], &[&path]));
        assert_eq!(told["value"].as_f64(), Some(1.0), "{told:#}");
    }
    let none = run(&["info", "--number", "study-1.in_planned_order", "--json"], &[&path]);
    assert_eq!(json(&none)["value"].as_f64(), Some(0.0));
}

/// A file given twice is no second visit: it would make every result the same as itself.
#[test]
fn a_recording_given_twice_counts_once_and_that_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let once: Vec<&Path> = visits.iter().copied().step_by(2).collect();
    let twice = run(&["reliability"], &[&once[..], &once[..]].concat());
    let error = String::from_utf8_lossy(&twice.stderr);
    assert!(!twice.status.success() && error.contains("given twice"), "{error}");
    let one_more = [&visits[..], &visits[..1]].concat();
    let document = json(&run(&["reliability", "--json"], &one_more));
    assert_eq!(document["analyses"][0]["subjects"], 12, "{:#}", document["left_out"]);
    assert!(document["left_out"][0].as_str().unwrap().contains("given twice"), "{:#}", document["left_out"]);
    let told = json(&run(&["info", "--json", "--number", "study-1.trials_used"], &one_more));
    assert_eq!(told["value"].as_f64(), Some(24.0 * 6.0), "{:#}", told["value"]);
    let listed = json(&run(&["study", "--json"], &[visits[0], visits[0]]));
    assert_eq!(listed["visits"].as_array().unwrap().len(), 1);
    assert!(listed["superseded"][0].as_str().unwrap().contains("given twice"));
}

#[test]
fn limits_and_trends_of_another_examiner_are_said_to_be() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let data = folder.path().join("reliability.json");
    std::fs::write(&data, run(&["reliability", "--json"], &of_first_examiner(&files)).stdout).unwrap();
    let by = |examiner: &str| -> Vec<&Path> {
        let own =
            files.iter().filter(|path| path.display().to_string().contains(&format!("P03-{examiner}-")));
        own.map(PathBuf::as_path).collect()
    };
    let told = |examiner: &str| {
        let compared = run(&["compare", "--json", "--reliability", data.to_str().unwrap()], &by(examiner));
        json(&compared)["changes"][0]["notes"].to_string()
    };
    assert!(
        told("E2").contains("found with examiner E1; examiner E2 may have another error"),
        "{}",
        told("E2")
    );
    assert!(!told("E1").contains("may have another error"), "{}", told("E1"));
    let all: Vec<&Path> = ["E1-visit-1", "E2-visit-1", "E1-visit-2", "E2-visit-2"]
        .map(|name| format!("P03-{name}.h5"))
        .iter()
        .map(|name| files.iter().find(|path| path.ends_with(name)).unwrap().as_path())
        .collect();
    let mixed = String::from_utf8(run(&["compare"], &all).stdout).unwrap();
    assert!(mixed.contains("by examiners E1, E2, and what they differ by is in it"), "{mixed}");
    let of_e2 = run(&["summary", "--reliability", data.to_str().unwrap()], &by("E2")[..1]);
    let of_e2 = String::from_utf8(of_e2.stdout).unwrap();
    assert!(of_e2.contains("same examiner, found with E1, not E2, agreement"), "{of_e2}");
    let both: Vec<&Path> = files.iter().map(PathBuf::as_path).collect();
    let of_both = String::from_utf8(run(&["reliability"], &both).stdout).unwrap();
    assert!(of_both.contains("visits are by several examiners (E1, E2): what they differ by"), "{of_both}");
}

#[test]
fn data_of_another_interval_are_said_to_be() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let named = |part: &str| -> Vec<&Path> {
        let found = files.iter().filter(|path| path.display().to_string().contains(part));
        found.map(PathBuf::as_path).collect()
    };
    // Two examiners, an hour apart; and the visits that are judged, a week.
    let data = folder.path().join("reliability.json");
    let of_an_hour = run(&["reliability", "--json", "--by", "examiner"], &named("-visit-1"));
    std::fs::write(&data, &of_an_hour.stdout).unwrap();
    let apart_days = json(&of_an_hour)["analyses"][0]["apart_days"].as_f64().unwrap();
    assert!((apart_days - 1.0 / 24.0).abs() < 1e-9, "{apart_days}");
    let notes = |files: &[&Path]| {
        let compared = run(&["compare", "--json", "--reliability", data.to_str().unwrap()], files);
        json(&compared)["changes"][0]["notes"].to_string()
    };
    let (first, later) = (named("P05-E1-visit-1")[0], named("P05-E2-visit-2")[0]);
    let told = notes(&[first, later]);
    assert!(told.contains("the limit's data lie 60 minutes apart, these visits 7 days"), "{told}");
    let told = notes(&[first, named("P05-E2-visit-1")[0]]);
    assert!(!told.contains("apart"), "{told}");
}

#[test]
fn what_becomes_of_one_item_moves_no_other_limit() {
    use analysis::study::comparison::{self, Basis, Form, Rules};
    use analysis::study::reliability::Document;
    use analysis::study::visit::Visit;
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let data = folder.path().join("reliability.json");
    std::fs::write(&data, run(&["reliability", "--json"], &visits).stdout).unwrap();
    let basis = Basis::Own(Document::read(&data).unwrap());
    let rules = Rules { basis, primary: Vec::new(), vouched: Default::default(), form: Form::Agreement };
    let pair: Vec<Visit> = visits[4..6].iter().map(|file| Visit::read(file).unwrap()).collect();
    let mut spoiled = pair.clone();
    spoiled[1].items[1].item.spread.trials_used = 2;
    let (all, one) = (comparison::compare(&pair, &rules), comparison::compare(&spoiled, &rules));
    let (all, one) = (all.unwrap(), one.unwrap());
    assert_eq!((all.judged_together, one.judged_together), (2, 1));
    assert_eq!(all.changes[0].limit, one.changes[0].limit);
    assert_eq!((one.changes[1].verdict, one.false_changes), (None, 0.025));
}

#[test]
fn a_trend_needs_three_visits() {
    let folder = tempfile::tempdir().unwrap();
    let files = [1, 2, 3].map(|at| visit(folder.path(), at, 1.0 + 0.3 * at as f64, "invented", &make()));
    let files = files.each_ref().map(PathBuf::as_path);
    let two = json(&run(&["compare", "--json"], &files[..2]));
    assert_eq!(two["trends"], Value::from(Vec::<Value>::new()));
    let three = json(&run(&["compare", "--json"], &files));
    let trend = &three["trends"][0];
    assert_eq!(trend["points"].as_array().unwrap().len(), 3);
    assert_eq!(trend["examiners"], serde_json::json!(["E1"]));
    // A week apart, 30 % of the first strength more each time.
    let slope = trend["slope_n_per_day"]["value"].as_f64().unwrap();
    let first = trend["points"][0][1].as_f64().unwrap() / 1.3;
    assert!((slope * 7.0 / (0.3 * first) - 1.0).abs() < 0.5, "{trend:#}");
}

#[test]
fn a_participant_is_plotted_over_visits_and_a_study_as_agreement() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let visits = of_first_examiner(&files);
    let drawn = |command: &str, of: &[&Path]| -> Vec<(String, String)> {
        let out = folder.path().join(format!("{command}-{}", of.len()));
        let done = run(&[command, "--out", out.to_str().unwrap()], of);
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
        let all = std::fs::read_dir(&out).unwrap().map(|entry| entry.unwrap().path());
        let svg = all.filter(|path| path.extension().is_some_and(|kind| kind == "svg"));
        let name = |path: &PathBuf| path.file_stem().unwrap().to_str().unwrap().to_owned();
        let mut drawn: Vec<_> =
            svg.map(|path| (name(&path), std::fs::read_to_string(&path).unwrap())).collect();
        drawn.sort();
        drawn
    };
    // The same figures as beside the numbers, name by name and stroke by stroke.
    let of_study = drawn("plot", &visits);
    assert_eq!(of_study, drawn("reliability", &visits));
    assert!(
        of_study
            .iter()
            .any(|(name, svg)| name == "01-bland-altman-1-2" && svg.contains("limits of agreement"))
    );
    let of_one = drawn("plot", &visits[4..6]);
    assert_eq!(of_one, drawn("compare", &visits[4..6]));
    assert!(of_one.iter().all(|(_, svg)| svg.contains("days since the first visit")) && !of_one.is_empty());
    // Two participants are too few for a study.
    let few = run(&["plot"], &visits[2..6]);
    assert!(!few.status.success());
    let said = String::from_utf8_lossy(&few.stderr).into_owned();
    assert!(said.contains("hint: give at least 3 participants"), "{said}");
}

#[test]
fn every_value_that_is_printed_is_documented() {
    let folder = tempfile::tempdir().unwrap();
    let files = [1, 2, 3].map(|at| visit(folder.path(), at, 1.0, "invented", &make()));
    let [first, second, third] = files.each_ref().map(PathBuf::as_path);
    let table = folder.path().join("table.csv");
    std::fs::write(&table, "id,a,b\nP1,10,11\nP2,20,19\nP3,30,31\nP4,25,25\n").unwrap();
    let readings = folder.path().join("readings.csv");
    let loads = [0.0, 10.0, 20.0, 50.0, 100.0, 0.0];
    let reading = |series: &str, shift: f64| {
        loads.map(|n| format!("{n},{},{series}\n", 40_000.0 * n + shift * n)).concat()
    };
    std::fs::write(
        &readings,
        format!("reference_n,indication,series\n{}{}", reading("A", 0.0), reading("B", 9.0)),
    )
    .unwrap();
    let protocol = folder.path().join("study.toml");
    std::fs::write(&protocol, "title = \"t\"\n[[visit]]\nname = \"a\"\nday = 90\n").unwrap();
    let (table, readings, protocol) =
        (table.to_str().unwrap(), readings.to_str().unwrap(), protocol.to_str().unwrap());
    for (kind, arguments, files) in [
        ("summary", &["summary", "--json"][..], &[first][..]),
        ("holds", &["holds", "--json"], &[first]),
        ("recording", &["info", "--json", "--verify"], &[first]),
        ("verification", &["info", "--json", "--verify"], &[folder.path()]),
        ("number", &["info", "--json", "--number", "item-1.sd_n"], &[first]),
        ("comparison", &["compare", "--json"], &[first, second, third]),
        ("reliability", &["reliability", "--json", "--table", table], &[]),
        ("study listing", &["study", "--json", "--protocol", protocol], &[first, second]),
        ("sensor", &["sensor", "--json"], &[first]),
        ("sensor", &["sensor", "--json", "--calibration", readings], &[]),
        ("export", &["export", "--to", "json"], &[first]),
    ] {
        let kind = format!("finger-force {kind}");
        let document = json(&run(arguments, files));
        assert_eq!(
            (&document["kind"], &document["version"]),
            (&kind.as_str().into(), &1.into()),
            "{arguments:?}"
        );
        assert!(document.as_object().unwrap().len() > 3, "{kind}");
        let found = undocumented(&document);
        assert!(found.is_empty(), "{kind}: not in JSON.md: {found:?}");
    }
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
