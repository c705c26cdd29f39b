//! For the paper: a paragraph of methods, and a checklist of what a report of reliability must say.
//!
//! Comes in: visits and, where there is one, an analysis of reliability. Goes out: text in which what is known is filled in,
//! and what is not is left open and said to be. Its numbers have ids, `study-1.FIELD`; those of the reliability data, their own.
use super::number::{reliability_id, study_id};
use super::page::instrument;
use crate::measures::repeats::SCORED;
use crate::prose::Prose;
use crate::recording::read::Recording;
use crate::study::conditions::Conditions;
use crate::study::plan::{self, Plan};
use crate::study::protocol::Protocol;
use crate::study::reliability::Document;
use crate::study::visit::{Measured, Visit};

/// What only the author knows.
const OPEN: &str = "[to be filled in by the author]";

/// A visit and the recording it was read from.
pub struct Source<'a> {
    /// The recording.
    pub recording: &'a Recording,
    /// What was read.
    pub visit: &'a Visit,
}

/// The paragraph.
pub fn paragraph(sources: &[Source], protocol: Option<&Protocol>) -> Prose {
    let measured = || sources.iter().flat_map(|source| &source.visit.items);
    let (trials, used) = measured()
        .fold((0, 0), |(all, used), of| (all + of.item.trials.len(), used + of.item.spread.trials_used));
    let each = |of: &dyn Fn(&Source) -> Vec<String>| unique(sources.iter().flat_map(of));
    let instruments = each(&|source| {
        source
            .recording
            .sensors()
            .iter()
            .map(|sensor| format!("{}: {}", sensor.serial, instrument(sensor)))
            .collect()
    });
    let software = each(&|source| vec![source.visit.software.clone()]);
    let settings = unique(measured().filter_map(Measured::settings));
    let tests = unique(measured().map(|of| format!("{} ({})", of.conditions.muscle, of.conditions.test)));
    let conditions = unique(measured().map(|of| condition_words(&of.conditions)));
    people(sources)
        .words(&format!(
            ". Force was taken with {}. Tests: {}. Conditions: {}. Holds were found and measured by {} with analysis settings {} \
             (SHA-256 digest of all parameters of the finder but those set for the person; they are stored in the recordings). \
             Onset: model-fitted start of the pull; peak: greatest 20-ms mean of the force above zero, zero being the mean of \
             the unloaded sensor before the visit. The result of an item is the mean of the peaks of its first {SCORED} valid \
             trials, decided before testing; further trials replace none. Of ",
            instruments.join("; "),
            tests.join(", "),
            conditions.join("; "),
            software.join(", "),
            if settings.is_empty() { "that were not recorded".to_owned() } else { settings.join(", ") },
        ))
        .number(trials.to_string(), "trials")
        .words(" trials, ")
        .number(used.to_string(), "trials_used")
        .words(" are behind results and ")
        .number((trials - used).to_string(), "trials_not_used")
        .words(" are not (")
        .then(exclusions(sources))
        .words(
            "). Standard deviations have n − 1; the interval of a CV is the modified McKay interval (Vangel 1996). Blinding: ",
        )
        .then(blinding(sources, protocol))
        .words(". Order and randomisation: ")
        .then(order(sources, protocol))
        .words(&format!(
            ". {}This text: finger-force {}.",
            protocol.map_or_else(String::new, followed),
            env!("CARGO_PKG_VERSION")
        ))
        .with_ids(study_id)
}

/// How many participants, examiners and visits there were.
fn people(sources: &[Source]) -> Prose {
    let count = |of: fn(&Visit) -> &String| {
        unique(sources.iter().map(|source| of(source.visit).clone())).len().to_string()
    };
    Prose::from("Participants: ")
        .number(count(|visit| &visit.participant), "participants")
        .words("; examiners: ")
        .number(count(|visit| &visit.examiner), "examiners")
        .words("; visits: ")
        .number(sources.len().to_string(), "visits")
}

