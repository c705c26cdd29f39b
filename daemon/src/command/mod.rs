//! The commands of `fingerforced`, a file each: every one has its `Args` and a `run`.

pub mod demo;
pub mod ports;
pub mod record;
pub mod recover;
pub mod simulate;
