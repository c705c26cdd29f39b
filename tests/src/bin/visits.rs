//! Simulated visits, as many as you like: `cargo run --release -p tests --bin visits -- --count 100000`.
//!
//! In: the first seed and how many. Out: figures on stdout; every failing seed with a readable account of its faults on
//! stderr. Exit code 1 when an invariant was broken.
use clap::Parser;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::process::ExitCode;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use tests::world::{self, Figures, script::Script};

/// Simulated visits with faults, each from its seed
#[derive(Debug, Parser)]
struct Args {
    /// How many
    #[arg(long, default_value_t = 1000)]
    count: u64,
    /// The first seed
    #[arg(long, default_value_t = 0)]
    from: u64,
    /// Threads
    #[arg(long, default_value_t = 2)]
    threads: usize,
    /// Stop after this many failing seeds
    #[arg(long, default_value_t = 10)]
    failures: u64,
    /// Print the account of each visit before it runs (with one thread: the last one printed is the one that hangs)
    #[arg(long)]
    tell: bool,
}

/// Sums over visits.
#[derive(Debug, Default)]
struct Sums {
    visits: u64,
    cut_off: u64,
    nothing_left: u64,
    produced: u64,
    recorded: u64,
    gaps: u64,
    segments: u64,
    trials: u64,
    compared: u64,
    borderline: u64,
    apart: u64,
    exact: u64,
    failures: u64,
}

impl Sums {
    fn add(&mut self, figures: Figures) {
        self.visits += 1;
        self.cut_off += u64::from(figures.cut_off);
        self.nothing_left += u64::from(figures.nothing_left);
        self.produced += figures.produced;
        self.recorded += figures.recorded;
        self.gaps += figures.gaps;
        self.segments += figures.segments;
        self.trials += figures.trials;
        self.compared += figures.compared;
        self.borderline += figures.borderline;
        self.apart += figures.apart;
        self.exact += figures.exact;
    }
}

fn one(seed: u64) -> Result<Figures, String> {
    match catch_unwind(AssertUnwindSafe(|| world::visit(seed))) {
        Ok(result) => result.map_err(|broken| broken.to_string()),
        Err(_) => Err(format!("seed {seed}: a panic\n{}", Script::draw(seed))),
    }
}

fn main() -> ExitCode {
    let args = Args::parse();
    let (next, sums) = (AtomicU64::new(args.from), Mutex::new(Sums::default()));
    let lock = || sums.lock().unwrap_or_else(PoisonError::into_inner);
    std::thread::scope(|scope| {
        for _ in 0..args.threads.max(1) {
            scope.spawn(|| {
                loop {
                    let seed = next.fetch_add(1, Ordering::Relaxed);
                    if seed >= args.from.saturating_add(args.count) || lock().failures >= args.failures {
                        return;
                    }
                    if args.tell {
                        eprintln!("seed {seed}\n{}", Script::draw(seed));
                    }
                    let result = one(seed);
                    let mut sums = lock();
                    match result {
                        Ok(figures) => sums.add(figures),
                        Err(what) => {
                            sums.failures += 1;
                            eprintln!("{what}");
                        }
                    }
                }
            });
        }
    });
    let sums = lock();
    println!("{sums:#?}");
    // What is told from another history may differ by more than the finder says, once in a while.
    let rare = sums.compared < 5000 || sums.apart * 1000 <= sums.compared;
    if sums.failures == 0 && rare { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
