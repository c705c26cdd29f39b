//! Runs a command that opens HDF5 files in a child process with limits on memory and time.
//!
//! libhdf5 crashes and hangs on some damaged files, and no care on this side of it can prevent that. So the same
//! program is started again with the same arguments; the child does the work, the parent only watches. Comes in: the
//! HDF5 files that will be opened. Goes out: the child's exit code; its death by a signal or at a limit is the error
//! "damaged file". Standard streams pass through.

use crate::console::Advice;
use crate::recording::open::{self, DAMAGED_HINT};
use nix::sys::resource::{Resource, setrlimit};
use nix::sys::signal::{SigSet, Signal};
use nix::sys::wait::{Id, WaitPidFlag, waitid};
use nix::unistd::{Pid, getpid, getppid};
use std::env;
use std::ffi::OsString;
use std::io;
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Child, Command, ExitCode, ExitStatus};
use std::sync::mpsc::{RecvTimeoutError, sync_channel};
use std::time::Duration;

/// Marks a supervised child: its parent's process id and its memory limit in bytes. The id keeps the mark from passing
/// on to processes that the child starts.
const MARK: &str = "FINGERFORCE_SUPERVISED";

/// Overrides the limit on time, s: for a machine that is too slow for it.
const TIME_LIMIT: &str = "FINGERFORCE_TIME_LIMIT_S";

/// The exit code of a Rust program that panicked.
const PANICKED: i32 = 101;

/// Files that a process makes from now on may be read and written by their owner only. The first act of both programs.
pub fn private_files() {
    nix::sys::stat::umask(nix::sys::stat::Mode::S_IRWXG | nix::sys::stat::Mode::S_IRWXO);
}

/// A limit on the size of files is an error of the write that meets it, and no death in the middle of a recording. Threads and
/// children that begin later are as whoever calls this.
pub fn no_death_by_file_size() {
    let mut signals = SigSet::empty();
    signals.add(Signal::SIGXFSZ);
    // Refused it is as it was.
    let _ = signals.thread_block();
}

/// What a supervised child may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Address space, bytes.
    pub memory_bytes: u64,
    /// Time from start to end.
    pub time: Duration,
}

impl Limits {
    const MEMORY_BASE_BYTES: u64 = 4 << 30;
    /// Samples are stored at a few bytes each and taken into memory at some dozens.
    const MEMORY_PER_BYTE: u64 = 64;
    const TIME_BASE: Duration = Duration::from_secs(30);
    /// Slow enough for drawing on a busy small computer.
    const BYTES_PER_S: u64 = 100_000;

    /// Generous limits for reading files of this many bytes together.
    pub fn for_bytes(bytes: u64) -> Limits {
        Limits {
            memory_bytes: Self::MEMORY_BASE_BYTES.saturating_add(bytes.saturating_mul(Self::MEMORY_PER_BYTE)),
            time: Self::TIME_BASE.saturating_add(Duration::from_secs(bytes / Self::BYTES_PER_S)),
        }
    }

    /// With the limit on time that the environment asks for, where it does.
    fn overridden(self) -> Limits {
        let asked = env::var(TIME_LIMIT).ok().and_then(|seconds| seconds.parse().ok());
        Limits { time: asked.map_or(self.time, Duration::from_secs), ..self }
    }

    /// Generous limits for reading these files.
    pub fn for_files(files: &[PathBuf]) -> Limits {
        let bytes = files.iter().filter_map(|file| std::fs::metadata(file).ok()).map(|it| it.len()).sum();
        Limits::for_bytes(bytes)
    }
}

/// Who does the work.
#[derive(Debug)]
pub enum Supervision {
    /// This process: there is nothing to supervise, or it is the supervised child.
    Here,
    /// A child did it, and ended with this exit code.
    Done(ExitCode),
}

