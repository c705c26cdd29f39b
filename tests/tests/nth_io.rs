//! The n-th call on the disk fails, for every n, over a whole cycle of recording and sealing. The journal's side goes
//! through the daemon's own seam; libhdf5's goes through a small library (`nth_io/fail.c`) preloaded into the child that
//! seals.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use daemon::journal::simulated_disk::{Fail, SimulatedDisk};
use daemon::journal::{Disk, SystemDisk};
use nix::errno::Errno;
use std::path::{Path, PathBuf};
use std::process::Output;
use tests::world::recovered;
use tests::world::run::{FOLDER, run as run_visit};
use tests::world::script::Script;
use tests::world::visit_of;
use tests::{Place, fingerforced, json, run, stderr};

/// A short visit without any other fault, in segments of a few hundred records.
fn short() -> Script {
    let mut script = Script::calm(3);
    script.interval_ns = 5_000_000;
    script.lasts_s = 4.0;
    script.disk.segment_bytes = 8_000;
    script
}

/// How many calls on the disk a visit makes, to its end.
fn calls() -> u64 {
    let run = run_visit(&short()).unwrap();
    assert!(run.finished);
    run.calls
}

#[test]
fn whichever_call_of_a_recording_fails_nothing_is_lost_unsaid() {
    let calls = calls();
    assert!(calls > 300, "{calls} calls");
    for fail in [Fail::Only as fn(u64) -> Fail, Fail::From] {
        for n in 0..calls {
            let mut script = short();
            script.disk.fails = Some((0.0, fail(n)));
            let figures = visit_of(&script).unwrap_or_else(|broken| panic!("{broken}"));
            assert!(figures.recorded > 0 || n < 40, "call {n} of {calls} costs everything");
        }
    }
}

#[test]
fn whichever_call_of_recovery_fails_it_says_so_or_gives_the_same() {
    let run = run_visit(&short()).unwrap();
    run.disk.fail(None);
    let whole = recovered::recover(&run).unwrap().unwrap();
    let calls = run.disk.calls();
    assert!(calls > 30, "{calls} calls");
    let mut refused = 0;
    for n in 0..calls {
        run.disk.fail(Some(Fail::Only(n)));
        match recovered::recover(&run) {
            Ok(again) => {
                let again = again.expect("a journal that is there is not taken for nothing");
                assert_eq!(again.records, whole.records, "call {n}");
                assert_eq!(format!("{:?}", again.blocks), format!("{:?}", whole.blocks), "call {n}");
            }
            Err(_) => refused += 1,
        }
    }
    assert_eq!(refused, calls, "every call matters");
}

/// Copies a simulated visit's journal into a real folder.
fn copy_out(disk: &SimulatedDisk, into: &Path) {
    SystemDisk.create_folder(into).unwrap();
    for (_, path) in daemon::journal::segments(&*disk.shared(), Path::new(FOLDER)).unwrap() {
        std::fs::write(into.join(path.file_name().unwrap()), disk.contents(&path).unwrap()).unwrap();
    }
}

/// The library that lets calls fail, compiled.
fn shim(place: &Place) -> PathBuf {
    let library = place.path("fail.so");
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/nth_io/fail.c");
    let mut compile = std::process::Command::new("gcc");
    compile
        .args(["-shared", "-fPIC", "-O1", "-Wall", "-Wextra", "-Werror", "-o"])
        .arg(&library)
        .arg(source)
        .arg("-ldl");
    let compiled = run(&mut compile);
    assert!(compiled.status.success(), "{}", stderr(&compiled));
    library
}

/// Seals a folder with the n-th call failing; gives what came of it and how many calls there were.
fn seal(
    place: &Place,
    folder: &Path,
    library: &Path,
    at: Option<u64>,
    from: bool,
    errno: i32,
) -> (Output, u64) {
    let count = place.path("calls");
    let mut command = fingerforced();
    command.args(["recover", "--json"]).arg(folder);
    command.env("LD_PRELOAD", library).env("FAIL_COUNT", &count);
    command.env("FAIL_UNDER", folder.file_name().unwrap()).env("FAIL_NOT", "/lock");
    command.env("FAIL_FROM", if from { "1" } else { "0" }).env("FAIL_ERRNO", errno.to_string());
    if let Some(at) = at {
        command.env("FAIL_AT", at.to_string());
    }
    let output = run(&mut command);
    let calls = std::fs::read_to_string(&count).ok().and_then(|text| text.parse().ok());
    (output, calls.unwrap_or_default())
}

#[test]
fn whichever_call_of_sealing_fails_there_is_a_whole_recording_or_none() {
    let visit = run_visit(&short()).unwrap();
    let place = Place::default();
    let library = shim(&place);
    let whole = place.path("visit-whole");
    copy_out(&visit.disk, &whole);
    let (output, calls) = seal(&place, &whole, &library, None, false, 0);
    let digest = json(&output)["visits"][0]["content_sha256"].clone();
    assert!(digest.is_string() && calls > 20, "{calls} calls: {}", stderr(&output));
    // A call that fails once, for each; a disk that is full from some call on, for every fifth.
    for (from, step, errno) in [(false, 1, Errno::EIO as i32), (true, 5, Errno::ENOSPC as i32)] {
        for n in (0..calls).step_by(step) {
            let folder = place.path(&format!("visit-{n}"));
            copy_out(&visit.disk, &folder);
            let (output, _) = seal(&place, &folder, &library, Some(n), from, errno);
            let code = output.status.code();
            assert!(matches!(code, Some(0 | 1)), "call {n}: {code:?} {}", stderr(&output));
            let there = daemon::seal::recordings(&SystemDisk, &folder).unwrap();
            assert!(code == Some(1) || there.len() == 1, "call {n}: said to be sealed, {there:?}");
            let told = json(&output);
            assert!(code == Some(0) || told["visits"][0]["error"].is_string(), "call {n}: {told:#}");
            // What is there has its name only when it is whole; what is not there is made by the next attempt.
            let again = run(fingerforced().args(["recover", "--json"]).arg(&folder));
            let again = json(&again);
            let decision = if there.is_empty() { "seal" } else { "sealed" };
            assert_eq!(again["visits"][0]["decision"], decision, "call {n}: {again:#}");
            if there.is_empty() {
                assert_eq!(again["visits"][0]["content_sha256"], digest, "call {n}");
            }
            let names = SystemDisk.list(&folder).unwrap();
            assert!(names.iter().all(|entry| !entry.name.ends_with(".partial")), "call {n}: {names:?}");
            std::fs::remove_dir_all(&folder).unwrap();
        }
    }
}
