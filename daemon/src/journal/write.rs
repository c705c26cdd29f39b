//! Writing a journal: records in, numbers out; a thread that makes them durable.
//!
//! A record whose number came back is *appended*: it survives the process. One below [`Progress::synced_number`] is
//! *synced*: it survives power loss. Both for every fault the disk reports:
//!
//! - **An append fails.** What it left is cut off again and the record goes to a new segment; where that fails too, the
//!   caller gets the error and the record is not in the journal. Its number goes to the next record, unless the cut
//!   failed as well: then no more is written ([`JournalError::Broken`]), so that a number never names two records.
//! - **A sync fails.** The kernel may have dropped the pages and called them clean, so the segment is closed and never
//!   synced again; everything since the last good sync is kept in memory until then and goes to a new segment. Readers
//!   see such records twice and tell by the number.
//! - **The disk fills.** Records are refused while there is still room to seal the visit; [`Record::Closed`] and
//!   [`Record::Finished`] are let through, so that it ends properly.

use super::disk::{AppendFile, Disk, append_all};
use super::error::JournalError;
use super::format::{self, FORMAT_VERSION, HEAD_BYTES, Header, PAYLOAD_BYTES_MAX};
use super::read::Reader;
use super::record::Record;
use super::{SEGMENT_BYTES, segment_name, segments};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::Duration;
use uuid::Uuid;

/// A sync older than this is worth a warning.
pub const SYNC_LATE_NS: u64 = 1_000_000_000;
/// Room for the recording, per byte of journal. Measured: 1.5 to 1.8 for 1 to 8 channels at 1 to 10 kHz. One channel that
/// does not compress at all takes 24 bytes a sample against some 8 in the journal.
pub const SEAL_BYTES_PER_JOURNAL_BYTE: u64 = 3;
/// Longest pause between syncs that fail.
const SYNC_PAUSE_MAX: Duration = Duration::from_secs(10);
/// How much may be appended before free space is asked for again.
const FREE_CHECK_BYTES: u64 = 1 << 20;

/// How a journal is written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Options {
    /// A new segment begins once the current one has this many bytes.
    pub segment_bytes: u64,
    /// Pause between syncs; `None` for no thread: only [`Writer::sync_now`] and [`Writer::finish`] sync.
    pub sync_interval: Option<Duration>,
    /// Space that stays free for sealing, at least; [`SEAL_BYTES_PER_JOURNAL_BYTE`] times the journal where that is more.
    pub reserve_bytes: u64,
    /// How much may wait for a sync. Over it an append waits for the disk (and the hand-over before it fills).
    pub unsynced_bytes_max: usize,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            segment_bytes: SEGMENT_BYTES,
            sync_interval: Some(Duration::from_millis(250)),
            reserve_bytes: 256 << 20,
            unsynced_bytes_max: 64 << 20,
        }
    }
}

/// Appends records to a journal. One per journal: a visit's lock sees to that.
#[derive(Debug)]
pub struct Writer {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
    encoded: Vec<u8>,
}

/// How far a journal has come; any number of these watch one [`Writer`] from other threads.
#[derive(Debug, Clone)]
pub struct Progress(Arc<Gauges>);

#[derive(Debug)]
struct Gauges {
    appended: AtomicU64,
    synced: AtomicU64,
    /// When the oldest record that is not synced was stamped; `u64::MAX` when all are.
    oldest_unsynced_ns: AtomicU64,
    failed_syncs: AtomicU64,
}

impl Progress {
    /// Number of the last record appended.
    #[must_use]
    pub fn appended_number(&self) -> Option<u64> {
        self.0.appended.load(Ordering::Acquire).checked_sub(1)
    }

    /// Number of the last record that, with all before it, survives power loss.
    #[must_use]
    pub fn synced_number(&self) -> Option<u64> {
        self.0.synced.load(Ordering::Acquire).checked_sub(1)
    }

    /// Age of the oldest record that would be lost with the power, ns; 0 when there is none.
    #[must_use]
    pub fn sync_age_ns(&self, now_monotonic_ns: u64) -> u64 {
        now_monotonic_ns.saturating_sub(self.0.oldest_unsynced_ns.load(Ordering::Acquire))
    }

    /// How many syncs failed so far.
    #[must_use]
    pub fn failed_syncs(&self) -> u64 {
        self.0.failed_syncs.load(Ordering::Acquire)
    }
}

