//! How repeatable a measurement is: everything that is said of one table, in one value.
//!
//! Comes in: a table. Goes out: a [`Reliability`], or the reason why there is none. As JSON it is what a comparison takes
//! its limits from.
//!
//! ```
//! use analysis::study::{reliability, table::Table};
//! let text = b"subject,first,second\nA,20,21\nB,30,29\nC,25,27\nD,15,15\n";
//! let table = Table::parse(text, None, "left index abduction, make").map_err(|(what, _)| what)?;
//! let of = reliability::of(&table, 0.2)?;
//! // Differences 1, -1, 2, 0: their variance is 5/3, so the error's mean square is 5/6.
//! let sem = of.consistency.ok_or("no SEM")?;
//! assert!((sem.sem.value - (5.0_f64 / 6.0).sqrt()).abs() < 1e-12);
//! assert!((sem.mdc95.value - 1.959964 * 2.0_f64.sqrt() * sem.sem.value).abs() < 1e-5);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
use super::conditions::Conditions;
use super::errors::StudyError;
use super::series::By;
use super::table::Table;
use crate::prose::p_value;
use crate::statistics::agreement::{BlandAltman, cv_within_percent, logs_grow};
use crate::statistics::anova::{OneWay, Refusal, TwoWay};
use crate::statistics::icc::{self, Icc};
use crate::statistics::planning::{self, Averaged};
use crate::statistics::quantiles::f_tail;
use crate::statistics::sem::{self, Sem};
use crate::statistics::trend::{Trend, trend};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// `kind` of the JSON document.
pub const KIND: &str = "finger-force reliability";
/// Its version.
pub const VERSION: u32 = 1;
/// Participants below which a study's intervals are called wide (Koo & Li 2016, J. Chiropr. Med. 15:155–163, advise 30).
pub const MANY: usize = 30;
/// Confidence level throughout.
pub const LEVEL: f64 = 0.95;
/// Trials averaged, up to which SEM and MDC are foretold.
const FORETOLD_TRIALS: usize = 6;

/// The mean squares, as shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct MeanSquares {
    /// Between subjects.
    pub subjects: f64,
    /// Between occasions.
    pub occasions: f64,
    /// Residual.
    pub error: f64,
    /// Within subjects.
    pub within: f64,
    /// F of the occasions against the residual; `None` without residual spread.
    pub occasions_f: Option<f64>,
    /// Its p: whether the occasions differ.
    pub occasions_p: Option<f64>,
}

impl MeanSquares {
    /// Chance that occasions without a shift differ so much. Without residual spread there is no F, and any difference of
    /// theirs is a shift.
    fn chance_of_the_shift(&self) -> f64 {
        let shifted = self.error == 0.0 && self.occasions > 0.0;
        self.occasions_p.unwrap_or(if shifted { 0.0 } else { 1.0 })
    }
}

impl MeanSquares {
    /// Of a complete table.
    pub fn of(two_way: &TwoWay) -> MeanSquares {
        let occasions_f = Some(two_way.ms_occasions / two_way.ms_error).filter(|f| f.is_finite());
        MeanSquares {
            subjects: two_way.ms_subjects,
            occasions: two_way.ms_occasions,
            error: two_way.ms_error,
            within: two_way.ms_within(),
            occasions_f,
            occasions_p: occasions_f.and_then(|f| f_tail(f, two_way.df_occasions(), two_way.df_error())),
        }
    }
}

/// Two occasions held against each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Name of the earlier occasion (or first rater).
    pub earlier: String,
    /// Name of the later.
    pub later: String,
    /// Their values, subject by subject: those of the plot.
    pub values: Vec<(f64, f64)>,
    /// Bias and limits.
    #[serde(flatten)]
    pub of: BlandAltman,
}

impl Pair {
    /// Why the limits are differences and not ratios although differences grow with the mean.
    pub fn why_no_ratio(&self) -> &'static str {
        let positive = self.values.iter().all(|(a, b)| *a > 0.0 && *b > 0.0);
        if positive { "ratios do not hold for all values either" } else { "a value is not above zero" }
    }
}

