//! `fingerforce`: reads what was acquired. Results on stdout, all else on stderr.
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
    Holds(analysis::command::holds::Args),
    Summary(analysis::command::summary::Args),
    Plot(analysis::command::plot::Args),
    Info(analysis::command::info::Args),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done = match &cli.command {
        Command::Holds(args) => analysis::command::holds::run(args),
        Command::Summary(args) => analysis::command::summary::run(args),
        Command::Plot(args) => analysis::command::plot::run(args),
        Command::Info(args) => analysis::command::info::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error:#}");
            ExitCode::FAILURE
        }
    }
}
