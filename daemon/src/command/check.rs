//! `fingerforced check`: is the machine ready, and what waits.

use crate::check::{self, Line, State};
use crate::clock::{Clock, SystemClock};
use crate::data_folder;
use crate::journal::SystemDisk;
use crate::stderr;
use analysis::console::{Hint, advised, clean};
use analysis::documents;
use std::path::{Path, PathBuf};

/// Is the machine ready: disk space, permissions, clock, what an earlier run left
///
/// Example: fingerforced check --json
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let data = args.data.clone().map_or_else(data_folder::default_path, Ok).map_err(advised)?;
    let lines = check::check(&SystemDisk::shared(), &data, SystemClock.utc_ns());
    let text = if args.json {
        documents::json(documents::READINESS, &serde_json::json!({ "checks": lines }))?
    } else {
        lines.iter().map(words).collect()
    };
    analysis::console::result(&text)?;
    match lines.iter().find(|line| line.state == State::Failure) {
        Some(failure) => {
            Err(anyhow::anyhow!("{}: {}", failure.what, failure.told).context(Hint::new(&failure.hint)))
        }
        None => Ok(()),
    }
}

fn words(line: &Line) -> String {
    let state = match line.state {
        State::Good => "good",
        State::Warning => "WARNING",
        State::Failure => "FAILURE",
    };
    let mut text = format!("{:<18} {state:<8} {}\n", line.what, clean(&line.told));
    if !line.hint.is_empty() {
        text += &format!("{:<27} hint: {}\n", "", clean(&line.hint));
    }
    text
}

/// What is worth a word before a recording begins. Leftovers are told by who seals them.
pub(super) fn warn(data: &Path) {
    let lines = check::check(&SystemDisk::shared(), data, SystemClock.utc_ns());
    for line in lines.iter().filter(|line| line.state != State::Good && line.what != "leftover journals") {
        if stderr::is_json() {
            tracing::warn!(hint = line.hint, "{}: {}", line.what, line.told);
        }
        words(line).lines().for_each(stderr::say);
    }
}
