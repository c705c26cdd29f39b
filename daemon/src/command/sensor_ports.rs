//! Which ports, and what the sensors on them speak: `--port`, `--baud` and `--profile`, each port with one sensor.
//!
//! Comes in: what was typed. Goes out: a [`Line`] for every sensor, in their order: the first is sensor 1.

use crate::data_folder;
use crate::journal::SystemDisk;
use crate::port::cable::Line;
use crate::port::profile::Profile;
use crate::port::{DEFAULT_BAUD, SENSORS_MAX};
use crate::sensors;
use analysis::console::{Hint, Usage, advised};
use anyhow::Context;
use std::path::Path;

/// The ports.
#[derive(Debug, Clone, clap::Args)]
pub struct Ports {
    /// The serial port (or a link to one) [default: the one with a sensor seen before]; repeatable: several sensors are
    /// recorded at once, the first port's is sensor 1
    #[arg(long = "port", value_name = "PORT")]
    pub names: Vec<String>,
    /// Speed of the ports
    #[arg(long, default_value_t = DEFAULT_BAUD)]
    pub baud: u32,
    /// The sensor prints lines of numbers: what they mean (TOML; `fingerforced ports` proposes one); with several ports
    /// PORT=FILE.toml, repeatable
    #[arg(long = "profile", value_name = "[PORT=]FILE.toml")]
    pub profiles: Vec<String>,
}

impl Ports {
    /// One port, or the one with a sensor seen before.
    pub fn one(name: Option<String>, baud: u32) -> Ports {
        Ports { names: name.into_iter().collect(), baud, profiles: Vec::new() }
    }

    /// The sensors' lines, in their order.
    ///
    /// # Errors
    /// No port is named and none is known, a port is named twice, or a profile is of no port or makes no sense.
    pub fn lines(&self, data: Option<&Path>) -> anyhow::Result<Vec<Line>> {
        let profiles = self.profiles()?;
        let names = if self.names.is_empty() { vec![known_port(data)?] } else { self.names.clone() };
        let profile_of = |at: usize| profiles.iter().find(|(of, _)| *of == at).map(|(_, of)| of.clone());
        let lines =
            names.into_iter().enumerate().map(|(at, name)| Line::new(name, self.baud, profile_of(at)));
        Ok(lines.collect())
    }

    /// What can be refused before any port is looked at; the profiles, each with its port's place.
    ///
    /// # Errors
    /// As [`Ports::lines`].
    pub fn profiles(&self) -> anyhow::Result<Vec<(usize, Profile)>> {
        if self.names.len() > SENSORS_MAX {
            return Err(Usage(format!("at most {SENSORS_MAX} sensors can be recorded at once")).into());
        }
        let twice = |(at, name): (usize, &String)| self.names[..at].contains(name).then(|| name.clone());
        if let Some(name) = self.names.iter().enumerate().find_map(twice) {
            return Err(Usage(format!("--port {} is given twice", analysis::console::clean(&name))).into());
        }
        let mut profiles = Vec::new();
        for given in &self.profiles {
            let (at, file) = self.port_of(given)?;
            if profiles.iter().any(|(other, _)| *other == at) {
                return Err(Usage("two profiles are for the same port".to_owned()).into());
            }
            profiles.push((at, read_profile(file)?));
        }
        Ok(profiles)
    }

    /// Whose profile it is, and its file.
    fn port_of<'a>(&self, given: &'a str) -> anyhow::Result<(usize, &'a Path)> {
        let named = |(at, name): (usize, &String)| {
            let file = given.strip_prefix(name.as_str())?.strip_prefix('=')?;
            Some((at, Path::new(file)))
        };
        match self.names.iter().enumerate().find_map(named) {
            Some(found) => Ok(found),
            None if self.names.len() < 2 => Ok((0, Path::new(given))),
            None => Err(Usage(format!(
                "whose profile is {}? With several ports write --profile PORT=FILE.toml, the port as after --port",
                analysis::console::clean(given)
            ))
            .into()),
        }
    }
}

/// The port with a sensor seen before. Ports of which nothing is known are not written to.
pub(crate) fn known_port(data: Option<&Path>) -> anyhow::Result<String> {
    let data = data.map_or_else(data_folder::default_path, |path| Ok(path.to_owned())).map_err(advised)?;
    let known = sensors::all(&SystemDisk, &data).map_err(advised)?;
    let ports = crate::port::find::find()?;
    let hint = Hint::new("name it with --port; `fingerforced ports` lists them");
    match sensors::present(&known, &ports)[..] {
        [port] => Ok(port.best_name().to_owned()),
        [] => {
            Err(anyhow::anyhow!("no sensor seen before is plugged in ({} known)", known.len()).context(hint))
        }
        [..] => Err(anyhow::anyhow!("more than one sensor seen before is plugged in").context(Hint::new(
            "name the one that is meant with --port, or several, each with --port of its own",
        ))),
    }
}

/// What a sensor's lines mean.
fn read_profile(path: &Path) -> anyhow::Result<Profile> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("cannot read the profile {}", path.display()))?;
    Profile::parse(&text).map_err(|why| {
        anyhow::anyhow!("profile {}: {why}", path.display()).context(Hint::new(
            "`fingerforced ports` proposes a profile from what it hears; README.md has the keys",
        ))
    })
}
