//! A whole study through the real program: repeatability, and changes judged by it.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

use analysis::holds::{Parameters, Profile};
use analysis::trial::Test;
use sample::documents::undocumented;
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
        "examiner differs: `another` at these visits, `same` in the data",
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
    use analysis::report::number::{find, resolve};
    use analysis::study::comparison::{Basis, Rules};
    use analysis::study::procedure::OfVisit;
    use analysis::study::visit::Visit;
    let folder = tempfile::tempdir().unwrap();
    let (first, second) = (
        visit(folder.path(), 1, 1.0, "invented", &make()),
        visit(folder.path(), 2, 1.0, "invented", &make()),
    );
    let out = folder.path().join("report.html");
    let output = run(&["report", "--methods", "--out", out.to_str().unwrap()], &[&second, &first]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let html = std::fs::read_to_string(&out).unwrap();
    let together = ["comparison-", "study-"];
    let mut numbers = numbers(&html);
    numbers.retain(|(id, _)| !together.iter().any(|kind| id.starts_with(kind)));
    // Two visits of two items with three trials and seven more numbers an item, eight a difference of sides, two in the list of
    // visits and two in the five lines; two changes of five numbers.
    assert_eq!(numbers.len(), 2 * (2 * (3 + 7) + 8 + 2 + 2) + 2 * 5, "{numbers:?}");
    let (changes, numbers): (Vec<_>, Vec<_>) =
        numbers.into_iter().partition(|(id, _)| id.contains(":change-"));
    let read = [&first, &second].map(|path| (Recording::open(path).unwrap(), Visit::read(path).unwrap()));
    let rules = Rules {
        basis: Basis::Nothing,
        primary: Vec::new(),
        vouched: Default::default(),
        form: Default::default(),
    };
    for (id, shown) in &changes {
        let number = find(&read, &rules, id).unwrap();
        assert_eq!(number.value.is_none(), shown == "–", "{id}");
        if let Some(value) = number.value {
            assert!((value - shown.parse::<f64>().unwrap()).abs() <= 0.06, "{id}: {shown}, {value}");
            let trials = if id.ends_with("earlier_n") || id.ends_with("later_n") { 3 } else { 6 };
            assert_eq!(number.origins.len(), trials, "{id}");
        }
    }
    // The same from the command line.
    let told = run(&["info", "--json", "--number", &changes[2].0], &[&first, &second]);
    let shown: f64 = changes[2].1.parse().unwrap();
    assert!((json(&told)["value"].as_f64().unwrap() - shown).abs() <= 0.006, "{changes:?}");
    for (id, shown) in &numbers {
        let number = find(&read, &rules, id).unwrap();
        let printed: f64 = shown.trim_start_matches("to ").trim_start_matches("over ").parse().unwrap();
        assert!((number.value.unwrap() - printed).abs() <= 0.06, "{id}: {shown}, {:?}", number.value);
        assert_eq!(number.origins.is_empty(), number.value == Some(0.0), "{id}");
        assert!(!number.formula.is_empty() && number.files.len() == 1, "{id}");
        assert!(number.origins.iter().all(|origin| origin.last_sample > origin.first_sample), "{id}");
    }
    let mut ids: Vec<&String> = numbers.iter().map(|(id, _)| id).collect();
    ids.sort();
    ids.dedup();
    assert_eq!(ids.len(), numbers.len(), "an id is used twice");
    let recording = &read[0].0;
    let resolve = |id: &str| resolve(recording, &OfVisit::default(), id);
    let other = resolve(&numbers.last().unwrap().0).unwrap_err();
    assert!(other.to_string().contains("is a number of visit"), "{other}");
    assert!(resolve("item-9.mean_of_peaks_n").is_err());
    assert!(resolve("trial-1.muscle").is_err());
    assert!(resolve("item-1.procedure_sem").is_err(), "of whose repeats?");
    assert!(find(&read, &rules, "item-1.sd_n").is_err(), "of which of the two?");
    let no_data = find(&read, &rules, "reliability-1.sem").unwrap_err();
    assert!(no_data.to_string().contains("none are given"), "{no_data}");
}

