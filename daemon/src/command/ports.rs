//! `fingerforced ports`: lists serial ports and listens.

/// Lists serial ports and listens; writes only with --probe
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
