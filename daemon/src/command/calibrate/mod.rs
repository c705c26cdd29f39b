//! `fingerforced calibrate`: guided from the terminal: a calibration, the daily check with one mass, the zero in six
//! orientations, creep and recovery, the step response.
//!
//! Each records while it is guided (`session`); what was read stands in the recording, which `fingerforce sensor` reads again,
//! and what came of it is kept with the sensor.

pub(crate) mod asked;
mod bench;
pub(crate) mod check;
mod loads;
pub(crate) mod outcome;
pub(crate) mod session;

use crate::journal::SystemDisk;
use crate::port::DEFAULT_BAUD;
use crate::sensors;
use analysis::command::sensor::calibration_text;
use analysis::console::{self, Hint, advised, clean};
use analysis::documents;
use analysis::report::sensor::NO_LABORATORY;
use analysis::sensor::dead_weight::{Gravity, KnownForce};
use anyhow::anyhow;
use asked::{Asked, Task};
use outcome::Guided;
use std::path::PathBuf;

/// Calibrate a sensor, guided; check it with one mass; measure its zero by attitude, its creep, or its step response
///
/// Says what to load when, waits until it hangs still, reads it,
/// and keeps the record with the sensor: every later recording uses it.
/// Local gravity has no default: give --latitude and --height, or a measured --gravity.
/// Not an accredited calibration.
/// Mind your feet: secure masses, and do not exceed the sensor's rated force.
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
    /// What is to be done.
    #[command(flatten)]
    asked: Asked,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let (task, steps) = args.asked.task()?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let session = runtime.block_on(session::guided(args, steps))?;
    match task {
        Task::Calibration(gravity) => calibrated(args, gravity, &session),
        Task::Check(known) => checked(args, known, &session),
        Task::Attitude => bench::attitude(args, &session),
        Task::Creep(load) => bench::creep(args, &load, &session),
        Task::Step(load) => bench::step(args, &load, &session),
    }
}

fn calibrated(args: &Args, gravity: Option<Gravity>, session: &Guided) -> anyhow::Result<()> {
    let of = outcome::certificate(&args.asked, gravity, session)?;
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

fn checked(args: &Args, known: KnownForce, session: &Guided) -> anyhow::Result<()> {
    let (check, doubtful) = check::checked(known, session)?;
    let text = if args.json {
        let told = serde_json::json!({ "check": check, "recordings_since_last_good": doubtful });
        documents::json(documents::CHECK, &told)?
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
