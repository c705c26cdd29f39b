//! `fingerforced simulate`: a simulated sensor on a pseudo-terminal, in real time.
//!
//! It paces itself like hardware: what the reader does not take in time is dropped and counted as a device would. At the
//! end it prints what it sent, so that a recording can be held against it.

use crate::clock::{Clock, SystemClock};
use crate::simulate::converter::Errors;
use crate::simulate::faults::Faults;
use crate::simulate::hand::{Effort, Hand, Script};
use crate::simulate::pty::Pty;
use crate::simulate::{Boot, Sensor, Settings, Source};
use analysis::console::{Usage, advised};
use anyhow::Context;
use std::fs::File;
use std::io::Write;
use std::path::PathBuf;
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};

/// The simulator looks at the time this often.
const STEP: Duration = Duration::from_millis(2);
/// After its source has ended it waits this long for the host to stop it, ns.
const WAIT_NS: u64 = 10_000_000_000;
/// What the line has not taken when the host has stopped the stream is kept this long, ns.
const DRAIN_NS: u64 = 2_000_000_000;

/// A simulated sensor on a pseudo-terminal
///
/// Examples:
///   fingerforced simulate --link /tmp/sensor
///   fingerforced simulate --link /tmp/sensor --effort make:30:3 --effort break:35:2 --contact 2 --drop 0.01
#[derive(Debug, Clone, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Where to link the pseudo-terminal [default: only its own name, which is printed]
    #[arg(long)]
    pub link: Option<PathBuf>,
    /// Play this trace (CSV `time_s,force_n`) instead of a hand
    #[arg(long)]
    pub trace: Option<PathBuf>,
    /// One sample a row of the trace, no noise, zero at 0 counts
    #[arg(long, requires = "trace")]
    pub exact: bool,
    /// Time between samples, ns
    #[arg(long, default_value_t = 1_000_000, value_parser = clap::value_parser!(u32).range(10_000..))]
    pub interval_ns: u32,
    /// Channels
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=8))]
    pub channels: u8,
    /// Seed of all chance
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Serial number
    #[arg(long, default_value = "SIM-0001")]
    pub serial: String,
    /// Rated force (8 000 000 counts), N
    #[arg(long, default_value_t = 200.0)]
    pub rated: f64,
    /// An effort of the hand, KIND:PEAK_N:HOLD_S (make, break, explosive); repeatable
    #[arg(long = "effort")]
    pub efforts: Vec<Effort>,
    /// Start of the first effort, s
    #[arg(long, default_value_t = 3.0)]
    pub first: f64,
    /// From one effort's start to the next, s
    #[arg(long, default_value_t = 8.0)]
    pub period: f64,
    /// Contact kept between efforts, N
    #[arg(long, default_value_t = 0.0)]
    pub contact: f64,
    /// Begin the efforts again at their end
    #[arg(long)]
    pub repeat: bool,
    /// Noise (SD), N
    #[arg(long, default_value_t = 0.02)]
    pub noise: f64,
    /// Drift of the zero, N/s
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub drift: f64,
    /// Mains hum, N
    #[arg(long, default_value_t = 0.0)]
    pub hum: f64,
    /// Samples that the converter averages
    #[arg(long, default_value_t = 1)]
    pub average: u32,
    /// End after this many seconds of stream
    #[arg(long)]
    pub seconds: Option<f64>,
    /// Share of frames that are lost
    #[arg(long, default_value_t = 0.0)]
    pub drop: f64,
    /// Share of frames with a flipped byte
    #[arg(long, default_value_t = 0.0)]
    pub flip: f64,
    /// Share of frames that come twice
    #[arg(long, default_value_t = 0.0)]
    pub duplicate: f64,
    /// Unplug after this long, s
    #[arg(long)]
    pub unplug_after: Option<f64>,
    /// Plug in again after this long away, s
    #[arg(long, default_value_t = 1.0)]
    pub return_after: f64,
    /// Unplug again and again
    #[arg(long)]
    pub unplug_again: bool,
    /// Another serial number answers after the return
    #[arg(long)]
    pub returns_as: Option<String>,
    /// Reset the device after this long, s
    #[arg(long)]
    pub reset_after: Option<f64>,
    /// By how much the device's clock runs fast, parts per million
    #[arg(long, default_value_t = 0.0, allow_negative_numbers = true)]
    pub clock_drift: f64,
    /// Claim this protocol version
    #[arg(long, default_value_t = firmware_protocol::message::PROTOCOL_VERSION)]
    pub speaks_version: u8,
    /// Never answer
    #[arg(long)]
    pub silent: bool,
    /// Send only noise
    #[arg(long, conflicts_with = "silent")]
    pub noise_only: bool,
    /// Write every reading as raw i32 (little-endian, all channels of a sample together)
    #[arg(long)]
    pub log_counts: Option<PathBuf>,
    /// Print what was sent as JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    let boots = runtime.block_on(async { Run::new(args)?.run().await })?;
    analysis::console::result(&told(&boots, args.json)?)?;
    Ok(())
}

