//! Damaged recordings through the real program: truncated, overwritten, with flipped bits, and of the wrong structure.
//! Whatever libhdf5 does with them, the program ends with an error that says so, or with contents that are provably the
//! same; what is said to be whole is read as the whole one was; and the watching process does not grow. `LONG=1` tries ten thousand.
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
const SUMMARY: [&str; 2] = ["summary", "--json"];

/// What is told of the undamaged recording.
struct Whole {
    info: Vec<u8>,
    summary: Vec<u8>,
}

impl Whole {
    fn of(path: &Path) -> Whole {
        let [info, summary] = [&INFO[..], &SUMMARY].map(|arguments| told(arguments, path));
        Whole { info, summary }
    }
}

/// What a command says on stdout.
fn told(arguments: &[&str], path: &Path) -> Vec<u8> {
    let output = fingerforce(arguments, path, "600");
    assert!(output.status.success(), "{output:?}");
    output.stdout
}

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
    /// The program ended as it should, told the same as of the whole file or an error that names this one. What it calls
    /// whole is whole for who reads it, too: by another process, as a failure at one place may let the next attempt pass.
    fn judge(&mut self, path: &Path, limit_s: &str, whole: &Whole, what: &str) {
        let output = info(path, limit_s);
        let error = String::from_utf8_lossy(&output.stderr);
        match output.status.code() {
            Some(0) => {
                assert_eq!(output.stdout, whole.info, "{what}");
                let read = fingerforce(&SUMMARY, path, "600");
                assert_eq!(read.stdout, whole.summary, "{what}: {}", String::from_utf8_lossy(&read.stderr));
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
    let owned = sample::samples(1, 600);
    let mut writer = Writer::create(path, &sample::root()).unwrap();
    writer.add_sensor(&sample::sensor(1, 600)).unwrap();
    writer.append(1, owned.part(1, 0, 600)).unwrap();
    let trials = vec![sample::empty_trial(); 3];
    let tables = Tables { sensors: vec![sample::sensor_tables(600)], trials, ..Tables::default() };
    writer.finish(&tables).unwrap();
}

#[test]
fn no_damage_crashes_the_program_or_passes_as_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    small_recording(&path);
    let (bytes, whole) = (fs::read(&path).unwrap(), Whole::of(&path));

    let seeds = times(150, 6000);
    let mut count = Count::default();
    for seed in 0..seeds {
        let mut bytes = bytes.clone();
        let what = damage(&mut bytes, &mut Numbers(seed));
        fs::write(&path, &bytes).unwrap();
        // Some make libhdf5 hang. Where a busy machine needs longer for a whole one, that is a refusal too.
        count.judge(&path, "2", &whole, &format!("seed {seed}: {what}"));
    }
    println!("{seeds} damaged: {count:?}");
    assert!(count.refused as u64 > seeds / 3, "the damage does no damage: {count:?}");
}

/// Every command, too: they read other parts.
const COMMANDS: [&[&str]; 4] = [&["summary", "--json"], &["holds", "--json"], &["info"], &["plot", "--out"]];

#[test]
fn no_wrong_structure_crashes_the_program_or_passes_as_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    let figures = folder.path().join("figures").display().to_string();
    small_recording(&path);
    let (bytes, whole) = (fs::read(&path).unwrap(), Whole::of(&path));
    let commands = COMMANDS.map(|arguments| {
        let to = arguments.ends_with(&["--out"]).then_some(figures.as_str());
        let arguments: Vec<&str> = arguments.iter().copied().chain(to).collect();
        let told = told(&arguments, &path);
        (arguments, told)
    });

    let seeds = times(150, 4000);
    let mut count = Count::default();
    for seed in 0..seeds {
        fs::write(&path, &bytes).unwrap();
        let mut numbers = Numbers(seed);
        let file = analysis::recording::open::unlocked().open_rw(&path).unwrap();
        // What libhdf5 does not do leaves the file half damaged, or whole.
        let what = structure::damage(&file, &mut numbers).unwrap_or_else(|error| error.to_string());
        drop(file);
        let what = format!("seed {seed}: {what}");
        count.judge(&path, "5", &whole, &what);

        let (arguments, told) = &commands[numbers.below(commands.len())];
        let output = fingerforce(arguments, &path, "5");
        let error = String::from_utf8_lossy(&output.stderr);
        match output.status.code() {
            Some(0) => assert_eq!(output.stdout, *told, "{what}: {arguments:?}"),
            Some(1) => assert!(error.contains("\nhint: "), "{what}: {arguments:?}: {error}"),
            other => panic!("{what}: {arguments:?} ended with {other:?}: {error}"),
        }
        let escapes = output.stdout.iter().chain(&output.stderr).any(|byte| *byte == 0x1b);
        assert!(!escapes, "{what}: {arguments:?}: {output:?}");
    }
    println!("{seeds} of the wrong structure: {count:?}");
    assert!(count.refused as u64 > seeds * 9 / 10, "the damage does no damage: {count:?}");
}

