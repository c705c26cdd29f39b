//! What may be held against what, and how it is said: trends, sides, limits, measuring again, whose visits count.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
#[path = "sample/program.rs"]
mod program;
mod sample;

use analysis::command::compare::{figures, limit_words, text};
use analysis::statistics::change::limit;
use analysis::statistics::sem::built;
use analysis::study::comparison::{self, Basis, Rules};
use analysis::study::conditions::Vouched;
use analysis::study::series::{By, tables};
use analysis::study::visit::Visit;
use program::{SEED, json, make, of_first_examiner, run, visit};
use sample::study::{self, Planned};
use std::path::Path;

/// What is read on a page.
fn read_aloud(html: &str) -> String {
    let parts = html.split('<').map(|part| part.split_once('>').map_or(part, |(_, words)| words));
    parts.collect()
}

/// Without anything to hold changes against.
fn rules() -> Rules {
    Rules {
        basis: Basis::Nothing,
        primary: Vec::new(),
        vouched: Default::default(),
        form: Default::default(),
    }
}

/// What is measured again is told beside what was reported, and a number leads back to the peaks that it is made of.
#[test]
fn what_was_reported_stands_beside_what_is_measured_again() {
    let folder = tempfile::tempdir().unwrap();
    let planned =
        Planned { participant: 3, examiner: "E1", visit: 1, factor: 1.0, condition: "invented", plan: "" };
    let first = study::write_visit_off(folder.path(), SEED, &planned, &make(), 1.0);
    let mut other = make();
    other.set("end_share", "0.2").unwrap();
    let second = visit(folder.path(), 2, 1.0, "invented", &other);
    let files = [first.as_path(), second.as_path()];
    let compared = json(&run(&["compare", "--json"], &files));
    let change = &compared["changes"][0];
    let (earlier, reported) = (change["earlier_n"].as_f64().unwrap(), &change["reported_n"]);
    assert!((reported[0].as_f64().unwrap() - earlier - 1.0).abs() < 1e-9, "{change:#}");
    assert_eq!(reported[1], change["later_n"]);
    let told = format!(
        "reported then: {:.3} N and {:.3} N",
        reported[0].as_f64().unwrap(),
        reported[1].as_f64().unwrap()
    );
    let text = String::from_utf8(run(&["compare"], &files).stdout).unwrap();
    assert!(text.contains(&told), "{text}");
    let page = run(&["report", "--no-figures", "--out", "-"], &files);
    let page = read_aloud(&String::from_utf8(page.stdout).unwrap());
    assert!(page.contains(&format!("left index abduction, make, visit 2: {told}")), "{page}");

    let number = |id: &str| json(&run(&["info", "--json", "--number", id], &files));
    let of = number("change-1.earlier_n");
    let peaks = of["origins"].as_array().unwrap().iter().map(|of| of["peak_zero_n"].as_f64().unwrap());
    let mean = peaks.sum::<f64>() / 3.0;
    assert!((mean - of["value"].as_f64().unwrap()).abs() < 1e-9, "{of:#}");
    assert!(of["formula"].as_str().unwrap().contains("measured again"), "{of:#}");
    let of = number("change-1.reported_earlier_n");
    assert_eq!(of["value"], reported[0]);
    let peaks = of["origins"].as_array().unwrap().iter().map(|of| of["peak_zero_n"].as_f64().unwrap());
    assert!((peaks.sum::<f64>() / 3.0 - of["value"].as_f64().unwrap()).abs() < 1e-9, "{of:#}");
    assert!(!of["formula"].as_str().unwrap().contains("the peaks are measured again"), "{of:#}");
}

/// Three visits of one person, as they are read, for what no file holds.
fn three_visits(folder: &Path) -> Vec<Visit> {
    let files = [1, 2, 3].map(|at| visit(folder, at, 1.0 + 0.3 * at as f64, "invented", &make()));
    files.iter().map(|file| Visit::read(file).unwrap()).collect()
}

