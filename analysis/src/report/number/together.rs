//! Numbers of several recordings together: of a change, of all changes, of a trend, of the text for the paper.
use super::{Field, Found, Number, NumberError, Origin, described, origin, used, visit_mark};
use crate::measures::repeats::Trial;
use crate::recording::read::Recording;
use crate::report::methods::{self, Source};
use crate::study::comparison::{self, Basis, Change, Comparison};
use crate::study::procedure;
use crate::study::visit::{Measured, Peaks, Visit};
use crate::study::visit_trend::{self, VisitTrend};

const CHANGE_FIELDS: [Field; 20] = [
    ("earlier_n", "N", "mean of peak_zero_n of the first three valid trials of the first visit"),
    ("later_n", "N", "mean of peak_zero_n of the first three valid trials of the later visit"),
    (
        "reported_earlier_n",
        "N",
        "the first visit's result as reported then, where measuring again gives another",
    ),
    (
        "reported_later_n",
        "N",
        "the later visit's result as reported then, where measuring again gives another",
    ),
    ("change_n", "N", "later_n − earlier_n"),
    ("change_percent", "%", "100 · (later_n − earlier_n) / earlier_n"),
    ("limit", LIMIT_UNIT, "z·√2·SEM or t·√2·SEM, or the upper end of its 95 % interval, whichever decides"),
    ("mdc", LIMIT_UNIT, "z·√2·SEM at the chance of a false change of this one comparison"),
    ("mdc_low", LIMIT_UNIT, "lower end of the MDC's 95 % interval (chi-squared)"),
    ("mdc_high", LIMIT_UNIT, "upper end of the MDC's 95 % interval (chi-squared)"),
    ("mdc95_alone", LIMIT_UNIT, "what would decide were this comparison the visit's only one"),
    ("mdc95", LIMIT_UNIT, "z·√2·SEM with z of 95 %"),
    ("mdc95_low", LIMIT_UNIT, "lower end of the MDC95's 95 % interval (chi-squared)"),
    ("mdc95_high", LIMIT_UNIT, "upper end of the MDC95's 95 % interval (chi-squared)"),
    ("limit_down", LIMIT_UNIT, DOWNWARDS),
    ("mdc_down", LIMIT_UNIT, DOWNWARDS),
    ("mdc95_alone_down", LIMIT_UNIT, DOWNWARDS),
    ("mdc95_down", LIMIT_UNIT, DOWNWARDS),
    ("participants", "1", "participants behind the limit"),
    ("chance_percent", "%", "chance of a false change in this one comparison: its share of the visit's 5 %"),
];
const DOWNWARDS: &str = "the same limit of a decrease; as a ratio one over that of an increase";
/// N, or % where errors grow with the force.
const LIMIT_UNIT: &str = "";

const COMPARISON_FIELDS: [Field; 7] = [
    ("judged", "1", "number of changes with a verdict"),
    ("changes", "1", "number of changes"),
    ("singly", "1", "number of changes that were named beforehand and are judged singly"),
    ("together", "1", "number of changes judged together (Bonferroni)"),
    ("false_changes", "1", "sum of the chances of a false change in each comparison"),
    ("trends", "1", "number of trends with a p"),
    (
        "trends_by_chance",
        "1",
        "5 % of the same number: so many have p < 0.05 by chance, were there no trend at all",
    ),
];

const TREND_FIELDS: [Field; 5] = [
    ("visits", "1", "number of visits with a result of this item whose conditions match the first one's"),
    ("slope_n_per_day", "N/d", "slope of the least-squares line of the results over days"),
    ("slope_low", "N/d", "lower end of the slope's 95 % interval (Student's t)"),
    ("slope_high", "N/d", "upper end of the slope's 95 % interval (Student's t)"),
    ("p", "1", "two-sided p of the slope being 0 (Student's t)"),
];

/// The fields of a kind of number that several recordings have together; `None` where there is no such kind.
pub(super) fn fields(kind: &str) -> Option<&'static [Field]> {
    match kind {
        "change" => Some(&CHANGE_FIELDS),
        "comparison" => Some(&COMPARISON_FIELDS),
        "trend" => Some(&TREND_FIELDS),
        "study" => Some(&methods::FIELDS),
        _ => None,
    }
}

