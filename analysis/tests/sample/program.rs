//! `fingerforce` on a study's recordings. Not a part of `sample`: examples use that too, and have no program to run.

use crate::sample::study::{Planned, write_visit};
use analysis::holds::{Parameters, Profile};
use analysis::trial::Test;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

pub const SEED: u64 = 11;

pub fn run(arguments: &[&str], files: &[&Path]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fingerforce")).args(arguments).args(files).output().unwrap()
}

pub fn json(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

pub fn make() -> Parameters {
    Parameters::new(Profile::Standard, Test::Make)
}

/// One examiner's visits of everybody.
pub fn of_first_examiner(files: &[PathBuf]) -> Vec<&Path> {
    files.iter().map(PathBuf::as_path).filter(|path| path.display().to_string().contains("-E1-")).collect()
}

pub fn visit(
    folder: &Path,
    visit: usize,
    factor: f64,
    condition: &'static str,
    parameters: &Parameters,
) -> PathBuf {
    let planned = Planned { participant: 3, examiner: "E1", visit, factor, condition, plan: "" };
    write_visit(folder, SEED, &planned, parameters)
}
