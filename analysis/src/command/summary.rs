//! `fingerforce summary`: the trials of recordings, per item and side.
//!
//! Comes in: rows of `/trials` of one recording or more (forces N). Goes out: a table a recording and its notes, or JSON
//! with every trial and what the trials of an item come to.
use super::compare::OwnArgs;
use crate::cautions::CAUTIONS;
use crate::console::{self, advised, clean};
use crate::documents;
use crate::filter::Filter;
use crate::measures::repeats::{self, Group, Item, Spread, Trial};
use crate::recording::layout::TrialRow;
use crate::recording::read::{ReadError, Recording};
use crate::recording::replay::{InForce, in_force};
use crate::recording::revise::{self, Effect};
use crate::sensor::instrument::not_included;
use crate::study::procedure::{OfVisit, Procedure, Repeats};
use crate::study::visit::Visit;
use crate::trial::Muscle;
use comfy_table::presets::UTF8_FULL_CONDENSED;
use comfy_table::{CellAlignment, Table};
use serde::Serialize;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// What the numbers are, printed under every table.
const DEFINITIONS: &str = "Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero. \
Mean, SD (n − 1), CV and best: of the first three valid trials; [ ] not among them. CV interval: 95 %, modified McKay.";

/// The two uncertainties are never merged into one.
pub const NOT_THE_PROCEDURE: &str =
    "the instrument's alone; the procedure's is its SEM: fingerforce reliability";

/// The trials: peak, mean, CV, per item and side
///
/// Example: fingerforce summary recording-1.h5
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Recordings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// The site's own repeats: the procedure's error beside each result.
    #[command(flatten)]
    pub own: OwnArgs,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let repeats = args.own.repeats()?;
    let sources = args.files.iter().map(|file| read(file, repeats.as_ref()));
    let sources = sources.collect::<Result<Vec<_>, _>>().map_err(advised)?;
    sources.iter().filter_map(|source| source.replaced.as_deref()).for_each(console::note);
    console::result(&if args.json { json(&sources)? } else { text(&sources) })?;
    Ok(())
}

fn read(file: &Path, repeats: Option<&Repeats>) -> Result<Source, ReadError> {
    let recording = Recording::open(file)?;
    let visit = Visit::of(&recording, file)?;
    Ok(Source {
        file: file.display().to_string(),
        participant: recording.root().participant.clone(),
        started_utc: recording.root().started_utc.clone(),
        rows: recording.trials()?,
        corrections: revise::effects(&recording.events()?),
        in_force: in_force(&recording)?,
        procedure: OfVisit::of(&visit, repeats),
        replaced: visit.replaced,
    })
}

/// One recording, as far as its summary needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Source {
    /// Where it is, as given.
    pub file: String,
    /// The participant's code.
    pub participant: String,
    /// When the visit began (RFC 3339).
    pub started_utc: String,
    /// Which later recording of the visit replaces it, where one does.
    pub replaced: Option<String>,
    /// Its trials.
    pub rows: Vec<TrialRow>,
    /// What was changed after the visit.
    pub corrections: Vec<Effect>,
    /// What their holds were found with.
    pub in_force: Vec<InForce>,
    /// The procedure's error of each item, where repeats of the site's own were given.
    pub procedure: OfVisit,
}

/// An item with the procedure's error beside the instrument's.
#[derive(Serialize)]
struct WithProcedure {
    #[serde(flatten)]
    item: Item,
    procedure: Option<Procedure>,
}

#[derive(Serialize)]
struct OfFile<'a, T: Serialize> {
    file: &'a str,
    participant: &'a str,
    started_utc: &'a str,
    #[serde(flatten)]
    of: T,
}

impl<'a, T: Serialize> OfFile<'a, T> {
    fn all(source: &'a Source, of: Vec<T>) -> impl Iterator<Item = OfFile<'a, T>> {
        let Source { file, participant, started_utc, .. } = source;
        of.into_iter().map(move |of| OfFile { file, participant, started_utc, of })
    }
}

#[derive(Serialize)]
struct Json<'a> {
    items: Vec<OfFile<'a, WithProcedure>>,
    unassigned: Vec<OfFile<'a, Group>>,
    corrections: Vec<OfFile<'a, Effect>>,
    /// The finder's parameters, each from its sample on. Force in a recording is never filtered.
    parameters: Vec<OfFile<'a, InForce>>,
    filter: Option<Filter>,
    cautions: &'static str,
}

