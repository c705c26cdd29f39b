//! How a visit begins: a new one in a folder of its own, or one that was interrupted, in its own folder.
//!
//! Comes in: the data folder and what `record` was asked. Goes out: a journal that takes records, the core that belongs
//! to it, and the records to begin with.

use crate::clock::{Clock, SystemClock};
use crate::core::{Begun, Core};
use crate::data_folder::{self, DataFolder};
use crate::journal::{Options, Record, SystemDisk, Writer};
use crate::pipeline::setting::Setting;
use crate::recorder::Recorder;
use crate::recover::{Decision, decide, look_at_journal};
use crate::resume::{self, Continued};
use crate::shell::Start;
use crate::visit::action::Examiner;
use crate::visit::plan::Plan;
use analysis::console::{Hint, Usage, advised};
use analysis::recording::layout::INTERRUPTED;
use anyhow::anyhow;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// The program and its version.
const SOFTWARE: &str = concat!("finger-force ", env!("CARGO_PKG_VERSION"));

/// Nobody consented before to what this program does: such a year is mistyped.
const CONSENT_FIRST: jiff::civil::Date = jiff::civil::date(1990, 1, 1);

/// Whose visit it is to be.
#[derive(Debug, Clone, Default)]
pub(crate) struct Whose {
    /// Participant's code; "" none.
    pub participant: String,
    /// Examiner's code; "" none.
    pub examiner: String,
    /// Version of the consent form, and the day on which it was signed.
    pub consent: Option<(String, String)>,
    /// What else is known of the participant, in classes.
    pub about: Vec<(String, String)>,
}

fn options(keep_free_mib: u64) -> Options {
    Options { reserve_bytes: keep_free_mib.saturating_mul(1 << 20), ..Options::default() }
}

/// Begins a new visit with so many sensors.
pub(crate) fn new(
    whose: &Whose,
    plan: Option<Plan>,
    sensors: usize,
    keep_free_mib: u64,
    data: &DataFolder,
) -> anyhow::Result<Start> {
    let consent = checked(whose, plan.as_ref(), SystemClock.utc_ns())?;
    if let Some(why) = plan.as_ref().and_then(|plan| plan.needs_more_than(sensors)) {
        let why = format!("the plan's {why}, and {sensors} is recorded: name each sensor's port with --port");
        return Err(Usage(why).into());
    }
    let clock: Arc<dyn Clock> = Arc::new(SystemClock);
    let (id, anchor) = (uuid::Uuid::new_v4(), clock.anchor());
    let (folder, lock) = data.new_visit(id, anchor.utc_ns).map_err(advised)?;
    let journal = Writer::create(SystemDisk::shared(), &folder, id, SOFTWARE, options(keep_free_mib))
        .map_err(|error| {
            // Nothing begins, so nothing stays; a folder that cannot be removed is only empty.
            let _ = data_folder::discard(&**data.disk(), &folder);
            advised(error)
        })?;
    let begun = Begun {
        visit_id: id.to_string(),
        participant: whose.participant.clone(),
        examiner: whose.examiner.clone(),
        consent,
        about: whose.about.clone(),
        plan: plan.as_ref().map(Plan::to_toml).unwrap_or_default(),
        software: SOFTWARE.to_owned(),
        started_utc: super::rfc3339(anchor.utc_ns),
        utc_offset: super::utc_offset(anchor.utc_ns),
    };
    let mut first = vec![Record::Begun(serde_json::to_string(&begun)?), Record::Anchor(anchor)];
    // Before the first sample, so that all of them are of one calibration; whose sensor it is, its serial number says.
    for of in crate::sensors::calibrations(&SystemDisk, data.path()).map_err(advised)? {
        let known = crate::sensors::properties(&SystemDisk, data.path(), &of).map_err(advised)?;
        for setting in [Setting::Properties(Box::new(known)), Setting::Calibration(Box::new(of))] {
            first.push(Record::Parameters(serde_json::to_string(&setting)?));
        }
    }
    let recorder = Recorder::new(journal, Core::new(plan));
    Ok(Start { folder, lock, recorder, clock, begun, first, is_new: true })
}

