//! The world's clock: true time, and what a host that sleeps makes of it.

use daemon::clock::Clock;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};

/// The host's monotonic clock when the world begins, ns: a machine that was started a while ago.
const BOOTED_NS: u64 = 5_000_000_000;
/// Civil time then, ns since 1970-01-01T00:00:00Z: 2026-03-02T09:00:00Z.
const CIVIL_NS: i64 = 1_772_442_000_000_000_000;

/// The host's clocks. True time only goes on; the host may sleep through it, and its civil time may be stepped.
#[derive(Debug, Default)]
pub struct WorldClock {
    true_ns: AtomicU64,
    slept_ns: AtomicU64,
    civil_step_ns: AtomicI64,
}

impl WorldClock {
    /// Time since the world began, ns.
    pub fn true_ns(&self) -> u64 {
        self.true_ns.load(Ordering::Relaxed)
    }

    /// Time goes on.
    pub fn pass(&self, by_ns: u64) {
        self.true_ns.fetch_add(by_ns, Ordering::Relaxed);
    }

    /// Time goes on while the host sleeps.
    pub fn sleep(&self, by_ns: u64) {
        self.slept_ns.fetch_add(by_ns, Ordering::Relaxed);
        self.pass(by_ns);
    }

    /// Somebody sets the wall clock.
    pub fn step_civil(&self, by_ns: i64) {
        self.civil_step_ns.fetch_add(by_ns, Ordering::Relaxed);
    }
}

impl Clock for WorldClock {
    fn monotonic_ns(&self) -> u64 {
        self.boottime_ns() - self.slept_ns.load(Ordering::Relaxed)
    }

    fn boottime_ns(&self) -> u64 {
        BOOTED_NS + self.true_ns()
    }

    fn utc_ns(&self) -> i64 {
        CIVIL_NS + self.true_ns() as i64 + self.civil_step_ns.load(Ordering::Relaxed)
    }

    fn host_boot_id(&self) -> String {
        "a simulated host".to_owned()
    }

    fn sleep_until_ns(&self, monotonic_ns: u64) {
        self.pass(monotonic_ns.saturating_sub(self.monotonic_ns()));
    }
}
