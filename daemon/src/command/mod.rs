//! The commands of `fingerforced`, a file each: every one has its `Args` and a `run`.

pub mod calibrate;
pub mod check;
pub mod correct;
pub mod demo;
pub mod erase;
pub(crate) mod keys;
pub mod plans;
pub mod ports;
pub mod practice;
pub mod record;
pub mod recover;
pub mod revise;
pub mod sensor_ports;
pub mod serve;
pub mod show;
pub mod simulate;
pub(crate) mod start;
pub mod tidy;

pub(crate) use crate::clock::rfc3339;
use crate::health::Health;
use analysis::console::Hint;
use analysis::documents;
use anyhow::Context;
use std::path::Path;
use std::process::{Command, ExitStatus, Stdio};

/// Offset of local time from UTC, `+HH:MM`.
pub(crate) fn utc_offset(utc_ns: i64) -> String {
    let Ok(time) = jiff::Timestamp::from_nanosecond(i128::from(utc_ns)) else { return String::new() };
    let seconds = jiff::tz::TimeZone::system().to_offset(time).seconds();
    let sign = if seconds < 0 { '-' } else { '+' };
    format!("{sign}{:02}:{:02}", seconds.abs() / 3600, seconds.abs() / 60 % 60)
}

/// The day that it is here.
pub(crate) fn day(utc_ns: i64) -> jiff::civil::Date {
    let now = jiff::Timestamp::from_nanosecond(i128::from(utc_ns)).unwrap_or_default();
    jiff::tz::TimeZone::system().to_datetime(now).date()
}

const NO_CHILD: &str = "cannot start the child that seals";

fn recover_child(folder: &Path) -> anyhow::Result<Command> {
    let mut child = Command::new(std::env::current_exe()?);
    child.arg("recover").arg(folder);
    Ok(child)
}

/// Seals a visit in a child of this binary; gives what it told (JSON).
pub(crate) fn seal_quietly(folder: &Path) -> anyhow::Result<(serde_json::Value, ExitStatus)> {
    let output = recover_child(folder)?.arg("--json").stderr(Stdio::inherit()).output().context(NO_CHILD)?;
    Ok((serde_json::from_slice(&output.stdout).unwrap_or_default(), output.status))
}

/// Seals a visit in a child of this binary, which prints the result: libhdf5 never runs where somebody measures. As
/// JSON, `health` is told beside it.
pub(crate) fn seal_in_child(folder: &Path, health: Option<&Health>) -> anyhow::Result<()> {
    crate::stderr::settle();
    let status = match health {
        None => recover_child(folder)?.status().context(NO_CHILD)?,
        Some(health) => {
            let (told, status) = seal_quietly(folder)?;
            let told = serde_json::json!({ "visits": told["visits"], "health": health });
            analysis::console::result(&documents::json(documents::VISITS, &told)?)?;
            status
        }
    };
    let folder = folder.display();
    anyhow::ensure!(
        status.success(),
        anyhow::anyhow!("the recording was not written; the journal in {folder} is whole")
            .context(Hint::new(format!("when what is told above is mended: fingerforced recover {folder}")))
    );
    Ok(())
}
