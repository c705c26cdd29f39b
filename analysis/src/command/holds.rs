//! `fingerforce holds`: finds and measures holds in any trace.
//!
//! Comes in: a recording (its holds are found again as they were), a CSV trace, or a dataset of any HDF5 file. Goes
//! out: a table, or JSON with every field of each hold (s, N) and the parameters they were found with.

use crate::console::{self, Hint, Usage, advised};
use crate::documents;
use crate::filter::Filter;
use crate::holds::{Hold, Kind, Parameters, Profile, Scan, SetError, find, interval_s};
use crate::recording::open;
use crate::recording::read::{ReadError, Recording};
use crate::recording::replay::{Placed, replay};
use crate::trace::{self, Dataset};
use crate::trial::Test;
use serde::Serialize;
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// Find and measure holds in any trace
///
/// FILE is a recording (its holds are found again with the parameters that were in force),
/// a CSV with the columns time_s,force_n, or any HDF5 file with --dataset and --rate.
///
/// Example: fingerforce holds trace.csv --test break --json
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// A recording, a CSV with the columns time_s,force_n, or an HDF5 file
    pub file: PathBuf,
    /// Print {"holds": [...], "parameters": [...], "filter": ...}: each hold tells which of the parameters it was found with
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
    /// Low-pass a CSV or dataset at this cut-off first (Butterworth, without delay; stored with the result) [default: off]
    #[arg(long, value_name = "HZ")]
    pub low_pass: Option<f64>,
    /// Order of the low-pass, in each pass
    #[arg(long, default_value_t = 2, requires = "low_pass")]
    pub order: usize,
    /// Run the low-pass forwards only, as a live filter would: late, and it overshoots
    #[arg(long, requires = "low_pass")]
    pub causal: bool,
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
    // Every option is tried once, so that a wrong one is told before anything is read.
    let mut parameters = Parameters::default();
    adjust(args, &mut parameters)?;
    if args.set.iter().any(|set| set == "list") {
        console::result(&format!("{}\n", list(&parameters)))?;
        return Ok(());
    }
    let is_recording = args.dataset.is_none()
        && (open::is_named_so(&args.file) || open::is_hdf5(&args.file).unwrap_or(false));
    let found = if is_recording {
        from_recording(args)?
    } else {
        Found::Trace(from_trace(args, &parameters)?, Box::new(parameters))
    };
    let text = if args.json { found.json(filter(args))? } else { found.table() };
    console::result(&text)?;
    Ok(())
}

/// Changes what was asked for, and nothing else.
fn adjust(args: &Args, parameters: &mut Parameters) -> anyhow::Result<()> {
    let mut set = |name: &str, value: &str| {
        parameters.set(name, value).map_err(|error| {
            let hint = match &error {
                SetError::Unknown { .. } => "--set list shows all parameters",
                SetError::Value { .. } => "give another value",
            };
            usage(error.to_string(), hint)
        })
    };
    if let Some(profile) = args.profile {
        set("profile", profile.word())?;
    }
    if let Some(test) = args.test {
        set("test", test.word())?;
    }
    for given in args.set.iter().filter(|given| *given != "list") {
        let Some((name, value)) = given.split_once('=') else {
            return Err(usage(
                format!("`--set {given}` is not NAME=VALUE"),
                "--set list shows all parameters",
            ));
        };
        set(name.trim(), value.trim())?;
    }
    Ok(())
}

fn filter(args: &Args) -> Option<Filter> {
    args.low_pass.map(|cutoff_hz| Filter { order: args.order, cutoff_hz, zero_phase: !args.causal })
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
        let mut trace = trace::read_csv(&args.file).map_err(advised)?;
        low_pass(args, &mut trace)?;
        return Ok(find(&trace.time_s, &trace.force_n, None, parameters));
    };
    // What is in a recording is told only where it is what its digest names.
    if let Err(ReadError::Open(error)) = Recording::open(&args.file) {
        return Err(advised(error));
    }
    if args.low_pass.is_some() {
        let trace = trace::read_dataset(&args.file, name, rate_hz, args.scale, args.offset);
        let mut trace = trace.map_err(advised)?;
        low_pass(args, &mut trace)?;
        return Ok(find(&trace.time_s, &trace.force_n, Some(1.0 / rate_hz), parameters));
    }
    let dataset = Dataset::open(&args.file, name, rate_hz, args.scale, args.offset).map_err(advised)?;
    let mut scan = Scan::new(1.0 / rate_hz, parameters.clone())?;
    dataset.blocks(|force_n| scan.push(force_n)).map_err(advised)?;
    Ok(scan.finish())
}

