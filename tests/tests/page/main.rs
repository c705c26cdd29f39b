//! The page in a real Chromium, over a real pseudo-terminal: a whole visit, warnings, strangers, many pages, how fast.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

mod bench;
mod blinded;
mod browser;
mod crowd;
mod earlier;
mod several;
mod strangers;
mod touch;
mod visit;
mod warnings;

use tests::clinic;
