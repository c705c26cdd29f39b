//! `fingerforced calibrate`: a guided calibration from the terminal, and the daily check with one mass.
//!
//! The shell around a recording and a [`Guide`]: says what to load, journals what was read, and keeps the record of the
//! calibration (or the check) with the sensor. The readings are in the recording, which `fingerforce sensor` reads again.

use super::record;
use super::sensor_ports::Ports;
use super::start::{self, Whose};
use crate::clock::{Clock, SystemClock};
use crate::core::{Begun, Said};
use crate::data_folder::{self, DataFolder};
use crate::guide::{Guide, Out, Programme, Step, to_json};
use crate::health::Health;
use crate::journal::{Disk, Reader, SystemDisk};
use crate::pipeline::{Output, Pipeline, SensorIdentity};
use crate::port::DEFAULT_BAUD;
use crate::sensors;
use crate::shell::{self, Audience, Shell};
use crate::stderr::Stderr;
use crate::terminal::Terminal;
use crate::typing::{Typed, Typing};
use crate::visit::engine::Visit;
use analysis::command::sensor::calibration_text;
use analysis::console::{self, Hint, Usage, advised, clean};
use analysis::report::sensor::NO_LABORATORY;
use analysis::sensor::calibration::{HIGHEST_DEGREE, Known, calibrate};
use analysis::sensor::certificate::{Certificate, KIND};
use analysis::sensor::check::{Check, limit_n};
use analysis::sensor::dead_weight::{CONVENTIONAL_AIR, Gravity, KnownForce, Mass, force};
use analysis::sensor::readings::reference_relative;
use anyhow::{Context as _, anyhow};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::signal::unix::{SignalKind, signal};

/// Calibrate a sensor, guided; or check it with one mass
///
/// Says what to load when, waits until it hangs still, reads it, and keeps the record with the sensor: every later recording
/// uses it. Local gravity has no default: give --latitude and --height, or a measured --gravity. Not an accredited
/// calibration. Mind your feet: secure masses, and do not exceed the sensor's rated force.
///
/// Examples:
///   fingerforced calibrate --port /dev/ttyACM0 --latitude 52.3 --height 60 --tolerance 0.01 --mass 0.5 --mass 1 --mass 2 --mass 5
///   fingerforced calibrate --port /dev/ttyACM0 --reference --reference-uncertainty 0.1 --load 5 --load 20 --load 50
///   fingerforced calibrate --check --port /dev/ttyACM0 --gravity 9.8127 --gravity-uncertainty 0.0002 --tolerance 0.01 --mass 2
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The serial port (or a link to one) [default: the one with a sensor seen before]
    #[arg(long)]
    port: Option<String>,
    /// Speed of the port
    #[arg(long, default_value_t = DEFAULT_BAUD)]
    baud: u32,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    data: Option<PathBuf>,
    /// A mass, kg, hook included; repeatable
    #[arg(long = "mass", value_name = "KG", conflicts_with = "reference")]
    masses: Vec<f64>,
    /// Largest error of the masses, % of each: the class's limit, or how well they were weighed
    #[arg(long, value_name = "PERCENT")]
    tolerance: Option<f64>,
    /// Density of the masses, kg/m³: steel 7850 to 8000, brass 8400, iron 7200
    #[arg(long, value_name = "KG_M3", default_value_t = 8000.0)]
    density: f64,
    /// Density of the air, kg/m³
    #[arg(long, value_name = "KG_M3", default_value_t = CONVENTIONAL_AIR)]
    air_density: f64,
    /// Latitude of the place, degrees
    #[arg(
        long,
        value_name = "DEG",
        requires = "height",
        conflicts_with = "gravity",
        allow_negative_numbers = true
    )]
    latitude: Option<f64>,
    /// Height of the place above the sea, m
    #[arg(long, value_name = "M", requires = "latitude", allow_negative_numbers = true)]
    height: Option<f64>,
    /// Measured local gravity, m/s²
    #[arg(long, value_name = "M_S2", requires = "gravity_uncertainty")]
    gravity: Option<f64>,
    /// Its standard uncertainty, m/s²
    #[arg(long, value_name = "M_S2")]
    gravity_uncertainty: Option<f64>,
    /// A reference sensor tells the forces: what it shows is typed in
    #[arg(long, requires = "reference_uncertainty")]
    reference: bool,
    /// Expanded uncertainty (k = 2) of the reference sensor, %
    #[arg(long, value_name = "PERCENT")]
    reference_uncertainty: Option<f64>,
    /// About how much to load, N, with a reference sensor; repeatable
    #[arg(long = "load", value_name = "N", requires = "reference")]
    loads: Vec<f64>,
    /// Which way: compression, tension or both; tension counts as negative
    #[arg(long, value_name = "WAY", default_value = "compression", value_parser = ["compression", "tension", "both"])]
    direction: String,
    /// Mountings: the first, and each further one turned by an equal part of a turn
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..=8))]
    mountings: u32,
    /// How long a load must have been there before it is read, s
    #[arg(long, value_name = "S", default_value_t = 5.0)]
    still: f64,
    /// Creep in 30 min, % of the load, where it was measured (`fingerforce sensor`)
    #[arg(long, value_name = "PERCENT")]
    creep: Option<f64>,
    /// How long the calibration is used, days
    #[arg(long, value_name = "DAYS", default_value_t = 365, value_parser = clap::value_parser!(u32).range(1..=3650))]
    valid_days: u32,
    /// Who calibrates (code)
    #[arg(long, value_name = "CODE", default_value = "")]
    operator: String,
    /// Temperature, °C
    #[arg(long, value_name = "C", allow_negative_numbers = true)]
    temperature: Option<f64>,
    /// A check with one mass instead: before and after the session
    #[arg(long)]
    check: bool,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let gravity = gravity(args)?;
    let loads = loads(args, gravity.as_ref())?;
    analysis::code::check("operator", &args.operator).map_err(|error| Usage(error.to_string()))?;
    if !(0.0..=600.0).contains(&args.still) {
        return Err(Usage("--still takes 0 to 600 s".to_owned()).into());
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let (steps, single) = steps(args, &loads)?;
    let session = runtime.block_on(guided(args, steps))?;
    match single {
        Some(known) => checked(args, known, &session),
        None => calibrated(args, gravity, &session),
    }
}

