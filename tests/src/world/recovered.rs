//! What recovery makes of a folder: the daemon's own decision and both passes of sealing, without the file at the end.

use super::run::{FOLDER, Run};
use super::script::Damage;
use daemon::journal::simulated_disk::SimulatedDisk;
use daemon::journal::{self, Record, Stamped};
use daemon::pipeline::Block;
use daemon::recover::{Decision, decide, look_at_journal, remove_leftovers};
use daemon::seal::survey::Survey;
use daemon::seal::{each_block, look_through};
use std::path::Path;

/// A journal, recovered.
pub struct Recovered {
    /// The journal's records, as far as they can be read.
    pub records: Vec<Stamped>,
    /// What is wrong with it.
    pub damage: Vec<journal::Damage>,
    /// Everything but the samples.
    pub survey: Survey,
    /// The samples, with their host times (s).
    pub blocks: Vec<(Block, Vec<f64>)>,
}

impl Recovered {
    /// Records are missing in the middle or at the beginning.
    pub fn has_holes(&self) -> bool {
        self.damage.iter().any(|damage| matches!(damage, journal::Damage::Lost { .. }))
    }

    /// All bytes from ports in some records.
    pub fn bytes(records: &[Stamped]) -> Vec<u8> {
        let bytes = records.iter().filter_map(|stamped| match &stamped.record {
            Record::Bytes { bytes, .. } => Some(bytes.as_slice()),
            _ => None,
        });
        bytes.collect::<Vec<_>>().concat()
    }
}

/// Recovers; `None` where no record is left.
///
/// # Errors
/// What recovery said.
pub fn recover(run: &Run) -> Result<Option<Recovered>, String> {
    let (disk, folder) = (run.disk.shared(), Path::new(FOLDER));
    let (look, _) = look_at_journal(&disk, folder, run.utc_ns).map_err(|error| error.to_string())?;
    match decide(&look, true) {
        Decision::Nothing | Decision::Lost => return Ok(None),
        Decision::Seal => {}
        other => return Err(format!("recovery decides {other:?} about a visit that was named")),
    }
    remove_leftovers(&*disk, folder).map_err(|error| error.to_string())?;
    let (records, _) = journal::read::read_all(disk, folder).map_err(|error| error.to_string())?;
    let (survey, damage, blocks) = seal(&run.disk)?;
    Ok(Some(Recovered { records, damage, survey, blocks }))
}

/// What both passes of sealing give.
pub type Sealed = (Survey, Vec<journal::Damage>, Vec<(Block, Vec<f64>)>);

/// Both passes of sealing.
///
/// # Errors
/// What sealing said.
pub fn seal(disk: &SimulatedDisk) -> Result<Sealed, String> {
    let (disk, folder) = (disk.shared(), Path::new(FOLDER));
    let (survey, damage) = look_through(&disk, folder).map_err(|error| error.to_string())?;
    let survey = survey.ok_or("there are records, but sealing finds none")?;
    let mut blocks = Vec::new();
    let each = |block: &Block, time_s: &[f64]| {
        blocks.push((block.clone(), time_s.to_vec()));
        Ok(())
    };
    each_block(&disk, folder, &survey, each).map_err(|error| error.to_string())?;
    Ok((survey, damage, blocks))
}

/// Does to the journal's files what the script says.
pub fn damage(run: &Run, damage: Damage) {
    let (disk, folder) = (run.disk.shared(), Path::new(FOLDER));
    let Ok(segments) = journal::segments(&*disk, folder) else { return };
    let (Damage::Missing(which) | Damage::Cut(which, _) | Damage::Changed(which, _, _)) = damage;
    let Some((_, path)) = segments.get(usize::from(which) * segments.len() / 256) else { return };
    let place = |share: u16, bytes: &[u8]| usize::from(share) * bytes.len() / 65_536;
    match damage {
        // The last segment's absence cannot be seen by anybody; then it is as if the power had gone before.
        Damage::Missing(_) => {
            let _ = disk.remove(path);
        }
        Damage::Cut(_, share) => {
            run.disk.edit(path, |bytes| bytes.truncate(place(share, bytes)));
        }
        Damage::Changed(_, share, by) => {
            run.disk.edit(path, |bytes| {
                let at = place(share, bytes);
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= by;
                }
            });
        }
    }
}
