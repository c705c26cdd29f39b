//! `fingerforce holds`: finds and measures holds in any trace.

/// Find and measure holds in any trace
#[derive(Debug, clap::Args)]
pub struct Args {}

/// Runs the command.
pub fn run(_args: &Args) -> anyhow::Result<()> {
    anyhow::bail!("not built yet")
}
