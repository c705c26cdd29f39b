//! The bounded hand-over from reader threads to the one that journals.
//!
//! In: what ports delivered, from reader threads that never wait here. Out: the same [`Item`]s in the same order. It
//! holds a fixed amount; what comes while it is full is lost, counted, and stands as one [`Item::Dropped`] in the very
//! place where the bytes are missing.

use std::collections::VecDeque;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::sync::Notify;

/// What the hand-over holds by default: 16 MiB.
pub const CAPACITY_BYTES: usize = 16 * 1024 * 1024;

/// What a chunk costs beside its bytes. Without it a flood of tiny chunks would use many times the capacity.
pub const CHUNK_COST_BYTES: usize = size_of::<Item>();

/// What happened at a port.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Item {
    /// Bytes, as they came.
    Chunk {
        /// Port number within the visit.
        port: u8,
        /// Monotonic clock right after the read returned, ns.
        monotonic_ns: u64,
        /// The bytes; never none.
        bytes: Vec<u8>,
    },
    /// Bytes that were read and then lost here, because the hand-over was full.
    Dropped {
        /// Port number.
        port: u8,
        /// When the first of them was read, ns.
        monotonic_ns: u64,
        /// How many.
        bytes: u64,
    },
    /// The port's reader has ended. Nothing of this port follows.
    Gone {
        /// Port number.
        port: u8,
        /// When that was noticed, ns.
        monotonic_ns: u64,
        /// Why.
        reason: Reason,
    },
}

/// Why a port's reader ended by itself.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reason {
    /// The device is not there any more.
    Unplugged,
    /// The system's words for anything else.
    Error(String),
}

/// The hand-over itself; shared between reader threads and one taker.
#[derive(Debug)]
pub struct Handover {
    capacity_bytes: usize,
    queue: Mutex<Queue>,
    arrived: Condvar,
    notify: Notify,
}

#[derive(Debug, Default)]
struct Queue {
    items: VecDeque<Item>,
    cost_bytes: usize,
    /// The largest cost so far: a gauge.
    highest_bytes: usize,
    dropped_bytes: u64,
}

impl Handover {
    /// Empty, for up to `capacity_bytes` ([`CAPACITY_BYTES`] outside tests).
    #[must_use]
    pub fn new(capacity_bytes: usize) -> Arc<Self> {
        let (queue, arrived, notify) = (Mutex::default(), Condvar::new(), Notify::new());
        Arc::new(Handover { capacity_bytes, queue, arrived, notify })
    }

    /// Puts `item` last, or counts its bytes as dropped. Never waits for the taker.
    pub fn push(&self, item: Item) {
        self.locked().push(item, self.capacity_bytes);
        self.arrived.notify_all();
        self.notify.notify_one();
    }

    /// Takes everything that is there, at once.
    #[must_use]
    pub fn take(&self) -> VecDeque<Item> {
        let mut queue = self.locked();
        queue.cost_bytes = 0;
        std::mem::take(&mut queue.items)
    }

    /// Waits, in a task, until there is something to take. For one taker.
    pub async fn ready(&self) {
        while self.locked().items.is_empty() {
            self.notify.notified().await;
        }
    }

    /// Waits, in a thread, until there is something to take or `timeout` has passed; says whether there is.
    #[must_use]
    pub fn wait(&self, timeout: Duration) -> bool {
        let empty = |queue: &mut Queue| queue.items.is_empty();
        let waited = self.arrived.wait_timeout_while(self.locked(), timeout, empty);
        let (queue, _) = waited.unwrap_or_else(PoisonError::into_inner);
        !queue.items.is_empty()
    }

    /// The largest amount it has held so far, bytes.
    #[must_use]
    pub fn highest_bytes(&self) -> usize {
        self.locked().highest_bytes
    }

    /// All that was ever dropped, bytes.
    #[must_use]
    pub fn dropped_bytes(&self) -> u64 {
        self.locked().dropped_bytes
    }