/// What is read on a page.
fn read_aloud(html: &str) -> String {
    let parts = html.split('<').map(|part| part.split_once('>').map_or(part, |(_, words)| words));
    parts.collect()
}

/// A printed number is the number of its id, to the digits that are shown.
fn is_shown_as(value: Option<f64>, shown: &str) -> bool {
    let Some(value) = value else { return shown == "–" };
    let digits = shown.trim_start_matches("to ").trim_start_matches("over ").trim_start_matches(['<', ' ']);
    let places = digits.split_once('.').map_or(0.0, |(_, places)| places.len() as f64);
    let printed: f64 = digits.parse().unwrap();
    (value - printed).abs() <= 0.501 * libm::pow(10.0, -places) || (shown.starts_with('<') && value < printed)
}

/// Repeatability by one examiner, and three visits of a participant; the last is stronger.
struct Followed {
    folder: tempfile::TempDir,
    data: PathBuf,
    visits: [PathBuf; 3],
}

/// The item that is judged singly.
const PRIMARY: &str = "left index abduction make";

impl Followed {
    fn new() -> Followed {
        let folder = tempfile::tempdir().unwrap();
        let files = study::write(folder.path(), SEED);
        let visits = of_first_examiner(&files);
        let data = folder.path().join("reliability.json");
        std::fs::write(&data, run(&["reliability", "--json"], &visits).stdout).unwrap();
        std::fs::create_dir(folder.path().join("later")).unwrap();
        let later = visit(&folder.path().join("later"), 3, 1.6, "invented", &make());
        let visits = [visits[4].to_owned(), visits[5].to_owned(), later];
        Followed { folder, data, visits }
    }

    fn run(&self, arguments: &[&str]) -> Output {
        assert!(self.data.starts_with(self.folder.path()));
        let basis = ["--reliability", self.data.to_str().unwrap(), "--primary", PRIMARY];
        run(&[arguments, &basis].concat(), &self.visits.each_ref().map(PathBuf::as_path))
    }

    fn page(&self) -> String {
        String::from_utf8(self.run(&["report", "--methods", "--no-figures", "--out", "-"]).stdout).unwrap()
    }
}

#[test]
fn limits_trends_and_the_text_for_the_paper_lead_back_too() {
    use analysis::recording::read::Recording;
    use analysis::report::number::find;
    use analysis::study::comparison::{Basis, Rules};
    use analysis::study::reliability::Document;
    use analysis::study::visit::Visit;
    let followed = Followed::new();
    let rules = Rules {
        basis: Basis::Own(Document::read(&followed.data).unwrap()),
        primary: vec![("left index abduction".to_owned(), "make".to_owned())],
        vouched: Default::default(),
        form: Default::default(),
    };
    let read = |path: &PathBuf| (Recording::open(path).unwrap(), Visit::read(path).unwrap());
    let read = followed.visits.each_ref().map(read);
    let mut kinds = std::collections::BTreeSet::new();
    for (id, shown) in numbers(&followed.page()) {
        let number = find(&read, &rules, &id).unwrap_or_else(|error| panic!("{id}: {error}"));
        assert!(is_shown_as(number.value, &shown), "{id}: {shown}, {:?}", number.value);
        assert!(!number.unit.is_empty() && number.formula.len() > 10, "{id}: {number:?}");
        assert!(!number.files.is_empty() || id.contains(":change-"), "{id}");
        let (place, field) = id.rsplit(':').next().unwrap().split_once('.').unwrap();
        kinds.insert(format!("{}.{field}", place.split_once('-').unwrap().0));
    }
    let expected = [
        (
            "change",
            "limit mdc mdc_low mdc_high participants chance_percent mdc95_alone mdc95 mdc95_low mdc95_high",
        ),
        ("comparison", "judged changes singly together false_changes"),
        ("trend", "visits slope_n_per_day slope_low slope_high p"),
        ("item", "procedure_sem"),
        ("sides", "left_trials right_trials"),
        ("visit", "deviations left_out"),
        ("study", "participants examiners visits trials trials_used trials_not_used days"),
        ("reliability", "planned_width planned_icc planned_participants planned_repeats"),
    ];
    for (kind, fields) in expected {
        for field in fields.split(' ') {
            assert!(kinds.contains(&format!("{kind}.{field}")), "{kind}.{field}: {kinds:?}");
        }
    }
}