impl Writer {
    /// Begins a visit's journal in `folder`, which is made if need be. `software` is the program and its version.
    ///
    /// # Errors
    /// The folder holds a journal, cannot be made or written, or the disk is nearly full.
    pub fn create(
        disk: Arc<dyn Disk>,
        folder: &Path,
        visit: Uuid,
        software: &str,
        options: Options,
    ) -> Result<Self, JournalError> {
        disk.make_folder(folder).map_err(JournalError::io("create the folder", folder))?;
        if !segments(&*disk, folder)?.is_empty() {
            return Err(JournalError::AlreadyThere { folder: folder.to_owned() });
        }
        let place = Place { disk, folder: folder.to_owned(), visit, software: software.to_owned() };
        Self::start(place, options, State::default())
    }

    /// Goes on with the journal in `folder`, in a new segment: after an interruption, or a crash of any kind. What is
    /// damaged stays as it is; numbers continue after the last record that can be read.
    ///
    /// # Errors
    /// There is no journal, it cannot be read or is from a newer version, the folder cannot be written, or the disk is
    /// nearly full.
    pub fn resume(
        disk: Arc<dyn Disk>,
        folder: &Path,
        software: &str,
        options: Options,
    ) -> Result<Self, JournalError> {
        let mut reader = Reader::open(Arc::clone(&disk), folder)?;
        let mut next_number = 0;
        for stamped in reader.by_ref() {
            next_number = stamped?.number.saturating_add(1);
        }
        // Appended is not synced: what a killed process left must be, before it is called so.
        disk.make_folder(folder).map_err(JournalError::io("sync", folder))?;
        let mut state = State { next_number, ..State::default() };
        for (segment, path) in segments(&*disk, folder)? {
            disk.sync_file(&path).map_err(JournalError::io("sync", &path))?;
            let file = disk.open_read(&path).map_err(JournalError::io("open", &path))?;
            state.journal_bytes += file.length().map_err(JournalError::io("read", &path))?;
            state.next_segment = segment + 1;
        }
        let visit = reader.visit().ok_or_else(|| JournalError::NoHeader { folder: folder.to_owned() })?;
        let place = Place { disk, folder: folder.to_owned(), visit, software: software.to_owned() };
        Self::start(place, options, state)
    }

    fn start(place: Place, options: Options, mut state: State) -> Result<Self, JournalError> {
        state.refresh_free_bytes(&place);
        state.refuse_if_nearly_full(&place, options.reserve_bytes, 0)?;
        state.open_segment(&place, state.next_number, &[])?;
        let gauges = Gauges {
            appended: AtomicU64::new(state.next_number),
            synced: AtomicU64::new(0),
            oldest_unsynced_ns: AtomicU64::new(u64::MAX),
            failed_syncs: AtomicU64::new(0),
        };
        let shared = Arc::new(Shared {
            place,
            options,
            state: Mutex::new(state),
            syncing: Mutex::new(()),
            stopping: Mutex::new(false),
            stop: Condvar::new(),
            gauges: Arc::new(gauges),
        });
        shared.sync()?;
        let mut writer = Self { shared, thread: None, encoded: Vec::new() };
        if let Some(interval) = writer.shared.options.sync_interval {
            let shared = Arc::clone(&writer.shared);
            let thread = std::thread::Builder::new().name("journal-sync".to_owned());
            let running = thread.spawn(move || shared.sync_until_stopped(interval));
            writer.thread = Some(running.map_err(JournalError::Thread)?);
        }
        Ok(writer)
    }

    /// Appends a record and gives its number. When it returns `Ok`, the record survives this process; on an error it is
    /// not in the journal (where that cannot be made sure of, the journal takes no more records).
    ///
    /// # Errors
    /// The disk is nearly full or refuses, the record is too large, or an earlier failure broke the journal.
    pub fn append(&mut self, monotonic_ns: u64, record: &Record) -> Result<u64, JournalError> {
        Ok(self.append_each([(monotonic_ns, record)].into_iter())?.start)
    }

    /// Appends records, each with its time stamp, in one write, and gives their numbers: all of them or none.
    ///
    /// # Errors
    /// As [`Writer::append`].
    pub fn append_all(&mut self, batch: &[(u64, Record)]) -> Result<Range<u64>, JournalError> {
        self.append_each(batch.iter().map(|(monotonic_ns, record)| (*monotonic_ns, record)))
    }

