//! Recordings written and read back, whole and damaged.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

use analysis::console::Advice;
use analysis::recording::layout::{Row, TrialRow};
use analysis::recording::open::{self, OpenError};
use analysis::recording::read::{ReadError, Recording};
use analysis::recording::write::{Root, Samples, Tables, WriteError, Writer};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

fn names_in(folder: &Path) -> Vec<String> {
    fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect()
}

/// Rows by their debug text: a row with an unknown (NaN) is not equal to itself.
fn shown<T: std::fmt::Debug>(rows: &[T]) -> String {
    format!("{rows:#?}")
}

#[test]
fn what_was_written_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    let finished = sample::write(&path, 777).unwrap();

    let recording = Recording::open(&path).unwrap();
    recording.verify().unwrap();
    assert_eq!(recording.content_sha256(), finished.content_sha256);
    assert_eq!(recording.root(), &sample::root());
    assert_eq!(
        shown(recording.sensors()),
        shown(&[sample::sensor(2, sample::SAMPLES), sample::sensor(1, 0)])
    );

    let owned = sample::samples(2, sample::SAMPLES);
    let tables = sample::tables(&owned, 2);
    assert_eq!(shown(&recording.trials().unwrap()), shown(&tables.trials));
    assert_eq!(recording.observations().unwrap(), tables.observations);
    assert_eq!(recording.events().unwrap(), tables.events);
    assert_eq!(recording.frames(1).unwrap(), tables.sensors[0].frames);
    assert_eq!(shown(&recording.segments(1).unwrap()), shown(&tables.sensors[0].segments));
    assert_eq!(recording.gaps(1).unwrap(), []);
    assert_eq!(recording.tares(1).unwrap(), tables.sensors[0].tares);
    assert_eq!(recording.frames(2).unwrap(), []);

    let (mut counts, mut force_n, mut device_time_s, mut time_s) = (vec![], vec![], vec![], vec![]);
    for block in recording.blocks(1).unwrap() {
        let block = block.unwrap();
        assert_eq!(block.first as usize, time_s.len());
        assert_eq!(block.channel_force_n(2).count(), block.len());
        assert_eq!(block.channel_force_n(3).count(), 0);
        counts.extend(block.counts);
        force_n.extend(block.force_n);
        device_time_s.extend(block.device_time_s);
        time_s.extend(block.time_s);
    }
    assert!(counts == owned.counts && force_n == owned.force_n);
    assert!(device_time_s == owned.device_time_s && time_s == owned.time_s);
    let some = recording.samples(1, 16_380..16_390).unwrap();
    assert_eq!(some.counts, owned.counts[2 * 16_380..2 * 16_390]);
    assert_eq!(recording.blocks(2).unwrap().count(), 0);

    assert_eq!(names_in(folder.path()), ["recording-1.h5"]);
    assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
}

#[test]
fn what_is_not_there_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    sample::write_empty(&path).unwrap();
    let recording = Recording::open(&path).unwrap();
    assert!(matches!(recording.samples(0, 0..0), Err(ReadError::NoSuch { .. })));
    assert!(matches!(recording.samples(2, 0..0), Err(ReadError::NoSuch { .. })));
    assert!(matches!(recording.samples(1, 0..1), Err(ReadError::NoSuch { .. })));
    assert!(recording.samples(1, 0..0).unwrap().is_empty());
}

#[test]
fn equal_contents_make_equal_files_however_they_were_cut() {
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, step| {
        let path = gone(folder.path().join(name));
        (sample::write(&path, step).unwrap(), fs::read(&path).unwrap())
    };
    let whole = write("whole.h5", sample::SAMPLES);
    for step in [613, 16_384, 16_385] {
        assert!(write("pieces.h5", step) == whole, "pieces of {step} samples");
    }
}

#[test]
fn other_contents_have_another_digest() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    let digest = |change: fn(&mut TrialRow), channels: usize| {
        let owned = sample::samples(channels, 10);
        let mut writer = Writer::create(&gone(path.clone()), &sample::root()).unwrap();
        writer.add_sensor(&sample::sensor(channels, 10)).unwrap();
        writer.append(1, owned.part(channels, 0, 10)).unwrap();
        let mut trial = sample::empty_trial();
        change(&mut trial);
        let tables = analysis::recording::write::Tables {
            sensors: vec![sample::sensor_tables(10)],
            trials: vec![trial],
            ..Default::default()
        };
        writer.finish(&tables).unwrap().content_sha256
    };
    let plain = digest(|_| {}, 1);
    assert_eq!(plain, digest(|trial| trial.peak_n = -f64::NAN, 1), "NaN is NaN");
    assert_ne!(plain, digest(|trial| trial.peak_n = 1.0, 1));
    assert_ne!(plain, digest(|trial| trial.why_not = "cut".to_owned(), 1));
    assert_ne!(plain, digest(|_| {}, 2));
}