/// Participants needed for a wanted width of the ICC's interval.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Planned {
    /// ICC expected: ICC(3,1) of this table, or as given.
    pub icc: f64,
    /// Width wanted.
    pub width: f64,
    /// Values each.
    pub repeats: usize,
    /// Participants needed so that the interval is expected to be that wide: about half of such studies find a wider one.
    pub participants: usize,
    /// Lower end of the ICC's interval; `None` where there is none above 0.
    #[serde(default)]
    pub icc_low: Option<f64>,
    /// Participants needed were the ICC no higher than that.
    #[serde(default)]
    pub participants_low: Option<usize>,
}

/// A standard error of measurement and its detectable changes as shares of the mean, %.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shares {
    /// The standard error of measurement.
    pub sem: sem::Estimate,
    /// Minimal detectable change at 90 %.
    pub mdc90: sem::Estimate,
    /// Minimal detectable change at 95 %.
    pub mdc95: sem::Estimate,
}

impl Shares {
    fn of(of: &Sem, mean: f64) -> Option<Shares> {
        let share = |of: &sem::Estimate| percent_of(of, mean);
        Some(Shares { sem: share(&of.sem)?, mdc90: share(&of.mdc90)?, mdc95: share(&of.mdc95)? })
    }
}

/// An estimate and its interval as shares of a mean, %; `None` where the mean is not above zero.
pub fn percent_of(of: &sem::Estimate, mean: f64) -> Option<sem::Estimate> {
    (mean > 0.0).then(|| of.times(100.0 / mean))
}

/// An estimate of logarithms as a ratio's distance from 1, %.
pub fn of_ratios(of: &sem::Estimate) -> sem::Estimate {
    let percent = |of: f64| 100.0 * libm::expm1(of);
    sem::Estimate { value: percent(of.value), low: of.low.map(percent), high: of.high.map(percent) }
}

/// The repeatability of one quantity.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reliability {
    /// What was measured.
    pub name: String,
    /// Unit of the values; empty where not known.
    pub unit: String,
    /// Names of the occasions or raters.
    pub occasions: Vec<String>,
    /// Subjects with every value: the ones that count.
    pub subjects: usize,
    /// Occasions.
    pub k: usize,
    /// Who was left out, and why.
    pub left_out: Vec<String>,
    /// Conditions of the values.
    pub conditions: Conditions,
    /// Who measured: the examiners' codes, where known.
    #[serde(default)]
    pub examiners: Vec<String>,
    /// Median time between a subject's occasions that follow each other, days, where known.
    #[serde(default)]
    pub apart_days: Option<f64>,
    /// Mean of all values.
    pub mean: f64,
    /// Mean squares of the two-way analysis of variance.
    pub mean_squares: MeanSquares,
    /// The six forms.
    pub icc: Vec<Icc>,
    /// SEM and MDC, consistency: √MS error.
    pub consistency: Option<Sem>,
    /// SEM and MDC, agreement: √(σ² occasions + MS error).
    pub agreement: Option<Sem>,
    /// The same of the logarithms, where differences grow with the mean and those of the logarithms do not.
    pub consistency_of_logs: Option<Sem>,
    /// The same, agreement.
    pub agreement_of_logs: Option<Sem>,
    /// The first two and their changes as shares of the mean of all values (taken as known), %; `None` where it is not above
    /// zero.
    #[serde(default)]
    pub consistency_percent: Option<Shares>,
    /// The same of agreement.
    #[serde(default)]
    pub agreement_percent: Option<Shares>,
    /// SEM from every value there is, incomplete subjects included: √MS within, one-way.
    pub sem_all_values: Option<Sem>,
    /// CV within subjects, %.
    pub cv_within_percent: Option<sem::Estimate>,
    /// Drift over occasions.
    pub trend_over_occasions: Option<Trend>,
    /// Drift over the trials of an occasion, where they are known.
    pub trend_over_trials: Option<Trend>,
    /// The first occasion against each other one.
    pub pairs: Vec<Pair>,
    /// Participants that the next study needs.
    pub planned: Vec<Planned>,
    /// SEM and MDC95 (consistency) by number of trials averaged, where the trials are known.
    pub averaging: Option<Vec<Averaged>>,
    /// The complete rows, a subject each: those of the plot.
    pub values: Vec<Vec<f64>>,
    /// The visit (UUID) behind each of these values; empty for a table given as such.
    #[serde(default)]
    pub visits: Vec<Vec<String>>,
    /// What a reader must know.
    pub notes: Vec<String>,
}