fn gravity(args: &Args) -> anyhow::Result<Option<Gravity>> {
    let found = match (args.latitude.zip(args.height), args.gravity.zip(args.gravity_uncertainty)) {
        (Some((latitude, height)), _) => Gravity::at(latitude, height),
        (None, Some((gravity, uncertainty))) => Gravity::measured(gravity, uncertainty),
        (None, None) if args.reference => return Ok(None),
        (None, None) => {
            let what = "masses pull with local gravity, which has no default: give --latitude and --height, or --gravity and --gravity-uncertainty";
            return Err(Usage(what.to_owned()).into());
        }
    };
    found.map(Some).map_err(|why| Usage(why).into())
}

/// The loads, smallest first, each with its name.
fn loads(args: &Args, gravity: Option<&Gravity>) -> anyhow::Result<Vec<(String, Option<KnownForce>)>> {
    let usage = |text: &str| Err(Usage(text.to_owned()).into());
    let positive = |values: &[f64]| values.iter().all(|value| *value > 0.0 && *value < 1e4);
    if !positive(&args.masses) || !positive(&args.loads) || !(500.0..=25_000.0).contains(&args.density) {
        return usage("masses, loads and densities are positive numbers");
    }
    let (mut masses, mut forces) = (args.masses.clone(), args.loads.clone());
    masses.sort_by(f64::total_cmp);
    forces.sort_by(f64::total_cmp);
    let known: Vec<(String, Option<KnownForce>)> = match gravity {
        Some(gravity) if !args.reference => {
            let Some(tolerance) = args.tolerance.filter(|percent| (0.0..=10.0).contains(percent)) else {
                return usage(
                    "say how well the masses are known: --tolerance, % (0.01 for class M1, 0.1 for weighed ones)",
                );
            };
            let of = |kg: f64| {
                let mass = Mass { kg, tolerance_kg: kg * tolerance / 100.0, density: args.density };
                let known = force(&mass, gravity, args.air_density);
                (format!("{kg} kg ({:.3} N)", known.force_n), Some(known))
            };
            masses.into_iter().map(of).collect()
        }
        _ => forces.into_iter().map(|n| (format!("about {n} N"), None)).collect(),
    };
    let least = if args.check { 1 } else { 2 };
    if known.len() < least {
        return usage(
            "give the loads: --mass twice at least (five and more tell the curve), or --reference with --load",
        );
    }
    Ok(known)
}

