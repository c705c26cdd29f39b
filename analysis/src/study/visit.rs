//! A visit as others are compared with it: who, when, and each item's trials with their conditions and settings.
//!
//! Comes in: a recording. Goes out: plain values (forces N).
use super::conditions::{Conditions, GAP_MM, LEVER_MM, Vouched, common};
use crate::holds::Parameters;
use crate::measures::repeats::{self, Item, SCORED, Spread};
use crate::recording::later;
use crate::recording::layout::{EventRow, TrialRow};
use crate::recording::read::{ReadError, Recording};
use crate::recording::replay::replay;
use crate::trial::{Muscle, Test};
use serde::Deserialize;
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};

/// One visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Visit {
    /// Its recording.
    pub file: PathBuf,
    /// UUID.
    pub visit_id: String,
    /// Which of its recordings it was read from, from 1.
    pub revision: i64,
    /// Which later recording beside it replaces it, where one does ([`later::replaced`]).
    pub replaced: Option<String>,
    /// Participant's code.
    pub participant: String,
    /// Examiner's code.
    pub examiner: String,
    /// When it began (RFC 3339).
    pub started_utc: String,
    /// Name and version of the program that measured the holds.
    pub software: String,
    /// What the participant belongs to, as recorded: `condition`.
    pub population: String,
    /// The items that its plan named as primary: muscle key and test.
    pub primary: Vec<(String, String)>,
    /// Its items, in the plan's order.
    pub items: Vec<Measured>,
}

/// An item as measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Its trials and what they come to.
    pub item: Item,
    /// The conditions, without the examiner's: that is a matter of two visits.
    pub conditions: Conditions,
    /// The finder's parameters, where the recording has them.
    pub parameters: Option<Parameters>,
    /// The rows of its trials.
    rows: Vec<TrialRow>,
}

impl Visit {
    /// Reads a visit from its recording.
    pub fn read(path: &Path) -> Result<Visit, ReadError> {
        Visit::of(&Recording::open(path)?, path)
    }

    /// The visit of a recording that is open.
    pub fn of(recording: &Recording, path: &Path) -> Result<Visit, ReadError> {
        let root = recording.root().clone();
        let field = |name: &str| {
            let found = root.participant_fields.iter().find(|(key, _)| key == name);
            found.map_or_else(String::new, |(_, value)| value.clone())
        };
        let (rows, events) = (recording.trials()?, recording.events()?);
        let population = field("condition");
        let items = repeats::items(&rows).into_iter().map(|item| measured(item, &rows, &events, &population));
        Ok(Visit {
            file: path.to_owned(),
            replaced: later::replaced(path, &root),
            items: items.collect(),
            primary: crate::recording::plan::primary(&root.plan),
            population,
            visit_id: root.visit_id,
            revision: root.revision,
            participant: root.participant,
            examiner: root.examiner,
            started_utc: root.started_utc,
            software: root.software,
        })
    }

    /// The item of a muscle (with its side) and a test.
    pub fn find(&self, muscle: &str, test: &str) -> Option<&Measured> {
        self.items.iter().find(|of| of.item.muscle == muscle && of.item.test == test)
    }
}

/// Why a visit's recording does not count beside the others: a later one of the same visit does, or it was given before.
/// For each, `None` where it counts.
pub fn stand_ins(visits: &[&Visit]) -> Vec<Option<String>> {
    let same = |a: &Visit, b: &Visit| !a.visit_id.is_empty() && a.visit_id == b.visit_id;
    let of = |(at, visit): (usize, &&Visit)| {
        let before = visits[..at].iter().filter(|other| other.revision == visit.revision);
        let later = visits.iter().filter(|other| other.revision > visit.revision);
        let mut instead = before.chain(later).filter(|other| same(other, visit));
        let instead = instead.next()?;
        let why = if instead.revision > visit.revision {
            "a later recording of its visit counts"
        } else {
            "given twice"
        };
        Some(format!("{}: {why} ({})", visit.file.display(), instead.file.display()))
    };
    visits.iter().enumerate().map(of).collect()
}

