//! What is known about sensors seen before: `DATA/sensors/<serial>/sensor.json`.
//!
//! A port is written to only when somebody names it or a sensor seen before is on it, told by what its USB device says
//! about itself (ids and serial number). Comes in: identities and ports. Goes out: which port has a known sensor.

use crate::files;
use crate::journal::{Disk, JournalError};
use crate::pipeline::SensorIdentity;
use crate::port::find::{Found, Usb};
use analysis::sensor::certificate::Certificate;
use analysis::sensor::check::{self, Check};
use analysis::sensor::properties::{MeasuredAttitude, MeasuredCreep, Properties};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};

const FILE: &str = "sensor.json";
const CALIBRATION: &str = "calibration-";
const ATTITUDE: &str = "attitude-";
const CREEP: &str = "creep-";
const CHECKS: &str = "checks.jsonl";

/// A sensor seen before.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Known {
    /// The sensor's own serial number.
    pub serial: String,
    /// Firmware's name and version.
    pub firmware: String,
    /// Channels.
    pub channels: usize,
    /// Declared sample interval, ns.
    pub interval_ns: u32,
    /// USB vendor and product id and serial number, where it was on a USB port that says them.
    pub usb: Option<(u16, u16, String)>,
    /// The port it was on.
    pub port: String,
    /// When it was last seen (RFC 3339, UTC).
    pub last_seen_utc: String,
}

impl Known {
    /// What is to be remembered of a sensor on a port.
    pub fn new(identity: &SensorIdentity, port: &str, usb: Option<&Usb>, last_seen_utc: String) -> Known {
        Known {
            serial: identity.serial.clone(),
            firmware: identity.firmware.clone(),
            channels: identity.channels.len(),
            interval_ns: identity.interval_ns,
            usb: usb.and_then(usb_id),
            port: port.to_owned(),
            last_seen_utc,
        }
    }
}

/// What tells one USB device from all others; without a serial number nothing does.
fn usb_id(usb: &Usb) -> Option<(u16, u16, String)> {
    let serial = usb.serial.clone().filter(|serial| !serial.is_empty())?;
    Some((usb.vendor_id, usb.product_id, serial))
}

/// Remembers a sensor.
///
/// # Errors
/// The disk refuses.
pub fn remember(disk: &dyn Disk, data: &Path, known: &Known) -> Result<(), JournalError> {
    let folder = folder(data).join(folder_name(&known.serial));
    disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
    let text = serde_json::to_vec_pretty(known).unwrap_or_default();
    files::replace(disk, &folder.join(FILE), &text)
}

/// The sensors seen before.
///
/// # Errors
/// The disk refuses. A file that is damaged is only not known.
pub fn all(disk: &dyn Disk, data: &Path) -> Result<Vec<Known>, JournalError> {
    let mut known = Vec::new();
    for folder in sensor_folders(disk, data)? {
        let bytes = files::read(disk, &folder.join(FILE))?;
        known.extend(serde_json::from_slice::<Known>(&bytes).ok());
    }
    Ok(known)
}

/// Serial number of the sensor that is on this port, as far as is known: by its USB device, otherwise the last one that was
/// seen on a port of this name; "" none.
pub fn seen_on(disk: &dyn Disk, data: &Path, port: &str) -> String {
    let known = all(disk, data).unwrap_or_default();
    let resolved = Path::new(port).canonicalize().unwrap_or_default();
    let ports = crate::port::find::find().unwrap_or_default();
    let usb =
        ports.iter().find(|found| Path::new(&found.name) == resolved).and_then(|found| found.usb.as_ref());
    let usb = usb.and_then(usb_id);
    let is_there = |sensor: &&Known| if usb.is_some() { sensor.usb == usb } else { sensor.port == port };
    let latest = known.iter().filter(is_there).max_by(|a, b| a.last_seen_utc.cmp(&b.last_seen_utc));
    latest.map_or_else(String::new, |sensor| sensor.serial.clone())
}