/// What is to be done, and for a check the one known force.
fn steps(
    args: &Args,
    loads: &[(String, Option<KnownForce>)],
) -> anyhow::Result<(Vec<Step>, Option<KnownForce>)> {
    let negative = match args.direction.as_str() {
        "tension" => vec![true],
        "both" => vec![false, true],
        _ => vec![false],
    };
    if !args.check {
        let programme = Programme { loads: loads.to_vec(), negative, mountings: args.mountings };
        return Ok((programme.steps(), None));
    }
    match loads {
        [(name, Some(known))] => {
            let sign = if negative == [true] { -1.0 } else { 1.0 };
            let known = KnownForce { force_n: sign * known.force_n, ..*known };
            Ok((Programme::check(name, known), Some(known)))
        }
        _ => Err(Usage("a check takes one --mass".to_owned()).into()),
    }
}

/// What a guided session came to.
struct Guided {
    guide: Guide,
    identity: SensorIdentity,
    /// The calibration that was in force.
    calibration: Option<Arc<Certificate>>,
    folder: PathBuf,
    data: PathBuf,
    utc_ns: i64,
}

impl Guided {
    fn visit_id(&self) -> String {
        self.folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default()
    }
}

async fn guided(args: &Args, steps: Vec<Step>) -> anyhow::Result<Guided> {
    let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let lines = Ports::one(args.port.clone(), args.baud).lines(args.data.as_deref())?;
    let whose = Whose { examiner: args.operator.clone(), ..Whose::default() };
    start::checked(&whose, None, SystemClock.utc_ns())?;
    let (orders, waiting) = tokio::sync::mpsc::channel(16);
    let mut seen = Seen::new(args, steps);
    let mut place = None;
    let mut shell = Shell::open(&lines, &mut seen, waiting, || {
        let data = Arc::new(DataFolder::open(args.data.as_deref()).map_err(advised)?);
        super::check::warn(data.path());
        place = Some((data.path().to_owned(), SystemClock.utc_ns()));
        let start = start::new(&whose, None, lines.len(), record::KEEP_FREE_MIB, &data)?;
        Ok((data, start))
    })?;
    say(&format!("{NO_LABORATORY} Secure the masses; stay below the sensor's rated force."));
    tokio::spawn(record::obey(signals, orders.clone()));
    shell.audience().typing = super::keys::lines(orders);
    let ended = shell.run(None).await;
    let recorded = shell.close(ended)?;
    if let Some(failure) = recorded.failure {
        return Err(failure);
    }
    // The recording is made all the same; its samples are what the record stands on.
    seal(&recorded.folder, args.json)?;
    let whole = recorded.reason == DONE;
    let identity = seen.identity.filter(|_| whole).ok_or_else(|| {
        anyhow!("ended before it was done: no calibration was made")
            .context(Hint::new("begin again; the samples are kept"))
    })?;
    let (data, utc_ns) = place.unwrap_or_default();
    let (guide, calibration) = (seen.guide, seen.calibration);
    Ok(Guided { guide, identity, calibration, folder: recorded.folder, data, utc_ns })
}

/// As JSON, stdout is for the result alone.
fn seal(folder: &Path, quietly: bool) -> anyhow::Result<()> {
    if !quietly {
        return super::seal_in_child(folder, None);
    }
    let mut child = std::process::Command::new(std::env::current_exe()?);
    let output = child.arg("recover").arg(folder).stderr(std::process::Stdio::inherit()).output();
    let output = output.context("cannot start the child that seals")?;
    anyhow::ensure!(output.status.success(), "the recording in {} was not written", folder.display());
    Ok(())
}

const DONE: &str = "calibration done";

/// Whoever loads the sensor: what they are told, what they type, what was read.
struct Seen {
    guide: Guide,
    identity: Option<SensorIdentity>,
    calibration: Option<Arc<Certificate>>,
    terminal: Terminal,
    typing: Typing,
    done: bool,
}

impl Seen {
    fn new(args: &Args, steps: Vec<Step>) -> Seen {
        Seen {
            guide: Guide::new(steps, args.still),
            identity: None,
            calibration: None,
            terminal: Terminal::new(args.json),
            typing: Typing::new(false),
            done: false,
        }
    }
}

impl Audience for Seen {
    fn begin(&mut self, _: &Begun, _: &Arc<dyn Clock>) {}

