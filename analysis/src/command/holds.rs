//! `fingerforce holds`: finds and measures holds in any trace.

use crate::holds::{Hold, Kind, Parameters, Profile, find};
use crate::trial::Test;
use anyhow::{Context, bail};
use std::path::PathBuf;

/// Find and measure holds in any trace
///
/// Example: fingerforce holds trace.csv --test break --json
#[derive(Debug, clap::Args)]
pub struct Args {
    /// A CSV with the columns time_s,force_n
    file: PathBuf,
    /// Print {"holds": [...]} instead of a table
    #[arg(long)]
    json: bool,
    /// Kind of test: make, break, concentric or free
    #[arg(long, default_value = "free")]
    test: Test,
    /// standard, or weak for efforts under 2 N
    #[arg(long, default_value = "standard", value_parser = profile)]
    profile: Profile,
    /// Set a parameter of the finder: name=value (may be repeated)
    #[arg(long, value_name = "NAME=VALUE")]
    set: Vec<String>,
}

fn profile(word: &str) -> Result<Profile, String> {
    Profile::from_word(word).ok_or_else(|| "use standard or weak".to_owned())
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let mut parameters = Parameters::new(args.profile, args.test);
    for set in &args.set {
        let Some((name, value)) = set.split_once('=') else {
            bail!("`--set {set}` is not name=value");
        };
        parameters.set(name.trim(), value)?;
    }
    let (time_s, force_n) = read_csv(&args.file)?;
    let holds = find(&time_s, &force_n, None, &parameters);
    if args.json {
        println!("{}", serde_json::to_string(&serde_json::json!({ "holds": holds }))?);
    } else {
        println!("{}", table(&holds));
    }
    Ok(())
}

/// Stand-in until the trace readers are there.
fn read_csv(path: &PathBuf) -> anyhow::Result<(Vec<f64>, Vec<f64>)> {
    let mut reader =
        csv::Reader::from_path(path).with_context(|| format!("cannot read {}", path.display()))?;
    let (mut time_s, mut force_n) = (Vec::new(), Vec::new());
    for (row, record) in reader.records().enumerate() {
        let record = record?;
        let cell = |k: usize| record.get(k).and_then(|text| text.trim().parse::<f64>().ok());
        let (Some(t), Some(f)) = (cell(0), cell(1)) else {
            bail!("{}, line {}: not two numbers", path.display(), row + 2);
        };
        time_s.push(t);
        force_n.push(f);
    }
    Ok((time_s, force_n))
}

fn table(holds: &[Hold]) -> comfy_table::Table {
    let mut table = comfy_table::Table::new();
    table.load_style(comfy_table::presets::UTF8_FULL_CONDENSED);
    table.set_header([
        "",
        "onset s",
        "peak N",
        "above zero N",
        "mean 1 s N",
        "break s",
        "break N",
        "release s",
        "end s",
        "flags",
    ]);
    let number = |value: Option<f64>, digits: usize| value.map_or(String::new(), |v| format!("{v:.digits$}"));
    for hold in holds {
        let flags: Vec<String> = hold
            .flags
            .iter()
            .filter_map(|f| serde_json::to_value(f).ok()?.as_str().map(str::to_owned))
            .collect();
        table.add_row([
            if hold.kind == Kind::Hold { "hold".to_owned() } else { "touch".to_owned() },
            number(Some(hold.onset_s), 3),
            number(Some(hold.peak_n), 2),
            number(Some(hold.peak_zero_n), 2),
            number(hold.mean_n, 2),
            number(hold.break_s, 3),
            number(hold.break_n, 2),
            number(hold.release_s, 3),
            number(hold.end_s, 3),
            flags.join(", "),
        ]);
    }
    table
}
