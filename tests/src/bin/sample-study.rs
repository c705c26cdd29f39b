//! Writes the invented study of `fixtures/study` to be walked through: `cargo run --release -p tests --bin sample-study FOLDER`.
#![allow(clippy::expect_used, reason = "what cannot go on ends it")]

use std::path::PathBuf;

fn main() {
    let folder = PathBuf::from(std::env::args_os().nth(1).expect("give the folder to write to"));
    std::fs::create_dir_all(&folder).expect("the folder can be made");
    let files = tests::study::write(&folder);
    println!("{} recordings in {}", files.len(), folder.display());
}
