//! The line from the board to the reader: a bounded buffer, with faults, and with a ledger of what is on its way.
//!
//! In: frames from the board, each with its fate. Out: bytes for the port. The [`Tally`] hears of every frame what
//! became of it, at the latest when the line is closed: a frame counts as delivered only when the reader surely has it.

use super::faults::Fate;
use super::tally::{Cargo, Stream, Tally};
use firmware_protocol::frame::DELIMITER;
use std::collections::VecDeque;

/// No port holds more than this for its reader: what was sent longer ago has been read.
const PORT_HOLDS_BYTES: u64 = 64 * 1024;

/// A frame from the board.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    /// Its bytes, delimiter included.
    pub bytes: &'a [u8],
    /// The stream it belongs to.
    pub stream: Option<usize>,
    /// What it carries.
    pub cargo: Cargo,
}

/// A whole frame that is on its way.
#[derive(Debug, Clone, Copy)]
struct Entry {
    /// Bytes sent up to and including its delimiter.
    end: u64,
    stream: Option<usize>,
    cargo: Cargo,
}

/// The line.
#[derive(Debug)]
pub struct Line {
    capacity: usize,
    bytes: VecDeque<u8>,
    /// Bytes that ever went into the buffer, or out of it to the port.
    put: u64,
    taken: u64,
    ledger: VecDeque<Entry>,
    /// The last byte put is no delimiter: what comes next is read as its continuation.
    open: bool,
    /// The last byte that the port took is no delimiter.
    taken_open: bool,
}

impl Line {
    /// An empty line that buffers `capacity` bytes.
    #[must_use]
    pub fn new(capacity: usize) -> Self {
        Line {
            capacity,
            bytes: VecDeque::new(),
            put: 0,
            taken: 0,
            ledger: VecDeque::new(),
            open: false,
            taken_open: false,
        }
    }

    /// Whether a frame of `length` bytes fits, even if it comes twice.
    #[must_use]
    pub fn has_room(&self, length: usize) -> bool {
        self.bytes.len() + 2 * length <= self.capacity
    }

    /// Puts a frame on the line; `fate` is what happens to it there.
    pub fn put(&mut self, frame: Frame<'_>, fate: Fate, tally: &mut Tally) {
        tally.frames.sent += 1;
        if fate.dropped {
            tally.frames.dropped += 1;
            return tally.count(frame.stream, frame.cargo, |stream| &mut stream.lost_samples);
        }
        let mut arrives = self.put_copy(frame, fate.flipped, true, tally);
        if fate.duplicated {
            tally.frames.duplicated += 1;
            tally.count(frame.stream, frame.cargo, |stream| &mut stream.duplicated_samples);
            arrives |= self.put_copy(frame, None, !arrives, tally);
        }
        if !arrives {
            tally.count(frame.stream, frame.cargo, |stream| &mut stream.damaged_samples);
        }
    }

    /// Puts bytes that are no frame.
    pub fn put_noise(&mut self, bytes: impl Iterator<Item = u8>) {
        let room = self.capacity.saturating_sub(self.bytes.len());
        self.append(bytes.take(room));
    }

    /// The next bytes for the port, and whether there are none.
    #[must_use]
    pub fn rest(&self) -> &[u8] {
        self.bytes.as_slices().0
    }