/// Keeps the record of a calibration; the latest is the one that is used.
///
/// # Errors
/// The disk refuses.
pub fn keep_calibration(disk: &dyn Disk, data: &Path, of: &Certificate) -> Result<PathBuf, JournalError> {
    keep(disk, data, &of.serial, &named(CALIBRATION, &of.when_utc, of.channel), of)
}

/// Keeps zeros by attitude of a channel; the latest are the ones that are used.
///
/// # Errors
/// The disk refuses.
pub fn keep_attitude(
    disk: &dyn Disk,
    data: &Path,
    (serial, channel): (&str, usize),
    of: &MeasuredAttitude,
) -> Result<PathBuf, JournalError> {
    keep(disk, data, serial, &named(ATTITUDE, &of.when_utc, channel), of)
}

/// Keeps a channel's creep; the latest is the one that is used.
///
/// # Errors
/// The disk refuses.
pub fn keep_creep(
    disk: &dyn Disk,
    data: &Path,
    (serial, channel): (&str, usize),
    of: &MeasuredCreep,
) -> Result<PathBuf, JournalError> {
    keep(disk, data, serial, &named(CREEP, &of.when_utc, channel), of)
}

fn named(what: &str, when_utc: &str, channel: usize) -> String {
    let when: String = when_utc.chars().filter(char::is_ascii_alphanumeric).take(15).collect();
    format!("{what}{when}-{channel}.json")
}

fn keep<T: Serialize>(
    disk: &dyn Disk,
    data: &Path,
    serial: &str,
    name: &str,
    of: &T,
) -> Result<PathBuf, JournalError> {
    let folder = folder(data).join(folder_name(serial));
    disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
    let path = folder.join(name);
    files::replace(disk, &path, &serde_json::to_vec_pretty(of).unwrap_or_default())?;
    Ok(path)
}

/// What is known of a calibrated channel beside its calibration; checks since that only.
///
/// # Errors
/// The disk refuses. A file that is damaged is said and left out.
pub fn properties(disk: &dyn Disk, data: &Path, of: &Certificate) -> Result<Properties, JournalError> {
    let since = |check: &Check| check.channel == of.channel && check.when_utc >= of.when_utc;
    let folder = folder(data).join(folder_name(&of.serial));
    let its = format!("-{}.json", of.channel);
    Ok(Properties {
        serial: of.serial.clone(),
        channel: of.channel,
        attitude: records(disk, &folder, ATTITUDE, &its)?.pop(),
        creep: records(disk, &folder, CREEP, &its)?.pop(),
        checks: checks(disk, data, &of.serial)?.into_iter().filter(since).collect(),
    })
}

/// A sensor's records of one kind, in order of time; names end with the channel.
fn records<T: DeserializeOwned>(
    disk: &dyn Disk,
    folder: &Path,
    what: &str,
    ending: &str,
) -> Result<Vec<T>, JournalError> {
    let entries = disk.list(folder).map_err(JournalError::io("list", folder))?;
    let mut names: Vec<String> = entries.into_iter().map(|entry| entry.name).collect();
    names.retain(|name| name.starts_with(what) && name.ends_with(ending));
    names.sort();
    let mut all = Vec::new();
    for path in names.iter().map(|name| folder.join(name)) {
        match serde_json::from_slice(&files::read(disk, &path)?) {
            Ok(of) => all.push(of),
            Err(error) => {
                tracing::error!(path = %path.display(), %error, "this record of a sensor cannot be read and is not used")
            }
        }
    }
    Ok(all)
}

/// The latest calibration of every channel of every sensor.
///
/// # Errors
/// The disk refuses. A file that is damaged is said and left out.
pub fn calibrations(disk: &dyn Disk, data: &Path) -> Result<Vec<Certificate>, JournalError> {
    let mut latest: Vec<Certificate> = Vec::new();
    for folder in sensor_folders(disk, data)? {
        for of in records::<Certificate>(disk, &folder, CALIBRATION, ".json")? {
            latest.retain(|old| (&old.serial, old.channel) != (&of.serial, of.channel));
            latest.push(of);
        }
    }
    Ok(latest)
}