/// The visits that count, and why others do not: see [`stand_ins`].
pub fn counting(visits: Vec<Visit>) -> (Vec<Visit>, Vec<String>) {
    let instead = stand_ins(&visits.iter().collect::<Vec<_>>());
    let (mut kept, mut left_out) = (Vec::new(), Vec::new());
    for (visit, instead) in visits.into_iter().zip(instead) {
        match instead {
            Some(why) => left_out.push(why),
            None => kept.push(visit),
        }
    }
    (kept, left_out)
}

fn measured(item: Item, rows: &[TrialRow], events: &[EventRow], population: &str) -> Measured {
    let rows: Vec<TrialRow> = rows.iter().filter(|row| row.item == item.item).cloned().collect();
    let used = |row: &&TrialRow| item.trials.iter().any(|trial| trial.order == row.order && trial.used);
    let counted: Vec<&TrialRow> = rows.iter().filter(used).collect();
    let parameters = counted.first().and_then(|row| parameters_of(events, row));
    let conditions = Conditions {
        muscle: item.muscle.parse::<Muscle>().map_or_else(|_| item.muscle.clone(), Muscle::without_side),
        test: item.test.clone(),
        arrangement: common(counted.iter().map(|row| row.arrangement.as_str())),
        reaction: common(counted.iter().map(|row| row.reaction.as_str())),
        coupling: common(counted.iter().map(|row| row.coupling.as_str())),
        position: common(counted.iter().map(|row| row.position.as_str())),
        lever_mm: near(&counted, |row| row.lever_mm, LEVER_MM),
        gap_mm: near(&counted, |row| row.gap_mm, GAP_MM),
        trials: Some(item.spread.trials_used).filter(|trials| *trials > 0),
        profile: parameters.as_ref().map_or_else(String::new, |p| p.profile.word().to_owned()),
        population: population.to_owned(),
        examiner: String::new(),
    };
    Measured { item, conditions, parameters, rows }
}