#[test]
fn what_stands_twice_has_its_id_once_and_a_limit_names_its_data() {
    let followed = Followed::new();
    let page = followed.page();
    let numbers = numbers(&page);
    let mut ids: Vec<&str> = numbers.iter().map(|(id, _)| id.as_str()).collect();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), numbers.len(), "an id is used twice");
    let again = page.split("<span class=\"n\" title=\"").skip(1);
    let again: Vec<&str> = again.map(|part| part.split_once('"').unwrap().0).collect();
    // The checklist's estimates and counts; the means in the plain lines.
    assert!(again.len() >= 2 * 5 + 3 + 3 * 2, "{again:?}");
    for id in again {
        assert!(ids.binary_search(&id).is_ok(), "{id}");
    }
    let mdc = ids.iter().find(|id| id.ends_with(":change-1.mdc")).unwrap();
    let told = json(&followed.run(&["info", "--json", "--number", mdc]));
    assert!(told["files"].to_string().contains("reliability.json"), "{told:#}");
    // The trials of the two visits that are behind the limit, too.
    assert_eq!(told["origins"].as_array().unwrap().len(), 6, "{told:#}");
    assert!(told["formula"].as_str().unwrap().contains("2 of the 24 visits behind it"), "{told:#}");
    // Three visits of one participant, a week apart, of two items with three trials each.
    for (field, expected, origins) in [
        ("participants", 1.0, 0),
        ("visits", 3.0, 0),
        ("trials", 18.0, 18),
        ("trials_used", 18.0, 18),
        ("days", 14.0, 0),
    ] {
        let told = json(&followed.run(&["info", "--json", "--number", &format!("study-1.{field}")]));
        assert_eq!(told["value"].as_f64(), Some(expected), "{told:#}");
        assert_eq!(told["origins"].as_array().unwrap().len(), origins, "{told:#}");
    }
    // A change without a mark is at which visit? And the pulls of one side are those of its mean.
    let which = followed.run(&["info", "--number", "change-1.change_n"]);
    assert!(String::from_utf8_lossy(&which.stderr).contains("at each of several later visits"));
    let left = ids.iter().find(|id| id.ends_with(":sides-1.left_n")).unwrap();
    let left = json(&followed.run(&["info", "--json", "--number", left]));
    assert_eq!(left["origins"].as_array().unwrap().len(), 3, "{left:#}");
    let judged = json(&followed.run(&["info", "--json", "--number", "comparison-1.judged"]));
    assert!(judged["files"].to_string().contains("reliability.json"), "{judged:#}");
    let unknown = followed.run(&["info", "--number", "study-1.nothing"]);
    assert!(String::from_utf8_lossy(&unknown.stderr).contains("no number `study-1.nothing`"));
}

