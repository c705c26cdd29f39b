//! Every kind of figure, drawn from made-up trials: its labels keep clear of each other, of the trace and of the page's
//! edge; nothing is hidden; text from a file stays text. The figures are left in the folder that the first test prints,
//! to be looked at.
#![allow(clippy::unwrap_used, reason = "the helpers of tests may panic")]

mod made;
mod seen;

use analysis::measures::repeats::{Spread, Trial, items};
use analysis::plot::bland_altman::BlandAltmanFigure;
use analysis::plot::decimate::Reduced;
use analysis::plot::occasions::OccasionsFigure;
use analysis::plot::overview::{self, OverviewFigure, Shaded};
use analysis::plot::repeats::{Column, Overlaid, OverlayFigure, PointsFigure};
use analysis::plot::style::{FAMILY, HEIGHT, TRACE, WIDTH};
use analysis::plot::trial::TrialFigure;
use analysis::plot::visits::{Point, VisitsFigure};
use analysis::plot::{Figure, names, svg, write_png, write_svg};
use analysis::recording::layout::TrialRow;
use analysis::statistics::agreement::BlandAltman;
use analysis::study::reliability::Pair;
use made::*;
use plotters::drawing::IntoDrawingArea;
use plotters::prelude::BitMapBackend;
use plotters::style::{FontStyle, IntoFont};
use seen::*;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

#[test]
fn labels_keep_clear_of_each_other_and_of_the_edge() {
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("figures");
    std::fs::create_dir_all(&folder).unwrap();
    println!("figures in {}", folder.display());
    for (name, svg) in every(Some(folder)) {
        let texts = texts(&svg);
        assert!(texts.len() > 10, "{name}: {} texts", texts.len());
        for (n, Seen { text, area: [left, top, right, bottom] }) in texts.iter().enumerate() {
            assert!(
                *left >= 10.0
                    && *top >= 10.0
                    && *right <= f64::from(WIDTH) - 10.0
                    && *bottom <= f64::from(HEIGHT) - 10.0,
                "{name}: `{text}` leaves the page: {left} {top} {right} {bottom}"
            );
            for other in &texts[..n] {
                let [l, t, r, b] = other.area;
                let apart = *left >= r || *right <= l || *top >= b || *bottom <= t;
                assert!(apart, "{name}: `{text}` covers `{}`", other.text);
            }
        }
    }
}

#[test]
fn no_label_lies_on_the_trace() {
    let made = [make(1, 21.0), broken(), crowded(), gapped()];
    for made in &made {
        let svg = svg(&figure(made)).unwrap();
        let corners = trace(&svg);
        assert!(corners.len() > 500, "{} corners", corners.len());
        for Seen { text, area: [left, top, right, bottom] } in texts(&svg) {
            let covered =
                corners.iter().find(|(x, y)| (left..right).contains(x) && (top..bottom).contains(y));
            assert_eq!(covered, None, "`{text}` lies on the trace");
        }
    }
}

#[test]
fn a_trials_marks_are_all_there() {
    let made = broken();
    let told: Vec<String> = texts(&svg(&figure(&made)).unwrap()).into_iter().map(|seen| seen.text).collect();
    for label in ["contact 1.6 N", "onset (SD 31 ms)", "break 27.60 N", "release", "end"] {
        assert!(told.iter().any(|text| text == label), "{label}: {told:?}");
    }
    assert!(
        told.iter().any(|text| text.starts_with("peak 2"))
            && told.iter().any(|text| text.starts_with("best 1-s mean 2"))
    );
    assert!(
        told.iter().any(|text| text == "force above zero, N")
            && told.iter().any(|text| text == "time since onset, s")
    );
}

#[test]
fn a_mean_is_above_the_touch_only_where_there_was_one() {
    let mut made = broken();
    assert!(told(&svg(&figure(&made)).unwrap()).contains("N above the touch"));
    made.row.contact_s = f64::NAN;
    let without = told(&svg(&figure(&made)).unwrap());
    assert!(
        without.contains("N above the level before the pull") && !without.contains("the touch"),
        "{without}"
    );
}

