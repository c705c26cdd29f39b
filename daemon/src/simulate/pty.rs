//! A pseudo-terminal that looks like a serial port: the simulated board's cable.

use nix::errno::Errno;
use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::pty::openpty;
use nix::sys::termios::{SetArg, cfmakeraw, tcgetattr, tcsetattr};
use nix::unistd::{read, ttyname, write};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

/// An open pseudo-terminal, its other end linked at a path. Dropping it unplugs it.
#[derive(Debug)]
pub struct Pty {
    master: OwnedFd,
    /// Held open so that the line's settings stay and the host may close and open it.
    slave: Option<OwnedFd>,
    name: PathBuf,
    link: Option<PathBuf>,
}

impl Pty {
    /// Opens one and links it at `link`.
    ///
    /// # Errors
    /// The system gives none, or something else is at `link`.
    pub fn open(link: Option<&Path>) -> io::Result<Pty> {
        let pair = openpty(None, None)?;
        let mut settings = tcgetattr(pair.slave.as_fd())?;
        cfmakeraw(&mut settings);
        tcsetattr(pair.slave.as_fd(), SetArg::TCSANOW, &settings)?;
        let flags = OFlag::from_bits_truncate(fcntl(pair.master.as_fd(), FcntlArg::F_GETFL)?);
        fcntl(pair.master.as_fd(), FcntlArg::F_SETFL(flags | OFlag::O_NONBLOCK))?;
        let name = ttyname(pair.slave.as_fd())?;
        let mut pty = Pty { master: pair.master, slave: Some(pair.slave), name, link: None };
        if let Some(link) = link {
            if std::fs::symlink_metadata(link).is_ok_and(|there| there.is_symlink()) {
                std::fs::remove_file(link)?;
            }
            std::os::unix::fs::symlink(&pty.name, link)?;
            pty.link = Some(link.to_owned());
        }
        Ok(pty)
    }

    /// Where a host opens it.
    pub fn path(&self) -> &Path {
        self.link.as_deref().unwrap_or(&self.name)
    }

    /// What the host has sent, as much as fits; 0 when there is nothing.
    pub fn read(&self, buffer: &mut [u8]) -> usize {
        read(self.master.as_fd(), buffer).unwrap_or(0)
    }

    /// Writes what the line takes now; 0 when it is full.
    pub fn write(&self, bytes: &[u8]) -> usize {
        write(self.master.as_fd(), bytes).unwrap_or(0)
    }

    /// Our own hold on the host's end is given up: from now on [`Pty::host_has_gone`] can tell.
    pub fn let_go(&mut self) {
        self.slave = None;
    }

    /// The host has closed its end, so it has read all it ever will.
    pub fn host_has_gone(&self) -> bool {
        self.slave.is_none() && read(self.master.as_fd(), &mut [0]) == Err(Errno::EIO)
    }
}

impl Drop for Pty {
    fn drop(&mut self) {
        let ours = |link: &&PathBuf| std::fs::read_link(link).is_ok_and(|target| target == self.name);
        if let Some(link) = self.link.as_ref().filter(ours) {
            // A link left behind is harmless: it leads nowhere.
            let _ = std::fs::remove_file(link);
        }
    }
}
