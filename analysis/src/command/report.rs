//! `fingerforce report`: one self-contained page for the chart or the lab book.
//!
//! Comes in: recordings, and where limits of change come from. Goes out: an HTML file with tables and figures, without
//! scripts and without anything from outside; the data folder is told where it goes.
use super::compare::{self, BasisArgs};
use super::plot::{overlay_figure, points_figures, source};
use crate::cautions::CAUTIONS;
use crate::console::{self, Hint, Usage, advised};
use crate::documents;
use crate::export::register::{self, To};
use crate::measures::repeats;
use crate::plot::svg;
use crate::recording::read::Recording;
use crate::report::html::{Cell, Page};
use crate::report::listing::Listing;
use crate::report::methods::{self, Source};
use crate::report::{chart, page};
use crate::study::comparison::{self, Basis, Rules};
use crate::study::procedure::OfVisit;
use crate::study::protocol::Protocol;
use crate::study::series::instant;
use crate::study::visit::{Visit, stand_ins};
use anyhow::Context;
use std::io::Write;
use std::path::{Path, PathBuf};

/// One self-contained page: results, changes, figures, definitions, cautions
///
/// Several visits of one participant are compared, the earliest first; of several participants they are listed.
///
/// Example: fingerforce report visit-1.h5 visit-2.h5 --reliability reliability.json --out report.html
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Recordings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// The page [default: report.html beside the first recording; - for stdout]
    #[arg(long, value_name = "F.html")]
    pub out: Option<PathBuf>,
    /// Add a paragraph of methods and a filled checklist for a paper on reliability
    #[arg(long)]
    pub methods: bool,
    /// The study's protocol (TOML): which visits are due or missing, who was blinded, how orders were drawn
    #[arg(long, value_name = "FILE.toml")]
    pub protocol: Option<PathBuf>,
    /// Leave the figures out
    #[arg(long)]
    pub no_figures: bool,
    /// Print the file that was written as JSON
    #[arg(long)]
    pub json: bool,
    /// What changes are held against.
    #[command(flatten)]
    pub basis: BasisArgs,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if args.json && args.out.as_deref() == Some(Path::new("-")) {
        return Err(Usage("--json lists the file that is written: name it with --out".to_owned()).into());
    }
    let rules = args.basis.rules()?;
    let read = read(&args.files)?;
    let html = whole(&read, args, &rules)?;
    let out = args.out.clone().unwrap_or_else(|| args.files[0].with_file_name("report.html"));
    let participants = || read.visits.iter().map(|(_, visit)| visit.participant.as_str());
    if out == Path::new("-") {
        register::tell(&args.files, participants(), &To::StdoutFile, false)?;
        console::result(&html)?;
        return Ok(());
    }
    if args.files.contains(&out) {
        return Err(Usage(format!("--out {}: that is one of the recordings", out.display())).into());
    }
    register::tell(&args.files, participants(), &To::File(&out), false)?;
    write(&out, &html)?;
    let text = if args.json {
        documents::files(std::slice::from_ref(&out))?
    } else {
        format!("{}\n", out.display())
    };
    console::result(&text)?;
    Ok(())
}

/// The recordings that were given.
pub(super) struct Given {
    /// Those that count and the visits in them, by participant and time.
    pub visits: Vec<(Recording, Visit)>,
    /// Why others do not count: see [`stand_ins`].
    pub left_out: Vec<String>,
}

pub(super) fn read(files: &[PathBuf]) -> anyhow::Result<Given> {
    let mut read: Vec<(Recording, Visit)> = Vec::new();
    for file in files {
        let recording = Recording::open(file).map_err(advised)?;
        let visit = Visit::of(&recording, file).map_err(advised)?;
        read.push((recording, visit));
    }
    let mut instead = stand_ins(&read.iter().map(|(_, visit)| visit).collect::<Vec<_>>()).into_iter();
    let mut left_out = Vec::new();
    read.retain(|_| {
        let why = instead.next().flatten();
        let counts = why.is_none();
        left_out.extend(why);
        counts
    });
    read.iter().filter_map(|(_, visit)| visit.replaced.as_deref()).for_each(console::note);
    read.sort_by(|a, b| (&a.1.participant, instant(&a.1)).cmp(&(&b.1.participant, instant(&b.1))));
    Ok(Given { visits: read, left_out })
}

/// Writes the page under another name first, so that no half of one is ever left.
pub(super) fn write(out: &Path, html: &str) -> anyhow::Result<()> {
    let temporary = out.with_extension("html.part");
    let written = std::fs::File::create(&temporary)
        .and_then(|mut file| file.write_all(html.as_bytes()).and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::rename(&temporary, out));
    written.with_context(|| format!("cannot write {}", out.display())).map_err(|error| {
        error.context(Hint::new("choose another file with --out, in a folder that you may write to"))
    })
}