/// The document that `reliability --json` prints and `compare` reads.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Document {
    /// [`KIND`].
    pub kind: String,
    /// [`VERSION`].
    pub version: u32,
    /// Program and version.
    pub software: String,
    /// What the columns are; `None` for a table given as such.
    pub by: Option<By>,
    /// An analysis a quantity.
    pub analyses: Vec<Reliability>,
    /// Quantities without one, and why.
    pub refused: Vec<String>,
    /// Recordings that another one of the same visit stands for.
    #[serde(default)]
    pub left_out: Vec<String>,
    /// What the results are for, and what not.
    pub cautions: String,
}

/// From so many occasions on their own spread can be told.
const OCCASIONS: usize = 6;
/// Chance at which data without any shift between occasions are said to have one, of all analyses together.
const SHIFT_ALPHA: f64 = 0.05;

impl Document {
    /// The analysis whose occasions differ most, where that is more than chance (F test, Bonferroni over all analyses) and
    /// there are too few occasions to tell how far occasions go apart. Then the SEM (agreement) of every analysis is that of
    /// the few occasions there happened to be: the shift that a person's next visit meets may be far greater.
    pub fn shifted(&self) -> Option<&Reliability> {
        let few = self.analyses.iter().filter(|of| of.k < OCCASIONS);
        let p = |of: &Reliability| of.mean_squares.chance_of_the_shift();
        let most = few.min_by(|a, b| p(a).total_cmp(&p(b)))?;
        (p(most) * self.analyses.len() as f64 <= SHIFT_ALPHA).then_some(most)
    }

    /// Reads a document back from its JSON.
    pub fn read(path: &Path) -> Result<Document, StudyError> {
        if crate::recording::open::is_hdf5(path).unwrap_or(false) {
            return Err(StudyError::Contents {
                path: path.to_owned(),
                what: "that is a recording, and not the results of a reliability study".to_owned(),
                hint: "make them from recordings of several participants: `fingerforce reliability RECORDINGS --json > \
                       reliability.json`, and give reliability.json"
                    .to_owned(),
            });
        }
        let text = std::fs::read_to_string(path)
            .map_err(|source| StudyError::Read { path: path.to_owned(), source })?;
        let refused = |what: String| StudyError::Contents {
            path: path.to_owned(),
            what,
            hint: "give it the output of `fingerforce reliability … --json`".to_owned(),
        };
        let head: Head = serde_json::from_str(&text)
            .map_err(|error| refused(format!("no JSON of reliability: {error}")))?;
        if head.kind != KIND || head.version > VERSION {
            return Err(refused(format!(
                "kind `{}`, version {}: this program reads `{KIND}` up to version {VERSION}",
                head.kind.chars().take(60).collect::<String>(),
                head.version
            )));
        }
        serde_json::from_str(&text).map_err(|error| refused(error.to_string()))
    }
}

#[derive(Deserialize)]
struct Head {
    kind: String,
    version: u32,
}

/// Analyses a table. Subjects with a missing value are left out by name (complete cases: the mean squares need a complete
/// table); `width` is that of the ICC's interval that the next study is planned for.
pub fn of(table: &Table, width: f64) -> Result<Reliability, Refusal> {
    let (rows, left_out) = table.complete();
    let two_way = TwoWay::of(&rows)?;
    let forms = icc::forms(&two_way, LEVEL);
    let sem = sem::consistency(&two_way);
    let (pairs, logs_hold) = pairs(table, &rows);
    let logs = of_logs(&rows).filter(|_| logs_hold && pairs.iter().any(|pair| pair.of.grows));
    Ok(Reliability {
        name: table.name.clone(),
        unit: table.unit.clone(),
        occasions: table.occasions.clone(),
        subjects: two_way.subjects,
        k: two_way.occasions,
        conditions: table.conditions.clone(),
        mean: two_way.mean,
        mean_squares: MeanSquares::of(&two_way),
        examiners: table.examiners.clone(),
        apart_days: table.apart_days,
        planned: planned(&forms, two_way.occasions, width),
        consistency: sem,
        agreement: sem::agreement(&two_way),
        consistency_percent: sem.and_then(|of| Shares::of(&of, two_way.mean)),
        agreement_percent: sem::agreement(&two_way).and_then(|of| Shares::of(&of, two_way.mean)),
        consistency_of_logs: logs.as_ref().and_then(sem::consistency),
        agreement_of_logs: logs.as_ref().and_then(sem::agreement),
        sem_all_values: all_values(table),
        cv_within_percent: cv_within_percent(&rows),
        trend_over_occasions: trend(&rows),
        trend_over_trials: over_trials(table),
        pairs,
        averaging: averaging(table, &two_way),
        notes: notes(table, &two_way, &forms, &left_out),
        icc: forms,
        left_out,
        values: rows,
        visits: complete_visits(table),
    })
}

