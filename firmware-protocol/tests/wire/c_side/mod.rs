//! The C header against the shared vectors and against this crate.
//!
//! Comes in: `c/finger_force.h` and `c/test/probe.c`, compiled here by the system's C compiler with every warning an
//! error and under the address and undefined-behaviour sanitizers. The program answers one line for each line it is
//! asked, see there.

mod board;
mod decoders;
mod vectors;

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

/// What a strict firmware project compiles with.
const STRICT: [&str; 5] = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic"];

fn c_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("c")
}

/// Compiles the probe as `name` with these options in addition; its path.
fn compiled(name: &str, options: &[&str]) -> PathBuf {
    let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let mut gcc = Command::new("gcc");
    gcc.args(STRICT).args(["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]).args(options);
    gcc.arg("-I").arg(c_folder()).arg(c_folder().join("test/probe.c")).arg("-o").arg(&program);
    let output = gcc.output().expect("the tests need gcc");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    program
}

/// The header at the end of a pipe.
struct Probe {
    child: Child,
    input: Option<ChildStdin>,
    output: BufReader<ChildStdout>,
}

impl Probe {
    /// Each test has a program of its own name: they run at the same time.
    fn start(name: &str, options: &[&str]) -> Self {
        let mut command = Command::new(compiled(name, options));
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().expect("the probe runs");
        let (input, output) = (child.stdin.take(), child.stdout.take().expect("its output"));
        Self { child, input, output: BufReader::new(output) }
    }

    /// Its answer to one line.
    fn ask(&mut self, line: &str) -> String {
        writeln!(self.input.as_mut().expect("open"), "{line}").expect("the probe is alive");
        let mut answer = String::new();
        self.output.read_line(&mut answer).expect("an answer");
        assert!(answer.ends_with('\n'), "the probe ended at {line}: what it said stands above");
        answer.pop();
        answer
    }
}

impl Drop for Probe {
    fn drop(&mut self) {
        self.input = None; // its end of input
        let status = self.child.wait().expect("it ends");
        // The sanitizers report leaks at the end.
        assert!(std::thread::panicking() || status.success(), "the probe ended with {status}");
    }
}

/// Hexadecimal digits for the probe.
fn hex(bytes: &[u8]) -> String {
    if bytes.is_empty() { "-".into() } else { crate::table::hex(bytes) }
}
