//! Shared between the whole-program tests: where the binaries are, a simulated sensor on a real pseudo-terminal, a
//! recording of it, and what came out. Nothing here waits by sleeping for a guess: it waits for what it needs to happen.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

pub mod clinic;
#[path = "../../analysis/tests/sample/documents.rs"]
pub mod documents;
pub mod examined;
pub mod follow;
pub mod fuzz;
pub mod guided;
pub mod journal;
pub mod scorer;
pub mod soak;
pub mod study;
pub mod terminal;
pub mod world;

use nix::sys::signal::{Signal, kill, killpg};
use nix::unistd::Pid;
use serde_json::Value;
use std::io::Read;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Output, Stdio};
use std::sync::OnceLock;
use std::thread::JoinHandle;
use std::time::Duration;

/// Longest wait for something that must happen.
const PATIENCE: Duration = Duration::from_secs(60);

/// Names the folder with both programs where they are built already, as a fuzzer needs it.
const BINARIES: &str = "FINGERFORCE_BINARIES";

/// The folder with both programs, built if need be.
pub fn binaries() -> &'static Path {
    static BUILT: OnceLock<PathBuf> = OnceLock::new();
    BUILT.get_or_init(|| {
        if let Some(folder) = std::env::var_os(BINARIES) {
            return PathBuf::from(folder);
        }
        let mut build = Command::new(env!("CARGO"));
        // The whole workspace, as the test script builds it: other features would be another build.
        build.args(["build", "--quiet", "--locked", "--workspace", "--bins"]);
        if !cfg!(debug_assertions) {
            build.arg("--release");
        }
        let built = build.current_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/..")).status();
        assert!(built.is_ok_and(|status| status.success()), "the programs do not build");
        // A test's own binary is target/<profile>/deps/<name>, a program's target/<profile>/<name>.
        let own = std::env::current_exe().unwrap_or_default();
        let folder = own.ancestors().skip(1).find(|folder| folder.join("fingerforced").exists());
        folder.map(Path::to_path_buf).unwrap_or_default()
    })
}

/// The acquiring program.
pub fn fingerforced() -> Command {
    Command::new(binaries().join("fingerforced"))
}

/// The reading program.
pub fn fingerforce() -> Command {
    Command::new(binaries().join("fingerforce"))
}

/// A folder of the fixtures.
pub fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures")
}

/// Runs a command to its end.
pub fn run(command: &mut Command) -> Output {
    let output = command.stdin(Stdio::null()).output();
    output.unwrap_or_else(|error| panic!("cannot run {command:?}: {error}"))
}

