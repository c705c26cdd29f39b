//! Damaged at every place: what is before the damage is there, nothing is changed, and the damage is said.

use super::*;
use crate::journal::{JournalError, format};
use read::Damage;

/// Where each record of a single-segment journal ends, by its own lengths.
fn ends(bytes: &[u8]) -> Vec<usize> {
    let mut at = u32::from_le_bytes(bytes[12..16].try_into().unwrap()) as usize;
    let mut ends = Vec::new();
    while at < bytes.len() {
        at += u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize + 25;
        ends.push(at);
    }
    ends
}

#[test]
fn cut_at_every_byte_everything_before_the_cut_is_there() {
    let disk = written(24, 1 << 20);
    let whole = disk.contents(&segment(0)).unwrap();
    let expected = stamped(&script(24));
    let ends = ends(&whole);
    assert_eq!(ends.len(), 24);
    let header_bytes = u32::from_le_bytes(whole[12..16].try_into().unwrap()) as usize;
    for cut in 0..whole.len() {
        disk.edit(&segment(0), |bytes| *bytes = whole[..cut].to_vec());
        if cut < header_bytes {
            let refused = read::read_all(disk.shared(), folder());
            assert!(matches!(refused, Err(JournalError::NoHeader { .. })), "cut at {cut}: {refused:?}");
            continue;
        }
        let kept = ends.iter().filter(|end| **end <= cut).count();
        let good = if kept == 0 { header_bytes } else { ends[kept - 1] };
        let torn = Damage::TornTail { segment: 0, at_byte: good as u64, bytes: (cut - good) as u64 };
        let damage = if cut == good { vec![] } else { vec![torn] };
        assert_eq!(read_all(&disk), (expected[..kept].to_vec(), damage), "cut at {cut}");
    }
}

#[test]
fn flipped_at_every_bit_nothing_is_changed_and_the_loss_is_said() {
    let disk = written(24, 1 << 20);
    let whole = disk.contents(&segment(0)).unwrap();
    let expected = stamped(&script(24));
    let ends = ends(&whole);
    let header_bytes = u32::from_le_bytes(whole[12..16].try_into().unwrap()) as usize;
    for bit in 0..whole.len() * 8 {
        let byte = bit / 8;
        disk.edit(&segment(0), |bytes| {
            bytes.clone_from(&whole);
            bytes[byte] ^= 1 << (bit % 8);
        });
        let (records, damage) = read_all(&disk);
        if byte < header_bytes {
            assert_eq!(records, expected, "bit {bit}: without a header all records are still found");
            assert!(matches!(damage[..], [Damage::BadHeader { segment: 0, .. }]), "bit {bit}: {damage:?}");
            continue;
        }
        let hit = ends.iter().position(|end| byte < *end).unwrap();
        let mut rest = expected.clone();
        rest.remove(hit);
        assert_eq!(records, rest, "bit {bit} is in record {hit}");
        let from = if hit == 0 { header_bytes } else { ends[hit - 1] } as u64;
        let bytes = ends[hit] as u64 - from;
        let number = hit as u64;
        let said = if hit == 23 {
            vec![Damage::TornTail { segment: 0, at_byte: from, bytes }]
        } else {
            vec![
                Damage::Unreadable { segment: 0, at_byte: from, bytes },
                Damage::Lost { first_number: number, last_number: number },
            ]
        };
        assert_eq!(damage, said, "bit {bit} is in record {hit}");
    }
}

/// Every byte of a journal of several segments, replaced by another: no panic, no record that was not written, and
/// whatever is missing is said.
#[test]
fn any_byte_of_several_segments_replaced_is_never_silent() {
    let disk = written(48, 500);
    let expected = stamped(&script(48));
    for (number, path) in crate::journal::segments(&*disk.shared(), folder()).unwrap() {
        let whole = disk.contents(&path).unwrap();
        for at in 0..whole.len() {
            for other in [0x00, 0xff, whole[at].wrapping_add(1)] {
                if other == whole[at] {
                    continue;
                }
                disk.edit(&path, |bytes| bytes[at] = other);
                let (records, damage) = read_all(&disk);
                assert!(!damage.is_empty(), "segment {number}, byte {at} = {other}: nothing said");
                assert!(
                    records.iter().all(|record| expected.contains(record)),
                    "segment {number}, byte {at}"
                );
                let missing = expected.iter().filter(|record| !records.contains(record)).count();
                assert!(missing <= 1, "segment {number}, byte {at} = {other}: {missing} records gone");
            }
            disk.edit(&path, |bytes| bytes[at] = whole[at]);
        }
    }
}

#[test]
fn a_journal_cut_anywhere_can_be_resumed() {
    let whole = written(24, 1 << 20).contents(&segment(0)).unwrap();
    let ends = ends(&whole);
    let more = [(5, Record::Action("after the crash".into()))];
    for cut in (whole.len() - 100)..=whole.len() {
        let disk = written(24, 1 << 20);
        disk.edit(&segment(0), |bytes| bytes.truncate(cut));
        let kept = ends.iter().filter(|end| **end <= cut).count();
        let mut writer = Writer::resume(disk.shared(), folder(), "later", options(1 << 20)).unwrap();
        assert_eq!(writer.synced_number(), Some(kept as u64 - 1));
        assert_eq!(writer.append_all(&more).unwrap(), kept as u64..kept as u64 + 1);
        writer.finish().unwrap();
        let (records, damage) = read_all(&disk);
        assert_eq!(records[..kept], stamped(&script(24))[..kept]);
        assert_eq!((records.len(), records[kept].number), (kept + 1, kept as u64));
        let torn = damage.iter().filter(|damage| matches!(damage, Damage::TornTail { .. })).count();
        assert_eq!((damage.len(), torn), if ends.contains(&cut) { (0, 0) } else { (1, 1) }, "{damage:?}");
    }
}

/// A device may send what looks like a record, by chance or by intent: where the record that holds it is damaged, and its
/// length is not, nothing of it is believed.
#[test]
fn bytes_from_a_device_that_look_like_a_record_never_pass_for_one() {
    let mut forged = Vec::new();
    format::encode(&mut forged, 25, 7, &Record::Finished("forged".into())).unwrap();
    let disk = written(24, 1 << 20);
    let begins = disk.contents(&segment(0)).unwrap().len();
    let mut expected = stamped(&script(24));
    let records = [Record::Bytes { port: 0, bytes: forged }, Record::Tick, Record::Action("true".into())];
    for (number, record) in (24..).zip(records) {
        disk.edit(&segment(0), |bytes| format::encode(bytes, number, 9, &record).unwrap());
        expected.push(Stamped { number, monotonic_ns: 9, record });
    }
    let whole = disk.contents(&segment(0)).unwrap();
    assert_eq!(read_all(&disk), (expected.clone(), vec![]));
    expected.remove(24);
    let end = ends(&whole)[24];
    // Anywhere behind its length, which is the first four bytes.
    for at in begins + 4..end {
        disk.edit(&segment(0), |bytes| {
            bytes.clone_from(&whole);
            bytes[at] ^= 1;
        });
        assert_eq!(read_all(&disk).0, expected, "byte {at}");
    }
}
