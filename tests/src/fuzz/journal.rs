//! The journal's reader, and the survey of what it gives: what sealing does first.

use super::Draw;
use super::wire::frame_of;
use daemon::journal::format::{FORMAT_VERSION, Header, encode};
use daemon::journal::record::Anchor;
use daemon::journal::simulated_disk::SimulatedDisk;
use daemon::journal::{Damage, Record, Stamped, read, segment_name};
use daemon::seal::survey::Surveyor;
use std::path::Path;
use uuid::Uuid;

const FOLDER: &str = "/visit";

/// Any journal: the first byte chooses whether the rest is a segment as it is, or how to make segments whose checksums
/// hold and then change bytes in them. Numbers rise; nothing is read that was not written; what is missing is said.
pub fn journal(data: &[u8]) {
    let Some((&how, rest)) = data.split_first() else { return };
    if how == 0 {
        let records = read(&[rest.to_vec()]).0;
        return survey(&records);
    }
    let mut made = Made::default();
    let mut draw = Draw(rest);
    for _ in 0..how.min(64) {
        made.draw(&mut draw);
    }
    let (records, damage) = read(&made.segments);
    if draw.is_empty() {
        assert_eq!((&records, damage.len()), (&made.records, 0));
    } else {
        for segment in &mut made.segments {
            let at = draw.number(2) as usize % segment.len();
            segment[at] ^= draw.byte();
        }
        let (read, damage) = read(&made.segments);
        assert!(read.iter().all(|record| made.records.contains(record) || made.carries(record)));
        assert!(read.len() == made.records.len() || !damage.is_empty());
    }
    survey(&records);
}

fn survey(records: &[Stamped]) {
    let mut surveyor = Surveyor::default();
    records.iter().for_each(|record| surveyor.step(record));
    let survey = surveyor.finish(records.last());
    for sensor in &survey.sensors {
        let frames: i64 = sensor.frames.iter().map(|frame| frame.samples).sum();
        assert_eq!(frames as u64, sensor.samples, "every sample is in a frame");
    }
}

/// The records of these segments.
fn read(segments: &[Vec<u8>]) -> (Vec<Stamped>, Vec<Damage>) {
    let disk = SimulatedDisk::new(1);
    let folder = Path::new(FOLDER);
    disk.shared().create_folder(folder).unwrap();
    for (number, bytes) in segments.iter().enumerate() {
        let file = disk.shared().create_new(&folder.join(segment_name(number as u32))).unwrap();
        if !bytes.is_empty() {
            assert_eq!(file.append(bytes).unwrap(), bytes.len());
        }
    }
    let Ok((records, damage)) = read::read_all(disk.shared(), folder) else { return Default::default() };
    assert!(records.windows(2).all(|pair| pair[0].number < pair[1].number));
    (records, damage)
}

/// Segments made as the format asks for, and what is in them.
struct Made {
    segments: Vec<Vec<u8>>,
    records: Vec<Stamped>,
    number: u64,
    monotonic_ns: u64,
}

impl Default for Made {
    fn default() -> Self {
        let mut made = Made { segments: Vec::new(), records: Vec::new(), number: 0, monotonic_ns: 0 };
        made.begin_segment();
        made
    }
}

impl Made {
    fn begin_segment(&mut self) {
        let header = Header {
            version: FORMAT_VERSION,
            visit: Uuid::from_u128(1),
            segment: self.segments.len() as u32,
            first_number: self.number,
            software: "fuzzed".to_owned(),
        };
        self.segments.push(header.encode());
    }

    /// A record written holds bytes that are this record: where the length around them is damaged nobody can tell.
    fn carries(&self, record: &Stamped) -> bool {
        let inner = encoded(record);
        let holds = |outer: &Stamped| encoded(outer).windows(inner.len()).any(|bytes| bytes == inner);
        self.records.iter().any(holds)
    }

    fn draw(&mut self, draw: &mut Draw) {
        let kind = draw.byte() % 16;
        if kind == 13 {
            return self.begin_segment();
        }
        self.monotonic_ns += draw.number(4);
        let record = record(kind, draw);
        let segment = self.segments.last_mut().unwrap();
        encode(segment, self.number, self.monotonic_ns, &record).unwrap();
        self.records.push(Stamped { number: self.number, monotonic_ns: self.monotonic_ns, record });
        self.number += 1;
    }
}

fn encoded(record: &Stamped) -> Vec<u8> {
    let mut bytes = Vec::new();
    encode(&mut bytes, record.number, record.monotonic_ns, &record.record).unwrap();
    bytes
}

fn record(kind: u8, draw: &mut Draw) -> Record {
    let text = |draw: &mut Draw| String::from_utf8_lossy(draw.piece()).into_owned();
    let port = draw.byte() % 3;
    match kind {
        0 => Record::Begun(text(draw)),
        1 => Record::Anchor(Anchor {
            monotonic_ns: draw.number(8),
            boottime_ns: draw.number(8),
            utc_ns: draw.number(8) as i64,
            host_boot_id: text(draw),
        }),
        2 => Record::Opened { port, detail: text(draw) },
        3 => Record::Closed { port, reason: text(draw) },
        4 => Record::Bytes { port, bytes: draw.piece().to_vec() },
        5 => Record::Dropped { port, bytes: draw.number(8) },
        6 => Record::Sent { port, bytes: draw.piece().to_vec() },
        7 => Record::Tick,
        8 => Record::Action(text(draw)),
        9 => Record::Parameters(text(draw)),
        10 => Record::Shown(text(draw)),
        11 => Record::Finished(text(draw)),
        12 => Record::Sent { port, bytes: frame_of(draw.piece()) },
        // Frames whose checksums hold, so that what is in them is looked at.
        _ => Record::Bytes { port, bytes: frame_of(draw.piece()) },
    }
}
