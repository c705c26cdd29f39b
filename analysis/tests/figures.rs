//! Every kind of figure, drawn from made-up trials: its labels keep clear of each other, of the trace and of the page's
//! edge; nothing is hidden; text from a file stays text. The figures are left in the folder that the first test prints,
//! to be looked at.
#![allow(clippy::unwrap_used, reason = "the helpers of tests may panic")]

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
use plotters::drawing::IntoDrawingArea;
use plotters::prelude::BitMapBackend;
use plotters::style::{FontStyle, IntoFont};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// Samples and the row that describes them.
struct Made {
    time_s: Vec<f64>,
    force_n: Vec<f64>,
    row: TrialRow,
}

/// Noise that is the same everywhere: a linear congruential generator (Knuth's constants), about ±1.
fn noise(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
    (*state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
}

/// 1 kHz samples of a shape, with tremor and noise.
fn sampled(seconds: f64, seed: u64, shape: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
    let mut state = seed;
    let time_s: Vec<f64> = (0..(seconds * 1000.0) as u32).map(|n| f64::from(n) * 0.001).collect();
    let force_n = time_s.iter().map(|time_s| {
        let force_n = shape(*time_s);
        force_n * (1.0 + 0.01 * libm::sin(2.0 * std::f64::consts::PI * 9.0 * time_s))
            + 0.08 * noise(&mut state)
    });
    let force_n = force_n.collect();
    (time_s, force_n)
}

/// Goes smoothly from 0 to 1 while `at` goes from 0 to 1.
fn step(at: f64) -> f64 {
    let at = at.clamp(0.0, 1.0);
    at * at * (3.0 - 2.0 * at)
}

fn base_row(order: i64) -> TrialRow {
    TrialRow {
        item: 1,
        muscle: "left index abduction".into(),
        side: "left".into(),
        test: "make".into(),
        outcome: "released".into(),
        number: order,
        attempt: order,
        order,
        kind: "hold".into(),
        sensor: 1,
        channel: 1,
        segment: 0,
        rest_n: 0.0,
        contact_n: 0.0,
        valid: 1,
        ..TrialRow::of_hold(None)
    }
}

/// What the samples say about peak and best mean, for rows whose marks are known from the shape.
fn measured(time_s: Vec<f64>, force_n: Vec<f64>, mut row: TrialRow) -> Made {
    let inside = |n: &usize| time_s[*n] >= row.onset_s && time_s[*n] <= row.end_s;
    let mean = |from: usize, width: usize| force_n[from..from + width].iter().sum::<f64>() / width as f64;
    let starts = || (0..time_s.len()).filter(inside);
    let best = |width: usize| {
        starts()
            .filter(|n| n + width < time_s.len())
            .max_by(|a, b| mean(*a, width).total_cmp(&mean(*b, width)))
    };
    if let (Some(peak), Some(window)) = (best(20), best(1000)) {
        row.peak_s = time_s[peak] + 0.01;
        row.peak_zero_n = mean(peak, 20);
        row.peak_n = row.peak_zero_n - row.rest_n;
        row.mean_n = mean(window, 1000) - row.rest_n;
        row.time_to_peak_s = row.peak_s - row.onset_s;
    }
    Made { time_s, force_n, row }
}

/// A make test of about `force_n`: rise from 1.0 s, plateau, release at 4.6 s.
fn make(order: i64, force_n: f64) -> Made {
    let shape =
        |t: f64| force_n * step((t - 1.0) / 0.5) * (1.0 - 0.02 * (t - 1.0)) * (1.0 - step((t - 4.6) / 0.3));
    let (time_s, forces_n) = sampled(6.0, order.unsigned_abs(), shape);
    let row = TrialRow { onset_s: 1.0, onset_sd_s: 0.0123, release_s: 4.6, end_s: 4.84, ..base_row(order) };
    measured(time_s, forces_n, row)
}

/// A break test: contact from 0.4 s, ramp from 2.0 s, yield at 5.0 s, residual force, release at 5.7 s.
fn broken() -> Made {
    let contact = |t: f64| 1.6 * step((t - 0.4) / 0.2);
    let ramp = |t: f64| 26.0 * ((t - 2.0) / 3.0).clamp(0.0, 1.0);
    let shape = |t: f64| {
        (contact(t) + ramp(t)) * (1.0 - 0.55 * step((t - 5.0) / 0.15)) * (1.0 - step((t - 5.7) / 0.2))
    };
    let (time_s, force_n) = sampled(7.0, 77, shape);
    let row = TrialRow {
        test: "break".into(),
        outcome: "broke".into(),
        contact_s: 0.6,
        contact_n: 1.6,
        rest_n: 1.6,
        onset_s: 2.0,
        onset_sd_s: 0.031,
        break_s: 5.0,
        break_n: 26.0,
        loading_rate_n_per_s: 8.7,
        pace_n_per_s: 6.9,
        cap_n: 30.0,
        release_s: 5.7,
        end_s: 5.86,
        ..base_row(2)
    };
    measured(time_s, force_n, row)
}

/// A pull so short that all its marks crowd, of little force.
fn crowded() -> Made {
    let shape = |t: f64| 2.0 * step((t - 8.0) / 0.08) * (1.0 - step((t - 8.2) / 0.08));
    let (time_s, force_n) = sampled(16.0, 5, shape);
    let row = TrialRow {
        contact_s: 7.95,
        contact_n: 0.4,
        onset_s: 8.0,
        onset_sd_s: 0.002,
        break_s: 8.19,
        break_n: 1.9,
        release_s: 8.2,
        end_s: 8.26,
        valid: 0,
        why_not: "too short: held 0.2 s of 3.0 s <script>alert(\"&'\")</script>\u{7}".into(),
        ..base_row(3)
    };
    measured(time_s, force_n, row)
}

/// A make test with 180 ms of samples missing, and a lone sample in the middle of them.
fn gapped() -> Made {
    let mut made = make(4, 18.0);
    let missing = |time_s: f64| (2.0..2.18).contains(&time_s) && (time_s - 2.09).abs() > 5e-4;
    let kept: Vec<usize> = (0..made.time_s.len()).filter(|n| !missing(made.time_s[*n])).collect();
    made.force_n = kept.iter().map(|n| made.force_n[*n]).collect();
    made.time_s = kept.iter().map(|n| made.time_s[*n]).collect();
    made
}

fn figure(made: &Made) -> TrialFigure<'_> {
    TrialFigure {
        title: names::trial_title(&made.row, 4),
        source: "Visit 3f2a11c0, participant P07, 2026-03-02 09:15 UTC".into(),
        time_s: &made.time_s,
        force_n: &made.force_n,
        row: &made.row,
        procedure_sem_n: Some(0.93),
    }
}