#[test]
fn the_format_is_the_oldest_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    sample::write_empty(&path).unwrap();
    // Byte 8 of the file is the superblock's version (HDF5 File Format Specification 3.0, II.A).
    assert_eq!(fs::read(&path).unwrap()[8], 0);
}

#[test]
fn contradictions_are_refused_and_leave_nothing_behind() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    let owned = sample::samples(1, 10);
    let start = || {
        let mut writer = Writer::create(&path, &sample::root()).unwrap();
        writer.add_sensor(&sample::sensor(1, 10)).unwrap();
        writer
    };
    let tables = || Tables { sensors: vec![sample::sensor_tables(10)], ..Default::default() };
    let invalid = |outcome: Result<(), WriteError>, expected: &str| {
        let error = outcome.unwrap_err();
        assert!(matches!(error, WriteError::Invalid(_)) && error.to_string().contains(expected), "{error}");
    };

    let mut writer = start();
    writer.append(1, owned.part(1, 0, 9)).unwrap();
    invalid(writer.finish(&tables()).map(drop), "9 samples of the 10 announced");
    let mut writer = start();
    writer.append(1, owned.part(1, 0, 10)).unwrap();
    invalid(writer.append(1, owned.part(1, 0, 1)), "more than the 10");
    drop(writer);
    invalid(start().append(2, owned.part(1, 0, 1)), "no sensor 2");
    let uneven = Samples { counts: &owned.counts[..3], ..owned.part(1, 0, 2) };
    invalid(start().append(1, uneven), "not as many values");
    for time_s in [[1.0, 1.0], [1.0, 0.5], [f64::NAN, 1.0], [1.0, f64::NAN], [1.0, f64::INFINITY]] {
        let samples = Samples { time_s: &time_s, ..owned.part(1, 0, 2) };
        invalid(start().append(1, samples), "does not come after");
    }
    invalid(start().add_sensor(&sample::sensor(0, 1)).map(drop), "has 0 channels");
    let mut writer = start();
    writer.append(1, owned.part(1, 0, 10)).unwrap();
    invalid(writer.finish(&Default::default()).map(drop), "tables of 0 sensors for 1");

    let mut root = sample::root();
    root.participant_fields = vec![("a/b".to_owned(), String::new())];
    assert!(Writer::create(&path, &root).is_err());
    assert_eq!(names_in(folder.path()), [""; 0]);
}

/// HDF5 would end a text at a zero byte; that must keep no visit from being sealed.
#[test]
fn a_text_with_a_zero_byte_is_kept_with_a_sign_in_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    let root = Root { software: "a\0b".to_owned(), ..sample::root() };
    let mut writer = Writer::create(&path, &root).unwrap();
    writer.add_sensor(&sample::sensor(1, 10)).unwrap();
    writer.append(1, sample::samples(1, 10).part(1, 0, 10)).unwrap();
    let tables = Tables { sensors: vec![sample::sensor_tables(10)], ..Default::default() };
    writer.finish(&tables).unwrap();
    assert_eq!(Recording::open(&path).unwrap().root().software, "a\u{fffd}b");
}

#[test]
fn a_folder_that_is_not_there_is_named() {
    let error = Writer::create(Path::new("/nowhere/at/all.h5"), &sample::root()).err().unwrap();
    assert!(error.to_string().contains("/nowhere/at/all.h5"), "{error}");
    assert!(error.hint().contains("folder"));
}

/// A path where nothing is: a recording is not written over another.
fn gone(path: PathBuf) -> PathBuf {
    let _ = fs::remove_file(&path);
    path
}

/// Writes a recording, and changes it with HDF5's own means.
fn changed(path: &Path, change: impl FnOnce(&hdf5::File)) -> Result<Recording, ReadError> {
    sample::write_empty(&gone(path.to_owned())).unwrap();
    let file = open::unlocked().open_rw(path).unwrap();
    change(&file);
    file.close().unwrap();
    Recording::open_unverified(path)
}

#[test]
fn a_newer_layout_is_refused_and_says_what_reads_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    let error = changed(&path, |file| file.attr("layout_version").unwrap().write_scalar(&2_i64).unwrap());
    let error = error.unwrap_err();
    assert!(matches!(error, ReadError::Newer { version: 2, .. }), "{error}");
    assert!(error.hint().starts_with("read it with"), "{}", error.hint());
}

#[test]
fn a_foreign_file_is_told_from_a_damaged_one() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    hdf5::File::create(&path).unwrap().close().unwrap();
    assert!(matches!(Recording::open(&path), Err(ReadError::Foreign(_))));
    sample::write_empty(&gone(path.clone())).unwrap();
    let bytes = fs::read(&path).unwrap();
    fs::write(&path, &bytes[..bytes.len() / 2]).unwrap();
    let error = Recording::open(&path).unwrap_err();
    assert!(error.to_string().contains("damaged file"), "{error}");
}

