//! The finder as the daemon runs it: samples as they come, piece by piece.

use analysis::holds::{Event, Finder, Hold, Kind, Parameters, Sample};

/// Samples given to the finder at a time last this long, s.
const PIECE_S: f64 = 0.005;

/// What is to be searched.
#[derive(Debug, Clone, Copy)]
pub struct Job<'a> {
    /// The samples.
    pub samples: &'a [Sample],
    /// Their spacing, s.
    pub interval_s: f64,
    /// The finder's parameters.
    pub parameters: &'a Parameters,
}

/// What was found.
#[derive(Debug, Clone, Default)]
pub struct Found {
    /// Holds, without touches.
    pub holds: Vec<Hold>,
    /// Times at which pulls were confirmed, s.
    pub confirmed_s: Vec<f64>,
}

/// A finder.
pub type Find<'a> = dyn Fn(&Job) -> Found + Sync + 'a;

/// The library's finder.
pub fn library(job: &Job) -> Found {
    let mut finder = Finder::new(job.interval_s, job.parameters.clone());
    let (mut events, mut found) = (Vec::new(), Found::default());
    let piece = (libm::round(PIECE_S / job.interval_s) as usize).max(1);
    for samples in job.samples.chunks(piece) {
        finder.push(samples, &mut events);
        let now_s = samples.last().map_or(0.0, |sample| sample.time_s);
        found.take(&mut events, now_s);
    }
    finder.finish(&mut events);
    found.take(&mut events, f64::INFINITY);
    found
}

impl Found {
    fn take(&mut self, events: &mut Vec<Event>, now_s: f64) {
        for event in events.drain(..) {
            match event {
                Event::Confirmed { .. } => self.confirmed_s.push(now_s),
                Event::Ended(hold) if hold.kind == Kind::Hold => self.holds.push(*hold),
                _ => {}
            }
        }
    }
}
