//! `fingerforce compare`: did this person change between two visits, or over several?
//!
//! Comes in: recordings of one participant, and where the limits come from. Goes out: the changes (N, %), each with its
//! verdict or why there is none, as a table, JSON and figures; the data folder is told where files of it go.
use super::reliability::{interval, p_value};
use crate::cautions::CAUTIONS;
use crate::console::{self, Hint, Usage, advised, clean};
use crate::documents;
use crate::export::register::{self, To};
use crate::plot::files::{self, Format};
use crate::plot::names;
use crate::plot::visits::{Point, VisitsFigure};
use crate::prose::Prose;
use crate::sensor::instrument::not_included;
use crate::statistics::change::{ALPHA, Limit, PRIMARY_MOST, SURE_PARTICIPANTS, Verdict};
use crate::study::comparison::{self, Basis, Change, Comparison, Form, OCCASIONS, Rules};
use crate::study::conditions::{self, NOT_RECORDED, Vouched};
use crate::study::procedure::Repeats;
use crate::study::published;
use crate::study::reliability::Document;
use crate::study::sides::{FORMULA, SideDifference, by_chance};
use crate::study::visit::Visit;
use crate::study::visit_trend::{self, CHANCE, VisitTrend};
use crate::trial::{Muscle, Side, Test};
use comfy_table::presets::UTF8_FULL_CONDENSED;
use comfy_table::{CellAlignment, Table};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Changes between visits, each against the smallest change that can be shown
///
/// Example: fingerforce compare visit-1.h5 visit-2.h5 --reliability reliability.json
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The first visit's recording
    pub earlier: PathBuf,
    /// The recordings of later visits, in order; each is compared with the first
    #[arg(required = true)]
    pub later: Vec<PathBuf>,
    /// What the changes are held against.
    #[command(flatten)]
    pub basis: BasisArgs,
    /// Folder for the figures [default: none are drawn]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// What changes are held against.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct BasisArgs {
    /// The user's own repeats.
    #[command(flatten)]
    pub own: OwnArgs,
    /// A published value by its name, or a CSV file of such values with their sources
    #[arg(long, value_name = "NAME|FILE.csv", conflicts_with = "reliability")]
    pub published: Option<String>,
    /// An item named beforehand, judged singly (at most three) [default: the primary items of the first visit's plan]
    ///
    /// As in --primary "left index abduction make". They have half of a visit's chance of a false change, in equal parts; all
    /// other items share the other half
    #[arg(long, value_name = "ITEM")]
    pub primary: Vec<String>,
}

/// The site's own repeats, and how they are used.
#[derive(Debug, Clone, Default, clap::Args)]
pub struct OwnArgs {
    /// Your own reliability data: what `fingerforce reliability … --json` printed
    #[arg(long, value_name = "FILE.json")]
    pub reliability: Option<PathBuf>,
    /// Conditions that you vouch for where they are not recorded: lever, position, …, or all
    #[arg(long, value_name = "CONDITION", value_delimiter = ',')]
    pub same: Vec<String>,
    /// Which standard error of measurement is taken
    #[arg(long, value_enum, default_value_t)]
    pub sem: Form,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let rules = args.basis.rules()?;
    let files: Vec<PathBuf> = std::iter::once(&args.earlier).chain(&args.later).cloned().collect();
    let visits: Result<Vec<Visit>, _> = files.iter().map(|file| Visit::read(file)).collect();
    let visits = visits.map_err(advised)?;
    visits.iter().filter_map(|visit| visit.replaced.as_deref()).for_each(console::note);
    let comparison = compared(&visits, &rules)?;
    let tell = |to: &To| register::tell(&files, [comparison.participant.as_str()], to, false);
    if let Some(out) = &args.out {
        draw(&visits, &comparison, (out, Format::Both), tell)?;
    }
    tell(&To::StdoutFile)?;
    console::result(&if args.json { json(&comparison)? } else { text(&comparison) })?;
    Ok(())
}

/// The comparison, or what to do about it.
pub(super) fn compared(visits: &[Visit], rules: &Rules) -> anyhow::Result<Comparison> {
    comparison::compare(visits, rules).map_err(|error| {
        anyhow::Error::new(error).context(Hint::new(
            "give recordings of one participant, the earliest visit first; `fingerforce info` shows them",
        ))
    })
}

