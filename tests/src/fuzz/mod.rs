//! What is fed with anything: one function a target. In: bytes that a fuzzer makes up. Out: nothing, or a panic where a
//! promise is broken.
//!
//! The same functions run under the fuzzer (`tests/fuzz`, which needs a nightly compiler) and, over the committed corpus,
//! in the ordinary tests (`tests/tests/corpus.rs`, which does not).

mod journal;
mod recording;
mod text;
mod wire;

pub use journal::journal;
pub use recording::recording;
pub use text::{csv, kept, plan, set, table};
pub use wire::{board, frames, messages};

/// A target: takes any bytes.
pub type Target = fn(&[u8]);

/// All targets by name.
pub const TARGETS: [(&str, Target); 10] = [
    ("frames", frames),
    ("messages", messages),
    ("board", board),
    ("journal", journal),
    ("recording", recording),
    ("csv", csv),
    ("plan", plan),
    ("set", set),
    ("table", table),
    ("kept", kept),
];

/// Draws numbers and pieces from the bytes, in order; zeros when they are used up.
struct Draw<'a>(&'a [u8]);

impl<'a> Draw<'a> {
    fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    fn byte(&mut self) -> u8 {
        let Some((first, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        *first
    }

    fn number(&mut self, bytes: usize) -> u64 {
        (0..bytes).fold(0, |number, _| number << 8 | u64::from(self.byte()))
    }

    /// A piece whose length, up to 255, is drawn first.
    fn piece(&mut self) -> &'a [u8] {
        let length = usize::from(self.byte()).min(self.0.len());
        let (piece, rest) = self.0.split_at(length);
        self.0 = rest;
        piece
    }
}
