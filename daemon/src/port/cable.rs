//! The cable to a board on a serial port, with the thread that reads it: opened again whenever the port is back.

use super::handover::Handover;
use super::open::Serial;
use super::profile::Profile;
use super::reader::Reader;
use super::{Port as _, open};
use crate::clock::Clock;
use crate::session::Cable;
use std::io::{self, Write};
use std::sync::Arc;

/// Which port, and what it speaks.
#[derive(Debug, Clone)]
pub struct Line {
    /// The port's name.
    pub name: String,
    /// Its speed.
    pub baud: u32,
    /// What the lines that the sensor prints mean; `None` for one that speaks the protocol.
    pub profile: Option<Profile>,
}

impl Line {
    /// A profile knows its own speed.
    pub fn new(name: String, baud: u32, profile: Option<Profile>) -> Line {
        Line { name, baud: profile.as_ref().map_or(baud, |profile| profile.baud), profile }
    }
}

/// A port by its name.
pub struct SerialCable {
    number: u8,
    line: Line,
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    /// Opened already, when it was looked at first.
    waiting: Option<Serial>,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
}

impl SerialCable {
    /// A cable to a port that is open already; what it delivers comes as that of port `number`.
    pub fn new(number: u8, port: Serial, line: Line, clock: Arc<dyn Clock>, handover: Arc<Handover>) -> Self {
        SerialCable { number, line, clock, handover, waiting: Some(port), reader: None, writer: None }
    }
}

impl Cable for SerialCable {
    fn detail(&self) -> String {
        let mut detail = serde_json::json!({ "name": self.line.name, "baud": self.line.baud });
        if let Some(profile) = &self.line.profile {
            detail["profile"] = serde_json::to_value(profile).unwrap_or_default();
        }
        detail.to_string()
    }

    fn open(&mut self) -> io::Result<()> {
        let port = match self.waiting.take() {
            Some(port) => port,
            None => open(&self.line.name, self.line.baud).map_err(io::Error::other)?,
        };
        self.writer = Some(port.writer()?);
        if let Some(start) = self.line.profile.as_ref().and_then(|profile| profile.start.clone()) {
            self.write(start.as_bytes())?;
        }
        let (clock, handover) = (Arc::clone(&self.clock), Arc::clone(&self.handover));
        self.reader = Some(Reader::start(self.number, Box::new(port), clock, handover)?);
        Ok(())
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let writer = self.writer.as_mut().ok_or(io::ErrorKind::NotConnected)?;
        writer.write_all(bytes)?;
        writer.flush()
    }

    fn close(&mut self) {
        self.writer = None;
        if let Some(reader) = self.reader.take() {
            reader.stop();
        }
    }
}