/// The visits behind the complete rows.
fn complete_visits(table: &Table) -> Vec<Vec<String>> {
    let rows = table.cells.iter().zip(&table.visits);
    rows.filter(|(cells, _)| cells.iter().all(Option::is_some)).map(|(_, visits)| visits.clone()).collect()
}

/// The mean squares of the logarithms; `None` where a value is not above zero.
fn of_logs(rows: &[Vec<f64>]) -> Option<TwoWay> {
    let positive = rows.iter().flatten().all(|value| *value > 0.0);
    let logs: Vec<Vec<f64>> =
        rows.iter().map(|row| row.iter().map(|value| libm::log(*value)).collect()).collect();
    if positive { TwoWay::of(&logs).ok() } else { None }
}

/// Participants for a next study, by the ICC of this one and, because that is an estimate itself, by its lower end.
fn planned(forms: &[Icc], repeats: usize, width: f64) -> Vec<Planned> {
    let form = forms.iter().find(|form| form.shrout_fleiss == "ICC(3,1)");
    form.map_or_else(Vec::new, |form| plans(form.icc, form.low, repeats, width))
}

/// Participants for this width at an expected ICC and at a lower one, with two and three values each and this many.
pub fn plans(icc: f64, low: Option<f64>, repeats: usize, width: f64) -> Vec<Planned> {
    let rounded = |icc: f64| (icc * 1e4).round() / 1e4;
    let (icc, icc_low) = (rounded(icc), low.map(rounded).filter(|low| *low > 0.0));
    let of = |repeats| {
        let participants = |icc: f64| planning::participants(icc, repeats, width, LEVEL);
        let participants_low = icc_low.and_then(participants);
        Some(Planned { icc, width, repeats, participants: participants(icc)?, icc_low, participants_low })
    };
    let mut counts = vec![2, 3, repeats];
    counts.sort_unstable();
    counts.dedup();
    counts.into_iter().filter_map(of).collect()
}

/// SEM from all values: subjects may have different numbers of them (one-way).
fn all_values(table: &Table) -> Option<Sem> {
    let groups: Vec<Vec<f64>> = table
        .cells
        .iter()
        .map(|row| row.iter().copied().flatten().collect::<Vec<f64>>())
        .filter(|group| !group.is_empty())
        .collect();
    let one_way = OneWay::of(&groups).ok()?;
    sem::built(one_way.ms_within, one_way.df_within())
}

/// The first occasion against each other one, and whether ratios hold for all of them: otherwise none has any.
fn pairs(table: &Table, rows: &[Vec<f64>]) -> (Vec<Pair>, bool) {
    let occasions = rows.first().map_or(0, Vec::len);
    let count = occasions.saturating_sub(1);
    let mut logs_hold = true;
    let of = |later: usize| {
        let values: Vec<(f64, f64)> = rows.iter().map(|row| (row[0], row[later])).collect();
        let (a, b): (Vec<f64>, Vec<f64>) = values.iter().copied().unzip();
        let name = |at: usize| table.occasions.get(at).cloned().unwrap_or_default();
        logs_hold &= !logs_grow(&a, &b, count);
        Some(Pair { earlier: name(0), later: name(later), values, of: BlandAltman::among(&a, &b, count)? })
    };
    let mut pairs: Vec<Pair> = (1..occasions).filter_map(of).collect();
    if !logs_hold {
        pairs.iter_mut().for_each(|pair| pair.of.ratio = None);
    }
    (pairs, logs_hold)
}

