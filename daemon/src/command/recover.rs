//! `fingerforced recover`: seals what a crash left, and says exactly what was lost.

use crate::data_folder::{self, FolderError};
use crate::journal::{Damage, Disk, JournalError, SystemDisk};
use crate::recover::{Decision, Look, decide, look_at_journal, remove_leftovers};
use crate::seal::{self, SealError, Sealed};
use analysis::console::{Hint, advised, clean};
use analysis::documents;
use analysis::prose::counted;
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;

/// Seal what a crash left; say exactly what was lost
///
/// Examples:
///   fingerforced recover                 every visit of the data folder
///   fingerforced recover DATA/visits/20260302T090000Z-abcdef01
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// A data folder, a visit's folder, or a journal in one [default: the data folder]
    pub path: Option<PathBuf>,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
}

/// What came of a visit.
#[derive(Debug, Serialize)]
struct Told {
    folder: PathBuf,
    decision: Decision,
    #[serde(flatten)]
    sealed: Option<Sealed>,
    /// The recording that was there already.
    #[serde(skip_serializing_if = "Option::is_none")]
    existing: Option<PathBuf>,
    /// What is wrong with the journal of one that is lost; of one that is sealed, it is told there.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    damage: Vec<Damage>,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<String>,
}

#[derive(Serialize)]
struct Visits<'a> {
    visits: &'a [Told],
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let disk = SystemDisk::shared();
    let path = match &args.path {
        Some(path) => path.clone(),
        None => data_folder::default_path().map_err(advised)?,
    };
    let (visits, named) = which(&*disk, &path)?;
    let now_ns = crate::clock::Clock::utc_ns(&crate::clock::SystemClock);
    let told: Vec<Told> = visits.iter().map(|folder| visit(&disk, folder, named, now_ns)).collect();
    let text = if args.json {
        documents::json(documents::VISITS, &Visits { visits: &told })?
    } else if told.is_empty() {
        format!("there is no visit in {}\n", path.display())
    } else {
        told.iter().map(words).collect()
    };
    analysis::console::result(&text)?;
    let failed = told.iter().filter(|told| told.error.is_some()).count();
    let all = counted(told.len(), "visit");
    anyhow::ensure!(failed == 0, "of {all} {failed} could not be sealed, or cannot be read any more");
    Ok(())
}

/// The visits a path names, and whether it names one itself.
fn which(disk: &dyn Disk, path: &Path) -> anyhow::Result<(Vec<PathBuf>, bool)> {
    let names_journal = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with("journal-"));
    let folder = if names_journal { path.parent().unwrap_or(path) } else { path };
    anyhow::ensure!(
        folder.is_dir(),
        anyhow::anyhow!("there is no folder {}", folder.display())
            .context(Hint::new("give a data folder, or a visit's folder in its `visits`"))
    );
    if folder.join("visits").is_dir() {
        return Ok((data_folder::visits(disk, folder).map_err(advised)?, false));
    }
    // A kill may come between a visit's folder and its journal.
    let is_visit = folder.parent().is_some_and(|above| above.ends_with("visits"));
    let holds_visit = is_visit
        || !crate::journal::segments(disk, folder).map_err(advised)?.is_empty()
        || !seal::recordings(disk, folder).map_err(advised)?.is_empty()
        || crate::tidy::removed(disk, folder).map_err(advised)?.is_some();
    if !holds_visit {
        return Err(advised(JournalError::NoJournal { folder: folder.to_owned() }));
    }
    Ok((vec![folder.to_owned()], true))
}

fn visit(disk: &Arc<dyn Disk>, folder: &Path, named: bool, now_ns: i64) -> Told {
    let told = |decision| Told {
        folder: folder.to_owned(),
        decision,
        sealed: None,
        existing: None,
        damage: Vec::new(),
        error: None,
    };
    let failed = |decision, error: anyhow::Error| Told {
        error: Some(analysis::console::describe(&error)),
        ..told(decision)
    };
    let _lock = match data_folder::lock_visit(&**disk, folder) {
        Ok(lock) => lock,
        Err(FolderError::InUse { .. }) => return told(Decision::InUse),
        Err(error) => return failed(Decision::Nothing, advised(error)),
    };
    let (look, damage) = match look(disk, folder, now_ns) {
        Ok(look) => look,
        Err(error) => return failed(Decision::Seal, error),
    };
    let decision = decide(&look, named);
    if decision == Decision::Sealed {
        // A correction may have been cut off, too.
        let caught_up = remove_leftovers(&**disk, folder).map_err(advised);
        if let Err(error) = caught_up.and_then(|()| super::correct::catch_up(folder)) {
            return failed(decision, error);
        }
    }
    if decision == Decision::Lost {
        let existing = look.recording.map(|(path, _)| path);
        let error = lost(&**disk, folder, existing.as_deref());
        return Told { existing, damage, ..failed(decision, error) };
    }
    if !matches!(decision, Decision::Seal | Decision::SealAgain) {
        return Told { existing: look.recording.map(|(path, _)| path), ..told(decision) };
    }
    let sealed = remove_leftovers(&**disk, folder)
        .map_err(advised)
        .and_then(|()| seal::seal(disk, folder).map_err(seal_advised))
        .and_then(|sealed| super::correct::catch_up(folder).map(|_| sealed));
    match sealed {
        Ok(sealed) => Told { sealed: Some(sealed), ..told(decision) },
        Err(error) => failed(decision, error),
    }
}

