//! Shared between the whole-program tests: where the binaries are, how to run them.
