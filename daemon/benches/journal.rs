//! How fast a journal is written and read, on the disk that holds the temporary folder: records of 200 bytes (a device
//! frame of some 40 samples), one write each, and in batches; syncing is left to the journal's own thread.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a benchmark that cannot go on fails"
)]

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use daemon::journal::{Options, Reader, Record, SystemDisk, Writer};
use std::hint::black_box;
use tempfile::TempDir;
use uuid::Uuid;

const RECORDS: u64 = 10_000;

fn records() -> Vec<(u64, Record)> {
    (0..RECORDS).map(|at| (at * 1_000_000, Record::Bytes { port: 0, bytes: vec![at as u8; 200] })).collect()
}

fn begin() -> (TempDir, Writer) {
    let folder = TempDir::new().unwrap_or_else(|error| fail(&error));
    let disk = SystemDisk::shared();
    let options = Options { reserve_bytes: 0, ..Options::default() };
    let writer = Writer::create(disk, folder.path(), Uuid::nil(), "bench", options);
    (folder, writer.unwrap_or_else(|error| fail(&error)))
}

fn fail(error: &dyn std::fmt::Display) -> ! {
    eprintln!("error: {error}");
    std::process::exit(1)
}

fn journal(criterion: &mut Criterion) {
    let records = records();
    let mut group = criterion.benchmark_group("journal");
    group.throughput(Throughput::Elements(RECORDS)).sample_size(20);
    group.bench_function("append, one write a record", |bencher| {
        let append = |(folder, mut writer): (TempDir, Writer)| {
            for (monotonic_ns, record) in &records {
                writer.append(*monotonic_ns, record).unwrap_or_else(|error| fail(&error));
            }
            (folder, writer)
        };
        bencher.iter_batched(begin, append, BatchSize::PerIteration);
    });
    group.bench_function("append, 100 records a write", |bencher| {
        let append = |(folder, mut writer): (TempDir, Writer)| {
            for batch in records.chunks(100) {
                writer.append_all(batch).unwrap_or_else(|error| fail(&error));
            }
            (folder, writer)
        };
        bencher.iter_batched(begin, append, BatchSize::PerIteration);
    });
    let (folder, mut writer) = begin();
    writer.append_all(&records).unwrap_or_else(|error| fail(&error));
    writer.finish().unwrap_or_else(|error| fail(&error));
    group.bench_function("read", |bencher| {
        bencher.iter(|| {
            let reader =
                Reader::open(SystemDisk::shared(), folder.path()).unwrap_or_else(|error| fail(&error));
            for stamped in reader {
                black_box(stamped.unwrap_or_else(|error| fail(&error)));
            }
        });
    });
    group.finish();
}

criterion_group!(benches, journal);
criterion_main!(benches);
