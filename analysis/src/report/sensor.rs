//! What is told of a sensor: rows of figures with definitions, as text and as one page.
//!
//! Comes in: a calibration and validations. Goes out: rows, each with its value, its uncertainty (95 %), and the definition
//! and source by which it was computed; the page and its figures.

use super::html::{Cell, Page, with_id};
use crate::cautions::CAUTIONS;
use crate::plot::curves::{CurvesFigure, Series};
use crate::sensor::Figure;
use crate::sensor::attitude::Attitude;
use crate::sensor::calibration::{Branch, Calibration, Merit};
use crate::sensor::check::{Check, Limits};
use crate::sensor::creep::{self, Creep};
use crate::sensor::noise::Noise;
use crate::sensor::step::Step;
use crate::sensor::timing::Timing;
use crate::sensor::validation::Validation;
use serde::Serialize;

/// What this is not.
pub const NO_LABORATORY: &str = "This is not a certificate of an accredited calibration laboratory.";

/// One figure.
#[derive(Debug, Clone)]
pub struct Row {
    /// Id.
    pub id: &'static str,
    /// Name.
    pub name: String,
    /// Value with its unit.
    pub value: String,
    /// ± with its unit; empty where there is none.
    pub expanded: String,
    /// Definition and source.
    pub definition: &'static str,
}

/// A recording's channel.
#[derive(Debug, Clone, Serialize)]
pub struct Validated {
    /// Recording.
    pub file: String,
    /// Sensor's serial number.
    pub serial: String,
    /// Channel, from 1.
    pub channel: usize,
    /// What the forces come from.
    pub scale: String,
    /// What was found.
    #[serde(flatten)]
    pub of: Validation,
}

/// Zeros by attitude of a sensor's channel.
#[derive(Debug, Clone, Serialize)]
pub struct OfAttitude {
    /// Sensor's serial number.
    pub serial: String,
    /// Channel, from 1.
    pub channel: usize,
    /// What was found.
    pub attitude: Attitude,
}

/// Digits that show a value to about a hundredth of its uncertainty, or four figures without one.
fn shown(value: f64, expanded: f64, unit: &str) -> String {
    if unit.is_empty() {
        return format!("{value:.0}"); // a count
    }
    let scale = if expanded > 0.0 { expanded / 10.0 } else { value.abs() / 1000.0 };
    let digits = if scale > 0.0 { (-libm::floor(libm::log10(scale))).clamp(0.0, 9.0) as usize } else { 3 };
    if value.is_finite() { format!("{value:.digits$} {unit}") } else { "–".to_owned() }
}

fn row(id: &'static str, name: &str, of: Figure, unit: &str, definition: &'static str) -> Row {
    let expanded =
        if of.expanded.is_finite() { shown(of.expanded, of.expanded, unit) } else { String::new() };
    Row { id, name: name.to_owned(), value: shown(of.value, of.expanded, unit), expanded, definition }
}

fn plain(id: &'static str, name: &str, value: f64, unit: &str, definition: &'static str) -> Row {
    row(id, name, Figure { value, expanded: f64::NAN }, unit, definition)
}

fn merit(id: &'static str, name: &str, of: Merit, definition: &'static str) -> Row {
    let percent = shown(of.percent.value, of.percent.expanded, "%");
    let mut row = row(id, name, of.n, "N", definition);
    row.value = format!("{} ({percent})", row.value);
    row
}

/// The figures of merit of a calibration's branch.
pub fn of_branch(branch: &Branch) -> Vec<Row> {
    let figures = &branch.figures;
    let lines = figures.non_linearity.iter().map(|(line, of)| {
        merit("non_linearity", &format!("non-linearity, {}", line.words()), *of,
            "greatest deviation of the means on the way up from the named line; % of full load (OIML R 60 for the terminal line)")
    });
    let others = [
        figures.hysteresis.map(|of| {
            merit(
                "hysteresis",
                "hysteresis (reversibility)",
                of,
                "greatest mean difference, way down minus way up, at one load (OIML R 60; ISO 376)",
            )
        }),
        figures.repeatability_sd.map(|of| {
            merit(
                "repeatability",
                "repeatability SD",
                of,
                "standard deviation of readings of one load in one mounting, pooled over loads (VIM 2.21)",
            )
        }),
        figures.reproducibility_sd.map(|of| {
            merit(
                "reproducibility",
                "reproducibility SD",
                of,
                "standard deviation of the mountings' means at the worst load (VIM 2.25; ISO 376)",
            )
        }),
        Some(merit(
            "interpolation",
            "interpolation error",
            figures.interpolation,
            "greatest distance of a mean from the fitted curve (ISO 376)",
        )),
        figures.zero_return.map(|of| {
            merit(
                "zero_return",
                "zero return",
                of,
                "greatest difference, reading without load after minus before a series (ISO 376)",
            )
        }),
    ];
    lines.chain(others.into_iter().flatten()).collect()
}

