//! `fingerforce holds`: finds and measures holds in any trace.
//!
//! Comes in: a recording (its holds are found again as they were), a CSV trace, or a dataset of any HDF5 file. Goes
//! out: a table, or JSON with every field of each hold (s, N) and the parameters they were found with.

use crate::console::{self, Hint, Usage, advised};
use crate::holds::{Hold, Kind, Parameters, Profile, Scan, SetError, find};
use crate::recording::open;
use crate::recording::read::Recording;
use crate::recording::replay::{Placed, replay};
use crate::trace::{self, Dataset};
use crate::trial::Test;
use serde::Serialize;
use serde_json::{Map, Value, json};
use std::path::{Path, PathBuf};

/// Find and measure holds in any trace
///
/// FILE is a recording (its holds are found again with the parameters that were in force), a CSV with the columns
/// time_s,force_n, or any HDF5 file with --dataset and --rate.
///
/// Example: fingerforce holds trace.csv --test break --json
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// A recording, a CSV with the columns time_s,force_n, or an HDF5 file
    pub file: PathBuf,
    /// Print {"holds": [...], "parameters": {...}}
    #[arg(long)]
    pub json: bool,
    /// Kind of test: make, break, concentric or free [default: free, or what the recording says]
    #[arg(long)]
    pub test: Option<Test>,
    /// standard, or weak for efforts under 2 N [default: standard, or what the recording says]
    #[arg(long, value_parser = profile)]
    pub profile: Option<Profile>,
    /// Set a parameter of the finder; may be repeated (--set list shows all)
    #[arg(long, value_name = "NAME=VALUE")]
    pub set: Vec<String>,
    /// Sensor of a recording, from 1 [default: all]
    #[arg(long)]
    pub sensor: Option<usize>,
    /// Channel of its sensor, from 1 [default: all]
    #[arg(long)]
    pub channel: Option<usize>,
    /// Path of a 1-D dataset in an HDF5 file
    #[arg(long, requires = "rate")]
    pub dataset: Option<String>,
    /// Samples a second of the dataset
    #[arg(long, value_name = "HZ", requires = "dataset")]
    pub rate: Option<f64>,
    /// Newtons a unit of the dataset
    #[arg(long, default_value_t = 1.0, requires = "dataset")]
    pub scale: f64,
    /// Added after scaling, N
    #[arg(long, default_value_t = 0.0, requires = "dataset", allow_negative_numbers = true)]
    pub offset: f64,
}

fn profile(word: &str) -> Result<Profile, String> {
    Profile::from_word(word).ok_or_else(|| "use standard or weak".to_owned())
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let parameters = parameters(args)?;
    if args.set.iter().any(|set| set == "list") {
        console::result(&format!("{}\n", list(&parameters)))?;
        return Ok(());
    }
    let is_recording = args.dataset.is_none() && open::is_hdf5(&args.file).unwrap_or(false);
    let found = if is_recording {
        from_recording(args, &parameters)?
    } else {
        Found::Trace(from_trace(args, &parameters)?)
    };
    let text = if args.json { found.json(&parameters)? + "\n" } else { found.table() };
    console::result(&text)?;
    Ok(())
}

fn parameters(args: &Args) -> anyhow::Result<Parameters> {
    let mut parameters = Parameters::new(args.profile.unwrap_or_default(), args.test.unwrap_or(Test::Free));
    for set in args.set.iter().filter(|set| *set != "list") {
        let Some((name, value)) = set.split_once('=') else {
            return Err(usage(format!("`--set {set}` is not NAME=VALUE"), "--set list shows all parameters"));
        };
        parameters.set(name.trim(), value.trim()).map_err(|error| {
            let hint = match &error {
                SetError::Unknown { .. } => "--set list shows all parameters",
                SetError::Value { .. } => "give another value",
            };
            usage(error.to_string(), hint)
        })?;
    }
    Ok(parameters)
}

fn usage(what: String, hint: &str) -> anyhow::Error {
    anyhow::Error::new(Usage(what)).context(Hint::new(hint))
}

fn from_trace(args: &Args, parameters: &Parameters) -> anyhow::Result<Vec<Hold>> {
    let only_recordings = [("--sensor", args.sensor), ("--channel", args.channel)];
    if let Some((option, _)) = only_recordings.iter().find(|(_, given)| given.is_some()) {
        return Err(usage(format!("{option} is for recordings"), "leave it out"));
    }
    let (Some(name), Some(rate_hz)) = (&args.dataset, args.rate) else {
        let trace = trace::read_csv(&args.file).map_err(advised)?;
        return Ok(find(&trace.time_s, &trace.force_n, None, parameters));
    };
    let dataset = Dataset::open(&args.file, name, rate_hz, args.scale, args.offset).map_err(advised)?;
    let mut scan = Scan::new(1.0 / rate_hz, parameters.clone())?;
    dataset.blocks(|force_n| scan.push(force_n)).map_err(advised)?;
    Ok(scan.finish())
}

