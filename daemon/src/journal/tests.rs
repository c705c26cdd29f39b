//! The journal as a whole, under every fault that the simulated disk has.

mod damage;
mod faults;
mod known_errors;
mod model;
mod round_trip;
mod system;

use super::record::Anchor;
use super::simulated_disk::SimulatedDisk;
use super::{Options, Record, Stamped, Writer, read, segment_name};
use std::path::{Path, PathBuf};
use uuid::Uuid;

pub(crate) const FOLDER: &str = "/data/visits/one";
const VISIT: Uuid = Uuid::from_u128(0x1234_5678_9abc_4def_8123_4567_89ab_cdef);

fn folder() -> &'static Path {
    Path::new(FOLDER)
}

fn segment(number: u32) -> PathBuf {
    folder().join(segment_name(number))
}

/// No thread, small segments, no reserve.
fn options(segment_bytes: u64) -> Options {
    Options { segment_bytes, sync_interval: None, reserve_bytes: 0, ..Options::default() }
}

fn create(disk: &SimulatedDisk, segment_bytes: u64) -> Writer {
    Writer::create(disk.shared(), folder(), VISIT, "fingerforced 0.0.0", options(segment_bytes)).unwrap()
}

fn read_all(disk: &SimulatedDisk) -> (Vec<Stamped>, Vec<read::Damage>) {
    read::read_all(disk.shared(), folder()).unwrap()
}

/// A visit in small: `length` records of all kinds; the n-th is always the same.
fn script(length: usize) -> Vec<(u64, Record)> {
    let text = |number: usize| format!("{{\"number\": {number}, \"sign\": \"µ\"}}");
    (0..length)
        .map(|number| {
            let record = match number % 12 {
                0 => Record::Begun(text(number)),
                1 => Record::Anchor(Anchor {
                    monotonic_ns: number as u64,
                    boottime_ns: 7,
                    utc_ns: -5,
                    host_boot_id: "boot".into(),
                }),
                2 => Record::Opened { port: 0, detail: text(number) },
                3 => Record::Bytes { port: 0, bytes: (0..=number as u8).collect() },
                4 => Record::Tick,
                5 => Record::Sent { port: 1, bytes: vec![0; number % 5] },
                6 => Record::Dropped { port: 0, bytes: 1 << 40 },
                7 => Record::Action(text(number)),
                8 => Record::Parameters(text(number)),
                9 => Record::Shown(text(number)),
                10 => Record::Closed { port: 0, reason: "unplugged".into() },
                _ => Record::Finished("plan finished".into()),
            };
            (1000 + number as u64, record)
        })
        .collect()
}

fn stamped(script: &[(u64, Record)]) -> Vec<Stamped> {
    let numbered = script.iter().enumerate();
    numbered
        .map(|(number, (monotonic_ns, record))| Stamped {
            number: number as u64,
            monotonic_ns: *monotonic_ns,
            record: record.clone(),
        })
        .collect()
}

/// A finished journal of `length` records.
fn written(length: usize, segment_bytes: u64) -> SimulatedDisk {
    let disk = SimulatedDisk::new(1);
    let mut writer = create(&disk, segment_bytes);
    for (monotonic_ns, record) in &script(length) {
        writer.append(*monotonic_ns, record).unwrap();
    }
    writer.finish().unwrap();
    disk
}
