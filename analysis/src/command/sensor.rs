//! `fingerforce sensor`: how good a sensor is.
//!
//! Comes in: recordings of a sensor, or a calibration's readings (CSV). Goes out: calibration and validation figures with
//! their uncertainties, as tables, JSON, figures and one page.
use crate::cautions::CAUTIONS;
use crate::console::{self, Hint, Usage, advised, clean};
use crate::documents;
use crate::export::register::{self, To};
use crate::plot::curves::CurvesFigure;
use crate::plot::files::{self, Format};
use crate::plot::svg;
use crate::recording::layout::{GapRow, SegmentRow};
use crate::recording::read::{ReadError, Recording};
use crate::report::sensor::{self as told, NO_LABORATORY, OfAttitude, Row, Validated};
use crate::sensor::calibration::{Branch, Calibration, HIGHEST_DEGREE, Known, calibrate};
use crate::sensor::check::{self as checks, Check, Limits};
use crate::sensor::readings::{self, Reading};
use crate::sensor::validation::{self, Asked, Trace, Validation};
use crate::sensor::{attitude, points, timing};
use anyhow::Context;
use comfy_table::Table as Grid;
use comfy_table::presets::UTF8_FULL_CONDENSED;
use std::fmt::Write;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// Samples of a channel that are taken into memory at most.
const SAMPLES_MAX: u64 = 50_000_000;

/// How good a sensor is: calibration with its uncertainty, and validation
///
/// A recording needs no script: stretches between changes of load are found.
/// What a guided `fingerforced calibrate` marked is calibrated too.
///
/// Examples:
///   fingerforce sensor recording-1.h5 --report sensor.html
///   fingerforce sensor --calibration readings.csv --reference-uncertainty 0.01
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Recordings of one sensor
    #[arg(required_unless_present_any = ["calibration", "checks"])]
    pub files: Vec<PathBuf>,
    /// Readings at known forces (CSV): reference_n, indication and, where there are any, series, mounting, direction
    #[arg(long, value_name = "FILE.csv")]
    pub calibration: Option<PathBuf>,
    /// Daily checks of one sensor (its checks.jsonl in the data folder): a control chart
    #[arg(long, value_name = "FILE.jsonl", conflicts_with_all = ["files", "calibration", "report"])]
    pub checks: Option<PathBuf>,
    /// Expanded uncertainty (k = 2) of the known forces, % of them [default: as marked; otherwise not in the budget, which
    /// says so]
    #[arg(long, value_name = "PERCENT")]
    pub reference_uncertainty: Option<f64>,
    /// Resolution of the indication, in its unit [default: the last place written; one count]
    #[arg(long, value_name = "STEP")]
    pub resolution: Option<f64>,
    /// Creep in 30 min, % of the load [default: not in the budget, which says so]
    #[arg(long, value_name = "PERCENT")]
    pub creep: Option<f64>,
    /// Highest degree of the curve that is tried
    #[arg(long, value_name = "N", default_value_t = HIGHEST_DEGREE as u8, value_parser = clap::value_parser!(u8).range(1..=3))]
    pub degree: u8,
    /// Full scale, N [default: the sensor's rated force]
    #[arg(long, value_name = "N")]
    pub full_scale: Option<f64>,
    /// From the change of load to the initial reading of creep, s
    #[arg(long, value_name = "S", default_value_t = Asked::default().creep_initial_s)]
    pub initial: f64,
    /// Shortest load under which creep is judged, s (OIML R 60: 1800)
    #[arg(long, value_name = "S", default_value_t = Asked::default().creep_shortest_s)]
    pub shortest: f64,
    /// Folder for the figures [default: none are drawn]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// One self-contained page
    #[arg(long, value_name = "F.html")]
    pub report: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

