//! The disk fails: the n-th call for every n, all calls from the n-th, syncs, space, power.

use super::*;
use crate::journal::JournalError;
use crate::journal::simulated_disk::Fail;
use analysis::console::Advice;
use read::Damage;

/// What a run got done before it stopped.
struct Run {
    /// Records whose append said it was done, in order.
    appended: Vec<Stamped>,
    synced: Option<u64>,
    finished: bool,
}

/// A visit with some syncs, over several segments. Like the daemon it stops at the first refusal and tries to finish.
fn run(disk: &SimulatedDisk) -> Run {
    let mut done = Run { appended: Vec::new(), synced: None, finished: false };
    let Ok(mut writer) = Writer::create(disk.shared(), folder(), VISIT, "x", options(600)) else {
        return done;
    };
    let append = |writer: &mut Writer, done: &mut Run, monotonic_ns: u64, record: Record| {
        let number = writer.append(monotonic_ns, &record)?;
        done.appended.push(Stamped { number, monotonic_ns, record });
        Ok::<(), JournalError>(())
    };
    for (index, (monotonic_ns, record)) in script(40).into_iter().enumerate() {
        let failed = append(&mut writer, &mut done, monotonic_ns, record).is_err();
        let failed = failed || (index % 7 == 6 && writer.sync_now().is_err());
        done.synced = writer.synced_number();
        if failed {
            let _ = append(&mut writer, &mut done, 9, Record::Finished("disk".into()));
            break;
        }
    }
    let progress = writer.progress();
    done.finished = writer.finish().is_ok();
    done.synced = progress.synced_number();
    done
}

/// Everything acknowledged is there, in order, and nothing else but records whose append was refused at the very end.
fn check_everything_appended(disk: &SimulatedDisk, run: &Run, what: &str) {
    if run.appended.is_empty() {
        return;
    }
    let (records, damage) = read_all(disk);
    assert_eq!(records.get(..run.appended.len()), Some(&run.appended[..]), "{what}");
    let serious = damage.iter().any(|damage| matches!(damage, Damage::Lost { .. } | Damage::Conflict { .. }));
    assert!(!serious, "{what}: {damage:?}");
}

fn check_everything_synced(disk: &SimulatedDisk, run: &Run, what: &str) {
    let synced = run.synced.map_or(0, |number| number as usize + 1);
    if run.finished {
        assert_eq!(synced, run.appended.len(), "{what}");
    }
    if synced == 0 {
        return;
    }
    let (records, damage) = read_all(disk);
    assert_eq!(records.get(..synced), Some(&run.appended[..synced]), "{what}: {damage:?}");
    let conflict = damage.iter().any(|damage| matches!(damage, Damage::Conflict { .. }));
    assert!(!conflict, "{what}: {damage:?}");
}

#[test]
fn without_faults_a_run_is_whole() {
    let disk = SimulatedDisk::new(1);
    disk.fail(None);
    let run = run(&disk);
    assert!(run.finished && disk.calls() > 60, "{} calls", disk.calls());
    assert_eq!(read_all(&disk), (stamped(&script(40)), vec![]));
}

#[test]
fn whichever_call_fails_once_nothing_that_was_appended_is_lost() {
    let mut survived = 0;
    for n in 0.. {
        let disk = SimulatedDisk::new(n);
        disk.fail(Some(Fail::Only(n)));
        let run = run(&disk);
        if disk.failed().is_empty() {
            assert!(n > 60, "only {n} calls");
            break;
        }
        let what = format!("{:?}", disk.failed());
        disk.fail(None);
        check_everything_appended(&disk, &run, &what);
        survived += u64::from(run.finished && run.appended.len() == 40);
        disk.lose_power();
        check_everything_synced(&disk, &run, &what);
    }
    // Only what happens before the journal exists ends a run; later one fault costs nothing.
    assert!(survived > 55, "{survived} runs went through");
}

#[test]
fn when_the_disk_fails_for_good_everything_before_is_there() {
    for n in 0..200 {
        let disk = SimulatedDisk::new(n);
        disk.fail(Some(Fail::From(n)));
        let run = run(&disk);
        let what = format!("from call {n}");
        disk.fail(None);
        check_everything_appended(&disk, &run, &what);
        disk.lose_power();
        check_everything_synced(&disk, &run, &what);
    }
}