/// A number of the text for the paper: counted again from the recordings.
pub(super) fn study(read: &[(Recording, Visit)], id: &str) -> Result<Number, NumberError> {
    let unknown = || NumberError::Unknown(id.chars().take(80).collect());
    let sources: Vec<Source> = read.iter().map(|(recording, visit)| Source { recording, visit }).collect();
    let field = id.strip_prefix("study-1.").ok_or_else(unknown)?;
    let value = methods::value(&sources, field).ok_or_else(unknown)?;
    let known = methods::FIELDS.iter().find(|(begins, ..)| field.starts_with(begins));
    let (_, unit, formula) = known.ok_or_else(unknown)?;
    let reason = field.strip_prefix(methods::EXCLUDED).and_then(|number| number.parse::<usize>().ok());
    let reason = reason.and_then(|number| methods::reasons(&sources).into_iter().nth(number.checked_sub(1)?));
    let wanted = |trial: &Trial| match field {
        "trials" => true,
        "trials_used" => trial.used,
        "trials_not_used" => !trial.used,
        _ => !trial.used && reason.as_ref() == Some(&trial.why_not_used),
    };
    let mut origins = Vec::new();
    for (recording, visit) in read {
        let rows = recording.trials()?;
        let trials = visit.items.iter().flat_map(|of| &of.item.trials).filter(|trial| wanted(trial));
        origins.extend(trials.filter_map(|trial| origin(recording, &rows, trial.order)));
    }
    Ok(Number {
        id: id.to_owned(),
        value: Some(value),
        unit: (*unit).to_owned(),
        formula: reason.map_or_else(|| (*formula).to_owned(), |reason| format!("{formula}: {reason}")),
        software: read.first().map(|(recording, _)| recording.root().software.clone()).unwrap_or_default(),
        files: read.iter().map(|(_, visit)| visit.file.display().to_string()).collect(),
        origins,
    })
}

/// A number of what several visits come to together: of a change, of all changes or of a trend.
pub(super) fn of_visits(
    read: &[(Recording, Visit)],
    of: &Comparison,
    basis: &Basis,
    id: &str,
) -> Result<Number, NumberError> {
    let unknown = || NumberError::Unknown(id.chars().take(80).collect());
    let (mark, local) = match id.split_once(':') {
        Some((mark, local)) => (Some(mark), local),
        None => (None, id),
    };
    let (place, field) = local.split_once('.').ok_or_else(unknown)?;
    let (kind, number) = place.split_once('-').ok_or_else(unknown)?;
    let at = number.parse::<usize>().ok().and_then(|number| number.checked_sub(1)).ok_or_else(unknown)?;
    let software = read.first().map(|(recording, _)| recording.root().software.clone()).unwrap_or_default();
    let number = |id: String, described: Found, behind: Behind| Number {
        id,
        value: described.value,
        unit: described.unit,
        formula: described.formula,
        software: software.clone(),
        files: behind.files,
        origins: behind.origins,
    };
    match kind {
        "change" => {
            if mark.is_none() && of.visits.len() > 2 {
                return Err(NumberError::WhichVisit(id.chars().take(80).collect()));
            }
            let (visit, mark) = changed_at(of, mark).ok_or_else(unknown)?;
            let mut changes = of.changes.iter().filter(|change| change.visit == visit);
            let change = changes.nth(at).ok_or_else(unknown)?;
            let mut found = of_change(change, field).ok_or_else(unknown)?;
            let mut behind = behind_change(read, of, change, field, basis)?;
            if let Some((earlier, later)) = change.again.as_ref().filter(|_| MEASURED.contains(&field)) {
                behind.measured_again(&of.visits[0].visit_id, earlier);
                behind.measured_again(&of.visits[change.visit - 1].visit_id, later);
                found.formula += AGAIN;
            }
            let data = behind_limit(change, basis).len();
            if change.limit.is_some() && !OF_RESULTS.contains(&field) && data > 0 {
                let given = behind.files.len();
                found.formula +=
                    &format!("; {given} of the {data} visits behind it are among the recordings given");
            }
            Ok(number(format!("{mark}:{local}"), found, behind))
        }
        "trend" => {
            let trend = of.trends.get(at).ok_or_else(unknown)?;
            let mut found = of_trend(trend, field).ok_or_else(unknown)?;
            found.formula += &format!("; {}, {}", trend.muscle, trend.test);
            let is_in = |visit: &Visit| {
                trend.visits.iter().any(|number| of.visits[number - 1].visit_id == visit.visit_id)
            };
            let mut behind =
                Behind::of(read, |visit| visit.find(&trend.muscle, &trend.test).filter(|_| is_in(visit)))?;
            for (visit, peaks) in &trend.again {
                behind.measured_again(&of.visits[visit - 1].visit_id, peaks);
            }
            if !trend.again.is_empty() {
                found.formula += AGAIN;
            }
            Ok(number(local.to_owned(), found, behind))
        }
        _ => {
            let found = of_comparison(of, field).filter(|_| at == 0).ok_or_else(unknown)?;
            let files = read.iter().map(|(_, visit)| visit.file.display().to_string()).collect();
            Ok(number(local.to_owned(), found, Behind { files, origins: Vec::new() }))
        }
    }
}