/// The words of a figure say what its numbers do, also where differences grow and no ratio can be given.
#[test]
fn agreement_does_not_deny_that_differences_grow() {
    let growing = pair(0.3);
    let moved = |by: f64| {
        let values: Vec<(f64, f64)> = growing.values.iter().map(|(a, b)| (a + by, b + by)).collect();
        let (a, b): (Vec<f64>, Vec<f64>) = values.iter().copied().unzip();
        Pair { values, of: BlandAltman::of(&a, &b).unwrap(), ..growing.clone() }
    };
    // Values not above zero; and so far from zero that the logarithms grow as well.
    for (by, why) in
        [(-20.0, "a value is not above zero"), (200.0, "ratios do not hold for all values either")]
    {
        let pair = moved(by);
        assert!(pair.of.grows && pair.of.ratio.is_none(), "{:?}", pair.of);
        let words = told(&svg(&bland_altman(&pair)).unwrap());
        assert!(words.contains("the differences grow with the mean"), "{words}");
        assert!(words.contains(why) && !words.contains("no growth"), "{words}");
    }
    assert!(told(&svg(&bland_altman(&pair(0.0))).unwrap()).contains("no growth of the differences"));
}

#[test]
fn visits_are_joined_where_one_examiners_follow_each_other_and_the_trend_is_told() {
    let lines = |figure: &VisitsFigure| svg(figure).unwrap().matches("<polyline").count();
    let (alternating, mut grouped) = (visits_by(2, 6), visits_by(2, 6));
    grouped.points.iter_mut().enumerate().for_each(|(at, of)| of.examiner = format!("E{}", at / 3 + 1));
    assert_eq!(lines(&grouped), lines(&alternating) + 4, "two joins of each examiner's three visits");
    let words = told(&svg(&visits(6)).unwrap()).replace('\n', " ");
    for part in ["N a day (95 %", "p 0.003", "n = 18", "beside it to be seen"] {
        assert!(words.contains(part), "{part}: {words}");
    }
    assert!(!told(&svg(&visits(2)).unwrap()).contains("Dashes: least-squares"));
}

#[test]
fn agreement_and_occasions_say_what_a_value_is_and_whose_it_is() {
    let (differences, ratios) = (pair(0.0), pair(0.3));
    let of = differences.of.limits;
    for (svg, axes) in [
        (svg(&occasions()).unwrap(), vec!["mean of the first three valid peaks, N", "visit 3"]),
        (
            svg(&bland_altman(&differences)).unwrap(),
            vec![
                "mean of the two, each a mean of the first three valid peaks, N",
                "difference visit 2 − visit 1, N",
                &*format!("bias {:.2}", of.bias.value),
                &*format!("upper limit {:.2}", of.upper.value),
                &*format!("{:.2} to {:.2}", of.lower.low.unwrap(), of.lower.high.unwrap()),
            ],
        ),
        (
            svg(&bland_altman(&ratios)).unwrap(),
            vec![
                "geometric mean of the two, each a mean of the first three valid peaks, N",
                "ratio visit 2 / visit 1",
            ],
        ),
    ] {
        let lines = told(&svg);
        for axis in axes {
            assert!(lines.lines().any(|line| line == axis), "{axis}: {lines}");
        }
        let running = lines.replace('\n', " ");
        assert!(running.contains(WHOM) && running.contains(PEAK), "{running}");
    }
    let unknown = OccasionsFigure { value: String::new(), unit: String::new(), ..occasions() };
    assert!(told(&svg(&unknown).unwrap()).lines().any(|line| line == "value"));
}

