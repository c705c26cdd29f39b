//! What is known of the sensors of a sitting, for people.
//!
//! Comes in: what the pipeline says of each. Goes out: [`Sensor`], the one that is measured with; of the others, what is the
//! matter with them.

use crate::pipeline::force::NoZero;
use crate::pipeline::setting::Setting;
use crate::pipeline::{LinkState, Output};
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// A sensor and its channel, from 1.
pub type Place = (usize, usize);

/// The sensor that is measured with, for people.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Sensor {
    /// Its number, from 1.
    number: usize,
    /// `waiting`, `flowing`, `stopped`, `silent`, `gone`, `other`, `refused`. While all are waited for, the worst of them.
    link: &'static str,
    serial: String,
    zeroed: bool,
    /// What keeps it from its zero, or from answering.
    note: String,
    /// Of all sensors.
    missing_samples: u64,
    /// The others that do not flow: number and link.
    others: Vec<(usize, &'static str)>,
}

/// What is known.
#[derive(Debug, Default)]
pub struct Sensors {
    /// By port.
    links: BTreeMap<u8, (&'static str, String)>,
    /// By number: its port, its serial number.
    known: BTreeMap<usize, (u8, String)>,
    zeroed: BTreeSet<Place>,
    /// What keeps a channel from its zero.
    lacking: BTreeMap<Place, String>,
    missing_samples: u64,
}

impl Sensors {
    /// The pipeline said this; true where something may be different.
    pub fn hear(&mut self, output: &Output) -> bool {
        match output {
            Output::Identified { port, sensor, identity } => {
                self.known.insert(*sensor, (*port, identity.serial.clone()));
            }
            Output::Gap(_, gap) => self.missing_samples += gap.missing.unwrap_or(0),
            Output::Set(Setting::Tare(tare), _) => {
                let place = (tare.sensor, tare.channel);
                self.zeroed.insert(place);
                self.lacking.remove(&place);
            }
            Output::NoZero { sensor, channel, why } => {
                let note = no_zero(*why);
                return self.lacking.insert((*sensor, *channel), note.clone()) != Some(note);
            }
            Output::Link(port, state) => {
                if *state == LinkState::Flowing {
                    let of = self.number(*port);
                    self.lacking.retain(|(sensor, _), _| *sensor != of);
                }
                let before = self.links.remove(port).map_or_else(String::new, |(_, note)| note);
                self.links.insert(*port, linked(state, before));
            }
            _ => return false,
        }
        true
    }

    /// A sensor's port: until it has said who it is, the one of its place.
    fn port(&self, sensor: usize) -> u8 {
        self.known.get(&sensor).map_or((sensor - 1) as u8, |(port, _)| *port)
    }

    /// The number of the sensor on a port.
    fn number(&self, port: u8) -> usize {
        let known = self.known.iter().find(|(_, (its, _))| *its == port);
        known.map_or(usize::from(port) + 1, |(number, _)| *number)
    }

    fn link(&self, sensor: usize) -> (&'static str, &str) {
        self.links.get(&self.port(sensor)).map_or(("waiting", ""), |(link, note)| (link, note))
    }

    /// The sensor at this place; where zeros are awaited, what keeps any of these places from theirs.
    pub fn shown(&self, place: Place, awaited: &BTreeSet<Place>) -> Sensor {
        let own = place.0.max(1);
        let numbers: BTreeSet<usize> = self.links.keys().map(|port| self.number(*port)).collect();
        let others: Vec<(usize, &'static str)> = numbers
            .into_iter()
            .map(|number| (number, self.link(number).0))
            .filter(|(number, link)| *number != own && *link != "flowing")
            .collect();
        let in_the_way = others.iter().find(|(number, _)| awaited.iter().any(|(sensor, _)| sensor == number));
        let number = in_the_way.filter(|_| self.link(own).0 == "flowing").map_or(own, |(number, _)| *number);
        let (link, note) = self.link(number);
        let lacks = self.lacking.get_key_value(&place);
        let lacks = lacks.or_else(|| self.lacking.iter().find(|(at, _)| awaited.contains(at)));
        let note = match lacks {
            _ if !note.is_empty() && number == own => note.to_owned(),
            _ if !note.is_empty() => format!("sensor {number}: {note}"),
            Some((at, lacks)) if *at == place => lacks.clone(),
            Some(((sensor, channel), lacks)) => format!("sensor {sensor}, channel {channel}: {lacks}"),
            None => String::new(),
        };
        Sensor {
            number: own,
            link,
            serial: self.known.get(&own).map_or_else(String::new, |(_, serial)| serial.clone()),
            zeroed: self.zeroed.contains(&place),
            note,
            missing_samples: self.missing_samples,
            others,
        }
    }
}

fn no_zero(why: NoZero) -> String {
    match why {
        NoZero::Unsteady => "not steady: keep the sensor still for its zero".to_owned(),
        NoZero::Loaded(force_n) => {
            format!("shows {force_n:.1} N by its own zero: unload it, or zero it as it is")
        }
        NoZero::Touched(above_n) => {
            format!("stands {above_n:.1} N above its lowest level: let go of it, or zero it as it is")
        }
        NoZero::TooFew => String::new(),
    }
}

fn linked(state: &LinkState, note: String) -> (&'static str, String) {
    match state {
        LinkState::Flowing => ("flowing", String::new()),
        LinkState::Stopped => ("stopped", note),
        LinkState::Silent => ("silent", "the sensor has stopped sending; it is asked again".to_owned()),
        LinkState::Closed(reason) => {
            ("gone", format!("the port is gone ({reason}); it goes on when it returns"))
        }
        LinkState::OtherSensor { expected, found } => {
            ("other", format!("another sensor came back: {found} instead of {expected}"))
        }
        LinkState::NoAnswer { noise_bytes: 0 } => {
            ("refused", "no sensor answers: nothing came. Is it powered, is this its port?".to_owned())
        }
        LinkState::NoAnswer { noise_bytes } => {
            ("refused", format!("no sensor answers: {noise_bytes} bytes came, none of them a frame of ours"))
        }
        LinkState::OtherVersion(version) => {
            ("refused", format!("the sensor speaks another version of the protocol: {version}"))
        }
        LinkState::Twice(serial) => ("refused", format!("two sensors have the serial number {serial}")),
    }
}