fn with_procedure(source: &Source) -> Vec<WithProcedure> {
    let with = |item: Item| WithProcedure { procedure: source.procedure.get(item.item).cloned(), item };
    repeats::items(&source.rows).into_iter().map(with).collect()
}

/// The summary as JSON: items with their trials, and apart from them the holds that belong to none. Unknown is null.
pub fn json(sources: &[Source]) -> serde_json::Result<String> {
    let items = |source| OfFile::all(source, with_procedure(source));
    let groups = |source| OfFile::all(source, repeats::unassigned(&source.rows));
    let corrections = |source| OfFile::all(source, source.corrections.clone());
    let json = Json {
        items: sources.iter().flat_map(items).collect(),
        unassigned: sources.iter().flat_map(groups).collect(),
        corrections: sources.iter().flat_map(corrections).collect(),
        parameters: sources.iter().flat_map(|source| OfFile::all(source, source.in_force.clone())).collect(),
        filter: None,
        cautions: CAUTIONS,
    };
    documents::json(documents::SUMMARY, &json)
}

/// The summary as text: a table a recording, its notes, and once the definitions and cautions.
pub fn text(sources: &[Source]) -> String {
    let parts = sources.iter().map(of_source);
    parts.chain([format!("{DEFINITIONS}\n{CAUTIONS}\n")]).collect::<Vec<_>>().join("\n")
}

fn of_source(source: &Source) -> String {
    let (items, groups) = (repeats::items(&source.rows), repeats::unassigned(&source.rows));
    let mut text = heading(source);
    let mut notes = Reasons::default();
    if !items.is_empty() {
        text += &format!("{}\n", item_table(&items, &mut notes));
        text += &notes.text();
        text += &remarks(&items, &source.procedure);
    }
    if !groups.is_empty() {
        text += if items.is_empty() { "Holds, no plan:\n" } else { "Holds outside any trial:\n" };
        groups.iter().for_each(|group| text += &of_group(group));
    }
    for Effect { correction, .. } in &source.corrections {
        let what = correction.change.words(&correction.change.of_trial(&source.rows));
        let (what, who) = (clean(&what), clean(&correction.who));
        text += &format!("Corrected: {what} ({who}: {})\n", clean(&correction.why));
    }
    if items.is_empty() && groups.is_empty() {
        text += "no trials and no holds\n";
    }
    text
}

fn heading(source: &Source) -> String {
    let participant = if source.participant.is_empty() { "not named" } else { &source.participant };
    format!("{} · participant {} · {}\n", clean(&source.file), clean(participant), clean(&source.started_utc))
}

/// The reasons why trials do not count, each numbered once.
#[derive(Default)]
struct Reasons(Vec<String>);

impl Reasons {
    /// The reason's number, from 1.
    fn number(&mut self, reason: &str) -> usize {
        let known = self.0.iter().position(|other| other == reason);
        known.unwrap_or_else(|| {
            self.0.push(reason.to_owned());
            self.0.len() - 1
        }) + 1
    }

    fn text(&self) -> String {
        (1..).zip(&self.0).map(|(number, reason)| format!("{} {}\n", raised(number), clean(reason))).collect()
    }
}

/// A number in raised digits, so that it is not taken for a force.
fn raised(number: usize) -> String {
    let digit = |c: char| c.to_digit(10).and_then(|d| "⁰¹²³⁴⁵⁶⁷⁸⁹".chars().nth(d as usize)).unwrap_or(c);
    number.to_string().chars().map(digit).collect()
}

fn item_table(items: &[Item], reasons: &mut Reasons) -> Table {
    let mut table = Table::new();
    table.load_style(UTF8_FULL_CONDENSED);
    table.set_header([
        "muscle", "side", "test", "peaks, N", "mean, N", "SD, N", "CV, %", "95 %", "best, N", "n",
    ]);
    for item in items {
        let peaks: Vec<String> = item.trials.iter().map(|trial| peak(trial, reasons)).collect();
        let of_spread = spread_cells(&item.spread);
        let of_item = [muscle(item), clean(&item.side), clean(&item.test), peaks.join("  ")];
        table.add_row(of_item.into_iter().chain(of_spread).collect::<Vec<String>>());
    }
    for column in table.column_iter_mut().skip(4) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    table
}

