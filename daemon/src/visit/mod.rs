//! The visit: plan and engine.