fn seal_advised(error: SealError) -> anyhow::Error {
    match error {
        SealError::Journal(error) => advised(error),
        SealError::Write(error) => advised(error),
        empty @ SealError::Empty(_) => anyhow::Error::new(empty),
    }
}

/// That a visit cannot be had any more, why, and where another may be.
fn lost(disk: &dyn Disk, folder: &Path, recording: Option<&Path>) -> anyhow::Error {
    let removed = crate::tidy::removed(disk, folder).ok().flatten();
    if recording.is_none() && removed.is_none() {
        return anyhow::anyhow!("no record of its journal can be read, and there is no recording")
            .context(Hint::new("look for a copy of the folder; nothing in it was changed"));
    }
    let name = match (recording.and_then(Path::file_name), &removed) {
        (Some(name), _) => name.to_string_lossy().into_owned(),
        (None, Some(removed)) => removed.recording.clone(),
        (None, None) => "the recording".to_owned(),
    };
    let how = if recording.is_some() { "damaged" } else { "gone" };
    let journal = match removed {
        Some(removed) => format!("its journal was removed on {}", removed.when_utc.get(..10).unwrap_or("?")),
        None => "there is no journal that can be read".to_owned(),
    };
    let earlier = seal::recordings(disk, folder).unwrap_or_default();
    let earlier = earlier.iter().rev().map(|(_, path)| path).find(|path| Some(&***path) != recording);
    let earlier = earlier.map_or(String::new(), |path| {
        format!("; before it there was {}: see whether that one is whole", path.display())
    });
    anyhow::anyhow!("{name} is {how}, and {journal}: it cannot be made again")
        .context(Hint::new(format!("bring it back from a copy{earlier}")))
}

fn look(disk: &Arc<dyn Disk>, folder: &Path, now_ns: i64) -> anyhow::Result<(Look, Vec<Damage>)> {
    let (mut look, damage) = look_at_journal(disk, folder, now_ns).map_err(advised)?;
    if let Some((_, path)) = seal::recordings(&**disk, folder).map_err(advised)?.pop() {
        let whole = is_whole(disk, folder, &path, !damage.is_empty());
        look.recording = Some((path, whole));
    }
    Ok((look, damage))
}

/// The recording reads back whole, and was made from the journal beside it. A journal that was damaged since is no
/// reason to make a poorer recording of it.
fn is_whole(disk: &Arc<dyn Disk>, folder: &Path, path: &Path, damaged_journal: bool) -> bool {
    // libhdf5 may crash on a damaged file: a child of its own looks.
    let Ok(program) = std::env::current_exe() else { return false };
    let looked = Command::new(program).arg("show").arg(path).arg("--whole").stderr(Stdio::null()).output();
    let Some(looked) = looked.ok().filter(|output| output.status.success()) else { return false };
    let made_from = String::from_utf8_lossy(&looked.stdout).trim().to_owned();
    // One that was verified and then removed, or is being removed.
    let removed = crate::tidy::removed(&**disk, folder).ok().flatten();
    removed.is_some_and(|removed| removed.journal_sha256 == made_from)
        || damaged_journal
        || crate::journal::read::sha256(&**disk, folder).map_or(true, |current| current == made_from)
}

fn words(told: &Told) -> String {
    let folder = clean(&told.folder.display().to_string());
    if let Some(error) = &told.error {
        let how = if told.decision == Decision::Lost { "lost" } else { "not sealed" };
        return format!("{folder}: {how}\n  {error}\n{}", damage_words(&told.damage));
    }
    let existing = told.existing.as_ref().map_or(String::new(), |path| clean(&path.display().to_string()));
    match (told.decision, &told.sealed) {
        (_, Some(sealed)) => sealed_words(sealed),
        (Decision::InUse, _) => format!("{folder}: in use, left alone\n"),
        (Decision::Sealed, _) => format!("{existing}: sealed already, and whole\n"),
        (Decision::Interrupted, _) => {
            format!(
                "{folder}: interrupted less than 12 h ago, waits: go on with `record --resume`; to seal it now, name it\n"
            )
        }
        _ => format!("{folder}: no record was written, nothing to seal\n"),
    }
}

