//! What is lost while something is recorded, in the log, whoever is shown it: a terminal or the pages.
//!
//! Comes in: what the core says, and time. Goes out: errors, whose counts add up to what is missing, and warnings of what
//! led to it.

use crate::core::Said;
use crate::pipeline::{LinkState, Output};
use crate::shell::Ports;
use std::collections::BTreeMap;

/// A bad line must not flood the log: what is missing is told no oftener than this, ns.
const EVERY_NS: u64 = 5_000_000_000;

/// What was lost, and how much of it is not told yet.
#[derive(Debug, Default)]
pub struct Losses {
    /// Samples by sensor and reason.
    untold: BTreeMap<(usize, &'static str), u64>,
    total: u64,
    told_ns: u64,
}

impl Losses {
    /// The core said this.
    pub fn hear(&mut self, said: &Said, ports: &Ports) {
        let Said::Pipeline(output) = said else { return };
        match output {
            Output::Gap(sensor, gap) => match gap.missing {
                Some(missing) => *self.untold.entry((*sensor, gap.reason)).or_default() += missing,
                None => tracing::error!(
                    sensor,
                    reason = gap.reason,
                    "samples are missing, how many cannot be known"
                ),
            },
            Output::Began(sensor, began) if began.segment > 0 => {
                tracing::warn!(sensor, reason = began.reason, "a new segment began");
            }
            Output::Link(port, LinkState::Silent) => {
                tracing::warn!(port = ports.name(*port), "the sensor has stopped sending; asking it again");
            }
            Output::Link(port, LinkState::Closed(reason)) => {
                tracing::warn!(
                    port = ports.name(*port),
                    reason,
                    "the port is gone; recording goes on when it returns"
                );
            }
            _ => {}
        }
    }

    /// Time passed.
    pub fn tick(&mut self, now_ns: u64) {
        if !self.untold.is_empty() && now_ns.saturating_sub(self.told_ns) >= EVERY_NS {
            self.tell();
            self.told_ns = now_ns;
        }
    }

    /// Tells now what was not told yet, for each sensor and reason; `total` counts all that was told.
    pub fn tell(&mut self) {
        for ((sensor, reason), missing) in std::mem::take(&mut self.untold) {
            self.total += missing;
            tracing::error!(sensor, missing, reason, total = self.total, "samples are missing");
        }
    }
}
