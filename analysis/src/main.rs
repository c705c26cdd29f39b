//! `fingerforce`: reads what was acquired. Results on stdout, all else on stderr.
use analysis::command::{compare, export, holds, info, plot, reliability, report, sensor, study, summary};
use analysis::console::{self, advised};
use analysis::supervise::{self, Limits, Supervision};
use clap::{Parser, Subcommand};
use std::process::ExitCode;

#[derive(Parser)]
#[command(name = "fingerforce", version, about = "Reads, measures, judges and plots finger-force recordings")]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Holds(holds::Args),
    Summary(summary::Args),
    Plot(plot::Args),
    Info(info::Args),
    Export(export::Args),
    Compare(compare::Args),
    Reliability(reliability::Args),
    Report(report::Args),
    Sensor(sensor::Args),
    Study(study::Args),
}

fn main() -> ExitCode {
    supervise::private_files();
    supervise::no_death_by_file_size();
    let cli = Cli::parse();
    let files = supervise::hdf5_arguments();
    let done = match supervise::run_supervised(&files, Limits::for_files(&files)) {
        Ok(Supervision::Done(code)) => return code,
        Ok(Supervision::Here) => run(&cli.command),
        Err(error) => Err(advised(error)),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => console::report(&error),
    }
}

fn run(command: &Command) -> anyhow::Result<()> {
    match command {
        Command::Holds(args) => holds::run(args),
        Command::Summary(args) => summary::run(args),
        Command::Plot(args) => plot::run(args),
        Command::Info(args) => info::run(args),
        Command::Export(args) => export::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Reliability(args) => reliability::run(args),
        Command::Report(args) => report::run(args),
        Command::Sensor(args) => sensor::run(args),
        Command::Study(args) => study::run(args),
    }
}