impl BasisArgs {
    /// The rules that these arguments ask for.
    pub fn rules(&self) -> anyhow::Result<Rules> {
        if self.primary.len() > PRIMARY_MOST {
            let given = self.primary.len();
            return Err(
                Usage(format!("{given} primary items: at most {PRIMARY_MOST} can be judged singly")).into()
            );
        }
        let vouched = self.own.vouched()?;
        let basis = match (&self.own.reliability, &self.published) {
            (Some(path), _) => Basis::Own(Document::read(path).map_err(advised)?),
            (None, Some(name)) => Basis::Published(published::find(name).map_err(advised)?),
            (None, None) => Basis::Nothing,
        };
        let primary: Result<Vec<_>, Usage> = self.primary.iter().map(|item| primary(item)).collect();
        Ok(Rules { basis, primary: primary?, vouched, form: self.own.sem })
    }
}

impl OwnArgs {
    /// The repeats; `None` where none are given.
    pub fn repeats(&self) -> anyhow::Result<Option<Repeats>> {
        let vouched = self.vouched()?;
        let Some(path) = &self.reliability else { return Ok(None) };
        let document = Document::read(path).map_err(advised)?;
        Ok(Some(Repeats { document, vouched, form: self.sem }))
    }

    fn vouched(&self) -> Result<Vouched, Usage> {
        let known = |word: &&String| {
            conditions::NAMES.contains(&word.as_str()) || ["all", "level", OCCASIONS].contains(&word.as_str())
        };
        if let Some(word) = self.same.iter().find(|word| !known(word)) {
            let names = conditions::NAMES.join(", ");
            return Err(Usage(format!("--same {word}: use {names}, level, {OCCASIONS} or all")));
        }
        Ok(Vouched(self.same.clone()))
    }
}

/// A muscle's key and the test after it.
fn primary(item: &str) -> Result<(String, String), Usage> {
    let read = item.trim().rsplit_once(char::is_whitespace).and_then(|(muscle, test)| {
        Some((muscle.parse::<Muscle>().ok()?.to_string(), test.parse::<Test>().ok()?.to_string()))
    });
    read.ok_or_else(|| {
        Usage(format!(
            "--primary {item}: give side, digit, direction and test, as in `left index abduction make`"
        ))
    })
}

#[derive(Serialize)]
struct Json<'a> {
    #[serde(flatten)]
    comparison: &'a Comparison,
    alpha: f64,
    cautions: &'static str,
}

fn json(comparison: &Comparison) -> serde_json::Result<String> {
    documents::json(documents::COMPARISON, &Json { comparison, alpha: ALPHA, cautions: CAUTIONS })
}

/// The comparison as text.
pub fn text(of: &Comparison) -> String {
    let participant = if of.participant.is_empty() { "not named" } else { &of.participant };
    let mut text = format!("participant {}\n", clean(participant));
    for (number, visit) in (1..).zip(&of.visits) {
        let days = visit.days.map_or_else(String::new, |days| format!(", day {days:.0}"));
        let examiner = if visit.examiner.is_empty() { "not named" } else { &visit.examiner };
        text += &format!(
            "visit {number}: {}{days}, examiner {}, {}\n",
            clean(&names::instant(&visit.started_utc)),
            clean(examiner),
            clean(&visit.file)
        );
    }
    text += &in_short(of);
    text += &format!("{}\n", change_table(of));
    text += &remarks(&of.changes);
    text += &counted(of);
    of.trends.iter().for_each(|trend| text += &format!("{}\n", clean(&trend_words(trend).to_string())));
    text += &trends_by_chance(of).map_or_else(String::new, |words| format!("{words}\n"));
    if !of.sides.is_empty() {
        text += &format!(
            "Sides at the last visit:\n{}\n{}{FORMULA}; interval: right − left, 95 %, Welch.\n",
            side_table(&of.sides),
            of.sides.iter().filter_map(sides_unsaid).map(|words| clean(&words) + "\n").collect::<String>(),
        );
        text += &sides_taken(&of.sides).map_or_else(String::new, |words| words + "\n");
        text += &sides_by_chance(&of.sides).map_or_else(String::new, |words| format!("{words}\n"));
    }
    text + CAUTIONS + "\n"
}

