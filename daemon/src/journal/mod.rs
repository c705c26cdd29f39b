//! The journal: append-only, totally ordered, checksummed. What is in it is what happened; everything else is computed
//! from it.
//!
//! In: [`Record`]s with their times. Out: the same, in the same order, after any crash, with what is missing said
//! exactly. Times are the host's monotonic clock in nanoseconds.
//!
//! # Files
//!
//! A visit's folder holds the segments `journal-000`, `journal-001`, … (more digits after 999). A new one begins when one
//! is full, when the visit is resumed, and after a disk fault. A segment is a header and records, nothing between
//! them and nothing after. All integers are little-endian; text is UTF-8 without a terminator; every CRC is
//! CRC-32/ISO-HDLC (polynomial 0x04C11DB7 reflected, initial value and final XOR 0xFFFFFFFF; of `123456789` it is
//! 0xCBF43926).
//!
//! ## Header
//!
//! | byte | length | what |
//! | --- | --- | --- |
//! | 0 | 8 | `ffjourn\n` |
//! | 8 | 4 | format version, now 1 |
//! | 12 | 4 | length *n* of this header, 48 to 303 |
//! | 16 | 16 | UUID of the visit, in the order it is written |
//! | 32 | 4 | segment number, as in the file's name |
//! | 36 | 8 | number of the segment's first record |
//! | 44 | *n* − 48 | name and version of the software that wrote it |
//! | *n* − 4 | 4 | CRC of the *n* − 4 bytes before |
//!
//! The header never changes; a newer format version changes only what follows it. A version above 1 whose CRC holds is
//! refused.
//!
//! ## Record
//!
//! | byte | length | what |
//! | --- | --- | --- |
//! | 0 | 4 | length *p* of the payload, at most 4 MiB |
//! | 4 | 1 | kind |
//! | 5 | 8 | record number |
//! | 13 | 8 | time: the host's monotonic clock, ns |
//! | 21 | *p* | payload |
//! | 21 + *p* | 4 | CRC of the 21 + *p* bytes before |
//!
//! | kind | record | payload |
//! | --- | --- | --- |
//! | 1 | [`Record::Begun`] | text (JSON) |
//! | 2 | [`Record::Anchor`] | monotonic ns u64, boottime ns u64, UTC ns since 1970 i64, then the boot id as text |
//! | 3 | [`Record::Opened`] | port u8, then text (JSON) |
//! | 4 | [`Record::Closed`] | port u8, then text |
//! | 5 | [`Record::Bytes`] | port u8, then the bytes |
//! | 6 | [`Record::Dropped`] | port u8, how many bytes u64 |
//! | 7 | [`Record::Sent`] | port u8, then the bytes |
//! | 8 | [`Record::Tick`] | nothing |
//! | 9 | [`Record::Action`] | text (JSON) |
//! | 10 | [`Record::Parameters`] | text (JSON) |
//! | 11 | [`Record::Shown`] | text (JSON) |
//! | 12 | [`Record::Finished`] | text |
//!
//! # Order
//!
//! Records are numbered from 0 without gaps, through all segments. After a failed sync the records in doubt are written
//! again, with the same numbers, at the start of the next segment: a reader takes each number once. The journal is the
//! list of all records by number.
//!
//! # Damage
//!
//! A reader believes a record when its length is in bounds and its CRC holds. Where one does not, but the very next
//! record stands where its length says, it is passed over whole: bytes from a device may look like a record. Else the
//! reader looks byte by byte for the next that holds and whose number fits: above the last one, and by no more than as
//! many records as the bytes passed over could hold (25 bytes is the shortest). It says which bytes it passed over and
//! which numbers are then missing. Where none follows, the rest of the segment is a torn tail, as a crash leaves it. See
//! [`read`].
//!
//! The journal's SHA-256 is that of its segments, one after the other in the order of their numbers.

pub mod disk;
mod error;
pub mod format;
pub mod read;
pub mod record;
pub mod simulated_disk;
#[cfg(test)]
mod tests;
pub mod write;

pub use disk::{Disk, SystemDisk};
pub use error::JournalError;
pub use read::{Damage, Reader};
pub use record::{Record, Stamped};
pub use write::{Options, Progress, Writer};

use std::path::{Path, PathBuf};

/// A new segment begins once the current one has this many bytes.
pub const SEGMENT_BYTES: u64 = 64 << 20;

/// A segment's file name.
#[must_use]
pub fn segment_name(segment: u32) -> String {
    format!("journal-{segment:03}")
}

/// The segments in a visit's folder, by number, with their paths.
///
/// # Errors
/// The folder cannot be listed.
pub fn segments(disk: &dyn Disk, folder: &Path) -> Result<Vec<(u32, PathBuf)>, JournalError> {
    let entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    let mut found: Vec<_> = entries
        .iter()
        .filter(|entry| !entry.is_folder)
        .filter_map(|entry| {
            let segment = entry.name.strip_prefix("journal-")?.parse().ok()?;
            (segment_name(segment) == entry.name).then(|| (segment, folder.join(&entry.name)))
        })
        .collect();
    found.sort_unstable();
    Ok(found)
}
