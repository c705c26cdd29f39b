//! Stderr that never makes a recording wait: a paused terminal, a pager or a hung connection takes nothing for as long as it
//! likes, and what comes from the sensor must go to the journal all the same.
//!
//! In: text, from any thread. Out: the same on stderr, written by a thread of its own. What does not fit into the queue
//! is left out, and how much that was is told as soon as there is room again.

use std::io::{self, Write};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::time::Duration;

/// Pieces of text that wait at most; a line or a little more each.
const WAITING: usize = 1024;
/// How long the end waits for what is still to be written.
const PATIENCE: Duration = Duration::from_secs(1);

/// Pieces that were left out and not told yet.
static LEFT_OUT: AtomicU64 = AtomicU64::new(0);
/// Pieces that were taken into the queue, and that were written.
static TAKEN: AtomicU64 = AtomicU64::new(0);
static WRITTEN: AtomicU64 = AtomicU64::new(0);
/// The last piece could not be written: stderr is closed.
static CLOSED: AtomicBool = AtomicBool::new(false);

enum Piece {
    Text(Vec<u8>),
    /// Everything before is written: say so.
    Written(SyncSender<()>),
}

fn queue() -> &'static SyncSender<Piece> {
    static QUEUE: OnceLock<SyncSender<Piece>> = OnceLock::new();
    QUEUE.get_or_init(|| {
        let (queue, pieces) = sync_channel(WAITING);
        // Where there is no thread nobody takes the pieces, and they are written at once.
        let _ = std::thread::Builder::new().name("stderr".to_owned()).spawn(move || write_all(&pieces));
        queue
    })
}

/// A closed stderr is no reason to stop: whatever cannot be written is nobody's any more.
fn write_all(pieces: &Receiver<Piece>) {
    for piece in pieces {
        match piece {
            Piece::Text(text) => {
                CLOSED.store(io::stderr().write_all(&text).is_err(), Ordering::Relaxed);
                WRITTEN.fetch_add(1, Ordering::Relaxed);
                let left_out = LEFT_OUT.swap(0, Ordering::Relaxed);
                if left_out > 0 {
                    let _ = writeln!(io::stderr(), "({left_out} messages were left out: nothing took them)");
                }
            }
            Piece::Written(done) => {
                let _ = done.try_send(());
            }
        }
    }
}

/// Waits until everything is written, but not long: for the end of a program, and before others write.
pub fn settle() {
    let (done, written) = sync_channel(1);
    if queue().try_send(Piece::Written(done)).is_ok() {
        let _ = written.recv_timeout(PATIENCE);
    }
}

/// Something is still to be written, or cannot be: nobody sees it now.
pub fn is_behind() -> bool {
    let behind = WRITTEN.load(Ordering::Relaxed) < TAKEN.load(Ordering::Relaxed);
    behind || CLOSED.load(Ordering::Relaxed)
}

/// Stderr, without waiting.
#[derive(Debug, Clone, Copy)]
pub struct Stderr;

impl Write for Stderr {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        TAKEN.fetch_add(1, Ordering::Relaxed);
        match queue().try_send(Piece::Text(text.to_vec())) {
            Ok(()) => {}
            Err(TrySendError::Full(_)) => {
                TAKEN.fetch_sub(1, Ordering::Relaxed);
                LEFT_OUT.fetch_add(1, Ordering::Relaxed);
            }
            Err(TrySendError::Disconnected(_)) => {
                WRITTEN.fetch_add(1, Ordering::Relaxed);
                return io::stderr().write(text);
            }
        }
        Ok(text.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
