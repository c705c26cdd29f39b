//! One test per known corruption, by name.

use super::*;
use crate::journal::JournalError;
use crate::journal::format::{self, Header};
use analysis::console::Advice;
use read::Damage;

fn segment_of(
    visit: Uuid,
    number: u32,
    version: u32,
    first_number: u64,
    records: &[(u64, Record)],
) -> Vec<u8> {
    let software = "fingerforced 9.9.9".to_owned();
    let mut bytes = Header { version, visit, segment: number, first_number, software }.encode();
    for ((monotonic_ns, record), number) in records.iter().zip(first_number..) {
        format::encode(&mut bytes, number, *monotonic_ns, record).unwrap();
    }
    bytes
}

fn put(disk: &SimulatedDisk, number: u32, bytes: &[u8]) {
    let shared = disk.shared();
    shared.create_folder(folder()).unwrap();
    shared.open_append(&segment(number)).unwrap();
    assert!(disk.edit(&segment(number), |contents| *contents = bytes.to_vec()));
}

#[test]
fn a_folder_without_a_journal_says_so() {
    let disk = SimulatedDisk::new(1);
    disk.shared().create_folder(folder()).unwrap();
    let refused = read::read_all(disk.shared(), folder());
    assert!(matches!(refused, Err(JournalError::NoJournal { .. })), "{refused:?}");
    let refused = read::sha256(&*disk.shared(), folder());
    assert!(matches!(refused, Err(JournalError::NoJournal { .. })), "{refused:?}");
}

#[test]
fn a_second_journal_in_a_folder_is_refused() {
    let disk = written(3, 1000);
    let refused = Writer::create(disk.shared(), folder(), VISIT, "x", options(1000));
    assert!(matches!(refused, Err(JournalError::AlreadyThere { .. })), "{refused:?}");
}

#[test]
fn a_missing_segment_is_named_with_its_records() {
    let disk = written(60, 400);
    let (_, damage) = read_all(&disk);
    assert_eq!(damage, []);
    disk.shared().remove(&segment(2)).unwrap();
    let (records, damage) = read_all(&disk);
    let [Damage::MissingSegment { segment: 2 }, Damage::Lost { first_number, last_number }] = damage[..]
    else {
        panic!("{damage:?}");
    };
    let expected = stamped(&script(60));
    let lost = first_number..=last_number;
    let rest: Vec<_> = expected.into_iter().filter(|record| !lost.contains(&record.number)).collect();
    assert_eq!(records, rest);
    assert!(rest.len() < 60);
}

#[test]
fn a_missing_first_segment_is_named_with_its_records() {
    let disk = written(60, 400);
    disk.shared().remove(&segment(0)).unwrap();
    let (records, damage) = read_all(&disk);
    let [Damage::MissingSegment { segment: 0 }, Damage::Lost { first_number: 0, last_number }] = damage[..]
    else {
        panic!("{damage:?}");
    };
    assert_eq!(records[0].number, last_number + 1);
}

#[test]
fn a_foreign_visits_segment_is_not_used() {
    let records = script(6);
    let disk = SimulatedDisk::new(1);
    let foreign = Uuid::from_u128(99);
    put(&disk, 0, &segment_of(VISIT, 0, 1, 0, &records[..3]));
    put(&disk, 1, &segment_of(foreign, 1, 1, 3, &script(20)[9..]));
    put(&disk, 2, &segment_of(VISIT, 2, 1, 3, &records[3..]));
    let damage = vec![Damage::ForeignVisit { segment: 1, visit: foreign.to_string() }];
    assert_eq!(read_all(&disk), (stamped(&records), damage));
}

#[test]
fn a_newer_format_is_refused_and_says_what_reads_it() {
    let disk = SimulatedDisk::new(1);
    put(&disk, 0, &segment_of(VISIT, 0, 2, 0, &script(3)));
    let error = read::read_all(disk.shared(), folder()).unwrap_err();
    assert!(matches!(error, JournalError::NewerFormat { found: 2, .. }), "{error:?}");
    assert!(error.to_string().contains("journal-000"), "{error}");
    assert_eq!(error.hint(), "read it with fingerforced 9.9.9 or later");
}

