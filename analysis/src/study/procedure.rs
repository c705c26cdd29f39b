//! The procedure's own error beside a result: the standard error of measurement of the site's own repeats, where its
//! conditions match.
//!
//! Comes in: reliability data, an item as measured. Goes out: its SEM (N, or % of the result where errors grow with the force)
//! with where it comes from, or why there is none. It is never merged with the instrument's uncertainty: neither contains the
//! other.
use super::comparison::Form;
use super::conditions::{Conditions, Vouched};
use super::reliability::{Document, Reliability};
use super::visit::{Measured, Visit};
use crate::prose::Prose;
use crate::statistics::sem::Sem;
use serde::Serialize;

/// Field of an item's SEM in the ids of printed numbers.
pub const SEM: &str = "procedure_sem";

/// The site's own repeats, and how they are used.
#[derive(Debug, Clone, PartialEq)]
pub struct Repeats {
    /// The data.
    pub document: Document,
    /// Conditions that the user vouches for.
    pub vouched: Vouched,
    /// Which SEM.
    pub form: Form,
}

/// The procedure's standard error of measurement of one item. Unknown is `None`.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Procedure {
    /// Of the result, the mean of the first three valid peaks, N.
    pub sem_n: Option<f64>,
    /// The same, % of the result, where errors grow with the force.
    pub sem_percent: Option<f64>,
    /// Of a single trial's peak, N.
    pub trial_sem_n: Option<f64>,
    /// Where it comes from; "" nowhere.
    pub source: String,
    /// Why there is none.
    pub cannot_say: Vec<String>,
}

/// The analysis that fits a muscle and test, with the SEM that is asked for.
#[derive(Clone, Copy)]
pub(super) struct Own<'a> {
    /// The analysis.
    pub of: &'a Reliability,
    /// Errors grow with the force: the SEM is of logarithms.
    pub as_ratio: bool,
    /// The SEM.
    pub sem: Option<Sem>,
}

impl Own<'_> {
    /// Why there is no SEM.
    pub fn why_none(&self) -> &'static str {
        if self.as_ratio {
            "in the reliability data differences grow with the force, and ratios do not hold for all forces either, or one is not \
             above zero: no one error holds for all"
        } else {
            "the reliability data give no standard error of measurement"
        }
    }
}

/// The user's own data for this muscle and test: of this side, or else of the other, or else of a table that names none.
pub(super) fn own<'a>(
    document: &'a Document,
    muscle: &str,
    conditions: &Conditions,
    form: Form,
) -> Option<Own<'a>> {
    let same = |of: &&Reliability| {
        let known = |ours: &str, theirs: &str| theirs.is_empty() || ours == theirs;
        known(&conditions.muscle, &of.conditions.muscle) && known(&conditions.test, &of.conditions.test)
    };
    let all = || document.analyses.iter().filter(same);
    let of = all().find(|of| of.name.starts_with(muscle)).or_else(|| all().next())?;
    let as_ratio = of.pairs.iter().any(|pair| pair.of.grows);
    let sem = match (form, as_ratio) {
        (Form::Agreement, false) => of.agreement,
        (Form::Agreement, true) => of.agreement_of_logs,
        (Form::Consistency, false) => of.consistency,
        (Form::Consistency, true) => of.consistency_of_logs,
    };
    Some(Own { of, as_ratio, sem })
}

impl Repeats {
    /// SEM of a single trial, N: that of the table of trials averaged, which is of consistency; where agreement is asked for, with
    /// what the occasions' shift adds to the result's.
    fn of_a_trial(&self, of: &Reliability) -> Option<f64> {
        let trial = of.averaging.as_ref()?.iter().find(|of| of.trials == 1)?.sem;
        let shift = match self.form {
            Form::Consistency => 0.0,
            Form::Agreement => {
                let (agreement, consistency) = (of.agreement?.sem.value, of.consistency?.sem.value);
                (agreement * agreement - consistency * consistency).max(0.0)
            }
        };
        Some((trial * trial + shift).sqrt())
    }