#[test]
fn what_was_synced_survives_power_loss_whatever_else_is_lost() {
    for seed in 0..300 {
        let disk = SimulatedDisk::new(seed);
        disk.set_short_writes(seed % 2 == 0);
        let mut writer = create(&disk, 700);
        let records = script(50);
        let stop = (seed as usize * 7) % 50;
        for (index, (monotonic_ns, record)) in records.iter().take(stop).enumerate() {
            writer.append(*monotonic_ns, record).unwrap();
            if index % 9 == 8 {
                writer.sync_now().unwrap();
            }
        }
        let synced = writer.synced_number().map_or(0, |number| number as usize + 1);
        assert_eq!(synced, stop / 9 * 9);
        drop(writer);
        disk.lose_power();
        let (read, damage) = read_all(&disk);
        let expected = stamped(&records);
        assert_eq!(read.get(..synced), Some(&expected[..synced]), "seed {seed}: {damage:?}");
        assert!(read.iter().all(|record| expected[record.number as usize] == *record), "seed {seed}");
        assert_eq!(missing(&read), said_lost(&damage), "seed {seed}: {damage:?}");

        let mut writer = Writer::resume(disk.shared(), folder(), "later", options(700)).unwrap();
        let next = read.last().map_or(0, |record| record.number + 1);
        assert_eq!(writer.append(1, &Record::Tick).unwrap(), next, "seed {seed}");
    }
}

fn missing(records: &[Stamped]) -> u64 {
    records.last().map_or(0, |last| last.number + 1 - records.len() as u64)
}

fn said_lost(damage: &[Damage]) -> u64 {
    let lost = damage.iter().map(|damage| match damage {
        Damage::Lost { first_number, last_number } => last_number - first_number + 1,
        _ => 0,
    });
    lost.sum()
}

#[test]
fn after_a_failed_sync_what_was_unsynced_is_in_a_new_segment() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 1 << 20);
    let records = script(10);
    writer.append_all(&records[..4]).unwrap();
    writer.sync_now().unwrap();
    writer.append_all(&records[4..8]).unwrap();
    let first = disk.contents(&segment(0)).unwrap();
    disk.fail(Some(Fail::Only(0)));
    writer.sync_now().unwrap();
    assert_eq!(disk.failed(), [(0, "sync")]);
    assert_eq!(writer.progress().failed_syncs(), 1);
    assert_eq!(writer.synced_number(), Some(7));
    writer.append_all(&records[8..]).unwrap();
    writer.sync_now().unwrap();
    assert_eq!(disk.contents(&segment(0)).unwrap(), first, "the segment is closed");
    drop(writer);
    // What the failed sync was about is lost in the old segment: only the new one can have it.
    disk.lose_power();
    let (read, damage) = read_all(&disk);
    assert_eq!(read, stamped(&records));
    assert!(matches!(damage[..], [Damage::TornTail { segment: 0, .. }]), "{damage:?}");
}

#[test]
fn while_syncs_fail_appends_still_survive_the_process_and_a_later_sync_saves_all() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 1 << 20);
    let records = script(12);
    writer.append_all(&records[..5]).unwrap();
    disk.fail(Some(Fail::From(0)));
    assert!(writer.sync_now().is_err());
    assert_eq!(writer.synced_number(), None);
    assert!(writer.append(1, &Record::Tick).is_err(), "no segment can be opened");
    disk.fail(None);
    writer.append_all(&records[5..]).unwrap();
    assert_eq!(read_all(&disk).0, stamped(&records));
    writer.sync_now().unwrap();
    assert_eq!(writer.synced_number(), Some(11));
    drop(writer);
    disk.lose_power();
    assert_eq!(read_all(&disk).0, stamped(&records));
}