/// Checks the codes, and the consent to a research plan; gives its date and version. Refused before anything is made.
pub(crate) fn checked(whose: &Whose, plan: Option<&Plan>, now_utc_ns: i64) -> anyhow::Result<String> {
    let usage = |text: String| Err(Usage(text).into());
    for (what, code) in [("participant", &whose.participant), ("examiner", &whose.examiner)] {
        analysis::code::check(what, code).map_err(|error| Usage(error.to_string()))?;
    }
    let Some((version, date)) = &whose.consent else {
        return match plan {
            Some(plan) if plan.research => usage(
                "this is a research plan: give the participant's consent with --consent-version and --consent-date"
                    .to_owned(),
            ),
            _ => Ok(String::new()),
        };
    };
    let Ok(day) = date.parse::<jiff::civil::Date>() else {
        return usage(format!("`{}` is no date: use YYYY-MM-DD", analysis::console::clean(date)));
    };
    if day > super::day(now_utc_ns) {
        return usage(format!("consent of {day} is not given yet"));
    }
    if day < CONSENT_FIRST {
        return usage(format!("consent of {day} is older than any study here: is the year right?"));
    }
    let word = |c: char| c.is_ascii_alphanumeric() || ".-_".contains(c);
    if version.is_empty() || version.len() > 32 || !version.chars().all(word) {
        return usage("--consent-version takes up to 32 letters, digits, . - and _".to_owned());
    }
    if whose.participant.is_empty() {
        return usage("consent is somebody's: give their code with --participant".to_owned());
    }
    Ok(format!("{day} version {version}"))
}

/// Goes on with an interrupted visit, on this many ports.
pub(crate) fn resumed(
    which: Option<&Path>,
    ports: usize,
    keep_free_mib: u64,
    data: &DataFolder,
) -> anyhow::Result<Start> {
    let disk = SystemDisk::shared();
    let folder = match which {
        Some(folder) => folder.canonicalize().map_err(|error| {
            anyhow!("{}: {error}", folder.display())
                .context(Hint::new("give the folder of an interrupted visit"))
        })?,
        None => the_interrupted(data)?,
    };
    let lock = data_folder::lock_visit(&*disk, &folder).map_err(advised)?;
    let why_not = |why: &str| {
        anyhow!("the visit in {} cannot be resumed: {why}", folder.display())
            .context(Hint::new(format!("fingerforced recover {}", folder.display())))
    };
    if !is_interrupted(&folder)? {
        return Err(why_not("it is finished, sealed, older than 12 h, or has no plan"));
    }
    let visit = resume::read(&disk, &folder).map_err(advised)?;
    let Some(mut visit) = visit else { return Err(why_not("the beginning of its journal is lost")) };
    if visit.core.is_finished() {
        return Err(why_not("its plan is done"));
    }
    if visit.ports > ports {
        return Err(anyhow!(
            "the visit in {} has {} sensors, {ports} are given",
            folder.display(),
            visit.ports
        )
        .context(Hint::new("name the port of each with --port, in the order of the beginning")));
    }
    let clock: Arc<dyn Clock> = Arc::new(Continued::after(&visit, Arc::new(SystemClock)));
    let mut first: Vec<Record> = visit.missing.drain(..).collect();
    let open = visit.open_ports.iter().map(|port| (*port, INTERRUPTED.to_owned()));
    first.extend(open.map(|(port, reason)| Record::Closed { port, reason }));
    first.push(Record::Action(Examiner::Resumed.to_json()));
    first.push(Record::Anchor(clock.anchor()));
    let journal = Writer::resume(disk, &folder, SOFTWARE, options(keep_free_mib)).map_err(advised)?;
    let recorder = Recorder::new(journal, visit.core);
    Ok(Start { folder, lock, recorder, clock, begun: visit.begun, first, is_new: false })
}

fn is_interrupted(folder: &Path) -> anyhow::Result<bool> {
    let disk = SystemDisk::shared();
    let sealed = !crate::seal::recordings(&*disk, folder).map_err(advised)?.is_empty();
    let (look, _) = look_at_journal(&disk, folder, SystemClock.utc_ns()).map_err(advised)?;
    Ok(!sealed && decide(&look, false) == Decision::Interrupted)
}

/// An interrupted visit waits.
pub(crate) fn interrupted(data: &Path) -> bool {
    let visits = data_folder::visits(&SystemDisk, data).unwrap_or_default();
    visits.iter().any(|folder| is_interrupted(folder).unwrap_or(false))
}

/// The one interrupted visit of a data folder.
fn the_interrupted(data: &DataFolder) -> anyhow::Result<PathBuf> {
    let visits = data_folder::visits(&SystemDisk, data.path()).map_err(advised)?;
    let mut waiting: Vec<PathBuf> =
        visits.into_iter().filter(|folder| is_interrupted(folder).unwrap_or(false)).collect();
    match (waiting.pop(), waiting.len()) {
        (Some(folder), 0) => Ok(folder),
        (None, _) => Err(anyhow!("no interrupted visit waits in {}", data.path().display())
            .context(Hint::new("a visit waits for 12 h; `fingerforced recover` seals what is older"))),
        (Some(folder), others) => {
            Err(anyhow!("{} interrupted visits wait in {}", others + 1, data.path().display())
                .context(Hint::new(format!("name one: --resume={}", folder.display()))))
        }
    }
}
