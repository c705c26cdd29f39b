//! `fingerforced simulate`: a simulated sensor on a pseudo-terminal.

use crate::clock::{Clock, SystemClock};
use crate::simulate::converter;
use crate::simulate::effort::Effort;
use crate::simulate::faults::Faults;
use crate::simulate::hand::{Hand, Script, ScriptError};
use crate::simulate::led::{Led, Order};
use crate::simulate::run::{Running, Simulation};
use crate::simulate::sensor::{Sensor, Settings, SettingsError};
use crate::simulate::source::Source;
use analysis::console::{self, Usage, advised};
use analysis::documents;
use analysis::trace::{Trace, read_csv};
use anyhow::Context as _;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, sync_channel};

/// Interval of samples where nothing says otherwise, ns.
const INTERVAL_NS: u32 = 1_000_000;

/// A simulated sensor on a pseudo-terminal
///
/// Plays a hand (rest, the examiner's touch, make and break efforts with tremor and fatigue) or a trace, from the moment a
/// host starts it. Ends when the host has stopped it, or some time after the script or trace, and then prints what really
/// happened to every sample.
///
/// Example: fingerforced simulate --link /tmp/sensor --effort make:30:3 --effort break:40 --drop 0.01
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Link the pseudo-terminal at this path [default: none; its own name is printed]
    #[arg(long, value_name = "PATH")]
    link: Option<PathBuf>,
    /// Play this trace instead of a hand: CSV with the columns time_s,force_n
    #[arg(long, value_name = "FILE.csv", conflicts_with_all = ["efforts", "repeat"])]
    trace: Option<PathBuf>,
    /// One sample a row, counts = force ÷ resolution, no noise
    #[arg(long, requires = "trace")]
    exact: bool,
    /// Time between samples, ns [default: 1000000; with --exact, that of the trace]
    #[arg(long, value_name = "N")]
    interval_ns: Option<u32>,
    /// Channels; the second shows half of the force, the third a third, and so on
    #[arg(long, value_name = "C", default_value_t = 1)]
    channels: u8,
    /// Everything random is drawn from it
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Serial number, up to 16 characters
    #[arg(long, value_name = "TEXT", default_value = "SIM-0001")]
    serial: String,
    /// Print the truth as JSON
    #[arg(long)]
    json: bool,
    #[command(flatten)]
    hand: HandArgs,
    #[command(flatten)]
    ending: EndingArgs,
    #[command(flatten)]
    converter: ConverterArgs,
    #[command(flatten)]
    faults: FaultArgs,
}

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Hand")]
struct HandArgs {
    /// An effort: KIND:PEAK_N[:HOLD_S], KIND one of make, explosive, break, make-break, concentric; repeatable
    #[arg(long = "effort", value_name = "EFFORT")]
    efforts: Vec<Effort>,
    /// From one effort's onset to the next, s
    #[arg(long, value_name = "S", default_value_t = Script::default().period_s)]
    period: f64,
    /// Rest before the first effort, s
    #[arg(long, value_name = "S", default_value_t = Script::default().lead_s)]
    first: f64,
    /// The examiner's steady touch between efforts, N
    #[arg(long, value_name = "N", default_value_t = Script::default().contact_n)]
    contact: f64,
    /// SD of the efforts' peaks, as a fraction
    #[arg(long, value_name = "F", default_value_t = Script::default().variation)]
    variation: f64,
    /// Size of tremor and slow wavering; 1 is usual
    #[arg(long, value_name = "F", default_value_t = Script::default().unsteadiness)]
    unsteadiness: f64,
    /// Begin the script again, for ever
    #[arg(long)]
    repeat: bool,
    /// No script: read what the hand is to do from stdin, a line each, at once: `touch N`, `free`, or an effort
    #[arg(long, conflicts_with_all = ["efforts", "repeat", "trace"])]
    follow: bool,
}

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Ending")]
struct EndingArgs {
    /// No samples after this much of the stream, s; until then, the hand begins its script again
    #[arg(long, value_name = "S")]
    seconds: Option<f64>,
    /// Stay after the end, and when the host has stopped the stream
    #[arg(long)]
    forever: bool,
    /// After the script or trace, wait this long for the host to stop, s
    #[arg(long, value_name = "S", default_value_t = 10.0)]
    linger: f64,
    /// Write every produced sample's counts to this file: i32, little-endian
    #[arg(long, value_name = "FILE")]
    log_counts: Option<PathBuf>,
    /// What the board buffers for a slow reader, bytes
    #[arg(long, value_name = "BYTES", default_value_t = Settings::default().buffer_bytes)]
    buffer: usize,
}

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Converter")]
struct ConverterArgs {
    /// Rated force, N: 8000000 counts
    #[arg(long, value_name = "N", default_value_t = converter::Settings::default().rated_force_n)]
    rated: f64,
    /// Noise SD, N
    #[arg(long, value_name = "N", default_value_t = converter::Settings::default().noise_n)]
    noise: f64,
    /// Zero offset, N
    #[arg(long, value_name = "N", default_value_t = converter::Settings::default().offset_n, allow_negative_numbers = true)]
    offset: f64,
    /// Zero drift, N per minute
    #[arg(long, value_name = "N", default_value_t = converter::Settings::default().drift_n_per_min, allow_negative_numbers = true)]
    drift: f64,
    /// Amplitude of mains hum, N (50 Hz)
    #[arg(long, value_name = "N", default_value_t = converter::Settings::default().hum_n)]
    hum: f64,
    /// Gain error, as a fraction
    #[arg(long, value_name = "F", default_value_t = 0.0, allow_negative_numbers = true)]
    gain_error: f64,
    /// Bow of the sensor's curve at half the rated force, as a fraction of that force
    #[arg(long, value_name = "F", default_value_t = 0.0, allow_negative_numbers = true)]
    bow: f64,
    /// The same, added on the way down
    #[arg(long, value_name = "F", default_value_t = 0.0, allow_negative_numbers = true)]
    hysteresis: f64,
    /// Creep: added to a load in the long run, as a fraction of it
    #[arg(long, value_name = "F", default_value_t = 0.0, allow_negative_numbers = true)]
    creep: f64,
    /// Its time constant, s
    #[arg(long, value_name = "S", default_value_t = converter::Settings::default().creep_s)]
    creep_time: f64,
    /// SD of the stamps about the samples' true times, µs
    #[arg(long, value_name = "US", default_value_t = 0.0)]
    stamp_jitter: f64,
    /// What one conversion averages over, s: twice the group delay
    #[arg(long, value_name = "S", default_value_t = converter::Settings::default().window_s)]
    window: f64,
}

