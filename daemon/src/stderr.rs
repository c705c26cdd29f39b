//! Stderr that never makes a recording wait: a paused terminal, a pager or a hung connection takes nothing for as long as it
//! likes, and what comes from the sensor must go to the journal all the same.
//!
//! In: text, from any thread. Out: the same on stderr, written by a thread of its own. What does not fit into the queue
//! is left out, and how much that was is told as soon as there is room again.
//!
//! Where logs are objects, everything here is one: words for people are not said then, and what a machine is to know is logged.

use crate::clock::{Clock, SystemClock, rfc3339};
use analysis::console::{self, clean};
use std::io::{self, Write};
use std::process::ExitCode;
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
/// A live line is shown: whatever is written next takes it away.
static LIVE: AtomicBool = AtomicBool::new(false);
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
                    let _ = writeln!(io::stderr(), "{}", were_left_out(left_out));
                }
            }
            Piece::Written(done) => {
                let _ = done.try_send(());
            }
        }
    }
}

/// Past the queue, which may be full still.
fn were_left_out(left_out: u64) -> String {
    const WHY: &str = "messages were left out: nothing took them";
    if !is_json() {
        return format!("({left_out} {WHY})");
    }
    let fields = serde_json::json!({ "message": WHY, "left_out": left_out });
    let at = rfc3339(SystemClock.utc_ns());
    serde_json::json!({ "timestamp": at, "level": "ERROR", "fields": fields, "target": module_path!() })
        .to_string()
}

/// Chooses what stderr is for, where it is `json`: a machine.
pub const FORMAT: &str = "FINGERFORCE_LOG_FORMAT";

/// Stderr is for a machine: an object a line.
pub fn is_json() -> bool {
    static JSON: OnceLock<bool> = OnceLock::new();
    *JSON.get_or_init(|| std::env::var_os(FORMAT).is_some_and(|format| format == "json"))
}

/// Says a line to people.
pub fn say(words: &str) {
    if !is_json() {
        // A closed stderr is no reason to stop.
        let _ = Stderr.write_all(format!("{}\n", clean(words)).as_bytes());
    }
}

/// Shows a line that stays until something else is written.
pub fn live(line: &str) {
    let _ = put(format!("\r{line}\x1b[K").into_bytes());
    LIVE.store(true, Ordering::Relaxed);
}

/// Takes the live line away.
pub fn clear() {
    if LIVE.swap(false, Ordering::Relaxed) {
        let _ = put(b"\r\x1b[K".to_vec());
    }
}

/// Tells why a command failed, after all that was said before; gives its exit code.
pub fn report(error: &anyhow::Error) -> ExitCode {
    if is_json() {
        let (told, hint) = console::told(error);
        tracing::error!(hint, "{told}");
        settle();
        return console::exit_code(error);
    }
    settle();
    console::report(error)
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

fn put(text: Vec<u8>) -> io::Result<()> {
    TAKEN.fetch_add(1, Ordering::Relaxed);
    match queue().try_send(Piece::Text(text)) {
        Err(TrySendError::Full(_)) => {
            TAKEN.fetch_sub(1, Ordering::Relaxed);
            LEFT_OUT.fetch_add(1, Ordering::Relaxed);
        }
        Err(TrySendError::Disconnected(Piece::Text(text))) => {
            WRITTEN.fetch_add(1, Ordering::Relaxed);
            io::stderr().write_all(&text)?;
        }
        Ok(()) | Err(TrySendError::Disconnected(Piece::Written(_))) => {}
    }
    Ok(())
}

/// Stderr, without waiting.
#[derive(Debug, Clone, Copy)]
pub struct Stderr;

impl Write for Stderr {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        clear();
        put(text.to_vec())?;
        Ok(text.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