/// What was shown of the force to whom, as recorded, and what the protocol says beyond it.
fn blinding(sources: &[Source], protocol: Option<&Protocol>) -> Prose {
    let items: Vec<plan::Item> = sources.iter().flat_map(|source| plan_of(source).items).collect();
    let seen = |who: &str, of: fn(&plan::Item) -> &String| {
        let words = unique(items.iter().map(|item| of(item).clone()));
        let each = (1..).zip(&words).map(|(number, word)| {
            let times = items.iter().filter(|item| of(item) == word).count();
            Prose::from(format!("{word} ("))
                .number(times.to_string(), &format!("{who}_saw_{number}"))
                .words(&format!(" of {} items)", items.len()))
        });
        let told = if words.is_empty() { "not recorded".into() } else { Prose::joined(each, ", ") };
        Prose::from(format!("of the force, the {who} saw: ")).then(told)
    };
    let said = protocol.map(|protocol| protocol.blinding.as_str()).filter(|said| !said.is_empty());
    seen("participant", |item| &item.participant_sees)
        .words("; ")
        .then(seen("examiner", |item| &item.examiner_sees))
        .words(&format!("; to earlier results and to groups: {}", said.unwrap_or(OPEN)))
}

/// In what order items were tested, and what the protocol says beyond it.
fn order(sources: &[Source], protocol: Option<&Protocol>) -> Prose {
    let plans: Vec<Plan> = sources.iter().map(plan_of).collect();
    let planned = plans.iter().filter(|plan| !plan.items.is_empty());
    let (random, fixed): (Vec<&Plan>, Vec<&Plan>) = planned.partition(|plan| !plan.randomise.is_empty());
    let what = unique(random.iter().flat_map(|plan| plan.randomise.clone()));
    let seeds = unique(random.iter().filter_map(|plan| plan.seed.map(|seed| seed.to_string())));
    let of_visits = |count: usize, id: &str| {
        let number = Prose::default().number(count.to_string(), id).words(" of ");
        number.again(sources.len().to_string(), "visits")
    };
    let mut parts = Vec::new();
    if !random.is_empty() {
        parts.push(of_visits(random.len(), "in_random_order").words(&format!(
            " visits in random order of {} (seeds {}, kept in the recordings)",
            what.join(" and "),
            seeds.join(", ")
        )));
    }
    if !fixed.is_empty() {
        parts.push(of_visits(fixed.len(), "in_planned_order").words(" visits in the order of the plan"));
    }
    if parts.is_empty() {
        parts.push("not recorded".into());
    }
    let said = protocol.map(|protocol| protocol.randomisation.as_str()).filter(|said| !said.is_empty());
    Prose::joined(parts, ", ").words(&format!("; allotment: {}", said.unwrap_or(OPEN)))
}

fn plan_of(source: &Source) -> Plan {
    plan::read(&source.recording.root().plan)
}

/// The protocol that was followed, with what it froze.
fn followed(of: &Protocol) -> String {
    let settings = match of.settings.as_slice() {
        [] => "it freezes no analysis settings".to_owned(),
        frozen => format!("it froze the analysis settings {}", frozen.join(", ")),
    };
    format!("Protocol: {} (SHA-256 {}); {settings}. ", of.title, of.sha256)
}

/// Why trials were left out, each reason once.
pub fn reasons(sources: &[Source]) -> Vec<String> {
    unique(left_out(sources).map(str::to_owned))
}

fn left_out<'a>(sources: &'a [Source]) -> impl Iterator<Item = &'a str> {
    let trials = sources.iter().flat_map(|source| &source.visit.items).flat_map(|of| &of.item.trials);
    trials.filter(|trial| !trial.used).map(|trial| trial.why_not_used.as_str())
}