#[test]
fn nearly_full_refuses_records_but_lets_the_visit_finish() {
    let disk = SimulatedDisk::new(1);
    disk.set_capacity_bytes(40_000);
    let options = Options { reserve_bytes: 16_000, ..options(4096) };
    let mut writer = Writer::create(disk.shared(), folder(), VISIT, "x", options).unwrap();
    let record = Record::Bytes { port: 0, bytes: vec![5; 100] };
    let mut written = 0;
    let error = loop {
        match writer.append(written, &record) {
            Ok(number) => {
                assert_eq!(number, written);
                written += 1;
            }
            Err(error) => break error,
        }
        writer.sync_now().unwrap();
    };
    let JournalError::DiskNearlyFull { free_bytes, reserve_bytes, .. } = error else { panic!("{error:?}") };
    assert!(free_bytes >= 16_000 && reserve_bytes >= 16_000, "{free_bytes} free, {reserve_bytes} kept");
    // A quarter of the disk for the journal, three times as much to seal it.
    assert!((70..=80).contains(&written), "{written} records of 126 bytes on 40,000");
    writer.append(1, &Record::Closed { port: 0, reason: "disk nearly full".into() }).unwrap();
    writer.append(1, &Record::Finished("disk nearly full".into())).unwrap();
    writer.finish().unwrap();
    let (read, damage) = read_all(&disk);
    assert_eq!((read.len() as u64, damage), (written + 2, vec![]));
}

#[test]
fn a_disk_with_less_than_the_reserve_is_refused_at_once() {
    let disk = SimulatedDisk::new(1);
    disk.set_capacity_bytes(1 << 20);
    let options = Options { sync_interval: None, ..Options::default() };
    let error = Writer::create(disk.shared(), folder(), VISIT, "x", options).unwrap_err();
    assert!(matches!(error, JournalError::DiskNearlyFull { .. }), "{error:?}");
    assert!(!error.hint().is_empty());
    assert_eq!(disk.contents(&segment(0)), None);
}

/// Free space is not asked for at every append, so somebody else may fill the disk between.
#[test]
fn a_disk_that_is_full_after_all_takes_back_the_half_written_record() {
    for room in 0..40 {
        let disk = SimulatedDisk::new(1);
        let mut writer = create(&disk, 1 << 20);
        writer.append_all(&script(5)).unwrap();
        let used = disk.contents(&segment(0)).unwrap().len() as u64;
        disk.set_capacity_bytes(used + room);
        let refused = writer.append(1, &Record::Bytes { port: 0, bytes: vec![1; 40] });
        assert!(matches!(refused, Err(JournalError::Io { .. })), "{refused:?}");
        assert_eq!(read_all(&disk), (stamped(&script(5)), vec![]), "{room} bytes of room");
        disk.set_capacity_bytes(u64::MAX);
        assert_eq!(writer.append(1, &Record::Tick).unwrap(), 5);
        writer.finish().unwrap();
        assert_eq!(read_all(&disk).0.len(), 6);
        assert_eq!(disk.contents(&segment(1)), None, "no empty segments are left behind");
    }
}

#[test]
fn too_much_unsynced_waits_for_the_disk() {
    let disk = SimulatedDisk::new(1);
    let options = Options { unsynced_bytes_max: 1000, ..options(1 << 20) };
    let mut writer = Writer::create(disk.shared(), folder(), VISIT, "x", options).unwrap();
    for number in 0..100 {
        writer.append(number, &Record::Bytes { port: 0, bytes: vec![0; 75] }).unwrap();
        let unsynced = number - writer.synced_number().map_or(0, |synced| synced);
        assert!(unsynced <= 10, "{unsynced} records of 101 bytes are unsynced");
    }
}

#[test]
fn the_age_of_the_last_sync_is_that_of_the_oldest_record_at_risk() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 1 << 20);
    let progress = writer.progress();
    assert_eq!((progress.appended_number(), progress.sync_age_ns(5000)), (None, 0));
    writer.append(1000, &Record::Tick).unwrap();
    writer.append(3000, &Record::Tick).unwrap();
    assert_eq!((progress.appended_number(), progress.sync_age_ns(5000)), (Some(1), 4000));
    writer.sync_now().unwrap();
    assert_eq!((progress.synced_number(), progress.sync_age_ns(9000)), (Some(1), 0));
}

#[test]
fn a_failed_append_that_cannot_be_taken_back_is_the_last() {
    for seed in 0..50 {
        let disk = SimulatedDisk::new(seed);
        let mut writer = create(&disk, 1 << 20);
        writer.append_all(&script(5)).unwrap();
        disk.fail(Some(Fail::From(0)));
        assert!(matches!(writer.append_all(&script(3)), Err(JournalError::Io { .. })));
        disk.fail(None);
        let refused = writer.append(1, &Record::Tick);
        assert!(matches!(refused, Err(JournalError::Broken { .. })), "{refused:?}");
        writer.finish().unwrap();
        let (records, damage) = read_all(&disk);
        assert_eq!(records[..5], stamped(&script(5)));
        assert!(damage.iter().all(|damage| matches!(damage, Damage::TornTail { .. })), "{damage:?}");
    }
}