fn of_creep(id: &'static str, name: &str, of: &Creep) -> Vec<Row> {
    let share = |figure: Figure| figure.times(100.0 / of.load_n.abs());
    let intervals =
        creep::intervals_of_class_c(share(of.change_n).value / 100.0, share(of.last_third_n).value / 100.0);
    let times = format!("{name}, {:.0} s to {:.0} s after the load changed", of.from_s, of.to_s);
    let mut all = vec![
        row(
            id,
            &times,
            of.change_n,
            "N",
            "change of the reading under constant load (OIML R 60; initial reading after 10 s, last after 30 min)",
        ),
        row(
            "creep_percent",
            &format!("{name}, share of the load"),
            share(of.change_n),
            "%",
            "the same over the load",
        ),
        row(
            "creep_last_third",
            &format!("{name}, last third"),
            of.last_third_n,
            "N",
            "change over the last third (20th to 30th minute by OIML R 60)",
        ),
    ];
    if of.is_standard {
        all.push(plain(
            "creep_intervals",
            &format!("{name}: permissible up to class C with"),
            f64::from(intervals * 100),
            "intervals",
            "OIML R 60: 0.7 and 0.15 of the maximum permissible error (p_LC = 0.7)",
        ));
    }
    all
}

/// The figures of a validation.
pub fn of_validation(of: &Validation) -> Vec<Row> {
    let mut all: Vec<Row> = of.noise.iter().flat_map(of_noise).collect();
    if let Some(least) = of.allan.iter().min_by(|a, b| a.deviation.total_cmp(&b.deviation)) {
        let tau = "… at an averaging time of";
        all.push(plain("allan_least", "least Allan deviation", least.deviation, "N", ALLAN));
        all.push(plain("allan_tau", tau, least.tau_s, "s", "longer averages are worse: drift"));
    }
    for line in of.mains.iter().filter(|line| line.is_found) {
        let name = format!(
            "mains {} Hz, harmonic {}, seen at {:.2} Hz",
            line.mains_hz, line.harmonic, line.seen_at_hz
        );
        all.push(row("mains", &name, line.amplitude_n, "N", MAINS));
    }
    of.creep.iter().for_each(|creep| all.extend(of_creep("creep", "creep", creep)));
    of.recovery.iter().for_each(|creep| all.extend(of_creep("recovery", "creep recovery", creep)));
    let zero = |figure| {
        row("zero_after", "zero return", figure, "N", "level without load after all loads minus before")
    };
    all.extend(of.zero_return_n.map(zero));
    all.extend(of.step.iter().flat_map(of_step));
    let ends = "samples at either end of the converter's range";
    all.push(plain("saturated", "saturated samples", of.saturated as f64, "", ends));
    all.extend(of.timing.iter().flat_map(of_timing));
    all
}

const ALLAN: &str = "overlapping Allan deviation (NIST SP 1065)";
const MAINS: &str = "amplitude of the sine fitted at that frequency; folded by sampling";

fn of_noise(noise: &Noise) -> Vec<Row> {
    let rms = "standard deviation about the least-squares line while nothing changes";
    let free = "6.6 standard deviations (common practice of converter makers)";
    let drift = "least-squares slope over twenty parts of that stretch (VIM 4.21)";
    let peaks = "greatest minus least in that stretch (grows with its length)";
    let free_bits = "log₂(full scale ÷ noise-free resolution)";
    let bits = "log₂(full scale ÷ RMS noise)";
    vec![
        row("noise_rms", "noise, RMS", noise.rms_n, "N", rms),
        plain("noise_pp", "noise, peak to peak", noise.peak_to_peak_n, "N", peaks),
        plain("noise_free", "noise-free resolution", noise.noise_free_n, "N", free),
        plain("noise_free_bits", "noise-free bits", noise.noise_free_bits, "bit", free_bits),
        plain("effective_bits", "effective bits", noise.effective_bits, "bit", bits),
        row("drift", "drift", noise.drift_n_per_h, "N/h", drift),
    ]
}

