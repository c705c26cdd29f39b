//! Samples a second: writing a recording whole (compressed, digest, synced, read back and verified), reading it block by
//! block, verifying it, and reading a CSV trace. `cargo bench -p analysis --bench recording`.
#![allow(clippy::unwrap_used, missing_docs)] // a benchmark that fails ends
#[path = "../tests/sample/mod.rs"]
mod sample;

use analysis::recording::read::Recording;
use analysis::recording::write::{SensorTables, Tables, Writer};
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use std::fmt::Write;
use std::hint::black_box;
use std::path::Path;

const SAMPLES: usize = 1_000_000;

fn write(path: &Path, owned: &sample::Owned, channels: usize) {
    // A recording is never written over another.
    let _ = std::fs::remove_file(path);
    let mut writer = Writer::create(path, &sample::root()).unwrap();
    writer.add_sensor(&sample::sensor(channels, SAMPLES)).unwrap();
    for from in (0..SAMPLES).step_by(1000) {
        writer.append(1, owned.part(channels, from, from + 1000)).unwrap();
    }
    let tables = Tables { sensors: vec![SensorTables::default()], ..Tables::default() };
    writer.finish(&tables).unwrap();
}

fn recordings(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().unwrap();
    for channels in [1, 8] {
        let owned = sample::samples(channels, SAMPLES);
        let path = folder.path().join(format!("{channels}.h5"));
        write(&path, &owned, channels);
        let bytes = std::fs::metadata(&path).unwrap().len();
        println!("{channels} channels: {:.2} bytes a sample", bytes as f64 / (SAMPLES * channels) as f64);

        let mut group = criterion.benchmark_group(format!("{channels} channels"));
        group.throughput(Throughput::Elements((SAMPLES * channels) as u64)).sample_size(10);
        group.bench_function("write and verify", |bencher| bencher.iter(|| write(&path, &owned, channels)));
        let recording = Recording::open(&path).unwrap();
        group.bench_function("verify", |bencher| bencher.iter(|| recording.verify().unwrap()));
        group.bench_function("read", |bencher| {
            bencher.iter(|| recording.blocks(1).unwrap().for_each(|block| drop(black_box(block.unwrap()))));
        });
    }
}

fn traces(criterion: &mut Criterion) {
    let owned = sample::samples(1, SAMPLES);
    let mut text = "time_s,force_n\n".to_owned();
    for (time_s, force_n) in owned.time_s.iter().zip(&owned.force_n) {
        writeln!(text, "{time_s:.9},{force_n:.6}").unwrap();
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("trace.csv");
    std::fs::write(&path, text).unwrap();
    let mut group = criterion.benchmark_group("trace");
    group.throughput(Throughput::Elements(SAMPLES as u64)).sample_size(10);
    group.bench_function("read CSV", |bencher| {
        bencher.iter(|| analysis::trace::read_csv(black_box(&path)).unwrap());
    });
}

criterion_group!(benches, recordings, traces);
criterion_main!(benches);
