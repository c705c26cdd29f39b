//! Acquires finger force from a serial sensor: port → journal → decode → device time → force → holds → visit.
//!
//! The core ([`core`]: [`pipeline`] and [`visit`]) is pure: plain values with `step(input) -> output`. Ports, files and timers live
//! in the shell ([`port`], [`journal`], [`clock`], [`command`]) behind small seams.

pub mod check;
pub mod clock;
pub mod command;
pub mod core;
pub mod corrections;
pub mod data_folder;
pub mod erase;
pub mod files;
pub mod guide;
pub mod health;
pub mod instruments;
pub mod journal;
pub mod losses;
pub mod participant;
pub mod pipeline;
pub mod port;
pub mod practice;
pub mod recorder;
pub mod recover;
pub mod resume;
pub mod seal;
pub mod sensors;
pub mod server;
pub mod session;
pub mod settings;
pub mod shell;
pub mod simulate;
pub mod stderr;
pub mod terminal;
pub mod tidy;
pub mod typing;
pub mod visit;
pub mod visits;
