//! Reading a journal: its segments in, its records out in order, each number once, and exactly what is wrong with it.
//!
//! Streams: however long a journal is, one window per segment that has records of the same numbers is in memory.

use super::disk::{Disk, read_full};
use super::error::JournalError;
use super::format::{FORMAT_VERSION, HEADER_BYTES_MAX, Header, HeaderFault};
use super::record::Stamped;
use super::segments;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use uuid::Uuid;

mod cursor;
use cursor::Cursor;

/// Something wrong with a journal. What could be read is read all the same.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "damage", rename_all = "snake_case")]
#[non_exhaustive]
pub enum Damage {
    /// Numbers that no segment holds: what is lost. (A torn tail may have held more, whose number nobody knows.)
    Lost {
        /// First one missing.
        first_number: u64,
        /// Last one missing.
        last_number: u64,
    },
    /// A segment ends in bytes that are no whole record, as when a crash cut a write short.
    TornTail {
        /// Which.
        segment: u32,
        /// Where they begin.
        at_byte: u64,
        /// How many.
        bytes: u64,
    },
    /// Bytes inside a segment that are no record; after them come records again.
    Unreadable {
        /// Which.
        segment: u32,
        /// Where they begin.
        at_byte: u64,
        /// How many.
        bytes: u64,
    },
    /// A record with a checksum that holds and contents that make no sense.
    Senseless {
        /// Which segment.
        segment: u32,
        /// Which record.
        number: u64,
        /// Why.
        why: String,
    },
    /// A segment without a readable header. Records in it that fit in are used.
    BadHeader {
        /// Which.
        segment: u32,
        /// Why.
        why: String,
    },
    /// A segment's number is taken by no file.
    MissingSegment {
        /// Which.
        segment: u32,
    },
    /// A segment of another visit's journal. It is not used.
    ForeignVisit {
        /// Which.
        segment: u32,
        /// Whose it is.
        visit: String,
    },
    /// A segment whose file has another number than its header. It is used.
    Renamed {
        /// Number of the file.
        segment: u32,
        /// Number in the header.
        was: u32,
    },
    /// Two different records have this number; the later segment's is used. No writer does this.
    Conflict {
        /// Which.
        number: u64,
    },
}

impl fmt::Display for Damage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let name = super::segment_name;
        match self {
            Self::Lost { first_number, last_number } if first_number == last_number => {
                write!(f, "record {first_number} is lost")
            }
            Self::Lost { first_number, last_number } => {
                write!(f, "records {first_number} to {last_number} are lost")
            }
            Self::TornTail { segment, at_byte, bytes } => {
                write!(
                    f,
                    "{} ends in {bytes} bytes of an unfinished record, from byte {at_byte}",
                    name(*segment)
                )
            }
            Self::Unreadable { segment, at_byte, bytes } => {
                write!(f, "{} has {bytes} unreadable bytes, from byte {at_byte}", name(*segment))
            }
            Self::Senseless { segment, number, why } => {
                write!(f, "record {number} in {} makes no sense: {why}", name(*segment))
            }
            Self::BadHeader { segment, why } => write!(f, "{} has no readable header: {why}", name(*segment)),
            Self::MissingSegment { segment } => write!(f, "{} is missing", name(*segment)),
            Self::ForeignVisit { segment, visit } => {
                write!(f, "{} belongs to another visit ({visit}) and is not used", name(*segment))
            }
            Self::Renamed { segment, was } => write!(f, "{} was written as {}", name(*segment), name(*was)),
            Self::Conflict { number } => {
                write!(f, "record {number} is there twice with different contents; the later is used")
            }
        }
    }
}

/// A segment that is not being read yet.
#[derive(Debug)]
struct Waiting {
    first_number: u64,
    segment: u32,
    path: PathBuf,
    header_bytes: u64,
    has_header: bool,
}

