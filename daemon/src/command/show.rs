//! `fingerforced show`: the table and the plots of a recording, for the commands that end with them. It runs in a child,
//! because it opens an HDF5 file.

use crate::server::review;
use analysis::command::compare::BasisArgs;
use analysis::console::advised;
use analysis::recording::read::Recording;
use std::path::{Path, PathBuf};

/// Print the table of a recording, and draw its plots
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The recording
    pub recording: PathBuf,
    /// Where the plots go; without it none are drawn
    #[arg(long)]
    pub plots: Option<PathBuf>,
    /// Only check that it is whole, and print the digest of the journal it was made from
    #[arg(long)]
    pub whole: bool,
    /// Only print the participant's code and, on the next line, the examiner's
    #[arg(long)]
    pub participant: bool,
    /// Only print what a page shows of it after the visit (JSON)
    #[arg(long)]
    pub review: bool,
    /// Only print this trial's force and marks (JSON)
    #[arg(long, value_name = "ORDER")]
    pub trace: Option<i64>,
    /// Only print the report (HTML)
    #[arg(long)]
    pub report: bool,
    /// Only print what `fingerforce sensor` says (JSON)
    #[arg(long, requires_all = ["initial", "shortest"])]
    pub sensor: bool,
    /// From the change of load to the initial reading of creep, s
    #[arg(long)]
    pub initial: Option<f64>,
    /// Shortest load under which creep is judged, s
    #[arg(long)]
    pub shortest: Option<f64>,
    /// Only print what a page shows of it before the next visit (JSON)
    #[arg(long)]
    pub earlier: bool,
    /// Only print the changes since this earlier visit's recording (JSON); a report has them, too
    #[arg(long, value_name = "RECORDING")]
    pub since: Option<PathBuf>,
    /// What the changes are held against.
    #[command(flatten)]
    pub basis: BasisArgs,
}

impl Args {
    /// The recordings that are opened.
    pub fn recordings(&self) -> Vec<PathBuf> {
        self.since.iter().chain([&self.recording]).cloned().collect()
    }
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    use analysis::command::{plot, summary};
    if args.participant {
        // A damaged one is still somebody's.
        let recording = Recording::open_unverified(&args.recording).map_err(advised)?;
        let root = recording.root();
        return Ok(analysis::console::result(&format!("{}\n{}\n", root.participant, root.examiner))?);
    }
    if let (true, Some(initial), Some(shortest)) = (args.sensor, args.initial, args.shortest) {
        return sensor(&args.recording, initial, shortest);
    }
    if args.report {
        return report(args);
    }
    if let Some(told) = page(args)? {
        return Ok(analysis::console::result(&(told + "\n"))?);
    }
    if args.whole {
        let recording = Recording::open(&args.recording).map_err(advised)?;
        return Ok(analysis::console::result(&format!("{}\n", recording.root().journal_sha256))?);
    }
    let files = vec![args.recording.clone()];
    summary::run(&summary::Args { files, own: args.basis.own.clone(), json: false })?;
    let Some(out) = &args.plots else { return Ok(()) };
    plot::run(&plot::Args {
        files: vec![args.recording.clone()],
        out: Some(out.clone()),
        ..plot::Args::default()
    })
}

/// What a page shows (JSON), where that is asked for.
fn page(args: &Args) -> anyhow::Result<Option<String>> {
    let open = || Recording::open(&args.recording).map_err(advised);
    Ok(Some(if let Some(earlier) = &args.since {
        serde_json::to_string(&review::compared(earlier, &args.recording, &args.basis.rules()?)?)?
    } else if let Some(order) = args.trace {
        serde_json::to_string(&review::trace(&open()?, order)?)?
    } else if args.review {
        serde_json::to_string(&review::results(&args.recording, args.basis.own.repeats()?.as_ref())?)?
    } else if args.earlier {
        serde_json::to_string(&review::earlier(&open()?)?)?
    } else {
        return Ok(None);
    }))
}

fn report(args: &Args) -> anyhow::Result<()> {
    use analysis::command::report;
    for file in args.recordings() {
        review::may_be_reported(&Recording::open(&file).map_err(advised)?)?;
    }
    report::run(&report::Args {
        files: args.recordings(),
        out: Some(PathBuf::from("-")),
        methods: false,
        protocol: None,
        no_figures: false,
        json: false,
        basis: args.basis.clone(),
    })
}

fn sensor(recording: &Path, initial: f64, shortest: f64) -> anyhow::Result<()> {
    use analysis::command::sensor;
    sensor::run(&sensor::Args { initial, shortest, json: true, ..sensor::Args::of(recording) })
}