#[test]
fn what_a_killed_process_left_unsynced_is_synced_when_it_is_resumed() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 600);
    writer.append_all(&script(20)).unwrap();
    assert_eq!(writer.synced_number(), None);
    drop(writer);
    disk.kill_process();
    let writer = Writer::resume(disk.shared(), folder(), "later", options(600)).unwrap();
    assert_eq!(writer.synced_number(), Some(19));
    drop(writer);
    disk.lose_power();
    let (records, damage) = read_all(&disk);
    assert_eq!(records, stamped(&script(20)), "{damage:?}");
}

#[test]
fn a_read_that_fails_is_an_error_and_never_a_shorter_journal() {
    let disk = written(60, 400);
    let whole = (stamped(&script(60)), vec![]);
    let digest = read::sha256(&*disk.shared(), folder()).unwrap();
    for n in 0.. {
        disk.fail(Some(Fail::Only(n)));
        let read = read::read_all(disk.shared(), folder());
        let read_failed = disk.calls() > n;
        assert_eq!(read.is_err(), read_failed, "call {n}");
        assert!(read.is_err() || read.unwrap() == whole);
        disk.fail(Some(Fail::Only(n)));
        let summed = read::sha256(&*disk.shared(), folder());
        assert_eq!(summed.is_err(), disk.calls() > n, "call {n}");
        assert!(summed.is_err() || summed.unwrap() == digest);
        if !read_failed {
            assert!(n > 20, "only {n} calls");
            break;
        }
    }
}

#[test]
fn segments_that_fill_while_another_is_synced_are_synced_in_their_turn() {
    for seed in 0..20 {
        let disk = SimulatedDisk::new(seed);
        let options = Options { sync_interval: Some(std::time::Duration::from_micros(50)), ..options(200) };
        let mut writer = Writer::create(disk.shared(), folder(), VISIT, "x", options).unwrap();
        let (syncing, is_syncing) = std::sync::mpsc::sync_channel(1);
        let (go_on, may_go_on) = std::sync::mpsc::sync_channel(1);
        disk.during_next_sync(move || {
            syncing.send(()).unwrap();
            may_go_on.recv().unwrap();
        });
        let records = script(40);
        writer.append_all(&records[..1]).unwrap();
        is_syncing.recv().unwrap();
        for piece in records[1..].chunks(3) {
            writer.append_all(piece).unwrap();
        }
        assert_eq!(writer.synced_number(), None);
        go_on.send(()).unwrap();
        writer.finish().unwrap();
        disk.lose_power();
        assert_eq!(read_all(&disk), (stamped(&records), vec![]), "seed {seed}");
    }
}

/// The two threads meet in any order; what must hold does not depend on it.
#[test]
fn with_the_thread_syncing_and_every_seventh_call_failing_nothing_is_lost() {
    let disk = SimulatedDisk::new(1);
    let options = Options { sync_interval: Some(std::time::Duration::from_micros(20)), ..options(3000) };
    let mut writer = Writer::create(disk.shared(), folder(), VISIT, "x", options).unwrap();
    disk.fail(Some(Fail::Every(7)));
    let mut appended = Vec::new();
    for (monotonic_ns, record) in script(2000) {
        if let Ok(number) = writer.append(monotonic_ns, &record) {
            appended.push(Stamped { number, monotonic_ns, record });
        }
    }
    disk.fail(None);
    let progress = writer.progress();
    writer.finish().unwrap();
    assert_eq!(progress.synced_number(), appended.last().map(|record| record.number));
    disk.lose_power();
    let (records, damage) = read_all(&disk);
    let serious =
        damage.iter().find(|damage| matches!(damage, Damage::Lost { .. } | Damage::Conflict { .. }));
    assert_eq!(serious, None);
    assert!(appended.len() > 1500, "{} appends went through", appended.len());
    assert!(records == appended);
}