/// The muscle's key without its side, which has its own column; as stored where it is none.
fn muscle(item: &Item) -> String {
    let key = item.muscle.parse::<Muscle>();
    key.map_or_else(|_| clean(&item.muscle), Muscle::without_side)
}

fn peak(trial: &Trial, reasons: &mut Reasons) -> String {
    let peak_n = newtons(trial.peak_zero_n);
    if trial.used { peak_n } else { format!("[{peak_n}]{}", raised(reasons.number(&trial.why_not_used))) }
}

fn spread_cells(spread: &Spread) -> [String; 6] {
    [
        newtons(spread.mean_of_peaks_n),
        newtons(spread.sd_n),
        percent(spread.cv_percent),
        interval(spread),
        newtons(spread.best_n),
        spread.trials_used.to_string(),
    ]
}

fn interval(spread: &Spread) -> String {
    match (spread.cv_low_percent, spread.cv_high_percent) {
        (None, _) => "–".to_owned(),
        (low, None) => format!("over {}", percent(low)),
        (low, high) => format!("{} to {}", percent(low), percent(high)),
    }
}

fn newtons(force_n: Option<f64>) -> String {
    force_n.map_or_else(|| "–".to_owned(), |force_n| format!("{force_n:.2}"))
}

fn percent(share: Option<f64>) -> String {
    share.map_or_else(|| "–".to_owned(), |share| format!("{share:.1}"))
}

fn remarks(items: &[Item], procedure: &OfVisit) -> String {
    let mut text = String::new();
    if items.iter().all(|item| item.spread.expanded_uncertainty_n.is_none()) {
        text += "instrument ±: unknown, no calibration in the recording covers these forces\n";
    }
    let places = items.iter().map(|item| (item.sensor, item.channel)).collect::<BTreeSet<_>>();
    for item in items {
        let name = format!("{}, {}", clean(&item.muscle), clean(&item.test));
        if places.len() > 1 {
            text += &format!("{name}: measured on sensor {}, channel {}\n", item.sensor, item.channel);
        }
        item.notes.iter().for_each(|note| text += &format!("{name}: {note}\n"));
        if let Some(expanded_n) = item.spread.expanded_uncertainty_n {
            let left_out = clean(&not_included(&item.spread.uncertainty_not_included));
            text +=
                &format!("{name}: instrument ± {expanded_n:.3} N (95 %; {NOT_THE_PROCEDURE}){left_out}\n");
        }
        if let Some(of) = procedure.get(item.item) {
            text += &format!("{name}: {}\n", clean(&of.words().to_string()));
        }
        if let Some(why) = &item.further_trial_advised {
            text += &format!("{name}: a further trial is advised: {why} (common practice)\n");
        }
    }
    text
}

