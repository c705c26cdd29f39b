//! Scores the hold finder on drawn traces: prints a table of errors and what falls short of the targets, as Markdown or
//! JSON; writes the generated parts of the page of documentation. Exit code 1 if something falls short.

use clap::Parser;
use std::process::ExitCode;
use tests::scorer::figure::Figure;
use tests::scorer::find::library;
use tests::scorer::kind::Kind;
use tests::scorer::targets::judge;
use tests::scorer::{NOISE_N, RATES_HZ, Run, page, score_all, table};

/// Score the hold finder on drawn traces whose truth is known
///
/// Example: cargo run -p tests --release --bin score-holds -- --seed 5 --count 100
#[derive(Debug, Parser)]
struct Args {
    /// Where chance starts
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Traces of each kind
    #[arg(long, default_value_t = 100, value_parser = clap::value_parser!(u64).range(1..=100_000))]
    count: u64,
    /// White noise on every sample, N
    #[arg(long, default_value_t = NOISE_N)]
    noise: f64,
    /// Rates in Hz
    #[arg(long, value_delimiter = ',', default_values_t = RATES_HZ)]
    rates: Vec<u32>,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Write the generated parts of the page of documentation (its own seed, count, noise and rates)
    #[arg(long, conflicts_with_all = ["seed", "count", "noise", "rates", "json"])]
    write_page: bool,
}

fn main() -> ExitCode {
    let args = Args::parse();
    if args.write_page {
        return match page::write() {
            Ok(path) => {
                eprintln!("wrote {}", path.display());
                ExitCode::SUCCESS
            }
            Err(error) => {
                eprintln!("error: {error}");
                ExitCode::FAILURE
            }
        };
    }
    let run = Run { seed: args.seed, count: args.count, rates_hz: &args.rates, noise_n: args.noise };
    let rows = score_all(&run, &Kind::ALL, &library);
    let verdicts = judge(&rows);
    let short = verdicts.iter().filter(|verdict| !verdict.met).count();
    if args.json {
        println!("{:#}", table::json(&rows, &verdicts));
    } else {
        println!("Seed {}, {} traces of each kind, noise {} N.\n", run.seed, run.count, run.noise_n);
        println!("{}\nMean error / 95 % of absolute errors within:\n", table::counts(&rows));
        println!("{}\n{}", table::errors(&rows, &Figure::TIMES), table::errors(&rows, &Figure::FORCES));
        println!("{}", table::verdicts(&verdicts));
        println!("{short} of {} targets missed", verdicts.len());
    }
    if short == 0 { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}