    fn append_each<'a>(
        &mut self,
        batch: impl Iterator<Item = (u64, &'a Record)>,
    ) -> Result<Range<u64>, JournalError> {
        let mut state = self.shared.state();
        let first = state.next_number;
        let (mut next, mut closing) = (first, true);
        self.encoded.clear();
        for (monotonic_ns, record) in batch {
            format::encode(&mut self.encoded, next, monotonic_ns, record)
                .map_err(|bytes| JournalError::RecordTooLarge { bytes, limit: PAYLOAD_BYTES_MAX })?;
            closing &= matches!(record, Record::Closed { .. } | Record::Finished(_));
            next += 1;
        }
        if next == first {
            return Ok(first..first);
        }
        if !closing {
            let reserve_bytes = self.shared.options.reserve_bytes;
            state.refuse_if_nearly_full(&self.shared.place, reserve_bytes, self.encoded.len())?;
        }
        if state.unsynced.len() + self.encoded.len() > self.shared.options.unsynced_bytes_max {
            drop(state);
            self.shared.sync()?;
            state = self.shared.state();
        }
        state.write(&self.shared.place, self.shared.options.segment_bytes, &self.encoded)?;
        state.next_number = next;
        self.shared.publish_append(&mut state, &self.encoded);
        Ok(first..next)
    }

    /// Returns once everything appended so far survives power loss.
    ///
    /// # Errors
    /// The disk refuses, twice: in the segment at hand and in a new one. What was appended still survives the process.
    pub fn sync_now(&self) -> Result<(), JournalError> {
        self.shared.sync()
    }

    /// A view of how far it has come, for other threads.
    #[must_use]
    pub fn progress(&self) -> Progress {
        Progress(Arc::clone(&self.shared.gauges))
    }

    /// Number of the last record that, with all before it, survives power loss.
    #[must_use]
    pub fn synced_number(&self) -> Option<u64> {
        self.progress().synced_number()
    }

    /// Number that the next record gets.
    #[must_use]
    pub fn next_number(&self) -> u64 {
        self.shared.state().next_number
    }

    /// Whose journal it is.
    #[must_use]
    pub fn visit(&self) -> Uuid {
        self.shared.place.visit
    }

    /// Its folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.shared.place.folder
    }

    /// Stops the thread, syncs what is left and closes the journal.
    ///
    /// # Errors
    /// As [`Writer::sync_now`].
    pub fn finish(mut self) -> Result<(), JournalError> {
        self.stop();
        self.shared.sync()
    }

    fn stop(&mut self) {
        *lock(&self.shared.stopping) = true;
        self.shared.stop.notify_all();
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!("the journal's sync thread died; what it left is synced now");
        }
    }
}

/// Without [`Writer::finish`] nothing more is synced: as if the process had died.
impl Drop for Writer {
    fn drop(&mut self) {
        self.stop();
    }
}

/// Where a journal is and what its headers say.
#[derive(Debug)]
struct Place {
    disk: Arc<dyn Disk>,
    folder: PathBuf,
    visit: Uuid,
    software: String,
}

/// What the appending and the syncing thread share.
#[derive(Debug)]
struct Shared {
    place: Place,
    options: Options,
    state: Mutex<State>,
    /// Held through a whole sync; the state's lock is not, so that appending goes on meanwhile.
    syncing: Mutex<()>,
    stopping: Mutex<bool>,
    stop: Condvar,
    gauges: Arc<Gauges>,
}

#[derive(Debug, Default)]
struct State {
    next_number: u64,
    next_segment: u32,
    journal_bytes: u64,
    current: Option<Segment>,
    /// Files with something to sync, oldest first; the current one is always among them.
    dirty: Vec<Arc<dyn AppendFile>>,
    folder_dirty: bool,
    /// The records appended since the last good sync, as they are in the file.
    unsynced: Vec<u8>,
    /// A sync failed: what is unsynced must go to a new segment before anything else.
    must_rewrite: bool,
    broken: bool,
    free_bytes: Option<u64>,
    unchecked_bytes: u64,
    warned_late: bool,
}

