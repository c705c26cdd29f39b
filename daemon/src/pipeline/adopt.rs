//! Whose sensor is on which port: what the pipeline makes of an identity, and of samples whose identity is lost.

use super::device_time::{HostLoss, Interruption};
use super::sensor::{Sensor, SensorIdentity};
use super::{LinkState, Output, Pipeline};
use firmware_protocol::message::{DeviceMessage, Identity, PROTOCOL_VERSION, Samples};

/// So many frames wait for an identity: at a frame a millisecond for as long as a board is given to answer; 5 MB a port at most.
const WAITING_FRAMES: usize = (super::link::HANDSHAKE_NS / 1_000_000) as usize;

impl Pipeline {
    pub(super) fn is_boot(&self, sensor: usize, boot_id: u32) -> bool {
        self.sensors.get(sensor).is_some_and(|sensor| sensor.is_boot(boot_id))
    }

    pub(super) fn identified(&mut self, port: u8, identity: &Identity, now_ns: u64, out: &mut Vec<Output>) {
        if identity.protocol_version != PROTOCOL_VERSION {
            self.ports[usize::from(port)].link.refuse(now_ns);
            out.push(Output::Link(port, LinkState::OtherVersion(identity.protocol_version)));
            return;
        }
        let found = SensorIdentity::from(identity);
        if self.is_twice(port, &found.serial, out) {
            self.ports[usize::from(port)].link.refuse(now_ns);
            return;
        }
        self.come_back(port, &found.serial);
        let state = &mut self.ports[usize::from(port)];
        let at = match state.sensor {
            None => self.adopt(port, found, out),
            Some(at) => {
                let Some(sensor) = self.sensors.get_mut(at) else { return };
                if sensor.is_nameless() {
                    let at = self.name(port, at, identity, out);
                    return self.adopted(port, at, identity.boot_id, now_ns, out);
                }
                if sensor.identity().serial != found.serial {
                    let expected = sensor.identity().serial.clone();
                    state.stranger = Some(Box::new(*identity));
                    // What it streamed before anybody confirmed it is nobody's.
                    state.waiting.iter_mut().for_each(Vec::clear);
                    state.link.refuse(now_ns);
                    out.push(Output::Link(port, LinkState::OtherSensor { expected, found: found.serial }));
                    return;
                }
                at
            }
        };
        self.adopted(port, at, identity.boot_id, now_ns, out);
    }

    /// Another port has this very sensor, by its serial number: which of the two is meant cannot be known.
    pub(super) fn is_twice(&self, port: u8, serial: &str, out: &mut Vec<Output>) -> bool {
        let others = (0..).zip(&self.ports).filter(|(other, state)| *other != port && state.is_at_home());
        let mut there = others.filter_map(|(_, state)| self.sensors.get(state.sensor?));
        let twice = there.any(|sensor| !sensor.is_nameless() && sensor.identity().serial == serial);
        if twice {
            out.push(Output::Link(port, LinkState::Twice(serial.to_owned())));
        }
        twice
    }

    /// A sensor of this recording that comes back on another of its ports is known by its serial number.
    fn come_back(&mut self, port: u8, serial: &str) {
        let is_it = |sensor: &Sensor| sensor.identity().serial == serial && sensor.position() > 0;
        let Some(at) = self.sensors.iter().position(is_it) else { return };
        let had = self.ports.iter().position(|state| state.sensor == Some(at));
        if let Some(had) = had.filter(|had| *had != usize::from(port)) {
            self.ports[had].sensor = self.ports[usize::from(port)].sensor.replace(at);
        }
    }

    fn adopted(&mut self, port: u8, at: usize, boot_id: u32, now_ns: u64, out: &mut Vec<Output>) {
        let Some(sensor) = self.sensors.get_mut(at) else { return };
        let restarted = sensor.boot(boot_id);
        self.with_words(port, now_ns, out, |state, now_ns, words| {
            state.link.identified(restarted, now_ns, words)
        });
        self.take_waiting(port, at, boot_id, out);
    }