fn told(boots: &[Boot], json: bool) -> anyhow::Result<String> {
    if json {
        return Ok(serde_json::to_string_pretty(&serde_json::json!({ "boots": boots }))? + "\n");
    }
    let line = |boot: &Boot| {
        format!(
            "boot {:08x}: {} samples; dropped by the device {}, lost {}, damaged {}, twice {}, while unplugged {}\n",
            boot.boot_id,
            boot.produced_samples,
            boot.device_dropped_samples,
            boot.lost_samples,
            boot.damaged_samples,
            boot.duplicated_samples,
            boot.unplugged_samples
        )
    };
    Ok(boots.iter().map(line).collect())
}

fn settings(args: &Args) -> anyhow::Result<Settings> {
    for (name, share) in [("--drop", args.drop), ("--flip", args.flip), ("--duplicate", args.duplicate)] {
        if !(0.0..=1.0).contains(&share) {
            return Err(Usage(format!("{name} takes a share from 0 to 1")).into());
        }
    }
    let noise_n = if args.exact { 0.0 } else { args.noise };
    Ok(Settings {
        serial: args.serial.clone(),
        interval_ns: args.interval_ns,
        channels: args.channels,
        rated_n: args.rated,
        zero_counts: if args.exact { 0 } else { Settings::default().zero_counts },
        errors: Errors {
            noise_n,
            drift_n_per_s: args.drift,
            hum_n: args.hum,
            average: args.average.clamp(1, 10_000),
        },
        seed: args.seed,
        version: args.speaks_version,
        faults: Faults {
            drop: args.drop,
            flip: args.flip,
            duplicate: args.duplicate,
            unplug_after_s: args.unplug_after,
            return_after_s: args.return_after,
            unplug_again: args.unplug_again,
            reset_after_s: args.reset_after,
            clock_drift_ppm: args.clock_drift,
        },
    })
}

fn source(args: &Args) -> anyhow::Result<Source> {
    if let Some(path) = &args.trace {
        let trace = analysis::trace::read_csv(path).map_err(advised)?;
        return Ok(if args.exact {
            Source::Exact(trace.force_n)
        } else {
            Source::Trace(trace.time_s, trace.force_n)
        });
    }
    if !(args.period > 0.0 && args.first >= 0.0 && args.contact >= 0.0) {
        return Err(Usage("--period must be positive, --first and --contact not negative".to_owned()).into());
    }
    let usual = Script::default();
    let efforts = if args.efforts.is_empty() { usual.efforts } else { args.efforts.clone() };
    let script = Script {
        efforts,
        first_s: args.first,
        period_s: args.period,
        contact_n: args.contact,
        repeat: args.repeat || args.seconds.is_some(),
    };
    Ok(Source::Hand(Hand::new(script, args.seed)))
}

struct Run<'a> {
    args: &'a Args,
    clock: SystemClock,
    sensor: Sensor,
    pty: Option<Pty>,
    pending: Vec<u8>,
    log: Option<File>,
    noise: fastrand::Rng,
    unplug_s: Option<f64>,
    return_ns: u64,
    reset_s: Option<f64>,
    ended_ns: Option<u64>,
    stopped_ns: Option<u64>,
}

impl<'a> Run<'a> {
    fn new(args: &'a Args) -> anyhow::Result<Self> {
        let clock = SystemClock;
        let sensor = Sensor::new(settings(args)?, source(args)?, clock.monotonic_ns());
        let mut run = Run {
            args,
            sensor: sensor.map_err(Usage)?,
            clock,
            pty: None,
            pending: Vec::new(),
            log: None,
            noise: fastrand::Rng::with_seed(args.seed),
            unplug_s: args.unplug_after,
            return_ns: 0,
            reset_s: args.reset_after,
            ended_ns: None,
            stopped_ns: None,
        };
        if let Some(path) = &args.log_counts {
            run.log = Some(File::create(path).with_context(|| format!("cannot write {}", path.display()))?);
            run.sensor.keep_log();
        }
        run.plug_in()?;
        Ok(run)
    }

    fn plug_in(&mut self) -> anyhow::Result<()> {
        let pty = Pty::open(self.args.link.as_deref()).context("cannot make a pseudo-terminal there")?;
        eprintln!("simulated sensor on {}", pty.path().display());
        self.pty = Some(pty);
        Ok(())
    }