/// What can be said, in a line each: what changed, what did not, and what nobody can tell.
fn in_short(of: &Comparison) -> String {
    let several = of.visits.len() > 2;
    let mut said: Vec<(&str, Vec<String>)> = Vec::new();
    for change in &of.changes {
        let at = if several { format!(" at visit {}", change.visit) } else { String::new() };
        let name = format!("{}, {}{at}", change.muscle, change.test);
        let words = verdict_words(change);
        match said.iter_mut().find(|(known, _)| *known == words) {
            Some((_, names)) => names.push(name),
            None => said.push((words, vec![name])),
        }
    }
    // What changed comes first.
    let rank = |words: &str| match words {
        words if words.starts_with("more than") => 0,
        "cannot say" => 2,
        _ => 1,
    };
    said.sort_by_key(|(words, _)| rank(words));
    let line = |(words, names): &(&str, Vec<String>)| {
        format!("{}: {}\n", names::sentence(words), clean(&names.join("; ")))
    };
    said.iter().map(line).collect()
}

/// A trend over visits in words; its numbers' fields are `trend-N.`'s.
pub fn trend_words(of: &VisitTrend) -> Prose {
    let words = Prose::from("trend over ").number(of.points.len().to_string(), "visits").words(&format!(
        " visit{}, {}, {}: ",
        if of.points.len() == 1 { "" } else { "s" },
        of.muscle,
        of.test
    ));
    let words = match &of.slope_n_per_day {
        None => words.words(&format!("cannot say, because {}", of.cannot_say.join("; "))),
        Some(slope) => words
            .number(format!("{:+.4}", slope.value), "slope_n_per_day")
            .words(" N a day (95 % ")
            .interval((slope.low, slope.high), 4, ("slope_low", "slope_high"))
            .words("), p ")
            .number(p_value(of.p), "p"),
    };
    let words = match of.examiners.as_slice() {
        [] | [_] => words,
        all => words.words(&format!("; by examiners {}, and what they differ by is in it", all.join(", "))),
    };
    if of.left_out.is_empty() {
        return words;
    }
    words.words(&format!("; left out, against the first visit: {}", of.left_out.join("; ")))
}

/// How many slopes chance alone would set apart from 0.
pub fn trends_by_chance(of: &Comparison) -> Option<Prose> {
    let (tested, wrong) = visit_trend::by_chance(&of.trends)?;
    Some(
        Prose::from("Trends with a p: ")
            .number(tested.to_string(), "trends")
            .words(&format!(
                ", none adjusted for the others; with p < {CHANCE} by chance, were there no trend at all: "
            ))
            .number(format!("{wrong:.2}"), "trends_by_chance")
            .words("."),
    )
}

/// Why nothing is said of two sides.
pub fn sides_unsaid(of: &SideDifference) -> Option<String> {
    let because = of.cannot_say.join("; ");
    (!of.cannot_say.is_empty()).then(|| format!("{}, {}: cannot say, because {because}", of.muscle, of.test))
}

/// What of the sides' conditions nobody has written down, in a line.
pub fn sides_taken(of: &[SideDifference]) -> Option<String> {
    let names: BTreeSet<&str> = of.iter().flat_map(|side| side.taken_as_same.iter().copied()).collect();
    let names: Vec<&str> = names.into_iter().collect();
    (!names.is_empty())
        .then(|| format!("Recorded of neither side, and taken to be the same on both: {}.", names.join(", ")))
}

/// How many differences of sides chance alone would set beyond the repeats.
pub fn sides_by_chance(of: &[SideDifference]) -> Option<Prose> {
    let (shown, wrong) = by_chance(of)?;
    Some(
        Prose::from("Intervals of sides: ")
            .number(shown.to_string(), "sides")
            .words(", none adjusted for the others; leaving out 0 by chance, were all sides equal: ")
            .number(format!("{wrong:.2}"), "sides_by_chance")
            .words("."),
    )
}

fn change_table(of: &Comparison) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_FULL_CONDENSED);
    table.set_header(["item", "visit", "first, N", "then, N", "change, N", "%", "limit", "verdict"]);
    for change in &of.changes {
        let number = |value: Option<f64>| value.map_or_else(|| "–".to_owned(), |value| format!("{value:.2}"));
        table.add_row([
            format!(
                "{}, {}{}",
                clean(&change.muscle),
                clean(&change.test),
                if change.primary { " *" } else { "" }
            ),
            change.visit.to_string(),
            number(change.earlier_n),
            number(change.later_n),
            change.change_n.map_or_else(|| "–".to_owned(), |by| format!("{by:+.2}")),
            change.change_percent.map_or_else(|| "–".to_owned(), |by| format!("{by:+.1}")),
            limit_words(change).map_or_else(|| "–".to_owned(), |words| words.to_string()),
            verdict_words(change).to_owned(),
        ]);
    }
    for column in table.column_iter_mut().skip(1).take(5) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    table
}

