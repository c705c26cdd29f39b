//! `fingerforced erase`: everything of one participant goes, after two confirmations.

use crate::clock::{Clock, SystemClock};
use crate::data_folder::{self, DataFolder};
use crate::erase::{self, Erased, Found};
use crate::journal::SystemDisk;
use crate::stderr;
use analysis::console::{Hint, Usage, advised, clean};
use analysis::documents;
use analysis::prose::counted;
use anyhow::anyhow;
use std::collections::BTreeMap;
use std::io::{BufRead, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Erase everything of one participant: visits with all that is in them, and what was made of them
///
/// What was made of several participants' visits goes, too, and is told:
/// it has to be made again without this one.
/// Files that somebody else wrote into the data folder stay;
/// where they hold the code, they are named.
///
/// It lists first and erases only what was confirmed twice:
/// at a terminal, the code and then `erase`;
/// in a script, by a second run with the word that the first one gave for exactly this list.
///
/// Where nothing of the code is there, it says so and fails: a code may be mistyped.
///
/// Examples:
///   fingerforced erase --participant P014
///   fingerforced erase --participant P014 --yes 3f9a02c1
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Their code
    #[arg(long)]
    pub participant: String,
    /// The word that a run before gave for this list
    #[arg(long, value_name = "WORD")]
    pub yes: Option<String>,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if args.participant.is_empty() {
        return Err(Usage("--participant takes a code".to_owned()).into());
    }
    let path = args.data.clone().map_or_else(data_folder::default_path, Ok).map_err(advised)?;
    if !path.join("visits").is_dir() {
        return Err(anyhow!("{} is no data folder", path.display()).context(Hint::new("name it with --data")));
    }
    let (disk, data) = (SystemDisk::shared(), DataFolder::open(Some(&path)).map_err(advised)?);
    let completed = erase::complete_begun(&data).map_err(advised)?;
    for Erased { note, .. } in completed.iter().filter(|erased| erased.kept.is_empty()) {
        stderr::say(&format!("an erasure that had been interrupted is complete now: {}", note.display()));
    }
    let (found, unknown) = erase::find(&disk, &path, &args.participant).map_err(advised)?;
    let told = |erased| told(args, &path, (&found, &unknown), erased);
    list(&found, &unknown, &path).lines().for_each(stderr::say);
    if found.is_empty() {
        told(None)?;
        // Of an erasure that was completed just now nothing can be left.
        return if found.left.is_empty() && completed.is_empty() {
            Err(nothing(args, &path))
        } else {
            Ok(())
        };
    }
    if !confirmed(args, &found)? {
        return told(None);
    }
    let now_utc = super::rfc3339(SystemClock.utc_ns());
    let erased = erase::erase(&data, &found, &now_utc).map_err(advised)?;
    told(Some(&erased))?;
    match erased.kept.as_slice() {
        [] => Ok(()),
        kept => Err(anyhow!("not everything could be erased: {}", kept.join("; ")).context(Hint::new(
            "see to it that it can be removed; the next `record`, `serve` or `erase` tries again",
        ))),
    }
}

/// Nobody is known by this code.
fn nothing(args: &Args, data: &Path) -> anyhow::Error {
    anyhow!("nothing of a participant `{}` is in {}", clean(&args.participant), data.display()).context(
        Hint::new(format!(
            "nothing was erased; a code may be mistyped, capital and small letters differ: `fingerforce summary {}` says whose visits there are",
            data.join("visits/*/recording-*.h5").display()
        )),
    )
}