    async fn run(mut self) -> anyhow::Result<Vec<Boot>> {
        let (mut interrupt, mut terminate) =
            (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let mut step = tokio::time::interval(STEP);
        step.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        loop {
            tokio::select! {
                _ = step.tick() => {}
                _ = interrupt.recv() => break,
                _ = terminate.recv() => break,
            }
            if self.step(self.clock.monotonic_ns())? {
                break;
            }
        }
        self.keep_log()?;
        Ok(self.sensor.boots().to_vec())
    }

    fn keep_log(&mut self) -> anyhow::Result<()> {
        let Some(log) = &mut self.log else { return Ok(()) };
        let bytes: Vec<u8> = self.sensor.take_log().iter().flat_map(|counts| counts.to_le_bytes()).collect();
        log.write_all(&bytes).context("cannot write the readings")
    }

    /// One look at the time; true when all is over.
    fn step(&mut self, now_ns: u64) -> anyhow::Result<bool> {
        self.listen(now_ns);
        if self.args.noise_only {
            let bytes: Vec<u8> = (0..20).map(|_| self.noise.u8(..)).collect();
            self.pty.as_ref().map(|pty| pty.write(&bytes));
            return Ok(false);
        }
        self.sensor.advance(now_ns);
        self.keep_log()?;
        self.cable(now_ns)?;
        self.transmit();
        self.restart(now_ns)?;
        Ok(self.is_over(now_ns))
    }

    fn listen(&mut self, now_ns: u64) {
        let mut buffer = [0; 4096];
        while let Some(pty) = &self.pty {
            let count = pty.read(&mut buffer);
            if count == 0 {
                break;
            }
            if !self.args.silent && !self.args.noise_only {
                self.sensor.receive(buffer.get(..count).unwrap_or_default(), now_ns);
            }
        }
    }

    /// Unplugs and plugs in.
    fn cable(&mut self, now_ns: u64) -> anyhow::Result<()> {
        let Some(now_s) = self.sensor.source_s(now_ns) else { return Ok(()) };
        if self.pty.is_some() && self.unplug_s.is_some_and(|at_s| now_s >= at_s) && !self.sensor.has_ended() {
            eprintln!("unplugged");
            (self.pty, self.pending) = (None, Vec::new());
            let faults = self.sensor.faults();
            self.return_ns = now_ns + (faults.return_after_s * 1e9) as u64;
            let again = faults.unplug_after_s.filter(|_| faults.unplug_again);
            self.unplug_s = again.map(|after_s| now_s + faults.return_after_s + after_s);
        } else if self.pty.is_none() && now_ns >= self.return_ns {
            if let Some(serial) = &self.args.returns_as {
                self.sensor.replace(serial, now_ns).map_err(Usage)?;
            }
            self.plug_in()?;
        }
        Ok(())
    }

    fn transmit(&mut self) {
        loop {
            if self.pending.is_empty()
                && (self.args.silent || !self.sensor.next_frame(self.pty.is_some(), &mut self.pending))
            {
                return;
            }
            let Some(pty) = &self.pty else {
                self.pending.clear();
                continue;
            };
            let written = pty.write(&self.pending);
            self.pending.drain(..written);
            if !self.pending.is_empty() {
                return; // the line is full: the board's own queue fills, and then it drops
            }
        }
    }

    /// The device's reset waits for a moment when nothing is under way: then the host can know exactly what is missing.
    fn restart(&mut self, now_ns: u64) -> anyhow::Result<()> {
        let due = self.reset_s.zip(self.sensor.source_s(now_ns)).is_some_and(|(at_s, now_s)| now_s >= at_s);
        if due && self.pending.is_empty() && self.pty.is_some() && self.sensor.is_at_frame_boundary() {
            eprintln!("reset");
            self.reset_s = None;
            self.sensor.reset(now_ns).map_err(Usage)?;
        }
        Ok(())
    }

    fn is_over(&mut self, now_ns: u64) -> bool {
        let over =
            self.args.seconds.zip(self.sensor.source_s(now_ns)).is_some_and(|(limit, now_s)| now_s >= limit);
        if over {
            self.sensor.end();
        }
        if self.sensor.is_stopped()
            && self.pending.is_empty()
            && !self.sensor.boots().is_empty()
            && self.stopped()
        {
            let stopped_ns = *self.stopped_ns.get_or_insert(now_ns);
            if let Some(pty) = &mut self.pty {
                pty.let_go();
                return pty.host_has_gone() || now_ns.saturating_sub(stopped_ns) > DRAIN_NS;
            }
            return true;
        }
        if self.sensor.has_ended() {
            let ended_ns = *self.ended_ns.get_or_insert(now_ns);
            return now_ns.saturating_sub(ended_ns) > WAIT_NS;
        }
        false
    }

    /// The host stopped a stream of which at least one sample was converted (at first it clears an older stream).
    fn stopped(&self) -> bool {
        self.sensor.boots().last().is_some_and(|boot| boot.produced_samples > 0)
    }
}