/// Which visit of a comparison a change is at, and its mark; without one it is the last.
fn changed_at(of: &Comparison, mark: Option<&str>) -> Option<(usize, String)> {
    let visits = || (1..).zip(&of.visits).map(|(number, visit)| (number, visit_mark(&visit.visit_id)));
    match mark {
        None => visits().last(),
        Some(mark) => visits().find(|(_, known)| known == mark),
    }
}

/// The recordings and trials that a number rests on.
struct Behind {
    files: Vec<String>,
    origins: Vec<Origin>,
}

impl Behind {
    /// The trials behind this item's results, of each recording that has it.
    fn of<'a>(
        read: &'a [(Recording, Visit)],
        item: impl Fn(&'a Visit) -> Option<&'a Measured>,
    ) -> Result<Behind, NumberError> {
        let mut behind = Behind { files: Vec::new(), origins: Vec::new() };
        for (recording, visit) in read {
            let Some(measured) = item(visit) else { continue };
            let rows = recording.trials()?;
            behind.files.push(visit.file.display().to_string());
            let orders = used(&measured.item);
            behind.origins.extend(orders.iter().filter_map(|order| origin(recording, &rows, *order)));
        }
        Ok(behind)
    }

    /// Takes the peaks of a visit that were measured again for those in its recording.
    fn measured_again(&mut self, visit_id: &str, peaks: &Peaks) {
        for origin in self.origins.iter_mut().filter(|origin| origin.visit == visit_mark(visit_id)) {
            let again = peaks.0.iter().find(|(order, _)| *order == origin.trial);
            origin.peak_zero_n = again.map_or(origin.peak_zero_n, |(_, peak_n)| Some(*peak_n));
        }
    }
}

/// What a formula says where its trials' peaks are not those of the recording.
const AGAIN: &str =
    "; the peaks are measured again, with the last visit's settings: those in the recordings are others";

/// A number of this id rests on what changes are held against, besides the recordings.
pub fn rests_on_limits(id: &str) -> bool {
    let local = id.rsplit(':').next().unwrap_or(id);
    let field = local.split_once('.').map_or("", |(_, field)| field);
    local.starts_with("reliability-")
        || local.starts_with("comparison-")
        || field == procedure::SEM
        || (local.starts_with("change-") && !OF_RESULTS.contains(&field))
}

/// Fields of a change that are of its two results; the others are of the limit.
const OF_RESULTS: [&str; 6] =
    ["earlier_n", "later_n", "change_n", "change_percent", "reported_earlier_n", "reported_later_n"];
/// Those of them that measuring again moves.
const MEASURED: [&str; 4] = ["earlier_n", "later_n", "change_n", "change_percent"];

/// What a number of a change rests on: its two results, or, where it is of the limit, the repeats behind that.
fn behind_change(
    read: &[(Recording, Visit)],
    of: &Comparison,
    change: &Change,
    field: &str,
    basis: &Basis,
) -> Result<Behind, NumberError> {
    let is = |visit: &Visit, number: usize| of.visits[number - 1].visit_id == visit.visit_id;
    if !OF_RESULTS.contains(&field) {
        let Basis::Own(document) = basis else {
            return Ok(Behind { files: Vec::new(), origins: Vec::new() });
        };
        let data: Vec<&String> = document.analyses.iter().flat_map(|of| of.visits.iter().flatten()).collect();
        return Behind::of(read, |visit| {
            visit.find(&change.muscle, &change.test).filter(|_| data.contains(&&visit.visit_id))
        });
    }
    let wanted = |visit: &Visit| {
        (!field.ends_with("later_n") && is(visit, 1))
            || (!field.ends_with("earlier_n") && is(visit, change.visit))
    };
    Behind::of(read, |visit| visit.find(&change.muscle, &change.test).filter(|_| wanted(visit)))
}

