//! The latest force of every channel, and its peak: what the live line shows.

use crate::pipeline::Block;

/// A force older than this is no force, ns.
const STALE_NS: u64 = 300_000_000;

/// One channel.
#[derive(Debug, Clone)]
pub(super) struct Trace {
    sensor: usize,
    channel: usize,
    force_n: f64,
    /// Greatest force of the trial that is on, N.
    pub peak_n: f64,
    /// Greatest force so far, N: the bar's scale where nothing else sets one.
    pub most_n: f64,
    arrival_ns: u64,
}

impl Trace {
    /// Its force, where it is a present one, N.
    pub fn force_n(&self, now_ns: u64) -> Option<f64> {
        let fresh = now_ns.saturating_sub(self.arrival_ns) < STALE_NS && self.force_n.is_finite();
        fresh.then_some(self.force_n)
    }
}

/// All channels of all sensors, and the one that is measured.
#[derive(Debug)]
pub(super) struct Traces {
    all: Vec<Trace>,
    /// Sensor and channel, from 1.
    pub measured: (usize, usize),
}

impl Default for Traces {
    fn default() -> Self {
        Traces { all: Vec::new(), measured: (1, 1) }
    }
}

impl Traces {
    /// Takes samples.
    pub fn hear(&mut self, block: &Block) {
        let channels = block.counts.len() / block.samples.max(1) as usize;
        for channel in 1..=channels {
            let of = block.channel_force_n(channel);
            let trace = self.trace(block.sensor, channel);
            trace.force_n = of.last().map_or(trace.force_n, |force| f64::from(*force));
            trace.peak_n = of.iter().fold(trace.peak_n, |peak, force| peak.max(f64::from(*force)));
            trace.most_n = trace.most_n.max(trace.peak_n);
            trace.arrival_ns = block.arrival_ns;
        }
    }

    fn trace(&mut self, sensor: usize, channel: usize) -> &mut Trace {
        let at = self.all.partition_point(|it| (it.sensor, it.channel) < (sensor, channel));
        if self.all.get(at).is_none_or(|it| (it.sensor, it.channel) != (sensor, channel)) {
            let (force_n, peak_n, most_n, arrival_ns) = (f64::NAN, 0.0, 0.0, 0);
            self.all.insert(at, Trace { sensor, channel, force_n, peak_n, most_n, arrival_ns });
        }
        &mut self.all[at]
    }

    /// A trial begins.
    pub fn begin_trial(&mut self) {
        self.all.iter_mut().for_each(|trace| trace.peak_n = 0.0);
    }

    /// There is more than one.
    pub fn several(&self) -> bool {
        self.all.len() > 1
    }

    /// The one that is measured.
    pub fn measured(&self) -> Option<&Trace> {
        self.all.iter().find(|it| (it.sensor, it.channel) == self.measured)
    }

    /// The others, as `1: 12.30 N`, or `2.3: – N` with the channel where the sensor has several.
    pub fn others(&self, now_ns: u64) -> String {
        let name = |it: &Trace| {
            let alone = self.all.iter().filter(|other| other.sensor == it.sensor).count() < 2;
            if alone { it.sensor.to_string() } else { format!("{}.{}", it.sensor, it.channel) }
        };
        let others = self.all.iter().filter(|it| (it.sensor, it.channel) != self.measured);
        let told = others.map(|it| match it.force_n(now_ns) {
            Some(force_n) => format!("  {}: {force_n:.2} N", name(it)),
            None => format!("  {}: –", name(it)),
        });
        told.collect()
    }
}
