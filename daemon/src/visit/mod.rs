//! The visit, pure: what is planned ([`plan`]), what is allowed ([`gate`], [`cap`]), when a hand is ready ([`contact`]), what
//! comes next ([`schedule`]), what came of it ([`results`]), and the state machine that runs it all ([`engine`]), fed
//! with samples, holds and the examiner's actions ([`action`]).

pub mod action;
pub mod cap;
pub mod contact;
pub mod engine;
pub mod gate;
pub mod plan;
pub mod results;
pub mod schedule;