/// Filters a trace, where that was asked for.
fn low_pass(args: &Args, trace: &mut trace::Trace) -> anyhow::Result<()> {
    let (Some(filter), Some(interval_s)) = (filter(args), interval_s(&trace.time_s)) else { return Ok(()) };
    let time_s = &trace.time_s;
    let gap_before = |k: usize| time_s[k] - time_s[k - 1] > 1.5 * interval_s;
    let filtered = filter.apply(&mut trace.force_n, 1.0 / interval_s, gap_before);
    filtered.map_err(|error| usage(error.to_string(), "give another --low-pass or --order"))
}

/// A recording's own parameters are used, but for those that were asked for.
fn from_recording(args: &Args) -> anyhow::Result<Found> {
    if args.low_pass.is_some() {
        let hint = "leave it out, or export the channel as CSV";
        return Err(usage(
            "--low-pass is for CSV traces and datasets: a recording is never filtered".to_owned(),
            hint,
        ));
    }
    let recording = Recording::open(&args.file).map_err(advised)?;
    // (That the options can be set was tried before.)
    let change = |parameters: &mut Parameters| adjust(args, parameters).unwrap_or_default();
    let mut placed = Vec::new();
    for (number, sensor) in (1..).zip(recording.sensors()) {
        if args.sensor.is_some_and(|wanted| wanted != number) {
            continue;
        }
        for channel in 1..=sensor.channels.len() {
            if args.channel.is_none_or(|wanted| wanted == channel) {
                placed.extend(replay(&recording, number, channel, &change).map_err(advised)?);
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
    Ok(Found::Recording(placed))
}

/// What `--json` prints.
#[derive(Serialize)]
struct Answer<'a, T> {
    holds: Vec<With<'a, T>>,
    /// The sets of parameters that holds were found with, each once.
    parameters: Vec<Value>,
    /// The filter that force went through first; null: none.
    filter: Option<Filter>,
}

/// A hold with the number (from 0) of its parameters.
#[derive(Serialize)]
struct With<'a, T> {
    #[serde(flatten)]
    hold: &'a T,
    parameters: usize,
}

/// What was found, and in what.
enum Found {
    Trace(Vec<Hold>, Box<Parameters>),
    Recording(Vec<Placed>),
}

impl Found {
    fn json(&self, filter: Option<Filter>) -> anyhow::Result<String> {
        let text = match self {
            Found::Trace(found, parameters) => {
                let holds = found.iter().map(|hold| With { hold, parameters: 0 }).collect();
                documents::json_line(
                    documents::HOLDS,
                    &Answer { holds, parameters: vec![values(parameters)], filter },
                )
            }
            Found::Recording(placed) => {
                let mut sets: Vec<&Parameters> = Vec::new();
                let mut number = |parameters| {
                    let known = sets.iter().position(|set| *set == parameters);
                    known.unwrap_or_else(|| {
                        sets.push(parameters);
                        sets.len() - 1
                    })
                };
                let holds =
                    placed.iter().map(|p| With { hold: p, parameters: number(&p.parameters) }).collect();
                let parameters = sets.into_iter().map(values).collect();
                documents::json_line(documents::HOLDS, &Answer { holds, parameters, filter })
            }
        };
        Ok(text?)
    }

    fn table(&self) -> String {
        match self {
            Found::Trace(holds, _) => table(holds.iter().map(|hold| (String::new(), hold))),
            Found::Recording(placed) => {
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