    /// A board that was started again in the journal's hole, and then unplugged, comes back with a boot that is unknown: its
    /// samples are this sensor's if this sensor answers.
    pub(super) fn wait_for_identity(&mut self, port: u8, frame: &[u8], now_ns: u64) {
        if let Some(waiting) = &mut self.ports[usize::from(port)].waiting
            && waiting.len() < WAITING_FRAMES
        {
            waiting.push((now_ns, frame.to_vec()));
        }
    }

    fn take_waiting(&mut self, port: u8, at: usize, boot_id: u32, out: &mut Vec<Output>) {
        let state = &mut self.ports[usize::from(port)];
        let (waiting, opened_ns) = (state.waiting.take(), state.opened_ns);
        let Some(sensor) = self.sensors.get_mut(at) else { return };
        let find = self.find && !sensor.is_nameless();
        for (arrival_ns, frame) in waiting.into_iter().flatten() {
            // It may have started once more before it could answer; what an earlier opening brought may be another board's.
            if let Ok(DeviceMessage::Samples(samples)) = DeviceMessage::decode(&frame)
                && (samples.boot_id == boot_id || arrival_ns >= opened_ns)
            {
                sensor.samples(&samples, arrival_ns, find, out);
            }
        }
        sensor.boot(boot_id);
    }

    /// Samples that come after a hole in the journal are taken, although the start that was sent for them, who sends them,
    /// or that somebody confirmed another sensor, was in the hole.
    pub(super) fn take_after_hole(
        &mut self,
        port: u8,
        samples: &Samples,
        now_ns: u64,
        out: &mut Vec<Output>,
    ) {
        let state = &mut self.ports[usize::from(port)];
        if !state.hole {
            return;
        }
        let confirmed = state.stranger.take_if(|stranger| stranger.boot_id == samples.boot_id);
        let nameless = state.sensor.is_none() && state.link.takes_samples();
        if confirmed.is_none() && !nameless && !state.link.awaits_samples() {
            return;
        }
        if let Some(stranger) = confirmed {
            self.adopt(port, SensorIdentity::from(&*stranger), out);
        }
        let state = &mut self.ports[usize::from(port)];
        state.link.went_on(now_ns);
        state.started = true;
        if state.sensor.is_none() {
            let at = self.adopt(port, SensorIdentity::nameless(samples), out);
            self.sensors.get_mut(at).into_iter().for_each(|sensor| sensor.lost(HostLoss::Records));
        }
    }

    /// Who a nameless sensor is: itself, where the boot is the same; another one, where it is not.
    fn name(&mut self, port: u8, at: usize, identity: &Identity, out: &mut Vec<Output>) -> usize {
        let found = SensorIdentity::from(identity);
        match self.sensors.get_mut(at).filter(|sensor| sensor.is_boot(identity.boot_id)) {
            Some(sensor) => {
                sensor.interrupt(Interruption::Unplugged, out);
                sensor.name(found, self.find);
                out.push(sensor.identified(port));
                self.calibrate(out);
                at
            }
            None => self.adopt(port, found, out),
        }
    }

    /// A sensor that is new to this port.
    pub(super) fn adopt(&mut self, port: u8, identity: SensorIdentity, out: &mut Vec<Output>) -> usize {
        let is_it = |sensor: &Sensor| !sensor.is_nameless() && sensor.identity().serial == identity.serial;
        let known = self.sensors.iter().position(is_it);
        let at = known.unwrap_or(self.sensors.len());
        if known.is_none() {
            let number = self.number_for(port);
            let mut sensor = Sensor::new(number, identity, self.find);
            if self.ports[usize::from(port)].hole {
                // It may have streamed before, all of it in the lost beginning of the journal.
                sensor.lost(HostLoss::Records);
            }
            out.push(sensor.identified(port));
            self.sensors.push(sensor);
            self.calibrate(out);
        }
        self.ports[usize::from(port)].sensor = Some(at);
        at
    }

    /// The port's own number where no sensor has it yet, else the next one.
    fn number_for(&mut self, port: u8) -> usize {
        let own = self.ports[usize::from(port)].number;
        if self.sensors.iter().any(|sensor| sensor.number() == own) {
            self.numbers += 1;
            return self.numbers;
        }
        own
    }
}

