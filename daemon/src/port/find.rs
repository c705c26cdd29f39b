//! Which serial ports the machine has.
//!
//! In: the system's list of serial devices and the stable names under `/dev/serial/by-id`. Out: one [`Found`] a port.
//! Pseudo-terminals are never listed: the system does not list them, and a simulated sensor is named by its link.

use super::text::printable;
use serialport::{SerialPortType, available_ports};
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// A serial port that the machine has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// The device file, as `/dev/ttyACM0`. It may change when devices are plugged in another order.
    pub name: String,
    /// The name that stays with the device, under `/dev/serial/by-id`, where there is one.
    pub by_id: Option<String>,
    /// What the USB device says about itself, where it is one.
    pub usb: Option<Usb>,
}

/// What a USB device says about itself. Texts are safe to print.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Usb {
    /// Vendor id.
    pub vendor_id: u16,
    /// Product id.
    pub product_id: u16,
    /// Serial number.
    pub serial: Option<String>,
    /// Manufacturer.
    pub manufacturer: Option<String>,
    /// Product.
    pub product: Option<String>,
}

impl Found {
    /// The name to tell people: the one that stays, where there is one.
    #[must_use]
    pub fn best_name(&self) -> &str {
        self.by_id.as_deref().unwrap_or(&self.name)
    }
}

/// The ports, sorted by device file.
///
/// # Errors
/// What the system says when it cannot list them.
pub fn find() -> Result<Vec<Found>, serialport::Error> {
    // The library takes this folder for granted; a container may lack it.
    if cfg!(target_os = "linux") && !Path::new("/sys/class/tty").is_dir() {
        return Ok(Vec::new());
    }
    let stable = stable_names(Path::new("/dev/serial/by-id"));
    let mut ports: Vec<Found> = available_ports()?
        .into_iter()
        .map(|port| Found {
            by_id: stable.get(&resolve(Path::new(&port.port_name))).cloned(),
            usb: usb(port.port_type),
            name: port.port_name,
        })
        .collect();
    ports.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(ports)
}

fn usb(kind: SerialPortType) -> Option<Usb> {
    let SerialPortType::UsbPort(info) = kind else { return None };
    let clean = |text: Option<String>| text.map(|text| printable(&text));
    Some(Usb {
        vendor_id: info.vid,
        product_id: info.pid,
        serial: clean(info.serial_number),
        manufacturer: clean(info.manufacturer),
        product: clean(info.product),
    })
}

/// The links in `folder`, by the device they lead to. A missing folder has none: no USB port is plugged in.
fn stable_names(folder: &Path) -> BTreeMap<PathBuf, String> {
    let Ok(entries) = std::fs::read_dir(folder) else { return BTreeMap::new() };
    let links = entries.flatten().map(|entry| entry.path());
    links.map(|link| (resolve(&link), link.to_string_lossy().into_owned())).collect()
}

fn resolve(path: &Path) -> PathBuf {
    path.canonicalize().unwrap_or_else(|_| path.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stable_names_lead_to_their_devices() {
        let folder = tempfile::tempdir().unwrap();
        let device = folder.path().join("ttyACM0");
        std::fs::write(&device, "").unwrap();
        let by_id = folder.path().join("by-id");
        std::fs::create_dir(&by_id).unwrap();
        let link = by_id.join("usb-Example_Sensor_0042-if00");
        std::os::unix::fs::symlink(&device, &link).unwrap();
        let names = stable_names(&by_id);
        assert_eq!(names.get(&resolve(&device)), Some(&link.to_string_lossy().into_owned()));
        assert!(stable_names(&folder.path().join("none")).is_empty());
    }

    #[test]
    fn the_list_holds_device_files_and_no_pseudo_terminal() {
        for port in find().unwrap() {
            assert!(port.name.starts_with("/dev/"), "{port:?}");
            assert!(!port.name.starts_with("/dev/pts/"), "{port:?}");
        }
    }
}