impl Args {
    /// One recording, and nothing asked for beside it.
    pub fn of(recording: &Path) -> Args {
        let asked = Asked::default();
        Args {
            files: vec![recording.to_owned()],
            calibration: None,
            checks: None,
            reference_uncertainty: None,
            resolution: None,
            creep: None,
            degree: HIGHEST_DEGREE as u8,
            full_scale: None,
            initial: asked.creep_initial_s,
            shortest: asked.creep_shortest_s,
            out: None,
            report: None,
            json: false,
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    check(args)?;
    if let Some(path) = &args.checks {
        return of_checks(args, path);
    }
    let mut calibration = args.calibration.as_deref().map(|path| of_table(args, path)).transpose()?;
    let (mut validated, mut attitudes, mut whose) = (Vec::new(), Vec::new(), Vec::new());
    for file in &args.files {
        let recording = Recording::open(file).map_err(advised)?;
        whose.push(recording.root().participant.clone());
        let marked = readings::marked(&recording.events().map_err(advised)?);
        if calibration.is_none() {
            calibration = of_readings(args, &recording, &marked)?;
        }
        attitudes.extend(attitude_of(&recording, &marked).map_err(advised)?);
        validated.extend(of_recording(args, file, &recording)?);
    }
    let text = if args.json {
        json(calibration.as_ref(), &validated, &attitudes)?
    } else {
        text(calibration.as_ref(), &validated, &attitudes)
    };
    if let Some(out) = &args.out {
        draw(out, calibration.as_ref(), &validated)?;
    }
    if let Some(path) = &args.report {
        let page =
            told::page(calibration.as_ref(), &validated, &attitudes, |figure| svg(figure).map_err(advised))?;
        register::tell(&args.files, whose.iter().map(String::as_str), &To::File(path), false)?;
        super::report::write(path, &page)?;
    }
    console::result(&text)?;
    Ok(())
}

fn check(args: &Args) -> anyhow::Result<()> {
    let positive = [
        ("--resolution", args.resolution),
        ("--full-scale", args.full_scale),
        ("--initial", Some(args.initial)),
        ("--shortest", Some(args.shortest)),
    ];
    for (name, value) in positive {
        if value.is_some_and(|value| !(value > 0.0 && value.is_finite())) {
            return Err(Usage(format!("{name} takes a positive number")).into());
        }
    }
    for (name, value) in [("--reference-uncertainty", args.reference_uncertainty), ("--creep", args.creep)] {
        if value.is_some_and(|value| !(0.0..=100.0).contains(&value)) {
            return Err(Usage(format!("{name} takes a share from 0 to 100 %")).into());
        }
    }
    Ok(())
}

fn known(args: &Args, resolution: f64, reference_relative: Option<f64>) -> Known {
    Known {
        resolution: args.resolution.unwrap_or(resolution),
        reference_relative: args.reference_uncertainty.map(|percent| percent / 200.0).or(reference_relative),
        creep_relative: args.creep.map(|percent| percent / 100.0),
        highest_degree: usize::from(args.degree),
    }
}

fn of_table(args: &Args, path: &Path) -> anyhow::Result<Calibration> {
    let (points, step) = points::read_csv(path).map_err(advised)?;
    calibrate(&points, &known(args, step, None)).map_err(advised)
}

/// The readings that were marked, of the channel that was loaded.
fn of_readings(
    args: &Args,
    recording: &Recording,
    marked: &[Reading],
) -> anyhow::Result<Option<Calibration>> {
    let channel = marked.first().map_or(1, |reading| reading.channel);
    let points = readings::points(recording, marked, channel).map_err(advised)?;
    if points.iter().all(|point| point.reference_n == 0.0) {
        return Ok(None);
    }
    let known = known(args, 1.0, readings::reference_relative(marked));
    calibrate(&points, &known).map(Some).map_err(advised)
}

/// The zeros by attitude that were marked, with the channel and its sensor's serial number.
fn attitude_of(recording: &Recording, marked: &[Reading]) -> Result<Option<OfAttitude>, ReadError> {
    let Some(sensor) = recording.sensors().first() else { return Ok(None) };
    let channel = marked.first().map_or(1, |reading| reading.channel);
    let Some(about) = sensor.channels.get(channel.saturating_sub(1)) else { return Ok(None) };
    let points = readings::points(recording, marked, channel)?;
    let found = attitude::of(&points, |counts| counts * about.rated_force_n / about.rated_counts);
    Ok(found.map(|attitude| OfAttitude { serial: sensor.serial.clone(), channel, attitude }))
}

fn of_recording(args: &Args, file: &Path, recording: &Recording) -> anyhow::Result<Vec<Validated>> {
    let mut all = Vec::new();
    for (number, sensor) in (1..).zip(recording.sensors()) {
        let segments = recording.segments(number).map_err(advised)?;
        let gaps = recording.gaps(number).map_err(advised)?;
        let frames = recording.frames(number).map_err(advised)?;
        let longest = longest(&segments, &gaps);
        if longest.end - longest.start > SAMPLES_MAX {
            let hint = Hint::new("record less at once: an hour at 10,000 samples/s is 36 million");
            return Err(anyhow::anyhow!("{} holds more than {SAMPLES_MAX} samples in a row", file.display())
                .context(hint));
        }
        let channels = sensor.channels.len();
        for (channel, about) in (1..=channels).zip(&sensor.channels) {
            let count_n = about.rated_force_n / about.rated_counts;
            let mut of =
                of_channel(args, recording, number, channel, longest.clone(), count_n, about.rated_force_n)
                    .map_err(advised)?;
            of.timing = timing::of(&frames, &segments, &gaps);
            all.push(Validated {
                file: file.display().to_string(),
                serial: sensor.serial.clone(),
                channel,
                scale: format!("forces by the {} scale", clean(&about.calibration)),
                of,
            });
        }
    }
    Ok(all)
}

/// The longest row of samples without a gap.
fn longest(segments: &[SegmentRow], gaps: &[GapRow]) -> Range<u64> {
    let mut ends: Vec<u64> = segments
        .iter()
        .flat_map(|segment| [segment.first_sample, segment.first_sample + segment.samples])
        .chain(gaps.iter().map(|gap| gap.after_sample + 1))
        .filter_map(|end| u64::try_from(end).ok())
        .collect();
    ends.sort_unstable();
    let rows = ends.windows(2).map(|pair| pair[0]..pair[1]);
    rows.max_by_key(|row| row.end - row.start).unwrap_or(0..0)
}

fn of_channel(
    args: &Args,
    recording: &Recording,
    number: usize,
    channel: usize,
    samples: Range<u64>,
    count_n: f64,
    rated_n: f64,
) -> Result<Validation, ReadError> {
    let sensor = &recording.sensors()[number - 1];
    let channels = sensor.channels.len();
    let mut counts = Vec::new();
    let mut from = samples.start;
    while from < samples.end {
        let to = samples.end.min(from + (1 << 18));
        let block = recording.samples(number, from..to)?;
        counts.extend(block.counts.iter().skip(channel - 1).step_by(channels));
        from = to;
    }
    let zero = zero_counts(recording, number, channel)?.unwrap_or(sensor.channels[channel - 1].zero_counts);
    let force_n: Vec<f64> = counts.iter().map(|counts| (f64::from(*counts) - zero) * count_n).collect();
    let trace = Trace {
        force_n: &force_n,
        interval_s: sensor.interval_ns as f64 * 1e-9,
        full_scale_n: args.full_scale.unwrap_or(rated_n.abs()),
        count_n: count_n.abs(),
    };
    let asked = Asked { creep_initial_s: args.initial, creep_shortest_s: args.shortest };
    let mut of = validation::of(&trace, &asked);
    // Both ends of a 24-bit converter's range.
    of.saturated = counts.iter().filter(|counts| !(-8_388_607..8_388_607).contains(*counts)).count();
    Ok(of)
}

/// The first zero that was taken.
fn zero_counts(recording: &Recording, number: usize, channel: usize) -> Result<Option<f64>, ReadError> {
    let tares = recording.tares(number)?;
    Ok(tares.iter().find(|tare| tare.channel == channel as i64).map(|tare| tare.zero_counts))
}

/// The checks of a sensor in order, with control limits and what lies outside them.
fn of_checks(args: &Args, path: &Path) -> anyhow::Result<()> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("cannot read {}", path.display()))
        .map_err(|error| error.context(Hint::new("checks are in DATA/sensors/SERIAL/checks.jsonl")))?;
    let (checks, damaged) = checks::read(&text);
    let deviations: Vec<f64> = checks.iter().map(Check::deviation_n).collect();
    let limits = checks::control_limits(&deviations);
    if let Some(out) = &args.out {
        files::make_folder(out)?;
        files::write(&told::control_chart(&checks, limits.as_ref()), out, "checks", Format::Both)?;
    }
    let text = if args.json {
        let document =
            serde_json::json!({ "checks": checks, "control_limits_n": limits, "damaged_lines": damaged });
        documents::json(documents::CHECKS, &document)?
    } else {
        checks_text(&checks, limits.as_ref(), damaged)
    };
    console::result(&text)?;
    Ok(())
}