/// The records of a journal in order. Iterate, then ask for the [damage](Reader::damage).
#[derive(Debug)]
pub struct Reader {
    disk: Arc<dyn Disk>,
    visit: Option<Uuid>,
    software: String,
    /// By first number, the last first.
    waiting: Vec<Waiting>,
    active: Vec<Cursor>,
    next_number: u64,
    damage: Vec<Damage>,
    failed: bool,
}

impl Reader {
    /// Opens the journal in `folder`.
    ///
    /// # Errors
    /// There is none, a file cannot be read, nothing in them is a journal's, or a segment is from a newer version.
    pub fn open(disk: Arc<dyn Disk>, folder: &Path) -> Result<Self, JournalError> {
        let found = segments(&*disk, folder)?;
        if found.is_empty() {
            return Err(JournalError::NoJournal { folder: folder.to_owned() });
        }
        let mut damage = missing_segments(&found);
        let headers: Vec<_> = found
            .into_iter()
            .map(|(segment, path)| Opening::read(&*disk, segment, path))
            .collect::<Result<_, _>>()?;
        let first = headers.iter().find_map(|opening| opening.header.as_ref().ok());
        let (visit, software) = first.map(|(header, _)| (header.visit, header.software.clone())).unzip();
        let mut waiting = Vec::new();
        for opening in headers {
            waiting.extend(opening.place(&*disk, visit, &mut damage)?);
        }
        if visit.is_none() && waiting.is_empty() {
            return Err(JournalError::NoHeader { folder: folder.to_owned() });
        }
        waiting.sort_by_key(|segment| std::cmp::Reverse((segment.first_number, segment.segment)));
        let software = software.unwrap_or_default();
        Ok(Self { disk, visit, software, waiting, active: Vec::new(), next_number: 0, damage, failed: false })
    }

    /// Whose journal it is; unknown when no segment has a readable header.
    #[must_use]
    pub fn visit(&self) -> Option<Uuid> {
        self.visit
    }

    /// What wrote its first segment; empty when no header is readable.
    #[must_use]
    pub fn software(&self) -> &str {
        &self.software
    }

    /// What was found wrong so far; all of it once the iteration is over.
    #[must_use]
    pub fn damage(&self) -> &[Damage] {
        &self.damage
    }

    fn next_record(&mut self) -> Result<Option<Stamped>, JournalError> {
        let Some(number) = self.next_candidate()? else { return Ok(None) };
        if number > self.next_number {
            self.damage.push(Damage::Lost { first_number: self.next_number, last_number: number - 1 });
        }
        self.next_number = number.saturating_add(1);
        let mut chosen: Option<(u32, Stamped)> = None;
        for cursor in &mut self.active {
            if cursor.number() != Some(number) {
                continue;
            }
            let Some(record) = cursor.take(&mut self.damage)? else { continue };
            if chosen.as_ref().is_some_and(|(_, other)| *other != record) {
                self.damage.push(Damage::Conflict { number });
            }
            if chosen.as_ref().is_none_or(|(segment, _)| *segment < cursor.segment()) {
                chosen = Some((cursor.segment(), record));
            }
        }
        self.active.retain(|cursor| cursor.number().is_some());
        Ok(chosen.map(|(_, record)| record))
    }

    /// The lowest number that a segment can give next. Opens the segments that may hold it.
    fn next_candidate(&mut self) -> Result<Option<u64>, JournalError> {
        loop {
            let lowest = self.active.iter().filter_map(Cursor::number).min();
            let due =
                self.waiting.pop_if(|segment| lowest.is_none_or(|lowest| segment.first_number <= lowest));
            let Some(due) = due else { return Ok(lowest) };
            let mut cursor = Cursor::open(&*self.disk, &due)?;
            cursor.advance(&mut self.damage)?;
            if cursor.number().is_some() {
                self.active.push(cursor);
            }
        }
    }
}

