//! For the paper: a paragraph of methods, and a checklist of what a report of reliability must say.
//!
//! Comes in: visits and, where there is one, an analysis of reliability. Goes out: text in which what is known is filled in,
//! and what is not is left open and said to be.
use super::page::instrument;
use crate::measures::repeats::SCORED;
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
pub fn paragraph(sources: &[Source], protocol: Option<&Protocol>) -> String {
    let measured = || sources.iter().flat_map(|source| &source.visit.items);
    let (trials, used) = measured()
        .fold((0, 0), |(all, used), of| (all + of.item.trials.len(), used + of.item.spread.trials_used));
    let each = |of: &dyn Fn(&Source) -> Vec<String>| unique(sources.iter().flat_map(of));
    let participants = each(&|source| vec![source.visit.participant.clone()]);
    let examiners = each(&|source| vec![source.visit.examiner.clone()]);
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
    format!(
        "Participants: {}; examiners: {}; visits: {}. Force was taken with {}. Tests: {}. Conditions: {}. \
         Holds were found and measured by {} with analysis settings {} (SHA-256 digest of all parameters of the finder but \
         those set for the person; they are stored in the recordings). Onset: model-fitted start of the pull; peak: \
         greatest 20-ms mean of the force above zero, zero being the mean of the unloaded sensor before the visit. The \
         result of an item is the mean of the peaks of its first {SCORED} valid trials, decided before testing; further \
         trials replace none. Of {trials} trials, {used} are behind results and {} are not ({}). Standard deviations have \
         n − 1; the interval of a CV is the modified McKay interval (Vangel 1996). Blinding: {}. Order and randomisation: {}. \
         {}This text: finger-force {}.",
        participants.len(),
        examiners.len(),
        sources.len(),
        instruments.join("; "),
        tests.join(", "),
        conditions.join("; "),
        software.join(", "),
        if settings.is_empty() { "that were not recorded".to_owned() } else { settings.join(", ") },
        trials - used,
        exclusions(sources),
        blinding(sources, protocol),
        order(sources, protocol),
        protocol.map_or_else(String::new, followed),
        env!("CARGO_PKG_VERSION"),
    )
}

/// What was shown of the force to whom, as recorded, and what the protocol says beyond it.
fn blinding(sources: &[Source], protocol: Option<&Protocol>) -> String {
    let items: Vec<plan::Item> = sources.iter().flat_map(|source| plan_of(source).items).collect();
    let seen = |who: &str, of: fn(&plan::Item) -> &String| {
        let words = unique(items.iter().map(|item| of(item).clone()));
        let each = words.iter().map(|word| {
            let times = items.iter().filter(|item| of(item) == word).count();
            format!("{word} ({times} of {} items)", items.len())
        });
        let each: Vec<String> = each.collect();
        let told = if each.is_empty() { "not recorded".to_owned() } else { each.join(", ") };
        format!("of the force, the {who} saw: {told}")
    };
    let said = protocol.map(|protocol| protocol.blinding.as_str()).filter(|said| !said.is_empty());
    format!(
        "{}; {}; to earlier results and to groups: {}",
        seen("participant", |item| &item.participant_sees),
        seen("examiner", |item| &item.examiner_sees),
        said.unwrap_or(OPEN)
    )
}

