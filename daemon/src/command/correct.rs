//! `fingerforced correct`: what is different in a recording than it says, who says so and why.
//!
//! The correction is tried out first, in a child that opens the recording; then appended to the visit's
//! `corrections.jsonl`; then the next recording is made. A crash between leaves a correction that the next `correct` or
//! `recover` puts into a recording.

use crate::clock::{Clock, SystemClock};
use crate::corrections;
use crate::data_folder;
use crate::files;
use crate::journal::SystemDisk;
use crate::seal;
use analysis::console::{Hint, Usage, advised};
use analysis::corrections::{Assignment, Change, Correction, Mark};
use analysis::documents;
use analysis::trial::Muscle;
use anyhow::{Context as _, anyhow};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Correct a recording: the next one of the visit is made from it, and both stay
///
/// Examples:
///   fingerforced correct recording-1.h5 --by E01 --why "onset drawn too late" mark --trial 3 --mark onset --at 12.41
///   fingerforced correct recording-1.h5 --by E01 --why "sensor slipped" exclude --trial 2
///   fingerforced correct recording-1.h5                      what was appended but is in no recording yet
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The visit's latest recording
    pub recording: PathBuf,
    /// Who corrects it: a code
    #[arg(long, default_value = "")]
    pub by: String,
    /// Why, in a few words; no names
    #[arg(long, default_value = "")]
    pub why: String,
    /// Free text that looks like a name is none
    #[arg(long)]
    pub sure: bool,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
    /// Read who, why and what is different from stdin (JSON): every account can read a process's arguments
    #[arg(long, hide = true, conflicts_with_all = ["by", "why"])]
    pub stdin: bool,
    /// What is different
    #[command(subcommand)]
    pub action: Option<Action>,
}

/// What is different. A trial is named by the N of its `[trial-N]` in the report and on the terminal, its `order` in the visit.
#[derive(Debug, Clone, clap::Subcommand)]
pub enum Action {
    /// A mark of a hold stands elsewhere
    Mark {
        /// N of the trial's [trial-N] in report and terminal (not N of `trial N of 3`)
        #[arg(long, value_name = "N")]
        trial: i64,
        /// onset, break, release or end
        #[arg(long, value_parser = mark)]
        mark: Mark,
        /// Where it belongs, s since the segment's start
        #[arg(long, value_name = "S")]
        at: f64,
    },
    /// Something was seen but not entered then
    Observe {
        /// Item of the plan, from 1; -1 of the visit
        #[arg(long, default_value_t = -1, allow_negative_numbers = true)]
        item: i64,
        /// active motion, length, trick movement, pain, pain after, grade or text
        #[arg(long)]
        kind: String,
        /// What was seen
        #[arg(long)]
        value: String,
        /// The value's scale
        #[arg(long, default_value = "")]
        scale: String,
    },
    /// A trial belongs to another item
    Assign {
        /// N of the trial's [trial-N] in report and terminal (not N of `trial N of 3`)
        #[arg(long, value_name = "N")]
        trial: i64,
        /// Item of the plan, from 1
        #[arg(long)]
        item: i64,
        /// Trial within the item, from 1
        #[arg(long)]
        number: i64,
        /// The item's muscle: side, digit, direction
        #[arg(long)]
        muscle: Muscle,
    },
    /// A trial does not count
    Exclude {
        /// N of the trial's [trial-N] in report and terminal (not N of `trial N of 3`)
        #[arg(long, value_name = "N")]
        trial: i64,
    },
    /// A trial counts after all
    Include {
        /// N of the trial's [trial-N] in report and terminal (not N of `trial N of 3`)
        #[arg(long, value_name = "N")]
        trial: i64,
    },
    /// A channel was calibrated otherwise
    Calibrate {
        /// Sensor, from 1
        #[arg(long, default_value_t = 1)]
        sensor: usize,
        /// Channel, from 1
        #[arg(long, default_value_t = 1)]
        channel: usize,
        /// Counts at the rated force above those without load
        #[arg(long)]
        rated_counts: f64,
        /// Rated force, N
        #[arg(long)]
        rated_force_n: f64,
        /// Where the factors come from
        #[arg(long)]
        source: String,
    },
}

