//! The cable to a board on a serial port, with the thread that reads it: opened again whenever the port is back.

use super::handover::Handover;
use super::open::Serial;
use super::reader::Reader;
use super::{Port as _, open};
use crate::clock::Clock;
use crate::session::Cable;
use std::io::{self, Write};
use std::sync::Arc;

/// A port by its name.
pub struct SerialCable {
    name: String,
    baud: u32,
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    /// Opened already, when it was looked at first.
    waiting: Option<Serial>,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
}

impl SerialCable {
    /// A cable to a port that is open already.
    pub fn new(port: Serial, baud: u32, clock: Arc<dyn Clock>, handover: Arc<Handover>) -> Self {
        let name = port.name().to_owned();
        SerialCable { name, baud, clock, handover, waiting: Some(port), reader: None, writer: None }
    }
}

impl Cable for SerialCable {
    fn detail(&self) -> String {
        serde_json::json!({ "name": self.name, "baud": self.baud }).to_string()
    }

    fn open(&mut self) -> io::Result<()> {
        let port = match self.waiting.take() {
            Some(port) => port,
            None => open(&self.name, self.baud).map_err(io::Error::other)?,
        };
        self.writer = Some(port.writer()?);
        let (clock, handover) = (Arc::clone(&self.clock), Arc::clone(&self.handover));
        self.reader = Some(Reader::start(0, Box::new(port), clock, handover)?);
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