#[derive(Debug, clap::Args)]
#[command(next_help_heading = "Faults (times in s since the first start)")]
struct FaultArgs {
    /// Probability that a frame vanishes
    #[arg(long, value_name = "P", default_value_t = 0.0)]
    drop: f64,
    /// Probability that a byte of a frame is changed
    #[arg(long, value_name = "P", default_value_t = 0.0)]
    flip: f64,
    /// Probability that a frame comes twice
    #[arg(long, value_name = "P", default_value_t = 0.0)]
    duplicate: f64,
    /// Pull the cable
    #[arg(long, value_name = "S")]
    unplug_after: Option<f64>,
    /// Put the cable back, this long after it was pulled
    #[arg(long, value_name = "S", default_value_t = 1.0)]
    return_after: f64,
    /// Pull the cable again and again, after as much time as the first time
    #[arg(long, requires = "unplug_after", conflicts_with = "every")]
    unplug_again: bool,
    /// Another board answers when the cable is back, with this serial number
    #[arg(long, value_name = "TEXT", requires = "unplug_after")]
    returns_as: Option<String>,
    /// Pulling the cable takes the board's power, too
    #[arg(long, requires = "unplug_after")]
    unplug_resets: bool,
    /// Reset the board, at the next moment at which it has sent all it has
    #[arg(long, value_name = "S")]
    reset_after: Option<f64>,
    /// Reset it at that very moment, whatever is lost by it
    #[arg(long, requires = "reset_after")]
    reset_abruptly: bool,
    /// Pull the cable or reset again and again, at this interval
    #[arg(long, value_name = "S")]
    every: Option<f64>,
    /// The board's clock is faster than true time, millionths
    #[arg(long, value_name = "PPM", default_value_t = 0.0, allow_negative_numbers = true)]
    clock_drift: f64,
    /// Never answer
    #[arg(long, conflicts_with = "noise_only")]
    silent: bool,
    /// Send only random bytes
    #[arg(long)]
    noise_only: bool,
    /// Claim to speak this version of the protocol
    #[arg(long, value_name = "N")]
    speaks_version: Option<u8>,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let source = source(args)?;
    let settings = settings(args, &source);
    let running = running(args)?;
    let clock = SystemClock;
    let sensor = Sensor::new(settings, source, clock.monotonic_ns()).map_err(refused)?;
    let stop = stop_on_signal()?;
    let mut simulation = Simulation::new(sensor, running).map_err(advised)?;
    if args.hand.follow {
        simulation.follow(orders()?);
    }
    announce(args, simulation.device().unwrap_or_default())?;
    let report = simulation.run(&clock, &stop).map_err(advised)?;
    if !report.is_balanced() {
        anyhow::bail!("a fault of this program: its counters do not add up: {:?}", report.streams);
    }
    let text = if args.json { documents::json(documents::SIMULATION, &report)? } else { report.to_string() };
    Ok(console::result(&text)?)
}

