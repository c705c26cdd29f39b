//! A device that sends terminal commands where text should be, and journals and recordings that hold them in every text:
//! not one of them reaches the terminal.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

#[path = "../../analysis/tests/sample/mod.rs"]
mod sample;

use analysis::recording::layout::TrialRow;
use analysis::recording::write::{Root, Writer as RecordingWriter};
use daemon::journal::{Options, Reader, Record, SystemDisk, Writer};
use firmware_protocol::frame::{MAX_FRAME, MAX_MESSAGE, encode};
use firmware_protocol::message::{
    ChannelIdentity, Channels, DeviceMessage, Direction, Identity, PROTOCOL_VERSION, Text,
};
use nix::fcntl::OFlag;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use nix::pty::{PtyMaster, grantpt, posix_openpt, ptsname_r, unlockpt};
use std::io::{Read, Write};
use std::os::fd::AsFd;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use tests::{Place, fingerforce, fingerforced, run, sealed, stderr};

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
    }
}

/// Nothing of what the device said is passed on: it is no sensor.
fn says_nothing_of_it(output: &Output, what: &str) {
    is_clean(output, what);
    for stream in [&output.stdout, &output.stderr] {
        assert!(!String::from_utf8_lossy(stream).contains("pwned"), "{what}: {output:?}");
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
    says_nothing_of_it(&output, what);
    let mut probe = fingerforced();
    says_nothing_of_it(
        &run(probe.args(["ports", "--probe", &device.path]).env("FINGERFORCE_LOG", "trace")),
        what,
    );
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

fn commands() -> String {
    String::from_utf8(COMMANDS.to_vec()).unwrap()
}

/// Runs a command, which shows what it was given, but cleaned.
fn shows(command: &mut Command) -> Output {
    let output = run(command.env("FINGERFORCE_LOG", "trace"));
    let what = format!("{command:?}");
    assert!(output.status.success(), "{what}: {}", stderr(&output));
    is_clean(&output, &what);
    output
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// What reads recordings, each with words of the commands that it has to show.
fn reads(recording: &Path) {
    let read = |arguments: &[&str]| {
        let output = shows(fingerforce().arg(arguments[0]).arg(recording).args(&arguments[1..]));
        assert!(said(&output).contains("pwned"), "{arguments:?}: {}", said(&output));
    };
    for arguments in [
        &["info"][..],
        &["info", "--json"],
        &["summary"],
        &["summary", "--json"],
        &["report", "--out", "-"],
        &["study"],
        &["study", "--json"],
    ] {
        read(arguments);
    }
    shows(fingerforce().arg("holds").arg(recording));
    shows(fingerforce().arg("sensor").arg(recording));
}

/// A recording as some other program may have written it: whole, with commands in every text that can hold any.
fn recording_of_commands(path: &Path) {
    let text = commands();
    let root = Root {
        participant: text.clone(),
        examiner: text.clone(),
        software: text.clone(),
        utc_offset: text.clone(),
        participant_fields: vec![("condition".to_owned(), text.clone())],
        plan: text.clone(),
        ..sample::root()
    };
    let samples = sample::samples(1, sample::SAMPLES);
    let mut sensor = sample::sensor(1, sample::SAMPLES);
    (sensor.serial, sensor.firmware) = (text.clone(), text.clone());
    sensor.channels.iter_mut().for_each(|channel| channel.calibration.clone_from(&text));
    let mut tables = sample::tables(&samples, 1);
    tables.sensors.truncate(1);
    tables.sensors[0].segments[0].reason.clone_from(&text);
    tables.sensors[0].tares[0].orientation.clone_from(&text);
    tables.trials[0] = TrialRow {
        muscle: text.clone(),
        side: text.clone(),
        test: text.clone(),
        outcome: text.clone(),
        why_not: text.clone(),
        valid: 0,
        ..tables.trials[0].clone()
    };
    tables.trials[4].valid = 0;
    tables.trials[4].why_not.clone_from(&text);
    let seen = &mut tables.observations[0];
    for told in [&mut seen.kind, &mut seen.value, &mut seen.scale, &mut seen.by] {
        told.clone_from(&text);
    }
    tables.events[0].kind.clone_from(&text);
    tables.events[0].detail = text;
    let mut writer = RecordingWriter::create(path, &root).unwrap();
    let number = writer.add_sensor(&sensor).unwrap();
    writer.append(number, samples.part(1, 0, sample::SAMPLES)).unwrap();
    writer.finish(&tables).unwrap();
}

#[test]
fn terminal_commands_in_a_recording_never_reach_the_terminal() {
    let place = Place::default();
    let recording = place.path("recording.h5");
    recording_of_commands(&recording);
    reads(&recording);
}

/// A sensor's visit, not sealed yet, with commands in every text of its journal.
fn visit_of_commands(place: &Place) -> PathBuf {
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1"]);
    let options =
        ["--seconds", "3", "--no-seal", "--about", "sex=female", "--participant", "P1", "--examiner", "E1"];
    let output = run(&mut place.record(&options));
    assert!(output.status.success(), "{}", stderr(&output));
    let text = commands();
    let folder = place.path("other").join("visits").join("20260302T090000Z-abcdef01");
    let mut writer =
        Writer::create(SystemDisk::shared(), &folder, uuid::Uuid::nil(), &text, Options::default()).unwrap();
    for stamped in Reader::open(SystemDisk::shared(), &place.visit()).unwrap() {
        let mut stamped = stamped.unwrap();
        match &mut stamped.record {
            Record::Begun(begun) => {
                let mut of: serde_json::Value = serde_json::from_str(begun).unwrap();
                for name in ["participant", "examiner", "software", "utc_offset"] {
                    of[name] = text.clone().into();
                }
                assert_eq!(of["about"][0], serde_json::json!(["sex", "female"]), "{of}");
                of["about"][0][1] = text.clone().into();
                *begun = of.to_string();
            }
            Record::Opened { detail, .. } => {
                let mut of: serde_json::Value = serde_json::from_str(detail).unwrap();
                of["name"] = text.clone().into();
                *detail = of.to_string();
            }
            Record::Closed { reason, .. } | Record::Finished(reason) => reason.clone_from(&text),
            _ => {}
        }
        writer.append(stamped.monotonic_ns, &stamped.record).unwrap();
    }
    writer.finish().unwrap();
    place.path("other")
}

#[test]
fn terminal_commands_in_a_journal_never_reach_the_terminal() {
    let place = Place::default();
    let data = visit_of_commands(&place);
    let with_data = |name: &str| {
        let mut command = fingerforced();
        command.arg(name).arg("--data").arg(&data);
        command
    };
    // What is told of the settings is cleaned, too.
    std::fs::write(data.join("settings.toml"), format!("retention_days = \"{}\"\n", commands())).unwrap();
    let check = |what: &str| is_clean(&run(&mut with_data("check")), what);
    check("check before sealing");
    let recovered = shows(fingerforced().arg("recover").arg(&data));
    assert!(said(&recovered).contains("pwned"), "{recovered:?}");
    check("check after sealing");
    let again = sealed(&shows(fingerforced().args(["recover", "--json"]).arg(&data)));
    let recording = PathBuf::from(again["existing"].as_str().unwrap());
    reads(&recording);
    let mut correct = fingerforced();
    correct.arg("correct").arg(&recording).args(["--by", "E1", "--why", &commands(), "--sure"]);
    let corrected = shows(correct.args(["observe", "--kind", "text", "--value", &commands()]));
    assert!(said(&corrected).contains("pwned"), "{corrected:?}");
    reads(&recording.with_file_name("recording-2.h5"));
}