fn sealed_words(sealed: &Sealed) -> String {
    let mut text = format!(
        "recording: {}\n  {} samples, {} trials and holds\n",
        clean(&sealed.recording.display().to_string()),
        sealed.samples,
        sealed.trials
    );
    text += &match (sealed.missing_samples, sealed.unknown_gaps) {
        (0, 0) => "  no sample is missing\n".to_owned(),
        (missing, 0) => format!("  {missing} samples are missing; /sensors/<k>/gaps says where and why\n"),
        (missing, gaps) => format!("  {missing} samples are missing, and {gaps} gaps of unknown length\n"),
    };
    match &sealed.finished {
        Some(reason) => text += &format!("  ended: {}\n", clean(reason)),
        None => {
            text += "  cut off: the recording program ended without finishing; everything it had written is here\n"
        }
    }
    text + &damage_words(&sealed.damage)
}

fn damage_words(damage: &[Damage]) -> String {
    damage.iter().map(|damage| format!("  damage: {}\n", clean(&damage.to_string()))).collect()
}

/// Seals visits that were left, each in a child: libhdf5 never runs where somebody measures. Only those without a
/// recording are looked at; `recover` looks at all. That one waits is told, unless somebody is `resuming` it.
pub(crate) fn seal_abandoned(data: &Path, now_ns: i64, resuming: bool) -> anyhow::Result<()> {
    let disk = SystemDisk::shared();
    for folder in data_folder::visits(&*disk, data).map_err(advised)? {
        let Ok(lock) = data_folder::lock_visit(&*disk, &folder) else { continue };
        let sealed = seal::recordings(&*disk, &folder).is_ok_and(|recordings| !recordings.is_empty());
        let looked = if sealed {
            Ok(Look::default())
        } else {
            look_at_journal(&disk, &folder, now_ns).map(|(look, _)| look)
        };
        drop(lock);
        match looked.map(|look| (decide(&look, false), look.removed)) {
            Ok((Decision::Seal, _)) => seal_in_child(&folder)?,
            Ok((Decision::Interrupted, _)) if !resuming => {
                tracing::warn!(visit = %folder.display(), "an interrupted visit waits: `fingerforced record --resume` goes on with it, `fingerforced recover` with its folder seals it");
            }
            Ok((Decision::Lost, true)) => {
                tracing::error!(visit = %folder.display(), "this visit's recording is gone, and its journal was removed: bring it back from a copy");
            }
            Ok((Decision::Lost, false)) => {
                tracing::error!(visit = %folder.display(), "no record of this visit's journal can be read: `fingerforced recover` says why; look for a copy");
            }
            Ok(_) => {}
            Err(error) => {
                tracing::error!(visit = %folder.display(), %error, "this visit's journal cannot be read")
            }
        }
    }
    Ok(())
}

/// Seals a visit in a child, and says what came of it.
fn seal_in_child(folder: &Path) -> anyhow::Result<()> {
    let visit = folder.display();
    tracing::info!(%visit, "sealing a visit that was left unsealed");
    let mut child = Command::new(std::env::current_exe()?);
    let output = child.arg("recover").arg(folder).arg("--json").stderr(Stdio::inherit()).output()?;
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
    let told = &told["visits"][0];
    match serde_json::from_value::<Sealed>(told.clone()) {
        Ok(sealed) if output.status.success() => {
            let Sealed { samples, missing_samples, unknown_gaps, damage, .. } = sealed;
            // Where a visit was cut off, what came last is a gap that nobody knows the length of.
            if missing_samples == 0 && damage.is_empty() {
                tracing::warn!(%visit, samples, missing_samples, unknown_gaps, "a visit that was left unsealed is sealed now");
            } else {
                let damage: Vec<String> = damage.iter().map(Damage::to_string).collect();
                let damage = damage.join("; ");
                tracing::error!(%visit, samples, missing_samples, unknown_gaps, damage, "a visit that was left unsealed is sealed now, and not complete");
            }
        }
        _ => {
            let error = told["error"].as_str().unwrap_or("the child that seals said nothing");
            tracing::error!(%visit, error, "this visit could not be sealed; its journal is kept");
        }
    }
    Ok(())
}
