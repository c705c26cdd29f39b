//! Whatever is wrong gets one clear error that says what, where and what to do, with exit code 1 (could not) or 2 (wrong
//! usage), and nothing already recorded is lost.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use nix::sys::signal::Signal;
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Output};
use tests::{Place, Running, fingerforce, fingerforced, run, sealed, stderr, wait_for};

/// The command failed with this code, and said all of this, with a hint.
fn says(output: &Output, code: i32, words: &[&str]) {
    let text = stderr(output);
    assert_eq!(output.status.code(), Some(code), "{text}");
    for word in words.iter().chain(&["error: "]) {
        assert!(text.contains(word), "no `{word}` in: {text}");
    }
    assert!(code == 2 || text.contains("hint: "), "no hint in: {text}");
    assert!(!text.contains("panicked"), "{text}");
}

#[test]
fn a_port_that_does_not_exist_or_is_none() {
    let place = Place::default();
    says(&run(&mut place.record(&[])), 1, &["there is no port", "sensor", "the ports that exist"]);
    std::fs::write(place.port(), "").unwrap();
    says(&run(&mut place.record(&[])), 1, &["is not a serial port"]);
    assert!(!place.path("data").join("visits").exists(), "nothing is left behind");
}

#[test]
fn a_port_that_somebody_has() {
    let place = Place::default();
    let _sensor = place.sensor(&[]);
    let first = Running::start(&mut place.record(&["--no-seal"]));
    wait_for("the first recording", || place.path("data").join("visits").exists().then_some(()));
    let output = run(fingerforced()
        .arg("record")
        .arg("--port")
        .arg(place.port())
        .arg("--data")
        .arg(place.path("other")));
    says(&output, 1, &["busy", "fuser"]);
    first.signal(Signal::SIGINT);
    assert!(first.output().status.success());
}

#[test]
fn a_data_folder_in_use() {
    let (place, other) = (Place::default(), Place::default());
    let (_sensor, _other) = (place.sensor(&[]), other.sensor(&[]));
    let first = Running::start(&mut place.record(&["--no-seal"]));
    wait_for("the first recording", || place.path("data").join("visits").exists().then_some(()));
    let output = run(fingerforced()
        .arg("record")
        .arg("--port")
        .arg(other.port())
        .arg("--data")
        .arg(place.path("data")));
    says(&output, 1, &["data folder", "in use by process", "--data"]);
    first.signal(Signal::SIGINT);
    assert!(first.output().status.success());
}

/// Runs as an ordinary user, not as root: root may open everything. The program is copied to where it may be run.
fn as_nobody(place: &Place, arguments: &[&str]) -> Output {
    let program = place.path("program");
    std::fs::copy(fingerforced().get_program(), &program).unwrap();
    for (path, mode) in [(program.clone(), 0o755), (place.path("."), 0o755)] {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }
    let mut command = if nix::unistd::geteuid().is_root() {
        let mut command = Command::new("setpriv");
        command.args(["--reuid", "65534", "--regid", "65534", "--clear-groups", "--"]).arg(&program);
        command
    } else {
        Command::new(&program)
    };
    run(command.args(arguments).env("HOME", "/nonexistent"))
}

#[test]
fn a_port_and_a_data_folder_without_permission() {
    let place = Place::default();
    let _sensor = place.sensor(&[]);
    let port = std::fs::canonicalize(place.port()).unwrap();
    std::fs::set_permissions(&port, std::fs::Permissions::from_mode(0o600)).unwrap();
    let port = port.display().to_string();
    let output = as_nobody(&place, &["record", "--port", &port, "--data", "/tmp"]);
    if nix::unistd::geteuid().is_root() {
        says(&output, 1, &["no permission to open", &port]);
        std::fs::set_permissions(&port, std::fs::Permissions::from_mode(0o666)).unwrap();
        let output = as_nobody(&place, &["record", "--port", &port, "--data", "/root/finger-force"]);
        says(&output, 1, &["/root/finger-force", "--data"]);
    } else {
        // An ordinary user owns the port of the test's own sensor; a mode of 0 keeps even the owner out.
        std::fs::set_permissions(&port, std::fs::Permissions::from_mode(0o000)).unwrap();
        says(
            &as_nobody(&place, &["record", "--port", &port, "--data", "/tmp"]),
            1,
            &["no permission to open"],
        );
    }
}

#[test]
fn a_device_that_never_answers_or_only_noise_or_another_version() {
    for (options, words) in [
        (&["--silent"][..], &["no sensor answers", "nothing came in 5 s", "--baud"][..]),
        (&["--noise-only"], &["no sensor answers", "none of them a frame", "--baud"]),
        (&["--speaks-version", "9"], &["protocol version 9", "update"]),
    ] {
        let place = Place::default();
        let _sensor = place.sensor(options);
        says(&run(&mut place.record(&[])), 1, words);
        let visits = std::fs::read_dir(place.path("data").join("visits")).unwrap().count();
        assert_eq!(visits, 0, "a visit without a sample leaves no folder");
    }
}