fn overlay(trials: usize) -> OverlayFigure {
    let overlaid = (1..=trials as i64).map(|order| {
        let made = make(order, 18.0 + (order * 7 % 5) as f64);
        let used = order != 2;
        let state = if used { "" } else { " (samples missing near the onset)" };
        Overlaid {
            label: names::legend(&made.row) + state,
            time_s: made.time_s.iter().map(|time_s| time_s - made.row.onset_s).collect(),
            force_n: made.force_n,
            used,
        }
    });
    OverlayFigure {
        title: "Left index abduction, make test, repeated trials".into(),
        subtitle: "mean of peaks 20.51 N · SD 1.20 N · CV 5.9 % · best 22.10 N · n = 3".into(),
        source: "Visit 3f2a11c0, participant P07".into(),
        trials: overlaid.collect(),
    }
}

/// Columns of trials with these peaks (N); the second trial of each does not count.
fn points(columns: &[[f64; 4]]) -> PointsFigure {
    let column = |(at, peaks_n): (usize, &[f64; 4])| {
        let rows: Vec<TrialRow> = (1..)
            .zip(peaks_n)
            .map(|(order, peak_zero_n)| TrialRow {
                peak_zero_n: *peak_zero_n,
                valid: u8::from(order != 2),
                ..base_row(order)
            })
            .collect();
        let (trials, spread): (Vec<Trial>, Spread) =
            items(&rows).into_iter().map(|item| (item.trials, item.spread)).next().unwrap();
        let side = ["left", "right"][at % 2];
        Column {
            name: format!("{side}, {}", ["make", "break", "concentric"][at / 2 % 3]),
            look: at % 2,
            trials,
            spread,
            procedure_sem: Some("0.86 N".to_owned()),
        }
    };
    PointsFigure {
        title: "Index abduction, trials and sides".into(),
        source: "Visit 3f2a11c0, participant P07".into(),
        columns: columns.iter().enumerate().map(column).collect(),
    }
}

