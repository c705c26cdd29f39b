//! `fingerforced`: acquires. Results on stdout, all else on stderr.
use analysis::console::{Usage, advised};
use analysis::supervise::{self, Limits, Supervision};
use clap::{Parser, Subcommand};
use daemon::stderr::{self, Stderr};
use std::io::IsTerminal;
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
    Plans(daemon::command::plans::Args),
    Serve(daemon::command::serve::Args),
    Ports(daemon::command::ports::Args),
    Practice(daemon::command::practice::Args),
    Recover(daemon::command::recover::Args),
    Calibrate(Box<daemon::command::calibrate::Args>),
    Check(daemon::command::check::Args),
    Tidy(daemon::command::tidy::Args),
    Correct(daemon::command::correct::Args),
    Erase(daemon::command::erase::Args),
    #[command(hide = true)]
    Revise(daemon::command::revise::Args),
    #[command(hide = true)]
    Show(daemon::command::show::Args),
}

fn main() -> ExitCode {
    supervise::private_files();
    supervise::no_death_by_file_size();
    logging();
    let cli = match Cli::try_parse() {
        Err(error) if stderr::is_json() && error.use_stderr() => {
            return stderr::report(&Usage(error.render().to_string()).into());
        }
        parsed => parsed.unwrap_or_else(|error| error.exit()),
    };
    let done = supervised(&cli.command);
    stderr::settle();
    done.unwrap_or_else(|error| stderr::report(&error))
}

/// A command that reads a recording does it in a supervised child; the others never open one.
fn supervised(command: &Command) -> anyhow::Result<ExitCode> {
    let files = match command {
        Command::Show(args) => args.recordings(),
        Command::Revise(args) => vec![args.recording.clone()],
        _ => Vec::new(),
    };
    if !files.is_empty()
        && let Supervision::Done(code) =
            supervise::run_supervised(&files, Limits::for_files(&files)).map_err(advised)?
    {
        return Ok(code);
    }
    run(command).map(|()| ExitCode::SUCCESS)
}

fn run(command: &Command) -> anyhow::Result<()> {
    match command {
        Command::Demo(args) => daemon::command::demo::run(args),
        Command::Record(args) => daemon::command::record::run(args),
        Command::Simulate(args) => daemon::command::simulate::run(args),
        Command::Plans(args) => daemon::command::plans::run(args),
        Command::Serve(args) => daemon::command::serve::run(args),
        Command::Ports(args) => daemon::command::ports::run(args),
        Command::Practice(args) => daemon::command::practice::run(args),
        Command::Recover(args) => daemon::command::recover::run(args),
        Command::Calibrate(args) => daemon::command::calibrate::run(args),
        Command::Check(args) => daemon::command::check::run(args),
        Command::Tidy(args) => daemon::command::tidy::run(args),
        Command::Correct(args) => daemon::command::correct::run(args),
        Command::Erase(args) => daemon::command::erase::run(args),
        Command::Revise(args) => daemon::command::revise::run(args),
        Command::Show(args) => daemon::command::show::run(args),
    }
}

/// Logs go to stderr; `FINGERFORCE_LOG` chooses what is said (as `debug`), warnings and losses by default;
/// `FINGERFORCE_LOG_FORMAT=json` makes each an object on a line, with its time, for a machine to watch, and leaves out
/// whatever is none.
fn logging() {
    let filter = tracing_subscriber::EnvFilter::try_from_env("FINGERFORCE_LOG")
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("warn"));
    let logs = tracing_subscriber::fmt().with_env_filter(filter).with_writer(|| Stderr);
    if stderr::is_json() {
        logs.json().init();
        return;
    }
    let terminal = std::io::stderr().is_terminal();
    logs.with_ansi(terminal).without_time().with_target(false).init();
}
