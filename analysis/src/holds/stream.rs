//! The finder over a channel's segments: when it begins anew and with which parameters.
//!
//! One place for the rule, so that the daemon (live and sealing) and everything that reads a recording agree: a
//! segment or a new zero begins a new finder (no hold crosses either), parameters are in force from the next sample.

use super::{Event, Finder, Parameters, Sample};

/// The finder of one channel, across segments.
#[derive(Debug)]
pub struct Stream {
    parameters: Parameters,
    interval_s: f64,
    finder: Option<Finder>,
}

impl Stream {
    /// A channel before its first segment.
    pub fn new(parameters: Parameters) -> Self {
        Stream { parameters, interval_s: 0.0, finder: None }
    }

    /// The parameters in force.
    pub fn parameters(&self) -> &Parameters {
        &self.parameters
    }

    /// A segment of this sample interval begins; an older one ends.
    pub fn begin(&mut self, interval_s: f64, out: &mut Vec<Event>) {
        self.end(out);
        self.interval_s = interval_s;
        self.finder = Some(Finder::new(interval_s, self.parameters.clone()));
    }

    /// The zero changed: force before and after are not on one level.
    pub fn zeroed(&mut self, out: &mut Vec<Event>) {
        if self.finder.is_some() {
            self.begin(self.interval_s, out);
        }
    }

    /// Parameters for what follows.
    pub fn set(&mut self, parameters: Parameters) {
        self.parameters = parameters.clone();
        if let Some(finder) = &mut self.finder {
            finder.set_parameters(parameters);
        }
    }

    /// Samples of the open segment.
    pub fn push(&mut self, samples: &[Sample], out: &mut Vec<Event>) {
        if let Some(finder) = &mut self.finder {
            finder.push(samples, out);
        }
    }

    /// The segment ends.
    pub fn end(&mut self, out: &mut Vec<Event>) {
        if let Some(mut finder) = self.finder.take() {
            finder.finish(out);
        }
    }
}
