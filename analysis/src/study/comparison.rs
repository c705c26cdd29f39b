//! Two visits or more of one person: the changes, each against the smallest change that can be shown.
//!
//! Comes in: visits, and where the limits come from. Goes out: a [`Comparison`]: changes (N, %) with their verdict, or why
//! there is none; the number of comparisons and of false changes to expect; the difference of the sides; trends.
//!
//! ```no_run
//! use analysis::study::comparison::{Basis, Form, Rules, compare};
//! use analysis::study::{reliability::Document, visit::Visit};
//! use std::path::Path;
//! let visits = [Visit::read(Path::new("earlier.h5"))?, Visit::read(Path::new("later.h5"))?];
//! let basis = Basis::Own(Document::read(Path::new("reliability.json"))?);
//! let rules = Rules { basis, primary: Vec::new(), vouched: Default::default(), form: Form::Agreement };
//! for change in compare(&visits, &rules)?.changes {
//!     println!("{} {}: {:?} N, {:?}", change.muscle, change.test, change.change_n, change.verdict);
//! }
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
use super::conditions::{Conditions, Vouched};
use super::procedure::{Own, Repeats, own};
use super::published::{Published, nearest};
use super::reliability::{Document, Reliability};
use super::series::{apart_days, instant};
use super::sides::{SideDifference, of_visit};
use super::visit::{CONCENTRIC, Measured, Peaks, Visit, unlike_visits};
use super::visit_trend::{VisitTrend, trends};
use crate::prose::p_value;
use crate::statistics::change::{ALPHA, Limit, PRIMARY_MOST, Shares, Verdict, limit, shares, verdict};
use crate::statistics::sem::Sem;
use serde::Serialize;

/// Where the limits come from.
#[derive(Debug, Clone, PartialEq)]
pub enum Basis {
    /// The user's own data.
    Own(Document),
    /// Values from a publication.
    Published(Vec<Published>),
    /// Nowhere.
    Nothing,
}

/// Which standard error of measurement decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum Form {
    /// √(σ² occasions + MS error): a shift common to everybody counts as error.
    #[default]
    Agreement,
    /// √MS error: it does not.
    Consistency,
}

/// How the comparison is made.
#[derive(Debug, Clone, PartialEq)]
pub struct Rules {
    /// Where the limits come from.
    pub basis: Basis,
    /// Items judged singly: muscle key with its side, and test; without any, those that the first visit's plan named.
    pub primary: Vec<(String, String)>,
    /// Conditions that the user vouches for.
    pub vouched: Vouched,
    /// Which SEM.
    pub form: Form,
}

impl Rules {
    /// The user's own repeats, where the limits come from them: they tell the error of a single result, too.
    pub fn repeats(&self) -> Option<Repeats> {
        let Basis::Own(document) = &self.basis else { return None };
        Some(Repeats { document: document.clone(), vouched: self.vouched.clone(), form: self.form })
    }
}

/// A visit, as far as a comparison shows it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Head {
    /// Recording.
    pub file: String,
    /// UUID.
    pub visit_id: String,
    /// Examiner's code.
    pub examiner: String,
    /// When it began (RFC 3339).
    pub started_utc: String,
    /// Days since the first visit.
    pub days: Option<f64>,
    /// What measured its holds.
    pub software: String,
}

/// One change.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Change {
    /// Muscle key: side, digit, direction.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// Number of the later visit, from 2; the earlier one is the first.
    pub visit: usize,
    /// Named beforehand and judged singly, by half of the visit's chance of a false change in equal parts.
    pub primary: bool,
    /// Mean of the first three valid peaks then, N.
    pub earlier_n: Option<f64>,
    /// And now, N.
    pub later_n: Option<f64>,
    /// What was reported for them, where measuring again with one parameter set gives something else, N.
    pub reported_n: Option<(f64, f64)>,
    /// The peaks of the earlier and the later visit, where they were measured again.
    #[serde(skip)]
    pub again: Option<(Peaks, Peaks)>,
    /// Settings by which both were measured: their digest.
    pub settings: String,
    /// Later minus earlier, N.
    pub change_n: Option<f64>,
    /// The same, % of the earlier.
    pub change_percent: Option<f64>,
    /// The instrument's expanded uncertainty (95 %) of both means, N; nothing of it is the procedure's.
    pub instrument_n: (Option<f64>, Option<f64>),
    /// What is not in it.
    pub instrument_not_included: Vec<String>,
    /// The procedure's standard error of measurement behind the limit, N; of logarithms where `as_ratio`.
    pub sem: Option<f64>,
    /// What it is held against, N; as a ratio where `as_ratio`.
    pub limit: Option<Limit>,
    /// Of a primary one: MDC95, what it would be held against were it the visit's only comparison.
    pub alone: Option<Limit>,
    /// It is beyond that, though within its limit.
    pub beyond_alone: bool,
    /// Limits are ratios (of logarithms), because differences grow with the mean in the data they come from.
    pub as_ratio: bool,
    /// Participants behind the limit.
    pub limit_participants: Option<usize>,
    /// Where the limit comes from.
    pub limit_source: String,
    /// The verdict; `None`: it cannot be said.
    pub verdict: Option<Verdict>,
    /// Why it cannot be said.
    pub cannot_say: Vec<String>,
    /// What a reader must know.
    pub notes: Vec<String>,
}