/// The mean of a length, mm, that varies little among the trials; `None` where it varies more, or one is not known.
fn near(rows: &[&TrialRow], of: impl Fn(&TrialRow) -> f64, apart_mm: f64) -> Option<f64> {
    let values: Option<Vec<f64>> = rows.iter().map(|row| repeats::known(of(row))).collect();
    let values = values.filter(|values| !values.is_empty())?;
    let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
    (high - low <= apart_mm).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

#[derive(Deserialize)]
struct Setting {
    setting: String,
    channel: i64,
    parameters: Parameters,
}

/// The finder's parameters in force when a trial's hold began.
fn parameters_of(events: &[EventRow], row: &TrialRow) -> Option<Parameters> {
    let ours = events.iter().filter(|event| event.sensor == row.sensor && event.sample <= row.first_sample);
    let mut settings = ours.filter_map(|event| serde_json::from_str::<Setting>(&event.detail).ok());
    settings
        .rfind(|setting| setting.setting == "finder" && setting.channel == row.channel)
        .map(|setting| setting.parameters)
}

/// Why a concentric test's force tells nothing of the person alone.
pub(super) const CONCENTRIC: &str =
    "in a concentric test the force is the examiner's as much as the person's";

impl Measured {
    /// Its test is a concentric one.
    pub(super) fn is_concentric(&self) -> bool {
        self.item.test == Test::Concentric.word()
    }

    /// It has fewer trials than a result is made of: how many, in words.
    pub(super) fn too_few_trials(&self) -> Option<String> {
        let used = self.item.spread.trials_used;
        (used < SCORED).then(|| format!("{used} of the {SCORED} trials"))
    }

    /// What forbids holding this result against another of the same person: conditions that differ or are not known to
    /// match. The examiner is a matter of the limit, the population the person's, the number of trials one of each result.
    pub(super) fn unlike(&self, other: &Measured, vouched: &Vouched) -> Vec<String> {
        let mut own = vouched.clone();
        own.0.extend(["examiner", "population", "trials"].map(str::to_owned));
        let bare =
            |of: &Measured| Conditions { population: String::new(), trials: None, ..of.conditions.clone() };
        bare(self).differences(&bare(other), &own)
    }

    /// Digest of the settings that are the same for everybody: the parameters without what is set for the person
    /// (contact ceiling, expected maximum). Equal digests: the same analysis. `None` where none are recorded.
    pub fn settings(&self) -> Option<String> {
        let mut common = self.parameters.clone()?;
        (common.contact_ceiling_n, common.expected_maximum_n) = (None, None);
        let text = serde_json::to_string(&common).ok()?;
        Some(Sha256::digest(text.as_bytes()).iter().take(6).map(|byte| format!("{byte:02x}")).collect())
    }

    /// The peaks (N) behind the result.
    pub fn peaks_n(&self) -> Vec<f64> {
        self.item.trials.iter().filter(|trial| trial.used).filter_map(|trial| trial.peak_zero_n).collect()
    }

    /// The peaks (N) behind the result as this program measures them now, each with its trial's order, with these parameters
    /// but for what was set for the person; the reason where a hold is not found again.
    pub fn measured_again(&self, file: &Path, parameters: &Parameters) -> Result<Peaks, Again> {
        // It was held against its digest when the visit was read.
        let recording = Recording::open_unverified(file)?;
        // What is a fact of the visit stays: the zero, and what was expected of this person.
        let adjust = |in_force: &mut Parameters| {
            *in_force = Parameters {
                contact_ceiling_n: in_force.contact_ceiling_n,
                expected_maximum_n: in_force.expected_maximum_n,
                zero_known: in_force.zero_known,
                ..parameters.clone()
            };
        };
        let used =
            |row: &&TrialRow| self.item.trials.iter().any(|trial| trial.order == row.order && trial.used);
        let mut peaks = Vec::new();
        for row in self.rows.iter().filter(used) {
            let place = |value: i64| usize::try_from(value).unwrap_or(0);
            let holds = replay(&recording, place(row.sensor), place(row.channel), &adjust)?;
            let again = holds.iter().find(|placed| {
                placed.segment == row.segment
                    && placed.hold.onset_s < row.end_s
                    && placed.hold.end_s.is_none_or(|end_s| end_s > row.onset_s)
            });
            peaks.push((row.order, again.ok_or(Again::Lost(row.order))?.hold.peak_zero_n));
        }
        Ok(Peaks(peaks))
    }
}

/// The peaks behind a result, measured again: each trial's order in the visit, and its peak, N.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Peaks(pub Vec<(i64, f64)>);

impl Peaks {
    /// Their mean, N.
    pub fn mean_n(&self) -> Option<f64> {
        Spread::of(&self.0.iter().map(|(_, peak_n)| *peak_n).collect::<Vec<_>>()).mean_of_peaks_n
    }
}

/// What forbids holding a person's result at one visit against that at another, besides the number of trials.
pub(super) fn unlike_visits(
    (first, then): (&Visit, &Measured),
    (visit, now): (&Visit, &Measured),
    vouched: &Vouched,
) -> Vec<String> {
    let mut found = then.unlike(now, vouched);
    if first.population != visit.population {
        let word = |of: &Visit| match of.population.as_str() {
            "" => "not recorded".to_owned(),
            population => population.to_owned(),
        };
        found.push(format!("population differs: {} and {}", word(first), word(visit)));
    }
    found
}

/// Why an item could not be measured again.
#[derive(Debug, thiserror::Error)]
pub enum Again {
    /// Its recording could not be read.
    #[error(transparent)]
    Read(#[from] ReadError),
    /// A hold was not found again.
    #[error("the hold of trial {0} of the visit is not found with them")]
    Lost(i64),
}