    fn hear(&mut self, said: &[Said], _: Option<&Visit>, ports: &shell::Ports) {
        for said in said {
            // A load that hangs is no trial to be told of.
            if !matches!(said, Said::Trial(_)) {
                self.terminal.hear(said, ports);
            }
            let Said::Pipeline(output) = said else { continue };
            match output {
                Output::Identified { sensor: 1, identity, .. } => self.identity = Some(identity.clone()),
                Output::Calibrated(1, of) if of.channel == 1 => self.calibration = Some(Arc::clone(of)),
                _ => {}
            }
            self.guide.hear(output);
        }
    }

    fn tick(&mut self, now_ns: u64, health: &Health) -> Vec<String> {
        self.terminal.tick(now_ns, &health.wire, health.sync_age_ns);
        let mut readings = Vec::new();
        for out in self.guide.take() {
            match out {
                Out::Say(words) => self.terminal.line(&words),
                Out::Read(reading) => {
                    readings.push(to_json(&reading));
                    let (known_n, samples) = (reading.reference_n, reading.samples);
                    self.terminal.line(&format!("  read: {known_n:.4} N known, {samples} samples"));
                }
                Out::Done => self.done = true,
            }
        }
        readings
    }

    fn typed(&mut self, bytes: &[u8], now_ns: u64) -> Vec<String> {
        for typed in self.typing.hear(bytes, now_ns, false) {
            if let Typed::Line(line) = typed {
                self.guide.typed(&line);
            }
        }
        Vec::new()
    }

    fn has_enough(&self) -> Option<&'static str> {
        self.done.then_some(DONE)
    }

    fn end(&mut self) {
        self.terminal.end();
    }

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.terminal.refusal.take()
    }
}

fn say(words: &str) {
    // A closed stderr is no reason to stop.
    let _ = Stderr.write_all(format!("{}\n", clean(words)).as_bytes());
}

fn calibrated(args: &Args, gravity: Option<Gravity>, session: &Guided) -> anyhow::Result<()> {
    let points = session.guide.points();
    let stated = args.reference_uncertainty.map(|percent| percent / 200.0).filter(|_| args.reference);
    let known = Known {
        resolution: 1.0,
        reference_relative: stated.or_else(|| reference_relative(&session.guide.readings())),
        creep_relative: args.creep.map(|percent| percent / 100.0),
        highest_degree: HIGHEST_DEGREE,
    };
    let calibration = calibrate(&points, &known).map_err(advised)?;
    let of = Certificate {
        kind: KIND.to_owned(),
        version: 1,
        statement: NO_LABORATORY.to_owned(),
        serial: session.identity.serial.clone(),
        channel: 1,
        when_utc: super::rfc3339(session.utc_ns),
        valid_until: day_after(session.utc_ns, args.valid_days),
        operator: args.operator.clone(),
        reference: reference(args),
        gravity: gravity.filter(|_| !args.reference),
        air_density: (!args.reference).then_some(args.air_density),
        temperature_c: args.temperature,
        rated_force_n: session.identity.channels.first().map_or(f64::NAN, |channel| channel.scale.rated_n),
        visit_id: session.visit_id(),
        software: concat!("finger-force ", env!("CARGO_PKG_VERSION")).to_owned(),
        points,
        calibration,
    };
    let path = sensors::keep_calibration(&SystemDisk, &session.data, &of).map_err(advised)?;
    let text = if args.json {
        serde_json::to_string_pretty(&of)? + "\n"
    } else {
        let gravity = of.gravity.as_ref().map_or_else(String::new, |gravity| {
            format!("local gravity {:.5} m/s² ({})\n", gravity.value, gravity.source)
        });
        format!(
            "sensor {}, channel {}: {}\n{gravity}{}{}\nkept in {}\n",
            clean(&of.serial),
            of.channel,
            of.label(),
            calibration_text(&of.calibration),
            NO_LABORATORY,
            path.display()
        )
    };
    Ok(console::result(&text)?)
}

fn reference(args: &Args) -> String {
    if args.reference {
        return format!(
            "reference sensor, expanded uncertainty {} % (k = 2)",
            args.reference_uncertainty.unwrap_or(f64::NAN)
        );
    }
    format!(
        "masses of {} kg/m³, known to ±{} %, in air of {} kg/m³",
        args.density,
        args.tolerance.unwrap_or(f64::NAN),
        args.air_density
    )
}

