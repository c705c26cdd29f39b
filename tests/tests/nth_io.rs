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
use tests::{Place, fingerforced, json, run, sealed, stderr};

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

/// Which calls fail.
#[derive(Clone, Copy)]
enum Failing {
    None,
    /// The n-th.
    Only(usize),
    /// That one and all after it.
    From(usize),
    /// Those of a name.
    Named(&'static str),
}

/// Seals a folder with calls failing; gives what came of it and the names of the calls that there were.
fn seal(
    place: &Place,
    folder: &Path,
    library: &Path,
    failing: Failing,
    errno: Errno,
) -> (Output, Vec<String>) {
    let calls = place.path("calls");
    let mut command = fingerforced();
    command.args(["recover", "--json"]).arg(folder);
    command.env("LD_PRELOAD", library).env("FAIL_CALLS", &calls);
    command.env("FAIL_UNDER", folder.file_name().unwrap()).env("FAIL_NOT", "/lock");
    command.env("FAIL_ERRNO", (errno as i32).to_string());
    match failing {
        Failing::None => &mut command,
        Failing::Only(n) => command.env("FAIL_AT", n.to_string()),
        Failing::From(n) => command.env("FAIL_AT", n.to_string()).env("FAIL_FROM", "1"),
        Failing::Named(name) => command.env("FAIL_NAMED", name),
    };
    let output = run(&mut command);
    let calls = std::fs::read_to_string(&calls).unwrap_or_default();
    (output, calls.lines().map(str::to_owned).collect())
}

#[test]
fn whichever_call_of_sealing_fails_there_is_a_whole_recording_or_none() {
    let visit = run_visit(&short()).unwrap();
    let place = Place::default();
    let library = shim(&place);
    let whole = place.path("visit-whole");
    copy_out(&visit.disk, &whole);
    let (output, calls) = seal(&place, &whole, &library, Failing::None, Errno::EIO);
    let digest = json(&output)["visits"][0]["content_sha256"].clone();
    assert!(digest.is_string() && calls.len() > 20, "{calls:?}: {}", stderr(&output));
    // The one that gives it its name is among them.
    assert!(calls.iter().any(|call| call == "renameat2"), "{calls:?}");
    // A call that fails once, for each; a disk that is full from some call on, for every fifth.
    let kinds = [(Failing::Only as fn(usize) -> Failing, 1, Errno::EIO), (Failing::From, 5, Errno::ENOSPC)];
    for (failing, step, errno) in kinds {
        for n in (0..calls.len()).step_by(step) {
            let folder = place.path(&format!("visit-{n}"));
            copy_out(&visit.disk, &folder);
            let (output, _) = seal(&place, &folder, &library, failing(n), errno);
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

/// A file system that cannot rename without replacing: the recording gets its name by a second one, and never over another.
#[test]
fn without_a_rename_that_replaces_nothing_there_is_a_way_round() {
    let visit = run_visit(&short()).unwrap();
    let place = Place::default();
    let library = shim(&place);
    let (usual, round) = (place.path("visit-usual"), place.path("visit-round"));
    copy_out(&visit.disk, &usual);
    copy_out(&visit.disk, &round);
    let (expected, _) = seal(&place, &usual, &library, Failing::None, Errno::EIO);
    let (output, calls) = seal(&place, &round, &library, Failing::Named("renameat2"), Errno::ENOSYS);
    let digest = |output| sealed(output)["content_sha256"].clone();
    assert_eq!(digest(&output), digest(&expected));
    assert!(calls.iter().any(|call| call == "linkat"), "{calls:?}");
    let names = |folder: &Path| SystemDisk.list(folder).unwrap();
    assert_eq!(names(&round), names(&usual));
}