/// The visits behind the limit of a change.
fn behind_limit<'a>(change: &Change, basis: &'a Basis) -> Vec<&'a String> {
    let Basis::Own(document) = basis else { return Vec::new() };
    let of = document.analyses.iter().find(|of| change.limit_source == comparison::own_source(of));
    of.into_iter().flat_map(|of| of.visits.iter().flatten()).collect()
}

fn of_change(change: &Change, field: &str) -> Option<Found> {
    let percent = |of: f64| if change.as_ratio { 100.0 * libm::expm1(of) } else { of };
    let (limit, alone) = (change.limit.as_ref(), change.alone.as_ref());
    let value = match field {
        "earlier_n" => change.earlier_n,
        "later_n" => change.later_n,
        "reported_earlier_n" => change.reported_n.map(|(earlier, _)| earlier),
        "reported_later_n" => change.reported_n.map(|(_, later)| later),
        "change_n" => change.change_n,
        "change_percent" => change.change_percent,
        "limit" => limit.map(|of| percent(of.decides)),
        "mdc" => limit.map(|of| percent(of.mdc.value)),
        "limit_down" => limit.map(|of| percent(-of.decides)),
        "mdc_down" => limit.map(|of| percent(-of.mdc.value)),
        "mdc95_alone_down" => alone.map(|of| percent(-of.decides)),
        "mdc95_down" => alone.map(|of| percent(-of.mdc.value)),
        "mdc_low" => limit.and_then(|of| of.mdc.low).map(percent),
        "mdc_high" => limit.and_then(|of| of.mdc.high).map(percent),
        "mdc95_alone" => alone.map(|of| percent(of.decides)),
        "mdc95" => alone.map(|of| percent(of.mdc.value)),
        "mdc95_low" => alone.and_then(|of| of.mdc.low).map(percent),
        "mdc95_high" => alone.and_then(|of| of.mdc.high).map(percent),
        "participants" => change.limit_participants.map(|participants| participants as f64),
        "chance_percent" => limit.map(|of| 100.0 * of.alpha),
        _ => return None,
    };
    let mut found = described(&CHANGE_FIELDS, field, value, Vec::new())?;
    if found.unit == LIMIT_UNIT {
        found.unit = if change.as_ratio { "%" } else { "N" }.to_owned();
    }
    found.formula += &format!("; {}, {}", change.muscle, change.test);
    if !OF_RESULTS.contains(&field) {
        found.formula += &match change.limit_participants.filter(|_| change.limit.is_some()) {
            Some(participants) => format!("; from {}, n {participants}", change.limit_source),
            None => format!("; cannot say, because {}", change.cannot_say.join("; ")),
        };
    } else if !change.settings.is_empty() {
        found.formula += &format!("; analysis settings {}", change.settings);
    }
    Some(found)
}

fn of_comparison(of: &Comparison, field: &str) -> Option<Found> {
    let value = match field {
        "judged" => (of.judged_singly + of.judged_together) as f64,
        "changes" => of.changes.len() as f64,
        "singly" => of.judged_singly as f64,
        "together" => of.judged_together as f64,
        "false_changes" => of.false_changes,
        "trends" => visit_trend::by_chance(&of.trends).unwrap_or_default().0 as f64,
        "trends_by_chance" => visit_trend::by_chance(&of.trends).unwrap_or_default().1,
        _ => return None,
    };
    described(&COMPARISON_FIELDS, field, Some(value), Vec::new())
}

fn of_trend(of: &VisitTrend, field: &str) -> Option<Found> {
    let slope = of.slope_n_per_day;
    let value = match field {
        "visits" => Some(of.points.len() as f64),
        "slope_n_per_day" => slope.map(|slope| slope.value),
        "slope_low" => slope.and_then(|slope| slope.low),
        "slope_high" => slope.and_then(|slope| slope.high),
        "p" => of.p,
        _ => return None,
    };
    described(&TREND_FIELDS, field, value, Vec::new())
}
