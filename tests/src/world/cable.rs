//! The world's cable: bytes between board and host, with faults that know nothing of frames.

use daemon::session::Cable;
use daemon::simulate::random::Random;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// What a cable does to the bytes on it. Probabilities are per read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Faults {
    /// A run of bytes vanishes.
    pub lose: f64,
    /// A bit changes.
    pub flip: f64,
    /// A run of bytes comes twice.
    pub repeat: f64,
    /// Random bytes come between.
    pub noise: f64,
    /// A message to the board vanishes on its way.
    pub deaf: f64,
    /// A write to the board is refused.
    pub refuse: f64,
    /// How often opening fails before it succeeds, each time.
    pub opens_late: u32,
}

/// The longest run of bytes that is lost, repeated or made up.
const RUN_BYTES: usize = 60;

/// The cable; clones are the same one.
#[derive(Debug, Clone)]
pub struct WorldCable(Arc<Mutex<State>>);

#[derive(Debug)]
struct State {
    faults: Faults,
    random: Random,
    plugged: bool,
    open: bool,
    refused_opens: u32,
    to_board: Vec<u8>,
}

impl WorldCable {
    /// A cable that is plugged in.
    pub fn new(faults: Faults, seed: u64) -> Self {
        WorldCable(Arc::new(Mutex::new(State {
            faults,
            random: Random::fork(seed, 101),
            plugged: true,
            open: false,
            refused_opens: 0,
            to_board: Vec::new(),
        })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// It is pulled, or put back. Says whether the host had it open.
    pub fn plug(&self, plugged: bool) -> bool {
        let mut state = self.state();
        state.plugged = plugged;
        state.to_board.clear();
        std::mem::take(&mut state.open)
    }

    /// It is plugged in.
    pub fn is_plugged(&self) -> bool {
        self.state().plugged
    }

    /// The host has it open.
    pub fn is_open(&self) -> bool {
        self.state().open
    }

    /// What the host has written since the last call.
    pub fn to_board(&self) -> Vec<u8> {
        std::mem::take(&mut self.state().to_board)
    }

    /// No more faults from here on.
    pub fn heal(&self) {
        self.state().faults = Faults::default();
    }

    /// What becomes of bytes on their way to the host.
    pub fn carry(&self, mut bytes: Vec<u8>) -> Vec<u8> {
        let mut state = self.state();
        let State { faults, random, .. } = &mut *state;
        if random.chance(faults.lose) {
            let (at, end) = run_of(random, bytes.len());
            bytes.drain(at..end);
        }
        if random.chance(faults.flip) && !bytes.is_empty() {
            let at = random.below(bytes.len());
            bytes[at] ^= 1 << random.below(8);
        }
        if random.chance(faults.repeat) {
            let (at, end) = run_of(random, bytes.len());
            let again = bytes[at..end].to_vec();
            bytes.splice(end..end, again);
        }
        if random.chance(faults.noise) {
            let at = random.below(bytes.len() + 1);
            let noise: Vec<u8> = (0..=random.below(RUN_BYTES)).map(|_| random.bits() as u8).collect();
            bytes.splice(at..at, noise);
        }
        bytes
    }
}

fn run_of(random: &mut Random, length: usize) -> (usize, usize) {
    let at = random.below(length + 1);
    (at, (at + 1 + random.below(RUN_BYTES)).min(length))
}

impl Cable for WorldCable {
    fn detail(&self) -> String {
        r#"{"name":"simulated"}"#.to_owned()
    }

    fn open(&mut self) -> io::Result<()> {
        let mut state = self.state();
        if !state.plugged {
            return Err(io::ErrorKind::NotFound.into());
        }
        if state.refused_opens < state.faults.opens_late {
            state.refused_opens += 1;
            return Err(io::ErrorKind::ResourceBusy.into());
        }
        state.refused_opens = 0;
        state.open = true;
        Ok(())
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.state();
        let (refuse, deaf) = (state.faults.refuse, state.faults.deaf);
        if !state.open || state.random.chance(refuse) {
            return Err(io::ErrorKind::TimedOut.into());
        }
        if !state.random.chance(deaf) {
            state.to_board.extend_from_slice(bytes);
        }
        Ok(())
    }

    fn close(&mut self) {
        self.state().open = false;
    }
}