fn of_step(step: &Step) -> Vec<Row> {
    let rise = Figure { value: 1e3 * step.rise_s, expanded: 1e3 * step.rise_within_s };
    let fastest = "fastest step of the trace: the sensor's only if the load changed faster";
    let beyond = "beyond the final level, of the step";
    let stays = "from 10 % until it stays within 1 % of the step";
    vec![
        row("rise", "step, 10 to 90 %", rise, "ms", fastest),
        plain("overshoot", "step, overshoot", step.overshoot_percent, "%", beyond),
        plain("settling", "step, settling to 1 %", 1e3 * step.settling_s, "ms", stays),
        plain(
            "bandwidth",
            "bandwidth suggested by it",
            step.bandwidth_hz,
            "Hz",
            "0.35 ÷ rise time (one pole)",
        ),
    ]
}

fn of_timing(of: &Timing) -> Vec<Row> {
    let gone = if of.samples + of.missing > 0 {
        100.0 * of.missing as f64 / (of.samples + of.missing) as f64
    } else {
        0.0
    };
    vec![
        plain("rate_declared", "rate, declared", of.declared_hz, "Hz", "as the sensor says"),
        plain(
            "rate_device",
            "rate, effective, by the device's clock",
            of.by_device_hz,
            "Hz",
            "slope of the device's stamps over its sample counter",
        ),
        plain(
            "rate_host",
            "rate, effective, by the host's clock",
            of.by_host_hz,
            "Hz",
            "the same by the clock map (lower envelope of arrivals, or pings)",
        ),
        row(
            "jitter",
            "jitter of the stamps, SD",
            of.jitter_us,
            "µs",
            "about a straight line over the counter, the rounding to 1 µs taken out",
        ),
        plain("jitter_99", "jitter, 99 % within", of.jitter_99_us, "µs", "the same, not corrected"),
        plain("jitter_max", "jitter, greatest", of.jitter_max_us, "µs", "the same, not corrected"),
        plain("missing", "samples missing", of.missing as f64, "", "by the device's counter"),
        plain("missing_percent", "… share of all", gone, "%", "missing ÷ (recorded + missing)"),
        plain(
            "unknown_gaps",
            "holes of unknown length",
            of.unknown_gaps as f64,
            "",
            "after a reset or unplugging",
        ),
    ]
}

/// The residuals of a calibration, with the expanded uncertainty as band.
pub fn residual_figure(of: &Branch, source: &str) -> CurvesFigure {
    let load = |way: &dyn Fn(&crate::sensor::calibration::Load) -> Option<f64>| -> Vec<(f64, f64)> {
        of.loads.iter().filter_map(|load| Some((load.reference_n, way(load)?))).collect()
    };
    let series =
        |name: &str, points| Series { name: name.to_owned(), points, is_line: true, has_markers: true };
    CurvesFigure {
        title: "Calibration: distance from the curve".to_owned(),
        subtitle: format!(
            "curve of degree {}; greatest expanded uncertainty {}",
            of.curve.coefficients.len() - 1,
            shown(of.loads.iter().map(|l| l.budget.expanded).fold(0.0, f64::max), f64::NAN, "N")
        ),
        definitions: "Grey: expanded uncertainty (95 %) of a force read through the curve. Way down: hysteresis added to the \
                      way up."
            .to_owned(),
        source: source.to_owned(),
        x_name: "known force, N".to_owned(),
        y_name: "distance, N".to_owned(),
        is_logarithmic: false,
        series: vec![
            series("way up", load(&|load| Some(load.interpolation_n))),
            series("way down", load(&|load| Some(load.interpolation_n + load.reversibility_n?))),
        ],
        levels: vec![("curve".to_owned(), 0.0)],
        band: load(&|load| Some(load.budget.expanded).filter(|u| u.is_finite())),
    }
}