fn checks_text(checks: &[Check], limits: Option<&Limits>, damaged: usize) -> String {
    let mut text: String =
        checks.iter().map(|check| format!("{}  {}\n", clean(&check.when_utc), check.words())).collect();
    text += &match limits {
        Some(limits) => format!(
            "mean deviation {:+.4} N, control limits {:+.4} to {:+.4} N (individuals chart)\n",
            limits.mean, limits.low, limits.high
        ),
        None => format!("{} checks: control limits need {}\n", checks.len(), checks::CHART_LEAST),
    };
    if damaged > 0 {
        text += &format!("{damaged} lines of the file are no checks\n");
    }
    text
}

fn json(
    calibration: Option<&Calibration>,
    validated: &[Validated],
    attitudes: &[OfAttitude],
) -> anyhow::Result<String> {
    let document = serde_json::json!({
        "software": concat!("finger-force ", env!("CARGO_PKG_VERSION")),
        "calibration": calibration,
        "validations": validated,
        "attitudes": attitudes,
        "cautions": format!("{NO_LABORATORY} {CAUTIONS}"),
    });
    Ok(documents::json(documents::SENSOR, &document)?)
}

fn draw(out: &Path, calibration: Option<&Calibration>, validated: &[Validated]) -> anyhow::Result<()> {
    files::make_folder(out)?;
    let both = |name: &str, figure: &CurvesFigure| files::write(figure, out, name, Format::Both);
    for branch in calibration.iter().flat_map(|of| &of.branches) {
        let name = if branch.positive { "calibration-positive" } else { "calibration-negative" };
        both(name, &told::residual_figure(branch, "calibration"))?;
    }
    for (number, of) in (1..).zip(validated) {
        for (name, figure) in told::figures(of) {
            both(&format!("{number:02}-{name}"), &figure)?;
        }
    }
    Ok(())
}