impl Iterator for Reader {
    type Item = Result<Stamped, JournalError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.failed {
            return None;
        }
        let next = self.next_record().transpose();
        self.failed = matches!(next, Some(Err(_)));
        next
    }
}

/// Reads a whole journal at once: for small ones and tests.
///
/// # Errors
/// As [`Reader`].
pub fn read_all(disk: Arc<dyn Disk>, folder: &Path) -> Result<(Vec<Stamped>, Vec<Damage>), JournalError> {
    let mut reader = Reader::open(disk, folder)?;
    let records = reader.by_ref().collect::<Result<_, _>>()?;
    Ok((records, reader.damage))
}

/// SHA-256 of a journal in hexadecimal: of its segments one after the other, in the order of their numbers.
///
/// # Errors
/// There is no journal, or a file cannot be read.
pub fn sha256(disk: &dyn Disk, folder: &Path) -> Result<String, JournalError> {
    let found = segments(disk, folder)?;
    if found.is_empty() {
        return Err(JournalError::NoJournal { folder: folder.to_owned() });
    }
    let mut digest = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    for (_, path) in found {
        let file = disk.open_read(&path).map_err(JournalError::io("open", &path))?;
        let mut at = 0;
        loop {
            let came = read_full(&*file, at, &mut piece).map_err(JournalError::io("read", &path))?;
            if came == 0 {
                break;
            }
            digest.update(piece.get(..came).unwrap_or_default());
            at += came as u64;
        }
    }
    Ok(digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

fn missing_segments(found: &[(u32, PathBuf)]) -> Vec<Damage> {
    let mut expected = 0;
    let mut missing = Vec::new();
    for (segment, _) in found {
        missing.extend((expected..*segment).map(|segment| Damage::MissingSegment { segment }));
        expected = segment + 1;
    }
    missing
}

/// A segment of which only the header has been read.
struct Opening {
    segment: u32,
    path: PathBuf,
    header: Result<(Header, usize), HeaderFault>,
}

impl Opening {
    fn read(disk: &dyn Disk, segment: u32, path: PathBuf) -> Result<Self, JournalError> {
        let file = disk.open_read(&path).map_err(JournalError::io("open", &path))?;
        let mut bytes = [0; HEADER_BYTES_MAX];
        let came = read_full(&*file, 0, &mut bytes).map_err(JournalError::io("read", &path))?;
        let header = Header::decode(bytes.get(..came).unwrap_or_default());
        if let Ok((Header { version, software, .. }, _)) = &header
            && *version > FORMAT_VERSION
        {
            return Err(JournalError::NewerFormat { path, found: *version, software: software.clone() });
        }
        Ok(Self { segment, path, header })
    }

    /// Where in the order it comes; `None` when nothing in it can be used.
    fn place(
        self,
        disk: &dyn Disk,
        visit: Option<Uuid>,
        damage: &mut Vec<Damage>,
    ) -> Result<Option<Waiting>, JournalError> {
        let Self { segment, path, header } = self;
        match header {
            Ok((header, _)) if Some(header.visit) != visit => {
                damage.push(Damage::ForeignVisit { segment, visit: header.visit.to_string() });
                Ok(None)
            }
            Ok((header, header_bytes)) => {
                if header.segment != segment {
                    damage.push(Damage::Renamed { segment, was: header.segment });
                }
                let (first_number, header_bytes) = (header.first_number, header_bytes as u64);
                Ok(Some(Waiting { first_number, segment, path, header_bytes, has_header: true }))
            }
            Err(fault) => {
                damage.push(Damage::BadHeader { segment, why: fault.to_string() });
                let mut waiting =
                    Waiting { first_number: 0, segment, path, header_bytes: 0, has_header: false };
                let mut cursor = Cursor::open(disk, &waiting)?;
                cursor.advance(&mut Vec::new())?;
                let Some(first_number) = cursor.number() else { return Ok(None) };
                waiting.first_number = first_number;
                Ok(Some(waiting))
            }
        }
    }
}