/// All changes between visits.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Participant's code.
    pub participant: String,
    /// The visits, the first one first.
    pub visits: Vec<Head>,
    /// Which SEM decided.
    pub form: Form,
    /// Conditions that the user vouched for.
    pub vouched: Vec<String>,
    /// Items judged singly because whoever compared named them: the first visit's plan did not.
    pub named: Vec<String>,
    /// The changes.
    pub changes: Vec<Change>,
    /// Changes judged singly.
    pub judged_singly: usize,
    /// Changes judged together.
    pub judged_together: usize,
    /// False changes to expect among such visits without any change, at most one chance of 5 % a later visit; an upper bound
    /// where upper ends decide.
    pub false_changes: f64,
    /// Difference of the sides at the last visit.
    pub sides: Vec<SideDifference>,
    /// Trends over all visits; empty with fewer than three.
    pub trends: Vec<VisitTrend>,
}

/// Why visits cannot be compared.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Incomparable {
    /// Different people.
    #[error("the recordings are of different participants: {0} and {1}")]
    People(String, String),
    /// Time runs backwards.
    #[error("{later} began before {earlier}")]
    Order {
        /// Given first.
        earlier: String,
        /// Given later.
        later: String,
    },
    /// The same visit twice.
    #[error("{0} and {1} are recordings of one visit")]
    Same(String, String),
    /// A primary item that no visit has.
    #[error("no item `{0}` in these visits")]
    Primary(String),
}

/// Compares each later visit with the first.
pub fn compare(visits: &[Visit], rules: &Rules) -> Result<Comparison, Incomparable> {
    check(visits)?;
    let Some((first, later)) = visits.split_first() else {
        return Err(Incomparable::Primary("none".to_owned()));
    };
    let named = rules.primary.iter().filter(|item| !first.primary.contains(item));
    let named: Vec<String> = named.map(|(muscle, test)| format!("{muscle}, {test}")).collect();
    let rules = &Rules { primary: primaries(first, rules), ..rules.clone() };
    for (muscle, test) in &rules.primary {
        if first.find(muscle, test).is_none() {
            return Err(Incomparable::Primary(format!("{muscle} {test}")));
        }
    }
    let changes: Vec<Change> =
        (2..).zip(later).flat_map(|(number, visit)| at_visit(first, visit, number, rules)).collect();
    let judged = |primary: bool| {
        changes.iter().filter(move |change| change.primary == primary && change.verdict.is_some())
    };
    let chances = changes.iter().filter(|change| change.verdict.is_some()).filter_map(|change| change.limit);
    let false_changes = chances.fold(0.0, |sum, limit| sum + limit.alpha);
    let (judged_singly, judged_together) = (judged(true).count(), judged(false).count());
    let heads: Vec<Head> = visits.iter().map(|visit| head(visit, first)).collect();
    let days: Vec<Option<f64>> = heads.iter().map(|head| head.days).collect();
    Ok(Comparison {
        participant: first.participant.clone(),
        trends: trends(visits, &days, &rules.vouched),
        visits: heads,
        form: rules.form,
        vouched: rules.vouched.0.clone(),
        named,
        changes,
        judged_singly,
        judged_together,
        false_changes,
        sides: visits.last().map(|visit| of_visit(visit, &rules.vouched)).unwrap_or_default(),
    })
}

