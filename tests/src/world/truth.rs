//! What the sensor really sent: every sample of every stream, as the board converted it.

use daemon::simulate::sensor::Sensor;
use std::collections::BTreeMap;

/// One stream of a board: from a start to a stop, a reset or the end.
#[derive(Debug, Clone, Default)]
pub struct Stream {
    /// The board's boot.
    pub boot_id: u32,
    /// Counts, sample-major.
    pub counts: Vec<i32>,
}

/// All streams that the sensor sent.
#[derive(Debug, Clone, Default)]
pub struct Truth {
    /// Channels of a sample.
    pub channels: usize,
    /// The streams, in order.
    pub streams: Vec<Stream>,
    /// The first so many of them were for somebody else.
    pub for_others: usize,
}

impl Truth {
    /// Nothing yet.
    pub fn new(channels: u8) -> Self {
        Truth { channels: usize::from(channels), streams: Vec::new(), for_others: 0 }
    }

    /// What several sensors sent, as one: their boots are their own.
    pub fn of_all(truths: &[Truth]) -> Truth {
        let mut all = truths.first().cloned().unwrap_or_default();
        all.streams.extend(truths.iter().skip(1).flat_map(|truth| truth.streams.iter().cloned()));
        all
    }

    /// Takes what the sensor has produced since the last call.
    pub fn note(&mut self, sensor: &mut Sensor) {
        for counted in sensor.take_counts() {
            while self.streams.len() <= counted.stream {
                self.streams.push(Stream::default());
            }
            if let Some(stream) = self.streams.get_mut(counted.stream) {
                stream.boot_id = sensor.tally().streams.get(counted.stream).map_or(0, |told| told.boot_id);
                stream.counts.extend(counted.counts.iter().take(self.channels));
            }
        }
    }

    /// The stream of each boot that a host sees: the last one, because a host that begins stops what is on first.
    pub fn by_boot(&self) -> BTreeMap<u32, &Stream> {
        self.streams
            .iter()
            .skip(self.for_others)
            .filter(|stream| !stream.counts.is_empty())
            .map(|stream| (stream.boot_id, stream))
            .collect()
    }

    /// Samples of a stream.
    pub fn samples(&self, stream: &Stream) -> u64 {
        (stream.counts.len() / self.channels.max(1)) as u64
    }
}
