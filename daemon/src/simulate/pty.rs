//! The pseudo-terminal behind which the simulated sensor stands.
//!
//! In: bytes from the sensor. Out: bytes from the host, and what became of the sensor's. Opening one makes a link to it
//! under a name that stays the same when the cable is pulled and put back, as `/dev/serial/by-id` does for a device.
//! Nothing here blocks longer than it is told to.

use analysis::console::Advice;
use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll, ppoll};
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::sys::time::TimeSpec;
use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::{OpenOptionsExt, symlink};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// A pseudo-terminal or its link could not be made.
#[derive(Debug, thiserror::Error)]
pub enum PtyError {
    /// The system gave none.
    #[error("the system gives no pseudo-terminal")]
    None(#[source] io::Error),
    /// The link could not be made.
    #[error("cannot make the link {}", path.display())]
    Link {
        /// Where.
        path: PathBuf,
        /// The system's words.
        source: io::Error,
    },
    /// Something that is no link has that name.
    #[error("{} exists and is not a link", .0.display())]
    Occupied(PathBuf),
}

impl Advice for PtyError {
    fn hint(&self) -> String {
        match self {
            PtyError::None(_) => "check that /dev/pts is mounted".to_owned(),
            PtyError::Link { .. } => {
                "give --link a name in a folder that exists and that you may write to".to_owned()
            }
            PtyError::Occupied(_) => "give --link another name".to_owned(),
        }
    }
}

/// A pseudo-terminal with its link. Dropping it pulls the cable: the link goes, and what was not read is lost.
#[derive(Debug)]
pub struct Pty {
    master: PtyMaster,
    /// The host's side, too: by it we see whether the host has read everything. It also keeps the port's settings
    /// while no host has it open.
    host_side: File,
    name: String,
    link: Option<PathBuf>,
}

impl Pty {
    /// Makes one, raw, and links it at `link`. A link that is there already is replaced.
    ///
    /// # Errors
    /// [`PtyError`].
    pub fn open(link: Option<&Path>) -> Result<Pty, PtyError> {
        let (master, host_side, name) = make().map_err(PtyError::None)?;
        if let Some(link) = link {
            make_link(&name, link)?;
        }
        Ok(Pty { master, host_side, name, link: link.map(Path::to_owned) })
    }

    /// The device's own name, as `/dev/pts/3`.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Gives bytes to the host; returns how many it took, 0 where it is full.
    ///
    /// # Errors
    /// The system's.
    pub fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        none_if_it_would_block(self.master.write(bytes))
    }

    /// Takes bytes from the host; 0 where there are none.
    ///
    /// # Errors
    /// The system's.
    pub fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        none_if_it_would_block(self.master.read(buffer))
    }

    /// Whether the host has read all that it was given.
    ///
    /// # Errors
    /// The system's.
    pub fn is_read(&self) -> io::Result<bool> {
        let mut side = [PollFd::new(self.host_side.as_fd(), PollFlags::POLLIN)];
        Ok(poll(&mut side, PollTimeout::ZERO)? == 0)
    }

    /// Takes back what the host has not read; returns how many bytes.
    ///
    /// # Errors
    /// The system's.
    pub fn withdraw(&mut self) -> io::Result<u64> {
        let (mut buffer, mut count) = ([0; 4096], 0);
        while !self.is_read()? {
            let length = none_if_it_would_block(self.host_side.read(&mut buffer))?;
            if length == 0 {
                break;
            }
            count += length as u64;
        }
        Ok(count)
    }

    /// Waits until the host sends something, at most `timeout`.
    ///
    /// # Errors
    /// The system's. A signal ends the wait without one.
    pub fn wait(&self, timeout: Duration) -> io::Result<()> {
        self.wait_for(PollFlags::POLLIN, timeout)
    }

    /// Waits until the host takes something, at most `timeout`.
    ///
    /// # Errors
    /// The system's. A signal ends the wait without one.
    pub fn wait_for_room(&self, timeout: Duration) -> io::Result<()> {
        self.wait_for(PollFlags::POLLOUT, timeout)
    }

    /// Frees the port of a host that was killed. A device's port is freed by the system; a pseudo-terminal stays closed to
    /// everybody but root, because we keep it. Hosts that lock the port by `flock` as well still keep others out.
    ///
    /// # Errors
    /// The system's.
    pub fn release(&self) -> io::Result<()> {
        Ok(rustix::termios::ioctl_tiocnxcl(&self.host_side)?)
    }

    fn wait_for(&self, what: PollFlags, timeout: Duration) -> io::Result<()> {
        let mut side = [PollFd::new(self.master.as_fd(), what)];
        match ppoll(&mut side, Some(TimeSpec::from_duration(timeout)), None) {
            Ok(_) | Err(nix::errno::Errno::EINTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        // Only our own link: another simulator may have taken the name over.
        if let Some(link) = self.link.take()
            && std::fs::read_link(&link).is_ok_and(|target| target == Path::new(&self.name))
        {
            let _ = std::fs::remove_file(link);
        }
    }
}

fn make() -> io::Result<(PtyMaster, File, String)> {
    let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK | OFlag::O_CLOEXEC)?;
    grantpt(&master)?;
    unlockpt(&master)?;
    let name = ptsname_r(&master)?;
    let flags = nix::libc::O_NOCTTY | nix::libc::O_NONBLOCK;
    let host_side = OpenOptions::new().read(true).write(true).custom_flags(flags).open(&name)?;
    let mut settings = tcgetattr(&host_side)?;
    cfmakeraw(&mut settings);
    tcsetattr(&host_side, SetArg::TCSANOW, &settings)?;
    Ok((master, host_side, name))
}