#[test]
fn visits_under_other_conditions_are_in_no_trend() {
    let folder = tempfile::tempdir().unwrap();
    let mut visits = three_visits(folder.path());
    let rules = rules();
    let of = comparison::compare(&visits, &rules).unwrap();
    assert_eq!((of.trends.len(), of.trends[0].visits.clone()), (2, vec![1, 2, 3]));
    let told = text(&of);
    assert!(told.contains("Trends with a p: 2,") && told.contains("no trend at all: 0.10."), "{told}");
    let slope = format!("{:+.4} N a day", of.trends[0].slope_n_per_day.unwrap().value);
    let drawn = figures(&visits, &of);
    assert!(drawn[0].line.is_some() && drawn[0].trend.contains(&slope), "{}", drawn[0].trend);

    // The lever and the position of the last one are others; of the other item a trial is missing.
    visits[2].items[0].conditions.lever_mm = Some(60.0);
    visits[2].items[0].conditions.position = "shortened".to_owned();
    visits[1].items[1].item.spread.trials_used = 2;
    let of = comparison::compare(&visits, &rules).unwrap();
    for (trend, left_out) in of.trends.iter().zip([
        "visit 3: position differs: neutral and shortened; lever differs: 30 mm and 60 mm",
        "visit 2: 2 of the 3 trials",
    ]) {
        assert_eq!((trend.slope_n_per_day, trend.p, trend.points.len()), (None, None, 2), "{trend:?}");
        assert!(trend.left_out[0].starts_with(left_out), "{:?}", trend.left_out);
    }
    let told = text(&of);
    assert!(told.contains("make: cannot say, because a trend needs 3 visits"), "{told}");
    assert!(told.contains("left out, against the first visit: visit 3: position differs"), "{told}");
    assert!(!told.contains("N a day") && !told.contains("Trends with a p"), "{told}");
    let drawn = figures(&visits, &of);
    assert!(drawn[0].line.is_none() && drawn[0].trend.contains("cannot say"), "{}", drawn[0].trend);

    visits[0].items[1].item.test = "concentric".to_owned();
    visits[1].items[1].item.test = "concentric".to_owned();
    visits[2].items[1].item.test = "concentric".to_owned();
    let of = comparison::compare(&visits, &rules).unwrap();
    assert!(of.trends[1].cannot_say[0].contains("the force is the examiner's"), "{:?}", of.trends[1]);
}

#[test]
fn sides_under_other_conditions_are_not_held_against_each_other() {
    let folder = tempfile::tempdir().unwrap();
    let mut visits = three_visits(folder.path());
    let mut rules = rules();
    let of = comparison::compare(&visits, &rules).unwrap();
    assert!(of.sides[0].beyond_repeats.is_some() && of.sides[0].cannot_say.is_empty(), "{:?}", of.sides);
    let told = text(&of);
    assert!(
        told.contains("Intervals of sides: 1,") && told.contains("were all sides equal: 0.05."),
        "{told}"
    );

    let right = &mut visits[2].items[1].conditions;
    (right.lever_mm, right.position) = (Some(60.0), "shortened".to_owned());
    let of = comparison::compare(&visits, &rules).unwrap();
    assert_eq!((of.sides[0].beyond_repeats, of.sides[0].stronger), (None, None));
    let told = text(&of);
    assert!(
        told.contains("index abduction, make: cannot say, because position differs: neutral and shortened; lever differs"),
        "{told}"
    );
    assert!(!told.contains(" stronger by "), "{told}");
    // What is recorded of one side only may be vouched for.
    let right = &mut visits[2].items[1].conditions;
    (right.lever_mm, right.position) = (None, "neutral".to_owned());
    assert_eq!(comparison::compare(&visits, &rules).unwrap().sides[0].beyond_repeats, None);
    rules.vouched = Vouched(vec!["lever".to_owned()]);
    assert!(comparison::compare(&visits, &rules).unwrap().sides[0].beyond_repeats.is_some());
    // What is recorded of neither is taken to be the same, and that is said.
    rules.vouched = Vouched::default();
    let both = &mut visits[2].items;
    (both[0].conditions.lever_mm, both[1].conditions.lever_mm) = (None, None);
    let of = comparison::compare(&visits, &rules).unwrap();
    assert!(of.sides[0].beyond_repeats.is_some() && of.sides[0].cannot_say.is_empty(), "{:?}", of.sides);
    assert!(
        text(&of).contains("Recorded of neither side, and taken to be the same on both: lever."),
        "{}",
        text(&of)
    );
}

/// A limit is shown with its level, and as a ratio with both ends, in the words and under the figure.
#[test]
fn a_limit_shows_its_level_and_a_ratio_both_its_ends() {
    let folder = tempfile::tempdir().unwrap();
    let visits = three_visits(folder.path());
    let rules = rules();
    let mut of = comparison::compare(&visits[..2], &rules).unwrap();
    // By hand: √2 times the normal quantile at 0.9875 times 0.05 is 0.15849; its exponential 1.1717, one over it 0.8534.
    let error = built(0.0025, 1e6).unwrap();
    of.changes[0].limit = limit(&error, 1000, 0.025);
    let words = limit_words(&of.changes[0]).unwrap().to_string();
    assert!(words.starts_with("0.16 N (MDC97.5 0.16, "), "{words}");
    assert!(figures(&visits[..2], &of)[0].band.starts_with("Band: first visit's mean ± 0.16 N"));
    of.changes[0].as_ratio = true;
    let words = limit_words(&of.changes[0]).unwrap().to_string();
    assert!(words.starts_with("-14.7 / +17.2 % (MDC97.5 -14.7 / +17.2, 17."), "{words}");
    let figure = &figures(&visits[..2], &of)[0];
    assert!(figure.band.starts_with("Band: first visit's mean -14.7 / +17.2 % ("), "{}", figure.band);
    let (low, high) = figure.within_n.unwrap();
    assert!((low / high - 0.8534 / 1.1717).abs() < 1e-3, "{low} {high}");
    of.changes[0].limit = limit(&error, 1000, 0.05 / 28.0);
    assert!(limit_words(&of.changes[0]).unwrap().to_string().contains("(MDC99.82 "));
}

