//! Whose sensor is on which port: what the pipeline makes of an identity, and of samples whose identity is lost.

use super::device_time::{HostLoss, Interruption};
use super::sensor::{Sensor, SensorIdentity};
use super::{LinkState, Output, Pipeline};
use firmware_protocol::message::{Identity, PROTOCOL_VERSION, Samples};

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
            let sensor = Sensor::new(number, identity, self.find);
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
