//! The fuzzers' corpora through the fuzzers' own functions: what was once found stays mended, with no fuzzer at hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};
use tests::fuzz::{TARGETS, Target};

fn fuzz() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz")
}

fn names(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).unwrap_or_else(|error| panic!("{}: {error}", folder.display()));
    let mut names: Vec<String> =
        entries.map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

/// Every input of a target's corpus, named where it fails.
fn replay(name: &str, target: Target) {
    let corpus = fuzz().join("corpus").join(name);
    let inputs = names(&corpus);
    assert!(inputs.len() >= 3, "the corpus of {name} is all but empty");
    for input in inputs {
        let bytes = std::fs::read(corpus.join(&input)).unwrap();
        if std::panic::catch_unwind(|| target(&bytes)).is_err() {
            panic!("{name}: corpus/{name}/{input} breaks a promise; what it is stands above");
        }
    }
}

#[test]
fn every_input_of_every_corpus() {
    TARGETS.iter().for_each(|(name, target)| replay(name, *target));
}

#[test]
fn every_target_can_be_fuzzed() {
    let mut known: Vec<String> = TARGETS.iter().map(|(name, _)| format!("{name}.rs")).collect();
    known.sort();
    assert_eq!(names(&fuzz().join("fuzz_targets")), known);
}