/// Makes the link under another name first, so that whoever looks finds the old one or the new one.
fn make_link(target: &str, link: &Path) -> Result<(), PtyError> {
    match std::fs::symlink_metadata(link) {
        Ok(metadata) if !metadata.is_symlink() => return Err(PtyError::Occupied(link.to_owned())),
        _ => {}
    }
    let mut other = link.as_os_str().to_owned();
    other.push(format!(".{}", std::process::id()));
    let made = symlink(target, &other).and_then(|()| std::fs::rename(&other, link));
    made.map_err(|source| {
        let _ = std::fs::remove_file(&other);
        PtyError::Link { path: link.to_owned(), source }
    })
}

fn none_if_it_would_block(result: io::Result<usize>) -> io::Result<usize> {
    match result {
        Err(error) if error.kind() == io::ErrorKind::WouldBlock => Ok(0),
        Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(0),
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::super::super::port::{DEFAULT_BAUD, Port, open};
    use super::*;

    #[test]
    fn bytes_go_both_ways_unchanged_and_the_reader_can_be_seen() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("sensor");
        let mut pty = Pty::open(Some(&link)).unwrap();
        assert_eq!(std::fs::read_link(&link).unwrap(), Path::new(pty.name()));
        let mut port = open(link.to_str().unwrap(), DEFAULT_BAUD).unwrap();
        let sent: Vec<u8> = (0..=255).collect();
        assert_eq!(pty.write(&sent).unwrap(), 256);
        assert!(!pty.is_read().unwrap());
        let mut buffer = [0; 1_000];
        let mut came: Vec<u8> = Vec::new();
        while came.len() < 256 {
            let count = port.read(&mut buffer).unwrap();
            came.extend(&buffer[..count]);
        }
        assert_eq!(came, sent);
        assert!(pty.is_read().unwrap());
        port.writer().unwrap().write_all(&sent).unwrap();
        pty.wait(Duration::from_secs(60)).unwrap();
        assert_eq!(pty.read(&mut buffer).unwrap(), 256);
        assert_eq!(buffer[..256], sent[..]);
        drop(pty);
        assert!(!link.exists() && std::fs::symlink_metadata(&link).is_err(), "the link goes with the cable");
    }

    #[test]
    fn a_full_port_takes_nothing_and_what_was_not_read_can_be_counted() {
        let mut pty = Pty::open(None).unwrap();
        let mut taken = 0;
        loop {
            match pty.write(&[7; 1_000]).unwrap() {
                0 => break,
                count => taken += count as u64,
            }
        }
        assert!((1_000..1_000_000).contains(&taken), "{taken}");
        assert_eq!(pty.withdraw().unwrap(), taken);
        assert!(pty.is_read().unwrap());
        assert_eq!(pty.withdraw().unwrap(), 0);
    }

    #[test]
    fn a_name_that_is_taken_is_refused_and_an_old_link_replaced() {
        let folder = tempfile::tempdir().unwrap();
        let link = folder.path().join("sensor");
        std::fs::write(&link, "a file of somebody's").unwrap();
        assert!(matches!(Pty::open(Some(&link)), Err(PtyError::Occupied(_))));
        assert!(matches!(Pty::open(Some(&folder.path().join("none/x"))), Err(PtyError::Link { .. })));
        std::fs::remove_file(&link).unwrap();
        symlink("/dev/pts/none", &link).unwrap();
        let first = Pty::open(Some(&link)).unwrap();
        let second = Pty::open(Some(&link)).unwrap();
        drop(first);
        assert_eq!(
            std::fs::read_link(&link).unwrap(),
            Path::new(second.name()),
            "the second one's link stays"
        );
    }
}
