//! Finds the holds of a long even trace, block by block, in bounded memory.
//!
//! Comes in: forces, N. Goes out: holds, in order. One finder goes through the trace; what it finds is measured on other
//! threads, in the same way and with the same bits as anywhere else.

use super::pull::Job;
use super::{Finder, Hold, Parameters, precise};
use std::collections::BTreeMap;
use std::io;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::{self, JoinHandle};

/// Samples given to the finder at a time.
const BLOCK: usize = 4096;
/// Pulls that wait to be measured, at most.
const WAITING: usize = 16;
/// Threads that measure, at most.
const THREADS: usize = 16;

type Measured = BTreeMap<usize, Hold>;

/// A scan of a trace.
#[derive(Debug)]
pub struct Scan {
    finder: Finder,
    interval_s: f64,
    index: u64,
    found: usize,
    jobs: SyncSender<(usize, Job)>,
    threads: Vec<JoinHandle<Measured>>,
}

impl Scan {
    /// A scan of a trace whose samples are `interval_s` apart, the first at time 0. The error is that no thread can be
    /// started.
    pub fn new(interval_s: f64, parameters: Parameters) -> io::Result<Scan> {
        let mut finder = Finder::new(interval_s, parameters);
        finder.put_off();
        let (jobs, waiting) = sync_channel(WAITING);
        let waiting = Arc::new(Mutex::new(waiting));
        let count = thread::available_parallelism().map_or(1, usize::from).min(THREADS);
        let threads = (0..count).map(|k| {
            let waiting = Arc::clone(&waiting);
            thread::Builder::new().name(format!("measure-{k}")).spawn(move || measure(&waiting))
        });
        let threads = threads.collect::<io::Result<Vec<_>>>()?;
        Ok(Scan { finder, interval_s, index: 0, found: 0, jobs, threads })
    }

    /// Takes the next forces, N.
    pub fn push(&mut self, force_n: &[f64]) {
        // Of other events than the end of a hold there is nobody to tell.
        let mut unheard = Vec::new();
        for block in force_n.chunks(BLOCK) {
            self.finder.push_even(self.index, self.interval_s, block, &mut unheard);
            self.index += block.len() as u64;
            unheard.clear();
            self.send();
        }
    }

    fn send(&mut self) {
        for job in self.finder.take_jobs() {
            // The receiver lives until all threads are gone; why they would be, `finish` says.
            let _ = self.jobs.send((self.found, job));
            self.found += 1;
        }
    }

    /// The trace has ended: all its holds.
    pub fn finish(mut self) -> Vec<Hold> {
        self.finder.finish(&mut Vec::new());
        self.send();
        drop(self.jobs);
        let mut all = Measured::new();
        for thread in self.threads {
            match thread.join() {
                Ok(measured) => all.extend(measured),
                Err(panic) => std::panic::resume_unwind(panic),
            }
        }
        all.into_values().collect()
    }
}

/// Measures what waits until nothing more will come.
fn measure(waiting: &Mutex<Receiver<(usize, Job)>>) -> Measured {
    let mut measured = Measured::new();
    loop {
        let next = waiting.lock().unwrap_or_else(PoisonError::into_inner).recv();
        let Ok((number, job)) = next else { return measured };
        measured.insert(number, precise::measure(&job));
    }
}