#[derive(Debug)]
struct Segment {
    file: Arc<dyn AppendFile>,
    path: PathBuf,
    bytes: u64,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl State {
    /// Writes records, in the current segment or a new one.
    fn write(&mut self, place: &Place, segment_bytes: u64, bytes: &[u8]) -> Result<(), JournalError> {
        if self.broken {
            return Err(JournalError::Broken { folder: place.folder.clone() });
        }
        self.put(place, segment_bytes, bytes)?;
        self.unsynced.extend(bytes);
        self.unchecked_bytes += bytes.len() as u64;
        if self.unchecked_bytes >= FREE_CHECK_BYTES {
            self.refresh_free_bytes(place);
        }
        Ok(())
    }

    fn put(&mut self, place: &Place, segment_bytes: u64, bytes: &[u8]) -> Result<(), JournalError> {
        let Some(segment) = self.current.take() else {
            return self.open_segment(place, self.next_number, bytes);
        };
        // Where no new segment can be opened, a full one serves on.
        if segment.bytes >= segment_bytes && self.open_segment(place, self.next_number, bytes).is_ok() {
            return Ok(());
        }
        self.put_here_or_elsewhere(place, segment, bytes)
    }

    fn put_here_or_elsewhere(
        &mut self,
        place: &Place,
        mut segment: Segment,
        bytes: &[u8],
    ) -> Result<(), JournalError> {
        let Err(error) = append_all(&*segment.file, bytes) else {
            segment.bytes += bytes.len() as u64;
            self.journal_bytes += bytes.len() as u64;
            self.current = Some(segment);
            return Ok(());
        };
        tracing::warn!(path = %segment.path.display(), %error, "a journal segment refused a record");
        let cut = segment.file.cut(segment.bytes);
        if self.open_segment(place, self.next_number, bytes).is_ok() {
            return Ok(());
        }
        let refused = JournalError::io("append to", &segment.path)(error);
        match cut {
            Ok(()) => self.current = Some(segment),
            Err(_) => self.broken = true,
        }
        Err(refused)
    }

    /// Opens the next segment with `bytes` in it, which begin at record `first_number`; before them, after a failed
    /// sync, what was unsynced. On an error there is no such segment.
    fn open_segment(&mut self, place: &Place, first_number: u64, bytes: &[u8]) -> Result<(), JournalError> {
        let rewritten = if self.must_rewrite { self.unsynced.as_slice() } else { &[] };
        let first_number = format::Head::decode(rewritten).map_or(first_number, |head| head.number);
        let (path, file) = create_segment(place, &mut self.next_segment)?;
        let header = Header {
            version: FORMAT_VERSION,
            visit: place.visit,
            segment: self.next_segment,
            first_number,
            software: place.software.clone(),
        };
        let content = [&header.encode(), rewritten, bytes].concat();
        if let Err(error) = append_all(&*file, &content) {
            // No trace of it: its records are not in the journal. A new segment would not help a second time.
            if place.disk.remove(&path).is_err() && file.cut(0).is_err() {
                self.broken = true;
            }
            return Err(JournalError::io("write", &path)(error));
        }
        self.next_segment += 1;
        self.must_rewrite = false;
        self.folder_dirty = true;
        self.journal_bytes += content.len() as u64;
        self.dirty.push(Arc::clone(&file));
        self.current = Some(Segment { file, path, bytes: content.len() as u64 });
        Ok(())
    }

    fn refresh_free_bytes(&mut self, place: &Place) {
        match place.disk.free_bytes(&place.folder) {
            Ok(free_bytes) => self.free_bytes = Some(free_bytes),
            Err(error) => tracing::warn!(%error, "cannot tell how much of the disk is free"),
        }
        self.unchecked_bytes = 0;
    }

    fn refuse_if_nearly_full(
        &self,
        place: &Place,
        reserve_bytes: u64,
        more_bytes: usize,
    ) -> Result<(), JournalError> {
        let Some(free_bytes) = self.free_bytes else { return Ok(()) };
        let free_bytes = free_bytes.saturating_sub(self.unchecked_bytes);
        let reserve_bytes = reserve_bytes.max(SEAL_BYTES_PER_JOURNAL_BYTE * self.journal_bytes);
        if free_bytes >= reserve_bytes.saturating_add(more_bytes as u64) {
            return Ok(());
        }
        Err(JournalError::DiskNearlyFull { folder: place.folder.clone(), free_bytes, reserve_bytes })
    }

    fn oldest_unsynced_ns(&self) -> u64 {
        self.unsynced
            .get(..HEAD_BYTES)
            .and_then(format::Head::decode)
            .map_or(u64::MAX, |head| head.monotonic_ns)
    }
}

/// Creates the next segment's file; a number that is taken by something unreadable is passed over.
fn create_segment(place: &Place, number: &mut u32) -> Result<(PathBuf, Arc<dyn AppendFile>), JournalError> {
    loop {
        let path = place.folder.join(segment_name(*number));
        match place.disk.create_new(&path) {
            Ok(file) => return Ok((path, file)),
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => *number += 1,
            Err(error) => return Err(JournalError::io("create", &path)(error)),
        }
    }
}

/// One round of syncing, as it stood when it began.
struct Round {
    files: Vec<Arc<dyn AppendFile>>,
    /// Those of them that nothing is appended to any more. The current one may get records while it is synced, and be
    /// full before the round ends: it is not done with then.
    closed: Vec<Arc<dyn AppendFile>>,
    folder_dirty: bool,
    unsynced_bytes: usize,
    next_number: u64,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        lock(&self.state)
    }

