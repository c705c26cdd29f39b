//! The journal against the simplest thing that does the same: a map from numbers to records.
//!
//! Any order of appends, syncs, kills, power losses and faults. After each crash the journal holds what the model says it
//! must (all that was appended after a kill, all that was synced after a power loss), nothing that was never appended, and
//! says which numbers are missing.

use super::*;
use crate::journal::JournalError;
use crate::journal::simulated_disk::Fail;
use proptest::prelude::*;
use read::Damage;
use std::collections::BTreeMap;

#[derive(Debug, Clone)]
enum Step {
    Append(usize),
    Sync,
    /// The call that comes so many calls later fails.
    FailLater(u64),
    Kill,
    LosePower,
}

fn any_step() -> impl Strategy<Value = Step> {
    prop_oneof![
        8 => (1_usize..8).prop_map(Step::Append),
        3 => Just(Step::Sync),
        3 => (0_u64..6).prop_map(Step::FailLater),
        1 => Just(Step::Kill),
        1 => Just(Step::LosePower),
    ]
}

struct Model {
    disk: SimulatedDisk,
    segment_bytes: u64,
    writer: Option<Writer>,
    appended: BTreeMap<u64, Stamped>,
    /// Records whose append failed after which the journal took no more: nobody knows.
    doubtful: BTreeMap<u64, Stamped>,
    made: u64,
}

impl Model {
    fn step(&mut self, step: &Step) {
        match step {
            Step::Append(records) => self.append(*records),
            Step::Sync => drop(self.writer.as_ref().map(Writer::sync_now)),
            Step::FailLater(calls) => self.disk.fail(Some(Fail::Only(*calls))),
            Step::Kill => self.crash(false),
            Step::LosePower => self.crash(true),
        }
    }

    fn append(&mut self, records: usize) {
        let Some(writer) = &mut self.writer else { return };
        let batch: Vec<_> = (self.made..self.made + records as u64)
            .map(|made| {
                (made, Record::Bytes { port: 0, bytes: made.to_le_bytes().repeat(1 + made as usize % 9) })
            })
            .collect();
        self.made += records as u64;
        let first = writer.next_number();
        let stamped = batch.iter().zip(first..).map(|((monotonic_ns, record), number)| {
            (number, Stamped { number, monotonic_ns: *monotonic_ns, record: record.clone() })
        });
        match writer.append_all(&batch) {
            Ok(numbers) => {
                assert_eq!(numbers, first..first + records as u64);
                self.appended.extend(stamped);
            }
            Err(JournalError::Broken { .. }) => {}
            // One call failed, so that the next goes through, unless the journal knows that it must not.
            Err(_) => match writer.append(0, &Record::Tick) {
                Ok(number) => {
                    self.appended.insert(number, Stamped { number, monotonic_ns: 0, record: Record::Tick });
                }
                Err(_) => self.doubtful.extend(stamped),
            },
        }
    }

    fn crash(&mut self, power: bool) {
        let Some(writer) = self.writer.take() else { return };
        let synced = writer.synced_number();
        drop(writer);
        self.disk.fail(None);
        if power {
            self.disk.lose_power();
        } else {
            self.disk.kill_process();
        }
        self.check(if power { synced } else { self.appended.keys().last().copied() });
        // Numbers go on after what is there; what is gone is gone.
        let writer = Writer::resume(self.disk.shared(), folder(), "x", options(self.segment_bytes)).unwrap();
        assert_eq!(writer.synced_number(), self.appended.keys().last().copied());
        self.writer = Some(writer);
    }

    /// All up to this number must be there, and nothing that was not appended.
    fn check(&mut self, up_to: Option<u64>) {
        let (records, damage) = read_all(&self.disk);
        let there: BTreeMap<_, _> = records.iter().map(|record| (record.number, record.clone())).collect();
        assert!(records.is_sorted_by_key(|record| record.number) && there.len() == records.len());
        for (number, record) in &self.appended {
            let must = up_to.is_some_and(|up_to| *number <= up_to);
            assert!(!must || there.get(number) == Some(record), "record {number} is missing: {damage:?}");
        }
        for (number, record) in &there {
            let known = [self.appended.get(number), self.doubtful.get(number)];
            assert!(known.contains(&Some(record)), "record {number} was never appended: {damage:?}");
        }
        let lost = damage.iter().map(|damage| match damage {
            Damage::Lost { first_number, last_number } => last_number + 1 - first_number,
            Damage::Conflict { number } => panic!("two records with number {number}"),
            _ => 0,
        });
        let missing = records.last().map_or(0, |last| last.number + 1) - records.len() as u64;
        assert_eq!(lost.sum::<u64>(), missing, "{damage:?}");
        self.appended = there;
        self.doubtful.clear();
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, ..ProptestConfig::default() })]

    #[test]
    fn it_does_what_a_map_does(
        seed: u64,
        segment_bytes in 100_u64..3000,
        short_writes: bool,
        steps in proptest::collection::vec(any_step(), 1..60),
    ) {
        let disk = SimulatedDisk::new(seed);
        disk.set_short_writes(short_writes);
        let writer = Some(create(&disk, segment_bytes));
        let (appended, doubtful) = (BTreeMap::new(), BTreeMap::new());
        let mut model = Model { disk, segment_bytes, writer, appended, doubtful, made: 0 };
        steps.iter().for_each(|step| model.step(step));
        model.crash(false);
        let synced = model.writer.take().map(Writer::finish);
        prop_assert!(matches!(synced, Some(Ok(()))));
        model.disk.lose_power();
        let last = model.appended.keys().last().copied();
        model.check(last);
    }
}
