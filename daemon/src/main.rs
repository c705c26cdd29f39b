//! `fingerforced`: acquires. Results on stdout, all else on stderr.
use clap::{Parser, Subcommand};
use std::process::ExitCode;

#[derive(Parser)]
#[command(name = "fingerforced", version, about = "Acquires finger force from a serial sensor")]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    Demo(daemon::command::demo::Args),
    Record(daemon::command::record::Args),
    Simulate(Box<daemon::command::simulate::Args>),
    Ports(daemon::command::ports::Args),
    Recover(daemon::command::recover::Args),
    #[command(hide = true)]
    Show(daemon::command::show::Args),
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let done = match &cli.command {
        Command::Demo(args) => daemon::command::demo::run(args),
        Command::Record(args) => daemon::command::record::run(args),
        Command::Simulate(args) => daemon::command::simulate::run(args),
        Command::Ports(args) => daemon::command::ports::run(args),
        Command::Recover(args) => daemon::command::recover::run(args),
        Command::Show(args) => daemon::command::show::run(args),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => analysis::console::report(&error),
    }
}