/// Runs a command with a small file system of its own (in a mount name space of its own) at the data folder.
fn on_a_small_disk(place: &Place, size: &str, arguments: &[&str], then: &str) -> Output {
    let data = place.path("data");
    std::fs::create_dir_all(&data).unwrap();
    let script = format!(
        "mount -t tmpfs -o size={size},mode=700 tmpfs \"$DATA\" && \"$@\"; code=$?; {then}; exit $code"
    );
    let mut command = Command::new("unshare");
    command.args(["--map-root-user", "--mount", "sh", "-c", &script, "sh"]);
    command
        .arg(fingerforced().get_program())
        .arg("record")
        .arg("--port")
        .arg(place.port())
        .arg("--data")
        .arg(&data);
    run(command.args(arguments).env("DATA", &data).env("COPY", place.path("copy")))
}

#[test]
fn a_disk_without_room_is_refused_before_anything_begins() {
    let place = Place::default();
    let _sensor = place.sensor(&[]);
    says(&on_a_small_disk(&place, "3m", &[], "true"), 1, &["disk nearly full", "free some space"]);
}

#[test]
fn a_disk_that_fills_up_stops_cleanly_and_everything_before_is_sealed() {
    let place = Place::default();
    let _sensor = place.sensor(&["--interval-ns", "100000", "--channels", "8"]);
    let output = on_a_small_disk(&place, "6m", &["--keep-free", "1", "--json"], "cp -r \"$DATA\" \"$COPY\"");
    says(&output, 1, &["disk nearly full", "what was recorded is in"]);
    let sealed = &tests::json(&output)["visits"][0];
    let (samples, missing) =
        (sealed["samples"].as_u64().unwrap(), sealed["missing_samples"].as_u64().unwrap());
    assert!(samples > 5000, "{sealed:#}");
    assert!(sealed["finished"].as_str().unwrap().contains("disk nearly full"), "{sealed:#}");
    let visits = std::fs::read_dir(place.path("copy").join("visits")).unwrap();
    let visit = visits.map(|entry| entry.unwrap().path()).next().unwrap();
    let recording = analysis::recording::read::Recording::open(&visit.join("recording-1.h5")).unwrap();
    recording.verify().unwrap();
    let frames = recording.frames(1).unwrap();
    let last = frames.last().unwrap();
    assert_eq!((last.counter + last.samples) as u64, samples + missing);
}

#[test]
fn traces_and_recordings_that_are_none() {
    let place = Place::default();
    let file = |name: &str, bytes: &[u8]| {
        std::fs::write(place.path(name), bytes).unwrap();
        place.path(name).display().to_string()
    };
    let holds = |path: &str| run(fingerforce().args(["holds", path, "--json"]));
    says(&holds(&file("bad.csv", b"time_s,force_n\n0,1\n0.01,1\n0.02,x\n")), 1, &["bad.csv", "line 4"]);
    says(&holds(&file("empty.csv", b"")), 1, &["empty.csv"]);
    says(&holds(&place.path("none.csv").display().to_string()), 1, &["none.csv"]);
    says(&run(fingerforce().args(["info", &file("text.h5", b"not a recording")])), 1, &["text.h5"]);
    let cut = file("cut.h5", &[b"\x89HDF\r\n\x1a\n".as_slice(), &[0; 600]].concat());
    says(&run(fingerforce().args(["summary", &cut])), 1, &["cut.h5", "damaged"]);
    says(&run(fingerforced().arg("recover").arg(place.path("."))), 1, &["no journal"]);
    says(&run(fingerforced().arg("recover").arg(place.path("nowhere"))), 1, &["nowhere"]);
}

#[test]
fn wrong_usage_is_told_apart_from_failure() {
    let place = Place::default();
    let plan = place.path("plan.toml");
    std::fs::write(
        &plan,
        "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\nhold = 3\n",
    )
    .unwrap();
    says(&run(&mut place.record(&["--plan", plan.to_str().unwrap()])), 1, &["plan.toml", "line 5", "hold"]);
    says(&run(&mut place.record(&["--participant", "Jane Doe"])), 2, &["never a name"]);
    says(&run(&mut place.record(&["--seconds=-3"])), 2, &["positive"]);
    says(&run(fingerforced().arg("reocrd")), 2, &["record"]);
}

#[test]
fn another_sensor_is_not_taken_for_the_first() {
    let place = Place::default();
    let _sensor = place.sensor(&["--unplug-after", "1.5", "--return-after", "0.3", "--returns-as", "OTHER"]);
    let recording = Running::start(&mut place.record(&["--json"]));
    wait_for("the other sensor's return", || {
        let visit = std::fs::read_dir(place.path("data").join("visits")).ok()?.next()?.ok()?.path();
        let journal = std::fs::read(visit.join("journal-000")).ok()?;
        let mut opened = journal.windows(8).filter(|bytes| *bytes == b"\"baud\":1");
        opened.nth(1).map(drop)
    });
    std::thread::sleep(std::time::Duration::from_millis(300));
    recording.signal(Signal::SIGINT);
    let output = recording.output();
    let told = sealed(&output);
    assert!(stderr(&output).contains("OTHER instead of"), "{}", stderr(&output));
    let recording =
        analysis::recording::read::Recording::open(told["recording"].as_str().unwrap().as_ref()).unwrap();
    assert_eq!(recording.sensors().len(), 1);
    assert_eq!(told["unknown_gaps"], 1, "how much the first would have gone on to send is not known");
}
