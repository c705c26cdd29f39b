//! The thread that reads one port and does nothing else.
//!
//! In: an open port. Out: into the [`Handover`], each chunk of bytes stamped with the monotonic clock right after its
//! read returned, and at the end why the port is gone. It blocks on nothing but the port.

use super::handover::{Handover, Item, Reason};
use super::{Port, READ_TIMEOUT};
use crate::clock::Clock;
use nix::errno::Errno;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

/// The most that one read takes.
const BUFFER_BYTES: usize = 64 * 1024;

/// A running reader thread. Dropping it stops the thread and closes the port.
#[derive(Debug)]
pub struct Reader {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Reader {
    /// Starts reading `port`, whose items will carry `number`. The thread ends by itself after [`Item::Gone`], closing
    /// the port.
    ///
    /// # Errors
    /// The system's, when it gives no thread.
    pub fn start(
        number: u8,
        port: Box<dyn Port>,
        clock: Arc<dyn Clock>,
        handover: Arc<Handover>,
    ) -> io::Result<Reader> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::Builder::new()
            .name(format!("reader-{number}"))
            .spawn(move || read_port(number, port, &*clock, &handover, &stopped))?;
        Ok(Reader { stop, thread: Some(thread) })
    }

    /// Asks the thread to stop and waits for it: at most [`READ_TIMEOUT`]. All that it read is in the hand-over then,
    /// without an [`Item::Gone`].
    pub fn stop(mut self) {
        self.join();
    }

    /// Whether the thread has ended.
    #[must_use]
    pub fn is_finished(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }

    fn join(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take()
            && thread.join().is_err()
        {
            tracing::error!(timeout = ?READ_TIMEOUT, "a reader thread ended by a fault of this program");
        }
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.join();
    }
}

fn read_port(number: u8, mut port: Box<dyn Port>, clock: &dyn Clock, handover: &Handover, stop: &AtomicBool) {
    let mut buffer = vec![0; BUFFER_BYTES];
    while !stop.load(Ordering::Relaxed) {
        let result = port.read(&mut buffer);
        let monotonic_ns = clock.monotonic_ns();
        match outcome(result) {
            Outcome::Bytes(length) => {
                handover.push(Item::Chunk { port: number, monotonic_ns, bytes: buffer[..length].to_vec() });
            }
            Outcome::Silence => {}
            Outcome::Gone(reason) => {
                // Closed before it is announced, so that who hears of it may open the port again.
                drop(port);
                return handover.push(Item::Gone { port: number, monotonic_ns, reason });
            }
        }
    }
}

enum Outcome {
    Bytes(usize),
    Silence,
    Gone(Reason),
}

fn outcome(result: io::Result<usize>) -> Outcome {
    match result {
        Ok(0) => Outcome::Gone(Reason::Unplugged),
        Ok(length) => Outcome::Bytes(length),
        Err(error) if is_silence(&error) => Outcome::Silence,
        Err(error) if is_unplugged(&error) => Outcome::Gone(Reason::Unplugged),
        Err(error) => Outcome::Gone(Reason::Error(error.to_string())),
    }
}

fn is_silence(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::Interrupted | io::ErrorKind::WouldBlock)
}

/// Whether `error` says that the device is not there any more.
#[must_use]
pub fn is_unplugged(error: &io::Error) -> bool {
    const GONE: [Errno; 5] = [Errno::EIO, Errno::ENXIO, Errno::ENODEV, Errno::EPIPE, Errno::ENOTCONN];
    if matches!(error.kind(), io::ErrorKind::BrokenPipe | io::ErrorKind::UnexpectedEof) {
        return true;
    }
    match error.raw_os_error() {
        Some(number) => GONE.contains(&Errno::from_raw(number)),
        // The serial library passes on only the system's words.
        None => GONE.iter().any(|errno| error.to_string() == errno.desc()),
    }
}

#[cfg(test)]
mod tests {
    use super::super::handover::{CAPACITY_BYTES, CHUNK_COST_BYTES};
    use super::super::{DEFAULT_BAUD, open};
    use super::*;
    use crate::clock::SystemClock;
    use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
    use proptest::prelude::*;
    use std::collections::VecDeque;
    use std::io::{Read, Write};
    use std::time::Duration;