/// A recording of this many make tests, with a gap between the first two.
fn whole(holds: usize) -> OverviewFigure {
    let mut time_s = Vec::new();
    let mut force_n = Vec::new();
    let mut shaded = Vec::new();
    for n in 0..holds {
        let (made, offset_s) = (make(n as i64, 12.0 + (n % 7) as f64), n as f64 * 6.5);
        time_s.extend(made.time_s.iter().map(|time_s| time_s + offset_s));
        force_n.extend(made.force_n);
        let (from_s, to_s) = (made.row.onset_s + offset_s, made.row.end_s + offset_s);
        shaded.push(Shaded { label: (n + 1).to_string(), from_s, to_s, counts: n != 2 });
    }
    let range_s = (0.0, *time_s.last().unwrap());
    OverviewFigure {
        title: "The whole recording, channel 1".into(),
        subtitle: format!("sensor SIM-0001, {} samples, {holds} holds", time_s.len()),
        source: "Visit 3f2a11c0, participant P07".into(),
        trace: Reduced::of(&time_s, &force_n, 0.0, overview::columns()),
        range_s,
        holds: shaded,
    }
}

/// An item over this many visits a week apart, with its trend where there are three.
fn visits(count: usize) -> VisitsFigure {
    let point = |at: usize| {
        let mean_n = 20.0 + 1.5 * at as f64 + [0.4, -0.6, 0.3][at % 3];
        Point {
            day: 7.0 * at as f64,
            examiner: "E1".into(),
            peaks_n: [-0.8, 0.1, 0.7].map(|off| mean_n + off).to_vec(),
            mean_n,
            instrument_n: Some(0.12),
        }
    };
    VisitsFigure {
        title: "Left index abduction, make: over visits".into(),
        subtitle: format!("last against first visit: +5.90 N (no change shown; beyond its MDC95 taken alone) · {count} visits"),
        source: "Participant P07".into(),
        band: "Band: first visit's mean ± 6.10 N (MDC97.5 4.18, 3.11 to 6.10; upper end); limit from own data: left index \
               abduction, make, n 12, at a chance of 2.50 %; MDC95 taken alone: 5.34 N (MDC95 3.66, 2.72 to 5.34; upper end)."
            .into(),
        points: (0..count).map(point).collect(),
        line: (count >= 3).then_some((20.1, 0.21)),
        trend: if count >= 3 {
            format!("trend over {count} visits, left index abduction, make: +0.2100 N a day (95 % 0.1012 to 0.3188), p 0.003")
        } else {
            String::new()
        },
        within_n: Some((14.3, 26.5)),
    }
}

/// The same, every visit by the next of this many examiners.
fn visits_by(examiners: usize, count: usize) -> VisitsFigure {
    let mut figure = visits(count);
    for (at, point) in figure.points.iter_mut().enumerate() {
        point.examiner = format!("E{}", at % examiners + 1);
    }
    figure
}

