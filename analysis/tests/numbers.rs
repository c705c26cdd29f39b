//! Every number that a report prints leads back to what it rests on.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
#[path = "sample/program.rs"]
mod program;
mod sample;

use program::{SEED, json, make, of_first_examiner, run, visit};
use sample::study::{self, Planned};
use std::path::{Path, PathBuf};
use std::process::Output;

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
    // Two visits of two items with three trials and seven more numbers an item, eight a difference of sides and two of all of
    // them, two in the list of visits and two in the five lines; two changes of five numbers.
    assert_eq!(numbers.len(), 2 * (2 * (3 + 7) + 8 + 2 + 2 + 2) + 2 * 5, "{numbers:?}");
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

/// Who asks for a number that is not there is told what to ask.
#[test]
fn an_id_that_leads_nowhere_is_told_where_others_lead() {
    use analysis::study::visit::Visit;
    let folder = tempfile::tempdir().unwrap();
    let [first, second] = [1, 2].map(|at| visit(folder.path(), at, 1.0, "invented", &make()));
    let asked = |id: &str, files: &[&Path]| {
        let output = run(&["info", "--number", id], files);
        (output.status.success(), String::from_utf8([output.stdout, output.stderr].concat()).unwrap())
    };
    let marks = [&first, &second].map(|path| Visit::read(path).unwrap().visit_id[..8].to_owned());
    let (found, which) = asked("item-1.sd_n", &[&first, &second]);
    let each = format!("{}:item-1.sd_n or {}:item-1.sd_n", marks[0], marks[1]);
    assert!(!found && which.contains("may be of each of 2 visits") && which.contains(&each), "{which}");
    assert!(asked(&format!("{}:item-1.sd_n", marks[1]), &[&first, &second]).0);
    let (_, other) = asked("ffffffff:item-1.sd_n", &[&first, &second]);
    assert!(other.contains(&format!("is of visit {}, {}", marks[0], marks[1])), "{other}");
    for (id, fields) in [
        ("item-1.mean_n", "item-N.FIELD is one of: mean_of_peaks_n, sd_n,"),
        ("trial-1.muscle", "peak_zero_n,"),
        ("sides-1.x", "percent,"),
        ("visit-1.x", "deviations"),
        ("sensor-1.x", "gaps_unknown"),
        ("change-1.x", "change_percent,"),
        ("trend-1.x", "slope_n_per_day,"),
        ("reliability-1.x", "mdc95,"),
        ("study-1.x", "excluded_N,"),
    ] {
        let (found, told) = asked(id, &[&first]);
        assert!(
            !found && told.contains(&format!("no number `{id}`")) && told.contains(fields),
            "{id}: {told}"
        );
    }
    let (_, bare) = asked("item-1.trials_used", &[&first]);
    assert!(bare.contains("item-1.trials_used = 3\n"), "a number without a unit: {bare}");
    assert!(asked("item-1.sd_n", &[&first]).1.lines().next().unwrap().ends_with(" N"));
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
        ("comparison", "judged changes singly together false_changes trends trends_by_chance"),
        ("trend", "visits slope_n_per_day slope_low slope_high p"),
        ("item", "procedure_sem"),
        ("sides", "left_trials right_trials"),
        ("visit", "deviations left_out sides sides_by_chance"),
        ("study", "participants examiners visits trials trials_used trials_not_used days"),
        (
            "reliability",
            "planned_width planned_icc planned_participants planned_repeats planned_icc_low planned_participants_low",
        ),
        ("reliability", "sem_low sem_high bias bias_low bias_high lower lower_low upper upper_high"),
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
    // Nine numbers of each of two muscles in the table, eleven in the checklist, four of the plan for a next study (of so
    // few, the ICC's interval reaches below 0: nothing can be planned by its lower end); six of each of six visits.
    assert_eq!((of_data.len(), of_visits.len()), (2 * (9 + 11) + 4, 6 * 6), "{of_data:?} {of_visits:?}");
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
