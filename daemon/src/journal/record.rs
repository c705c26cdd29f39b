//! What a journal holds: one totally ordered list of records.

/// A record with its place and time.
#[derive(Debug, Clone, PartialEq)]
pub struct Stamped {
    /// Position in the journal, from 0, without gaps.
    pub number: u64,
    /// Host's monotonic clock when it happened (for [`Record::Bytes`]: when the read returned), ns.
    pub monotonic_ns: u64,
    /// What happened.
    pub record: Record,
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    /// The visit begins (JSON: codes, plan, software). Always the first record.
    Begun(String),
    /// Host clocks, read together.
    Anchor(Anchor),
    /// A port was opened (`detail`: JSON, its name and settings).
    Opened {
        /// Port number within the visit, from 0.
        port: u8,
        /// JSON: name, baud.
        detail: String,
    },
    /// A port is gone or was closed, and why.
    Closed {
        /// Port number.
        port: u8,
        /// `unplugged`, `finished`, or the error's text.
        reason: String,
    },
    /// Bytes read from a port, as they came.
    Bytes {
        /// Port number.
        port: u8,
        /// The bytes.
        bytes: Vec<u8>,
    },
    /// Bytes read but lost because the hand-over was full, in their place.
    Dropped {
        /// Port number.
        port: u8,
        /// How many.
        bytes: u64,
    },
    /// Bytes written to a port.
    Sent {
        /// Port number.
        port: u8,
        /// The bytes.
        bytes: Vec<u8>,
    },
    /// Time passed.
    Tick,
    /// The examiner did something (JSON).
    Action(String),
    /// Parameters set for a finder from a stated sample (JSON).
    Parameters(String),
    /// A hold's result as it was shown (JSON).
    Shown(String),
    /// The visit is over, and why (`plan finished`, `signal`, `time over`, …). Nothing follows but another `Begun`-less
    /// resumption.
    Finished(String),
}

/// The host's clocks, read together.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Anchor {
    /// Clock that never steps and stops in suspend, ns.
    pub monotonic_ns: u64,
    /// Clock that never steps and counts suspend, ns.
    pub boottime_ns: u64,
    /// Civil time, ns since 1970-01-01T00:00:00Z.
    pub utc_ns: i64,
    /// The host's boot id.
    pub host_boot_id: String,
}
