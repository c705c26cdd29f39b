//! The page in a real Chromium, over a real pseudo-terminal: a whole visit, warnings, strangers, many pages, how fast.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

mod browser;
mod clinic;
mod crowd;
mod strangers;
mod visit;
mod warnings;
