//! A real recording's journal, cut at every byte and flipped at ten thousand places: everything before the damage is
//! there, nothing is changed, and the damage is said. The same for some of them through the program that seals them.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::journal::format::{Head, Header};
use daemon::journal::simulated_disk::SimulatedDisk;
use daemon::journal::{Damage, Stamped, read};
use daemon::simulate::random::Random;
use std::path::Path;
use tests::journal::samples_in;
use tests::{Place, fingerforced, run, sealed, times};

const FLIPS: u64 = 10_000;

/// A journal in one segment, and where its parts end.
struct Journal {
    bytes: Vec<u8>,
    records: Vec<Stamped>,
    header: usize,
    ends: Vec<usize>,
    disk: SimulatedDisk,
}

const FOLDER: &str = "/visit";
const SEGMENT: &str = "/visit/journal-000";

impl Journal {
    /// Recorded over a pseudo-terminal.
    fn recorded(place: &Place) -> Journal {
        let _sensor = place.sensor(&["--first", "1", "--period", "2.5", "--effort", "make:25:0.6"]);
        let output = run(&mut place.record(&["--seconds", "2.5", "--no-seal"]));
        assert!(output.status.success(), "{}", tests::stderr(&output));
        let bytes = std::fs::read(place.visit().join("journal-000")).unwrap();
        let header = Header::decode(&bytes).unwrap().1;
        let mut ends = Vec::new();
        let mut at = header;
        while at < bytes.len() {
            at += Head::decode(&bytes[at..]).unwrap().record_bytes;
            ends.push(at);
        }
        let disk = SimulatedDisk::new(1);
        disk.shared().create_folder(Path::new(FOLDER)).unwrap();
        disk.shared().create_new(Path::new(SEGMENT)).unwrap();
        let mut journal = Journal { bytes, records: Vec::new(), header, ends, disk };
        let (records, damage) = journal.read(&journal.bytes).unwrap();
        assert_eq!((records.len(), damage.len()), (journal.ends.len(), 0));
        journal.records = records;
        journal
    }

    fn read(&self, bytes: &[u8]) -> Option<(Vec<Stamped>, Vec<Damage>)> {
        self.disk.edit(Path::new(SEGMENT), |contents| *contents = bytes.to_vec());
        read::read_all(self.disk.shared(), Path::new(FOLDER)).ok()
    }

    /// Where record `index` begins.
    fn start(&self, index: usize) -> usize {
        if index == 0 { self.header } else { self.ends[index - 1] }
    }
}

#[test]
fn cut_at_every_byte() {
    let journal = Journal::recorded(&Place::default());
    for cut in 0..=journal.bytes.len() {
        let read = journal.read(&journal.bytes[..cut]);
        if cut < journal.header {
            assert!(read.is_none(), "cut at {cut}: there is no journal");
            continue;
        }
        let kept = journal.ends.partition_point(|end| *end <= cut);
        let good = journal.start(kept);
        let torn = Damage::TornTail { segment: 0, at_byte: good as u64, bytes: (cut - good) as u64 };
        let damage = if cut == good { vec![] } else { vec![torn] };
        assert_eq!(read, Some((journal.records[..kept].to_vec(), damage)), "cut at {cut}");
    }
    println!("cut at each of {} bytes", journal.bytes.len());
}

#[test]
fn flipped_at_ten_thousand_places() {
    let journal = Journal::recorded(&Place::default());
    let mut random = Random::new(10);
    for flip in 0..FLIPS {
        let (at, bit) = (random.below(journal.bytes.len()), random.below(8));
        let mut bytes = journal.bytes.clone();
        bytes[at] ^= 1 << bit;
        let (records, damage) = journal.read(&bytes).unwrap();
        if at < journal.header {
            assert_eq!(records, journal.records, "flip {flip}: byte {at}, bit {bit}");
            assert!(matches!(damage[..], [Damage::BadHeader { segment: 0, .. }]), "{damage:?}");
            continue;
        }
        let hit = journal.ends.partition_point(|end| *end <= at);
        assert_eq!(records[..hit], journal.records[..hit], "flip {flip}: byte {at}, bit {bit}");
        assert_eq!(records[hit..], journal.records[hit + 1..], "flip {flip}: byte {at}, bit {bit}");
        let (at_byte, bytes) = (journal.start(hit) as u64, (journal.ends[hit] - journal.start(hit)) as u64);
        let number = hit as u64;
        let said = if hit + 1 == journal.ends.len() {
            vec![Damage::TornTail { segment: 0, at_byte, bytes }]
        } else {
            vec![
                Damage::Unreadable { segment: 0, at_byte, bytes },
                Damage::Lost { first_number: number, last_number: number },
            ]
        };
        assert_eq!(damage, said, "flip {flip}: byte {at}, bit {bit}");
    }
}

/// Cut or flipped, then sealed by the program: the recording holds every sample that is left, and says what is not.
#[test]
fn what_is_left_is_sealed() {
    let place = Place::default();
    let journal = Journal::recorded(&place);
    let begun = journal.ends[0];
    let mut random = Random::new(11);
    for number in 0..times(8, 200) {
        let mut bytes = journal.bytes.clone();
        let at = begun + random.below(bytes.len() - begun);
        if number % 2 == 0 {
            bytes.truncate(at)
        } else {
            bytes[at] ^= 1 << random.below(8)
        }
        let folder = place.path(&format!("visit-{number}"));
        std::fs::create_dir(&folder).unwrap();
        std::fs::write(folder.join("journal-000"), &bytes).unwrap();
        let told = sealed(&run(fingerforced().arg("recover").arg(&folder).arg("--json")));
        let left = samples_in(&folder);
        assert_eq!(told["samples"], left.len(), "number {number}, byte {at}: {told:#}");
        let cut_clean = journal.ends.contains(&at) && number % 2 == 0;
        assert_eq!(told["damage"].as_array().unwrap().is_empty(), cut_clean, "byte {at}: {told:#}");
        let recording = Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
        recording.verify().unwrap();
        // What the flipped record held is a gap that says so.
        let missing = left.last().map_or(0, |last| last + 1 - left.len() as u64);
        assert_eq!(told["missing_samples"], missing, "number {number}, byte {at}: {told:#}");
    }
}
