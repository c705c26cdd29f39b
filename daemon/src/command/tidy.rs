//! `fingerforced tidy`: journals go by the rule in the data folder's settings; what is overdue is listed.

use crate::check;
use crate::clock::{Clock, SystemClock};
use crate::data_folder::{self, DataFolder};
use crate::journal::SystemDisk;
use crate::seal;
use crate::settings::{self, AfterSealing};
use crate::tidy::{self, Removed};
use analysis::console::advised;
use analysis::documents;
use analysis::prose::counted;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// Remove journals by the rule in the data folder's settings.toml; list visits past the retention period
///
/// A journal goes only when its recording was read back whole just now and was made from it.
/// Visits are never erased by this: see `fingerforced erase`.
///
/// Example: fingerforced tidy --json
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
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
    let disk = SystemDisk::shared();
    let data = DataFolder::open(args.data.as_deref()).map_err(advised)?;
    let settings = settings::read(&*disk, data.path()).map_err(advised)?;
    let visits = data_folder::visits(&*disk, data.path()).map_err(advised)?;
    let now_ns = SystemClock.utc_ns();
    let removing = settings.journals.after_sealing == AfterSealing::Remove;
    let due = check::older_than(&visits, removing.then_some(settings.journals.after_days), now_ns);
    let mut removed = Vec::new();
    for folder in due {
        if let Some(note) = remove(folder, &super::rfc3339(now_ns))? {
            removed.push((folder, note));
        }
    }
    let overdue = check::older_than(&visits, settings.retention_days, now_ns);
    let text = if args.json {
        let removed: Vec<_> = removed
            .iter()
            .map(|(folder, note)| serde_json::json!({ "folder": folder, "removed": note }))
            .collect();
        documents::json(documents::TIDIED, &serde_json::json!({ "removed": removed, "overdue": overdue }))?
    } else {
        let gone = removed.iter().map(|(folder, note)| {
            let segments = counted(note.segments.len(), "segment");
            format!("{}: journal removed ({segments})\n", folder.display())
        });
        let overdue =
            overdue.iter().map(|folder| format!("{}: past the retention period\n", folder.display()));
        gone.chain(overdue).collect()
    };
    Ok(analysis::console::result(&text)?)
}

fn remove(folder: &Path, now_utc: &str) -> anyhow::Result<Option<Removed>> {
    let disk = SystemDisk::shared();
    let Ok(_lock) = data_folder::lock_visit(&*disk, folder) else { return Ok(None) };
    let Some((_, recording)) = seal::recordings(&*disk, folder).map_err(advised)?.pop() else {
        return Ok(None);
    };
    // In a child: libhdf5 may crash on a damaged file, and then nothing is verified.
    let mut child = Command::new(std::env::current_exe()?);
    let looked = child.arg("show").arg(&recording).arg("--whole").stderr(Stdio::null()).output()?;
    if !looked.status.success() {
        tracing::error!(recording = %recording.display(), "this recording is not whole: its journal stays");
        return Ok(None);
    }
    let made_from = String::from_utf8_lossy(&looked.stdout).trim().to_owned();
    let name = recording.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    tidy::remove_journal(&disk, folder, &name, &made_from, now_utc).map_err(advised)
}