/// In what order items were tested, and what the protocol says beyond it.
fn order(sources: &[Source], protocol: Option<&Protocol>) -> String {
    let plans: Vec<Plan> = sources.iter().map(plan_of).collect();
    let planned = plans.iter().filter(|plan| !plan.items.is_empty());
    let (random, fixed): (Vec<&Plan>, Vec<&Plan>) = planned.partition(|plan| !plan.randomise.is_empty());
    let what = unique(random.iter().flat_map(|plan| plan.randomise.clone()));
    let seeds = unique(random.iter().filter_map(|plan| plan.seed.map(|seed| seed.to_string())));
    let mut parts = Vec::new();
    if !random.is_empty() {
        parts.push(format!(
            "{} of {} visits in random order of {} (seeds {}, kept in the recordings)",
            random.len(),
            sources.len(),
            what.join(" and "),
            seeds.join(", ")
        ));
    }
    if !fixed.is_empty() {
        parts.push(format!("{} of {} visits in the order of the plan", fixed.len(), sources.len()));
    }
    if parts.is_empty() {
        parts.push("not recorded".to_owned());
    }
    let said = protocol.map(|protocol| protocol.randomisation.as_str()).filter(|said| !said.is_empty());
    format!("{}; allotment: {}", parts.join(", "), said.unwrap_or(OPEN))
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

/// How many trials were left out for each reason.
fn exclusions(sources: &[Source]) -> String {
    let trials = sources.iter().flat_map(|source| &source.visit.items).flat_map(|of| &of.item.trials);
    let reasons: Vec<&str> =
        trials.filter(|trial| !trial.used).map(|trial| trial.why_not_used.as_str()).collect();
    let counted = unique(reasons.iter().map(|reason| (*reason).to_owned()));
    let each = counted
        .iter()
        .map(|reason| format!("{}: {reason}", reasons.iter().filter(|other| *other == reason).count()));
    if counted.is_empty() { "none left out".to_owned() } else { each.collect::<Vec<_>>().join("; ") }
}

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
) -> Vec<(&'static str, String)> {
    let open = || OPEN.to_owned();
    let visits = || sources.iter().map(|source| source.visit);
    let participants = unique(visits().map(|visit| visit.participant.clone()));
    let examiners = unique(visits().map(|visit| visit.examiner.clone()));
    let populations = unique(visits().map(|visit| visit.population.clone()));
    let instruments = unique(sources.iter().flat_map(|source| {
        source.recording.sensors().iter().map(|sensor| format!("{}: {}", sensor.serial, instrument(sensor)))
    }));
    let or_open = |words: Vec<String>| if words.is_empty() { open() } else { words.join("; ") };
    vec![
        ("Title or abstract names reliability or agreement", open()),
        ("The instrument", or_open(instruments)),
        ("Who is measured", or_open(populations)),
        ("Who measures", format!("examiners {} {OPEN}: training", examiners.join(", "))),
        ("What is known already, and why this study", open()),
        ("How the number of participants, raters and repeats was chosen", planned(document)),
        ("How participants and raters were sampled", open()),
        ("How it was measured: repeats, interval, conditions", repeats(sources)),
        ("Whether ratings were independent, who was blinded", blinding(sources, protocol)),
        ("Statistical analysis", statistics(document)),
        (
            "How many participants, raters and repeats there were",
            format!(
                "participants: {}; examiners: {}; visits: {}",
                participants.len(),
                examiners.len(),
                sources.len()
            ),
        ),
        ("What the sample was like", open()),
        ("Estimates with their uncertainty", estimates(document)),
        ("What the results mean in practice", open()),
        (
            "Where more detail is",
            "recordings, with every sample; fingerforce reliability … --json".to_owned(),
        ),
    ]
}

fn repeats(sources: &[Source]) -> String {
    let days: Vec<f64> = sources
        .iter()
        .filter_map(|source| {
            let at: jiff::Timestamp = source.visit.started_utc.parse().ok()?;
            Some(at.as_second() as f64 / 86_400.0)
        })
        .collect();
    let (first, last) = days.iter().fold((f64::MAX, f64::MIN), |(a, b), day| (a.min(*day), b.max(*day)));
    let span = if days.len() > 1 {
        format!("{:.1} days from first to last visit", last - first)
    } else {
        OPEN.to_owned()
    };
    format!("first {SCORED} valid trials an item; {span}; conditions as in the paragraph of methods")
}

fn planned(document: Option<&Document>) -> String {
    let plan = document.and_then(|document| document.analyses.first()).and_then(|of| of.planned.first());
    let told = plan.map(|plan| {
        format!(
            "for orientation, a width of {} of the 95 % interval at an ICC of {:.2} would take {} participants with {} \
             values each (Bonett 2002); ",
            plan.width, plan.icc, plan.participants, plan.repeats
        )
    });
    told.unwrap_or_default() + OPEN
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

fn estimates(document: Option<&Document>) -> String {
    let Some(document) = document else { return OPEN.to_owned() };
    let each = document.analyses.iter().map(|of| {
        let icc = of.icc.iter().find(|form| form.shrout_fleiss == "ICC(2,1)");
        let icc = icc.map_or_else(String::new, |form| {
            let ends = crate::command::reliability::interval(form.low, form.high, 2);
            format!("ICC(2,1) {:.2} ({ends})", form.icc)
        });
        let sem = of.agreement.map_or_else(String::new, |sem| {
            format!(
                ", SEM (agreement) {:.2} {unit}, MDC95 {:.2} {unit}",
                sem.sem.value,
                sem.mdc95.value,
                unit = of.unit
            )
        });
        format!("{}: {icc}{sem}, n {}", of.name, of.subjects)
    });
    each.collect::<Vec<_>>().join("; ")
}
