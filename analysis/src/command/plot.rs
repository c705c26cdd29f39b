//! `fingerforce plot`: plots of a recording.

/// Plots: traces per trial, repeated trials, sides
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
