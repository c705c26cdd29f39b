//! Opening a serial port, with errors that say what to do.
//!
//! In: a port's name and its speed in baud. Out: an open port, exclusively ours, raw (no byte is changed on the way), or
//! an [`OpenError`].

use super::find::{Found, find};
use super::{Port, READ_TIMEOUT, WRITE_TIMEOUT};
use analysis::console::Advice;
use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::unistd::{Gid, Group, Uid, User, getgroups};
use serialport::{ErrorKind, TTYPort};
use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, IsTerminal, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt};
use std::path::Path;

/// The speed used when none is given. USB devices and pseudo-terminals ignore it.
pub const DEFAULT_BAUD: u32 = 115_200;

/// Why a port could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Nothing has that name.
    #[error("there is no port {name}{}", leads_to(.target.as_deref()))]
    Missing {
        /// The name asked for.
        name: String,
        /// Where the name leads when it is a link to nothing.
        target: Option<String>,
        /// The ports that do exist.
        existing: Vec<String>,
    },
    /// Another program has it.
    #[error("port {name} is busy: {} has it open", .holder.as_deref().unwrap_or("another program"))]
    Busy {
        /// The name asked for.
        name: String,
        /// The program that has it, where it can be seen.
        holder: Option<String>,
    },
    /// We may not open it.
    #[error("no permission to open {name}{}", belongs_to(.owner.as_deref()))]
    Denied {
        /// The name asked for.
        name: String,
        /// Owner, group and mode, where they can be seen.
        owner: Option<String>,
        /// What to do.
        hint: String,
    },
    /// It is something else.
    #[error("{name} is not a serial port: it is {what}")]
    NotSerial {
        /// The name asked for.
        name: String,
        /// What it is instead.
        what: &'static str,
        /// The ports that do exist.
        existing: Vec<String>,
    },
    /// The system refused for another reason.
    #[error("port {name} cannot be opened at {baud} baud: {reason}")]
    Refused {
        /// The name asked for.
        name: String,
        /// The speed asked for.
        baud: u32,
        /// The system's words.
        reason: String,
    },
}

impl Advice for OpenError {
    fn hint(&self) -> String {
        match self {
            OpenError::Missing { existing, .. } | OpenError::NotSerial { existing, .. } => {
                what_exists(existing)
            }
            OpenError::Busy { name, .. } => {
                format!("close that program, then try again; `fuser -v {name}` names it")
            }
            OpenError::Denied { hint, .. } => hint.clone(),
            OpenError::Refused { .. } => {
                "unplug the device, plug it in again, and check its cable and speed".to_owned()
            }
        }
    }
}

/// An open serial port of the machine, or a pseudo-terminal.
#[derive(Debug)]
pub struct Serial {
    name: String,
    reading: TTYPort,
    writing: File,
}

impl Port for Serial {
    fn name(&self) -> &str {
        &self.name
    }

    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.reading.read(buffer)
    }

    fn writer(&self) -> io::Result<Box<dyn Write + Send>> {
        Ok(Box::new(Writer { file: self.writing.try_clone()? }))
    }
}

/// Opens `name` for us alone.
///
/// # Errors
/// See [`OpenError`].
pub fn open(name: &str, baud: u32) -> Result<Serial, OpenError> {
    let metadata = std::fs::metadata(name).map_err(|error| explain(name, baud, &error))?;
    check_kind(name, &metadata)?;
    // Writing has a handle of its own that never blocks: a device that takes nothing must not stop its reader.
    let flags = nix::libc::O_NOCTTY | nix::libc::O_NONBLOCK;
    let writing = OpenOptions::new().read(true).write(true).custom_flags(flags).open(name);
    let writing = writing.map_err(|error| explain(name, baud, &error))?;
    if !writing.is_terminal() {
        return Err(not_serial(name, "another kind of device"));
    }
    // Many boards send only while DTR is raised. Pseudo-terminals have none; the library then goes on without.
    let reading = serialport::new(name, baud).timeout(READ_TIMEOUT).dtr_on_open(true).open_native();
    let reading = reading.map_err(|error| explain_serial(name, baud, &error))?;
    Ok(Serial { name: name.to_owned(), reading, writing })
}

fn check_kind(name: &str, metadata: &Metadata) -> Result<(), OpenError> {
    let kind = metadata.file_type();
    if kind.is_char_device() {
        Ok(())
    } else if kind.is_dir() {
        Err(not_serial(name, "a folder"))
    } else if kind.is_file() {
        Err(not_serial(name, "an ordinary file"))
    } else {
        Err(not_serial(name, "another kind of file"))
    }
}

fn not_serial(name: &str, what: &'static str) -> OpenError {
    OpenError::NotSerial { name: name.to_owned(), what, existing: existing() }
}

