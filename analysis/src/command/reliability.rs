//! `fingerforce reliability`: how repeatable a measurement is, and how small a change it can show.
//!
//! Comes in: recordings of several participants and visits or examiners, or a table (CSV). Goes out: ICC forms, SEM, MDC,
//! limits of agreement and their intervals, as tables, JSON and figures; the data folder is told where files of it go.
use crate::cautions::CAUTIONS;
use crate::console::{self, Hint, Usage, advised, clean};
use crate::documents;
use crate::export::register::{self, To};
use crate::plot::bland_altman::BlandAltmanFigure;
use crate::plot::files::{self, Format};
use crate::plot::names;
use crate::plot::occasions::OccasionsFigure;
pub use crate::prose::p_value;
use crate::statistics::agreement::Limits;
use crate::statistics::sem::{Estimate, Sem};
use crate::study::reliability::{
    self as study, Document, KIND, Pair, Planned, Reliability, VERSION, percent_of,
};
use crate::study::series::{self, By};
use crate::study::table::Table;
use crate::study::visit::{self, Visit};
use comfy_table::presets::UTF8_FULL_CONDENSED;
use comfy_table::{CellAlignment, Table as Grid};
use std::fmt::Write;
use std::path::{Path, PathBuf};

/// What the numbers are, printed once at the end.
const DEFINITIONS: &str = "ICC forms after Shrout & Fleiss 1979 (S–F) and McGraw & Wong 1996 (M–W). SEM consistency: \
√MS error; agreement: √(σ² occasions + MS error). MDC = z·√2·SEM. % of mean: of the mean of all values, taken as known. \
Intervals 95 %: F (ICC; for (2,·) with McGraw & Wong's \
degrees of freedom), chi-squared (SEM, MDC, CV), t (bias, trend; limits of agreement by √(3 SD²/n), Bland & Altman 1986). \
CV within: √(exp(s²) − 1) of the logarithms' variance within subjects. All values (within): √MS within of every value there is, \
incomplete subjects included; a shift between occasions counts in it as scatter. Of ratios, %: of the logarithms, where differences grow \
with the mean, and what `compare` holds changes against; a change downwards / upwards, the interval upwards.";

/// Width of the ICC's 95 % interval that is planned for where nothing else is asked.
pub(super) const WIDTH: f64 = 0.2;

/// How repeatable a measurement is: ICC forms, SEM, MDC, Bland–Altman
///
/// Example: fingerforce reliability P*/recording-1.h5 --by visit --out plots
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Recordings: several participants, each with several visits or examiners
    #[arg(required_unless_present_any = ["table", "expect_icc"], conflicts_with = "table")]
    pub files: Vec<PathBuf>,
    /// A table instead (CSV, or with tabs): a row a subject, a column a rater or occasion; the first line names them
    #[arg(long, value_name = "FILE.csv")]
    pub table: Option<PathBuf>,
    /// The table's column that names the subjects [default: the first, if its name or contents say so]
    #[arg(long, requires = "table", value_name = "NAME")]
    pub subject: Option<String>,
    /// What to compare: a participant's visits, or the examiners
    #[arg(long, value_enum, default_value_t)]
    pub by: By,
    /// Width of the ICC's 95 % interval to plan the next study for
    #[arg(long, default_value_t = WIDTH, value_name = "WIDTH")]
    pub width: f64,
    /// Plan a study before there are data: the ICC expected, with --width and without files
    #[arg(long, value_name = "ICC", conflicts_with_all = ["files", "table", "out", "json", "visits"])]
    pub expect_icc: Option<f64>,
    /// Only these visits of each participant, by their order in time [default: all that most participants have]
    #[arg(long, value_name = "N,N", value_delimiter = ',', conflicts_with = "table")]
    pub visits: Vec<usize>,
    /// Folder for the figures [default: none are drawn]
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print JSON: what `compare --reliability` takes
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if !(args.width > 0.0 && args.width < 1.0) {
        return Err(Usage(format!("--width {}: give a number between 0 and 1", args.width)).into());
    }
    if args.visits.contains(&0) {
        return Err(Usage("--visits 0: a participant's visits are counted from 1".to_owned()).into());
    }
    if let Some(icc) = args.expect_icc {
        if !(icc > 0.0 && icc < 1.0) {
            return Err(Usage(format!("--expect-icc {icc}: give a number between 0 and 1")).into());
        }
        console::result(&plan_lines(&study::plans(icc, None, 3, args.width)))?;
        return Ok(());
    }
    let (document, participants) = document(args)?;
    let text = if args.json {
        documents::harmless(&serde_json::to_string_pretty(&document)?) + "\n"
    } else {
        text(&document)
    };
    let tell = |to: &To| register::tell(&args.files, participants.iter().map(String::as_str), to, false);
    if let Some(out) = &args.out {
        draw(&document, (out, Format::Both), tell)?;
    }
    tell(&To::StdoutFile)?;
    console::result(&text)?;
    Ok(())
}