/// The results as text.
pub fn text(calibration: Option<&Calibration>, validated: &[Validated], attitudes: &[OfAttitude]) -> String {
    let mut text = String::new();
    if let Some(of) = calibration {
        text += &calibration_text(of);
    }
    // Writing to a string cannot fail.
    for of in validated {
        let _ = writeln!(text, "sensor {}, channel {} · {}", clean(&of.serial), of.channel, clean(&of.file));
        let _ = writeln!(text, "{}", told::about(of));
        let _ = writeln!(text, "{}", grid(&told::of_validation(&of.of)));
        of.of.notes.iter().for_each(|note| text += &format!("note: {}\n", clean(note)));
    }
    for of in attitudes {
        let _ = writeln!(text, "sensor {}, channel {}", clean(&of.serial), of.channel);
        text += &of.attitude.words();
    }
    text + "± is the half width of a 95 % interval. " + NO_LABORATORY + "\n" + CAUTIONS + "\n"
}

/// A calibration as text.
pub fn calibration_text(of: &Calibration) -> String {
    let mut text = String::new();
    for branch in &of.branches {
        let _ = writeln!(text, "calibration, {}\n{}", told::branch_words(branch), told::curve_words(branch));
        let _ = writeln!(text, "degree: {}", of.criterion);
        let _ = writeln!(text, "{}\n{}", grid(&told::of_branch(branch)), loads(branch));
    }
    of.notes.iter().for_each(|note| text += &format!("note: {}\n", clean(note)));
    text
}

fn grid(rows: &[Row]) -> Grid {
    let mut grid = Grid::new();
    grid.load_style(UTF8_FULL_CONDENSED);
    grid.set_header(["figure", "value", "± (95 %)"]);
    for row in rows {
        grid.add_row([&row.name, &row.value, &row.expanded]);
    }
    grid
}

/// Each load with its budget.
fn loads(branch: &Branch) -> Grid {
    let mut grid = Grid::new();
    grid.load_style(UTF8_FULL_CONDENSED);
    grid.set_header([
        "force, N",
        "indication",
        "from the curve, N",
        "down − up, N",
        "u, N",
        "ν eff",
        "k",
        "U, N",
    ]);
    for load in &branch.loads {
        let budget = &load.budget;
        grid.add_row([
            format!("{:.4}", load.reference_n),
            format!("{:.3}", load.indication),
            format!("{:+.5}", load.interpolation_n),
            load.reversibility_n.map_or_else(|| "–".to_owned(), |n| format!("{n:+.5}")),
            format!("{:.5}", budget.combined),
            told::df_words(budget.df),
            format!("{:.2}", budget.k),
            format!("{:.5}", budget.expanded),
        ]);
    }
    grid
}
