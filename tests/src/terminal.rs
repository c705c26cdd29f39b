//! A program on a terminal of its own: what it writes, and what is typed.

use crate::wait_for;
use nix::pty::{OpenptyResult, Winsize, openpty};
use nix::sys::termios::{LocalFlags, tcgetattr};
use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::process::{Child, Command, ExitStatus};
use std::sync::{Arc, Mutex};

/// The terminal and its program.
pub struct Terminal {
    child: Child,
    keyboard: File,
    screen: Arc<Mutex<Vec<u8>>>,
    /// Kept open, so that its state can be looked at when the program has ended.
    slave: OwnedFd,
    /// How much of the screen was looked at.
    read: usize,
}

impl Terminal {
    /// Runs a program on it.
    pub fn run(command: &mut Command) -> Terminal {
        let size = Winsize { ws_row: 30, ws_col: 120, ws_xpixel: 0, ws_ypixel: 0 };
        let OpenptyResult { master, slave } = openpty(Some(&size), None).unwrap();
        let [stdin, stdout, stderr] = [(); 3].map(|()| slave.try_clone().unwrap());
        let child = command.stdin(stdin).stdout(stdout).stderr(stderr).spawn().unwrap();
        let screen = Arc::new(Mutex::new(Vec::new()));
        let (shown, mut written) = (Arc::clone(&screen), File::from(master.try_clone().unwrap()));
        let reading = std::thread::Builder::new().name("screen".to_owned());
        reading
            .spawn(move || {
                let mut piece = [0; 4096];
                while let Ok(count @ 1..) = written.read(&mut piece) {
                    shown.lock().unwrap().extend_from_slice(&piece[..count]);
                }
            })
            .unwrap();
        Terminal { child, keyboard: File::from(master), screen, slave, read: 0 }
    }

    /// Types.
    pub fn keys(&mut self, keys: &str) {
        self.keyboard.write_all(keys.as_bytes()).unwrap();
    }

    /// Everything that was written so far.
    pub fn screen(&self) -> String {
        String::from_utf8_lossy(&self.screen.lock().unwrap()).into_owned()
    }

    /// The next whole line that was written for good (not the live one), once there is one; `None` when the program
    /// has ended and there is none.
    pub fn line(&mut self) -> Option<String> {
        wait_for("a line or the end", || {
            let screen = self.screen();
            let rest = screen.get(self.read..).unwrap_or_default();
            if let Some(end) = rest.find('\n') {
                self.read += end + 1;
                let line = rest[..end].trim_end_matches('\r');
                // Of what was drawn over itself, the last.
                let last = line.rsplit("\x1b[K").next().unwrap_or(line).rsplit('\r').next().unwrap_or(line);
                return Some(Some(last.trim_start_matches('\x07').to_owned()));
            }
            self.ended().map(|_| None)
        })
    }

    /// How it ended, if it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().unwrap()
    }

    /// The terminal gives whole lines and shows what is typed, as a shell expects it.
    pub fn is_as_it_was(&self) -> bool {
        let flags = tcgetattr(&self.slave).unwrap().local_flags;
        flags.contains(LocalFlags::ICANON | LocalFlags::ECHO)
    }
}

impl Drop for Terminal {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