/// The document, and whose recordings it was made of.
fn document(args: &Args) -> anyhow::Result<(Document, Vec<String>)> {
    if let Some(path) = &args.table {
        let table = Table::read(path, args.subject.as_deref()).map_err(advised)?;
        return Ok((analysed(&[table], None, args.width, Vec::new())?, Vec::new()));
    }
    let visits: Result<Vec<Visit>, _> = args.files.iter().map(|file| Visit::read(file)).collect();
    let visits = visits.map_err(advised)?;
    let participants = visits.iter().map(|visit| visit.participant.clone()).collect();
    Ok((of_visits(visits, (args.by, &args.visits), args.width)?, participants))
}

/// The document of recordings.
pub(super) fn of_visits(
    visits: Vec<Visit>,
    (by, wanted): (By, &[usize]),
    width: f64,
) -> anyhow::Result<Document> {
    let (visits, left_out) = visit::counting(visits);
    visits.iter().filter_map(|visit| visit.replaced.as_deref()).for_each(console::note);
    analysed(&series::tables(&visits, by, wanted), Some(by), width, left_out)
}

fn analysed(tables: &[Table], by: Option<By>, width: f64, left_out: Vec<String>) -> anyhow::Result<Document> {
    let (mut analyses, mut refused, mut hint) =
        (Vec::new(), Vec::new(), "give recordings of visits with trials");
    for table in tables {
        match study::of(table, width) {
            Ok(of) => analyses.push(of),
            Err(refusal) => {
                hint = refusal.hint();
                let lacking = table.complete().1;
                let notes: String =
                    lacking.iter().chain(&table.notes).map(|note| format!("; {note}")).collect();
                refused.push(format!("{}: {refusal}{notes}", table.name));
            }
        }
    }
    if analyses.is_empty() {
        refused.extend(left_out);
        let why = if refused.is_empty() { "no items with trials".to_owned() } else { refused.join("\n") };
        return Err(anyhow::anyhow!("no repeatability can be given: {}", why).context(Hint::new(hint)));
    }
    Ok(Document {
        kind: KIND.to_owned(),
        version: VERSION,
        software: concat!("finger-force ", env!("CARGO_PKG_VERSION")).to_owned(),
        by,
        analyses,
        refused,
        left_out,
        cautions: CAUTIONS.to_owned(),
    })
}

fn occasions_file(number: usize) -> String {
    format!("{number:02}-occasions")
}

fn bland_altman_file(number: usize, later: usize) -> String {
    format!("{number:02}-bland-altman-1-{later}")
}

/// The name of every figure that [`draw`] makes.
fn drawn(document: &Document) -> Vec<String> {
    let mut names = Vec::new();
    for (number, of) in (1..).zip(&document.analyses) {
        names.push(occasions_file(number));
        names.extend((2..).zip(&of.pairs).map(|(later, _)| bland_altman_file(number, later)));
    }
    names
}

/// Draws every analysis into a folder, which the data folder is told of; gives the files.
pub(super) fn draw(
    document: &Document,
    (out, format): (&Path, Format),
    tell: impl Fn(&To) -> anyhow::Result<()>,
) -> anyhow::Result<Vec<PathBuf>> {
    files::make_folder(out)?;
    tell(&To::Folder(out, format.files(drawn(document))))?;
    let mut written = Vec::new();
    for (number, of) in (1..).zip(&document.analyses) {
        let occasions = occasions_figure(of, &document.software);
        written.extend(files::write(&occasions, out, &occasions_file(number), format)?);
        for (later, pair) in (2..).zip(&of.pairs) {
            let figure = bland_altman_figure(of, pair, &document.software);
            written.extend(files::write(&figure, out, &bland_altman_file(number, later), format)?);
        }
    }
    Ok(written)
}