fn whole(Given { visits: read, left_out }: &Given, args: &Args, rules: &Rules) -> anyhow::Result<String> {
    let sources: Vec<Source> = read.iter().map(|(recording, visit)| Source { recording, visit }).collect();
    let protocol = args.protocol.as_deref().map(Protocol::read).transpose().map_err(advised)?;
    let protocol = protocol.as_ref();
    let mut page = Page::default();
    page.heading(1, "Finger force");
    page.classed("warning", CAUTIONS);
    read.iter()
        .filter_map(|(_, visit)| visit.replaced.as_deref())
        .for_each(|told| page.classed("warning", told));
    let of_one = sources.windows(2).all(|pair| pair[0].visit.participant == pair[1].visit.participant);
    if sources.len() > 1 || protocol.is_some() || !left_out.is_empty() {
        let listing = Listing::of(&sources, left_out, protocol, super::study::day(None)?).map_err(advised)?;
        listing.section(&mut page);
    }
    if sources.len() > 1 && of_one {
        changes(&mut page, &sources, args, rules)?;
    }
    if let Basis::Own(document) = &rules.basis {
        page::basis(&mut page, document);
    }
    if args.methods {
        for_the_paper(&mut page, &sources, rules, protocol);
    }
    for Source { recording, visit } in &sources {
        page.sheet();
        let procedure = OfVisit::of(visit, rules.repeats().as_ref());
        let file = visit.file.display().to_string();
        page::visit(&mut page, &file, recording, (visit, &rules.vouched), &procedure).map_err(advised)?;
        if !args.no_figures {
            page.heading(3, "Traces");
            figures(&mut page, recording, &procedure)?;
        }
        chart::signature(&mut page);
    }
    let contents: Vec<String> =
        read.iter().map(|(recording, _)| recording.content_sha256().to_owned()).collect();
    let foot = format!("finger-force {} report {}", env!("CARGO_PKG_VERSION"), chart::report_id(&contents));
    Ok(page.finish("Finger force", &foot))
}

fn changes(page: &mut Page, sources: &[Source], args: &Args, rules: &Rules) -> anyhow::Result<()> {
    let visits: Vec<Visit> = sources.iter().map(|source| source.visit.clone()).collect();
    let comparison = comparison::compare(&visits, rules).map_err(|error| {
        anyhow::Error::new(error)
            .context(Hint::new("give each visit once; `fingerforce info` shows what a recording is"))
    })?;
    page::changes(page, &comparison);
    if !args.no_figures {
        for figure in compare::figures(&visits, &comparison) {
            page.figure(&svg(&figure).map_err(advised)?);
        }
    }
    Ok(())
}

fn for_the_paper(page: &mut Page, sources: &[Source], rules: &Rules, protocol: Option<&Protocol>) {
    page.heading(2, "Methods, for the paper");
    page.paragraph(methods::paragraph(sources, protocol));
    let document = match &rules.basis {
        Basis::Own(document) => Some(document),
        _ => None,
    };
    page.heading(3, "Checklist for reports of reliability and agreement");
    let rows = methods::checklist(sources, document, protocol);
    let rows: Vec<Vec<Cell>> =
        rows.iter().map(|(asked, told)| vec![Cell::text(asked), Cell::prose(told)]).collect();
    page.table(&["asked", "said"], &rows);
    page.classed(
        "quiet",
        "In the order of the guidelines for reporting reliability and agreement studies (Kottner et al. 2011, J. Clin. \
         Epidemiol. 64:96–106), in our words. Ids: study-1.participants, examiners, visits, trials, trials_used, trials_not_used, \
         excluded_K (K: the reason's place in the paragraph), participant_saw_K, examiner_saw_K, in_random_order, \
         in_planned_order, days; reliability-N.planned_width, planned_icc, planned_participants, planned_repeats; the command: \
         fingerforce info RECORDINGS --number ID.",
    );
}

fn figures(page: &mut Page, recording: &Recording, procedure: &OfVisit) -> anyhow::Result<()> {
    let rows = recording.trials().map_err(advised)?;
    let items = repeats::items(&rows);
    for (_, figure) in points_figures(&items, &source(recording), procedure) {
        page.figure(&svg(&figure).map_err(advised)?);
    }
    // Where nothing was found there is nothing to draw.
    for item in items.iter().filter(|item| item.trials.iter().any(|trial| trial.peak_zero_n.is_some())) {
        let figure = overlay_figure(recording, item, &rows, procedure).map_err(advised)?;
        page.figure(&svg(&figure).map_err(advised)?);
    }
    Ok(())
}
