//! A simulated sensor in real time, behind a pseudo-terminal.
//!
//! In: the sensor, a clock, a flag that ends it. Out: bytes on the pseudo-terminal, paced as hardware paces them, and a
//! [`Report`] at the end. What the reader does not take in time fills the pseudo-terminal (some 20 KB), then the board's
//! buffer, and then is dropped and counted by the board. Closing a pseudo-terminal discards what was not read; so it
//! is drained before.

use super::led::Order;
use super::pty::{Pty, PtyError};
use super::report::Report;
use super::sensor::{Counted, Plug, Sensor};
use crate::clock::Clock;
use analysis::console::Advice;
use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::Receiver;
use std::time::Duration;

/// The port is served at least once per this much simulated time, ns.
const STEP_NS: u64 = 2_000_000;
/// While the port is drained it is looked at this often, ns.
const DRAIN_STEP_NS: u64 = 1_000_000;
/// A reader that has not read what was sent after this time will not, ns.
const DRAIN_NS: u64 = 3_000_000_000;
/// When the host has stopped the stream and does not start another within this time, all is over, ns.
const STOPPED_NS: u64 = 1_000_000_000;
/// A killed host's hold on the port is undone this often, ns.
const RELEASE_NS: u64 = 100_000_000;
/// The most that being late ourselves is made up for, ns.
const MOST_PATIENCE_NS: u64 = 200_000_000;

/// How to run it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Running {
    /// Where to link the pseudo-terminal.
    pub link: Option<PathBuf>,
    /// Stay this long after the script's end for a host that has not stopped yet, ns.
    pub lingers_ns: u64,
    /// Stay after the script's end, and after the host has stopped the stream.
    pub forever: bool,
    /// Write every produced sample's counts to this file: i32, little-endian, all channels of a sample together.
    pub log_counts: Option<PathBuf>,
}