#[test]
fn the_words_at_the_foot_explain_what_is_drawn_and_nothing_else() {
    let running = |svg: String| told(&svg).replace('\n', " ");
    let mut of_muscle = points(&[[20.0, 12.0, 21.0, 23.0], [1.2, 0.3, 1.1, 1.9]]);
    assert!(!running(svg(&of_muscle).unwrap()).to_lowercase().contains("instrument ±"));
    of_muscle.columns[1].spread.expanded_uncertainty_n = Some(0.12);
    let with = running(svg(&of_muscle).unwrap());
    assert!(
        with.contains("instrument ± 0.12 N")
            && with.contains("not among those trials. Instrument ±: expanded"),
        "{with}"
    );
    assert!(running(svg(&overlay(3)).unwrap()).contains("Marks along a trace only tell the trials apart."));
    let whole = running(svg(&whole(3)).unwrap());
    assert!(
        whole.contains("between dashes: one that does not count, or is outside every trial of the plan"),
        "{whole}"
    );
}

#[test]
fn marks_of_another_colour_have_another_shape() {
    let people = people();
    let of_people = svg(&occasions()).unwrap();
    assert_eq!(of_people.matches("<circle").count(), people.len() * people[0].len(), "a disc a value");
    assert_eq!(shapes(&of_people).len(), 1, "the mean is told from them by its squares");
    for (examiners, count) in [(2, 6), (4, 8)] {
        let svg = svg(&visits_by(examiners, count)).unwrap();
        let shapes = shapes(&svg);
        assert_eq!(shapes.len(), examiners, "{shapes:?}");
        let all: BTreeSet<&String> = shapes.values().flatten().collect();
        assert_eq!(all.len(), examiners, "each has a shape of its own: {shapes:?}");
        let legend = format!("examiner E{examiners} (n = {})", count / examiners);
        assert!(told(&svg).lines().any(|line| line == legend), "{legend}: {}", told(&svg));
    }
    assert!(!told(&svg(&visits(5)).unwrap()).contains("examiner"), "one examiner needs no legend");
}

#[test]
fn flanks_are_continuous_in_pixels_too() {
    // 100 samples a second: a flank is strokes of some rows and one or two columns each. The pixel backend fills
    // such a one thinner or wider than the next, which looks dashed.
    let pulse = |t: f64| 20.0 * step((t % 7.0 - 1.0) / 0.5) * (1.0 - step((t % 7.0 - 4.0) / 0.4));
    let (time_s, force_n) = sampled(42.0, 3, pulse);
    let every_tenth = |values: &[f64]| values.iter().step_by(10).copied().collect::<Vec<f64>>();
    let trace_of = Reduced::of(&every_tenth(&time_s), &every_tenth(&force_n), 0.0, overview::columns());
    let figure = OverviewFigure { trace: trace_of, range_s: (0.0, 42.0), holds: vec![], ..whole(1) };
    let corners = trace(&svg(&figure).unwrap());
    let mut pixels = vec![0_u8; (3 * WIDTH * HEIGHT) as usize];
    {
        let root = BitMapBackend::with_buffer(&mut pixels, (WIDTH, HEIGHT)).into_drawing_area();
        figure.draw(&root).unwrap();
    }
    let is_trace = |x: i32, y: i32| {
        let at = 3 * (y as usize * WIDTH as usize + x as usize);
        pixels[at..at + 3] == [TRACE.0, TRACE.1, TRACE.2]
    };
    let steep = corners.windows(2).filter(|pair| (pair[1].1 - pair[0].1).abs() > 20.0);
    let mut looked_at = 0;
    for pair in steep {
        let ((from_x, from_y), (to_x, to_y)) = (pair[0], pair[1]);
        for y in from_y.min(to_y) as i32..=from_y.max(to_y) as i32 {
            let share = (f64::from(y) - from_y) / (to_y - from_y);
            let x = (from_x + share * (to_x - from_x)).round() as i32;
            let wide = (x - 3..=x + 3).filter(|x| is_trace(*x, y)).count();
            assert!(wide >= 3, "{wide} pixels of the line's 3 are drawn at {x}, {y} of {pair:?}");
            looked_at += 1;
        }
    }
    assert!(looked_at > 1000, "{looked_at} rows of flanks");
}