const VALUE: &str = "mean of the first three valid peaks";
const WHOM: &str = "n = 12 participants (healthy adults)";
const PEAK: &str = "Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero.";

/// Twelve people on three occasions, N.
fn people() -> Vec<Vec<f64>> {
    let mut state = 11;
    let row = |person: usize| {
        (0..3).map(|at| 14.0 + 1.1 * person as f64 + 0.2 * at as f64 + noise(&mut state)).collect()
    };
    (0..12).map(row).collect()
}

fn occasions() -> OccasionsFigure {
    OccasionsFigure {
        title: "Left index abduction, make: repeated measurements".into(),
        subtitle: format!(
            "ICC(2,1) 0.97 (0.93 to 0.99) · SEM (agreement) 0.70 N, MDC95 1.94 N · {WHOM}, 3 occasions"
        ),
        source: "finger-force".into(),
        value: VALUE.into(),
        unit: "N".into(),
        whom: WHOM.into(),
        definition: PEAK.into(),
        occasions: ["visit 1", "visit 2", "visit 3"].map(String::from).to_vec(),
        rows: people(),
    }
}

/// Two occasions; where `factor` is above 0, of people from weak to strong whose differences are that share of their force.
fn pair(factor: f64) -> Pair {
    let (mut level, mut state) = (4.0, 5);
    let mut proportional = |at: usize| {
        level *= 1.25;
        let share = (1.0 + factor) * (1.0 + 0.01 * noise(&mut state));
        (level, if at.is_multiple_of(2) { level * share } else { level / share })
    };
    let of = |(at, row): (usize, &Vec<f64>)| if factor > 0.0 { proportional(at) } else { (row[0], row[1]) };
    let (a, b): (Vec<f64>, Vec<f64>) = people().iter().enumerate().map(of).unzip();
    let of = BlandAltman::of(&a, &b).unwrap();
    assert_eq!(of.ratio.is_some(), factor > 0.0, "{of:?}");
    Pair { earlier: "visit 1".into(), later: "visit 2".into(), values: a.into_iter().zip(b).collect(), of }
}

fn bland_altman(pair: &Pair) -> BlandAltmanFigure<'_> {
    BlandAltmanFigure {
        title: "Left index abduction, make: agreement".into(),
        value: VALUE.into(),
        unit: "N".into(),
        whom: WHOM.into(),
        definition: PEAK.into(),
        source: "finger-force".into(),
        pair,
    }
}

/// Every figure, by name, as SVG text. Also written to `folder`, where one is given.
fn every(folder: Option<PathBuf>) -> Vec<(String, String)> {
    let mut drawn = Vec::new();
    let mut add = |name: &str, text: String| drawn.push((name.to_owned(), text));
    macro_rules! figures {
        ($($name:literal => $figure:expr),+ $(,)?) => {$({
            let figure = $figure;
            if let Some(folder) = &folder {
                write_svg(&figure, &folder.join(concat!($name, ".svg"))).unwrap();
                write_png(&figure, &folder.join(concat!($name, ".png"))).unwrap();
            }
            add($name, svg(&figure).unwrap());
        })+};
    }
    let made = [make(1, 21.0), broken(), crowded(), gapped()];
    let pairs = [pair(0.0), pair(0.3)];
    figures! {
        "trial-make" => figure(&made[0]),
        "trial-break" => figure(&made[1]),
        "trial-crowded" => figure(&made[2]),
        "trial-gap" => figure(&made[3]),
        "item-3" => overlay(3),
        "item-6" => overlay(6),
        "muscle-1" => points(&[[20.0, 12.0, 21.0, 23.0]]),
        "muscle-2" => points(&[[20.0, 12.0, 21.0, 23.0], [1.2, 0.3, 1.1, 1.9]]),
        "muscle-6" => points(&[[20.0, 12.0, 21.0, 23.0], [14.0, 20.0, 30.0, 12.0], [25.0, 1.0, 26.0, 27.0],
            [21.0, 22.0, 23.0, f64::NAN], [9.0, 9.0, 9.5, 9.1], [8.0, 3.0, 4.0, 20.0]]),
        "overview-12" => whole(12),
        "overview-70" => whole(70),
        "visits-2" => visits(2),
        "visits-5" => visits(5),
        "visits-examiners-2" => visits_by(2, 6),
        "visits-examiners-6" => visits_by(6, 12),
        "occasions" => occasions(),
        "bland-altman" => bland_altman(&pairs[0]),
        "bland-altman-ratio" => bland_altman(&pairs[1]),
    };
    drawn
}