/// Reads orders for the hand from stdin; one that is none is said and left out.
fn orders() -> anyhow::Result<Receiver<Order>> {
    let (sender, receiver) = sync_channel(64);
    let listen = move || {
        for line in std::io::stdin().lines() {
            let Ok(line) = line else { return };
            match line.parse::<Order>() {
                Ok(order) => {
                    if sender.send(order).is_err() {
                        return;
                    }
                }
                Err(why) => tracing::warn!("{}", console::clean(&why)),
            }
        }
    };
    std::thread::Builder::new().name("orders".to_owned()).spawn(listen).context("no thread for orders")?;
    Ok(receiver)
}

/// A number out of range is wrong usage; a trace out of range is not.
fn refused(error: SettingsError) -> anyhow::Error {
    match error {
        SettingsError::BeyondRange { .. } => advised(error),
        other => Usage(other.to_string()).into(),
    }
}

fn source(args: &Args) -> anyhow::Result<Source> {
    if let Some(path) = &args.trace {
        let trace = read_csv(path).map_err(advised)?;
        return Ok(if args.exact { Source::Rows(trace) } else { Source::Trace(trace) });
    }
    let hand = &args.hand;
    if hand.follow {
        return Ok(Source::Led(Box::new(Led::new(args.seed, hand.unsteadiness))));
    }
    let default = Script::default();
    let efforts = if hand.efforts.is_empty() { default.efforts } else { hand.efforts.clone() };
    let script = Script {
        efforts,
        lead_s: hand.first,
        period_s: hand.period,
        contact_n: hand.contact,
        variation: hand.variation,
        unsteadiness: hand.unsteadiness,
        repeat: hand.repeat || args.ending.seconds.is_some(),
    };
    let hand = Hand::new(script, args.seed);
    Ok(Source::Hand(Box::new(hand.map_err(|error: ScriptError| Usage(error.to_string()))?)))
}