    fn publish_append(&self, state: &mut State, encoded: &[u8]) {
        self.gauges.appended.store(state.next_number, Ordering::Release);
        let oldest_ns = state.oldest_unsynced_ns();
        self.gauges.oldest_unsynced_ns.store(oldest_ns, Ordering::Release);
        let newest_ns = format::Head::decode(encoded).map_or(0, |head| head.monotonic_ns);
        if newest_ns.saturating_sub(oldest_ns) > SYNC_LATE_NS && !state.warned_late {
            state.warned_late = true;
            tracing::warn!(
                behind_ns = newest_ns - oldest_ns,
                "the disk is slow: the last sync is over 1 s old"
            );
        }
    }

    fn sync_until_stopped(&self, interval: Duration) {
        let mut pause = interval;
        loop {
            let stopping = lock(&self.stopping);
            let waited = self.stop.wait_timeout_while(stopping, pause, |stopping| !*stopping);
            if *waited.unwrap_or_else(PoisonError::into_inner).0 {
                return;
            }
            pause = match self.sync() {
                Ok(()) => interval,
                Err(error) => {
                    tracing::error!(%error, "what was measured since the last sync would not survive power loss");
                    // Each round writes what is unsynced once more: not in haste.
                    (pause * 2).min(SYNC_PAUSE_MAX.max(interval))
                }
            };
        }
    }

    /// Syncs everything appended so far; after a failure once more, in a new segment.
    fn sync(&self) -> Result<(), JournalError> {
        let _one_at_a_time = lock(&self.syncing);
        let Err(error) = self.sync_once() else { return Ok(()) };
        tracing::warn!(%error, "a journal sync failed; what was unsynced goes to a new segment");
        self.sync_once()
    }

    fn sync_once(&self) -> Result<(), JournalError> {
        let Some(round) = self.begin_round()? else { return Ok(()) };
        let synced = round.files.iter().try_for_each(|file| file.sync()).and_then(|()| {
            if round.folder_dirty { self.place.disk.sync_folder(&self.place.folder) } else { Ok(()) }
        });
        match synced {
            Ok(()) => {
                self.end_round(&round);
                Ok(())
            }
            Err(error) => {
                self.give_up_segments();
                Err(JournalError::io("sync", &self.place.folder)(error))
            }
        }
    }

    /// What there is to sync; `None` when all is.
    fn begin_round(&self) -> Result<Option<Round>, JournalError> {
        let mut state = self.state();
        if state.must_rewrite {
            let next_number = state.next_number;
            state.open_segment(&self.place, next_number, &[])?;
        }
        if state.unsynced.is_empty() && !state.folder_dirty {
            state.refresh_free_bytes(&self.place);
            return Ok(None);
        }
        let files = state.dirty.clone();
        let current = state.current.as_ref().map(|segment| &segment.file);
        let closed = files.iter().filter(|file| !current.is_some_and(|current| Arc::ptr_eq(file, current)));
        let closed = closed.cloned().collect();
        Ok(Some(Round {
            files,
            closed,
            folder_dirty: std::mem::take(&mut state.folder_dirty),
            unsynced_bytes: state.unsynced.len(),
            next_number: state.next_number,
        }))
    }

    fn end_round(&self, round: &Round) {
        let mut state = self.state();
        state.unsynced.drain(..round.unsynced_bytes);
        state.dirty.retain(|file| !round.closed.iter().any(|closed| Arc::ptr_eq(file, closed)));
        state.warned_late = false;
        state.refresh_free_bytes(&self.place);
        self.gauges.synced.store(round.next_number, Ordering::Release);
        self.gauges.oldest_unsynced_ns.store(state.oldest_unsynced_ns(), Ordering::Release);
    }

    /// After a failed sync: none of these files is synced or written again.
    fn give_up_segments(&self) {
        let mut state = self.state();
        state.current = None;
        state.dirty.clear();
        state.folder_dirty = true;
        state.must_rewrite = true;
        self.gauges.failed_syncs.fetch_add(1, Ordering::AcqRel);
    }
}