/// The length of an attribute in the head of a dataset or group, where such heads have no checksum: libhdf5 refuses the head,
/// and opened it when it was asked once more.
#[test]
fn a_head_that_is_refused_at_the_first_attempt_is_not_whole_at_the_second() {
    // An attribute (12), 80 bytes long, without flags; version 3; its name has 15 bytes.
    const LENGTH: [u8; 12] = [12, 0, 80, 0, 0, 0, 0, 0, 3, 0, 15, 0];
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    small_recording(&path);
    let (bytes, whole) = (fs::read(&path).unwrap(), Whole::of(&path));
    let places: Vec<usize> =
        bytes.windows(12).enumerate().filter(|(_, at)| *at == LENGTH).map(|(n, _)| n + 2).collect();
    assert!(places.len() > 20, "{places:?}");
    let mut count = Count::default();
    for at in &places {
        let mut bytes = bytes.clone();
        bytes[*at] ^= 0x80;
        fs::write(&path, &bytes).unwrap();
        count.judge(&path, "60", &whole, &format!("the length at {at}"));
    }
    assert!(count.refused * 2 > places.len(), "the damage does no damage: {count:?}");
}

/// A bit in a text or a number: nothing that libhdf5 would find.
#[test]
fn no_command_uses_what_is_not_what_was_recorded() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    let out = folder.path().join("out").display().to_string();
    small_recording(&path);
    let mut bytes = fs::read(&path).unwrap();
    let at = bytes.windows(5).position(|text| text == b"P-014").unwrap();
    bytes[at + 4] = b'5';
    fs::write(&path, &bytes).unwrap();
    for arguments in [
        &["summary"][..],
        &["report", "--out", &out],
        &["export", "--to", "csv", "--out", &out],
        &["compare", path.to_str().unwrap()],
        &["plot", "--out", &out],
        &["study"],
        &["reliability"],
        &["holds"],
        &["holds", "--dataset", "sensors/1/samples/force_n", "--rate", "1000"],
        &["sensor", "--initial", "30", "--shortest", "60"],
        &["info", "--verify"],
        &["info", "--number", "item-1.mean_of_peaks_n"],
    ] {
        let output = fingerforce(arguments, &path, "600");
        let error = String::from_utf8_lossy(&output.stderr);
        assert_eq!((output.status.code(), &output.stdout[..]), (Some(1), &b""[..]), "{arguments:?}: {error}");
        for words in
            ["damaged file", "recording-1.h5", "its contents are not those that its digest names", "hint: "]
        {
            assert!(error.contains(words), "{words}: {arguments:?}: {error}");
        }
        assert!(!Path::new(&out).exists(), "{arguments:?}");
    }
    // What there is can be looked at, with the word that it is not what was recorded.
    let output = fingerforce(&["info"], &path, "600");
    let told = String::from_utf8_lossy(&output.stdout);
    assert!(told.contains("P-015") && told.contains("whole         NO"), "{told}");
    assert!(
        output.status.code() == Some(1) && String::from_utf8_lossy(&output.stderr).contains("damaged file")
    );
    let output = fingerforce(&["info", "--json"], &path, "600");
    let told: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((output.status.code(), &told["whole"]), (Some(1), &false.into()));
}