/// How many trials were left out for each reason.
fn exclusions(sources: &[Source]) -> Prose {
    let reasons = reasons(sources);
    if reasons.is_empty() {
        return "none left out".into();
    }
    let each = (1..).zip(&reasons).map(|(number, reason)| {
        let count = left_out(sources).filter(|other| other == reason).count();
        Prose::default()
            .number(count.to_string(), &format!("{EXCLUDED}{number}"))
            .words(&format!(": {reason}"))
    });
    Prose::joined(each, "; ")
}

/// A printed number of the paragraph or the checklist, by the id that it has there.
pub fn printed(sources: &[Source], document: Option<&Document>, id: &str) -> Option<f64> {
    let checklist = checklist(sources, document, None);
    let told = checklist.iter().map(|(_, told)| told);
    let paragraph = paragraph(sources, None);
    std::iter::once(&paragraph).chain(told).find_map(|prose| prose.shown(id)?.parse().ok())
}

/// What the field of a number of the paragraph or the checklist begins with, its unit and how it is made.
pub const FIELDS: [(&str, &str, &str); 12] = [
    ("participants", "1", "number of participants' codes"),
    ("examiners", "1", "number of examiners' codes"),
    ("visits", "1", "number of recordings, one a visit"),
    ("trials_used", "1", "number of trials behind the results, three at most an item"),
    ("trials_not_used", "1", "number of the items' trials that are behind no result"),
    ("trials", "1", "number of the items' trials"),
    (EXCLUDED, "1", "number of trials that are behind no result for this reason"),
    ("participant_saw_", "1", "number of planned items in which this was shown of the force"),
    ("examiner_saw_", "1", "number of planned items in which this was shown of the force"),
    ("in_random_order", "1", "number of visits whose plan was put into random order"),
    ("in_planned_order", "1", "number of visits whose plan was followed in its order"),
    ("days", "d", "time from the first visit's beginning to the last one's"),
];

/// What the fields of the counts of trials left out begin with; their number is that of the reason.
pub const EXCLUDED: &str = "excluded_";