#[test]
fn a_change_after_the_fact_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    let damaged = |outcome: Result<(), ReadError>, expected: &str| {
        let error = outcome.unwrap_err();
        assert!(matches!(error, ReadError::Open(OpenError::Damaged { .. })), "{error}");
        assert!(error.to_string().contains(expected), "{error}");
    };
    let attribute = |file: &hdf5::File| file.attr("revision").unwrap().write_scalar(&2_i64).unwrap();
    damaged(changed(&path, attribute).unwrap().verify(), "digest");
    let extra = |file: &hdf5::File| drop(file.create_group("extra").unwrap());
    damaged(changed(&path, extra).unwrap().verify(), "digest");
    let missing = |file: &hdf5::File| file.unlink("trials/peak_n").unwrap();
    damaged(changed(&path, missing).unwrap().trials().map(drop), "trials/peak_n");
    let huge = |file: &hdf5::File| {
        file.unlink("trials/item").unwrap();
        file.new_dataset::<i64>().chunk(1024).shape(1_usize << 40).create("trials/item").unwrap();
    };
    damaged(changed(&path, huge).unwrap().trials().map(drop), "claims 1099511627776 rows");
    let uneven = |file: &hdf5::File| {
        file.unlink("sensors/1/samples/counts").unwrap();
        file.new_dataset::<i32>().shape((4, 1)).create("sensors/1/samples/counts").unwrap();
    };
    damaged(changed(&path, uneven).map(drop), "contradict");
    let itself = |file: &hdf5::File| file.link_hard("/sensors", "plan/again").unwrap();
    changed(&path, itself).unwrap().verify().unwrap_err();
    let cycle = |file: &hdf5::File| file.link_hard("/plan", "plan/again").unwrap();
    damaged(changed(&path, cycle).unwrap().verify(), "nested too deeply");
}

#[test]
fn every_table_names_its_columns_once() {
    let columns = TrialRow::columns(&[]);
    let mut names: Vec<_> = columns.iter().map(|column| column.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), columns.len());
}

/// The process itself may not make files larger than a limit: what a full disk looks like from inside.
#[test]
fn a_disk_without_room_is_an_error_and_leaves_nothing() {
    const FOLDER: &str = "FOLDER_WITHOUT_ROOM";
    if let Some(folder) = std::env::var_os(FOLDER) {
        let error = sample::write(&Path::new(&folder).join("r.h5"), 1000).unwrap_err();
        assert!(error.to_string().contains("File too large"), "{error}");
        assert_eq!(names_in(Path::new(&folder)), [""; 0]);
        println!("refused as it should be");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    // Blocks of 512 bytes; the whole recording takes some 1900. Each limit is met at another stage.
    for blocks in [1, 20, 200, 600, 1000, 1500] {
        let script = format!(
            "trap '' XFSZ; ulimit -f {blocks} && exec \"$0\" --exact --nocapture \
             a_disk_without_room_is_an_error_and_leaves_nothing"
        );
        let mut command = std::process::Command::new("sh");
        command.args(["-c", &script]).arg(std::env::current_exe().unwrap()).env(FOLDER, folder.path());
        let output = command.output().unwrap();
        let told = String::from_utf8_lossy(&output.stdout);
        assert!(output.status.success() && told.contains("refused as it should be"), "{blocks}: {output:?}");
    }
}

#[test]
fn a_lock_that_somebody_holds_keeps_nobody_from_reading() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    sample::write_empty(&path).unwrap();
    let locked = fs::File::open(&path).unwrap();
    locked.lock().unwrap();
    Recording::open(&path).unwrap().verify().unwrap();
}

#[test]
fn a_recording_is_never_written_over_another() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    fs::write(&path, "already here").unwrap();
    let error = sample::write_empty(&path).unwrap_err();
    assert!(error.to_string().contains("cannot give it its name"), "{error}");
    assert_eq!(fs::read_to_string(&path).unwrap(), "already here");
    assert_eq!(names_in(folder.path()), ["r.h5"], "nothing temporary is left");
}

/// A recording made before columns were added is read, what they would say is unknown; other columns must be there.
#[test]
fn columns_that_were_added_later_may_be_missing() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    sample::write(&path, 777).unwrap();
    let remove = |name: &str| hdf5::File::open_rw(&path).unwrap().unlink(name).unwrap();
    let before = Recording::open_unverified(&path).unwrap().trials().unwrap();
    for name in ["mean_expanded_uncertainty_n", "moment_expanded_uncertainty_n_cm", "uncertainty_budget"] {
        remove(&format!("trials/{name}"));
    }
    let after = Recording::open_unverified(&path).unwrap().trials().unwrap();
    assert_eq!(after.len(), before.len());
    for (row, was) in after.iter().zip(&before) {
        assert!(row.mean_expanded_uncertainty_n.is_nan() && row.moment_expanded_uncertainty_n_cm.is_nan());
        assert_eq!((&row.uncertainty_budget[..], row.order, &row.flags), ("", was.order, &was.flags));
    }
    remove("trials/flags");
    assert!(Recording::open_unverified(&path).unwrap().trials().is_err());
}
