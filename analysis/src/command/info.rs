//! `fingerforce info`: what is in a recording, and whether it is whole.

/// What is in a recording, and whether it is whole
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