#[test]
fn the_trend_over_visits_is_drawn_where_there_is_one() {
    let dashes = |svg: &str| svg.matches("least-squares line").count();
    let lines = |svg: &str| svg.matches("<line").count() + svg.matches("<polyline").count();
    let with = svg(&visits(5)).unwrap();
    let without = svg(&VisitsFigure { line: None, ..visits(5) }).unwrap();
    assert_eq!((dashes(&with), dashes(&without)), (1, 0));
    assert!(lines(&with) > lines(&without), "no line is drawn");
    assert_eq!(dashes(&svg(&visits(2)).unwrap()), 0);
}

#[test]
fn the_cautions_are_whole_on_every_figure() {
    for (name, svg) in every(None) {
        let told = texts(&svg).into_iter().map(|seen| seen.text).collect::<Vec<_>>().join(" ");
        assert!(told.contains(analysis::cautions::CAUTIONS), "{name}: {told}");
    }
}

#[test]
fn text_from_a_recording_stays_text() {
    let made = crowded();
    let text = svg(&figure(&made)).unwrap();
    assert!(!text.contains("<script"), "markup from a recording got into the picture");
    assert!(text.contains("&lt;script&gt;alert(&quot;&amp;&apos;&quot;)&lt;/script&gt;"));
    assert!(!text.chars().any(|c| c.is_control() && c != '\n'), "control characters are not XML");
}

#[test]
fn a_peak_one_sample_wide_is_drawn_in_both_kinds_of_file() {
    let mut made = make(1, 10.0);
    made.force_n[3000] = 40.0;
    let highest =
        trace(&svg(&figure(&made)).unwrap()).into_iter().map(|(_, y)| y).fold(f64::INFINITY, f64::min);
    let mut pixels = vec![0_u8; (3 * WIDTH * HEIGHT) as usize];
    {
        let root = BitMapBackend::with_buffer(&mut pixels, (WIDTH, HEIGHT)).into_drawing_area();
        figure(&made).draw(&root).unwrap();
    }
    let blue = |y: u32| {
        let row = &pixels[(3 * y * WIDTH) as usize..(3 * (y + 1) * WIDTH) as usize];
        row.chunks(3).any(|pixel| pixel == [TRACE.0, TRACE.1, TRACE.2])
    };
    let rows: Vec<u32> = (0..HEIGHT).filter(|y| blue(*y)).collect();
    assert!(
        (f64::from(rows[0]) - highest).abs() <= 4.0,
        "top of the trace: {} in PNG, {highest} in SVG",
        rows[0]
    );
    // The way down to the plateau is drawn too, without a hole.
    let hole = rows.windows(2).find(|pair| pair[1] > pair[0] + 1);
    assert_eq!(hole, None, "the trace has a hole");
}

#[test]
fn a_trial_without_samples_or_marks_is_still_a_figure() {
    let row = TrialRow { kind: String::new(), outcome: "below-measurable".into(), ..base_row(1) };
    let empty = Made { time_s: vec![], force_n: vec![], row: row.clone() };
    let lone = Made { time_s: vec![3.0], force_n: vec![1.0], row };
    for made in [&empty, &lone] {
        assert!(svg(&figure(made)).unwrap().contains("no hold found"));
        let folder = tempfile::tempdir().unwrap();
        write_png(&figure(made), &folder.path().join("a.png")).unwrap();
    }
    assert!(svg(&overlay(0)).is_ok() && svg(&points(&[])).is_ok());
}

#[test]
fn a_figure_that_cannot_be_written_names_the_file() {
    let made = make(1, 10.0);
    for error in [
        write_png(&figure(&made), "/nowhere/at/all.png".as_ref()).unwrap_err(),
        write_svg(&figure(&made), "/nowhere/at/all.svg".as_ref()).unwrap_err(),
    ] {
        assert!(error.to_string().starts_with("cannot write /nowhere/at/all"), "{error}");
    }
}
