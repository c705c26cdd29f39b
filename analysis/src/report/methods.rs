//! For the paper: a paragraph of methods, and a checklist of what a report of reliability must say.
//!
//! Comes in: visits and, where there is one, an analysis of reliability. Goes out: text in which what is known is filled in,
//! and what is not is left open and said to be. Its numbers have ids, `study-1.FIELD`; those of the reliability data, their own.
use super::number::{reliability_id, study_id};
use super::page::instrument;
use crate::measures::repeats::SCORED;
use crate::prose::Prose;
use crate::recording::plan::{self, Plan};
use crate::recording::read::Recording;
use crate::statistics::sem::Estimate;
use crate::study::conditions::Conditions;
use crate::study::protocol::Protocol;
use crate::study::reliability::{Document, Reliability, of_ratios};
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
             Onset: model-fitted start of the pull; peak: greatest mean of the force above zero over 20 ms, or three samples where that is longer, zero being the mean of \
             the unloaded sensor when it was last taken before the pull. The result of an item is the mean of the peaks of its first {SCORED} valid \
             trials, decided before testing; further trials replace none. Of ",
            instruments.join("; "),
            tests.join(", "),
            conditions.join("; "),
            software.join(", "),
            if settings.is_empty() { "that were not recorded".to_owned() } else { settings.join(", ") },
        ))
        .number(count(sources, "trials"), "trials")
        .words(" trials, ")
        .number(count(sources, "trials_used"), "trials_used")
        .words(" are behind results and ")
        .number(count(sources, "trials_not_used"), "trials_not_used")
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
            protocol.map_or_else(String::new, |protocol| followed(protocol, &settings)),
            env!("CARGO_PKG_VERSION")
        ))
        .with_ids(study_id)
}

/// A number of the paragraph or the checklist by its field; see [`FIELDS`].
pub fn value(sources: &[Source], field: &str) -> Option<f64> {
    let codes =
        |of: fn(&Visit) -> &String| unique(sources.iter().map(|source| of(source.visit).clone())).len();
    let items = || sources.iter().flat_map(|source| &source.visit.items);
    let trials = |used: &[bool]| {
        items().flat_map(|of| &of.item.trials).filter(|trial| used.contains(&trial.used)).count()
    };
    let planned = |random: bool| {
        let plans = sources.iter().map(plan_of).filter(|plan| !plan.items.is_empty());
        plans.filter(|plan| plan.randomise.is_empty() != random).count()
    };
    let count = match field {
        "participants" => codes(|visit| &visit.participant),
        "examiners" => codes(|visit| &visit.examiner),
        "visits" => sources.len(),
        "trials" => trials(&[true, false]),
        "trials_used" => trials(&[true]),
        "trials_not_used" => trials(&[false]),
        "in_random_order" => planned(true),
        "in_planned_order" => planned(false),
        "days" => return days(sources),
        _ => {
            let (kind, number) = field.rsplit_once('_')?;
            let at = number.parse::<usize>().ok()?.checked_sub(1)?;
            let nth = |all: Vec<String>, wanted: String| all.into_iter().filter(|of| *of == wanted).count();
            match kind {
                "excluded" => nth(left_out(sources), reasons(sources).into_iter().nth(at)?),
                "participant_saw" | "examiner_saw" => {
                    let all = seen(sources, kind);
                    let wanted = unique(all.iter().cloned()).into_iter().nth(at)?;
                    nth(all, wanted)
                }
                _ => return None,
            }
        }
    };
    Some(count as f64)
}

/// The same as it is printed, for what is counted.
fn count(sources: &[Source], field: &str) -> String {
    value(sources, field).map_or_else(|| "–".to_owned(), |count| format!("{count:.0}"))
}

/// What was shown of the force in each planned item.
fn seen(sources: &[Source], kind: &str) -> Vec<String> {
    let items = sources.iter().flat_map(|source| plan_of(source).items);
    items
        .map(|item| if kind == "examiner_saw" { item.examiner_sees } else { item.participant_sees })
        .collect()
}

/// From the first visit's beginning to the last one's; `None` of one visit.
fn days(sources: &[Source]) -> Option<f64> {
    let began = sources.iter().filter_map(|source| source.visit.started_utc.parse::<jiff::Timestamp>().ok());
    let seconds: Vec<i64> = began.map(jiff::Timestamp::as_second).collect();
    let (first, last) = seconds.iter().min().zip(seconds.iter().max())?;
    (seconds.len() > 1).then(|| (last - first) as f64 / 86_400.0)
}