/// The changes at one later visit, among which its one chance of a false change is divided before any is judged: among all
/// that there are data for, so that what becomes of one (a trial that is called invalid) moves nobody else's limit.
fn at_visit(first: &Visit, visit: &Visit, number: usize, rules: &Rules) -> Vec<Change> {
    let both = first.items.iter().filter_map(|then| {
        let now = visit.find(&then.item.muscle, &then.item.test)?;
        Some(change((first, then), (visit, now), number, rules))
    });
    let changes: Vec<(Change, Option<Error>)> = both.collect();
    let count = |primary: bool| {
        changes.iter().filter(|(change, error)| error.is_some() && change.primary == primary).count()
    };
    let shares = shares(count(true), count(false));
    changes.into_iter().map(|(change, error)| judged(change, error.as_ref(), shares)).collect()
}

/// The items judged singly: those asked for, or those that the first visit's plan named and that were tested.
fn primaries(first: &Visit, rules: &Rules) -> Vec<(String, String)> {
    if !rules.primary.is_empty() {
        return rules.primary.clone();
    }
    let tested = first.primary.iter().filter(|(muscle, test)| first.find(muscle, test).is_some());
    tested.take(PRIMARY_MOST).cloned().collect()
}

fn check(visits: &[Visit]) -> Result<(), Incomparable> {
    for pair in visits.windows(2) {
        let (a, b) = (&pair[0], &pair[1]);
        let file = |visit: &Visit| visit.file.display().to_string();
        if a.participant != b.participant {
            return Err(Incomparable::People(a.participant.clone(), b.participant.clone()));
        }
        if a.visit_id == b.visit_id {
            return Err(Incomparable::Same(file(a), file(b)));
        }
        if instant(b) < instant(a) {
            return Err(Incomparable::Order { earlier: file(a), later: file(b) });
        }
    }
    Ok(())
}

fn head(visit: &Visit, first: &Visit) -> Head {
    let days = |visit: &Visit| {
        visit.started_utc.parse::<jiff::Timestamp>().ok().map(|at| at.as_second() as f64 / 86_400.0)
    };
    Head {
        file: visit.file.display().to_string(),
        visit_id: visit.visit_id.clone(),
        examiner: visit.examiner.clone(),
        started_utc: visit.started_utc.clone(),
        days: days(visit).zip(days(first)).map(|(at, zero)| at - zero),
        software: visit.software.clone(),
    }
}

/// The standard error behind a limit, and the participants.
struct Error {
    sem: Sem,
    participants: usize,
}

fn change(
    (first, then): (&Visit, &Measured),
    (visit, now): (&Visit, &Measured),
    number: usize,
    rules: &Rules,
) -> (Change, Option<Error>) {
    let key = (now.item.muscle.clone(), now.item.test.clone());
    let mut change = Change {
        primary: rules.primary.contains(&key),
        muscle: key.0,
        test: key.1,
        visit: number,
        earlier_n: then.item.spread.mean_of_peaks_n,
        later_n: now.item.spread.mean_of_peaks_n,
        reported_n: None,
        again: None,
        instrument_n: (then.item.spread.expanded_uncertainty_n, now.item.spread.expanded_uncertainty_n),
        instrument_not_included: left_out(then, now),
        sem: None,
        settings: now.settings().unwrap_or_default(),
        change_n: None,
        change_percent: None,
        limit: None,
        alone: None,
        beyond_alone: false,
        as_ratio: false,
        limit_participants: None,
        limit_source: String::new(),
        verdict: None,
        cannot_say: Vec::new(),
        notes: Vec::new(),
    };
    one_parameter_set(&mut change, (first, then), (visit, now));
    change.change_n = change.later_n.zip(change.earlier_n).map(|(later, earlier)| later - earlier);
    let above_zero = change.earlier_n.filter(|earlier| *earlier > 0.0);
    change.change_percent = change.change_n.zip(above_zero).map(|(by, earlier)| 100.0 * by / earlier);
    change.cannot_say.extend(objections((first, then), (visit, now), rules));
    let error = error_of(&mut change, (first, then), (visit, now), rules);
    // Its force is the examiner's, too: never judged, it has no part of the chance.
    (change, error.filter(|_| !now.is_concentric()))
}

/// What the instrument's uncertainty of either visit does not include.
fn left_out(then: &Measured, now: &Measured) -> Vec<String> {
    let of = |of: &Measured| of.item.spread.uncertainty_not_included.clone();
    let mut all = of(then);
    all.extend(of(now));
    all.sort();
    all.dedup();
    all
}