/// What a change is held against, in words; `None` where nothing can be said.
pub fn limit_words(change: &Change) -> Option<Prose> {
    let ids = ["limit", "mdc", "mdc_low", "mdc_high"];
    change.limit.map(|limit| in_words(&limit, change.as_ratio, ids))
}

/// The level of confidence of a detectable change, %: 95, 97.5, 99.82.
fn level_percent(limit: &Limit) -> String {
    let shown = format!("{:.2}", 100.0 * (1.0 - limit.alpha));
    shown.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A limit in words: what decides, and the detectable change with its level and interval. A ratio is another share upwards
/// than downwards, and has both; the interval is of the upward one.
fn in_words(limit: &Limit, as_ratio: bool, [decides, mdc, low, high]: [&str; 4]) -> Prose {
    let which = if limit.by_upper_end { "; upper end)" } else { "; value)" };
    let (unit, digits) = if as_ratio { ("%", 1) } else { ("N", 2) };
    let shown = |of: f64| if as_ratio { 100.0 * libm::expm1(of) } else { of };
    let both = |words: Prose, of: f64, id: &str| {
        if !as_ratio {
            return words.number(format!("{of:.digits$}"), id);
        }
        words
            .number(format!("{:+.digits$}", shown(-of)), &format!("{id}{DOWN}"))
            .words(" / ")
            .number(format!("{:+.digits$}", shown(of)), id)
    };
    let of = &limit.mdc;
    let words = both(Prose::default(), limit.decides, decides);
    let words = words.words(&format!(" {unit} (MDC{} ", level_percent(limit)));
    both(words, of.value, mdc)
        .words(", ")
        .interval((of.low.map(shown), of.high.map(shown)), digits, (low, high))
        .words(which)
}

/// What the id of a limit's downward end adds to that of its upward one.
const DOWN: &str = "_down";

/// A verdict in words.
pub fn verdict_words(change: &Change) -> &'static str {
    match change.verdict {
        Some(Verdict::WithinError) if change.beyond_alone => "no change shown; beyond its MDC95 taken alone",
        Some(Verdict::Increased) => "more than measurement error: increased",
        Some(Verdict::Decreased) => "more than measurement error: decreased",
        Some(Verdict::WithinError) => "no change shown: within measurement error",
        None => "cannot say",
    }
}

/// Sentences with the changes that they hold for, each once.
#[derive(Default)]
struct Remarks(Vec<(String, Vec<String>)>);

impl Remarks {
    fn add(&mut self, what: String, of: &str) {
        match self.0.iter_mut().find(|(known, _)| *known == what) {
            Some((_, all)) => all.push(of.to_owned()),
            None => self.0.push((what, vec![of.to_owned()])),
        }
    }

    fn text(&self, changes: usize) -> String {
        let whom = |all: &[String]| {
            if all.len() == changes && changes > 1 { "all".to_owned() } else { all.join("; ") }
        };
        self.0.iter().map(|(what, all)| format!("{}: {}\n", clean(&whom(all)), clean(what))).collect()
    }
}

/// What a reader must know of the changes, a line each: why nothing can be said, where the limits come from.
pub fn remarks(changes: &[Change]) -> String {
    let mut remarks = Remarks::default();
    for change in changes {
        let name = format!("{}, {}, visit {}", change.muscle, change.test, change.visit);
        change.notes.iter().for_each(|note| remarks.add(note.clone(), &name));
        remarks.add(two_errors(change), &name);
        if let Some(reported) = reported_words(change) {
            remarks.add(reported.to_string(), &name);
        }
        if !change.cannot_say.is_empty() {
            remarks.add(format!("cannot say, because {}", change.cannot_say.join("; ")), &name);
        }
        if change.verdict.is_some() {
            remarks.add(limit_from(change).to_string(), &name);
        }
    }
    let unrecorded = |change: &Change| change.cannot_say.iter().any(|why| why.contains(NOT_RECORDED));
    let where_to = if changes.iter().any(unrecorded) { RECORD_THEM } else { "" };
    remarks.text(changes.len()) + where_to
}

/// What was reported at either visit, where measuring again gives something else.
pub fn reported_words(change: &Change) -> Option<Prose> {
    let (earlier, later) = change.reported_n?;
    Some(
        Prose::from("reported then: ")
            .number(format!("{earlier:.3}"), "reported_earlier_n")
            .words(" N and ")
            .number(format!("{later:.3}"), "reported_later_n")
            .words(" N"),
    )
}

