//! Writes a made-up recording, and one with empty tables, for trying readers: `cargo run --example sample_recording FOLDER`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a example that cannot go on fails"
)]
#[path = "../tests/sample/mod.rs"]
mod sample;

use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        anyhow::bail!("give the folder to write to");
    };
    for (name, finished) in [
        ("sample.h5", sample::write(&folder.join("sample.h5"), 1000)?),
        ("empty.h5", sample::write_empty(&folder.join("empty.h5"))?),
    ] {
        println!("{}  {}", finished.content_sha256, folder.join(name).display());
    }
    Ok(())
}
