//! The simulated sensor: hand, converter, faults, pseudo-terminal.