fn of_group(group: &Group) -> String {
    let mut table = Table::new();
    table.load_style(UTF8_FULL_CONDENSED);
    table.set_header(["hold", "onset, s", "peak, N", "best 1-s mean, N", "not counted because"]);
    let (holds, touches): (Vec<&Trial>, Vec<&Trial>) =
        group.trials.iter().partition(|trial| trial.kind == repeats::HOLD);
    for (number, hold) in (1..).zip(&holds) {
        let onset_s = hold.onset_s.map_or_else(|| "–".to_owned(), |onset_s| format!("{onset_s:.3}"));
        table.add_row([
            number.to_string(),
            onset_s,
            newtons(hold.peak_zero_n),
            newtons(hold.mean_n),
            clean(&hold.why_not_used),
        ]);
    }
    for column in table.column_iter_mut().take(4) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    let [mean_n, sd_n, cv_percent, interval, best_n, used] = spread_cells(&group.spread);
    let touches_text =
        if touches.len() == 1 { "1 touch".to_owned() } else { format!("{} touches", touches.len()) };
    let shown = if holds.is_empty() { String::new() } else { format!("{table}\n") };
    format!(
        "sensor {}, channel {}\n{shown}all that count: mean {mean_n} N, SD {sd_n} N, CV {cv_percent} % \
         ({interval}), best {best_n} N, n {used}; {} (too small or too short to count)\n",
        group.sensor, group.channel, touches_text
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::holds::{Parameters, Profile};
    use crate::measures::repeats::tests::make_row;

    fn source(rows: Vec<TrialRow>) -> Source {
        let text = String::from;
        Source {
            file: text("a.h5"),
            participant: text("P07"),
            started_utc: text("2026-03-02T09:00:00Z"),
            corrections: Vec::new(),
            replaced: None,
            rows,
            procedure: OfVisit::default(),
            in_force: vec![InForce {
                sensor: 1,
                channel: 1,
                from_sample: 40,
                parameters: Box::new(Parameters::new(Profile::Weak, crate::trial::Test::Break)),
            }],
        }
    }

    fn with_one_slip() -> Vec<TrialRow> {
        let mut rows: Vec<TrialRow> =
            (1..).zip([20.0, 15.5, 21.0, 22.0]).map(|(n, f)| make_row(n, f)).collect();
        (rows[1].valid, rows[1].outcome) = (0, "slipped".into());
        rows[1].why_not = "slipped\u{1b}[2J".into();
        rows
    }

    #[test]
    fn the_table_brackets_what_does_not_count_and_says_why() {
        let text = text(&[source(with_one_slip())]);
        let row = text.lines().find(|line| line.contains("index abduction")).unwrap();
        let cells: Vec<&str> = row.split('┆').chain(row.split('│')).map(str::trim).collect();
        assert!(cells.contains(&"20.00  [15.50]¹  21.00  22.00"), "{text}");
        for cell in ["left", "make", "21.00", "1.00", "4.8", "22.00", "3"] {
            assert!(row.contains(cell), "{cell}: {text}");
        }
        assert!(text.contains("\n¹ slipped"), "{text}");
        assert!(text.ends_with(&format!("{CAUTIONS}\n")));
        assert!(!text.contains('\u{1b}'), "control characters from a file reach the terminal");
    }

    #[test]
    fn the_json_holds_every_trial_and_full_precision() {
        let mut rows = with_one_slip();
        rows[0].peak_zero_n = 20.123456789012345;
        rows.push(TrialRow { item: -1, number: -1, attempt: -1, ..make_row(5, 3.0) });
        let json: serde_json::Value = serde_json::from_str(&json(&[source(rows)]).unwrap()).unwrap();
        let item = &json["items"][0];
        assert_eq!((&item["file"], &item["muscle"]), (&"a.h5".into(), &"left index abduction".into()));
        assert_eq!(item["mean_of_peaks_n"], (20.123456789012345 + 21.0 + 22.0) / 3.0);
        assert_eq!((&item["best_n"], &item["trials_used"]), (&22.0.into(), &3.into()));
        assert_eq!(item["trials"].as_array().unwrap().len(), 4);
        let slip = &item["trials"][1];
        assert_eq!((&slip["outcome"], &slip["valid"]), (&"slipped".into(), &false.into()));
        assert_eq!((&slip["peak_zero_n"], &slip["mean_n"]), (&15.5.into(), &serde_json::Value::Null));
        assert_eq!(json["unassigned"][0]["trials"].as_array().unwrap().len(), 1);
        assert_eq!(json["unassigned"][0]["mean_of_peaks_n"], 3.0);
        let with = &json["parameters"][0];
        assert_eq!((&with["file"], &with["from_sample"]), (&"a.h5".into(), &40.into()));
        assert_eq!(
            (&with["parameters"]["test"], &json["filter"]),
            (&"break".into(), &serde_json::Value::Null)
        );
        assert_eq!(with["parameters"]["arm_n"], 0.15);
    }

    #[test]
    fn free_recordings_and_empty_ones_are_told_as_such() {
        let mut rows: Vec<TrialRow> =
            (1..).zip([9.0, 10.0, 11.0, 0.2]).map(|(n, f)| make_row(n, f)).collect();
        rows.iter_mut().for_each(|row| row.item = -1);
        rows[3].kind = "touch".into();
        let free = text(&[source(rows)]);
        assert!(free.contains("Holds, no plan") && free.contains("mean 10.00 N, SD 1.00 N"), "{free}");
        assert!(free.contains("; 1 touch "), "{free}");
        assert!(text(&[source(vec![])]).contains("no trials and no holds"));
    }
}