/// How many participants, examiners and visits there were.
fn people(sources: &[Source]) -> Prose {
    Prose::from("Participants: ")
        .number(count(sources, "participants"), "participants")
        .words("; examiners: ")
        .number(count(sources, "examiners"), "examiners")
        .words("; visits: ")
        .number(count(sources, "visits"), "visits")
}

/// What was shown of the force to whom, as recorded, and what the protocol says beyond it.
fn blinding(sources: &[Source], protocol: Option<&Protocol>) -> Prose {
    let told = |who: &str| {
        let kind = format!("{who}_saw");
        let all = seen(sources, &kind);
        let each = (1..).zip(unique(all.iter().cloned())).map(|(number, word)| {
            let field = format!("{kind}_{number}");
            Prose::from(format!("{word} ("))
                .number(count(sources, &field), &field)
                .words(&format!(" of {} items)", all.len()))
        });
        let each: Vec<Prose> = each.collect();
        let told = if each.is_empty() { "not recorded".into() } else { Prose::joined(each, ", ") };
        Prose::from(format!("of the force, the {who} saw: ")).then(told)
    };
    let said = protocol.map(|protocol| protocol.blinding.as_str()).filter(|said| !said.is_empty());
    told("participant")
        .words("; ")
        .then(told("examiner"))
        .words(&format!("; to earlier results and to groups: {}", in_a_sentence(said)))
}

/// In what order items were tested, and what the protocol says beyond it.
fn order(sources: &[Source], protocol: Option<&Protocol>) -> Prose {
    let plans: Vec<Plan> = sources.iter().map(plan_of).collect();
    let planned = plans.iter().filter(|plan| !plan.items.is_empty());
    let (random, fixed): (Vec<&Plan>, Vec<&Plan>) = planned.partition(|plan| !plan.randomise.is_empty());
    let what = unique(random.iter().flat_map(|plan| plan.randomise.clone()));
    let seeds = unique(random.iter().filter_map(|plan| plan.seed.map(|seed| seed.to_string())));
    let of_visits = |field: &str| {
        let number = Prose::default().number(count(sources, field), field).words(" of ");
        number.again(count(sources, "visits"), "visits")
    };
    let mut parts = Vec::new();
    if !random.is_empty() {
        parts.push(of_visits("in_random_order").words(&format!(
            " visits in random order of {} (seeds {}, kept in the recordings)",
            what.join(" and "),
            seeds.join(", ")
        )));
    }
    if !fixed.is_empty() {
        parts.push(of_visits("in_planned_order").words(" visits in the order of the plan"));
    }
    if parts.is_empty() {
        parts.push("not recorded".into());
    }
    let said = protocol.map(|protocol| protocol.randomisation.as_str()).filter(|said| !said.is_empty());
    Prose::joined(parts, ", ").words(&format!("; allotment: {}", in_a_sentence(said)))
}

/// What the protocol says, within a sentence of ours that has its own end.
fn in_a_sentence(said: Option<&str>) -> &str {
    said.map_or(OPEN, |said| said.trim().trim_end_matches('.'))
}

fn plan_of(source: &Source) -> Plan {
    plan::read(&source.recording.root().plan)
}

/// The protocol that was followed, with what it froze, and whether that was kept.
fn followed(of: &Protocol, settings: &[String]) -> String {
    let settings = match of.settings.as_slice() {
        [] => "it freezes no analysis settings".to_owned(),
        frozen if settings.iter().all(|used| frozen.contains(used)) => {
            format!("it froze the analysis settings {}", frozen.join(", "))
        }
        frozen => {
            format!("it froze the analysis settings {}, others were used: a deviation", frozen.join(", "))
        }
    };
    format!("Protocol: {} (SHA-256 {}); {settings}. ", of.title, of.sha256)
}

/// Why trials were left out, each reason once.
pub fn reasons(sources: &[Source]) -> Vec<String> {
    unique(left_out(sources).into_iter())
}

/// Why, of each trial left out.
fn left_out(sources: &[Source]) -> Vec<String> {
    let trials = sources.iter().flat_map(|source| &source.visit.items).flat_map(|of| &of.item.trials);
    trials.filter(|trial| !trial.used).map(|trial| trial.why_not_used.clone()).collect()
}