#[test]
fn a_newer_format_that_is_only_a_flipped_bit_is_read() {
    let disk = written(12, 1 << 20);
    disk.edit(&segment(0), |bytes| bytes[8] ^= 2);
    let (records, damage) = read_all(&disk);
    assert_eq!(records, stamped(&script(12)));
    assert!(matches!(damage[..], [Damage::BadHeader { .. }]), "{damage:?}");
}

#[test]
fn a_renamed_segment_is_used_and_named() {
    let records = script(6);
    let disk = SimulatedDisk::new(1);
    put(&disk, 0, &segment_of(VISIT, 1, 1, 3, &records[3..]));
    put(&disk, 1, &segment_of(VISIT, 0, 1, 0, &records[..3]));
    let damage = vec![Damage::Renamed { segment: 0, was: 1 }, Damage::Renamed { segment: 1, was: 0 }];
    assert_eq!(read_all(&disk), (stamped(&records), damage));
}

#[test]
fn records_written_again_after_a_failed_sync_are_read_once() {
    let records = script(10);
    let disk = SimulatedDisk::new(1);
    put(&disk, 0, &segment_of(VISIT, 0, 1, 0, &records[..7]));
    put(&disk, 1, &segment_of(VISIT, 1, 1, 4, &records[4..9]));
    put(&disk, 2, &segment_of(VISIT, 2, 1, 3, &records[3..]));
    assert_eq!(read_all(&disk), (stamped(&records), vec![]));
}

#[test]
fn what_one_copy_lost_the_other_gives() {
    let records = script(10);
    let disk = SimulatedDisk::new(1);
    let mut first = segment_of(VISIT, 0, 1, 0, &records[..7]);
    let second = segment_of(VISIT, 1, 1, 4, &records[4..]);
    let middle = first.len() - 60;
    first[middle] ^= 0x10;
    put(&disk, 0, &first);
    put(&disk, 1, &second);
    let (read, damage) = read_all(&disk);
    assert_eq!(read, stamped(&records));
    assert!(matches!(damage[..], [Damage::Unreadable { segment: 0, .. }]), "{damage:?}");
}

#[test]
fn different_records_with_one_number_are_a_conflict_and_the_later_holds() {
    let records = script(6);
    let disk = SimulatedDisk::new(1);
    let mut other = records.clone();
    other[4].1 = Record::Action("other".into());
    put(&disk, 0, &segment_of(VISIT, 0, 1, 0, &records[..5]));
    put(&disk, 1, &segment_of(VISIT, 1, 1, 4, &other[4..]));
    assert_eq!(read_all(&disk), (stamped(&other), vec![Damage::Conflict { number: 4 }]));
}

#[test]
fn zeros_at_the_end_are_a_torn_tail() {
    let disk = written(12, 1 << 20);
    let length = disk.contents(&segment(0)).unwrap().len() as u64;
    disk.edit(&segment(0), |bytes| bytes.extend([0; 4096]));
    let damage = vec![Damage::TornTail { segment: 0, at_byte: length, bytes: 4096 }];
    assert_eq!(read_all(&disk), (stamped(&script(12)), damage));
}

#[test]
fn an_empty_segment_does_no_harm() {
    let disk = written(12, 1 << 20);
    put(&disk, 1, &[]);
    let (records, damage) = read_all(&disk);
    assert_eq!(records, stamped(&script(12)));
    assert!(matches!(damage[..], [Damage::BadHeader { segment: 1, .. }]), "{damage:?}");
    let mut writer = Writer::resume(disk.shared(), folder(), "later", options(1 << 20)).unwrap();
    assert_eq!(writer.append(1, &Record::Tick).unwrap(), 12);
    writer.finish().unwrap();
    assert!(disk.contents(&segment(2)).is_some());
}

