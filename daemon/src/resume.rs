//! Going on with an interrupted visit.
//!
//! Comes in: the journal as the interruption left it. Goes out: a core that has been stepped over it, what it still
//! wanted in the journal when the program died, and a clock on which time goes on: after a restart of the machine the
//! monotonic clock begins anew, so the time in between is taken from civil time.

use crate::clock::Clock;
use crate::core::{Begun, Core, Said};
use crate::journal::record::Anchor;
use crate::journal::{Disk, JournalError, Reader, Record};
use crate::visit::plan::Plan;
use std::collections::{BTreeSet, VecDeque};
use std::path::Path;
use std::sync::Arc;

/// An interrupted visit, ready to go on.
pub struct Interrupted {
    /// The core, as it stood.
    pub core: Core,
    /// Whose visit it is.
    pub begun: Begun,
    /// Records that the core had asked for and the crash kept out of the journal; the core has not seen them.
    pub missing: VecDeque<Record>,
    /// How many ports it has.
    pub ports: usize,
    /// Those that were open, in order.
    pub open_ports: BTreeSet<u8>,
    /// Host's monotonic clock of the last record, ns.
    pub last_ns: u64,
    /// The last anchor.
    pub anchor: Option<Anchor>,
}

/// Reads an interrupted visit's journal through a core.
///
/// # Errors
/// It cannot be read; `None` where its beginning is lost, so that nobody knows the plan.
pub fn read(disk: &Arc<dyn Disk>, folder: &Path) -> Result<Option<Interrupted>, JournalError> {
    let mut visit: Option<Interrupted> = None;
    let mut said = Vec::new();
    for stamped in Reader::open(Arc::clone(disk), folder)? {
        let stamped = stamped?;
        if let (None, Record::Begun(text)) = (&visit, &stamped.record) {
            let Ok(begun) = serde_json::from_str::<Begun>(text) else { return Ok(None) };
            let core = Core::new(Plan::parse(&begun.plan).ok());
            let missing = VecDeque::new();
            let (ports, open_ports) = (0, BTreeSet::new());
            let (last_ns, anchor) = (0, None);
            visit = Some(Interrupted { core, begun, missing, ports, open_ports, last_ns, anchor });
        }
        let Some(visit) = &mut visit else { return Ok(None) };
        // What the core asked for comes right after what made it ask.
        if visit.missing.front() == Some(&stamped.record) {
            visit.missing.pop_front();
        }
        match &stamped.record {
            Record::Opened { port, .. } => {
                visit.open_ports.insert(*port);
                visit.ports = visit.ports.max(usize::from(*port) + 1);
            }
            Record::Closed { port, .. } => drop(visit.open_ports.remove(port)),
            Record::Anchor(anchor) => visit.anchor = Some(anchor.clone()),
            _ => {}
        }
        visit.last_ns = stamped.monotonic_ns;
        visit.core.step(&stamped, &mut said);
        let asked = said
            .drain(..)
            .filter_map(|said| if let Said::Journal(record) = said { Some(record) } else { None });
        visit.missing.extend(asked);
    }
    Ok(visit)
}

/// A clock on which a visit's time goes on.
pub struct Continued {
    clock: Arc<dyn Clock>,
    ahead_ns: u64,
}

impl Continued {
    /// The machine's clock itself within the same boot; after another one, moved so that it goes on from the last record
    /// by as much as civil time has, and never back.
    pub fn after(visit: &Interrupted, clock: Arc<dyn Clock>) -> Continued {
        let now = clock.anchor();
        let same_boot = visit.anchor.as_ref().is_some_and(|anchor| anchor.host_boot_id == now.host_boot_id);
        let ahead_ns = if same_boot && now.monotonic_ns >= visit.last_ns {
            0
        } else {
            let passed_ns = visit.anchor.as_ref().map_or(0, |anchor| {
                let last_utc_ns =
                    anchor.utc_ns.saturating_add_unsigned(visit.last_ns.saturating_sub(anchor.monotonic_ns));
                now.utc_ns.saturating_sub(last_utc_ns).max(0).unsigned_abs()
            });
            visit.last_ns.saturating_add(passed_ns).saturating_add(1).saturating_sub(now.monotonic_ns)
        };
        Continued { clock, ahead_ns }
    }
}

impl Clock for Continued {
    fn monotonic_ns(&self) -> u64 {
        self.clock.monotonic_ns().saturating_add(self.ahead_ns)
    }

    fn boottime_ns(&self) -> u64 {
        self.clock.boottime_ns().saturating_add(self.ahead_ns)
    }

    fn utc_ns(&self) -> i64 {
        self.clock.utc_ns()
    }

    fn host_boot_id(&self) -> String {
        self.clock.host_boot_id()
    }

    fn sleep_until_ns(&self, monotonic_ns: u64) {
        self.clock.sleep_until_ns(monotonic_ns.saturating_sub(self.ahead_ns));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::ManualClock;

    fn interrupted(boot: &str, last_ns: u64) -> Interrupted {
        let anchor =
            Anchor { monotonic_ns: 400, boottime_ns: 400, utc_ns: 10_400, host_boot_id: boot.to_owned() };
        let (core, missing) = (Core::new(None), VecDeque::new());
        let open_ports = BTreeSet::from([0]);
        Interrupted {
            core,
            begun: Begun::default(),
            missing,
            ports: 1,
            open_ports,
            last_ns,
            anchor: Some(anchor),
        }
    }

    #[test]
    fn within_a_boot_the_clock_is_the_machines() {
        let clock = Continued::after(&interrupted("simulated", 500), Arc::new(ManualClock::new(700, 10_000)));
        assert_eq!(clock.monotonic_ns(), 700);
    }

    #[test]
    fn after_another_boot_time_goes_on_by_civil_time_and_never_back() {
        for (utc_at_zero_ns, expected) in [(60_000, 49_601 + 500), (-90_000, 501)] {
            let clock = Arc::new(ManualClock::new(100, utc_at_zero_ns));
            let clock = Continued::after(&interrupted("another", 500), clock);
            assert_eq!(clock.monotonic_ns(), expected, "{utc_at_zero_ns}");
            let before = clock.monotonic_ns();
            clock.sleep_until_ns(before + 5);
            assert_eq!(clock.monotonic_ns(), before + 5);
        }
    }
}