/// Subjects over occasions.
pub fn occasions_figure(of: &Reliability, source: &str) -> OccasionsFigure {
    let icc = of.icc.iter().find(|form| form.shrout_fleiss == "ICC(2,1)");
    let icc = icc.map_or_else(String::new, |form| {
        format!("{} {:.2} ({}) · ", form.shrout_fleiss, form.icc, interval(form.low, form.high, 2))
    });
    let sem = of.agreement.map_or_else(String::new, |sem| {
        format!(
            "SEM (agreement) {:.2}{unit}, MDC95 {:.2}{unit} · ",
            sem.sem.value,
            sem.mdc95.value,
            unit = spaced(&of.unit)
        )
    });
    OccasionsFigure {
        title: format!("{}: repeated measurements", names::sentence(&of.name)),
        subtitle: format!("{icc}{sem}{}, {} occasions", whom(of), of.k),
        source: source.to_owned(),
        value: value(of).0.to_owned(),
        unit: of.unit.clone(),
        whom: whom(of),
        definition: value(of).1.to_owned(),
        occasions: of.occasions.clone(),
        rows: of.values.clone(),
    }
}

/// Two occasions against each other.
pub fn bland_altman_figure<'a>(of: &Reliability, pair: &'a Pair, source: &str) -> BlandAltmanFigure<'a> {
    BlandAltmanFigure {
        title: format!("{}: agreement", names::sentence(&of.name)),
        value: value(of).0.to_owned(),
        unit: of.unit.clone(),
        whom: whom(of),
        definition: value(of).1.to_owned(),
        source: source.to_owned(),
        pair,
    }
}

/// What a value is, and what the words mean; of a table given as such nobody knows.
fn value(of: &Reliability) -> (&'static str, &'static str) {
    if of.visits.is_empty() {
        return ("", "What a value is, the table does not say.");
    }
    (
        "mean of the first three valid peaks",
        "Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero.",
    )
}

/// Who was measured: their number, and what people they are where the plans say.
fn whom(of: &Reliability) -> String {
    let what = if of.visits.is_empty() { "subjects" } else { "participants" };
    let people = &of.conditions.population;
    let people = if people.is_empty() { String::new() } else { format!(" ({people})") };
    format!("n = {} {what}{people}", of.subjects)
}