    /// Nothing waits for the port.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.bytes.is_empty()
    }

    /// The port took `count` of those bytes.
    pub fn take(&mut self, count: usize, tally: &mut Tally) {
        let count = count.min(self.bytes.len());
        if let Some(last) = self.bytes.drain(..count).next_back() {
            self.taken_open = last != DELIMITER;
        }
        self.taken += count as u64;
        self.deliver_up_to(self.taken.saturating_sub(PORT_HOLDS_BYTES), tally);
    }

    /// The reader has read all that the port took.
    pub fn settle(&mut self, tally: &mut Tally) {
        self.deliver_up_to(self.taken, tally);
    }

    /// The board was reset: what the port had not taken yet never comes. A frame that lacked only its delimiter is
    /// whole all the same, because a board begins with one.
    pub fn cut_by_reset(&mut self, tally: &mut Tally) {
        self.cut(self.taken + 1, tally);
        self.open = self.taken_open;
    }

    /// The port was closed; its reader will never see the last `unread` bytes that it took.
    pub fn close(&mut self, unread: u64, tally: &mut Tally) {
        let read = self.taken.saturating_sub(unread);
        self.cut(read, tally);
        self.deliver_up_to(read, tally);
        (self.open, self.taken_open) = (false, false);
    }

    /// Samples in whole frames that are on their way.
    #[must_use]
    pub fn samples_on_the_way(&self) -> u64 {
        self.ledger.iter().map(|entry| entry.cargo.samples).sum()
    }

    /// Puts one copy of a frame; says whether it can be read. It `counts` where no copy before it could be.
    fn put_copy(
        &mut self,
        frame: Frame<'_>,
        flipped: Option<(usize, u8)>,
        counts: bool,
        tally: &mut Tally,
    ) -> bool {
        let begins_anew = !self.open || frame.bytes.first() == Some(&DELIMITER);
        let place = |(index, byte): (usize, &u8)| match flipped {
            Some((at, pattern)) if at == index => byte ^ pattern,
            _ => *byte,
        };
        self.append(frame.bytes.iter().enumerate().map(place));
        let whole = begins_anew && flipped.is_none();
        if !whole {
            tally.frames.damaged += 1;
        } else if counts {
            self.ledger.push_back(Entry { end: self.put, stream: frame.stream, cargo: frame.cargo });
        }
        whole
    }

    fn append(&mut self, bytes: impl Iterator<Item = u8>) {
        let before = self.bytes.len();
        self.bytes.extend(bytes);
        self.put += (self.bytes.len() - before) as u64;
        if let Some(last) = self.bytes.back() {
            self.open = *last != DELIMITER;
        }
    }

    fn deliver_up_to(&mut self, end: u64, tally: &mut Tally) {
        while let Some(entry) = self.ledger.pop_front_if(|entry| entry.end <= end) {
            tally.delivered(entry.stream, entry.cargo);
        }
    }

    /// Nothing beyond `end` arrives.
    fn cut(&mut self, end: u64, tally: &mut Tally) {
        self.bytes.clear();
        self.put = self.taken;
        while let Some(entry) = self.ledger.pop_back_if(|entry| entry.end > end) {
            tally.count(entry.stream, entry.cargo, |stream: &mut Stream| &mut stream.cut_samples);
        }
        // A frame whose delimiter never came out is complete now.
        if let Some(last) = self.ledger.back_mut() {
            last.end = last.end.min(self.taken);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::faults::{Dice, Faults};
    use super::*;
    use firmware_protocol::frame::{self, Accumulator};
    use proptest::prelude::*;

    /// A frame whose body says which it is; it carries `number` samples.
    fn encoded(number: u8) -> Vec<u8> {
        let mut out = vec![0; 600];
        // Zeros in it, so that stuffing matters; long enough for several blocks.
        let body = [vec![0x02, number, 0, 0], vec![number; usize::from(number) * 2]].concat();
        let length = frame::encode(&body, &mut out).unwrap();
        out.truncate(length);
        out
    }

    fn put(line: &mut Line, number: u8, fate: Fate, tally: &mut Tally) {
        let cargo = Cargo { samples: u64::from(number), tells_of: u64::from(number) };
        let bytes = encoded(number);
        line.put(Frame { bytes: &bytes, stream: Some(0), cargo }, fate, tally);
    }

    /// The numbers of the frames that a reader makes out.
    fn read(accumulator: &mut Accumulator, mut bytes: &[u8]) -> Vec<u8> {
        let mut numbers = Vec::new();
        while let Some(frame) = accumulator.push(&mut bytes) {
            numbers.extend(frame.ok().map(|body| body[1]));
        }
        numbers
    }

    fn started() -> Tally {
        let mut tally = Tally::default();
        tally.begin(1, 0);
        tally
    }

    fn take_all(line: &mut Line, tally: &mut Tally) -> Vec<u8> {
        let mut bytes = Vec::new();
        while !line.is_empty() {
            bytes.extend(line.rest());
            line.take(line.rest().len(), tally);
        }
        bytes
    }

    #[test]
    fn a_changed_delimiter_takes_the_next_frame_with_it() {
        let (mut line, mut tally) = (Line::new(4_096), started());
        let end = encoded(1).len() - 1;
        put(&mut line, 1, Fate { flipped: Some((end, 0x40)), ..Fate::default() }, &mut tally);
        put(&mut line, 2, Fate::default(), &mut tally);
        put(&mut line, 3, Fate::default(), &mut tally);
        let bytes = take_all(&mut line, &mut tally);
        line.settle(&mut tally);
        assert_eq!(read(&mut Accumulator::new(), &bytes), [3]);
        assert_eq!(
            (tally.streams[0].delivered_samples, tally.streams[0].damaged_samples, tally.frames.damaged),
            (3, 3, 2)
        );
    }

    #[test]
    fn a_second_copy_saves_a_damaged_first_one_and_counts_once() {
        let (mut line, mut tally) = (Line::new(4_096), started());
        put(&mut line, 5, Fate { flipped: Some((3, 1)), duplicated: true, ..Fate::default() }, &mut tally);
        put(&mut line, 6, Fate { duplicated: true, ..Fate::default() }, &mut tally);
        let bytes = take_all(&mut line, &mut tally);
        line.settle(&mut tally);
        assert_eq!(read(&mut Accumulator::new(), &bytes), [5, 6, 6]);
        assert_eq!((tally.streams[0].delivered_samples, tally.streams[0].damaged_samples), (11, 0));
    }

    #[test]
    fn a_reset_loses_what_had_not_left_but_not_for_want_of_a_delimiter() {
        for (short_by, delivered, cut) in [(0, 7, 0), (1, 7, 0), (2, 0, 7)] {
            let (mut line, mut tally) = (Line::new(4_096), started());
            put(&mut line, 7, Fate::default(), &mut tally);
            let mut bytes = line.rest()[..encoded(7).len() - short_by].to_vec();
            line.take(bytes.len(), &mut tally);
            line.cut_by_reset(&mut tally);
            // A board that has just booted sends a delimiter first.
            let identity = [&[DELIMITER], encoded(9).as_slice()].concat();
            let frame = Frame { bytes: &identity, stream: None, cargo: Cargo::default() };
            line.put(frame, Fate::default(), &mut tally);
            bytes.extend(take_all(&mut line, &mut tally));
            line.settle(&mut tally);
            let read = read(&mut Accumulator::new(), &bytes);
            assert_eq!(read, if cut == 0 { vec![7, 9] } else { vec![9] }, "short by {short_by}");
            assert_eq!((tally.streams[0].delivered_samples, tally.streams[0].cut_samples), (delivered, cut));
        }
    }

    proptest! {
        /// Whatever the faults, wherever the line is closed: the tally says exactly what a reader makes out.
        #[test]
        fn the_tally_is_what_a_reader_sees(
            seed in any::<u64>(),
            rates in prop::array::uniform3(0.0_f64..0.6),
            frames in 1_u8..60,
            port_takes in 1_usize..400,
            unread in 0_usize..900,
        ) {
            let faults = Faults { drop: rates[0], flip: rates[1], duplicate: rates[2], ..Faults::default() };
            let mut dice = Dice::new(&faults, seed);
            let (mut line, mut tally) = (Line::new(100_000), started());
            let mut port = Vec::new();
            for number in 1..=frames {
                let fate = dice.throw(encoded(number).len());
                put(&mut line, number, fate, &mut tally);
                let count = port_takes.min(line.rest().len());
                port.extend(&line.rest()[..count]);
                line.take(count, &mut tally);
            }
            let unread = unread.min(port.len());
            line.close(unread as u64, &mut tally);
            port.truncate(port.len() - unread);
            let mut seen = read(&mut Accumulator::new(), &port);
            seen.dedup(); // copies follow each other
            let delivered: u64 = seen.iter().map(|number| u64::from(*number)).sum();
            let stream = &tally.streams[0];
            prop_assert_eq!(stream.delivered_samples, delivered);
            let sent: u64 = (1..=u64::from(frames)).sum();
            prop_assert_eq!(stream.delivered_samples + stream.lost_samples + stream.damaged_samples + stream.cut_samples, sent);
            prop_assert_eq!(stream.known_samples, u64::from(seen.iter().copied().max().unwrap_or(0)));
            prop_assert_eq!(tally.frames.sent, u64::from(frames));
        }
    }
}
