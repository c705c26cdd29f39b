//! A device that only prints numbers, on a real pseudo-terminal: `ports` proposes what its lines mean, `record` takes it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::simulate::pty::Pty;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tests::{Place, fingerforce, fingerforced, json, run, sealed, stderr, wait_for};

/// Lines a second.
const RATE_HZ: f64 = 50.0;

/// Prints until it is stopped: a saw of 0 to 9 grams-force in steps of one, with a decimal comma; of every thousand lines 25
/// are lost in one piece.
struct Printer {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Printer {
    #[allow(clippy::disallowed_methods, reason = "the device has a clock of its own")]
    fn start(place: &Place) -> Printer {
        let mut pty = Pty::open(Some(&place.port())).unwrap();
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let print = move || {
            let from = Instant::now();
            let mut n = 0_u64;
            while !stopped.load(Ordering::Relaxed) {
                let due = Duration::from_nanos((n as f64 / RATE_HZ * 1e9) as u64);
                std::thread::sleep(due.saturating_sub(from.elapsed()));
                if !(300..325).contains(&(n % 1000)) {
                    // A full pseudo-terminal (nobody listens) loses lines, as a wire does.
                    let _ = pty.write(format!("ST,GS, {:>7},{:02} g\r\n", n % 10, 25).as_bytes());
                }
                n += 1;
            }
        };
        let thread = std::thread::Builder::new().name("printer".to_owned()).spawn(print).unwrap();
        Printer { stop, thread: Some(thread) }
    }
}

impl Drop for Printer {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        let _ = self.thread.take().map(JoinHandle::join);
    }
}

/// The profile that is proposed, as printed for people: what is told is what is taken.
fn proposed(place: &Place) -> PathBuf {
    let mut ports = fingerforced();
    ports.args(["ports", "--seconds", "1", "--propose"]).arg(place.port());
    let told = String::from_utf8(run(&mut ports).stdout).unwrap();
    let profile = place.path("scale.toml");
    std::fs::write(&profile, told.split("\n\n").nth(1).unwrap()).unwrap();
    profile
}

#[test]
fn lines_are_proposed_recorded_and_their_losses_inferred() {
    let place = Place::default();
    let printer = Printer::start(&place);
    wait_for("the port", || place.port().exists().then_some(()));
    let mut ports = fingerforced();
    ports.args(["ports", "--json", "--seconds", "1", "--propose"]).arg(place.port());
    let proposal = json(&run(&mut ports));
    let of = &proposal["profile"];
    assert_eq!((&of["unit"], &of["decimal_comma"]), (&"gf".into(), &true.into()), "{proposal}");
    assert_eq!((&of["decimals"], &of["numbers"]), (&2.into(), &1.into()));
    assert!(proposal["reasons"].to_string().contains("a unit follows"), "{proposal}");

    let profile = proposed(&place);

    // Begun anew, so that the lines that are lost come 6 s after its start.
    drop(printer);
    let _printer = Printer::start(&place);
    let options = ["--json", "--seconds", "10", "--profile", profile.to_str().unwrap()];
    let recorded = sealed(&run(&mut place.record(&options)));
    let recording = Recording::open(std::path::Path::new(recorded["recording"].as_str().unwrap())).unwrap();
    let sensor = &recording.sensors()[0];
    assert_eq!(sensor.serial, "TEXT-text-sensor");
    let rate_hz = 1e9 / sensor.interval_ns as f64;
    assert!((rate_hz / RATE_HZ - 1.0).abs() < 0.02, "{rate_hz}");
    let samples = recording.samples(1, 0..sensor.samples).unwrap();
    assert!(samples.counts.iter().all(|counts| counts % 100 == 25), "{:?}", &samples.counts[..20]);
    // 1 gf is 0.00980665 N exactly: the force of a sample above that of another.
    let (a, b) = (samples.counts[0], samples.counts[1]);
    let step_n = f64::from(samples.force_n[1]) - f64::from(samples.force_n[0]);
    assert!((step_n - f64::from(b - a) * 0.00980665 / 100.0).abs() < 1e-6, "{step_n}");
    let gaps = recording.gaps(1).unwrap();
    let inferred: Vec<i64> =
        gaps.iter().filter(|gap| gap.reason == "inferred from late lines").map(|gap| gap.missing).collect();
    assert!(inferred.len() == 1 && (23..=27).contains(&inferred[0]), "{gaps:?}");
    let summary = run(fingerforce().arg("sensor").arg(recorded["recording"].as_str().unwrap()));
    assert!(summary.status.success(), "{}", stderr(&summary));
}

#[test]
fn a_device_that_prints_lines_is_recorded_beside_one_that_speaks_the_protocol() {
    let (place, other) = (Place::default(), Place::default());
    let _printer = Printer::start(&place);
    wait_for("the port", || place.port().exists().then_some(()));
    let of = |profile: PathBuf| format!("{}={}", place.port().display(), profile.display());
    let profile = of(proposed(&place));
    let _sensor = other.sensor(&["--serial", "BOARD", "--repeat"]);
    let mut record = place.record(&["--json", "--seconds", "3", "--profile", &profile]);
    let recorded = sealed(&run(record.arg("--port").arg(other.port())));
    let recording = Recording::open(std::path::Path::new(recorded["recording"].as_str().unwrap())).unwrap();
    recording.verify().unwrap();
    let sensors: Vec<_> =
        recording.sensors().iter().map(|it| (it.serial.as_str(), it.samples > 100)).collect();
    assert_eq!(sensors, [("TEXT-text-sensor", true), ("BOARD", true)]);
    let text = recording.samples(1, 0..recording.sensors()[0].samples).unwrap();
    assert!(text.counts.iter().all(|counts| counts % 100 == 25));
    let unsaid = run(place.record(&["--profile", "scale.toml"]).arg("--port").arg(other.port()));
    assert_eq!(unsaid.status.code(), Some(2));
    assert!(stderr(&unsaid).contains("whose profile is"), "{}", stderr(&unsaid));
}

#[test]
fn a_profile_that_makes_no_sense_is_refused() {
    let place = Place::default();
    let profile = place.path("bad.toml");
    std::fs::write(
        &profile,
        "name = \"x\"\nterminator = \"LF\"\nnumbers = 1\nforce = 2\nunit = \"N\"\ndecimals = 2\n",
    )
    .unwrap();
    let refused = run(&mut place.record(&["--profile", profile.to_str().unwrap()]));
    assert!(
        !refused.status.success() && stderr(&refused).contains("places among the `numbers`"),
        "{}",
        stderr(&refused)
    );
}
