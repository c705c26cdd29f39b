//! `fingerforced simulate`: a simulated sensor on a pseudo-terminal.

/// A simulated sensor on a pseudo-terminal
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
