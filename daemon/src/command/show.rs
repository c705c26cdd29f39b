//! `fingerforced show`: the table and the plots of a recording, for the commands that end with them. It runs in a child,
//! because it opens an HDF5 file.

use crate::server::review;
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
    /// Only print the participant's code
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
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    use analysis::command::{plot, summary};
    if args.participant {
        let recording = Recording::open(&args.recording).map_err(advised)?;
        return Ok(analysis::console::result(&format!("{}\n", recording.root().participant))?);
    }
    if args.report {
        return report(&args.recording);
    }
    if args.review || args.trace.is_some() {
        let recording = Recording::open(&args.recording).map_err(advised)?;
        let told = match args.trace {
            Some(order) => serde_json::to_string(&review::trace(&recording, order)?)?,
            None => serde_json::to_string(&review::results(&recording)?)?,
        };
        return Ok(analysis::console::result(&(told + "\n"))?);
    }
    if args.whole {
        let recording = Recording::open(&args.recording).map_err(advised)?;
        recording.verify().map_err(advised)?;
        return Ok(analysis::console::result(&format!("{}\n", recording.root().journal_sha256))?);
    }
    summary::run(&summary::Args { files: vec![args.recording.clone()], json: false })?;
    let Some(out) = &args.plots else { return Ok(()) };
    plot::run(&plot::Args { file: args.recording.clone(), out: Some(out.clone()), ..plot::Args::default() })
}

fn report(recording: &Path) -> anyhow::Result<()> {
    use analysis::command::report;
    report::run(&report::Args {
        files: vec![recording.to_owned()],
        out: Some(PathBuf::from("-")),
        methods: false,
        no_figures: false,
        protocol: None,
        basis: analysis::command::compare::BasisArgs::default(),
    })
}
