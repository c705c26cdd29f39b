//! The pure pipeline: decode, device time, force, holds.