#[test]
fn repeatability_and_the_list_of_visits_lead_back_to_the_visits_behind_them() {
    let folder = tempfile::tempdir().unwrap();
    let of = |participant, visit| {
        let planned =
            Planned { participant, examiner: "E1", visit, factor: 1.0, condition: "invented", plan: "" };
        study::write_visit(folder.path(), SEED, &planned, &make())
    };
    let files: Vec<PathBuf> =
        [1, 2, 3].into_iter().flat_map(|participant| [of(participant, 1), of(participant, 2)]).collect();
    let files: Vec<&Path> = files.iter().map(PathBuf::as_path).collect();
    let data = folder.path().join("reliability.json");
    std::fs::write(&data, run(&["reliability", "--json"], &files).stdout).unwrap();
    let data = data.to_str().unwrap();
    let report = ["report", "--methods", "--no-figures", "--out", "-", "--reliability", data];
    let page = String::from_utf8(run(&report, &files).stdout).unwrap();
    let (of_data, of_visits): (Vec<_>, Vec<_>) = numbers(&page)
        .into_iter()
        .filter(|(id, _)| id.starts_with("reliability-") || id.contains(":visit-1."))
        .partition(|(id, _)| id.starts_with("reliability-"));
    // Nine numbers of each of two muscles and four of the plan for a next study; four of each of six visits.
    assert_eq!((of_data.len(), of_visits.len()), (2 * 9 + 4, 6 * 4), "{of_data:?} {of_visits:?}");
    for (id, shown) in of_data.iter().chain(&of_visits) {
        let number = json(&run(&["info", "--json", "--reliability", data, "--number", id], &files));
        let printed: f64 = shown.trim_start_matches("to ").parse().unwrap();
        assert!((number["value"].as_f64().unwrap() - printed).abs() <= 0.006, "{id}: {shown}, {number:#}");
        let origins = number["origins"].as_array().unwrap();
        // Three trials of each of six visits; the six trials of one visit.
        let expected = if id.starts_with("reliability-") { 18 } else { 6 };
        let none = ["not_used", "left_out", "deviations"].iter().any(|field| id.ends_with(field));
        assert_eq!(origins.len(), if none { 0 } else { expected }, "{id}: {number:#}");
        assert!(
            origins
                .iter()
                .all(|origin| origin["calibration"] == "nominal" && origin["first_sample"].is_i64())
        );
        assert_eq!(number["files"].as_array().unwrap().len(), if expected == 18 { 7 } else { 1 }, "{id}");
        assert!(number["formula"].as_str().is_some_and(|formula| formula.len() > 10), "{id}");
    }
    // Where a recording is not given, that is said.
    let some =
        json(&run(&["info", "--json", "--reliability", data, "--number", "reliability-1.sem"], &files[..4]));
    assert!(some["formula"].as_str().unwrap().contains("4 of the 6 visits behind it"), "{some:#}");
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
         blinding = \"examiners did not know earlier results\"\n\
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
    assert_eq!(late["visits"][0]["calibrations"][0]["state"], "nominal");

    let page = run(
        &["report", "--methods", "--no-figures", "--out", "-", "--protocol", protocol.to_str().unwrap()],
        &files,
    );
    let page = String::from_utf8(page.stdout).unwrap();
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

#[test]
fn a_trial_left_out_is_told_with_its_reason_and_leads_to_itself() {
    use analysis::recording::read::Recording;
    use analysis::report::methods::{Source, paragraph};
    use analysis::report::number::find;
    use analysis::study::comparison::{Basis, Rules};
    use analysis::study::visit::Visit;
    let folder = tempfile::tempdir().unwrap();
    let path = visit(folder.path(), 1, 1.0, "invented", &make());
    let mut left_out = Visit::read(&path).unwrap();
    for (trial, why) in [(0, "the hand slipped"), (1, "invalid"), (2, "invalid")] {
        let trial = &mut left_out.items[0].item.trials[trial];
        (trial.used, trial.why_not_used) = (false, why.to_owned());
    }
    let read = [(Recording::open(&path).unwrap(), left_out)];
    let told = paragraph(&[Source { recording: &read[0].0, visit: &read[0].1 }], None).to_string();
    assert!(
        told.contains("Of 6 trials, 3 are behind results and 3 are not (2: invalid; 1: the hand slipped)"),
        "{told}"
    );
    let rules = Rules {
        basis: Basis::Nothing,
        primary: Vec::new(),
        vouched: Default::default(),
        form: Default::default(),
    };
    for (id, value, reason) in [("excluded_1", 2.0, "invalid"), ("excluded_2", 1.0, "the hand slipped")] {
        let number = find(&read, &rules, &format!("study-1.{id}")).unwrap();
        assert_eq!((number.value, number.origins.len()), (Some(value), value as usize), "{number:?}");
        assert!(number.formula.ends_with(reason), "{number:?}");
    }
    assert!(find(&read, &rules, "study-1.excluded_3").is_err());
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
