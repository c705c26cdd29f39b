//! A long recording under faults that never end: counters stay exact, memory and file descriptors flat.
//!
//! Exact where they can be: what a board had under way when it reset is in a gap of unknown length, which says so.
//!
//! In: how long. Out: a [`Report`]; a broken promise is a panic. Every seven seconds the cable is pulled and the board
//! resets; frames vanish, come twice and are damaged all the time; every eleven seconds the recording program stands still.

use crate::{Place, Running, json, sealed, sum};
use analysis::recording::read::Recording;
use daemon::clock::{Clock, SystemClock};
use nix::sys::signal::Signal;
use nix::unistd::Pid;
use serde_json::{Value, json};
use std::time::Duration;

/// Frames vanish, are damaged, come twice; the cable is out from 3 to 3.7 s and the board resets at 5 s of every 7 s.
const FAULTS: [&str; 14] = [
    "--drop",
    "0.01",
    "--flip",
    "0.01",
    "--duplicate",
    "0.01",
    "--unplug-after",
    "3",
    "--return-after",
    "0.7",
    "--reset-after",
    "5",
    "--every",
    "7",
];
const HAND: [&str; 7] = ["--first", "1.5", "--period", "5", "--effort", "make:25:2", "--repeat"];
/// After so long all is as it was, s.
const CYCLE_S: u64 = 7;
/// The end falls into a time with the cable in: only then does the board say how many samples there were.
const END_S: f64 = 1.5;
/// So often the recording program is stopped, for so long.
const STOPPED: (u64, Duration) = (11, Duration::from_millis(1500));

/// What a process took at one moment.
#[derive(Clone, Copy)]
struct Taken {
    resident_kib: u64,
    descriptors: u64,
}

/// What came of it.
pub struct Report {
    /// Everything that is told, as JSON.
    pub told: Value,
}

/// Records for about `minutes` and checks everything.
///
/// # Panics
/// A promise is broken.
#[must_use]
pub fn soak(minutes: f64) -> Report {
    let cycles = (minutes * 60.0 / CYCLE_S as f64).round().max(1.0);
    let seconds = cycles * CYCLE_S as f64 + END_S;
    let place = Place::default();
    let sensor = place.sensor(&[&HAND[..], &FAULTS].concat());
    let mut recording = Running::start(&mut place.record(&["--seconds", &seconds.to_string(), "--json"]));
    let taken = watch(&mut recording, seconds);
    let sealed = sealed(&recording.output());
    let truth = json(&sensor.output());
    let told = counters(&sealed, &truth);
    let memory = flat(&taken, "resident memory, KiB", 4096, |taken| taken.resident_kib);
    let descriptors = flat(&taken, "file descriptors", 0, |taken| taken.descriptors);
    Report {
        told: json!({
            "seconds": seconds, "counters": told, "resident_kib": memory, "descriptors": descriptors,
            "frames": truth["frames"],
        }),
    }
}

/// Looks once a second at what the recording program takes, and stops it now and then, until it has ended.
fn watch(recording: &mut Running, seconds: f64) -> Vec<Taken> {
    let mut taken = Vec::new();
    let began_ns = SystemClock.monotonic_ns();
    for second in 1.. {
        SystemClock.sleep_until_ns(began_ns + second * 1_000_000_000);
        if recording.has_ended() {
            break;
        }
        taken.extend(recording.id().and_then(looked_at));
        if second % STOPPED.0 == 0 && (second as f64) < seconds - 10.0 {
            recording.signal(Signal::SIGSTOP);
            std::thread::sleep(STOPPED.1);
            recording.signal(Signal::SIGCONT);
        }
    }
    taken
}

fn looked_at(process: Pid) -> Option<Taken> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let resident = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let resident_kib = resident.trim().trim_end_matches("kB").trim().parse().ok()?;
    let descriptors = std::fs::read_dir(format!("/proc/{process}/fd")).ok()?.count() as u64;
    Some(Taken { resident_kib, descriptors })
}

/// Of every boot each sample is recorded, known to be missing, or in the one gap of unknown length at its reset; the last
/// boot, whose end the board told, has none of those.
fn counters(sealed: &Value, truth: &Value) -> Value {
    let recording = Recording::open(sealed["recording"].as_str().unwrap().as_ref()).unwrap();
    recording.verify().unwrap();
    let (segments, gaps) = (recording.segments(1).unwrap(), recording.gaps(1).unwrap());
    let frames = recording.frames(1).unwrap();
    let (mut recorded, mut missing, mut unknown) = (0, 0, 0);
    let boots = truth["boots"].as_array().unwrap();
    for (number, boot) in boots.iter().enumerate() {
        let of_boot = |segment: i64| segments[segment as usize].boot_id == boot["boot_id"];
        let of_boot_gaps = || gaps.iter().filter(|gap| of_boot(gap.segment));
        let here: i64 = frames.iter().filter(|frame| of_boot(frame.segment)).map(|frame| frame.samples).sum();
        let gone: i64 = of_boot_gaps().map(|gap| gap.missing.max(0)).sum();
        let open = of_boot_gaps().filter(|gap| gap.missing < 0).count();
        let produced = boot["produced_samples"].as_i64().unwrap();
        let last = number + 1 == boots.len();
        let told = || format!("boot {number}: {boot:#} {segments:#?} {gaps:#?}");
        assert_eq!(open, usize::from(!last), "{}", told());
        assert!(here + gone == produced || (!last && here + gone < produced), "{}", told());
        recorded += here;
        missing += gone;
        unknown += produced - here - gone;
    }
    assert_eq!((&sealed["samples"], &sealed["missing_samples"]), (&json!(recorded), &json!(missing)));
    assert_eq!(recorded + missing + unknown, sum(truth, "produced_samples") as i64);
    assert!(sealed["damage"].as_array().unwrap().is_empty());
    json!({ "produced": sum(truth, "produced_samples"), "recorded": recorded, "missing": missing,
        "in_unknown_gaps": unknown, "resets": boots.len() - 1, "unplugged": sum(truth, "unplugged_samples"),
        "device_dropped": sum(truth, "device_dropped_samples"), "trials": sealed["trials"] })
}

/// The most that was taken in the last fifth is no more than in the second fifth, but for some `slack`.
fn flat(taken: &[Taken], what: &str, slack: u64, of: impl Fn(&Taken) -> u64) -> Value {
    let fifth = taken.len() / 5;
    let most = |part: &[Taken]| part.iter().map(&of).max().unwrap_or(0);
    let (early, late) = (most(&taken[fifth..2 * fifth]), most(&taken[taken.len() - fifth..]));
    assert!(late <= early + slack, "{what} grew from {early} to {late}");
    json!({ "early": early, "late": late, "most": most(taken) })
}