/// The trials of every value, cut to the number that all have.
fn trials(table: &Table) -> Vec<Vec<f64>> {
    let rows: Vec<&Vec<f64>> = table.trials.iter().flatten().filter(|trials| trials.len() > 1).collect();
    let shortest = rows.iter().map(|trials| trials.len()).min().unwrap_or(0);
    rows.iter().map(|trials| trials[..shortest].to_vec()).collect()
}

/// Drift over the trials: a participant's occasions are averaged first, so that each participant counts once.
fn over_trials(table: &Table) -> Option<Trend> {
    let shortest = trials(table).first()?.len();
    let of = |occasions: &Vec<Vec<f64>>| {
        let whole: Vec<&Vec<f64>> = occasions.iter().filter(|trials| trials.len() >= shortest).collect();
        let mean = |at: usize| whole.iter().map(|trials| trials[at]).sum::<f64>() / whole.len() as f64;
        (!whole.is_empty()).then(|| (0..shortest).map(mean).collect::<Vec<f64>>())
    };
    trend(&table.trials.iter().filter_map(of).collect::<Vec<_>>())
}

fn averaging(table: &Table, two_way: &TwoWay) -> Option<Vec<Averaged>> {
    let trials = trials(table);
    let averaged = trials.first()?.len();
    let of_trial = OneWay::of(&trials).ok()?.ms_within;
    planning::averaging(two_way.ms_error, averaged, of_trial, FORETOLD_TRIALS)
}

