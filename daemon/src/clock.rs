//! Time: the only module that reads a clock.
//!
//! In: the machine's clocks. Out: nanoseconds. Three clocks are told apart:
//!
//! - *monotonic*: never steps, stands still while the machine is suspended; arrivals and waiting use it;
//! - *boottime*: never steps, counts suspend; the difference of the two shows that the machine slept;
//! - *UTC*: civil time since 1970-01-01T00:00:00Z; may step at any moment, so it only ever labels.

use crate::journal::record::Anchor;
use nix::errno::Errno;
use nix::sys::time::TimeSpec;
use nix::time::{ClockId, ClockNanosleepFlags, clock_gettime, clock_nanosleep};
use std::sync::atomic::{AtomicU64, Ordering};

const NS_PER_S: i64 = 1_000_000_000;
/// Clocks read within this time were read together, ns.
const TOGETHER_NS: u64 = 1_000_000;
/// On a machine so busy that they never are, the last try stands.
const ANCHOR_TRIES: usize = 5;

/// Something that knows the time: the machine, or a simulated world.
pub trait Clock: Send + Sync {
    /// The clock that never steps and stands still in suspend, ns.
    fn monotonic_ns(&self) -> u64;

    /// The clock that never steps and counts suspend, ns.
    fn boottime_ns(&self) -> u64;

    /// Civil time, ns since 1970-01-01T00:00:00Z.
    fn utc_ns(&self) -> i64;

    /// Names this boot of the machine; empty where the system has no such name.
    fn host_boot_id(&self) -> String;

    /// Waits until [`Clock::monotonic_ns`] has reached `monotonic_ns`. A signal does not end the wait early.
    fn sleep_until_ns(&self, monotonic_ns: u64);

    /// All clocks, read one right after the other: again, where something came between.
    fn anchor(&self) -> Anchor {
        let mut anchor = Anchor { host_boot_id: self.host_boot_id(), ..Anchor::default() };
        for _ in 0..ANCHOR_TRIES {
            anchor.monotonic_ns = self.monotonic_ns();
            anchor.boottime_ns = self.boottime_ns();
            anchor.utc_ns = self.utc_ns();
            if self.monotonic_ns().saturating_sub(anchor.monotonic_ns) < TOGETHER_NS {
                break;
            }
        }
        anchor
    }

    /// How long the machine has been suspended since it was started, ns; never less than that, and more only by what came
    /// between two readings.
    fn suspended_ns(&self) -> u64 {
        self.boottime_ns().saturating_sub(self.monotonic_ns())
    }
}

/// The machine's clocks.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn monotonic_ns(&self) -> u64 {
        read_ns(ClockId::CLOCK_MONOTONIC).unsigned_abs()
    }

    fn boottime_ns(&self) -> u64 {
        read_ns(ClockId::CLOCK_BOOTTIME).unsigned_abs()
    }

    fn utc_ns(&self) -> i64 {
        read_ns(ClockId::CLOCK_REALTIME)
    }

    fn host_boot_id(&self) -> String {
        let id = std::fs::read_to_string("/proc/sys/kernel/random/boot_id");
        id.map(|text| text.trim().to_owned()).unwrap_or_default()
    }

    fn sleep_until_ns(&self, monotonic_ns: u64) {
        let until = i64::try_from(monotonic_ns).unwrap_or(i64::MAX);
        let until = TimeSpec::new(until / NS_PER_S, until % NS_PER_S);
        let absolute = ClockNanosleepFlags::TIMER_ABSTIME;
        while clock_nanosleep(ClockId::CLOCK_MONOTONIC, absolute, &until) == Err(Errno::EINTR) {}
    }
}

/// One clock of the machine, ns. The kernels that this runs on always have these clocks, so that the call cannot fail.
fn read_ns(id: ClockId) -> i64 {
    let time = clock_gettime(id).unwrap_or(TimeSpec::new(0, 0));
    time.tv_sec().saturating_mul(NS_PER_S).saturating_add(time.tv_nsec())
}

/// A clock that stands still until it is moved: simulated worlds and tests. Waiting moves it.
#[derive(Debug, Default)]
pub struct ManualClock {
    monotonic_ns: AtomicU64,
    /// Civil time at monotonic 0, ns since 1970-01-01T00:00:00Z.
    pub utc_at_zero_ns: i64,
}

impl ManualClock {
    /// Stands at `monotonic_ns`; civil time is `utc_at_zero_ns` later than that.
    pub fn new(monotonic_ns: u64, utc_at_zero_ns: i64) -> Self {
        ManualClock { monotonic_ns: AtomicU64::new(monotonic_ns), utc_at_zero_ns }
    }

    /// Moves it forward.
    pub fn advance_ns(&self, by_ns: u64) {
        self.monotonic_ns.fetch_add(by_ns, Ordering::SeqCst);
    }
}

impl Clock for ManualClock {
    fn monotonic_ns(&self) -> u64 {
        self.monotonic_ns.load(Ordering::SeqCst)
    }

    fn boottime_ns(&self) -> u64 {
        self.monotonic_ns()
    }

    fn utc_ns(&self) -> i64 {
        self.utc_at_zero_ns.saturating_add_unsigned(self.monotonic_ns())
    }

    fn host_boot_id(&self) -> String {
        "simulated".to_owned()
    }

    fn sleep_until_ns(&self, monotonic_ns: u64) {
        self.monotonic_ns.fetch_max(monotonic_ns, Ordering::SeqCst);
    }
}

/// Civil time as RFC 3339 in UTC.
pub fn rfc3339(utc_ns: i64) -> String {
    jiff::Timestamp::from_nanosecond(i128::from(utc_ns)).map(|time| time.to_string()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_machines_clocks_agree_with_std_and_sleep_reaches_its_time() {
        let clock = SystemClock;
        let before = clock.monotonic_ns();
        clock.sleep_until_ns(before + 2_000_000);
        let anchor = clock.anchor();
        assert!(anchor.monotonic_ns >= before + 2_000_000);
        // Boot time counts suspend as well, so it is never behind.
        assert!(anchor.boottime_ns >= before);
        // 2020-01-01T00:00:00Z, from `date -u -d 2020-01-01 +%s`.
        assert!(anchor.utc_ns > 1_577_836_800 * NS_PER_S);
        assert_eq!(anchor.host_boot_id.len(), 36, "a UUID: {:?}", anchor.host_boot_id);
    }

    #[test]
    fn sleeping_into_the_past_returns_at_once() {
        SystemClock.sleep_until_ns(0);
    }

    #[test]
    fn a_manual_clock_moves_only_when_moved() {
        let clock = ManualClock::new(5, 1_000);
        assert_eq!((clock.monotonic_ns(), clock.utc_ns()), (5, 1_005));
        clock.advance_ns(10);
        clock.sleep_until_ns(12);
        assert_eq!(clock.monotonic_ns(), 15, "a wait never moves it back");
        clock.sleep_until_ns(40);
        assert_eq!(clock.anchor().boottime_ns, 40);
    }
}
