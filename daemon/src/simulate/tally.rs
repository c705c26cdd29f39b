//! What really happened: the truth that a recording is compared with.
//!
//! In: every sample and every frame's end, as the simulated sensor knows them. Out: a [`Stream`] of counters for each
//! start of streaming. Every sample is counted where it ended up, independently of how many were produced, so that
//! [`Stream::is_balanced`] is a check and not a definition.

use serde::Serialize;

/// The samples of one stream: from one start to the stop, the reset or the end.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Stream {
    /// The board's boot.
    pub boot_id: u32,
    /// Host's monotonic clock when it began, ns: its first sample comes an interval later.
    pub began_ns: u64,
    /// Samples converted.
    pub produced_samples: u64,
    /// Samples in frames that reached the reader whole, each counted once.
    pub delivered_samples: u64,
    /// Samples that the board dropped because the reader was too slow.
    pub device_dropped_samples: u64,
    /// Samples in frames that vanished on the line.
    pub lost_samples: u64,
    /// Samples in frames that were damaged on the line.
    pub damaged_samples: u64,
    /// Samples in frames that were sent while the cable was out.
    pub unplugged_samples: u64,
    /// Samples in frames that were on their way when the board was reset, the cable pulled or the simulation ended.
    pub cut_samples: u64,
    /// Samples that had not left the board when it was reset or the simulation ended.
    pub left_samples: u64,
    /// Samples in frames that were sent twice. They are counted above as well.
    pub duplicated_samples: u64,
    /// Samples before the end of the last message that reached the reader: all that a host can know to exist.
    pub known_samples: u64,
}

impl Stream {
    /// Every sample that was produced is accounted for, exactly once.
    #[must_use]
    pub fn is_balanced(&self) -> bool {
        let lost = self.lost_samples + self.damaged_samples + self.unplugged_samples + self.cut_samples;
        self.produced_samples
            == self.delivered_samples + self.device_dropped_samples + lost + self.left_samples
    }

    /// Samples in frames that the board gave to the line.
    fn handed_over(&self) -> u64 {
        self.delivered_samples
            + self.lost_samples
            + self.damaged_samples
            + self.unplugged_samples
            + self.cut_samples
    }
}

/// Frames of all kinds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Frames {
    /// Given to the line by the board.
    pub sent: u64,
    /// Vanished on the line.
    pub dropped: u64,
    /// Damaged on the line: copies that cannot be read.
    pub damaged: u64,
    /// Came twice.
    pub duplicated: u64,
    /// Sent while the cable was out.
    pub unplugged: u64,
}

/// Messages from the host.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Heard {
    /// Who are you?
    pub identify: u64,
    /// Begin.
    pub start: u64,
    /// End.
    pub stop: u64,
    /// Measure at this interval.
    pub set_interval: u64,
    /// What time is it?
    pub ping: u64,
    /// What could not be read.
    pub unreadable: u64,
}

/// All counters.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Tally {
    /// One for each start.
    pub streams: Vec<Stream>,
    /// All frames.
    pub frames: Frames,
    /// All messages from the host.
    pub heard: Heard,
}

/// What a frame carries, as far as counting goes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Cargo {
    /// How many samples.
    pub samples: u64,
    /// From it a host knows of all samples before this one.
    pub tells_of: u64,
}

impl Tally {
    /// A stream begins.
    pub fn begin(&mut self, boot_id: u32, began_ns: u64) {
        self.streams.push(Stream { boot_id, began_ns, ..Stream::default() });
    }

    /// The number of the stream that is on, or was last.
    #[must_use]
    pub fn current(&self) -> Option<usize> {
        self.streams.len().checked_sub(1)
    }

    /// What the board says of the current stream.
    pub fn board_says(&mut self, produced: u64, dropped: u64) {
        if let Some(stream) = self.streams.last_mut() {
            stream.produced_samples = produced;
            stream.device_dropped_samples = dropped;
        }
    }

    /// The board is gone: what it had not handed over is left in it. Frames that are still on their way count as
    /// handed over: `on_the_way` samples.
    pub fn board_gone(&mut self, on_the_way: u64) {
        if let Some(stream) = self.streams.last_mut() {
            let out = stream.handed_over() + stream.device_dropped_samples + on_the_way;
            stream.left_samples = stream.produced_samples.saturating_sub(out);
        }
    }

    /// A frame's cargo reached the reader.
    pub fn delivered(&mut self, stream: Option<usize>, cargo: Cargo) {
        if let Some(stream) = self.stream(stream) {
            stream.delivered_samples += cargo.samples;
            stream.known_samples = stream.known_samples.max(cargo.tells_of);
        }
    }

    /// Counts a frame's cargo in the counter that `pick` picks.
    pub fn count(&mut self, stream: Option<usize>, cargo: Cargo, pick: impl Fn(&mut Stream) -> &mut u64) {
        if let Some(stream) = self.stream(stream) {
            *pick(stream) += cargo.samples;
        }
    }

    fn stream(&mut self, number: Option<usize>) -> Option<&mut Stream> {
        self.streams.get_mut(number?)
    }
}