#[cfg(test)]
mod tests {
    use super::super::framed;
    use super::*;
    use crate::journal::{Record, Stamped};
    use firmware_protocol::frame;
    use firmware_protocol::message::{
        ChannelIdentity, Channels, Condition, Direction, HostMessage, Text, put_counts,
    };

    fn from_board(message: &DeviceMessage) -> Record {
        let (mut body, mut bytes) = ([0; 256], [0; 300]);
        let length = message.encode(&mut body).unwrap();
        let length = frame::encode(&body[..length], &mut bytes).unwrap();
        Record::Bytes { port: 0, bytes: bytes[..length].to_vec() }
    }

    fn identity(boot_id: u32) -> Record {
        let channel = ChannelIdentity {
            zero_counts: 0,
            rated_counts: 1000,
            rated_force_mn: 10_000,
            direction: Direction::Compression,
        };
        from_board(&DeviceMessage::Identity(Identity {
            protocol_version: PROTOCOL_VERSION,
            boot_id,
            serial: Text::new("A").unwrap(),
            firmware: Text::new("f").unwrap(),
            interval_ns: 1_000_000,
            group_delay_ns: 0,
            bandwidth_millihertz: 0,
            settling_ns: 0,
            device_time_us: 0,
            channels: Channels::new(&[channel]).unwrap(),
        }))
    }

    fn stopped(boot_id: u32) -> Record {
        from_board(&DeviceMessage::Condition(Condition {
            boot_id,
            device_time_us: 0,
            next_sample: 0,
            streaming: false,
            supply_mv: None,
            temperature_centikelvin: None,
        }))
    }

    fn samples(boot_id: u32, first_sample: u64) -> Record {
        let mut buffer = [0; 16];
        from_board(&DeviceMessage::Samples(Samples {
            boot_id,
            sequence: first_sample as u32 / 2,
            first_sample,
            device_time_us: 1000 * first_sample,
            interval_ns: 1_000_000,
            status: 0,
            channels: 1,
            samples: 2,
            counts_le: put_counts(&[7, 8], &mut buffer).unwrap(),
        }))
    }

    /// Boot and counter of each block, where a hole in the journal swallowed that the board started anew and was unplugged.
    fn recorded(says_to_be: u32, opened_again: bool) -> Vec<(i64, u64)> {
        let opened = || Record::Opened { port: 0, detail: String::new() };
        let before = [opened(), identity(1), stopped(1)];
        let start = Record::Sent { port: 0, bytes: framed(HostMessage::Start) };
        let unknown = [opened(), samples(2, 10), samples(2, 12)];
        let again = opened_again.then(opened);
        let after = unknown.into_iter().chain(again).chain([identity(says_to_be), samples(says_to_be, 14)]);
        let numbered = (0..).zip(before.into_iter().chain([start, samples(1, 0)]));
        let (mut pipeline, mut out) = (Pipeline::new(true), Vec::new());
        for (number, record) in numbered.chain((100..).zip(after)) {
            pipeline.step(&Stamped { number, monotonic_ns: 1_000_000 * number, record }, &mut out);
        }
        let mut boot = 0;
        let mut found = Vec::new();
        for output in out {
            match output {
                Output::Began(_, began) => boot = i64::from(began.boot_id),
                Output::Block(block) => found.push((boot, block.counter)),
                _ => {}
            }
        }
        found
    }

    #[test]
    fn after_a_hole_samples_of_an_unknown_boot_wait_for_the_board_to_answer() {
        assert_eq!(recorded(2, false), [(1, 0), (2, 10), (2, 12), (2, 14)]);
        assert_eq!(recorded(2, true), [(1, 0), (2, 10), (2, 12), (2, 14)]);
        let started_again = recorded(3, false);
        assert_eq!(started_again, [(1, 0), (2, 10), (2, 12), (3, 14)], "between its samples and its answer");
        assert_eq!(recorded(3, true), [(1, 0), (3, 14)], "whose it was, nobody knows");
    }
}
