//! Writes an invented study (12 participants, two examiners, two visits) to be walked through:
//! `cargo run --example study_recordings FOLDER`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "an example that cannot go on fails"
)]
#[path = "../tests/sample/mod.rs"]
mod sample;

use std::path::PathBuf;

/// The study in the README.
const SEED: u64 = 20_260_302;

fn main() -> anyhow::Result<()> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        anyhow::bail!("give the folder to write to");
    };
    std::fs::create_dir_all(&folder)?;
    let files = sample::study::write(&folder, SEED);
    println!("{} recordings in {}", files.len(), folder.display());
    Ok(())
}
