//! `fingerforced calibrate`: guided from the terminal: a calibration, the daily check with one mass, the zero in six
//! orientations, creep and recovery, the step response.
//!
//! Each records while it is guided (`session`); what was read stands in the recording, which `fingerforce sensor` reads again,
//! and what came of it is kept with the sensor.

mod bench;
mod check;
mod loads;
mod session;

use crate::guide::{Programme, Step};
use crate::journal::SystemDisk;
use crate::port::DEFAULT_BAUD;
use crate::sensors;
use analysis::command::sensor::calibration_text;
use analysis::console::{self, Usage, advised, clean};
use analysis::report::sensor::NO_LABORATORY;
use analysis::sensor::calibration::{HIGHEST_DEGREE, Known, calibrate};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::dead_weight::{CONVENTIONAL_AIR, Gravity, KnownForce};
use analysis::sensor::readings::reference_relative;
use session::Guided;
use std::path::PathBuf;

/// Calibrate a sensor, guided; check it with one mass; measure its zero by attitude, its creep, or its step response
///
/// Says what to load when, waits until it hangs still, reads it, and keeps the record with the sensor: every later recording
/// uses it. Local gravity has no default: give --latitude and --height, or a measured --gravity. Not an accredited
/// calibration. Mind your feet: secure masses, and do not exceed the sensor's rated force.
///
/// Examples:
///   fingerforced calibrate --port /dev/ttyACM0 --latitude 52.3 --height 60 --tolerance 0.01 --mass 0.5 --mass 1 --mass 2 --mass 5
///   fingerforced calibrate --port /dev/ttyACM0 --reference --reference-uncertainty 0.1 --load 5 --load 20 --load 50
///   fingerforced calibrate --attitude --port /dev/ttyACM0
///   fingerforced calibrate --creep-test --port /dev/ttyACM0 --mass 10
///   fingerforced calibrate --step-test --port /dev/ttyACM0 --mass 5
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
    /// Largest effect of temperature on the force, % per kelvin, where it is stated (data sheet) or measured
    #[arg(long, value_name = "PERCENT_PER_K", requires = "temperature")]
    temperature_effect: Option<f64>,
    /// Which of the sensor's channels, from 1
    #[arg(long, value_name = "N", default_value_t = 1, value_parser = channel)]
    channel: usize,
    /// A check with one mass instead: before and after the session
    #[arg(long, conflicts_with_all = ["attitude", "creep_test", "step_test"])]
    check: bool,
    /// The zero in six orientations instead: what the weight of the sensor's own parts does to it
    #[arg(long, conflicts_with_all = ["creep_test", "step_test"])]
    attitude: bool,
    /// Creep and recovery under one mass instead (OIML R 60: 30 min loaded, 30 min unloaded)
    #[arg(long, conflicts_with = "step_test")]
    creep_test: bool,
    /// The step response instead: one mass on a thread, cut off at once, three times
    #[arg(long)]
    step_test: bool,
    /// How long the creep test lasts, loaded and unloaded each, minutes
    #[arg(long, value_name = "MIN", default_value_t = 30.0, requires = "creep_test")]
    minutes: f64,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// What is done.
enum Task {
    Calibration(Option<Gravity>),
    Check(KnownForce),
    Attitude,
    /// Under a load of this name.
    Creep(String),
    /// Of a load of this name.
    Step(String),
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let (task, steps) = task(args)?;
    analysis::code::check("operator", &args.operator).map_err(|error| Usage(error.to_string()))?;
    if !(0.0..=600.0).contains(&args.still) {
        return Err(Usage("--still takes 0 to 600 s".to_owned()).into());
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let session = runtime.block_on(session::guided(args, steps))?;
    match task {
        Task::Calibration(gravity) => calibrated(args, gravity, &session),
        Task::Check(known) => check::checked(args, known, &session),
        Task::Attitude => bench::attitude(args, &session),
        Task::Creep(load) => bench::creep(args, &load, &session),
        Task::Step(load) => bench::step(args, &load, &session),
    }
}

/// What is asked for, and the steps to it.
fn task(args: &Args) -> anyhow::Result<(Task, Vec<Step>)> {
    if args.attitude {
        return Ok((Task::Attitude, Programme::attitude()));
    }
    if args.creep_test {
        let load = bench::load(args)?;
        let steps = Programme::creep(&load, 60.0 * args.minutes);
        return Ok((Task::Creep(load), steps));
    }
    if args.step_test {
        let load = bench::load(args)?;
        let steps = Programme::step(&load, bench::step_still_s(args));
        return Ok((Task::Step(load), steps));
    }
    let gravity = loads::gravity(args)?;
    let loads = loads::loads(args, gravity.as_ref())?;
    let negative = match args.direction.as_str() {
        "tension" => vec![true],
        "both" => vec![false, true],
        _ => vec![false],
    };
    if !args.check {
        let steps = Programme { loads, negative, mountings: args.mountings }.steps();
        return Ok((Task::Calibration(gravity), steps));
    }
    match &loads[..] {
        [(name, Some(known))] => {
            let sign = if negative == [true] { -1.0 } else { 1.0 };
            let known = KnownForce { force_n: sign * known.force_n, ..*known };
            Ok((Task::Check(known), Programme::check(name, known)))
        }
        _ => Err(Usage("a check takes one --mass".to_owned()).into()),
    }
}

fn channel(text: &str) -> Result<usize, String> {
    let found =
        text.parse().ok().filter(|channel| (1..=analysis::recording::layout::CHANNELS_MAX).contains(channel));
    found.ok_or_else(|| "a channel is a number from 1".to_owned())
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
        statement: NO_LABORATORY.to_owned(),
        serial: session.identity.serial.clone(),
        channel: args.channel,
        when_utc: crate::clock::rfc3339(session.utc_ns),
        valid_until: day_after(session.utc_ns, args.valid_days),
        operator: args.operator.clone(),
        reference: loads::reference(args),
        gravity: gravity.filter(|_| !args.reference),
        air_density: (!args.reference).then_some(args.air_density),
        temperature_c: args.temperature,
        temperature_percent_per_k: args.temperature_effect,
        rated_force_n: session
            .identity
            .channels
            .get(args.channel - 1)
            .map_or(f64::NAN, |channel| channel.scale.rated_n),
        visit_id: session.visit_id(),
        software: concat!("finger-force ", env!("CARGO_PKG_VERSION")).to_owned(),
        ..Certificate::new(points, calibration)
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

fn day_after(utc_ns: i64, days: u32) -> String {
    let day_ns = 86_400_000_000_000_i64;
    crate::clock::rfc3339(utc_ns.saturating_add(day_ns.saturating_mul(i64::from(days))))
        .chars()
        .take(10)
        .collect()
}
