//! Serial ports: finding them, opening them, and the thread that reads one.
//!
//! In: a port's name. Out: [`handover::Item`]s in the order in which they happened, stamped with the monotonic clock in
//! nanoseconds at the moment a read returned. Nothing here knows what the bytes mean, except [`listen`], which says what
//! kind of device a port sounds like, [`profile`], what lines of numbers mean, and [`propose`], which finds that out.

pub mod cable;
pub mod find;
pub mod handover;
pub mod listen;
pub mod open;
pub mod profile;
pub mod propose;
pub mod reader;
pub mod text;

use std::io::{self, Write};
use std::time::Duration;

pub use open::{DEFAULT_BAUD, OpenError, open};

/// Most sensors of a recording.
pub const SENSORS_MAX: usize = 16;

/// How long a read waits for a byte before it returns `TimedOut`; also how fast a reader thread hears that it must stop.
pub const READ_TIMEOUT: Duration = Duration::from_millis(50);

/// How long a write waits for a device that takes nothing before it gives up.
pub const WRITE_TIMEOUT: Duration = Duration::from_millis(500);

/// An open port: the seam behind which a simulated world may stand.
pub trait Port: Send {
    /// The name by which it was opened.
    fn name(&self) -> &str;

    /// Waits up to [`READ_TIMEOUT`] for bytes.
    ///
    /// # Errors
    /// `TimedOut` when nothing came: silence, not an end. See [`reader::is_unplugged`] for what tells that the device
    /// is gone. `Ok(0)` means the same.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize>;

    /// A second handle, which writes, usable from another thread and as long as it is kept. A write waits up to
    /// [`WRITE_TIMEOUT`].
    ///
    /// # Errors
    /// What the system says when the handle cannot be had.
    fn writer(&self) -> io::Result<Box<dyn Write + Send>>;
}
