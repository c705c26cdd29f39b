//! Everything that counts losses, in one view: for the end of `record --json`, and for whoever watches.
//!
//! Comes in: what the core says, its counters, the journal's progress. Goes out: plain numbers; nothing in it says whose
//! visit it is.

use crate::core::Said;
use crate::journal::Progress;
use crate::pipeline::{LinkState, Output, WireFaults};
use serde::Serialize;

/// The counters of one recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Health {
    /// Faults on the wire, and bytes the host lost.
    pub wire: WireFaults,
    /// Samples that came.
    pub samples: u64,
    /// Samples known to be missing.
    pub missing_samples: u64,
    /// Gaps of known length.
    pub gaps: u64,
    /// Gaps whose length nobody knows.
    pub unknown_gaps: u64,
    /// How often the port was lost.
    pub port_losses: u64,
    /// Syncs of the journal that failed.
    pub failed_syncs: u64,
    /// Age of the oldest record that would be lost with the power, ns.
    pub sync_age_ns: u64,
    /// Number of the last record appended.
    pub appended_record: Option<u64>,
    /// Number of the last record that survives power loss.
    pub synced_record: Option<u64>,
}

impl Health {
    /// Counts what the core said.
    pub fn hear(&mut self, said: &Said) {
        match said {
            Said::Pipeline(Output::Block(block)) => self.samples += block.device_time_s.len() as u64,
            Said::Pipeline(Output::Gap(_, gap)) => match gap.missing {
                Some(missing) => {
                    self.gaps += 1;
                    self.missing_samples = self.missing_samples.saturating_add(missing);
                }
                None => self.unknown_gaps += 1,
            },
            Said::Pipeline(Output::Link(_, LinkState::Closed(_))) => self.port_losses += 1,
            _ => {}
        }
    }

    /// With the counters that are kept elsewhere.
    #[must_use]
    pub fn with(self, wire: WireFaults, journal: &Progress, now_monotonic_ns: u64) -> Health {
        Health {
            wire,
            failed_syncs: journal.failed_syncs(),
            sync_age_ns: journal.sync_age_ns(now_monotonic_ns),
            appended_record: journal.appended_number(),
            synced_record: journal.synced_number(),
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pipeline::device_time::Gap;

    #[test]
    fn every_loss_is_counted_once() {
        let mut health = Health::default();
        for missing in [Some(3), None, Some(4)] {
            let gap = Gap { segment: 0, after: None, missing, index: 0, reason: "lost frame" };
            health.hear(&Said::Pipeline(Output::Gap(1, gap)));
        }
        health.hear(&Said::Pipeline(Output::Link(0, LinkState::Closed("unplugged".to_owned()))));
        let counted = (health.missing_samples, health.gaps, health.unknown_gaps, health.port_losses);
        assert_eq!(counted, (7, 2, 1, 1));
    }
}