/// Where settings or versions differ, both visits are measured again with the later one's parameters; what that changes is
/// kept beside what was reported.
fn one_parameter_set(
    change: &mut Change,
    (first, then): (&Visit, &Measured),
    (visit, now): (&Visit, &Measured),
) {
    let Some(parameters) = &now.parameters else {
        change
            .notes
            .push("the recording names no analysis settings: values are those reported then".to_owned());
        return;
    };
    if then.settings() == now.settings() && first.software == visit.software {
        return;
    }
    let again = then
        .measured_again(&first.file, parameters)
        .and_then(|earlier| Ok((earlier, now.measured_again(&visit.file, parameters)?)));
    let reported = change.earlier_n.zip(change.later_n);
    match again {
        Err(why) => change.cannot_say.push(format!(
            "the visits were analysed with different settings or versions, and measuring both with the later one's \
             failed: {why}"
        )),
        Ok((earlier, later)) => {
            (change.earlier_n, change.later_n) = (earlier.mean_n(), later.mean_n());
            change.again = Some((earlier, later));
            let now_both = change.earlier_n.zip(change.later_n);
            change.reported_n = reported.filter(|_| now_both != reported);
            let note = "settings or versions differed: both visits measured again with the later one's";
            change.notes.push(note.to_owned());
        }
    }
}

/// What forbids a verdict, whatever the limit.
fn objections(
    (first, then): (&Visit, &Measured),
    (visit, now): (&Visit, &Measured),
    rules: &Rules,
) -> Vec<String> {
    let mut found: Vec<String> = now.is_concentric().then(|| CONCENTRIC.to_owned()).into_iter().collect();
    for (when, measured) in [("earlier", then), ("later", now)] {
        found.extend(measured.too_few_trials().map(|few| format!("{few} at the {when} visit")));
    }
    let unlike = unlike_visits((first, then), (visit, now), &rules.vouched);
    found.extend(unlike.into_iter().map(|what| format!("between the visits: {what}")));
    found
}

/// Conditions of the pair of visits, for the limit.
fn of_pair((first, _): (&Visit, &Measured), (visit, now): (&Visit, &Measured)) -> Conditions {
    let examiner = match (first.examiner.as_str(), visit.examiner.as_str()) {
        ("", _) | (_, "") => "",
        (a, b) if a == b => "same",
        _ => "another",
    };
    Conditions { examiner: examiner.to_owned(), ..now.conditions.clone() }
}

/// The error that the change is held against; what forbids its use goes to the change.
fn error_of(
    change: &mut Change,
    then: (&Visit, &Measured),
    now: (&Visit, &Measured),
    rules: &Rules,
) -> Option<Error> {
    let conditions = of_pair(then, now);
    match &rules.basis {
        Basis::Nothing => {
            change.cannot_say.push(
                "no measurement error is known: give your own data with --reliability (the page takes reliability.json from the data folder), or name a published value".to_owned(),
            );
            None
        }
        Basis::Own(document) => {
            let Some(own) = own(document, &change.muscle, &conditions, rules.form) else {
                change.cannot_say.push("the reliability data hold no such muscle and test".to_owned());
                return None;
            };
            let Own { of, as_ratio, sem } = own;
            change.limit_source = own_source(of);
            if !of.name.starts_with(&change.muscle) && !of.conditions.muscle.is_empty() {
                change.notes.push("the limit comes from the other side".to_owned());
            }
            change.cannot_say.extend(against_limit(&conditions, &of.conditions, rules));
            if let Some(shifted) = document.shifted().filter(|_| rules.form == Form::Agreement)
                && !rules.vouched.covers(OCCASIONS)
            {
                change.cannot_say.push(occasions_differ(shifted));
            }
            if conditions.examiner == "same" {
                change.notes.extend(another_examiner(of, then.0, now.0));
            }
            change.notes.extend(another_interval(of, then.0, now.0));
            change.notes.extend(other_forces(of, change.earlier_n));
            change.as_ratio = as_ratio;
            if sem.is_some_and(|sem| sem.sem.value == 0.0) {
                change
                    .cannot_say
                    .push("the reliability data have no error at all: are values there twice?".to_owned());
            }
            if sem.is_none() {
                change.cannot_say.push(own.why_none().to_owned());
            }
            Some(Error { sem: sem?, participants: of.subjects })
        }
        Basis::Published(values) => {
            let Some(value) = nearest(values, &conditions, &rules.vouched) else {
                change.cannot_say.push("the published values named hold no such muscle".to_owned());
                return None;
            };
            change.as_ratio = value.change_n.is_none();
            let (figure, unit) =
                if change.as_ratio { (value.change_percent, "%") } else { (value.change_n, "N") };
            let figure = figure.unwrap_or_default();
            change.limit_source = format!("{figure} {unit} ({}; {})", value.source, value.read_as);
            change.cannot_say.extend(against_limit(&conditions, &value.conditions, rules));
            if value.level_percent.is_none()
                && !rules.vouched.0.iter().any(|word| word == "level" || word == "all")
            {
                change.cannot_say.push("the source does not state the level of the value (95 %?)".to_owned());
            }
            Some(Error { sem: value.sem()?, participants: value.participants })
        }
    }
}