/// Where conditions are recorded, and what to do where they were not.
const RECORD_THEM: &str = "What a recording is to say of its conditions stands in its plan: arrangement, reaction, coupling, \
position, lever_mm and gap_mm of the items, population. Where they were the same although nobody wrote them down, say so \
by --same NAME,NAME.\n";

/// Where a limit comes from and at which chance; of a primary item its MDC95, too.
pub fn limit_from(change: &Change) -> Prose {
    let chance = change.limit.map_or(0.0, |limit| 100.0 * limit.alpha);
    let people = change.limit_participants.unwrap_or(0);
    let told = Prose::from(format!("limit from {}, n ", change.limit_source))
        .number(people.to_string(), "participants")
        .words(", chance of a false change ")
        .number(format!("{chance:.2}"), "chance_percent")
        .words(" %");
    match &change.alone {
        None => told,
        Some(alone) => {
            let ids = ["mdc95_alone", "mdc95", "mdc95_low", "mdc95_high"];
            told.words("; MDC95 taken alone: ").then(in_words(alone, change.as_ratio, ids))
        }
    }
}

/// The instrument's uncertainty and the procedure's, beside each other: neither contains the other.
fn two_errors(change: &Change) -> String {
    let known = |of: Option<f64>| of.map_or_else(|| "unknown".to_owned(), |n| format!("{n:.3} N"));
    let (then, now) = change.instrument_n;
    let sem = match change.sem {
        None => "unknown".to_owned(),
        Some(sem) if change.as_ratio => format!("{:.1} %", 100.0 * libm::expm1(sem)),
        Some(sem) => format!("{sem:.3} N"),
    };
    format!(
        "instrument ± (95 %) {} then, {} now{}; procedure SEM {sem}",
        known(then),
        known(now),
        not_included(&change.instrument_not_included)
    )
}

/// How many comparisons were made, how, and how many false changes to expect; the settings and limits behind them.
pub fn counted(of: &Comparison) -> String {
    let vouched = vouched_words(of).map_or_else(String::new, |words| format!("{}\n", clean(&words)));
    format!(
        "Comparisons: {}\nSettings: {}. SEM: {}. {}\n{vouched}",
        chances(of),
        settings(of),
        if of.form == Form::Agreement { "agreement" } else { "consistency" },
        limits_made(),
    )
}

/// How limits are made, in words.
pub fn limits_made() -> String {
    format!(
        "MDC = z·√2·SEM with its 95 % interval; MDC97.5, for example, leaves this one comparison a chance of a false change of \
         2.5 %. Its upper end decides below {SURE_PARTICIPANTS} participants, from there on its value with Student's t. \
         Ratios: downwards / upwards, the interval upwards."
    )
}

/// What the verdicts rest on that no recording says.
pub fn vouched_words(of: &Comparison) -> Option<String> {
    let vouched = of.vouched.join(", ");
    (!of.vouched.is_empty())
        .then(|| format!("Vouched for by whoever compared, where the recordings do not say: {vouched}."))
}

/// How many comparisons were judged, how, and how many false changes to expect.
pub fn chances(of: &Comparison) -> Prose {
    Prose::default()
        .number((of.judged_singly + of.judged_together).to_string(), "judged")
        .words(" of ")
        .number(of.changes.len().to_string(), "changes")
        .words(" judged: ")
        .number(of.judged_singly.to_string(), "singly")
        .words(" singly (*), ")
        .number(of.judged_together.to_string(), "together")
        .words(&format!(
            " together (Bonferroni). At each later visit the chance of a false change is {} %, divided beforehand: half for \
             those judged singly, in equal parts, half for the others together; all of it where there is only one kind; who has a \
             part keeps it, judged or not.{} False changes to expect without any change: at most ",
            100.0 * ALPHA,
            if of.named.is_empty() {
                String::new()
            } else {
                format!(
                    " Named by whoever compared, not by the first visit's plan: {}; that is fair only where it was before anybody \
                     looked.",
                    of.named.join("; ")
                )
            }
        ))
        .number(format!("{:.2}", of.false_changes), "false_changes")
        .words(", where occasions shift everybody's results no further than they did in the data behind the limits.")
}

/// The digests of the analysis settings, each once.
fn settings(of: &Comparison) -> String {
    let mut all: Vec<&str> = of.changes.iter().map(|change| change.settings.as_str()).collect();
    all.sort_unstable();
    all.dedup();
    all.retain(|settings| !settings.is_empty());
    if all.is_empty() {
        "not recorded".to_owned()
    } else {
        format!("{}, one set for both visits of an item", all.join(", "))
    }
}

