//! How both programs speak: results on stdout; errors, each with a hint, on stderr; exit codes 0, 1, 2.
//!
//! Comes in: a result or an error (with advice as [`Hint`], or called wrong usage by [`Usage`]). Goes out: text, and
//! the exit code.

use std::fmt;
use std::io::{self, Write};
use std::process::ExitCode;

/// Advice that goes with an error: `error.context(Hint::new("…"))`. Printed on its own line, not in the error's text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Hint(String);

impl Hint {
    /// Advice in one sentence, without a full stop.
    pub fn new(text: impl Into<String>) -> Hint {
        Hint(text.into())
    }
}

impl fmt::Display for Hint {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// Wrong usage that the command line parser cannot see: exit code 2.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0}")]
pub struct Usage(pub String);

/// An error of this library that carries advice.
pub trait Advice {
    /// What to do about it.
    fn hint(&self) -> String;
}

/// Turns a library error into one that carries its advice.
pub fn advised<E>(error: E) -> anyhow::Error
where
    E: Advice + std::error::Error + Send + Sync + 'static,
{
    let hint = Hint(error.hint());
    anyhow::Error::new(error).context(hint)
}

/// What happened, and the advice where there is some.
pub fn told(error: &anyhow::Error) -> (String, Option<String>) {
    let hint = error.downcast_ref::<Hint>().map(Hint::to_string);
    let causes = error.chain().map(ToString::to_string).filter(|cause| Some(cause) != hint.as_ref());
    let told = causes.fold(String::new(), |told, cause| match cause.trim_end() {
        cause if told.is_empty() => cause.to_owned(),
        // Some errors say their cause themselves.
        cause if told.ends_with(cause) => told,
        cause => format!("{told}: {cause}"),
    });
    (lines(&told), hint.map(|hint| lines(&hint)))
}

/// The text of an error: `error: …` and, where there is advice, `hint: …`.
pub fn describe(error: &anyhow::Error) -> String {
    match told(error) {
        (told, Some(hint)) => format!("error: {told}\nhint: {hint}"),
        (told, None) => format!("error: {told}"),
    }
}

/// The exit code that goes with an error: 2 for wrong usage, otherwise 1.
pub fn exit_code(error: &anyhow::Error) -> ExitCode {
    if error.downcast_ref::<Usage>().is_some() { ExitCode::from(2) } else { ExitCode::FAILURE }
}

/// Prints an error to stderr and gives the exit code that goes with it.
pub fn report(error: &anyhow::Error) -> ExitCode {
    // Nothing is left to do where even stderr is closed.
    let _ = writeln!(io::stderr(), "{}", describe(error));
    exit_code(error)
}

/// Says on stderr what is no error and must not be overlooked.
pub fn note(text: &str) {
    // As in `report`: a closed stderr is no reason not to go on.
    let _ = writeln!(io::stderr(), "note: {}", clean(text));
}

/// Writes a result to stdout. A reader that has seen enough (`| head`) is not an error.
pub fn result(text: &str) -> io::Result<()> {
    bytes(text.as_bytes())
}

/// Writes a result that is not only text.
pub fn bytes(bytes: &[u8]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        done => done,
    }
}

/// The lines of such a text, each clean. Those after the first are indented, so that none of them can pass for a line of
/// this program's own.
fn lines(text: &str) -> String {
    text.lines().map(clean).collect::<Vec<_>>().join("\n  ")
}

/// Text from a file or a device without its control characters, which could otherwise steer the terminal.
pub fn clean(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_hint_stands_on_its_own_line_and_not_in_the_error() {
        let error = anyhow::anyhow!("no such port").context(Hint::new("list them")).context("cannot record");
        assert_eq!(describe(&error), "error: cannot record: no such port\nhint: list them");
    }

    #[test]
    fn a_cause_that_an_error_names_itself_is_not_said_twice() {
        let error = anyhow::anyhow!("denied (13)").context("cannot lock x: denied (13)").context("no visit");
        assert_eq!(describe(&error), "error: no visit: cannot lock x: denied (13)");
    }

    #[test]
    fn text_from_outside_cannot_steer_the_terminal() {
        assert_eq!(describe(&anyhow::anyhow!("odd \u{1b}[2Jname")), "error: odd \u{fffd}[2Jname");
    }

    #[test]
    fn an_error_of_several_lines_stays_so_and_no_line_of_it_passes_for_a_hint() {
        let inner = anyhow::anyhow!("line 2\n  |\n2 | a\u{1b}=1\nhint: run this\n");
        let error = inner.context("no protocol").context(Hint::new("first\nsecond"));
        assert_eq!(
            describe(&error),
            "error: no protocol: line 2\n    |\n  2 | a\u{fffd}=1\n  hint: run this\nhint: first\n  second"
        );
    }
}
