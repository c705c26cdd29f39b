//! Damaged recordings through the real program: truncated, overwritten, with flipped bits, and of the wrong structure.
//! Whatever libhdf5 does with them, the program ends with an error that says so, or with contents that are provably the
//! same, and the watching process does not grow. `LONG=1` tries ten thousand.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;
#[path = "damaged/structure.rs"]
mod structure;

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

/// Numbers from a seed (SplitMix64, Steele, Lea and Flood 2014).
struct Numbers(u64);

impl Numbers {
    fn below(&mut self, limit: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % limit as u64) as usize
    }
}

/// Where everything is packed densely: damage to empty room in between shows nothing.
fn damage(bytes: &mut Vec<u8>, numbers: &mut Numbers) -> String {
    let used: Vec<usize> = (0..bytes.len()).filter(|at| bytes[*at] != 0).collect();
    let at = used[numbers.below(used.len())];
    match numbers.below(4) {
        0 => {
            bytes.truncate(at);
            format!("cut at {at}")
        }
        1 => {
            bytes[at] ^= 1 << numbers.below(8);
            format!("a bit flipped at {at}")
        }
        2 => {
            let end = bytes.len().min(at + 1 + numbers.below(64));
            bytes[at..end].fill_with(|| numbers.below(256) as u8);
            format!("noise from {at} to {end}")
        }
        _ => {
            let end = bytes.len().min(at + 4096);
            bytes[at..end].fill(0);
            format!("a page of zeros at {at}")
        }
    }
}

/// Address space of the process that watches, KiB: many times what it takes, and far less than a child may. The child
/// raises it for itself.
const WATCHER_KIB: u32 = 600_000;

/// Runs a command; it has `limit_s` for reading.
fn fingerforce(arguments: &[&str], path: &Path, limit_s: &str) -> Output {
    let mut command = Command::new("sh");
    command.args(["-c", &format!("ulimit -S -v {WATCHER_KIB} && exec \"$@\""), "sh"]);
    command.arg(env!("CARGO_BIN_EXE_fingerforce")).args(arguments).arg(path);
    command.env("FINGERFORCE_TIME_LIMIT_S", limit_s).output().unwrap()
}

const INFO: [&str; 3] = ["info", "--verify", "--json"];

fn info(path: &Path, limit_s: &str) -> Output {
    fingerforce(&INFO, path, limit_s)
}

/// What came of many.
#[derive(Debug, Default)]
struct Count {
    refused: usize,
    crashed: usize,
    unharmed: usize,
}

impl Count {
    /// The program ended as it should, told the same as of the whole file or an error that names this one.
    fn judge(&mut self, output: &Output, told: &Output, what: &str) {
        let error = String::from_utf8_lossy(&output.stderr);
        match output.status.code() {
            Some(0) => {
                assert_eq!(output.stdout, told.stdout, "{what}");
                self.unharmed += 1;
            }
            Some(1) => {
                let known =
                    ["damaged file", "is not an HDF5 file", "is not a finger-force recording", "has layout"];
                let named = known.iter().any(|known| error.contains(known));
                assert!(named && error.contains("recording-1.h5"), "{what}: {error}");
                assert!(error.contains("\nhint: "), "{what}: {error}");
                self.refused += 1;
                self.crashed += usize::from(error.contains("crash") || error.contains("did not end"));
            }
            other => panic!("{what}: ended with {other:?}: {error}"),
        }
    }
}

/// `usually`, or `long` where LONG is set.
fn times(usually: u64, long: u64) -> u64 {
    if std::env::var_os("LONG").is_some() { long } else { usually }
}

fn small_recording(path: &Path) {
    use analysis::recording::write::{Tables, Writer};
    let owned = sample::samples(1, 400);
    let mut writer = Writer::create(path, &sample::root()).unwrap();
    writer.add_sensor(&sample::sensor(1, 400)).unwrap();
    writer.append(1, owned.part(1, 0, 400)).unwrap();
    let trials = vec![sample::empty_trial(); 3];
    let tables = Tables { sensors: vec![sample::sensor_tables(400)], trials, ..Tables::default() };
    writer.finish(&tables).unwrap();
}

#[test]
fn no_damage_crashes_the_program_or_passes_as_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    small_recording(&path);
    let whole = fs::read(&path).unwrap();
    let told = info(&path, "600");
    assert!(told.status.success(), "{told:?}");

    let seeds = times(150, 6000);
    let mut count = Count::default();
    for seed in 0..seeds {
        let mut bytes = whole.clone();
        let what = damage(&mut bytes, &mut Numbers(seed));
        fs::write(&path, &bytes).unwrap();
        // Some make libhdf5 hang. Where a busy machine needs longer for a whole one, that is a refusal too.
        count.judge(&info(&path, "2"), &told, &format!("seed {seed}: {what}"));
    }
    println!("{seeds} damaged: {count:?}");
    assert!(count.refused as u64 > seeds / 3, "the damage does no damage: {count:?}");
}

/// Every command, too: they read other parts, and most do not verify first.
const COMMANDS: [&[&str]; 4] = [&["summary", "--json"], &["holds", "--json"], &["info"], &["plot", "--out"]];

#[test]
fn no_wrong_structure_crashes_the_program_or_passes_as_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    let figures = folder.path().join("figures").display().to_string();
    small_recording(&path);
    let whole = fs::read(&path).unwrap();
    let told = info(&path, "600");
    assert!(told.status.success(), "{told:?}");

    let seeds = times(150, 4000);
    let mut count = Count::default();
    for seed in 0..seeds {
        fs::write(&path, &whole).unwrap();
        let mut numbers = Numbers(seed);
        let file = analysis::recording::open::unlocked().open_rw(&path).unwrap();
        // What libhdf5 does not do leaves the file half damaged, or whole.
        let what = structure::damage(&file, &mut numbers).unwrap_or_else(|error| error.to_string());
        drop(file);
        let what = format!("seed {seed}: {what}");
        count.judge(&info(&path, "5"), &told, &what);

        let mut arguments = COMMANDS[numbers.below(COMMANDS.len())].to_vec();
        if arguments.contains(&"--out") {
            arguments.push(&figures);
        }
        let output = fingerforce(&arguments, &path, "5");
        let error = String::from_utf8_lossy(&output.stderr);
        match output.status.code() {
            Some(0) => {}
            Some(1) => assert!(error.contains("\nhint: "), "{what}: {arguments:?}: {error}"),
            other => panic!("{what}: {arguments:?} ended with {other:?}: {error}"),
        }
        let escapes = output.stdout.iter().chain(&output.stderr).any(|byte| *byte == 0x1b);
        assert!(!escapes, "{what}: {arguments:?}: {output:?}");
    }
    println!("{seeds} of the wrong structure: {count:?}");
    assert!(count.refused as u64 > seeds * 9 / 10, "the damage does no damage: {count:?}");
}
