//! `fingerforced demo`: everything, without hardware, in under a minute.

/// Everything without hardware: a simulated sensor, a short plan, a recording, a table, plots
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
