//! How fast the daemon is: the whole pipeline (bytes of a journal to holds) and sealing (journal to a verified recording),
//! in samples per second. The sensor is the simulated one, in memory, at 1 kHz with a pull every 8 s.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a benchmark that cannot go on fails"
)]

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use daemon::core::{Begun, Core, Said};
use daemon::journal::{Options, Record, Stamped, SystemDisk, Writer};
use daemon::pipeline::Output;
use daemon::simulate::hand::{Hand, Script};
use daemon::simulate::sensor::{Sensor, Settings};
use daemon::simulate::source::Source;
use std::collections::VecDeque;
use std::hint::black_box;

const SECONDS: u64 = 120;
const STEP_NS: u64 = 10_000_000;

/// A free recording's journal, and how many samples are in it.
fn journal() -> (Vec<Stamped>, u64) {
    let hand = Hand::new(Script { repeat: true, ..Script::default() }, 1).unwrap();
    let mut sensor = Sensor::new(Settings::default(), Source::Hand(Box::new(hand)), 0).unwrap();
    let (mut core, mut journal, mut samples) = (Core::new(None), Vec::new(), 0);
    let begun = Begun {
        visit_id: String::new(),
        participant: String::new(),
        examiner: String::new(),
        consent: String::new(),
        about: Vec::new(),
        plan: String::new(),
        software: "bench".to_owned(),
        started_utc: String::new(),
        utc_offset: String::new(),
    };
    let mut queue = VecDeque::from([
        Record::Begun(serde_json::to_string(&begun).unwrap()),
        Record::Opened { port: 0, detail: "{}".to_owned() },
    ]);
    for step in 1..=SECONDS * 1_000_000_000 / STEP_NS {
        let now_ns = step * STEP_NS;
        sensor.advance(now_ns);
        let bytes = sensor.output().to_vec();
        sensor.take(bytes.len());
        if !bytes.is_empty() {
            queue.push_back(Record::Bytes { port: 0, bytes });
        }
        if step % 10 == 0 {
            queue.push_back(Record::Tick);
        }
        while let Some(record) = queue.pop_front() {
            let stamped = Stamped { number: journal.len() as u64, monotonic_ns: now_ns, record };
            let mut said = Vec::new();
            core.step(&stamped, &mut said);
            journal.push(stamped);
            for said in said {
                match said {
                    Said::Journal(record) => queue.push_back(record),
                    Said::Pipeline(Output::Send { bytes, .. }) => sensor.hear(&bytes, now_ns),
                    Said::Pipeline(Output::Block(block)) => samples += block.samples,
                    _ => {}
                }
            }
        }
    }
    assert!(samples > SECONDS * 900, "the sensor streams: {samples} samples");
    (journal, samples)
}

/// The bytes alone, for the peer in another language (`tests/peer/run`).
fn write_stream(journal: &[Stamped]) {
    let bytes = journal
        .iter()
        .filter_map(|s| if let Record::Bytes { bytes, .. } = &s.record { Some(bytes) } else { None });
    let stream: Vec<u8> = bytes.flatten().copied().collect();
    std::fs::write(concat!(env!("CARGO_MANIFEST_DIR"), "/../target/peer-stream.bin"), stream).unwrap();
}

fn pipeline(criterion: &mut Criterion) {
    let (journal, samples) = journal();
    write_stream(&journal);
    let mut group = criterion.benchmark_group("daemon");
    group.throughput(Throughput::Elements(samples)).sample_size(10);
    group.bench_function("whole pipeline, one channel", |bencher| {
        bencher.iter(|| {
            let (mut core, mut said) = (Core::new(None), Vec::new());
            for stamped in &journal {
                core.step(stamped, &mut said);
                said.clear();
            }
            black_box(core.faults())
        });
    });
    group.bench_function("sealing, one channel", |bencher| {
        let written = || {
            let folder = tempfile::tempdir().unwrap();
            let options = Options { reserve_bytes: 0, ..Options::default() };
            let disk = SystemDisk::shared();
            let mut writer =
                Writer::create(disk, folder.path(), uuid::Uuid::nil(), "bench", options).unwrap();
            for stamped in &journal {
                writer.append(stamped.monotonic_ns, &stamped.record).unwrap();
            }
            writer.finish().unwrap();
            folder
        };
        let seal = |folder: tempfile::TempDir| {
            let sealed = daemon::seal::seal(&SystemDisk::shared(), folder.path()).unwrap();
            assert_eq!(sealed.samples, samples);
            folder
        };
        bencher.iter_batched(written, seal, BatchSize::PerIteration);
    });
    group.finish();
}

criterion_group!(benches, pipeline);
criterion_main!(benches);