/// Where a limit of the user's own data comes from, in words.
pub fn own_source(of: &Reliability) -> String {
    format!("own data: {}", of.name)
}

/// The condition by which a user vouches that occasions shift nothing.
pub const OCCASIONS: &str = "occasions";

/// Why few occasions that differ say nothing of the next one.
fn occasions_differ(of: &Reliability) -> String {
    let p = of.mean_squares.occasions_p.map_or_else(String::new, |p| format!(", p {}", p_value(Some(p))));
    format!(
        "the occasions of the reliability data differ by more than chance ({}{p}), and {} of them cannot tell how far \
         occasions go apart; --same {OCCASIONS} takes the shift between them for all there is, --sem consistency leaves it out",
        of.name, of.k
    )
}

/// An examiner whose error is not known is told: the limit is that of others.
fn another_examiner(of: &Reliability, first: &Visit, visit: &Visit) -> Option<String> {
    let unknown = |code: &String| !code.is_empty() && !of.examiners.contains(code);
    let mut others: Vec<&str> = [&first.examiner, &visit.examiner]
        .into_iter()
        .filter(|code| unknown(code))
        .map(String::as_str)
        .collect();
    others.dedup();
    (!others.is_empty() && !of.examiners.is_empty()).then(|| {
        format!(
            "the limit was found with examiner {}; examiner {} may have another error",
            of.examiners.join(", "),
            others.join(" and ")
        )
    })
}

/// Time between the visits that is so many times that between the data's occasions, or so small a part of it, is told.
const INTERVALS_APART: f64 = 3.0;

/// Visits much farther apart than the data's occasions may differ by more than those do, with nobody changed.
fn another_interval(of: &Reliability, first: &Visit, visit: &Visit) -> Option<String> {
    let behind = of.apart_days?;
    let these = apart_days(first, visit)?;
    let alike = these <= INTERVALS_APART * behind && behind <= INTERVALS_APART * these;
    (!alike).then(|| {
        format!(
            "the limit's data lie {} apart, these visits {}: what differs over that time by itself the limit does not know",
            time_words(behind),
            time_words(these)
        )
    })
}

/// A result that lies outside those in which the error was found: how it depends on the force there, the data do not know.
fn other_forces(of: &Reliability, earlier_n: Option<f64>) -> Option<String> {
    let values = of.values.iter().flatten();
    let (low, high) =
        values.fold((f64::MAX, f64::MIN), |(low, high), value| (low.min(*value), high.max(*value)));
    let outside = |earlier_n: &f64| low <= high && !(low..=high).contains(earlier_n);
    earlier_n.filter(outside).map(|_| {
        format!("the limit was found at {low:.1} to {high:.1} N, and the first result lies outside: errors there may be others")
    })
}

/// Days as they are said.
fn time_words(days: f64) -> String {
    let (count, unit) = if days >= 2.0 {
        (days, "days")
    } else if days * 24.0 >= 2.0 {
        (days * 24.0, "hours")
    } else {
        (days * 1440.0, "minutes")
    };
    format!("{count:.0} {unit}")
}

/// What does not match between these visits and the data behind a limit.
fn against_limit(these: &Conditions, behind: &Conditions, rules: &Rules) -> impl Iterator<Item = String> {
    these
        .differences(behind, &rules.vouched)
        .into_iter()
        .map(|what| format!("against the limit's data: {what}"))
}