/// What changes are judged by stands in the tables, and a row that would only be agreement again does not.
#[test]
fn the_tables_of_errors_show_what_decides() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    // Errors of a tenth of the force, up and down.
    let row = |at: u32| {
        let first = 10.0 + 3.0 * f64::from(at);
        let second = first * if at.is_multiple_of(2) { 1.1 } else { 1.0 / 1.1 };
        format!("P{at},{first},{second:.4}\n")
    };
    let rows: String = (0..12).map(row).collect();
    let table = |rows: &str| {
        std::fs::write(&path, format!("id,a,b\n{rows}")).unwrap();
        let told = run(&["reliability", "--table", path.to_str().unwrap()], &[]);
        String::from_utf8(told.stdout).unwrap()
    };
    let told = table(&rows);
    assert!(told.contains("they grow with the mean: use the ratios"), "{told}");
    // By hand: differences of logarithms ± ln 1.1, variance ln² 1.1 · 12/11; SEM √(half of it) = 0.07039, as a share 7.3 %.
    let lines = |of: &'static str| told.lines().filter(move |line| line.contains(of));
    assert_eq!(lines("consistency, of ratios, %").count(), 3, "{told}");
    assert!(lines("consistency, of ratios, %").next().unwrap().contains(" 7.3 "), "{told}");
    // MDC95: 1.96·√2 times as much, 0.19510: one over 1.2154, and 1.2154.
    assert!(lines("consistency, of ratios, %").any(|line| line.contains("-17.7 / +21.5")), "{told}");
    assert!(!told.contains("│ all values (within)"), "{told}");
    let told = table(&(rows + "P99,20,\n"));
    assert!(
        told.contains("│ all values (within)") && told.contains("All values (within): √MS within"),
        "{told}"
    );
}

#[test]
fn gaps_match_within_their_own_tolerance() {
    let folder = tempfile::tempdir().unwrap();
    let mut visits = three_visits(folder.path());
    let mut gap = |last_mm: f64| {
        for (visit, gap_mm) in visits.iter_mut().zip([4.0, 4.0, last_mm]) {
            visit.items[0].conditions.gap_mm = Some(gap_mm);
        }
        tables(&visits, By::Visit, &[])[0].conditions.gap_mm
    };
    assert_eq!((gap(10.0), gap(5.0)), (None, Some(4.5)));
}

#[test]
fn a_third_visit_of_one_participant_costs_nobody_theirs() {
    let folder = tempfile::tempdir().unwrap();
    let files = study::write(folder.path(), SEED);
    let mut visits = of_first_examiner(&files);
    let two = json(&run(&["reliability", "--json"], &visits));
    let extra = visit(folder.path(), 3, 1.0, "invented", &make());
    visits.push(&extra);
    let with_extra = json(&run(&["reliability", "--json"], &visits));
    let analysis = &with_extra["analyses"][0];
    assert_eq!((&analysis["subjects"], &analysis["k"]), (&12.into(), &2.into()));
    assert_eq!(analysis["values"], two["analyses"][0]["values"]);
    assert!(
        analysis["notes"].to_string().contains("visit 3 is left out: most participants have none (only P03)")
    );
    let named = json(&run(&["reliability", "--json", "--visits", "1,2"], &visits));
    assert_eq!(named["analyses"][0]["values"], analysis["values"]);
    assert!(!named["analyses"][0]["notes"].to_string().contains("left out"));
    // Where it is asked for, whoever lacks it is named.
    let refused = run(&["reliability", "--visits", "1,2,3"], &visits);
    let error = String::from_utf8(refused.stderr).unwrap();
    assert!(
        error.contains("1 subject with every value") && error.contains("P01: no value for visit 3"),
        "{error}"
    );
    assert_eq!(run(&["reliability", "--visits", "0"], &visits).status.code(), Some(2));
    // Before there are data: an ICC that is expected.
    let plan = String::from_utf8(run(&["reliability", "--expect-icc", "0.8", "--width", "0.2"], &[]).stdout)
        .unwrap();
    assert!(
        plan.contains("2 values each → 55; 3 values each → 36") && plan.contains("half of such studies"),
        "{plan}"
    );
    assert_eq!(run(&["reliability", "--expect-icc", "1.5"], &[]).status.code(), Some(2));
}
