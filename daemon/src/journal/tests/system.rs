//! On a real disk, with the real thread.

use super::*;
use crate::journal::SystemDisk;
use crate::journal::disk::Locking;
use std::os::unix::fs::PermissionsExt;
use std::time::Duration;

#[test]
fn the_sync_thread_syncs_without_being_asked() {
    let temporary = tempfile::tempdir().unwrap();
    let folder = temporary.path().join("visit");
    let options =
        Options { sync_interval: Some(Duration::from_millis(1)), reserve_bytes: 0, ..Options::default() };
    let mut writer = Writer::create(SystemDisk::shared(), &folder, VISIT, "x", options).unwrap();
    let last = writer.append_all(&script(30)).unwrap().end - 1;
    // Only this thread's wait is for the other one; how long it takes does not matter.
    while writer.synced_number() != Some(last) {
        std::thread::yield_now();
    }
    writer.finish().unwrap();
    let read = read::read_all(SystemDisk::shared(), &folder).unwrap();
    assert_eq!(read, (stamped(&script(30)), vec![]));
}

#[test]
fn appending_goes_on_over_segments_while_the_thread_syncs() {
    let temporary = tempfile::tempdir().unwrap();
    let options = Options {
        segment_bytes: 20_000,
        sync_interval: Some(Duration::from_micros(100)),
        reserve_bytes: 0,
        ..Options::default()
    };
    let mut writer = Writer::create(SystemDisk::shared(), temporary.path(), VISIT, "x", options).unwrap();
    let records = script(3000);
    for (monotonic_ns, record) in &records {
        writer.append(*monotonic_ns, record).unwrap();
    }
    let progress = writer.progress();
    writer.finish().unwrap();
    assert_eq!(progress.synced_number(), Some(2999));
    assert_eq!(progress.failed_syncs(), 0);
    let read = read::read_all(SystemDisk::shared(), temporary.path()).unwrap();
    assert!(read == (stamped(&records), vec![]));
}

#[test]
fn files_and_folders_are_the_owners_alone() {
    let temporary = tempfile::tempdir().unwrap();
    let folder = temporary.path().join("visits").join("one");
    let writer = Writer::create(SystemDisk::shared(), &folder, VISIT, "x", options(1000)).unwrap();
    let mode = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&folder), 0o700);
    assert_eq!(mode(&temporary.path().join("visits")), 0o700);
    assert_eq!(mode(&folder.join("journal-000")), 0o600);
    writer.finish().unwrap();
}

#[test]
fn a_lock_is_one_persons_and_says_whose() {
    let temporary = tempfile::tempdir().unwrap();
    let path = temporary.path().join("lock");
    let disk = SystemDisk::shared();
    let Locking::Taken(held) = disk.lock(&path, "process 17").unwrap() else { panic!("nobody has it") };
    let Locking::HeldBy(owner) = disk.lock(&path, "process 18").unwrap() else { panic!("somebody has it") };
    assert_eq!(owner, "process 17");
    drop(held);
    assert!(matches!(disk.lock(&path, "process 18").unwrap(), Locking::Taken(_)));
}