fn explain(name: &str, baud: u32, error: &io::Error) -> OpenError {
    match error.raw_os_error().map(Errno::from_raw) {
        Some(Errno::ENOENT | Errno::ENOTDIR | Errno::ELOOP) => missing(name),
        Some(Errno::EBUSY) => busy(name),
        Some(Errno::EACCES | Errno::EPERM) => denied(name),
        _ => OpenError::Refused { name: name.to_owned(), baud, reason: error.to_string() },
    }
}

fn explain_serial(name: &str, baud: u32, error: &serialport::Error) -> OpenError {
    match error.kind() {
        // The library's word for "somebody else holds it".
        ErrorKind::NoDevice => busy(name),
        ErrorKind::Io(io::ErrorKind::NotFound) => missing(name),
        ErrorKind::Io(io::ErrorKind::PermissionDenied) => denied(name),
        _ => OpenError::Refused { name: name.to_owned(), baud, reason: error.description.clone() },
    }
}

fn missing(name: &str) -> OpenError {
    let target = std::fs::read_link(name).ok().map(|path| path.to_string_lossy().into_owned());
    OpenError::Missing { name: name.to_owned(), target, existing: existing() }
}

fn busy(name: &str) -> OpenError {
    OpenError::Busy { name: name.to_owned(), holder: holder(Path::new(name)) }
}

fn existing() -> Vec<String> {
    find().unwrap_or_default().iter().map(|port| Found::best_name(port).to_owned()).collect()
}

/// The first other program that has `port` open, as far as we may look into other programs.
fn holder(port: &Path) -> Option<String> {
    let device = port.canonicalize().ok()?;
    let own = std::process::id().to_string();
    let processes = std::fs::read_dir("/proc").ok()?.flatten();
    let others = processes.filter(|entry| {
        let id = entry.file_name();
        id != *own && id.to_string_lossy().bytes().all(|byte| byte.is_ascii_digit())
    });
    others.map(|entry| entry.path()).find(|process| holds(process, &device)).map(|process| {
        let command = std::fs::read_to_string(process.join("comm")).unwrap_or_default();
        let id = process.file_name().unwrap_or_default().to_string_lossy();
        format!("{} (process {id})", super::text::printable(command.trim()))
    })
}

/// Whether a process has `device` open as a host does. The one on the other side of a pseudo-terminal may have it open,
/// too, but not as its user.
fn holds(process: &Path, device: &Path) -> bool {
    let Ok(files) = std::fs::read_dir(process.join("fd")) else { return false };
    let open: Vec<_> = files.flatten().filter_map(|file| std::fs::read_link(file.path()).ok()).collect();
    let is_other_side = open.iter().any(|file| file.file_name().is_some_and(|name| name == "ptmx"));
    open.iter().any(|file| file == device) && !is_other_side
}

fn denied(name: &str) -> OpenError {
    let Ok(metadata) = std::fs::metadata(name) else {
        let hint = "ask the machine's administrator: the folder that holds it is closed to you".to_owned();
        return OpenError::Denied { name: name.to_owned(), owner: None, hint };
    };
    let user = named_user(metadata.uid());
    let group = named_group(metadata.gid());
    let owner = format!("user {user}, group {group}, mode {:03o}", metadata.mode() & 0o777);
    let hint = denied_hint(&metadata, &user, &group);
    OpenError::Denied { name: name.to_owned(), owner: Some(owner), hint }
}

fn denied_hint(metadata: &Metadata, user: &str, group: &str) -> String {
    let group_may = metadata.mode() & 0o060 == 0o060;
    let gid = Gid::from_raw(metadata.gid());
    if group_may && getgroups().is_ok_and(|groups| groups.contains(&gid)) {
        "a security policy of this machine forbids it: ask its administrator".to_owned()
    } else if group_may && is_listed_member(gid) {
        format!("you have joined the group {group}, but only for logins from now on: log out and in again")
    } else if group_may {
        format!("join the group {group} with `sudo usermod -aG {group} \"$USER\"`, then log out and in again")
    } else {
        format!(
            "only the user {user} may open it, whatever group you join: run as {user}, or have the administrator \
                 give the port to a group"
        )
    }
}

/// Whether the group's list already names the user that runs us.
fn is_listed_member(gid: Gid) -> bool {
    let user = User::from_uid(Uid::current()).ok().flatten();
    let group = Group::from_gid(gid).ok().flatten();
    user.zip(group).is_some_and(|(user, group)| group.mem.contains(&user.name))
}

fn named_user(uid: u32) -> String {
    let user = User::from_uid(Uid::from_raw(uid)).ok().flatten();
    user.map_or_else(|| uid.to_string(), |user| user.name)
}

fn named_group(gid: u32) -> String {
    let group = Group::from_gid(Gid::from_raw(gid)).ok().flatten();
    group.map_or_else(|| gid.to_string(), |group| group.name)
}

fn leads_to(target: Option<&str>) -> String {
    target.map_or_else(String::new, |target| format!(" (a link to {target}, which is not there)"))
}

