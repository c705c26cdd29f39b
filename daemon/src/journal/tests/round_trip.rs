//! What goes in comes out: every kind of record, any split of appends, over segments and resumptions.

use super::*;
use crate::journal::format;
use proptest::prelude::*;

fn any_record() -> impl Strategy<Value = Record> {
    let text = || ".{0,40}".prop_map(String::from);
    let bytes = || proptest::collection::vec(any::<u8>(), 0..80);
    prop_oneof![
        text().prop_map(Record::Begun),
        (any::<u64>(), any::<u64>(), any::<i64>(), text()).prop_map(
            |(monotonic_ns, boottime_ns, utc_ns, host_boot_id)| {
                Record::Anchor(Anchor { monotonic_ns, boottime_ns, utc_ns, host_boot_id })
            }
        ),
        (any::<u8>(), text()).prop_map(|(port, detail)| Record::Opened { port, detail }),
        (any::<u8>(), text()).prop_map(|(port, reason)| Record::Closed { port, reason }),
        (any::<u8>(), bytes()).prop_map(|(port, bytes)| Record::Bytes { port, bytes }),
        (any::<u8>(), any::<u64>()).prop_map(|(port, bytes)| Record::Dropped { port, bytes }),
        (any::<u8>(), bytes()).prop_map(|(port, bytes)| Record::Sent { port, bytes }),
        Just(Record::Tick),
        text().prop_map(Record::Action),
        text().prop_map(Record::Parameters),
        text().prop_map(Record::Shown),
        text().prop_map(Record::Finished),
    ]
}

proptest! {
    #[test]
    fn every_record_survives_its_encoding(number: u64, monotonic_ns: u64, record in any_record()) {
        let mut bytes = vec![1, 2, 3];
        format::encode(&mut bytes, number, monotonic_ns, &record).unwrap();
        let whole = bytes.split_off(3);
        prop_assert_eq!(bytes, [1, 2, 3]);
        prop_assert!(format::checksum_holds(&whole));
        prop_assert_eq!(format::decode(&whole), Ok(Stamped { number, monotonic_ns, record }));
    }

    #[test]
    fn decoding_any_bytes_never_panics(bytes in proptest::collection::vec(any::<u8>(), 0..120)) {
        let _ = format::decode(&bytes);
        let _ = format::Header::decode(&bytes);
    }

    #[test]
    fn any_split_into_batches_segments_and_resumptions_reads_the_same(
        records in proptest::collection::vec((any::<u64>(), any_record()), 1..60),
        batch in 1_usize..20,
        segment_bytes in 1_u64..2000,
        short_writes: bool,
        resume: bool,
        seed: u64,
    ) {
        let disk = SimulatedDisk::new(seed);
        disk.set_short_writes(short_writes);
        let mut writer = create(&disk, segment_bytes);
        for piece in records.chunks(batch) {
            let numbers = writer.append_all(piece).unwrap();
            prop_assert_eq!((numbers.end - numbers.start) as usize, piece.len());
            if resume {
                drop(writer);
                writer = Writer::resume(disk.shared(), folder(), "later", options(segment_bytes)).unwrap();
                prop_assert_eq!(writer.next_number(), numbers.end);
            }
        }
        writer.finish().unwrap();
        prop_assert_eq!(read_all(&disk), (stamped(&records), vec![]));
    }
}

#[test]
fn the_first_bytes_of_a_journal_are_as_documented() {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, 1000);
    writer.append(0x0102, &Record::Dropped { port: 3, bytes: 4 }).unwrap();
    let bytes = disk.contents(&segment(0)).unwrap();
    let header_bytes = 48 + "fingerforced 0.0.0".len();
    let (header, record) = bytes.split_at(header_bytes);
    assert_eq!(&header[..8], b"ffjourn\n");
    assert_eq!(header[8..16], [1, 0, 0, 0, header_bytes as u8, 0, 0, 0]);
    assert_eq!(header[16..32], *VISIT.as_bytes());
    assert_eq!(header[32..44], [0; 12]);
    assert_eq!(&header[44..header_bytes - 4], b"fingerforced 0.0.0");
    assert_eq!(record[..13], [9, 0, 0, 0, 6, 0, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(record[13..30], [2, 1, 0, 0, 0, 0, 0, 0, 3, 4, 0, 0, 0, 0, 0, 0, 0]);
    assert_eq!(record.len(), 34);
}

/// Of `123456789`, as the catalogue of parametrised CRC algorithms gives it for CRC-32/ISO-HDLC.
#[test]
fn the_checksum_is_the_published_one() {
    assert!(format::checksum_holds(&[b"123456789", &0xcbf4_3926_u32.to_le_bytes()[..]].concat()));
    assert!(!format::checksum_holds(&[b"123456788", &0xcbf4_3926_u32.to_le_bytes()[..]].concat()));
    assert!(!format::checksum_holds(b"123"));
}

#[test]
fn a_new_segment_begins_when_one_is_full() {
    let disk = written(60, 400);
    assert_eq!(read_all(&disk), (stamped(&script(60)), vec![]));
    let names = crate::journal::segments(&*disk.shared(), folder()).unwrap();
    assert!(names.len() > 3, "only {} segments", names.len());
    for (number, path) in names {
        let bytes = disk.contents(&path).unwrap();
        assert!(bytes.len() < 400 + 200, "segment {number} has {} bytes", bytes.len());
    }
}

#[test]
fn a_software_name_of_any_length_fits_the_header() {
    let software = "µ".repeat(300);
    let header = format::Header { version: 1, visit: VISIT, segment: 3, first_number: 9, software };
    let bytes = header.encode();
    let (read, length) = format::Header::decode(&bytes).unwrap();
    assert_eq!(length, bytes.len());
    assert_eq!(read.software, "µ".repeat(127));
}

#[test]
fn the_digest_is_that_of_the_files_in_order() {
    use sha2::Digest;
    let disk = written(60, 400);
    let names = crate::journal::segments(&*disk.shared(), folder()).unwrap();
    let whole: Vec<u8> = names.iter().flat_map(|(_, path)| disk.contents(path).unwrap()).collect();
    let expected: String = sha2::Sha256::digest(whole).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(read::sha256(&*disk.shared(), folder()).unwrap(), expected);
}