fn judged(mut change: Change, error: Option<&Error>, shares: Shares) -> Change {
    let sayable = change.cannot_say.is_empty() && change.change_n.is_some();
    let Some(error) = error.filter(|_| sayable) else { return change };
    change.limit_participants = Some(error.participants);
    change.sem = Some(error.sem.sem.value);
    let at = |alpha: f64| limit(&error.sem, error.participants, alpha);
    let Some(limit) = at(if change.primary { shares.primary } else { shares.other }) else {
        change.cannot_say.push("the limit has no interval at so small a chance".to_owned());
        return change;
    };
    let of = if change.as_ratio {
        change
            .later_n
            .zip(change.earlier_n)
            .filter(|(a, b)| *a > 0.0 && *b > 0.0)
            .map(|(a, b)| libm::log(a / b))
    } else {
        change.change_n
    };
    change.limit = Some(limit);
    change.alone = at(ALPHA).filter(|_| change.primary);
    change.verdict = of.map(|of| verdict(of, &limit));
    let verdict_alone = of.zip(change.alone).map(|(of, alone)| verdict(of, &alone));
    change.beyond_alone = verdict_alone.is_some_and(|alone| Some(alone) != change.verdict);
    if of.is_none() {
        change.cannot_say.push("a ratio needs forces above zero".to_owned());
    }
    change
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::sem::built;

    fn change(earlier_n: f64, later_n: f64, as_ratio: bool) -> Change {
        Change {
            muscle: "left index abduction".into(),
            test: "make".into(),
            visit: 2,
            primary: false,
            earlier_n: Some(earlier_n),
            later_n: Some(later_n),
            reported_n: None,
            again: None,
            instrument_n: (None, None),
            instrument_not_included: Vec::new(),
            sem: None,
            settings: String::new(),
            change_n: Some(later_n - earlier_n),
            change_percent: None,
            limit: None,
            alone: None,
            beyond_alone: false,
            as_ratio,
            limit_participants: None,
            limit_source: String::new(),
            verdict: None,
            cannot_say: Vec::new(),
            notes: Vec::new(),
        }
    }

    #[test]
    fn where_differences_grow_with_the_mean_the_ratio_is_judged() {
        // SEM of the logarithms 0.05 with many participants: the limit is about a factor exp(0.139) = 1.149.
        let error = Error { sem: built(0.0025, 1000.0).unwrap(), participants: 501 };
        let of = |earlier, later| judged(change(earlier, later, true), Some(&error), shares(0, 1)).verdict;
        assert_eq!(of(100.0, 114.0), Some(Verdict::WithinError));
        assert_eq!(of(100.0, 116.0), Some(Verdict::Increased));
        // The same factor on a weak muscle is the same verdict, and downwards the factor is one over it.
        assert_eq!((of(2.0, 2.28), of(2.0, 2.32)), (Some(Verdict::WithinError), Some(Verdict::Increased)));
        assert_eq!(
            (of(116.0, 100.0), of(114.0, 100.0)),
            (Some(Verdict::Decreased), Some(Verdict::WithinError))
        );
        let below_zero = judged(change(1.0, -1.0, true), Some(&error), shares(0, 1));
        assert_eq!((below_zero.verdict, below_zero.cannot_say.len()), (None, 1));
    }

    #[test]
    fn a_primary_change_between_its_two_limits_is_told_but_is_no_change() {
        // SEM 1 N, many participants: MDC95 2.77 N; at half the chance 3.17 N (√2 times the normal quantile at 0.9875).
        let error = Error { sem: built(1.0, 1e6).unwrap(), participants: 501 };
        let of = |by: f64, others: usize, primary: bool| {
            let change = Change { primary, ..change(10.0, 10.0 + by, false) };
            let of = judged(change, Some(&error), shares(1, others));
            (of.verdict == Some(Verdict::WithinError), of.beyond_alone)
        };
        assert_eq!((of(2.7, 5, true), of(-3.0, 5, true)), ((true, false), (true, true)));
        assert_eq!((of(3.2, 5, true), of(-2.8, 0, true)), ((false, false), (false, false)));
        assert_eq!(of(3.0, 5, false), (true, false), "only of primary ones");
    }

    #[test]
    fn a_result_outside_the_forces_of_the_data_is_told() {
        let table = b"id,a,b\nA,20,21\nB,30,29\nC,25,27\n";
        let table = crate::study::table::Table::parse(table, None, "t").unwrap();
        let of = super::super::reliability::of(&table, 0.2).unwrap();
        assert_eq!((other_forces(&of, Some(20.0)), other_forces(&of, None)), (None, None));
        let told = other_forces(&of, Some(15.0)).unwrap();
        assert!(told.contains("at 20.0 to 30.0 N") && other_forces(&of, Some(30.1)).is_some(), "{told}");
    }

    #[test]
    fn without_an_error_nothing_is_judged() {
        let of = judged(change(10.0, 30.0, false), None, shares(0, 1));
        assert_eq!((of.verdict, of.limit), (None, None));
    }
}