/// How many trials were left out for each reason.
fn exclusions(sources: &[Source]) -> Prose {
    let reasons = reasons(sources);
    if reasons.is_empty() {
        return "none left out".into();
    }
    let each = (1..).zip(&reasons).map(|(number, reason)| {
        let field = format!("{EXCLUDED}{number}");
        Prose::default().number(count(sources, &field), &field).words(&format!(": {reason}"))
    });
    Prose::joined(each, "; ")
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
    let span = match days(sources) {
        Some(days) => Prose::default()
            .number(format!("{days:.1}"), &study_id("days"))
            .words(" days from first to last visit"),
        None => OPEN.into(),
    };
    Prose::from(format!("first {SCORED} valid trials an item; "))
        .then(span)
        .words("; conditions as in the paragraph of methods")
}

/// Of the quantity that needs most, for the fewest values each.
fn planned(document: Option<&Document>) -> Prose {
    let analyses = document.into_iter().flat_map(|document| (1..).zip(&document.analyses));
    let plans = analyses.filter_map(|(number, of)| Some((number, of, of.planned.first()?)));
    let told = plans.max_by_key(|(_, _, plan)| plan.participants).map(|(number, of, plan)| {
        let told = Prose::from("for orientation, a width of ")
            .number(plan.width.to_string(), "planned_width")
            .words(" of the 95 % interval at an ICC of ")
            .number(format!("{:.2}", plan.icc), "planned_icc")
            .words(&format!(" ({}) would take ", of.name))
            .number(plan.participants.to_string(), "planned_participants")
            .words(" participants with ")
            .number(plan.repeats.to_string(), "planned_repeats")
            .words(" values each on average (half of such studies find a wider one)");
        let told = match plan.icc_low.zip(plan.participants_low) {
            None => told,
            Some((icc, participants)) => told
                .words(", and at the lower end of that ICC's interval, ")
                .number(format!("{icc:.2}"), "planned_icc_low")
                .words(", ")
                .number(participants.to_string(), "planned_participants_low"),
        };
        told.words(" (Bonett 2002); ").with_ids(|field| reliability_id(number, field))
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
                .words(&format!(" {} (", of.unit))
                .interval((sem.mdc95.low, sem.mdc95.high), 2, ("mdc95_low", "mdc95_high"))
                .words("), ");
        }
        if let Some(sem) = of.agreement_of_logs {
            told = told
                .words("of ratios, by which changes are judged: SEM ")
                .number(format!("{:+.1}", of_ratios(&sem.sem).value), "sem_of_ratios")
                .words(" %, MDC95 ")
                .number(format!("{:+.1}", of_ratios(&sem.mdc95.times(-1.0)).value), "mdc95_of_ratios_down")
                .words(" / ")
                .number(format!("{:+.1}", of_ratios(&sem.mdc95).value), "mdc95_of_ratios")
                .words(" %, ");
        }
        let by = if of.examiners.is_empty() {
            String::new()
        } else {
            format!(" occasions by {}", of.examiners.join(" and "))
        };
        let id = |field: &str| reliability_id(number, field);
        let told = told
            .words("n ")
            .number(of.subjects.to_string(), "subjects")
            .words(" × ")
            .number(of.k.to_string(), "occasions")
            .words(&by);
        told.with_ids(id).elsewhere().then(intervals(of).with_ids(id))
    });
    Prose::joined(each, "; ")
}

/// What of an estimate is not in that table.
fn intervals(of: &Reliability) -> Prose {
    let estimate = |told: Prose, what: &str, value: &Estimate, id: &str| {
        let ends = [format!("{id}_low"), format!("{id}_high")];
        told.words(what)
            .number(format!("{:.2}", value.value), id)
            .words(&format!(" {} (", of.unit))
            .interval((value.low, value.high), 2, (&ends[0], &ends[1]))
            .words(")")
    };
    let mut told = Prose::default();
    if let Some(sem) = of.agreement {
        let ends = (sem.sem.low, sem.sem.high);
        told = told.words("; SEM's 95 % interval ").interval(ends, 2, ("sem_low", "sem_high"));
    }
    if let Some(pair) = of.pairs.first() {
        let (limits, between) = (pair.of.limits, format!("; {} − {}: bias ", pair.later, pair.earlier));
        told = estimate(told, &between, &limits.bias, "bias");
        told = estimate(told, ", limits of agreement ", &limits.lower, "lower");
        told = estimate(told, " and ", &limits.upper, "upper");
    }
    told
}