/// The figures of a validation: Allan deviation and spectrum.
pub fn figures(of: &Validated) -> Vec<(&'static str, CurvesFigure)> {
    let line = |points: Vec<(f64, f64)>, has_markers| {
        vec![Series { name: String::new(), points, is_line: true, has_markers }]
    };
    let base = |title: &str, definitions: &str, names: [&str; 2]| CurvesFigure {
        title: title.to_owned(),
        source: format!("{}, sensor {}, channel {}", of.file, of.serial, of.channel),
        definitions: definitions.to_owned(),
        x_name: names[0].to_owned(),
        y_name: names[1].to_owned(),
        is_logarithmic: true,
        ..CurvesFigure::default()
    };
    let (frequency, density) = &of.of.spectrum;
    let spectrum: Vec<(f64, f64)> = frequency.iter().copied().zip(density.iter().copied()).skip(1).collect();
    let found: Vec<String> = of
        .of
        .mains
        .iter()
        .filter(|line| line.is_found)
        .map(|line| format!("{} Hz × {} at {:.1} Hz", line.mains_hz, line.harmonic, line.seen_at_hz))
        .collect();
    let allan: Vec<(f64, f64)> = of.of.allan.iter().map(|point| (point.tau_s, point.deviation)).collect();
    let mut all = Vec::new();
    if allan.len() > 2 {
        let definitions = "Overlapping Allan deviation (NIST SP 1065) of the unloaded signal. Falling by a half a decade a decade: white noise; rising: drift.";
        let figure = base("Allan deviation", definitions, ["averaging time (s)", "deviation (N)"]);
        all.push(("allan", CurvesFigure { series: line(allan, true), ..figure }));
    }
    if spectrum.len() > 2 {
        let definitions =
            "Amplitude density (Welch, Hann window). Mains lines are folded to where sampling shows them.";
        let figure =
            base("Spectrum of the noise", definitions, ["frequency (Hz)", "amplitude density (N/√Hz)"]);
        let subtitle = if found.is_empty() {
            "no mains line found".to_owned()
        } else {
            format!("mains: {}", found.join(", "))
        };
        all.push(("spectrum", CurvesFigure { series: line(spectrum, false), subtitle, ..figure }));
    }
    all
}

/// Deviations of the checks in order, with their control limits and the limit of a single one.
pub fn control_chart(checks: &[Check], limits: Option<&Limits>) -> CurvesFigure {
    let of = |passed: bool| -> Vec<(f64, f64)> {
        let numbered = (1..).zip(checks).filter(|(_, check)| check.passed == passed);
        numbered.map(|(number, check)| (f64::from(number), check.deviation_n())).collect()
    };
    let series =
        |name: &str, points| Series { name: name.to_owned(), points, is_line: false, has_markers: true };
    let least = checks.iter().map(|check| check.limit_n).fold(f64::INFINITY, f64::min);
    let control = limits.map_or(Vec::new(), |limits| {
        [("mean", limits.mean), ("control limit", limits.low), ("control limit", limits.high)]
            .map(|(name, level)| (name.to_owned(), level))
            .to_vec()
    });
    let allowed = [("allowed", least), ("allowed", -least)].map(|(name, level)| (name.to_owned(), level));
    CurvesFigure {
        title: "Checks of a sensor".to_owned(),
        subtitle: format!("{} checks, {} failed", checks.len(), checks.iter().filter(|check| !check.passed).count()),
        definitions: "Deviation: reading minus known force. Control limits: mean ± 3 SD from moving ranges (individuals \
                      chart, NIST/SEMATECH e-Handbook 6.3.2.2). Passed: |deviation| + U within what is allowed."
            .to_owned(),
        source: checks.last().map_or_else(String::new, |check| format!("sensor {}", check.serial)),
        x_name: "check".to_owned(),
        y_name: "deviation, N".to_owned(),
        is_logarithmic: false,
        series: vec![series("passed", of(true)), series("failed", of(false))],
        levels: control.into_iter().chain(allowed.into_iter().filter(|(_, level)| level.is_finite())).collect(),
        band: Vec::new(),
    }
}

fn table(page: &mut Page, rows: &[Row]) {
    let cells = rows.iter().map(|row| {
        vec![
            Cell::text(&row.name),
            Cell::numbers(&[with_id(&row.value, row.id)]),
            Cell::text(&row.expanded),
            Cell::text(row.definition),
        ]
    });
    page.table(&["figure", "value", "± (95 %)", "definition"], &cells.collect::<Vec<_>>());
}