    const LONG: Duration = Duration::from_secs(60);

    struct Scene {
        master: PtyMaster,
        writer: Box<dyn Write + Send>,
        handover: Arc<Handover>,
        reader: Reader,
    }

    fn scene(capacity_bytes: usize) -> Scene {
        let master = posix_openpt(nix::fcntl::OFlag::O_RDWR | nix::fcntl::OFlag::O_NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let port = open(&ptsname_r(&master).unwrap(), DEFAULT_BAUD).unwrap();
        let writer = port.writer().unwrap();
        let handover = Handover::new(capacity_bytes);
        let clock = Arc::new(SystemClock);
        let reader = Reader::start(3, Box::new(port), clock, Arc::clone(&handover)).unwrap();
        Scene { master, writer, handover, reader }
    }

    /// Takes until `done` says so, waiting as long as it takes.
    fn take_until(handover: &Handover, done: impl Fn(&VecDeque<Item>) -> bool) -> VecDeque<Item> {
        let mut items = VecDeque::new();
        while !done(&items) {
            assert!(handover.wait(LONG), "nothing came; so far {} items", items.len());
            items.append(&mut handover.take());
        }
        items
    }

    fn total(items: &VecDeque<Item>) -> u64 {
        items.iter().fold(0, |sum, item| {
            sum + match item {
                Item::Chunk { bytes, .. } => bytes.len() as u64,
                Item::Dropped { bytes, .. } => *bytes,
                Item::Gone { .. } => 0,
            }
        })
    }

    fn bytes_of(items: &VecDeque<Item>) -> Vec<u8> {
        let chunks = items.iter().filter_map(|item| match item {
            Item::Chunk { bytes, .. } => Some(bytes.as_slice()),
            _ => None,
        });
        chunks.collect::<Vec<_>>().concat()
    }

    /// All 256 byte values, in an order that repeats only after 2^16 bytes: nothing may be changed, lost or reordered.
    fn pattern(length: usize) -> Vec<u8> {
        (0..length).map(|i| (i ^ (i >> 8)) as u8).collect()
    }

    #[test]
    fn every_byte_comes_in_order_with_rising_stamps() {
        let before_ns = SystemClock.monotonic_ns();
        let mut scene = scene(CAPACITY_BYTES);
        let sent = pattern(300_000);
        scene.master.write_all(&sent).unwrap();
        let items = take_until(&scene.handover, |items| total(items) >= sent.len() as u64);
        assert_eq!(bytes_of(&items), sent);
        let stamps: Vec<u64> = items
            .iter()
            .map(|item| match item {
                Item::Chunk { port: 3, monotonic_ns, .. } => *monotonic_ns,
                other => unreachable!("{other:?}"),
            })
            .collect();
        assert!(stamps.is_sorted() && stamps[0] >= before_ns);
        assert!(SystemClock.monotonic_ns() >= stamps[stamps.len() - 1]);
        scene.reader.stop();
    }

    #[test]
    fn silence_is_not_an_end_but_unplugging_is() {
        let mut scene = scene(CAPACITY_BYTES);
        // Several read timeouts without a byte: the reader must stay.
        assert!(!scene.handover.wait(4 * READ_TIMEOUT));
        assert!(!scene.reader.is_finished());
        scene.master.write_all(b"still here").unwrap();
        let items = take_until(&scene.handover, |items| total(items) >= 10);
        assert_eq!(bytes_of(&items), b"still here");
        drop(scene.master);
        let items = take_until(&scene.handover, |items| !items.is_empty());
        assert!(
            matches!(items[0], Item::Gone { port: 3, reason: Reason::Unplugged, .. }),
            "{items:?} must be an unplugging"
        );
    }

    #[test]
    fn overflow_is_counted_exactly() {
        let mut scene = scene(1_000 + CHUNK_COST_BYTES);
        let sent = pattern(50_000);
        scene.master.write_all(&sent).unwrap();
        drop(scene.writer);
        // Stopping joins the thread; before that, the pseudo-terminal must be empty: it is when a marker came back.
        let mut items = VecDeque::new();
        while total(&items) < sent.len() as u64 {
            assert!(scene.handover.wait(LONG));
            items.append(&mut scene.handover.take());
        }
        scene.reader.stop();
        assert_eq!(total(&items), sent.len() as u64, "delivered and dropped make all");
        assert_eq!(scene.handover.dropped_bytes() + bytes_of(&items).len() as u64, sent.len() as u64);
    }

    #[test]
    fn what_does_not_fit_is_dropped_while_nobody_takes() {
        let mut scene = scene(0);
        let sent = pattern(20_000);
        scene.master.write_all(&sent).unwrap();
        while scene.handover.dropped_bytes() < sent.len() as u64 {
            assert!(scene.handover.wait(LONG));
        }
        scene.reader.stop();
        let items = scene.handover.take();
        assert!(matches!(items[0], Item::Dropped { port: 3, bytes: 20_000, .. }), "{items:?}");
        assert_eq!(items.len(), 1, "one item, in its place");
    }

    #[test]
    fn the_device_hears_what_the_host_writes() {
        let mut scene = scene(CAPACITY_BYTES);
        let sent = pattern(600);
        scene.writer.write_all(&sent).unwrap();
        let mut heard = vec![0; sent.len()];
        scene.master.read_exact(&mut heard).unwrap();
        assert_eq!(heard, sent);
    }

    #[test]
    fn a_stopped_reader_closes_its_port_and_says_nothing() {
        let scene = scene(CAPACITY_BYTES);
        let name = ptsname_r(&scene.master).unwrap();
        scene.reader.stop();
        assert!(scene.handover.take().is_empty());
        drop(scene.writer);
        open(&name, DEFAULT_BAUD).unwrap();
    }

    #[test]
    fn unplugging_is_told_from_other_errors() {
        for errno in [Errno::EIO, Errno::ENXIO, Errno::ENODEV] {
            assert!(is_unplugged(&io::Error::from_raw_os_error(errno as i32)), "{errno}");
            assert!(is_unplugged(&io::Error::other(errno.desc())), "{errno} in words");
        }
        assert!(is_unplugged(&io::ErrorKind::BrokenPipe.into()));
        assert!(!is_unplugged(&io::Error::from_raw_os_error(Errno::ENOMEM as i32)));
        assert!(matches!(outcome(Err(io::ErrorKind::TimedOut.into())), Outcome::Silence));
        assert!(matches!(outcome(Err(io::ErrorKind::Interrupted.into())), Outcome::Silence));
        assert!(matches!(outcome(Ok(0)), Outcome::Gone(Reason::Unplugged)));
    }

    /// A port that is a list of what its reads give: the seam for simulated worlds.
    struct Scripted(VecDeque<io::Result<Vec<u8>>>);

    impl Port for Scripted {
        fn name(&self) -> &str {
            "scripted"
        }
        fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
            let bytes = self.0.pop_front().unwrap_or_else(|| Err(io::Error::other("no memory")))?;
            buffer[..bytes.len()].copy_from_slice(&bytes);
            Ok(bytes.len())
        }
        fn writer(&self) -> io::Result<Box<dyn Write + Send>> {
            Ok(Box::new(io::sink()))
        }
    }

    proptest! {
        #[test]
        fn chunks_come_as_they_were_read(reads in prop::collection::vec(prop::option::of(prop::collection::vec(any::<u8>(), 1..50)), 0..40)) {
            let script = reads.iter().map(|read| read.clone().ok_or_else(|| io::ErrorKind::TimedOut.into()));
            let port = Scripted(script.collect());
            let handover = Handover::new(CAPACITY_BYTES);
            let reader = Reader::start(0, Box::new(port), Arc::new(SystemClock), Arc::clone(&handover)).unwrap();
            let items = take_until(&handover, |items| matches!(items.back(), Some(Item::Gone { .. })));
            drop(reader);
            let expected: Vec<&Vec<u8>> = reads.iter().flatten().collect();
            prop_assert_eq!(items.len(), expected.len() + 1);
            for (item, bytes) in items.iter().zip(expected) {
                let as_read = matches!(item, Item::Chunk { bytes: came, .. } if came == bytes);
                prop_assert!(as_read);
            }
            let broken = matches!(&items[items.len() - 1], Item::Gone { reason: Reason::Error(text), .. } if text == "no memory");
            prop_assert!(broken);
        }
    }
}
