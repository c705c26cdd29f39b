//! What a journal holds, decoded without the daemon's pipeline: a second opinion on what a recording must hold.

use daemon::journal::{Reader, Record, SystemDisk};
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::DeviceMessage;
use std::collections::BTreeSet;
use std::path::Path;

/// Counters of all samples in a journal's bytes.
pub fn samples_in(folder: &Path) -> BTreeSet<u64> {
    let (mut accumulator, mut counters) = (Accumulator::new(), BTreeSet::new());
    for stamped in Reader::open(SystemDisk::shared(), folder).unwrap() {
        let Record::Bytes { bytes, .. } = stamped.unwrap().record else { continue };
        let mut input = bytes.as_slice();
        while let Some(frame) = accumulator.push(&mut input) {
            if let Ok(Ok(DeviceMessage::Samples(samples))) = frame.map(DeviceMessage::decode) {
                counters.extend(samples.first_sample..samples.next_sample());
            }
        }
    }
    counters
}

/// When the last bytes in a journal were read from their port, ns on the host's monotonic clock.
pub fn last_read_ns(folder: &Path) -> Option<u64> {
    let records = Reader::open(SystemDisk::shared(), folder).ok()?;
    let bytes = records.filter_map(|stamped| {
        let stamped = stamped.unwrap();
        matches!(stamped.record, Record::Bytes { .. }).then_some(stamped.monotonic_ns)
    });
    bytes.last()
}
