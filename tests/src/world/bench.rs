//! One sensor on its port: board, cable and the thread that reads it.

use super::cable::{self, WorldCable};
use super::clock::WorldClock;
use super::disguise::{Disguise, Past};
use super::script::Script;
use super::truth::Truth;
use daemon::clock::Clock;
use daemon::pipeline::framed;
use daemon::port::handover::{Handover, Item, Reason};
use daemon::simulate::faults::Faults;
use daemon::simulate::hand::Hand;
use daemon::simulate::random::Random;
use daemon::simulate::sensor::{Plug, Sensor, Settings};
use daemon::simulate::source::Source;
use firmware_protocol::message::HostMessage;

/// A sensor on its port.
pub struct Bench {
    port: u8,
    /// Its cable.
    pub cable: WorldCable,
    sensor: Sensor,
    disguise: Disguise,
    /// What it really sent.
    pub truth: Truth,
    /// Everything random about it.
    pub random: Random,
}

impl Bench {
    /// The sensor of a script, as `serial`, with these faults; everything random about it from this seed.
    ///
    /// # Errors
    /// A script that cannot be played.
    pub fn new(
        script: &Script,
        (port, serial, seed): (u8, &str, u64),
        (board, past, cable): (&Faults, Past, &cable::Faults),
    ) -> Result<Bench, String> {
        let hand = Hand::new(script.hand.clone(), seed).map_err(|error| error.to_string())?;
        let mut settings = Settings {
            seed,
            serial: serial.to_owned(),
            interval_ns: script.interval_ns,
            faults: board.clone(),
            buffer_bytes: script.buffer_bytes,
            keep_counts: true,
            ..Settings::default()
        };
        settings.converter.channels = script.channels;
        let sensor =
            Sensor::new(settings, Source::Hand(Box::new(hand)), 0).map_err(|error| error.to_string())?;
        Ok(Bench {
            port,
            cable: WorldCable::new(cable.clone(), seed),
            sensor,
            disguise: Disguise::new(past),
            truth: Truth::new(script.channels),
            random: Random::fork(seed, 102),
        })
    }

    /// A program that is gone had started the board; nobody reads what it sends.
    pub fn stream_for_somebody_else(&mut self, clock: &WorldClock) {
        for _ in 0..50 {
            clock.pass(20_000_000);
            let now_ns = clock.true_ns();
            self.sensor.hear(&framed(HostMessage::Start), now_ns);
            let waiting = self.sensor.output().len();
            self.sensor.take(waiting);
        }
        self.truth.for_others = self.sensor.tally().streams.len();
    }

    /// The board, the cable and the reader of the port go on until now.
    pub fn go_on(&mut self, clock: &WorldClock, handover: &Handover) {
        let now_ns = clock.true_ns();
        let heard = self.cable.to_board();
        if heard.is_empty() {
            self.sensor.advance(now_ns);
        } else {
            self.sensor.hear(&heard, now_ns);
        }
        if let Plug::Leaving { .. } = self.sensor.plug() {
            self.read(clock, handover);
            self.sensor.unplugged(0);
            self.disguise.cut();
            if self.cable.plug(false) {
                let monotonic_ns = clock.monotonic_ns();
                handover.push(Item::Gone { port: self.port, monotonic_ns, reason: Reason::Unplugged });
            }
        } else if self.sensor.plug() == Plug::In && !self.cable.is_plugged() {
            self.cable.plug(true);
        }
        self.read(clock, handover);
        self.truth.note(&mut self.sensor);
    }

    /// The reader thread's work: whatever is there, in pieces of any size.
    fn read(&mut self, clock: &WorldClock, handover: &Handover) {
        while self.cable.is_open() && !self.sensor.output().is_empty() {
            let waiting = self.sensor.output().len();
            let piece = if self.random.chance(0.3) { 1 + self.random.below(waiting) } else { waiting };
            let bytes = self.disguise.put_on(&self.sensor.output()[..piece]);
            self.sensor.take(piece);
            let bytes = self.cable.carry(bytes);
            if !bytes.is_empty() {
                handover.push(Item::Chunk { port: self.port, monotonic_ns: clock.monotonic_ns(), bytes });
            }
        }
    }
}