/// Why supervised work came to nothing.
#[derive(Debug, thiserror::Error)]
pub enum SuperviseError {
    /// The child crashed.
    #[error("damaged file {}: reading it ended in a crash ({how})", list(.files))]
    Crashed {
        /// The files it was reading.
        files: Vec<PathBuf>,
        /// What ended it.
        how: String,
    },
    /// The child did not come to an end.
    #[error("damaged file {}: reading it did not end within {} s", list(.files), .limit.as_secs())]
    TimedOut {
        /// The files it was reading.
        files: Vec<PathBuf>,
        /// How long it was given.
        limit: Duration,
    },
    /// Somebody stopped the child.
    #[error("stopped by {0}")]
    Stopped(&'static str),
    /// The child could not be started, limited or waited for.
    #[error("cannot {what}")]
    Io {
        /// What was tried.
        what: &'static str,
        /// What the system said.
        source: io::Error,
    },
}

impl Advice for SuperviseError {
    fn hint(&self) -> String {
        match self {
            SuperviseError::Crashed { .. } => DAMAGED_HINT.to_owned(),
            SuperviseError::TimedOut { limit, .. } => {
                let longer = limit.as_secs().saturating_mul(10);
                format!("{DAMAGED_HINT}; on a very slow machine, give it longer: {TIME_LIMIT}={longer}")
            }
            SuperviseError::Stopped(_) => "start the command again".to_owned(),
            SuperviseError::Io { .. } => {
                "files are read in a second process: check the limits on processes and \
                memory (`ulimit -a`)"
                    .to_owned()
            }
        }
    }
}

fn list(files: &[PathBuf]) -> String {
    files.iter().map(|file| file.display().to_string()).collect::<Vec<_>>().join(" or ")
}

/// The HDF5 files among this program's arguments, by their signature. Whatever a command does with them, opening them
/// is dangerous, so that no command can forget to say so.
pub fn hdf5_arguments() -> Vec<PathBuf> {
    hdf5_among(env::args_os().skip(1))
}

fn hdf5_among(arguments: impl Iterator<Item = OsString>) -> Vec<PathBuf> {
    arguments.map(PathBuf::from).filter(|path| open::is_hdf5(path).unwrap_or(false)).collect()
}

/// Starts this program again with the same arguments, to open `files` under limits. Where it returns
/// [`Supervision::Here`], this process is to do the work itself: there are no files, or it is that child.
pub fn run_supervised(files: &[PathBuf], limits: Limits) -> Result<Supervision, SuperviseError> {
    if let Some(memory_bytes) = marked(env::var(MARK).ok().as_deref(), getppid()) {
        confine(memory_bytes)?;
        return Ok(Supervision::Here);
    }
    if files.is_empty() {
        return Ok(Supervision::Here);
    }
    let program = env::current_exe().map_err(failed("find this program"))?;
    let mut command = Command::new(program);
    command.args(env::args_os().skip(1));
    let status = watch(&mut command, files, limits.overridden())?;
    Ok(Supervision::Done(exit_code(status)))
}

fn exit_code(status: ExitStatus) -> ExitCode {
    status.code().and_then(|code| u8::try_from(code).ok()).map_or(ExitCode::FAILURE, ExitCode::from)
}

fn failed(what: &'static str) -> impl Fn(io::Error) -> SuperviseError {
    move |source| SuperviseError::Io { what, source }
}

/// The memory limit in the mark, where the mark was made by this process's parent.
fn marked(mark: Option<&str>, parent: Pid) -> Option<u64> {
    let (pid, memory_bytes) = mark?.split_once(':')?;
    if pid.parse() == Ok(parent.as_raw()) { memory_bytes.parse().ok() } else { None }
}

/// Limits this process, which is a supervised child. It also ends with its parent: nobody else would end a hang.
fn confine(memory_bytes: u64) -> Result<(), SuperviseError> {
    let errno = |what| move |errno: nix::Error| failed(what)(errno.into());
    setrlimit(Resource::RLIMIT_AS, memory_bytes, memory_bytes).map_err(errno("limit memory"))?;
    setrlimit(Resource::RLIMIT_CORE, 0, 0).map_err(errno("turn memory dumps off"))?;
    nix::sys::prctl::set_pdeathsig(Signal::SIGKILL).map_err(errno("end with the parent"))?;
    Ok(())
}

/// Runs a command of one of our programs as a supervised child that opens `files`, and waits for its end.
pub fn watch(command: &mut Command, files: &[PathBuf], limits: Limits) -> Result<ExitStatus, SuperviseError> {
    command.env(MARK, format!("{}:{}", getpid(), limits.memory_bytes));
    let mut child = command.spawn().map_err(failed("start a second process"))?;
    if !ends_within(&child, limits.time)? {
        // It may have ended in this very moment; either way it is waited for.
        let _ = child.kill();
        child.wait().map_err(failed("wait for the second process"))?;
        return Err(SuperviseError::TimedOut { files: files.to_vec(), limit: limits.time });
    }
    let status = child.wait().map_err(failed("wait for the second process"))?;
    judge(status, files).map(|()| status)
}

/// Waits for the child to end, without taking its status: until that is done its process id stays its own.
fn ends_within(child: &Child, limit: Duration) -> Result<bool, SuperviseError> {
    let id = i32::try_from(child.id()).map_err(|_| io::Error::from(io::ErrorKind::InvalidData));
    let id = Pid::from_raw(id.map_err(failed("wait for the second process"))?);
    let (ended, end) = sync_channel(1);
    let wait = move || {
        let flags = WaitPidFlag::WEXITED | WaitPidFlag::WNOWAIT;
        while waitid(Id::Pid(id), flags) == Err(nix::Error::EINTR) {}
        // The other side is gone where the limit was reached first.
        let _ = ended.send(());
    };
    std::thread::Builder::new()
        .name("wait for child".to_owned())
        .spawn(wait)
        .map_err(failed("start a thread"))?;
    Ok(!matches!(end.recv_timeout(limit), Err(RecvTimeoutError::Timeout)))
}

fn judge(status: ExitStatus, files: &[PathBuf]) -> Result<(), SuperviseError> {
    let how = match (status.signal().map(Signal::try_from), status.code()) {
        (Some(Ok(signal @ (Signal::SIGINT | Signal::SIGTERM | Signal::SIGHUP))), _) => {
            return Err(SuperviseError::Stopped(signal.as_str()));
        }
        (Some(Ok(signal)), _) => signal.as_str().to_owned(),
        (Some(Err(_)), _) => "an unknown signal".to_owned(),
        (None, Some(PANICKED)) => "a panic".to_owned(),
        (None, _) => return Ok(()),
    };
    Err(SuperviseError::Crashed { files: files.to_vec(), how })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shell(script: &str, time: Duration) -> Result<ExitStatus, SuperviseError> {
        let mut command = Command::new("sh");
        command.args(["-c", script]);
        watch(&mut command, &[PathBuf::from("some.h5")], Limits { memory_bytes: 1 << 30, time })
    }

    const AMPLE: Duration = Duration::from_secs(600);

    #[test]
    fn an_exit_code_passes_through() {
        for code in [0, 1, 2] {
            assert_eq!(shell(&format!("exit {code}"), AMPLE).unwrap().code(), Some(code));
        }
    }

    #[test]
    fn a_crash_is_a_damaged_file() {
        for (end, how) in
            [("kill -SEGV $$", "SIGSEGV"), ("kill -ABRT $$", "SIGABRT"), ("exit 101", "a panic")]
        {
            let error = shell(end, AMPLE).unwrap_err().to_string();
            assert_eq!(error, format!("damaged file some.h5: reading it ended in a crash ({how})"));
        }
        assert!(matches!(shell("kill -TERM $$", AMPLE), Err(SuperviseError::Stopped("SIGTERM"))));
    }

    #[test]
    fn what_does_not_end_is_ended() {
        let error = shell("read -r never < /dev/zero", Duration::from_millis(50)).unwrap_err();
        assert!(matches!(error, SuperviseError::TimedOut { .. }), "{error}");
    }

    #[test]
    fn the_mark_holds_for_a_direct_child_only() {
        let script = format!("test \"${{{MARK}%%:*}}\" = \"$PPID\" && test \"${{{MARK}#*:}}\" = 1073741824");
        assert!(shell(&script, AMPLE).unwrap().success());
        assert_eq!(marked(Some("42:1000"), Pid::from_raw(42)), Some(1000));
        for mark in [None, Some("41:1000"), Some("42"), Some("42:"), Some(":1000"), Some("")] {
            assert_eq!(marked(mark, Pid::from_raw(42)), None, "{mark:?}");
        }
    }

    #[test]
    fn files_are_told_by_what_they_hold() {
        let folder = tempfile::tempdir().unwrap();
        let recording = folder.path().join("no-extension");
        let table = folder.path().join("table.h5");
        hdf5::File::create(&recording).unwrap().close().unwrap();
        std::fs::write(&table, "time_s,force_n\n").unwrap();
        let arguments = ["--json".into(), recording.clone().into(), table.into(), folder.path().into()];
        assert_eq!(hdf5_among(arguments.into_iter()), [recording]);
    }
}