/// Adds a check to the sensor's.
///
/// # Errors
/// The disk refuses.
pub fn keep_check(disk: &dyn Disk, data: &Path, of: &Check) -> Result<PathBuf, JournalError> {
    let folder = folder(data).join(folder_name(&of.serial));
    disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
    let path = folder.join(CHECKS);
    let mut all = files::read(disk, &path)?;
    all.extend(serde_json::to_vec(of).unwrap_or_default());
    all.push(b'\n');
    files::replace(disk, &path, &all)?;
    Ok(path)
}

/// The checks of one sensor, in order.
///
/// # Errors
/// The disk refuses.
pub fn checks(disk: &dyn Disk, data: &Path, serial: &str) -> Result<Vec<Check>, JournalError> {
    let text = files::read(disk, &folder(data).join(folder_name(serial)).join(CHECKS))?;
    Ok(check::read(&String::from_utf8_lossy(&text)).0)
}

fn sensor_folders(disk: &dyn Disk, data: &Path) -> Result<Vec<PathBuf>, JournalError> {
    let folder = folder(data);
    match disk.list(&folder) {
        Ok(entries) => {
            Ok(entries.iter().filter(|entry| entry.is_folder).map(|entry| folder.join(&entry.name)).collect())
        }
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(Vec::new()),
        Err(error) => Err(JournalError::io("list", &folder)(error)),
    }
}

/// The ports on which a known sensor is.
pub fn present<'a>(known: &[Known], ports: &'a [Found]) -> Vec<&'a Found> {
    let is_known = |port: &&Found| {
        let id = port.usb.as_ref().and_then(usb_id);
        id.is_some() && known.iter().any(|sensor| sensor.usb == id)
    };
    ports.iter().filter(is_known).collect()
}

fn folder(data: &Path) -> PathBuf {
    data.join("sensors")
}

/// A serial number comes from a device and may be anything: letters, digits, - and _ stand for themselves, other bytes
/// as `%` and two digits.
fn folder_name(serial: &str) -> String {
    let byte = |byte: u8| match byte {
        b'-' | b'_' => char::from(byte).to_string(),
        _ if byte.is_ascii_alphanumeric() => char::from(byte).to_string(),
        _ => format!("%{byte:02X}"),
    };
    if serial.is_empty() { "%".to_owned() } else { serial.bytes().take(80).map(byte).collect() }
}