fn list(found: &Found, unknown: &[PathBuf], data: &Path) -> String {
    let shown = |path: &Path| clean(&path.display().to_string());
    let mut text = String::new();
    if !found.is_empty() {
        let (visits, files) = (counted(found.visits.len(), "visit"), counted(found.files, "file"));
        text += &format!("{visits} ({files}, {} bytes)\n", found.bytes);
        found.visits.iter().for_each(|visit| text += &format!("  {}\n", shown(&data.join(visit))));
        text += &format!("{} other files of the data folder made of them\n", found.derived.len());
        found.derived.iter().for_each(|file| text += &format!("  {}\n", shown(&data.join(file))));
        text += &format!("{} exports, reports and figures\n", found.exports.len());
        found.exports.iter().for_each(|export| text += &format!("  {}\n", shown(export)));
    }
    for folder in unknown {
        text += &format!("  nobody can say whose visit this is, look at it yourself: {}\n", shown(folder));
    }
    text + &remains(found, data)
}

/// What is to be done by hand afterwards.
fn remains(found: &Found, data: &Path) -> String {
    let mut text = String::new();
    for elsewhere in &found.unreachable {
        text += &format!("  out of reach, see to it yourself: {}\n", clean(elsewhere));
    }
    for file in &found.again {
        let file = clean(&data.join(file).display().to_string());
        text += &format!("  others are in it, too, make it again without this participant: {file}\n");
    }
    for file in &found.packed {
        let file = clean(&data.join(file).display().to_string());
        text += &format!("  packed, nobody can say what is in it, look at it yourself: {file}\n");
    }
    for file in &found.left {
        text += &format!("  stays, look at it yourself: {}\n", clean(file));
    }
    text
}

/// Twice: by code and word at a terminal, by the list's own word in a script.
fn confirmed(args: &Args, found: &Found) -> anyhow::Result<bool> {
    match &args.yes {
        Some(word) if *word == found.word() => return Ok(true),
        Some(_) => {
            return Err(anyhow!(
                "the list is another than the one this word was given for: nothing is erased"
            )
            .context(Hint::new(format!(
                "look at the list above; if it is right, give --yes {}",
                found.word()
            ))));
        }
        None if stderr::is_json() || !std::io::stdin().is_terminal() => {
            let word = found.word();
            if stderr::is_json() {
                tracing::warn!(
                    word,
                    "nothing is erased yet: to erase exactly this, give the word with --yes"
                );
            }
            stderr::say(&format!(
                "nothing is erased yet. To erase exactly this, run it again with --yes {word}"
            ));
            return Ok(false);
        }
        None => {}
    }
    let same = ask("This cannot be undone. Type the participant's code to go on: ")? == args.participant;
    let sure = same && ask("Type `erase` to erase all of it: ")? == "erase";
    if !sure {
        stderr::say("nothing is erased");
    }
    Ok(sure)
}

fn ask(question: &str) -> std::io::Result<String> {
    stderr::settle();
    eprint!("{question}");
    std::io::stderr().flush()?;
    let mut answer = String::new();
    std::io::stdin().lock().read_line(&mut answer)?;
    Ok(answer.trim().to_owned())
}

fn told(
    args: &Args,
    data: &Path,
    (found, unknown): (&Found, &[PathBuf]),
    erased: Option<&Erased>,
) -> anyhow::Result<()> {
    let text = if args.json {
        let told = serde_json::json!({
            "found": Found { seen: BTreeMap::new(), ..found.clone() },
            "unknown": unknown,
            "yes": (!found.is_empty() && erased.is_none()).then(|| found.word()),
            "erased": erased.is_some_and(|erased| erased.kept.is_empty()),
            "kept": erased.map(|erased| &erased.kept),
            "missed": erased.map(|erased| &erased.missed),
            "tombstone": erased.map(|erased| &erased.note),
        });
        documents::json(documents::ERASURE, &told)?
    } else {
        erased.map_or_else(String::new, |erased| {
            let done =
                if erased.kept.is_empty() { "erased; tombstone" } else { "NOT complete; what is left" };
            let mut text = format!("{done}: {}\n", erased.note.display());
            for missed in &erased.missed {
                text += &format!("  not erased: {}\n", clean(missed));
            }
            text + &remains(found, data)
        })
    };
    Ok(analysis::console::result(&text)?)
}