/// A text on the page: what it says and its box (left, top, right, bottom).
#[derive(Debug, Clone)]
struct Seen {
    text: String,
    area: [f64; 4],
}

fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split_once(&format!(" {name}=\""))?.1.split('"').next()
}

fn unescaped(text: &str) -> String {
    let plain = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&apos;", "'");
    plain.replace("&amp;", "&")
}

/// The texts of an SVG; those of the page's axes too.
fn texts(svg: &str) -> Vec<Seen> {
    let number = |tag: &str, name: &str| attribute(tag, name).unwrap().parse::<f64>().unwrap();
    let seen = |element: &str| {
        let (tag, rest) = element.split_once('>').unwrap();
        let text = unescaped(rest.split("</text>").next().unwrap().trim());
        let (x, y, size) = (number(tag, "x"), number(tag, "y"), number(tag, "font-size"));
        let style = if tag.contains("font-weight=\"bold\"") { FontStyle::Bold } else { FontStyle::Normal };
        let width = f64::from((FAMILY, size * 1.24, style).into_font().layout_box(&text).unwrap().1.0);
        let left = match attribute(tag, "text-anchor").unwrap() {
            "start" => x,
            "middle" => x - width / 2.0,
            _ => x - width,
        };
        let top = match attribute(tag, "dy").unwrap() {
            "0.76em" => y,
            "0.5ex" => y - size / 2.0,
            _ => y - size,
        };
        if tag.contains("rotate(270") {
            return Seen { text, area: [y.min(x), y - width / 2.0, x + size, y + width / 2.0] };
        }
        Seen { text, area: [left, top, left + width, top + size] }
    };
    svg.split("<text").skip(1).map(seen).collect()
}

/// Corners of the trace's lines.
fn trace(svg: &str) -> Vec<(f64, f64)> {
    let color = format!("stroke=\"#{:02X}{:02X}{:02X}\"", TRACE.0, TRACE.1, TRACE.2);
    let lines = svg.split("<polyline").skip(1).map(|rest| rest.split("/>").next().unwrap());
    let corner = |pair: &str| pair.split_once(',').map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()));
    lines
        .filter(|line| line.contains(&color))
        .flat_map(|line| attribute(line, "points").unwrap().split_whitespace().filter_map(corner))
        .collect()
}

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

/// All that a figure says.
fn told(svg: &str) -> String {
    texts(svg).into_iter().map(|seen| seen.text).collect::<Vec<_>>().join("\n")
}

/// The shapes of filled marks of any size, by colour: where each corner lies as seen from the first.
fn shapes(svg: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut shapes: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for element in svg.split("<polygon").skip(1).map(|rest| rest.split("/>").next().unwrap()) {
        let corners = attribute(element, "points").unwrap();
        let corners = corners.split_whitespace().map(|pair| pair.split_once(',').unwrap());
        let corners: Vec<(i32, i32)> =
            corners.map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap())).collect();
        let (x, y) = corners[0];
        let shape =
            corners.iter().map(|of| format!("{},{} ", (of.0 - x).signum(), (of.1 - y).signum())).collect();
        shapes.entry(attribute(element, "fill").unwrap().to_owned()).or_default().insert(shape);
    }
    shapes
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
