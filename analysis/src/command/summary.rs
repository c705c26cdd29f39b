//! `fingerforce summary`: the trials of recordings, per item and side.

/// The trials: peak, mean, CV, per item and side
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
