//! The simulated sensor: a hand model or a trace, a converter, the board's own firmware logic, a line with faults.
//!
//! In: a script, orders or a trace, a fault plan, a seed. Out: the bytes of a sensor, in memory ([`sensor::Sensor`], pure) or
//! on a pseudo-terminal in real time ([`run::Simulation`]), and at the end the truth about every sample.

pub mod converter;
pub mod effort;
pub mod faults;
pub mod hand;
pub mod led;
pub mod line;
pub mod pty;
pub mod random;
pub mod report;
pub mod run;
pub mod sensor;
pub mod source;
pub mod tally;

#[cfg(test)]
mod test_host;
