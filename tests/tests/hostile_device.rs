//! A device that sends terminal commands where text should be: not one of them reaches the terminal.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use firmware_protocol::frame::{MAX_FRAME, MAX_MESSAGE, encode};
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, Direction, Identity, PROTOCOL_VERSION, Text,
};
use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::process::Output;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tests::{Place, fingerforced, run};

/// Clear the screen, set the window's title, hide what follows, and the one-byte form of an escape sequence.
const COMMANDS: &[u8] = b"\x1b[2J\x1b]0;pwned\x07\x1b[8m\xc2\x9b31m\r\n\x7f";

/// A device on a pseudo-terminal of its own, that says the same over and over while it is there.
struct Device {
    path: String,
    gone: Arc<AtomicBool>,
    says: Option<std::thread::JoinHandle<()>>,
}

impl Device {
    fn saying(bytes: Vec<u8>) -> Device {
        let master = posix_openpt(OFlag::O_RDWR | OFlag::O_NOCTTY | OFlag::O_NONBLOCK).unwrap();
        grantpt(&master).unwrap();
        unlockpt(&master).unwrap();
        let path = ptsname_r(&master).unwrap();
        let gone = Arc::new(AtomicBool::new(false));
        let ends = Arc::clone(&gone);
        let says = std::thread::Builder::new().name("device".to_owned());
        let says = says.spawn(move || say(master, &bytes, &ends)).unwrap();
        Device { path, gone, says: Some(says) }
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        self.gone.store(true, Ordering::Relaxed);
        self.says.take().map(std::thread::JoinHandle::join);
    }
}

fn say(mut master: PtyMaster, bytes: &[u8], gone: &AtomicBool) {
    let mut heard = [0; 1024];
    while !gone.load(Ordering::Relaxed) {
        // Full, or nobody there: it tries again. What the host says is taken and ignored.
        let _ = master.write(bytes);
        let _ = master.read(&mut heard);
        let _ = poll(&mut [PollFd::new(master.as_fd(), PollFlags::POLLIN)], PollTimeout::from(20_u8));
    }
}

/// The frame of an identity whose serial number and firmware are commands; its checksum holds.
fn identity_of_commands(version: u8) -> Vec<u8> {
    let channel =
        ChannelIdentity { zero_counts: 0, rated_counts: 1, rated_force_mn: 1, direction: Direction::Both };
    let text = |text: &str| Text::new(text).unwrap();
    let identity = Identity {
        protocol_version: version,
        boot_id: 1,
        serial: text("0123456789abcdef"),
        firmware: text("fedcba9876543210"),
        interval_ns: 1_000_000,
        group_delay_ns: 0,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&[channel]).unwrap(),
    };
    let mut body = [0; MAX_MESSAGE];
    let length = DeviceMessage::Identity(identity).encode(&mut body).unwrap();
    for text in [&b"0123456789abcdef"[..], b"fedcba9876543210"] {
        let at = body.windows(16).position(|bytes| bytes == text).unwrap();
        body[at..at + 16].copy_from_slice(&COMMANDS[..16]);
    }
    let mut frame = [0; MAX_FRAME];
    let length = encode(&body[..length], &mut frame).unwrap();
    [&[0], &frame[..length]].concat()
}

/// Nothing but text and line feeds, on either stream.
fn is_clean(output: &Output, what: &str) {
    for stream in [&output.stdout, &output.stderr] {
        let text = String::from_utf8(stream.clone()).expect("text");
        let control = text.chars().find(|character| character.is_control() && *character != '\n');
        assert_eq!(control, None, "{what}: {text:?}");
        assert!(!text.contains("pwned"), "{what}: {text:?}");
    }
}

/// Every command that talks to it.
fn talk_to(what: &str, bytes: Vec<u8>) {
    let device = Device::saying(bytes);
    let place = Place::default();
    let mut record = fingerforced();
    record.args(["record", "--port", &device.path, "--data"]).arg(place.path("data"));
    let output = run(record.env("FINGERFORCE_LOG", "trace"));
    assert_eq!(output.status.code(), Some(1), "{what}: {output:?}");
    is_clean(&output, what);
    let mut probe = fingerforced();
    is_clean(&run(probe.args(["ports", "--probe", &device.path]).env("FINGERFORCE_LOG", "trace")), what);
}

#[test]
fn terminal_commands_from_a_device_never_reach_the_terminal() {
    let says = [
        ("noise", COMMANDS.to_vec()),
        ("an identity", identity_of_commands(PROTOCOL_VERSION)),
        ("an identity of another version", identity_of_commands(PROTOCOL_VERSION + 1)),
    ];
    std::thread::scope(|scope| {
        for (what, bytes) in says {
            scope.spawn(move || talk_to(what, bytes));
        }
    });
}
