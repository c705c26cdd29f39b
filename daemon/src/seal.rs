//! Sealing: journal to recording.