fn what_exists(existing: &[String]) -> String {
    if existing.is_empty() {
        "this machine has no serial port now: plug the sensor in, or start `fingerforced simulate`".to_owned()
    } else {
        format!("the ports that exist are {}", existing.join(", "))
    }
}

fn belongs_to(owner: Option<&str>) -> String {
    owner.map_or_else(String::new, |owner| format!(" (it belongs to {owner})"))
}

/// The half of a port that writes: never blocks longer than [`WRITE_TIMEOUT`].
struct Writer {
    file: File,
}

impl Write for Writer {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let timeout = PollTimeout::try_from(WRITE_TIMEOUT).unwrap_or(PollTimeout::MAX);
        let mut waiting = [PollFd::new(self.file.as_fd(), PollFlags::POLLOUT)];
        if poll(&mut waiting, timeout)? == 0 {
            return Err(io::Error::new(io::ErrorKind::TimedOut, "the device takes no bytes"));
        }
        let state = waiting[0].revents().unwrap_or(PollFlags::empty());
        if state.intersects(PollFlags::POLLHUP | PollFlags::POLLERR | PollFlags::POLLNVAL) {
            return Err(io::Error::new(io::ErrorKind::BrokenPipe, "the device is gone"));
        }
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};

    fn pseudo_terminal() -> (PtyMaster, String) {
        let master = posix_openpt(nix::fcntl::OFlag::O_RDWR | nix::fcntl::OFlag::O_NOCTTY).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let name = ptsname_r(&master).unwrap();
        (master, name)
    }

    #[test]
    fn a_missing_port_says_which_ones_exist() {
        let error = open("/dev/ttyNONE7", DEFAULT_BAUD).unwrap_err();
        assert_eq!(error.to_string(), "there is no port /dev/ttyNONE7");
        let hint = error.hint();
        assert!(!existing().is_empty() || hint.contains("no serial port"), "{hint}");
        for port in existing() {
            assert!(hint.contains(&port), "{hint} lacks {port}");
        }
    }

    #[test]
    fn a_link_to_nothing_is_told_as_such() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("sensor");
        std::os::unix::fs::symlink("/dev/pts/none", &link).unwrap();
        let text = open(link.to_str().unwrap(), DEFAULT_BAUD).unwrap_err().to_string();
        assert!(text.contains("(a link to /dev/pts/none, which is not there)"), "{text}");
    }

    #[test]
    fn what_is_not_a_serial_port_is_called_what_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("trace.csv");
        std::fs::write(&file, "").unwrap();
        for (path, what) in [
            (folder.path(), "a folder"),
            (&file, "an ordinary file"),
            (Path::new("/dev/null"), "another kind of device"),
        ] {
            let error = open(path.to_str().unwrap(), DEFAULT_BAUD).unwrap_err();
            assert!(error.to_string().ends_with(&format!("not a serial port: it is {what}")), "{error}");
        }
    }

    #[test]
    fn a_port_can_be_opened_once() {
        let (_master, name) = pseudo_terminal();
        let first = open(&name, DEFAULT_BAUD).unwrap();
        assert_eq!(first.name(), name);
        let second = open(&name, DEFAULT_BAUD).unwrap_err();
        assert!(matches!(second, OpenError::Busy { .. }), "{second:?}");
        assert!(second.hint().contains(&format!("fuser -v {name}")), "{second}");
        drop(first);
        open(&name, DEFAULT_BAUD).unwrap();
    }

    #[test]
    fn a_device_that_takes_nothing_does_not_block_the_writer_for_ever() {
        let (_master, name) = pseudo_terminal();
        let port = open(&name, DEFAULT_BAUD).unwrap();
        let mut writer = port.writer().unwrap();
        let mut taken = 0;
        let error = loop {
            match writer.write(&[0x55; 4096]) {
                Ok(bytes) => taken += bytes,
                Err(error) => break error,
            }
            assert!(taken < 10_000_000, "a pseudo-terminal holds some kilobytes only");
        };
        assert!(matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock), "{error:?}");
    }

    #[test]
    fn writing_to_a_device_that_is_gone_is_an_error() {
        let (master, name) = pseudo_terminal();
        let port = open(&name, DEFAULT_BAUD).unwrap();
        let mut writer = port.writer().unwrap();
        drop(master);
        assert_eq!(writer.write(b"x").unwrap_err().kind(), io::ErrorKind::BrokenPipe);
    }

    #[test]
    fn the_group_to_join_is_named_with_its_command() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("device");
        std::fs::write(&file, "").unwrap();
        let metadata = std::fs::metadata(&file).unwrap();
        // A file of mode 0644: no group may write.
        let hint = denied_hint(&metadata, "operator", "dialout");
        assert!(hint.starts_with("only the user operator may open it"), "{hint}");
    }
}
