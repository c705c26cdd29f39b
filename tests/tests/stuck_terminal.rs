//! A terminal that takes nothing (paused, a pager, a hung connection) stops no recording.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use nix::fcntl::OFlag;
use nix::unistd::{pipe2, write};
use std::process::Stdio;
use tests::{Place, json, sum, wait_for};

#[test]
fn a_recording_goes_on_while_nobody_takes_what_it_says() {
    let place = Place::default();
    let sensor = place.sensor(&["--first", "1.5", "--period", "4", "--effort", "make:25:1", "--repeat"]);
    // A pipe that is full from the start, and is never read. Not for blocking here, but for the program.
    let (_never_read, full) = pipe2(OFlag::O_CLOEXEC).unwrap();
    let status = nix::fcntl::fcntl(&full, nix::fcntl::FcntlArg::F_SETFL(OFlag::O_NONBLOCK));
    status.unwrap();
    while write(&full, &[b'.'; 4096]).is_ok() {}
    nix::fcntl::fcntl(&full, nix::fcntl::FcntlArg::F_SETFL(OFlag::empty())).unwrap();

    let mut record = place.record(&["--seconds", "2", "--no-seal"]);
    let recording = record.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::from(full));
    let mut recording = recording.spawn().unwrap();
    let ended = wait_for("the recording's end", || recording.try_wait().unwrap());
    assert!(ended.success(), "{ended}");
    let truth = json(&sensor.output());
    let recorded = tests::journal::samples_in(&place.visit()).len() as u64;
    assert!(recorded > 1500 && recorded <= sum(&truth, "produced_samples"), "{recorded} {truth:#}");
}