/// A simulation that could not begin or go on.
#[derive(Debug, thiserror::Error)]
pub enum RunError {
    /// No pseudo-terminal.
    #[error(transparent)]
    Pty(#[from] PtyError),
    /// The pseudo-terminal failed.
    #[error("the pseudo-terminal failed")]
    Port(#[from] io::Error),
    /// The file for the counts.
    #[error("cannot write the counts to {}", path.display())]
    Log {
        /// The file.
        path: PathBuf,
        /// The system's words.
        source: io::Error,
    },
}

impl Advice for RunError {
    fn hint(&self) -> String {
        match self {
            RunError::Pty(error) => error.hint(),
            RunError::Port(_) => "start the simulation again".to_owned(),
            RunError::Log { .. } => "check the path, and that the disk has room".to_owned(),
        }
    }
}

/// A simulated sensor at its port.
#[derive(Debug)]
pub struct Simulation {
    sensor: Sensor,
    running: Running,
    pty: Option<Pty>,
    log: Option<CountsLog>,
    over_ns: Option<u64>,
    stopped_ns: Option<u64>,
    released_ns: u64,
    orders: Option<Receiver<Order>>,
    /// How long the reader may still make us wait because we were late ourselves, ns.
    patience_ns: u64,
}

impl Simulation {
    /// Opens its port: when this returns, a host can open it.
    ///
    /// # Errors
    /// [`RunError`].
    pub fn new(sensor: Sensor, running: Running) -> Result<Self, RunError> {
        let pty = Pty::open(running.link.as_deref())?;
        let channels = sensor.settings().converter.channels;
        let log = running.log_counts.as_deref().map(|path| CountsLog::create(path, channels)).transpose()?;
        let released_ns = sensor.now_ns();
        let (over_ns, stopped_ns, patience_ns, orders, pty) = (None, None, 0, None, Some(pty));
        Ok(Simulation { sensor, running, pty, log, over_ns, stopped_ns, released_ns, orders, patience_ns })
    }

    /// The name of its pseudo-terminal; `None` while the cable is out.
    #[must_use]
    pub fn device(&self) -> Option<&str> {
        self.pty.as_ref().map(Pty::name)
    }

    /// Lets the hand be told what to do while it runs.
    pub fn follow(&mut self, orders: Receiver<Order>) {
        self.orders = Some(orders);
    }

    /// What the hand was told since the last time.
    fn obey(&mut self) {
        if let Some(orders) = &self.orders {
            while let Ok(order) = orders.try_recv() {
                self.sensor.tell(order);
            }
        }
    }

    /// Runs it until its end, or until `stop` is set.
    ///
    /// # Errors
    /// [`RunError`].
    pub fn run(mut self, clock: &dyn Clock, stop: &AtomicBool) -> Result<Report, RunError> {
        loop {
            self.catch_up(clock)?;
            self.obey();
            self.listen(clock)?;
            self.follow_cable(clock)?;
            self.write_counts()?;
            if let Some(reason) = self.ended(clock.monotonic_ns(), stop) {
                return self.finish(clock, reason);
            }
            self.wait(clock)?;
        }
    }

    /// Lets the sensor live up to now, in steps short enough that its buffer does not overflow for our being late.
    fn catch_up(&mut self, clock: &dyn Clock) -> Result<(), RunError> {
        let now_ns = clock.monotonic_ns();
        let late_ns = now_ns.saturating_sub(self.sensor.now_ns() + 2 * STEP_NS);
        self.patience_ns = (self.patience_ns + late_ns).min(MOST_PATIENCE_NS);
        loop {
            let step_ns = now_ns.min(self.sensor.now_ns() + STEP_NS);
            self.sensor.advance(step_ns);
            self.send(clock)?;
            if step_ns >= now_ns {
                self.patience_ns = 0;
                return Ok(());
            }
        }
    }

    fn send(&mut self, clock: &dyn Clock) -> Result<(), RunError> {
        let Some(pty) = &mut self.pty else { return Ok(()) };
        while !self.sensor.output().is_empty() {
            let count = pty.write(self.sensor.output())?;
            self.sensor.take(count);
            if count == 0 {
                if self.patience_ns == 0 {
                    break;
                }
                let before_ns = clock.monotonic_ns();
                pty.wait_for_room(Duration::from_nanos(self.patience_ns))?;
                let waited_ns = clock.monotonic_ns() - before_ns;
                self.patience_ns = self.patience_ns.saturating_sub(waited_ns.max(1));
            }
        }
        if pty.is_read()? {
            self.sensor.settle();
        }
        Ok(())
    }

    fn listen(&mut self, clock: &dyn Clock) -> Result<(), RunError> {
        let mut buffer = [0; 1024];
        while let Some(pty) = &mut self.pty {
            let count = pty.read(&mut buffer)?;
            if count == 0 {
                break;
            }
            // What is heard while the cable is being pulled is not heard.
            if self.sensor.plug() == Plug::In {
                self.sensor.hear(&buffer[..count], clock.monotonic_ns());
            }
        }
        self.send(clock)
    }

    /// Pulls the cable once the reader has what was sent before, and puts it back.
    fn follow_cable(&mut self, clock: &dyn Clock) -> Result<(), RunError> {
        match (self.sensor.plug(), &mut self.pty) {
            (Plug::Leaving { since_ns }, Some(pty)) => {
                let drained = self.sensor.is_drained() && pty.is_read()?;
                if drained || clock.monotonic_ns() > since_ns + DRAIN_NS {
                    let unread = pty.withdraw()?;
                    self.pty = None;
                    self.sensor.unplugged(unread);
                    tracing::info!(unread, "the cable is out");
                }
            }
            (Plug::In, None) => {
                let pty = Pty::open(self.running.link.as_deref())?;
                tracing::info!(device = pty.name(), "the cable is back");
                self.pty = Some(pty);
            }
            (_, Some(pty)) if clock.monotonic_ns() > self.released_ns + RELEASE_NS => {
                pty.release()?;
                self.released_ns = clock.monotonic_ns();
            }
            _ => {}
        }
        Ok(())
    }

    fn write_counts(&mut self) -> Result<(), RunError> {
        let counts = self.sensor.take_counts();
        self.log.as_mut().map_or(Ok(()), |log| log.write(&counts))
    }

    fn ended(&mut self, now_ns: u64, stop: &AtomicBool) -> Option<&'static str> {
        if stop.load(Ordering::Relaxed) {
            return Some("signal");
        }
        if self.running.forever {
            return None;
        }
        if lasted(&mut self.stopped_ns, self.sensor.is_stopped(), now_ns) >= STOPPED_NS {
            return Some("stopped by the host");
        }
        let over = self.sensor.is_over() && self.stopped_ns.is_none();
        let lingered = over && lasted(&mut self.over_ns, over, now_ns) >= self.running.lingers_ns;
        lingered.then_some("source over, not stopped by the host")
    }

    fn wait(&mut self, clock: &dyn Clock) -> Result<(), RunError> {
        let now_ns = clock.monotonic_ns();
        let leaving = matches!(self.sensor.plug(), Plug::Leaving { .. });
        let next_ns = if leaving { now_ns + DRAIN_STEP_NS } else { self.sensor.next_ns() };
        match &self.pty {
            Some(pty) => pty.wait(Duration::from_nanos(next_ns.saturating_sub(now_ns)))?,
            None => clock.sleep_until_ns(next_ns),
        }
        Ok(())
    }

    /// Lets the reader have what was sent, as long as it reads; then closes the port.
    fn finish(mut self, clock: &dyn Clock, reason: &'static str) -> Result<Report, RunError> {
        let until_ns = clock.monotonic_ns() + DRAIN_NS;
        let mut unread = 0;
        while let Some(pty) = &mut self.pty {
            let drained = self.sensor.is_drained() && pty.is_read()?;
            if drained || clock.monotonic_ns() > until_ns {
                unread = pty.withdraw()?;
                self.pty = None;
            } else {
                clock.sleep_until_ns(clock.monotonic_ns() + DRAIN_STEP_NS);
                self.send(clock)?;
            }
        }
        self.write_counts()?;
        self.log.take().map_or(Ok(()), CountsLog::close)?;
        self.sensor.end(unread);
        Ok(Report::new(&self.sensor, reason))
    }
}

/// For how long something has been so, ns; `since_ns` keeps when it began.
fn lasted(since_ns: &mut Option<u64>, is_so: bool, now_ns: u64) -> u64 {
    if !is_so {
        *since_ns = None;
        return 0;
    }
    now_ns.saturating_sub(*since_ns.get_or_insert(now_ns))
}

/// The file that gets every produced sample's counts.
#[derive(Debug)]
struct CountsLog {
    path: PathBuf,
    file: BufWriter<File>,
    channels: usize,
}

impl CountsLog {
    fn create(path: &Path, channels: u8) -> Result<Self, RunError> {
        let file = File::create(path).map_err(|source| RunError::Log { path: path.to_owned(), source })?;
        Ok(CountsLog { path: path.to_owned(), file: BufWriter::new(file), channels: channels.into() })
    }

    fn write(&mut self, samples: &[Counted]) -> Result<(), RunError> {
        let counts = samples.iter().flat_map(|sample| sample.counts.iter().take(self.channels));
        let bytes: Vec<u8> = counts.flat_map(|count| count.to_le_bytes()).collect();
        let written = self.file.write_all(&bytes);
        written.map_err(|source| RunError::Log { path: self.path.clone(), source })
    }

    fn close(mut self) -> Result<(), RunError> {
        self.file.flush().map_err(|source| RunError::Log { path: self.path, source })
    }
}

#[cfg(test)]
mod tests;