/// The page; `figure` draws one, or gives nothing.
pub fn page(
    calibration: Option<&Calibration>,
    validated: &[Validated],
    attitudes: &[OfAttitude],
    figure: impl Fn(&CurvesFigure) -> anyhow::Result<String>,
) -> anyhow::Result<String> {
    let mut page = Page::default();
    page.heading(1, "Sensor report");
    page.classed("warning", &format!("{NO_LABORATORY} {CAUTIONS}"));
    if let Some(of) = calibration {
        for branch in &of.branches {
            branch_section(&mut page, of, branch);
            page.figure(&figure(&residual_figure(branch, "calibration"))?);
        }
        page.list(&of.notes);
    }
    for of in attitudes {
        page.heading(2, &format!("Sensor {}, channel {}: zero by attitude", of.serial, of.channel));
        page.list(&of.attitude.words().lines().map(|line| line.trim().to_owned()).collect::<Vec<_>>());
    }
    for of in validated {
        page.heading(2, &format!("Sensor {}, channel {}: {}", of.serial, of.channel, of.file));
        page.paragraph(about(of));
        table(&mut page, &of_validation(&of.of));
        page.list(&of.of.notes);
        for (_, of) in figures(of) {
            page.figure(&figure(&of)?);
        }
    }
    page.classed("quiet", "Terms: VIM (JCGM 200:2012), GUM (JCGM 100:2008), OIML R 60:2021, ISO 376:2011. ± is the half width of a 95 % interval.");
    Ok(page.finish("Sensor report", "Sensor report"))
}

/// What a validation is about.
pub fn about(of: &Validated) -> String {
    format!(
        "{:.1} s without a gap, {} stretches between changes of load; full scale {} N; one count {}; {}",
        of.of.duration_s,
        of.of.stretches,
        of.of.full_scale_n,
        shown(of.of.count_n, f64::NAN, "N"),
        of.scale
    )
}

/// The curve in words.
pub fn curve_words(branch: &Branch) -> String {
    let terms = branch.curve.coefficients.iter().zip(&branch.standard_errors).enumerate();
    let terms: Vec<String> =
        terms.map(|(power, (value, error))| format!("b{power} = {value:.9e} (SE {error:.2e})")).collect();
    format!(
        "indication = Σ bᵢ Fⁱ: {}; SD about it {:.4e} with {} degrees of freedom; {} readings, {} series, {} mountings",
        terms.join(", "),
        branch.residual_sd,
        branch.df,
        branch.counts[0],
        branch.counts[1],
        branch.counts[2]
    )
}

/// Degrees of freedom in words: above some thousands they are as good as endless.
pub fn df_words(df: Option<f64>) -> String {
    df.filter(|df| *df < 9999.0).map_or_else(|| "∞".to_owned(), |df| format!("{df:.1}"))
}

/// A direction in words.
pub fn branch_words(branch: &Branch) -> String {
    let sign = if branch.positive { "positive" } else { "negative" };
    format!("{sign} forces, {:.3} N to {:.3} N", branch.curve.low_n, branch.curve.high_n)
}

fn branch_section(page: &mut Page, of: &Calibration, branch: &Branch) {
    page.heading(2, &format!("Calibration, {}", branch_words(branch)));
    page.paragraph(curve_words(branch));
    page.paragraph(format!("Degree: {}. {}", of.criterion, if of.from_zero {
        "Every series began without load: the curve passes through zero, and in use the zero comes from a tare."
    } else {
        "Not every series began without load: the constant was fitted."
    }));
    table(page, &of_branch(branch));
    let names: Vec<&str> = branch
        .loads
        .first()
        .map_or(Vec::new(), |load| load.budget.components.iter().map(|part| part.name.as_str()).collect());
    let head: Vec<&str> =
        ["force, N"].into_iter().chain(names.iter().copied()).chain(["u, N", "ν eff", "k", "U, N"]).collect();
    let rows = branch.loads.iter().map(|load| {
        let number = |value: f64| Cell::number(Some(value).filter(|v| v.is_finite()), 5, "budget");
        let parts = names.iter().map(|name| {
            let part = load.budget.components.iter().find(|part| part.name == *name);
            Cell::number(part.map(|part| part.standard), 5, "budget")
        });
        let df = df_words(load.budget.df);
        let last = [
            number(load.budget.combined),
            Cell::text(&df),
            number(load.budget.k),
            number(load.budget.expanded),
        ];
        std::iter::once(number(load.reference_n)).chain(parts).chain(last).collect()
    });
    page.heading(3, "Uncertainty of a force read through the curve (standard uncertainties, N)");
    page.table(&head, &rows.collect::<Vec<Vec<Cell>>>());
}
