//! `fingerforced recover`: seals what is left and says what was lost.

/// Seals what a crash left and says exactly what was lost
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
