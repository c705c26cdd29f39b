//! `fingerforced practice`: an examiner's pulls on a spring or a dummy.

use super::record;
use super::sensor_ports::Ports;
use crate::clock::{Clock, SystemClock};
use crate::data_folder::DataFolder;
use crate::journal::SystemDisk;
use crate::port::DEFAULT_BAUD;
use crate::practice::{self, Practice, Target};
use crate::visit::action::Examiner;
use crate::visit::plan::{Plan, Procedure};
use analysis::console::{self, Hint, Usage, advised};
use analysis::documents;

use std::path::PathBuf;
use std::process::{Command, Stdio};

/// Ten pulls on a spring or a dummy, never on a person: how evenly an examiner's force grows
///
/// Fix the sensor to a spring or a dummy, pull as in a break test
/// until it gives way or the maximum is reached, let go, and again.
/// Each pull's loading rate is told; mean, SD and share in range are kept for this examiner,
/// printed in reports, and due again after 90 days (practice_days in settings.toml).
///
/// Example: fingerforced practice --port /dev/serial/by-id/usb-… --examiner E01
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The serial port [default: the one with a sensor seen before]
    #[arg(long)]
    pub port: Option<String>,
    /// Speed of the port
    #[arg(long, default_value_t = DEFAULT_BAUD)]
    pub baud: u32,
    /// Examiner's code
    #[arg(long)]
    pub examiner: String,
    /// How many pulls
    #[arg(long, default_value_t = 10)]
    pub pulls: usize,
    /// Expected maximum of whoever the dummy stands for, N: the rate is to be 25 to 40 % of it a second
    #[arg(long, value_name = "N", default_value_t = 20.0)]
    pub maximum: f64,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if args.examiner.is_empty() || !(2..=100).contains(&args.pulls) || !(1.0..=500.0).contains(&args.maximum)
    {
        let usage = "practice takes an --examiner, 2 to 100 --pulls, and a --maximum from 1 to 500 N";
        return Err(Usage(usage.to_owned()).into());
    }
    let target = Target::of_maximum(args.pulls, args.maximum);
    crate::stderr::say(&format!(
        "Practice on a spring or a dummy, never on a person: {} pulls of {:.1} to {:.1} N a second. Keep the sensor \
         unloaded and still for its zero.",
        args.pulls, target.low_n_per_s, target.high_n_per_s
    ));
    let (recorded, practised) = record::record(&recording(args, target))?;
    if let Some(failure) = recorded.failure {
        return Err(failure);
    }
    seal(&recorded.folder)?;
    let (count, now_ns) = (practised.rates_n_per_s.len(), SystemClock.utc_ns());
    let practice = Practice::of(&args.examiner, now_ns, &practised.sensor, target, practised.rates_n_per_s);
    let practice = practice.filter(|_| count == args.pulls).ok_or_else(|| {
        anyhow::anyhow!("{count} of {} pulls: nothing is kept of this practice", args.pulls)
            .context(Hint::new("begin again; every pull leaves the sensor unloaded before the next"))
    })?;
    let data = args.data.clone().map_or_else(crate::data_folder::default_path, Ok).map_err(advised)?;
    practice::keep(&SystemDisk, &data, &practice).map_err(advised)?;
    let text =
        if args.json { documents::json(documents::PRACTICE, &practice)? } else { practice.words() + "\n" };
    Ok(console::result(&text)?)
}

/// What is said of the examiner's practice as an examination begins, and noted in it.
pub(crate) fn noted(
    data: &DataFolder,
    plan: Option<&Plan>,
    examiner: &str,
) -> anyhow::Result<Option<Examiner>> {
    if examiner.is_empty() || plan.is_none_or(|plan| plan.procedure != Procedure::Examined) {
        return Ok(None);
    }
    let value =
        practice::told(&**data.disk(), data.path(), examiner, SystemClock.utc_ns()).map_err(advised)?;
    let (kind, scale) = ("practice".to_owned(), String::new());
    Ok(Some(Examiner::Observe { kind, value, scale, muscle: None }))
}

/// The free recording that a practice is.
fn recording(args: &Args, target: Target) -> record::Args {
    record::Args {
        ports: Ports::one(args.port.clone(), args.baud),
        examiner: args.examiner.clone(),
        data: args.data.clone(),
        json: args.json,
        no_seal: true,
        practice: Some(target),
        ..record::Args::plain()
    }
}

/// The pulls' raw traces are kept like any recording's.
fn seal(folder: &std::path::Path) -> anyhow::Result<()> {
    crate::stderr::settle();
    let status =
        Command::new(std::env::current_exe()?).arg("recover").arg(folder).stdout(Stdio::null()).status()?;
    anyhow::ensure!(
        status.success(),
        "the practice was not sealed; its journal in {} is whole",
        folder.display()
    );
    Ok(())
}