/// Without options about the finder a recording's own parameters are used.
fn from_recording(args: &Args, parameters: &Parameters) -> anyhow::Result<Found> {
    let recording = Recording::open(Path::new(&args.file)).map_err(advised)?;
    let own = args.set.is_empty() && args.test.is_none() && args.profile.is_none();
    let instead = if own { None } else { Some(parameters) };
    let mut placed = Vec::new();
    for (number, sensor) in (1..).zip(recording.sensors()) {
        if args.sensor.is_some_and(|wanted| wanted != number) {
            continue;
        }
        for channel in 1..=sensor.channels.len() {
            if args.channel.is_none_or(|wanted| wanted == channel) {
                placed.extend(replay(&recording, number, channel, instead).map_err(advised)?);
            }
        }
    }
    let there = |k: usize| recording.sensors().get(k.wrapping_sub(1));
    let missing = args.sensor.is_some_and(|k| there(k).is_none())
        || args
            .channel
            .is_some_and(|c| !recording.sensors().iter().any(|s| (1..=s.channels.len()).contains(&c)));
    if missing {
        let hint = "`fingerforce info FILE` shows the sensors and channels";
        return Err(usage("the recording has no such sensor or channel".to_owned(), hint));
    }
    Ok(Found::Recording { placed, own })
}

/// What `--json` prints.
#[derive(Serialize)]
struct Answer<'a, T> {
    holds: &'a [T],
    #[serde(skip_serializing_if = "Option::is_none")]
    parameters: Option<Value>,
}

/// What was found, and in what.
enum Found {
    Trace(Vec<Hold>),
    Recording { placed: Vec<Placed>, own: bool },
}

impl Found {
    fn json(&self, parameters: &Parameters) -> anyhow::Result<String> {
        let parameters = Some(values(parameters));
        // Each stretch of a recording has its own, in the recording's events.
        let text = match self {
            Found::Trace(holds) => serde_json::to_string(&Answer { holds, parameters }),
            Found::Recording { placed, own } => {
                serde_json::to_string(&Answer { holds: placed, parameters: parameters.filter(|_| !own) })
            }
        };
        Ok(text?)
    }

    fn table(&self) -> String {
        match self {
            Found::Trace(holds) => table(holds.iter().map(|hold| (String::new(), hold))),
            Found::Recording { placed, .. } => {
                table(placed.iter().map(|p| (format!("{}.{}", p.sensor, p.channel), &p.hold)))
            }
        }
    }
}

fn values(parameters: &Parameters) -> Value {
    let named = parameters.values().into_iter().map(|(name, value, _)| {
        let value = match value.parse::<f64>() {
            Ok(number) => json!(number),
            Err(_) => json!(value),
        };
        (name.to_owned(), value)
    });
    Value::Object(named.collect::<Map<_, _>>())
}

fn list(parameters: &Parameters) -> comfy_table::Table {
    let mut table = new_table(&["parameter", "value", "unit"]);
    for (name, value, unit) in parameters.values() {
        table.add_row([name.to_owned(), value, unit.to_owned()]);
    }
    table
}

fn new_table(header: &[&str]) -> comfy_table::Table {
    let mut table = comfy_table::Table::new();
    table.load_style(comfy_table::presets::UTF8_FULL_CONDENSED);
    table.set_header(header);
    table
}

fn table<'a>(holds: impl Iterator<Item = (String, &'a Hold)>) -> String {
    let mut table = new_table(&[
        "sensor",
        "kind",
        "onset s",
        "± s",
        "peak N",
        "above zero N",
        "mean N",
        "break s",
        "break N",
        "release s",
        "end s",
        "flags",
    ]);
    let number = |value: Option<f64>, digits: usize| value.map_or(String::new(), |v| format!("{v:.digits$}"));
    let mut count = 0;
    for (place, hold) in holds {
        count += 1;
        let flags: Vec<&str> = hold.flags.iter().map(|flag| flag.word()).collect();
        table.add_row([
            place,
            if hold.kind == Kind::Hold { "hold" } else { "touch" }.to_owned(),
            number(Some(hold.onset_s), 3),
            number(hold.onset_sd_s, 3),
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
    if count == 0 { "no holds found\n".to_owned() } else { format!("{table}\n") }
}
