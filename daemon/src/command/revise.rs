//! `fingerforced revise` (hidden): makes recording N+1 from recording N and the visit's corrections. It runs in a child,
//! because it opens an HDF5 file.

use crate::corrections;
use crate::files;
use crate::journal::SystemDisk;
use crate::seal;
use analysis::console::advised;
use analysis::corrections::Correction;
use analysis::recording::read::Recording;
use analysis::recording::revise::{self, Effect, Revision};
use serde::Serialize;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Make the next recording from one and the visit's corrections
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The latest recording
    pub recording: PathBuf,
    /// Try the correction on stdin (JSON) out as well, and write nothing
    #[arg(long = "try")]
    pub trial: bool,
}

/// What a correction did, and to which trial.
#[derive(Serialize)]
struct Told<'a> {
    /// Muscle, test and peak of its trial, "" of none.
    of: String,
    #[serde(flatten)]
    effect: &'a Effect,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let folder = args.recording.parent().unwrap_or(Path::new("."));
    let (corrections, _) = corrections::read(&SystemDisk, folder).map_err(advised)?;
    let recording = Recording::open(&args.recording).map_err(advised)?;
    let mut revision = Revision::of(&recording).map_err(advised)?;
    let mut effects = revision.apply(&corrections).map_err(advised)?;
    let held = revise::effects(&recording.events().map_err(advised)?);
    let held = held.iter().map(|effect| effect.correction.number).max().unwrap_or(0);
    if args.trial {
        let trial: Correction = serde_json::from_reader(std::io::stdin().take(files::BYTES_MAX))?;
        effects.push(revision.try_out(&trial).map_err(advised)?);
    }
    let mut path = args.recording.clone();
    if !args.trial && !effects.is_empty() {
        let last =
            seal::recordings(&SystemDisk, folder).map_err(advised)?.last().map_or(0, |(number, _)| *number);
        path = folder.join(format!("recording-{}.h5", last + 1));
        revision.write(&path).map_err(advised)?;
    }
    // What each trial was before: an assigned one is another one's afterwards.
    let rows = recording.trials().map_err(advised)?;
    let told = effects.iter().map(|effect| Told { of: effect.correction.change.of_trial(&rows), effect });
    let told = told.collect::<Vec<_>>();
    let told = serde_json::json!({ "recording": path.to_string_lossy(), "corrections": told, "held": held });
    Ok(analysis::console::result(&format!("{told}\n"))?)
}
