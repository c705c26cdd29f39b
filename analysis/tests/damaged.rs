//! Damaged recordings through the real program: truncated, overwritten, with flipped bits. Whatever libhdf5 does with
//! them, the program ends with an error that says so, or with contents that are provably the same.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

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

fn info(path: &Path, limit_s: &str) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fingerforce"))
        .args(["info", "--verify", "--json"])
        .arg(path)
        .env("FINGERFORCE_TIME_LIMIT_S", limit_s)
        .output()
        .unwrap()
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

    let seeds = if std::env::var_os("LONG").is_some() { 6000 } else { 150 };
    let (mut refused, mut crashed, mut unharmed) = (0, 0, 0);
    for seed in 0..seeds {
        let mut bytes = whole.clone();
        let what = damage(&mut bytes, &mut Numbers(seed));
        fs::write(&path, &bytes).unwrap();
        // Some make libhdf5 hang. Where a busy machine needs longer for a whole one, that is a refusal too.
        let output = info(&path, "2");
        let error = String::from_utf8(output.stderr).unwrap();
        match output.status.code() {
            Some(0) => {
                assert_eq!(output.stdout, told.stdout, "seed {seed}: {what}");
                unharmed += 1;
            }
            Some(1) => {
                let known =
                    ["damaged file", "is not an HDF5 file", "is not a finger-force recording", "has layout"];
                let named = known.iter().any(|known| error.contains(known));
                assert!(named && error.contains("recording-1.h5"), "seed {seed}: {what}: {error}");
                assert!(error.contains("\nhint: "), "seed {seed}: {what}: {error}");
                refused += 1;
                crashed += usize::from(error.contains("crash") || error.contains("did not end"));
            }
            other => panic!("seed {seed}: {what}: ended with {other:?}: {error}"),
        }
    }
    println!("{refused} refused ({crashed} of them after a crash or hang), {unharmed} unharmed");
    assert!(refused > seeds / 3, "the damage does no damage: {refused} of {seeds} refused");
}