#[test]
fn a_record_of_an_unknown_kind_is_named_and_passed_over() {
    let disk = SimulatedDisk::new(1);
    let mut bytes = segment_of(VISIT, 0, 1, 0, &script(2));
    let at = bytes.len();
    format::encode(&mut bytes, 2, 9, &Record::Tick).unwrap();
    bytes[at + 4] = 200;
    bytes.truncate(at + format::HEAD_BYTES);
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&bytes[at..]);
    bytes.extend(sum.to_le_bytes());
    format::encode(&mut bytes, 3, 9, &Record::Tick).unwrap();
    put(&disk, 0, &bytes);
    let (records, damage) = read_all(&disk);
    assert_eq!(records.iter().map(|record| record.number).collect::<Vec<_>>(), [0, 1, 3]);
    let why = "its kind is unknown".to_owned();
    let lost = Damage::Lost { first_number: 2, last_number: 2 };
    assert_eq!(damage, [Damage::Senseless { segment: 0, number: 2, why }, lost]);
}

/// A device may send anything, so also the bytes of a record. Where the record around them is damaged, they must not be
/// taken for one, unless the number fits.
#[test]
fn a_record_within_a_damaged_record_is_not_believed() {
    let mut inner = Vec::new();
    format::encode(&mut inner, 4000, 9, &Record::Finished("forged".into())).unwrap();
    let mut records = script(4);
    records[2].1 = Record::Bytes { port: 0, bytes: inner };
    let disk = SimulatedDisk::new(1);
    let mut bytes = segment_of(VISIT, 0, 1, 0, &records[..2]);
    let at = bytes.len();
    bytes = segment_of(VISIT, 0, 1, 0, &records);
    bytes[at + 7] ^= 1;
    put(&disk, 0, &bytes);
    let (read, damage) = read_all(&disk);
    assert_eq!(read.iter().map(|record| record.number).collect::<Vec<_>>(), [0, 1, 3]);
    assert_eq!(damage.last(), Some(&Damage::Lost { first_number: 2, last_number: 2 }));
}

#[test]
fn a_length_that_points_past_everything_costs_one_record() {
    let disk = written(12, 1 << 20);
    let header_bytes = 48 + "fingerforced 0.0.0".len();
    disk.edit(&segment(0), |bytes| bytes[header_bytes..header_bytes + 4].fill(0xff));
    let (records, damage) = read_all(&disk);
    assert_eq!(records, stamped(&script(12))[1..]);
    assert_eq!(damage.last(), Some(&Damage::Lost { first_number: 0, last_number: 0 }));
}

#[test]
fn the_highest_number_there_is_ends_the_journal_without_a_panic() {
    let disk = SimulatedDisk::new(1);
    put(&disk, 0, &segment_of(VISIT, 0, 1, u64::MAX - 1, &[(1, Record::Tick)]));
    let (records, damage) = read_all(&disk);
    assert_eq!(records.len(), 1);
    assert_eq!(damage, [Damage::Lost { first_number: 0, last_number: u64::MAX - 2 }]);
    put(&disk, 0, &segment_of(VISIT, 0, 1, u64::MAX, &[]));
    assert_eq!(read_all(&disk), (vec![], vec![]));
}

#[test]
fn a_record_over_the_limit_is_refused_and_nothing_is_written() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 1 << 20);
    let before = disk.contents(&segment(0)).unwrap();
    let huge = Record::Bytes { port: 0, bytes: vec![0; format::PAYLOAD_BYTES_MAX] };
    let refused = writer.append(1, &huge);
    assert!(matches!(refused, Err(JournalError::RecordTooLarge { .. })), "{refused:?}");
    assert_eq!(disk.contents(&segment(0)).unwrap(), before);
    let largest = Record::Bytes { port: 0, bytes: vec![7; format::PAYLOAD_BYTES_MAX - 1] };
    assert_eq!(writer.append(1, &largest).unwrap(), 0);
    writer.finish().unwrap();
    assert_eq!(read_all(&disk), (stamped(&[(1, largest)]), vec![]));
}

#[test]
fn damage_reads_as_plain_words() {
    let texts = [
        (Damage::Lost { first_number: 4, last_number: 4 }, "record 4 is lost"),
        (Damage::Lost { first_number: 4, last_number: 6 }, "records 4 to 6 are lost"),
        (
            Damage::TornTail { segment: 0, at_byte: 900, bytes: 17 },
            "journal-000 ends in 17 bytes of an unfinished record, from byte 900",
        ),
        (Damage::MissingSegment { segment: 12 }, "journal-012 is missing"),
    ];
    for (damage, text) in texts {
        assert_eq!(damage.to_string(), text);
    }
}