fn notes(table: &Table, of: &TwoWay, forms: &[Icc], left_out: &[String]) -> Vec<String> {
    let mut notes = table.notes.clone();
    if !left_out.is_empty() {
        notes.push(format!(
            "{} of {} subjects left out because a value is missing (complete cases); results hold only if values are \
             missing by chance",
            left_out.len(),
            table.subjects.len()
        ));
    }
    if of.subjects < MANY {
        notes.push(format!("{} subjects, fewer than {MANY}: the intervals are wide, read them", of.subjects));
    }
    let mean_squares = MeanSquares::of(of);
    if of.occasions < OCCASIONS && mean_squares.chance_of_the_shift() <= SHIFT_ALPHA {
        let p = mean_squares.occasions_p.map_or_else(String::new, |p| format!(" (p {})", p_value(Some(p))));
        notes.push(format!(
            "the occasions may differ by more than chance{p}, and {} of them cannot tell how far occasions go apart: SEM and MDC \
             (agreement) and their intervals take the shift between these for all there is. Changes are not judged where \
             one analysis of all differs beyond 5 % divided by their number",
            of.occasions
        ));
    }
    if of.ms_error == 0.0 {
        notes.push(
            "the residual is exactly zero: what is held against it has no F, no p and no interval; are values there twice?"
                .to_owned(),
        );
    }
    if forms.iter().any(|form| form.icc < 0.0) {
        notes.push(
            "a negative ICC means that subjects differ less than chance would make them: read it as 0"
                .to_owned(),
        );
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

    fn table(text: &str) -> Table {
        Table::parse(text.as_bytes(), None, "t").unwrap()
    }

    #[test]
    fn a_subject_with_a_hole_is_left_out_by_name_and_still_counts_in_the_sem_of_all() {
        let of = of(&table("id,a,b,c\nP1,1,2,2\nP2,4,5,4\nP3,8,7,9\nP4,3,,4\n"), 0.2).unwrap();
        assert_eq!((of.subjects, of.left_out.len()), (3, 1));
        assert!(of.left_out[0].starts_with("P4") && of.notes.iter().any(|note| note.contains("1 of 4")));
        // By hand: within SS 2/3 + 2/3 + 2 + 1/2 over 2 + 2 + 2 + 1.
        let all = of.sem_all_values.unwrap();
        assert!((all.sem.value - ((2.0 / 3.0 + 2.0 / 3.0 + 2.0 + 0.5) / 7.0_f64).sqrt()).abs() < 1e-12);
        assert_eq!(all.df, 7.0);
    }

    #[test]
    fn too_few_are_refused() {
        let refusal = of(&table("id,a,b\nP1,1,2\nP2,4,5\nP3,8,\n"), 0.2).unwrap_err();
        assert_eq!(refusal, Refusal::TooFewSubjects { found: 2, needed: 3 });
    }

    #[test]
    fn repeats_without_any_error_have_no_p_and_no_interval_and_a_shift_of_theirs_is_still_one() {
        let same = of(&table("id,a,b\nP1,20.1,20.1\nP2,31.7,31.7\nP3,25.3,25.3\n"), 0.2).unwrap();
        assert_eq!((same.mean_squares.occasions_f, same.mean_squares.occasions_p), (None, None));
        assert!(
            same.icc.iter().all(|form| (form.f, form.p, form.low) == (None, None, None)),
            "{:?}",
            same.icc
        );
        let ends = |of: &sem::Estimate| (of.low, of.high);
        for sem in [same.consistency, same.agreement, same.sem_all_values].map(Option::unwrap) {
            assert_eq!([ends(&sem.sem), ends(&sem.mdc90), ends(&sem.mdc95)], [(None, None); 3]);
        }
        assert_eq!(same.cv_within_percent.map(|cv| ends(&cv)), Some((None, None)));
        assert!(same.notes.iter().any(|note| note.contains("residual is exactly zero")));
        assert!(!same.notes.iter().any(|note| note.contains("occasions differ")), "{:?}", same.notes);

        let shifted = of(&table("id,a,b\nP1,20.1,20.4\nP2,31.7,32.0\nP3,25.3,25.6\n"), 0.2).unwrap();
        assert_eq!((shifted.mean_squares.error, shifted.mean_squares.occasions_p), (0.0, None));
        assert!(
            shifted.notes.iter().any(|note| note.contains("differ by more than chance, and 2 of")),
            "{:?}",
            shifted.notes
        );
        assert!(shifted.agreement.unwrap().sem.high.is_some(), "the shift has its spread");
        let document = Document {
            kind: KIND.into(),
            version: VERSION,
            software: "x".into(),
            by: None,
            analyses: vec![shifted],
            refused: vec![],
            left_out: Vec::new(),
            cautions: String::new(),
        };
        assert!(document.shifted().is_some());
    }

    #[test]
    fn a_note_gives_its_p_as_the_tables_do() {
        let notes = |text: &str| of(&table(text), 0.2).unwrap().notes.join("\n");
        let seen = notes("id,a,b\nP1,20,21.5\nP2,31,31.6\nP3,25,27.1\nP4,15,15.4\nP5,18,19.5\n");
        assert!(seen.contains("than chance (p 0.0"), "{seen}");
        let clear = notes("id,a,b\nP1,20,30.1\nP2,31,41\nP3,25,35\nP4,15,25.1\nP5,18,28\n");
        assert!(clear.contains("than chance (p < 0.001)"), "{clear}");
    }

    #[test]
    fn the_document_survives_its_json() {
        let of = of(&table("id,a,b\nP1,1,2\nP2,4,5.5\nP3,8,7\nP4,7,7\n"), 0.2).unwrap();
        let document = Document {
            kind: KIND.into(),
            version: VERSION,
            software: "x".into(),
            by: None,
            analyses: vec![of],
            refused: vec![],
            left_out: Vec::new(),
            cautions: String::new(),
        };
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("r.json");
        std::fs::write(&path, serde_json::to_string(&document).unwrap()).unwrap();
        assert_eq!(Document::read(&path).unwrap(), document);
        std::fs::write(&path, r#"{"kind":"other","version":1}"#).unwrap();
        assert!(Document::read(&path).unwrap_err().to_string().contains("kind `other`"));
    }

    #[test]
    fn trials_foretell_what_averaging_gains() {
        let mut table = table("id,a,b\nP1,10,11\nP2,20,19\nP3,30,31\n");
        let around = |mean: f64| vec![mean - 1.0, mean, mean + 1.0];
        table.trials =
            table.cells.iter().map(|row| row.iter().map(|v| around(v.unwrap())).collect()).collect();
        let of = of(&table, 0.2).unwrap();
        let averaging = of.averaging.unwrap();
        assert!((averaging[2].sem - of.consistency.unwrap().sem.value).abs() < 1e-12);
        assert!(averaging[0].sem > averaging[2].sem);
        // Every participant's trials rise by 1 each.
        assert_eq!(of.trend_over_trials.unwrap().slope.value, 1.0);
    }
}
