//! Figures of made-up trials, visits and people.
use super::*;

/// Samples and the row that describes them.
pub struct Made {
    pub time_s: Vec<f64>,
    pub force_n: Vec<f64>,
    pub row: TrialRow,
}

/// Noise that is the same everywhere: a linear congruential generator (Knuth's constants), about ±1.
pub fn noise(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
    (*state >> 33) as f64 / f64::from(1_u32 << 30) - 1.0
}

/// 1 kHz samples of a shape, with tremor and noise.
pub fn sampled(seconds: f64, seed: u64, shape: impl Fn(f64) -> f64) -> (Vec<f64>, Vec<f64>) {
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
pub fn step(at: f64) -> f64 {
    let at = at.clamp(0.0, 1.0);
    at * at * (3.0 - 2.0 * at)
}

pub fn base_row(order: i64) -> TrialRow {
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
pub fn measured(time_s: Vec<f64>, force_n: Vec<f64>, mut row: TrialRow) -> Made {
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
pub fn make(order: i64, force_n: f64) -> Made {
    let shape =
        |t: f64| force_n * step((t - 1.0) / 0.5) * (1.0 - 0.02 * (t - 1.0)) * (1.0 - step((t - 4.6) / 0.3));
    let (time_s, forces_n) = sampled(6.0, order.unsigned_abs(), shape);
    let row = TrialRow { onset_s: 1.0, onset_sd_s: 0.0123, release_s: 4.6, end_s: 4.84, ..base_row(order) };
    measured(time_s, forces_n, row)
}

/// A break test: contact from 0.4 s, ramp from 2.0 s, yield at 5.0 s, residual force, release at 5.7 s.
pub fn broken() -> Made {
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
pub fn crowded() -> Made {
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
pub fn gapped() -> Made {
    let mut made = make(4, 18.0);
    let missing = |time_s: f64| (2.0..2.18).contains(&time_s) && (time_s - 2.09).abs() > 5e-4;
    let kept: Vec<usize> = (0..made.time_s.len()).filter(|n| !missing(made.time_s[*n])).collect();
    made.force_n = kept.iter().map(|n| made.force_n[*n]).collect();
    made.time_s = kept.iter().map(|n| made.time_s[*n]).collect();
    made
}

pub fn figure(made: &Made) -> TrialFigure<'_> {
    TrialFigure {
        title: names::trial_title(&made.row, 4),
        source: "Visit 3f2a11c0, participant P07, 2026-03-02 09:15 UTC".into(),
        time_s: &made.time_s,
        force_n: &made.force_n,
        row: &made.row,
        procedure_sem_n: Some(0.93),
    }
}

pub fn overlay(trials: usize) -> OverlayFigure {
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
pub fn points(columns: &[[f64; 4]]) -> PointsFigure {
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
pub fn whole(holds: usize) -> OverviewFigure {
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
pub fn visits(count: usize) -> VisitsFigure {
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
pub fn visits_by(examiners: usize, count: usize) -> VisitsFigure {
    let mut figure = visits(count);
    for (at, point) in figure.points.iter_mut().enumerate() {
        point.examiner = format!("E{}", at % examiners + 1);
    }
    figure
}

pub const VALUE: &str = "mean of the first three valid peaks";
pub const WHOM: &str = "n = 12 participants (healthy adults)";
pub const PEAK: &str =
    "Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero.";

/// Twelve people on three occasions, N.
pub fn people() -> Vec<Vec<f64>> {
    let mut state = 11;
    let row = |person: usize| {
        (0..3).map(|at| 14.0 + 1.1 * person as f64 + 0.2 * at as f64 + noise(&mut state)).collect()
    };
    (0..12).map(row).collect()
}

pub fn occasions() -> OccasionsFigure {
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
pub fn pair(factor: f64) -> Pair {
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

pub fn bland_altman(pair: &Pair) -> BlandAltmanFigure<'_> {
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
pub fn every(folder: Option<PathBuf>) -> Vec<(String, String)> {
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