fn mark(word: &str) -> Result<Mark, String> {
    let found = Mark::ALL.into_iter().find(|mark| mark.word() == word);
    found.ok_or_else(|| "use onset, break, release or end".to_owned())
}

impl Action {
    fn change(&self) -> Change {
        match self.clone() {
            Action::Mark { trial, mark, at } => Change::Mark { trial, mark, time_s: at },
            Action::Observe { item, kind, value, scale } => Change::Observation { item, kind, value, scale },
            Action::Assign { trial, item, number, muscle } => {
                Change::Trial { trial, to: Some(Assignment { item, number, muscle }), valid: None }
            }
            Action::Exclude { trial } => Change::Trial { trial, to: None, valid: Some(false) },
            Action::Include { trial } => Change::Trial { trial, to: None, valid: Some(true) },
            Action::Calibrate { sensor, channel, rated_counts, rated_force_n, source } => {
                Change::Calibration { sensor, channel, rated_counts, rated_force_n, source }
            }
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let disk = SystemDisk::shared();
    let recording = args
        .recording
        .canonicalize()
        .with_context(|| args.recording.display().to_string())
        .map_err(|error| error.context(Hint::new("give the path of a visit's latest recording")))?;
    let folder = recording.parent().unwrap_or(Path::new(".")).to_owned();
    let _lock = data_folder::lock_visit(&*disk, &folder).map_err(advised)?;
    is_latest(&recording, &folder)?;
    let mut appended = None;
    if let Some(asked) = asked(args)? {
        let correction = checked(asked, args.sure)?;
        let held = revise(&recording, Some(&correction))?["held"].as_u64().unwrap_or(0);
        let correction = corrections::append(&*disk, &folder, correction, held).map_err(advised)?;
        appended = Some(correction.number);
    } else if !args.by.is_empty() || !args.why.is_empty() {
        return Err(Usage(
            "say what is different: mark, observe, assign, exclude, include or calibrate".to_owned(),
        )
        .into());
    }
    for bad in corrections::read(&*disk, &folder).map_err(advised)?.1 {
        tracing::warn!(
            "{bad}: cut off by a crash, or damaged; where it was taken before, the recordings have it"
        );
    }
    let done = revise(&recording, None)?;
    if let Some(number) = appended {
        let made = done["corrections"].as_array().into_iter().flatten();
        anyhow::ensure!(
            made.clone().any(|effect| effect["number"] == number),
            anyhow!("correction {number} was written down, but is in no recording").context(Hint::new(
                "corrections.jsonl beside the recording cannot be read back: look at it, and at the disk"
            ))
        );
    }
    analysis::console::result(&if args.json {
        documents::json(documents::CORRECTED, &done)?
    } else {
        words(&done)
    })?;
    Ok(())
}

/// Only the latest recording is corrected: two that supersede the same one would leave nobody knowing which holds.
fn is_latest(recording: &Path, folder: &Path) -> anyhow::Result<()> {
    let recordings = seal::recordings(&SystemDisk, folder).map_err(advised)?;
    match recordings.last() {
        Some((_, latest)) if latest == recording => Ok(()),
        Some((_, latest)) => Err(anyhow!("{} is not the visit's latest recording", recording.display())
            .context(Hint::new(format!("correct {}", latest.display())))),
        None => Err(anyhow!("{} is not a visit's recording", recording.display())
            .context(Hint::new("recordings are named recording-N.h5, in a visit's folder"))),
    }
}

/// Who says what is different, and why.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Asked {
    pub who: String,
    pub why: String,
    pub change: Change,
}

/// What is asked for: in arguments, or on stdin.
fn asked(args: &Args) -> anyhow::Result<Option<Asked>> {
    if args.stdin {
        let asked = serde_json::from_reader(std::io::stdin().take(files::BYTES_MAX));
        return Ok(Some(asked.map_err(|error| Usage(format!("stdin: {error}")))?));
    }
    let asked =
        |action: &Action| Asked { who: args.by.clone(), why: args.why.clone(), change: action.change() };
    Ok(args.action.as_ref().map(asked))
}

fn checked(Asked { who, why, change }: Asked, sure: bool) -> anyhow::Result<Correction> {
    if who.is_empty() || why.trim().is_empty() {
        return Err(Usage("a correction needs --by CODE and --why TEXT".to_owned()).into());
    }
    analysis::code::check("examiner", &who).map_err(|error| Usage(error.to_string()))?;
    let texts = match &change {
        Change::Observation { kind, value, scale, .. } => vec![&why, kind, value, scale],
        Change::Calibration { source, .. } => vec![&why, source],
        _ => vec![&why],
    };
    if let Some(found) = texts.into_iter().find_map(|text| analysis::code::personal(text)).filter(|_| !sure) {
        return Err(Usage(format!("does `{found}` say who somebody is? Leave it out, or give --sure")).into());
    }
    Ok(Correction { number: u64::MAX, when_utc: super::rfc3339(SystemClock.utc_ns()), who, why, change })
}

/// Makes the next recording in a child (libhdf5), or only tries a correction out.
fn revise(recording: &Path, trial: Option<&Correction>) -> anyhow::Result<Value> {
    let mut command = Command::new(std::env::current_exe()?);
    command.arg("revise").arg(recording);
    // What it says is read here.
    command.env_remove(crate::stderr::FORMAT);
    if trial.is_some() {
        command.arg("--try");
    }
    let started = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
    let mut child = started.context("cannot start the child that corrects")?;
    if let (Some(correction), Some(mut stdin)) = (trial, child.stdin.take()) {
        // One that has ended says why by itself.
        let _ = stdin.write_all(&serde_json::to_vec(correction)?);
    }
    let output = child.wait_with_output().context("the child that corrects is lost")?;
    if !output.status.success() {
        let told = String::from_utf8_lossy(&output.stderr);
        let told = told.trim().trim_start_matches("error: ");
        let (error, hint) = told.split_once("\nhint: ").unwrap_or((told, "see `fingerforce info RECORDING`"));
        return Err(anyhow!("{error}").context(Hint::new(hint)));
    }
    Ok(serde_json::from_slice(&output.stdout)?)
}

/// Puts corrections that are in no recording yet into one. Gives the new recording, where there is something to do.
pub(crate) fn catch_up(folder: &Path) -> anyhow::Result<Option<PathBuf>> {
    let (corrections, _) = corrections::read(&SystemDisk, folder).map_err(advised)?;
    let latest = seal::recordings(&SystemDisk, folder).map_err(advised)?.pop();
    let Some((_, latest)) = latest.filter(|_| !corrections.is_empty()) else { return Ok(None) };
    Ok(revise(&latest, None)?["recording"]
        .as_str()
        .filter(|made| Path::new(made) != latest)
        .map(PathBuf::from))
}

fn words(done: &Value) -> String {
    let mut text = format!("recording: {}\n", done["recording"].as_str().unwrap_or_default());
    let effects = done["corrections"].as_array().map(Vec::as_slice).unwrap_or_default();
    if effects.is_empty() {
        text += "  every correction is in it already\n";
    }
    for effect in effects {
        let correction = serde_json::from_value::<Correction>(effect.clone());
        let of = effect["of"].as_str().unwrap_or_default();
        let what = correction.map(|correction| correction.change.words(of)).unwrap_or_default();
        text += &format!("  {}: {}\n", effect["number"], analysis::console::clean(&what));
        for changed in effect["changed"].as_array().into_iter().flatten().filter_map(Value::as_str) {
            text += &format!("    {}\n", analysis::console::clean(changed));
        }
    }
    text
}
