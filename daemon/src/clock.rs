//! Time: the only module that reads a clock.