fn spaced(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

/// The results as text.
pub fn text(document: &Document) -> String {
    let mut text: String = document.analyses.iter().map(|of| of_quantity(of) + "\n").collect();
    for refused in &document.refused {
        text += &format!("not analysed: {}\n", clean(refused));
    }
    document.left_out.iter().for_each(|left_out| text += &format!("left out: {}\n", clean(left_out)));
    text + DEFINITIONS + "\n" + CAUTIONS + "\n"
}

fn of_quantity(of: &Reliability) -> String {
    let mut text = format!(
        "{} · {} subjects, {} occasions ({}) · mean {:.3}{}\n",
        clean(&of.name),
        of.subjects,
        of.k,
        clean(&of.occasions.join(", ")),
        of.mean,
        clean(&spaced(&of.unit))
    );
    let mean_squares = &of.mean_squares;
    // Writing to a string cannot fail.
    let _ = writeln!(
        text,
        "mean squares: subjects {:.4}, occasions {:.4}, error {:.4}, within {:.4}; occasions differ: F {}, p {}",
        mean_squares.subjects,
        mean_squares.occasions,
        mean_squares.error,
        mean_squares.within,
        number(mean_squares.occasions_f, 3),
        p_value(mean_squares.occasions_p)
    );
    let _ = writeln!(text, "{}", icc_grid(of));
    let _ = writeln!(text, "{}", sem_grid(of));
    let _ = writeln!(text, "{}", change_grid(of));
    text += &lines(of);
    of.pairs.iter().for_each(|pair| text += &agreement_lines(pair, &of.unit));
    for left_out in &of.left_out {
        let _ = writeln!(text, "left out: {}", clean(left_out));
    }
    for note in &of.notes {
        let _ = writeln!(text, "note: {}", clean(note));
    }
    text
}

fn grid(header: &[&str]) -> Grid {
    let mut grid = Grid::new();
    grid.load_style(UTF8_FULL_CONDENSED);
    grid.set_header(header);
    grid
}

fn to_the_right(grid: &mut Grid, from: usize) {
    grid.column_iter_mut().skip(from).for_each(|column| column.set_cell_alignment(CellAlignment::Right));
}

fn icc_grid(of: &Reliability) -> Grid {
    let mut grid = grid(&["S–F", "M–W", "ICC", "95 %", "F", "df", "p", "what it says"]);
    for form in &of.icc {
        grid.add_row([
            form.shrout_fleiss.clone(),
            form.mcgraw_wong.clone(),
            format!("{:.3}", form.icc),
            interval(form.low, form.high, 3),
            number(form.f, 2),
            format!("{:.0}, {:.0}", form.df1, form.df2),
            p_value(form.p),
            form.says.clone(),
        ]);
    }
    grid
}

fn sem_grid(of: &Reliability) -> Grid {
    let unit = if of.unit.is_empty() { String::new() } else { format!(", {}", of.unit) };
    let named = |name: &str| format!("{name}{unit}");
    let mut grid = grid(&["form", &named("SEM"), "95 %", "% of mean", "95 %"]);
    for (name, sem) in sem_forms(of) {
        let [value, ends, share, share_ends] = in_both(&sem.sem, of.mean);
        grid.add_row([name.to_owned(), value, ends, share, share_ends]);
    }
    for (name, sem) in ratio_forms(of) {
        let share = study::of_ratios(&sem.sem);
        let ends = interval(share.low, share.high, 1);
        grid.add_row([name.to_owned(), "–".to_owned(), "–".to_owned(), format!("{:.1}", share.value), ends]);
    }
    to_the_right(&mut grid, 1);
    grid
}

fn sem_forms(of: &Reliability) -> impl Iterator<Item = (&'static str, Sem)> {
    let forms = [
        ("consistency", of.consistency),
        ("agreement", of.agreement),
        // Of a complete table it would be agreement once more, with another interval.
        ("all values (within)", of.sem_all_values.filter(|_| !of.left_out.is_empty())),
    ];
    forms.into_iter().filter_map(|(name, sem)| Some((name, sem?)))
}

/// The forms by which changes are judged where differences grow with the mean.
fn ratio_forms(of: &Reliability) -> impl Iterator<Item = (&'static str, Sem)> {
    let forms = [
        ("consistency, of ratios, %", of.consistency_of_logs),
        ("agreement, of ratios, %", of.agreement_of_logs),
    ];
    forms.into_iter().filter_map(|(name, sem)| Some((name, sem?)))
}

/// Minimal detectable changes, each in the values' unit and in percent, with its interval.
fn change_grid(of: &Reliability) -> Grid {
    let unit = if of.unit.is_empty() { String::new() } else { format!(", {}", of.unit) };
    let mut grid = grid(&["form", "", &format!("change{unit}"), "95 %", "% of mean", "95 %"]);
    for (name, sem) in sem_forms(of) {
        for (level, change) in [("MDC90", &sem.mdc90), ("MDC95", &sem.mdc95)] {
            let [value, ends, share, share_ends] = in_both(change, of.mean);
            grid.add_row([name.to_owned(), level.to_owned(), value, ends, share, share_ends]);
        }
    }
    for (name, sem) in ratio_forms(of) {
        for (level, change) in [("MDC90", &sem.mdc90), ("MDC95", &sem.mdc95)] {
            let (up, down) = (study::of_ratios(change), study::of_ratios(&change.times(-1.0)));
            grid.add_row([
                name.to_owned(),
                level.to_owned(),
                "–".to_owned(),
                "–".to_owned(),
                format!("{:+.1} / {:+.1}", down.value, up.value),
                interval(up.low, up.high, 1),
            ]);
        }
    }
    to_the_right(&mut grid, 2);
    grid
}

/// An estimate in the values' unit and in percent of the mean, each with its interval.
fn in_both(of: &Estimate, mean: f64) -> [String; 4] {
    let share = percent_of(of, mean);
    [
        format!("{:.3}", of.value),
        interval(of.low, of.high, 3),
        share.map_or_else(|| "–".to_owned(), |share| format!("{:.1}", share.value)),
        share.map_or_else(|| "–".to_owned(), |share| interval(share.low, share.high, 1)),
    ]
}

fn lines(of: &Reliability) -> String {
    let mut text = match of.cv_within_percent {
        Some(cv) => format!("CV within subjects: {:.2} % ({})\n", cv.value, interval(cv.low, cv.high, 2)),
        None => "CV within subjects: not given, a value is not above zero\n".to_owned(),
    };
    for (what, each, trend) in
        [("occasions", "an occasion", &of.trend_over_occasions), ("trials", "a trial", &of.trend_over_trials)]
    {
        if let Some(trend) = trend {
            let slope = &trend.slope;
            text += &format!(
                "trend over {what}: {:+.3}{} {each} ({}), p {}, n {}\n",
                slope.value,
                clean(&spaced(&of.unit)),
                interval(slope.low, slope.high, 3),
                p_value(trend.p),
                trend.n
            );
        }
    }
    if let Some(averaging) = &of.averaging {
        let each = averaging.iter().map(|of| format!("{} → {:.2}, {:.2}", of.trials, of.sem, of.mdc95));
        text +=
            &format!("trials averaged → SEM, MDC95 (consistency): {}\n", each.collect::<Vec<_>>().join("; "));
    }
    text + &plan_lines(&of.planned)
}

/// Participants for the next study, at the ICC expected and at a lower one.
fn plan_lines(planned: &[Planned]) -> String {
    let Some(first) = planned.first() else { return String::new() };
    let each = |of: &dyn Fn(&Planned) -> Option<usize>| {
        let each =
            planned.iter().filter_map(|plan| Some(format!("{} values each → {}", plan.repeats, of(plan)?)));
        each.collect::<Vec<_>>().join("; ")
    };
    let mut text = format!(
        "participants for an interval of the ICC that is {} wide (Bonett 2002; an expected width: about half of such studies \
         find a wider one)\n  at {:.2}: {}\n",
        first.width,
        first.icc,
        each(&|plan| Some(plan.participants))
    );
    if let Some(low) = first.icc_low {
        text += &format!(
            "  at {low:.2}, the lower end of that ICC's interval: {}\n",
            each(&|plan| plan.participants_low)
        );
    }
    text
}

fn agreement_lines(pair: &Pair, unit: &str) -> String {
    let of = &pair.of;
    let head = format!("{} − {}: ", clean(&pair.later), clean(&pair.earlier));
    let mut text = head + &limits_words("bias", &of.limits, &clean(&spaced(unit)));
    for (what, line) in [("differences", &of.bias_on_mean), ("scatter", &of.scatter_on_mean)] {
        if let Some(line) = line {
            text += &format!("  {what} on the mean: slope {:.4}, p {}\n", line.slope, p_value(line.p));
        }
    }
    text += &match (of.grows, &of.ratio) {
        (false, _) => "  no growth with the mean found at p < 0.05 (Bonferroni)\n".to_owned(),
        (true, None) => {
            format!("  they grow with the mean, and {}: no limits hold for all\n", pair.why_no_ratio())
        }
        (true, Some(_)) => "  they grow with the mean: use the ratios\n".to_owned(),
    };
    if let Some(ratio) = &of.ratio {
        text += &format!("  {}", limits_words("mean ratio", ratio, ""));
    }
    text
}

fn limits_words(what: &str, of: &Limits, unit: &str) -> String {
    let ends = |of: &Estimate| format!("{:.3}{unit} ({})", of.value, interval(of.low, of.high, 3));
    format!(
        "{what} {}, SD {:.3}, limits of agreement {} and {}, n {}\n",
        ends(&of.bias),
        of.sd,
        ends(&of.lower),
        ends(&of.upper),
        of.n
    )
}

/// Both ends of an interval.
pub fn interval(low: Option<f64>, high: Option<f64>, digits: usize) -> String {
    match (low, high) {
        (Some(low), Some(high)) => format!("{low:.digits$} to {high:.digits$}"),
        _ => "–".to_owned(),
    }
}

fn number(value: Option<f64>, digits: usize) -> String {
    value.map_or_else(|| "–".to_owned(), |value| format!("{value:.digits$}"))
}