fn side_table(sides: &[SideDifference]) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_FULL_CONDENSED);
    table.set_header([
        "muscle",
        "left, N",
        "right, N",
        "n",
        "right − left, N",
        "95 %",
        "%",
        "beyond the repeats",
    ]);
    for of in sides {
        let stronger = match of.stronger {
            Some(Side::Left) => "left stronger by ",
            Some(Side::Right) => "right stronger by ",
            None => "",
        };
        table.add_row([
            format!("{}, {}", clean(&of.muscle), clean(&of.test)),
            format!("{:.2}", of.left_n),
            format!("{:.2}", of.right_n),
            format!("{} + {}", of.trials.0, of.trials.1),
            format!("{:+.2}", of.difference_n),
            interval(of.interval_n.map(|ends| ends.0), of.interval_n.map(|ends| ends.1), 2),
            of.percent.map_or_else(|| "–".to_owned(), |percent| format!("{stronger}{percent:.1}")),
            match of.beyond_repeats {
                Some(true) => "yes".to_owned(),
                Some(false) => "not shown".to_owned(),
                None => "cannot say".to_owned(),
            },
        ]);
    }
    table
}

/// Draws what was compared into a folder, which the data folder is told of; gives the files.
pub(super) fn draw(
    visits: &[Visit],
    of: &Comparison,
    (out, format): (&Path, Format),
    tell: impl Fn(&To) -> anyhow::Result<()>,
) -> anyhow::Result<Vec<PathBuf>> {
    files::make_folder(out)?;
    let figures = figures(visits, of);
    let name = |number: usize| format!("{number:02}-visits");
    tell(&To::Folder(out, format.files((1..=figures.len()).map(name))))?;
    let mut written = Vec::new();
    for (number, figure) in (1..).zip(figures) {
        written.extend(files::write(&figure, out, &name(number), format)?);
    }
    Ok(written)
}

/// A figure an item that was compared.
pub fn figures(visits: &[Visit], of: &Comparison) -> Vec<VisitsFigure> {
    let mut keys: Vec<(&str, &str)> =
        of.changes.iter().map(|c| (c.muscle.as_str(), c.test.as_str())).collect();
    keys.dedup();
    keys.sort_unstable();
    keys.dedup();
    keys.into_iter().filter_map(|key| figure(visits, of, key)).collect()
}

fn figure(visits: &[Visit], of: &Comparison, (muscle, test): (&str, &str)) -> Option<VisitsFigure> {
    let points: Vec<Point> = visits
        .iter()
        .zip(&of.visits)
        .filter_map(|(visit, head)| {
            let measured = visit.find(muscle, test)?;
            Some(Point {
                day: head.days?,
                examiner: visit.examiner.clone(),
                peaks_n: measured.peaks_n(),
                mean_n: measured.item.spread.mean_of_peaks_n?,
                instrument_n: measured.item.spread.expanded_uncertainty_n,
            })
        })
        .collect();
    let changes: Vec<&Change> = of.changes.iter().filter(|c| c.muscle == muscle && c.test == test).collect();
    let last = changes.last()?;
    let first_n = points.first()?.mean_n;
    let within_n = last.limit.map(|limit| {
        if last.as_ratio {
            (first_n * libm::exp(-limit.decides), first_n * libm::exp(limit.decides))
        } else {
            (first_n - limit.decides, first_n + limit.decides)
        }
    });
    let band = match limit_words(last) {
        Some(limit) => {
            let sign = if last.as_ratio { "" } else { "± " };
            format!("Band: first visit's mean {sign}{limit}; {}.", limit_from(last))
        }
        None => format!("No band: {}.", last.cannot_say.join("; ")),
    };
    let trend = of.trends.iter().find(|trend| trend.muscle == muscle && trend.test == test);
    Some(VisitsFigure {
        line: trend.and_then(|trend| Some((trend.start_n?, trend.slope_n_per_day?.value))),
        trend: trend.map_or_else(String::new, |trend| trend_words(trend).to_string()),
        title: format!("{}, {test}: over visits", names::sentence(muscle)),
        subtitle: format!(
            "last against first visit: {} ({}) · {} visits",
            last.change_n.map_or_else(|| "–".to_owned(), |by| format!("{by:+.2} N")),
            verdict_words(last),
            points.len()
        ),
        source: format!(
            "Participant {}",
            if of.participant.is_empty() { "not named" } else { &of.participant }
        ),
        band,
        points,
        within_n,
    })
}
