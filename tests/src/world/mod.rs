//! A simulated world for the daemon's core: sensor, port, clock and disk from a seed, a whole visit in milliseconds.
//!
//! In: a seed. Out: what happened, or the first invariant that was broken. One visit is
//!
//! 1. a [`script`]: who pulls how, and what goes wrong, all drawn from the seed, readable as text;
//! 2. the [`run`]: the daemon's own session on a simulated sensor, [`cable`], [`clock`] and disk, until it ends or is cut
//!    off at any moment;
//! 3. recovery of what is left, by the daemon's own decision table and both passes of sealing;
//! 4. the [`checks`]: every sample that the sensor sent is recorded or inside a gap that says so; none twice or with
//!    another value; times strictly increase; what was acknowledged as durable is there; what was recorded is what the
//!    journal holds; sealing again gives the same; what was shown is what is sealed; and the trials are those of an
//!    [`undisturbed`] sensor wherever their samples are intact.
//!
//! Nothing here reads a clock or a random device, and there is one thread, so a seed gives the same visit always.

pub mod bench;
pub mod cable;
pub mod checks;
pub mod clock;
pub mod disguise;
pub mod recovered;
pub mod run;
pub mod script;
pub mod truth;
pub mod undisturbed;

use script::Script;
use std::fmt;

/// What came of a visit, for those who look at many.
#[derive(Debug, Clone, Copy, Default)]
pub struct Figures {
    /// Samples that the sensor produced.
    pub produced: u64,
    /// Samples recorded.
    pub recorded: u64,
    /// Gaps in the recording.
    pub gaps: u64,
    /// Segments of device time.
    pub segments: u64,
    /// Holds and trials.
    pub trials: u64,
    /// Holds compared with those of an undisturbed sensor.
    pub compared: u64,
    /// Of these, holds before which one of both called the rest unsteady or saw it dip: the level that it is judged by
    /// comes from what was before, which was another, and some rests lie at the limit.
    pub borderline: u64,
    /// Of these, holds whose onsets differ by more than 30 ms and two of the standard deviations that the finder claims.
    pub apart: u64,
    /// Of these, holds that are the same to the last digit, because all before them is intact, too.
    pub exact: u64,
    /// The journal was cut off.
    pub cut_off: bool,
    /// Nothing could be recovered, because nothing durable was left.
    pub nothing_left: bool,
}

/// An invariant that was broken: in which visit, and how.
#[derive(Debug, Clone)]
pub struct Broken {
    /// The visit.
    pub script: Script,
    /// What was found.
    pub what: String,
}

impl fmt::Display for Broken {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "seed {}: {}\n{}", self.script.seed, self.what, self.script)
    }
}

/// Runs the visit of a seed, recovers it and checks it.
///
/// # Errors
/// The first invariant that was broken.
pub fn visit(seed: u64) -> Result<Figures, Box<Broken>> {
    visit_of(&Script::draw(seed))
}

/// Runs a visit by a script of one's own.
///
/// # Errors
/// The first invariant that was broken.
pub fn visit_of(script: &Script) -> Result<Figures, Box<Broken>> {
    let broken = |what| Box::new(Broken { script: script.clone(), what });
    let run = run::run(script).map_err(broken)?;
    checks::check(script, &run).map_err(broken)
}