    fn locked(&self) -> MutexGuard<'_, Queue> {
        // A panic elsewhere cannot leave the queue half changed; losing bytes for it would be worse.
        self.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Queue {
    fn push(&mut self, item: Item, capacity_bytes: usize) {
        let Item::Chunk { port, monotonic_ns, bytes } = item else {
            // What is not a chunk is small and rare, and must never be lost.
            return self.items.push_back(item);
        };
        let cost = bytes.len() + CHUNK_COST_BYTES;
        if self.cost_bytes + cost > capacity_bytes {
            return self.drop_bytes(port, monotonic_ns, bytes.len() as u64);
        }
        self.cost_bytes += cost;
        self.highest_bytes = self.highest_bytes.max(self.cost_bytes);
        self.items.push_back(Item::Chunk { port, monotonic_ns, bytes });
    }

    fn drop_bytes(&mut self, port: u8, monotonic_ns: u64, lost: u64) {
        self.dropped_bytes += lost;
        match self.items.back_mut() {
            Some(Item::Dropped { port: last, bytes, .. }) if *last == port => *bytes += lost,
            _ => self.items.push_back(Item::Dropped { port, monotonic_ns, bytes: lost }),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn chunk(port: u8, monotonic_ns: u64, length: usize) -> Item {
        Item::Chunk { port, monotonic_ns, bytes: vec![port; length] }
    }

    #[test]
    fn overflow_is_one_item_in_its_place() {
        let handover = Handover::new(2 * (10 + CHUNK_COST_BYTES));
        for (at, length) in [(1, 10), (2, 10), (3, 7), (4, 1)] {
            handover.push(chunk(0, at, length));
        }
        handover.push(Item::Gone { port: 0, monotonic_ns: 5, reason: Reason::Unplugged });
        let gone = Item::Gone { port: 0, monotonic_ns: 5, reason: Reason::Unplugged };
        let dropped = Item::Dropped { port: 0, monotonic_ns: 3, bytes: 8 };
        assert_eq!(handover.take(), [chunk(0, 1, 10), chunk(0, 2, 10), dropped, gone]);
        assert_eq!(handover.dropped_bytes(), 8);
        // Room again.
        handover.push(chunk(0, 6, 10));
        assert_eq!(handover.take(), [chunk(0, 6, 10)]);
        assert_eq!(handover.highest_bytes(), 2 * (10 + CHUNK_COST_BYTES));
    }

    #[test]
    fn two_ports_losses_are_kept_apart() {
        let handover = Handover::new(0);
        for port in [0, 1, 1, 0] {
            handover.push(chunk(port, u64::from(port), 5));
        }
        let lost = |port: u8, bytes| Item::Dropped { port, monotonic_ns: u64::from(port), bytes };
        assert_eq!(handover.take(), [lost(0, 5), lost(1, 10), lost(0, 5)]);
    }

    #[test]
    fn a_waiting_thread_is_woken() {
        let handover = Handover::new(CAPACITY_BYTES);
        assert!(!handover.wait(Duration::ZERO));
        let sender = Arc::clone(&handover);
        let pushing = std::thread::Builder::new().spawn(move || sender.push(chunk(0, 1, 1))).unwrap();
        assert!(handover.wait(Duration::from_secs(60)));
        pushing.join().unwrap();
        assert_eq!(handover.take().len(), 1);
    }

    #[test]
    fn a_waiting_task_is_woken_and_one_that_comes_late_does_not_wait() {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let handover = Handover::new(CAPACITY_BYTES);
        let sender = Arc::clone(&handover);
        let pushing = std::thread::Builder::new().spawn(move || sender.push(chunk(0, 1, 1))).unwrap();
        runtime.block_on(handover.ready());
        runtime.block_on(handover.ready());
        pushing.join().unwrap();
        assert_eq!(handover.take().len(), 1);
    }

    proptest! {
        /// Whatever the order of pushes and takes: every byte comes out or is counted, in order, within the capacity.
        #[test]
        fn every_byte_is_delivered_or_counted(
            capacity in 0_usize..2_000,
            steps in prop::collection::vec((0_u8..3, 1_usize..300, any::<bool>()), 1..200),
        ) {
            let handover = Handover::new(capacity);
            let (mut sent, mut out) = ([0_u64; 3], [0_u64; 3]);
            let mut last_ns = 0;
            let count = |out: &mut [u64; 3], last_ns: &mut u64, items: VecDeque<Item>| {
                for item in items {
                    let (port, at_ns, bytes) = match item {
                        Item::Chunk { port, monotonic_ns, bytes } => (port, monotonic_ns, bytes.len() as u64),
                        Item::Dropped { port, monotonic_ns, bytes } => (port, monotonic_ns, bytes),
                        Item::Gone { .. } => unreachable!("none was pushed"),
                    };
                    assert!(at_ns > *last_ns);
                    *last_ns = at_ns;
                    out[usize::from(port)] += bytes;
                }
            };
            for (at, (port, length, take)) in (1..).zip(steps) {
                handover.push(chunk(port, at, length));
                sent[usize::from(port)] += length as u64;
                if take {
                    count(&mut out, &mut last_ns, handover.take());
                }
            }
            count(&mut out, &mut last_ns, handover.take());
            prop_assert_eq!(sent, out);
            prop_assert!(handover.highest_bytes() <= capacity);
        }
    }
}