/// A calibration that is past its day is used and said.
pub fn warn_expired(of: &Certificate, utc_ns: i64) {
    let today: String = crate::clock::rfc3339(utc_ns).chars().take(10).collect();
    if of.is_expired(&today) {
        tracing::warn!(
            serial = of.serial,
            valid_until = of.valid_until,
            "the sensor's calibration has expired: calibrate it (`fingerforced calibrate`)"
        );
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::journal::simulated_disk::SimulatedDisk;

    fn port(name: &str, serial: Option<&str>) -> Found {
        let usb = Usb {
            vendor_id: 0x1209,
            product_id: 1,
            serial: serial.map(str::to_owned),
            manufacturer: None,
            product: None,
        };
        Found { name: name.to_owned(), by_id: None, usb: Some(usb) }
    }

    fn known(serial: &str, port: &Found) -> Known {
        Known {
            serial: serial.to_owned(),
            firmware: "board 1.0".to_owned(),
            channels: 1,
            interval_ns: 1_000_000,
            usb: port.usb.as_ref().and_then(usb_id),
            port: port.name.clone(),
            last_seen_utc: "2026-03-02T09:00:00Z".to_owned(),
        }
    }

    #[test]
    fn a_sensor_is_known_by_its_usb_serial_number_wherever_it_is_plugged_in() {
        let disk = SimulatedDisk::new(1);
        let data = Path::new("/data");
        let first = port("/dev/ttyACM0", Some("0042"));
        remember(&*disk.shared(), data, &known("FF-1", &first)).unwrap();
        remember(&*disk.shared(), data, &known("FF-1", &first)).unwrap();
        let seen = all(&*disk.shared(), data).unwrap();
        assert_eq!(seen, [known("FF-1", &first)]);
        let ports = [
            port("/dev/ttyACM0", Some("0043")),
            port("/dev/ttyACM1", Some("0042")),
            port("/dev/ttyS0", None),
        ];
        assert_eq!(present(&seen, &ports), [&ports[1]]);
    }

    #[test]
    fn a_device_without_a_serial_number_is_never_known() {
        let nameless = port("/dev/ttyACM0", None);
        assert!(present(&[known("FF-1", &nameless)], std::slice::from_ref(&nameless)).is_empty());
    }

    /// Valid to the end of 2026; its sensor is rated at 200 N and was loaded with 50 N at most.
    pub fn certificate(serial: &str, when_utc: &str, slope: f64) -> Certificate {
        use analysis::sensor::calibration::{Known, calibrate};
        use analysis::sensor::points::{Direction, Point};
        let point = |n: f64| Point {
            reference_n: n,
            indication: slope * n,
            series: "A".to_owned(),
            mounting: "0".to_owned(),
            direction: Direction::Up,
        };
        let points: Vec<Point> = [0.0, 10.0, 20.0, 50.0].map(point).to_vec();
        let known =
            Known { resolution: 1.0, reference_relative: None, creep_relative: None, highest_degree: 1 };
        let calibration = calibrate(&points, &known).unwrap();
        Certificate {
            serial: serial.to_owned(),
            when_utc: when_utc.to_owned(),
            valid_until: "2027-01-01".to_owned(),
            rated_force_n: 200.0,
            ..Certificate::new(points, calibration)
        }
    }

    #[test]
    fn the_latest_calibration_of_each_sensor_is_used_and_a_damaged_one_is_not() {
        let disk = SimulatedDisk::new(1);
        let data = Path::new("/data");
        assert!(calibrations(&*disk.shared(), data).unwrap().is_empty());
        for (serial, when_utc, slope) in [
            ("B-2", "2026-03-02T09:00:00Z", 400.0),
            ("B-2", "2026-02-02T09:00:00Z", 300.0),
            ("A/1", "2026-01-02T09:00:00Z", 100.0),
        ] {
            keep_calibration(&*disk.shared(), data, &certificate(serial, when_utc, slope)).unwrap();
        }
        let damaged = folder(data).join(folder_name("B-2")).join("calibration-20269999T000000-1.json");
        files::replace(&*disk.shared(), &damaged, b"{ cut off").unwrap();
        let mut found: Vec<(String, f64)> = calibrations(&*disk.shared(), data)
            .unwrap()
            .into_iter()
            .map(|of| (of.serial.clone(), of.curves().unwrap().force_n(1000.0)))
            .collect();
        found.sort_by(|a, b| a.0.cmp(&b.0));
        let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
        assert!(found.len() == 2 && near(found[0].1, 10.0) && near(found[1].1, 2.5), "{found:?}");
    }

    #[test]
    fn checks_are_kept_in_order() {
        let disk = SimulatedDisk::new(1);
        let check = |n: u32| Check {
            when_utc: format!("2026-03-0{n}T09:00:00Z"),
            serial: "A/1".to_owned(),
            channel: 1,
            reference_n: 9.8,
            read_n: 9.8,
            expanded_n: 0.1,
            limit_n: 0.2,
            passed: true,
            visit_id: String::new(),
        };
        (1..4).for_each(|n| drop(keep_check(&*disk.shared(), Path::new("/data"), &check(n)).unwrap()));
        let kept = checks(&*disk.shared(), Path::new("/data"), "A/1").unwrap();
        assert_eq!(kept, (1..4).map(check).collect::<Vec<_>>());
    }

    #[test]
    fn a_serial_number_cannot_leave_the_folder() {
        for serial in ["../../etc", "/root", "a/b", ".", "..", "", "\0\u{1b}"] {
            let name = folder_name(serial);
            assert!(!name.contains(['/', '.', '\0']) && !name.is_empty(), "{serial:?}: {name:?}");
        }
        assert_eq!(folder_name("SIM-0001"), "SIM-0001");
    }
}