fn day_after(utc_ns: i64, days: u32) -> String {
    let day_ns = 86_400_000_000_000_i64;
    super::rfc3339(utc_ns.saturating_add(day_ns.saturating_mul(i64::from(days)))).chars().take(10).collect()
}

fn checked(args: &Args, known: KnownForce, session: &Guided) -> anyhow::Result<()> {
    let points = session.guide.points();
    let [before, loaded, after] = &points[..] else { anyhow::bail!("the check was not read whole") };
    let of = session.calibration.as_ref().ok_or_else(|| {
        anyhow!("sensor {} is not calibrated: there is nothing to check", clean(&session.identity.serial))
            .context(Hint::new("calibrate it first: fingerforced calibrate --help"))
    })?;
    let curves = of.curves().context("the calibration in force has no curve")?;
    let zero = 0.5 * (before.indication + after.indication);
    let read_n = curves.force_n(loaded.indication - zero);
    let drift_n = curves.force_n(after.indication - zero) - curves.force_n(before.indication - zero);
    // The zero moved by so much between the two: half of it either way is uncertain (rectangular).
    let of_zero = drift_n.abs() / 2.0 / 3.0_f64.sqrt();
    let calibrated = of.expanded_n(read_n, 0.0).unwrap_or(f64::NAN);
    let expanded_n = (calibrated * calibrated
        + 4.0 * (known.standard_uncertainty_n * known.standard_uncertainty_n + of_zero * of_zero))
        .sqrt();
    let check = Check {
        when_utc: super::rfc3339(session.utc_ns),
        serial: session.identity.serial.clone(),
        channel: 1,
        reference_n: known.force_n,
        read_n,
        expanded_n,
        limit_n: limit_n(known.force_n),
        passed: false,
        visit_id: session.visit_id(),
    }
    .judged();
    let earlier = sensors::checks(&SystemDisk, &session.data, &check.serial).map_err(advised)?;
    sensors::keep_check(&SystemDisk, &session.data, &check).map_err(advised)?;
    let doubtful = if check.passed { Vec::new() } else { since_last_good(session, &earlier)? };
    let text = if args.json {
        serde_json::to_string_pretty(
            &serde_json::json!({ "check": check, "recordings_since_last_good": doubtful }),
        )? + "\n"
    } else {
        let list: String = doubtful.iter().map(|folder| format!("  {}\n", folder.display())).collect();
        let told = if check.passed {
            String::new()
        } else {
            format!("recordings of this sensor since the last good check or calibration:\n{list}")
        };
        format!("{}\n{told}", check.words())
    };
    console::result(&text)?;
    if check.passed {
        return Ok(());
    }
    Err(anyhow!("the check failed").context(Hint::new(
        "look at the mounting and the zero, check again; then calibrate, and judge the recordings listed",
    )))
}

/// Visits' folders with samples of this sensor since its last good check, or since its calibration.
fn since_last_good(session: &Guided, earlier: &[Check]) -> anyhow::Result<Vec<PathBuf>> {
    let good = earlier.iter().rev().find(|check| check.passed).map(|check| check.visit_id.clone());
    let since =
        good.or_else(|| session.calibration.as_ref().map(|of| of.visit_id.clone())).unwrap_or_default();
    let disk = SystemDisk::shared();
    let mut found = Vec::new();
    for folder in data_folder::visits(&SystemDisk, &session.data).map_err(advised)? {
        let name = folder.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        // Folders' names begin with the time.
        if name > since && name != session.visit_id() && is_of(&disk, &folder, &session.identity.serial) {
            found.push(folder);
        }
    }
    found.sort();
    Ok(found)
}

/// Whether a visit's journal names this sensor; one that cannot be read, or names none, may be of it.
fn is_of(disk: &Arc<dyn Disk>, folder: &Path, serial: &str) -> bool {
    let Ok(reader) = Reader::open(Arc::clone(disk), folder) else { return true };
    let (mut pipeline, mut out, mut named) = (Pipeline::new(false), Vec::new(), false);
    for stamped in reader.map_while(Result::ok) {
        pipeline.step(&stamped, &mut out);
        for output in out.drain(..) {
            if let Output::Identified { identity, .. } = output {
                named = true;
                if identity.serial == serial {
                    return true;
                }
            }
        }
    }
    !named
}