fn condition_words(of: &Conditions) -> String {
    let word = |name: &str, value: &str| (!value.is_empty()).then(|| format!("{name} {value}"));
    let parts = [
        word("arrangement", &of.arrangement),
        word("reaction", &of.reaction),
        word("coupling", &of.coupling),
        word("position", &of.position),
        of.lever_mm.map(|lever| format!("lever {lever:.0} mm")),
        word("profile", &of.profile),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() { format!("not recorded {OPEN}") } else { parts.join(", ") }
}

fn unique(words: impl Iterator<Item = String>) -> Vec<String> {
    let mut all: Vec<String> = words.filter(|word| !word.is_empty()).collect();
    all.sort();
    all.dedup();
    all
}

/// The checklist: what a report of reliability and agreement must say, in the order of the guideline of Kottner et al. 2011
/// (J. Clin. Epidemiol. 64:96–106), in our words; what is asked, and what can be said.
pub fn checklist(
    sources: &[Source],
    document: Option<&Document>,
    protocol: Option<&Protocol>,
) -> Vec<(&'static str, Prose)> {
    let open = || Prose::from(OPEN);
    let visits = || sources.iter().map(|source| source.visit);
    let examiners = unique(visits().map(|visit| visit.examiner.clone()));
    let populations = unique(visits().map(|visit| visit.population.clone()));
    let instruments = unique(sources.iter().flat_map(|source| {
        source.recording.sensors().iter().map(|sensor| format!("{}: {}", sensor.serial, instrument(sensor)))
    }));
    let or_open = |words: Vec<String>| if words.is_empty() { open() } else { words.join("; ").into() };
    vec![
        ("Title or abstract names reliability or agreement", open()),
        ("The instrument", or_open(instruments)),
        ("Who is measured", or_open(populations)),
        ("Who measures", format!("examiners {} {OPEN}: training", examiners.join(", ")).into()),
        ("What is known already, and why this study", open()),
        ("How the number of participants, raters and repeats was chosen", planned(document)),
        ("How participants and raters were sampled", open()),
        ("How it was measured: repeats, interval, conditions", repeats(sources)),
        (
            "Whether ratings were independent, who was blinded",
            blinding(sources, protocol).with_ids(study_id).elsewhere(),
        ),
        ("Statistical analysis", statistics(document).into()),
        (
            "How many participants, raters and repeats there were",
            people(sources).with_ids(study_id).elsewhere(),
        ),
        ("What the sample was like", open()),
        ("Estimates with their uncertainty", estimates(document)),
        ("What the results mean in practice", open()),
        ("Where more detail is", "recordings, with every sample; fingerforce reliability … --json".into()),
    ]
}

fn repeats(sources: &[Source]) -> Prose {
    let days: Vec<f64> = sources
        .iter()
        .filter_map(|source| {
            let at: jiff::Timestamp = source.visit.started_utc.parse().ok()?;
            Some(at.as_second() as f64 / 86_400.0)
        })
        .collect();
    let (first, last) = days.iter().fold((f64::MAX, f64::MIN), |(a, b), day| (a.min(*day), b.max(*day)));
    let span = if days.len() > 1 {
        Prose::default()
            .number(format!("{:.1}", last - first), &study_id("days"))
            .words(" days from first to last visit")
    } else {
        OPEN.into()
    };
    Prose::from(format!("first {SCORED} valid trials an item; "))
        .then(span)
        .words("; conditions as in the paragraph of methods")
}

fn planned(document: Option<&Document>) -> Prose {
    let plan = document.and_then(|document| document.analyses.first()).and_then(|of| of.planned.first());
    let id = |field: &str| reliability_id(1, field);
    let told = plan.map(|plan| {
        Prose::from("for orientation, a width of ")
            .number(plan.width.to_string(), &id("planned_width"))
            .words(" of the 95 % interval at an ICC of ")
            .number(format!("{:.2}", plan.icc), &id("planned_icc"))
            .words(" would take ")
            .number(plan.participants.to_string(), &id("planned_participants"))
            .words(" participants with ")
            .number(plan.repeats.to_string(), &id("planned_repeats"))
            .words(" values each (Bonett 2002); ")
    });
    told.unwrap_or_default().words(OPEN)
}

fn statistics(document: Option<&Document>) -> String {
    match document {
        None => format!("no analysis of reliability was given (--reliability) {OPEN}"),
        Some(document) => format!(
            "two-way analysis of variance without replication; ICC forms after Shrout & Fleiss (1979) and McGraw & Wong \
             (1996), SEM consistency √MS error and agreement √(σ² occasions + MS error), MDC = z·√2·SEM, limits of agreement \
             after Bland & Altman (1986, 1999); 95 % intervals; {}",
            document.software
        ),
    }
}

/// The numbers of the table of repeatability once more.
fn estimates(document: Option<&Document>) -> Prose {
    let Some(document) = document else { return OPEN.into() };
    let each = (1..).zip(&document.analyses).map(|(number, of)| {
        let mut told = Prose::from(format!("{}: ", of.name));
        if let Some(form) = of.icc.iter().find(|form| form.shrout_fleiss == "ICC(2,1)") {
            told = told
                .words("ICC(2,1) ")
                .number(format!("{:.2}", form.icc), "icc")
                .words(" (")
                .interval((form.low, form.high), 2, ("icc_low", "icc_high"))
                .words("), ");
        }
        if let Some(sem) = of.agreement {
            told = told
                .words("SEM (agreement) ")
                .number(format!("{:.2}", sem.sem.value), "sem")
                .words(&format!(" {}, MDC95 ", of.unit))
                .number(format!("{:.2}", sem.mdc95.value), "mdc95")
                .words(&format!(" {}, ", of.unit));
        }
        told.words("n ")
            .number(of.subjects.to_string(), "subjects")
            .with_ids(|field| reliability_id(number, field))
            .elsewhere()
    });
    Prose::joined(each, "; ")
}
