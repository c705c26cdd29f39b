//! The commands of `fingerforce`, a file each: every one has its `Args` and a `run`.

pub mod compare;
pub mod export;
pub mod holds;
pub mod info;
pub mod plot;
pub mod reliability;
pub mod report;
pub mod sensor;
pub mod study;
pub mod summary;
mod verify;
