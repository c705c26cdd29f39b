//! The visit: what is to be tested (plan) and where it is (engine). Pure.

pub mod engine;
pub mod plan;