fn settings(args: &Args, source: &Source) -> Settings {
    let (converter, faults) = (&args.converter, &args.faults);
    let own_interval_ns = match source {
        Source::Rows(trace) => interval_ns(trace),
        _ => INTERVAL_NS,
    };
    Settings {
        serial: args.serial.clone(),
        seed: args.seed,
        interval_ns: args.interval_ns.unwrap_or(own_interval_ns),
        converter: converter::Settings {
            rated_force_n: converter.rated,
            offset_n: converter.offset,
            gain_error: converter.gain_error,
            noise_n: converter.noise,
            drift_n_per_min: converter.drift,
            hum_n: converter.hum,
            window_s: converter.window,
            bow: converter.bow,
            hysteresis: converter.hysteresis,
            creep: converter.creep,
            creep_s: converter.creep_time,
            stamp_jitter_us: converter.stamp_jitter,
            channels: args.channels,
            ..converter::Settings::default()
        },
        faults: Faults {
            drop: faults.drop,
            flip: faults.flip,
            duplicate: faults.duplicate,
            unplug_after_s: faults.unplug_after,
            return_after_s: Some(faults.return_after),
            returns_as: faults.returns_as.clone(),
            unplug_resets: faults.unplug_resets,
            reset_after_s: faults.reset_after,
            reset_abruptly: faults.reset_abruptly,
            every_s: every_s(faults),
            clock_drift_ppm: faults.clock_drift,
            silent: faults.silent,
            noise_only: faults.noise_only,
            version: faults.speaks_version,
        },
        lasts_s: args.ending.seconds,
        buffer_bytes: args.ending.buffer,
        keep_counts: args.ending.log_counts.is_some(),
    }
}

fn every_s(faults: &FaultArgs) -> Option<f64> {
    let again_s =
        faults.unplug_after.filter(|_| faults.unplug_again).map(|after_s| after_s + faults.return_after);
    faults.every.or(again_s)
}

/// The mean time between a trace's rows, ns.
fn interval_ns(trace: &Trace) -> u32 {
    let (Some(first_s), Some(last_s)) = (trace.time_s.first(), trace.time_s.last()) else {
        return INTERVAL_NS;
    };
    let steps = trace.time_s.len() - 1;
    if steps == 0 {
        return INTERVAL_NS;
    }
    libm::round((last_s - first_s) / steps as f64 * 1e9) as u32
}

fn running(args: &Args) -> anyhow::Result<Running> {
    let ending = &args.ending;
    if !(0.0..=1e9).contains(&ending.linger) {
        return Err(Usage(format!("--linger is {}, must be from 0 to 1000000000 s", ending.linger)).into());
    }
    Ok(Running {
        link: args.link.clone(),
        lingers_ns: (ending.linger * 1e9) as u64,
        forever: ending.forever,
        log_counts: ending.log_counts.clone(),
    })
}

/// Says where the sensor is. Without a link or JSON the name is a result: the only way to know it.
fn announce(args: &Args, device: &str) -> anyhow::Result<()> {
    let place =
        args.link.as_ref().map_or_else(|| device.to_owned(), |link| format!("{} ({device})", link.display()));
    crate::stderr::say(&format!("simulated sensor {} at {place}, waiting for a host", args.serial));
    if args.link.is_none() && !args.json {
        console::result(&format!("{device}\n"))?;
    }
    Ok(())
}

/// A flag that the first Ctrl-C or SIGTERM sets; the second one ends the program at once.
fn stop_on_signal() -> anyhow::Result<Arc<AtomicBool>> {
    use tokio::signal::unix::{SignalKind, signal};
    let stop = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&stop);
    let runtime = tokio::runtime::Builder::new_current_thread().enable_io().build()?;
    let (mut interrupt, mut terminate) = {
        let _inside = runtime.enter();
        (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?)
    };
    let wait = move || {
        runtime.block_on(async {
            for _ in 0..2 {
                tokio::select! { _ = interrupt.recv() => {}, _ = terminate.recv() => {} }
                if set.swap(true, Ordering::Relaxed) {
                    std::process::exit(1);
                }
            }
        });
    };
    std::thread::Builder::new().name("signals".to_owned()).spawn(wait).context("no thread for signals")?;
    Ok(stop)
}