/// The text on stderr.
pub fn stderr(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The JSON document on stdout, every value of which must be told of in `analysis/JSON.md`.
pub fn json(output: &Output) -> Value {
    let text = String::from_utf8_lossy(&output.stdout);
    document(&text).unwrap_or_else(|error| panic!("{error}: {text}\n{}", stderr(output)))
}

/// A document that a command printed, held against `analysis/JSON.md`.
pub fn document(text: &str) -> serde_json::Result<Value> {
    let document = serde_json::from_str(text)?;
    let undocumented = documents::undocumented(&document);
    assert!(undocumented.is_empty(), "not in analysis/JSON.md: {undocumented:?}");
    Ok(document)
}

/// How often something is tried: `usually`, or `long` where LONG is set.
pub fn times(usually: u64, long: u64) -> u64 {
    if std::env::var_os("LONG").is_some() { long } else { usually }
}

/// Looks again and again until `seen` gives something.
pub fn wait_for<T>(what: &str, mut seen: impl FnMut() -> Option<T>) -> T {
    for _ in 0..PATIENCE.as_millis() / 10 {
        if let Some(seen) = seen() {
            return seen;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("waited in vain for {what}")
}

/// A child that is killed when it is dropped. What it prints is taken all the time: more than a pipe holds would make it
/// wait for ever.
pub struct Running {
    child: Child,
    stdout: Option<Taken>,
    stderr: Option<Taken>,
    status: Option<ExitStatus>,
}

type Taken = JoinHandle<Vec<u8>>;

fn taken(mut pipe: impl Read + Send + 'static) -> Option<Taken> {
    let take = move || {
        let mut all = Vec::new();
        pipe.read_to_end(&mut all).unwrap();
        all
    };
    Some(std::thread::Builder::new().name("output".to_owned()).spawn(take).unwrap())
}

impl Running {
    /// Starts it, stdout and stderr kept for [`Running::output`].
    pub fn start(command: &mut Command) -> Running {
        let child = command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn();
        let mut child = child.unwrap_or_else(|error| panic!("cannot start {command:?}: {error}"));
        let (stdout, stderr) = (child.stdout.take().unwrap(), child.stderr.take().unwrap());
        Running { child, stdout: taken(stdout), stderr: taken(stderr), status: None }
    }

    /// Its process id, until it has ended.
    pub fn id(&self) -> Option<Pid> {
        self.status.is_none().then(|| Pid::from_raw(self.child.id() as i32))
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: Signal) {
        let _ = self.id().map(|id| kill(id, signal));
    }

    /// Sends a signal to the process group that it leads.
    pub fn signal_group(&self, signal: Signal) {
        let _ = self.id().map(|id| killpg(id, signal));
    }

    /// It is over.
    pub fn has_ended(&mut self) -> bool {
        self.status = self.status.or_else(|| self.child.try_wait().unwrap());
        self.status.is_some()
    }

    /// Waits for its end, and for the end of whoever inherited its output.
    pub fn output(mut self) -> Output {
        let status = wait_for("a program's end", || {
            self.has_ended();
            self.status
        });
        let [stdout, stderr] =
            [&mut self.stdout, &mut self.stderr].map(|pipe| pipe.take().unwrap().join().unwrap());
        Output { status, stdout, stderr }
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if !self.has_ended() {
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
    }
}

/// A place of its own for one test, with a port and a data folder.
pub struct Place(tempfile::TempDir);

impl Default for Place {
    fn default() -> Self {
        Place(tempfile::tempdir().unwrap_or_else(|error| panic!("{error}")))
    }
}

impl Place {
    /// A path in it.
    pub fn path(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// Where the simulated sensor's port is linked.
    pub fn port(&self) -> PathBuf {
        self.path("sensor")
    }

    /// Starts a simulated sensor and waits for its port.
    pub fn sensor(&self, options: &[&str]) -> Running {
        let mut command = fingerforced();
        command.arg("simulate").arg("--json").arg("--link").arg(self.port()).args(options);
        let mut sensor = Running::start(&mut command);
        let ready = wait_for("the simulated port", || {
            if self.port().exists() { Some(true) } else { sensor.has_ended().then_some(false) }
        });
        assert!(ready, "no sensor: {}", stderr(&sensor.output()));
        sensor
    }

    /// A `record` command on the port, into the data folder.
    pub fn record(&self, options: &[&str]) -> Command {
        let mut command = fingerforced();
        command
            .arg("record")
            .arg("--port")
            .arg(self.port())
            .arg("--data")
            .arg(self.path("data"))
            .args(options);
        command
    }

    /// Length of the first segment of the visit's journal, once there is one.
    pub fn journal_bytes(&self) -> Option<u64> {
        let visit = std::fs::read_dir(self.path("data").join("visits")).ok()?.next()?.ok()?.path();
        Some(std::fs::metadata(visit.join("journal-000")).ok()?.len())
    }

    /// The one visit's folder.
    pub fn visit(&self) -> PathBuf {
        let visits = std::fs::read_dir(self.path("data").join("visits"))
            .map(|entries| entries.filter_map(|entry| Some(entry.ok()?.path())).collect::<Vec<_>>());
        match visits.as_deref() {
            Ok([visit]) => visit.clone(),
            other => panic!("not one visit but {other:?}"),
        }
    }
}

/// The first visit of a `record --json` or `recover --json`.
pub fn sealed(output: &Output) -> Value {
    assert!(output.status.success(), "{}", stderr(output));
    json(output)["visits"][0].clone()
}

/// Sum of a field over all boots of a simulated sensor.
pub fn sum(truth: &Value, field: &str) -> u64 {
    let boots = truth["boots"].as_array().map(Vec::as_slice).unwrap_or_default();
    boots.iter().filter_map(|boot| boot[field].as_u64()).sum()
}