    /// The procedure's error of an item of one visit. Who examined is a matter of two visits: it is said with the source.
    fn of_item(&self, visit: &Visit, measured: &Measured) -> Procedure {
        let refused = |why: &str| Procedure { cannot_say: vec![why.to_owned()], ..Procedure::default() };
        let conditions = &measured.conditions;
        let Some(own) = own(&self.document, &measured.item.muscle, conditions, self.form) else {
            return refused("the reliability data hold no such muscle and test");
        };
        let mut vouched = self.vouched.clone();
        vouched.0.push("examiner".to_owned());
        let behind = Conditions { examiner: String::new(), ..own.of.conditions.clone() };
        let differences = conditions.differences(&behind, &vouched);
        if !differences.is_empty() {
            return Procedure { cannot_say: differences, ..Procedure::default() };
        }
        let Some(sem) = own.sem else {
            return refused(own.why_none());
        };
        let value = sem.sem.value;
        let examiner = match own.of.conditions.examiner.as_str() {
            "" => String::new(),
            word => format!(", {word} examiner"),
        };
        let stranger = !visit.examiner.is_empty() && !own.of.examiners.contains(&visit.examiner);
        let found_with = if stranger && !own.of.examiners.is_empty() {
            format!(", found with {}, not {}", own.of.examiners.join(" and "), visit.examiner)
        } else {
            String::new()
        };
        let form = if self.form == Form::Agreement { "agreement" } else { "consistency" };
        let side = if own.of.name.starts_with(&measured.item.muscle) || own.of.conditions.muscle.is_empty() {
            ""
        } else {
            ", of the other side"
        };
        Procedure {
            sem_n: (!own.as_ratio).then_some(value),
            sem_percent: own.as_ratio.then(|| 100.0 * libm::expm1(value)),
            trial_sem_n: self.of_a_trial(own.of).filter(|_| !own.as_ratio),
            source: format!(
                "own data: {}{side}, n {}{examiner}{found_with}, {form}",
                own.of.name, own.of.subjects
            ),
            cannot_say: Vec::new(),
        }
    }
}

/// The procedure's error of each item of a visit, by the item's number.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct OfVisit(Vec<(i64, Procedure)>);

impl OfVisit {
    /// Of a visit's items; empty without repeats of the site's own.
    pub fn of(visit: &Visit, repeats: Option<&Repeats>) -> OfVisit {
        let items = visit.items.iter().filter_map(|of| Some((of.item.item, repeats?.of_item(visit, of))));
        OfVisit(items.collect())
    }

    /// Of an item; `None` where no repeats were given.
    pub fn get(&self, item: i64) -> Option<&Procedure> {
        self.0.iter().find(|(number, _)| *number == item).map(|(_, of)| of)
    }

    /// Without what tells in words where it comes from or why there is none: conditions say something of the participant.
    pub fn without_words(&mut self) {
        for (_, of) in &mut self.0 {
            if !of.source.is_empty() {
                "own data".clone_into(&mut of.source);
            }
            if !of.cannot_say.is_empty() {
                of.cannot_say = vec!["left out".to_owned()];
            }
        }
    }

    /// Each item's number and error.
    pub fn all(&self) -> impl Iterator<Item = (i64, &Procedure)> {
        self.0.iter().map(|(item, of)| (*item, of))
    }
}

impl Procedure {
    /// The SEM of the result in words; `None` where it is not known.
    pub fn sem(&self) -> Option<String> {
        self.value().map(|(value, unit, digits)| format!("{value:.digits$} {unit}"))
    }

    /// The SEM of the result with its unit, and with how many digits it is shown.
    pub fn value(&self) -> Option<(f64, &'static str, usize)> {
        let in_n = self.sem_n.map(|sem_n| (sem_n, "N", 2));
        in_n.or_else(|| self.sem_percent.map(|percent| (percent, "%", 1)))
    }

    /// All of it in words; the SEM's field is [`SEM`] of its item.
    pub fn words(&self) -> Prose {
        match self.value() {
            Some((value, unit, digits)) => Prose::from("procedure SEM ")
                .number(format!("{value:.digits$}"), SEM)
                .words(&format!(" {unit} ({})", self.source)),
            None => format!("procedure SEM: cannot say, because {}", self.cannot_say.join("; ")).into(),
        }
    }
}
