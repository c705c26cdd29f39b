//! `fingerforced record`: one visit from the terminal.
//!
//! The shell around a [`Session`]: opens the port and the data folder, keeps the time, hears signals and keys, and tells
//! the examiner. What is recorded is decided in the core.

use super::start::{self, Start};
use crate::clock::{Clock, SystemClock};
use crate::core::Said;
use crate::data_folder::{self, DataFolder};
use crate::health::Health;
use crate::journal::{JournalError, SystemDisk};
use crate::pipeline::{Output, SensorIdentity};
use crate::port::handover::{CAPACITY_BYTES, Handover};
use crate::port::open::Serial;
use crate::port::profile::Profile;
use crate::port::reader::Reader;
use crate::port::{DEFAULT_BAUD, Port as _};
use crate::sensors::{self, Known};
use crate::session::{Cable, Session, TICK_NS};
use crate::terminal::Terminal;
use crate::visit::action::Examiner;
use crate::visit::gate::Clearance;
use crate::visit::plan::{Plan, builtin};
use analysis::console::{Hint, Usage, advised};
use analysis::trial::Side;
use anyhow::Context;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// What of the disk stays free for sealing where nobody says otherwise, MiB.
const KEEP_FREE_MIB: u64 = 256;

/// Record one visit from the terminal
///
/// Examples:
///   fingerforced record --port /dev/serial/by-id/usb-… --plan plan.toml --participant P014
///   fingerforced record --port /tmp/sensor --seconds 30
#[derive(Debug, Clone, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The serial port (or a link to one) [default: the one with a sensor seen before]
    #[arg(long)]
    pub port: Option<String>,
    /// Speed of the port
    #[arg(long, default_value_t = DEFAULT_BAUD)]
    pub baud: u32,
    /// The sensor prints lines of numbers: what they mean (TOML; `fingerforced ports` proposes one)
    #[arg(long, value_name = "FILE.toml")]
    pub profile: Option<PathBuf>,
    /// What is to be tested: a TOML file, or a plan that is built in (`fingerforced plans` lists them); without one
    /// everything is recorded and no trial is named
    #[arg(long)]
    pub plan: Option<PathBuf>,
    /// An answer to the gate of an examination, asked where it is missing: side (and digit), none, active, make or
    /// break, pain, and where there was an operation since when and cleared by whom, as in "left index make pain 2 since
    /// 2026-01-03 cleared surgeon"; repeatable
    #[arg(long, value_name = "ANSWER", value_parser = Clearance::parse)]
    pub allow: Vec<Clearance>,
    /// The involved side, left or right: the other one is tested first
    #[arg(long, value_name = "SIDE")]
    pub involved: Option<Side>,
    /// Participant's code: letters, digits, - and _; never a name
    #[arg(long, default_value = "")]
    pub participant: String,
    /// Examiner's code
    #[arg(long, default_value = "")]
    pub examiner: String,
    /// Version of the consent form that the participant signed: a research plan asks for it
    #[arg(long, requires = "consent_date")]
    pub consent_version: Option<String>,
    /// When they signed it, YYYY-MM-DD
    #[arg(long, requires = "consent_version")]
    pub consent_date: Option<String>,
    /// Go on with an interrupted visit: the one that waits, or the one in this folder (--resume=FOLDER)
    #[arg(long, num_args = 0..=1, require_equals = true, value_name = "FOLDER",
        conflicts_with_all = ["plan", "involved", "participant", "examiner", "consent_version"])]
    pub resume: Option<Option<PathBuf>>,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// End after this many seconds of samples
    #[arg(long)]
    pub seconds: Option<f64>,
    /// Stop while this much of the disk is still free, MiB (or three times the journal, where that is more): sealing
    /// needs room
    #[arg(long, value_name = "MIB", default_value_t = KEEP_FREE_MIB)]
    pub keep_free: u64,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
    /// Do not seal at the end: leave the journal for `fingerforced recover`
    #[arg(long)]
    pub no_seal: bool,
}

impl Args {
    /// What a recording without a plan takes by itself.
    pub(super) fn plain() -> Args {
        Args {
            port: None,
            baud: DEFAULT_BAUD,
            profile: None,
            plan: None,
            allow: Vec::new(),
            involved: None,
            participant: String::new(),
            examiner: String::new(),
            consent_version: None,
            consent_date: None,
            resume: None,
            data: None,
            seconds: None,
            keep_free: KEEP_FREE_MIB,
            json: false,
            no_seal: false,
        }
    }
}

/// A visit that was recorded.
#[derive(Debug)]
pub struct Recorded {
    /// Its folder.
    pub folder: PathBuf,
    /// Why it ended.
    pub reason: String,
    /// What ended it, where that was not asked for. What was recorded before is there all the same.
    pub failure: Option<anyhow::Error>,
    /// What was counted.
    pub health: Health,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let recorded = record(args)?;
    let sealed = if args.no_seal {
        Ok(analysis::console::result(&format!("journal: {}\n", recorded.folder.display()))?)
    } else {
        super::seal_in_child(&recorded.folder, args.json.then_some(&recorded.health))
    };
    match (recorded.failure, sealed) {
        (None, sealed) => sealed,
        (Some(failure), Ok(())) => Err(failure),
        // What ended the recording is told last, where it is looked for; it may well be why there is no recording.
        (Some(failure), Err(unsealed)) => {
            analysis::console::report(&unsealed);
            Err(failure)
        }
    }
}

/// Records a visit; returns when its journal is complete.
pub fn record(args: &Args) -> anyhow::Result<Recorded> {
    let plan = read_plan(args)?;
    for (what, code) in [("participant", &args.participant), ("examiner", &args.examiner)] {
        analysis::code::check(what, code).map_err(|error| Usage(error.to_string()))?;
    }
    if args.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds < 1e7)) {
        return Err(Usage("--seconds takes a positive number".to_owned()).into());
    }
    let consent = if args.resume.is_some() {
        String::new()
    } else {
        start::consent(args, plan.as_ref(), SystemClock.utc_ns())?
    };
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut shell = Shell::open(args, plan, consent, super::keys::listen())?;
        let ended = shell.run(args.seconds).await;
        shell.close(ended)
    })
}

/// The port with a sensor seen before. Ports of which nothing is known are not written to.
fn known_port(data: Option<&Path>) -> anyhow::Result<String> {
    let data = data.map_or_else(data_folder::default_path, |path| Ok(path.to_owned())).map_err(advised)?;
    let known = sensors::all(&SystemDisk, &data).map_err(advised)?;
    let ports = crate::port::find::find()?;
    let hint = Hint::new("name it with --port; `fingerforced ports` lists them");
    match sensors::present(&known, &ports)[..] {
        [port] => Ok(port.best_name().to_owned()),
        [] => {
            Err(anyhow::anyhow!("no sensor seen before is plugged in ({} known)", known.len()).context(hint))
        }
        [..] => Err(anyhow::anyhow!("more than one sensor seen before is plugged in").context(hint)),
    }
}

fn read_profile(path: &Path) -> anyhow::Result<Profile> {
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("cannot read the profile {}", path.display()))?;
    Profile::parse(&text).map_err(|why| {
        anyhow::anyhow!("profile {}: {why}", path.display()).context(Hint::new(
            "`fingerforced ports` proposes a profile from what it hears; README.md has the keys",
        ))
    })
}

/// The plan in the order in which it is run; whoever sits down to it is told how long it will take.
fn read_plan(args: &Args) -> anyhow::Result<Option<Plan>> {
    let Some(path) = args.plan.as_deref() else { return Ok(None) };
    let built_in = path.to_str().and_then(builtin::text).filter(|_| !path.exists());
    let text = match built_in {
        Some(text) => text.to_owned(),
        None => std::fs::read_to_string(path)
            .with_context(|| format!("cannot read the plan {}", path.display()))
            .map_err(|error| {
                let hint = format!("give the path of a TOML file, or one of: {}", builtin::names());
                error.context(Hint::new(hint))
            })?,
    };
    let mut plan = Plan::parse(&text).map_err(|error| {
        anyhow::anyhow!("plan {}: {}", path.display(), error.to_string().trim().replace('\n', " | ")).context(
            Hint::new("`fingerforced plans NAME` prints a plan to begin from; README.md has the keys"),
        )
    })?;
    plan.involved_side = args.involved.or(plan.involved_side);
    // A seed of the system's own random numbers; it is kept with the plan.
    let plan = plan.arrange(uuid::Uuid::new_v4().as_fields().0);
    tracing::debug!(seed = plan.seed, "the plan is arranged");
    if !args.json {
        // A closed stderr is no reason not to record.
        let _ = writeln!(
            std::io::stderr(),
            "{}\n{}: {}",
            analysis::cautions::CAUTIONS,
            plan.title,
            plan.duration()
        );
    }
    Ok(Some(plan))
}

/// Why a recording ends.
pub(super) enum End {
    /// As planned or asked for.
    Properly(String),
    /// It cannot go on.
    Failed(anyhow::Error),
    /// Asked twice to end at once: what is left is for `recover`.
    AtOnce,
}

/// The port by its name, with the thread that reads it.
struct SerialCable {
    name: String,
    baud: u32,
    profile: Option<Profile>,
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    /// Opened already, when it was looked at first.
    waiting: Option<Serial>,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
}

impl Cable for SerialCable {
    fn detail(&self) -> String {
        let mut detail = serde_json::json!({ "name": self.name, "baud": self.baud });
        if let Some(profile) = &self.profile {
            detail["profile"] = serde_json::to_value(profile).unwrap_or_default();
        }
        detail.to_string()
    }

    fn open(&mut self) -> io::Result<()> {
        let port = match self.waiting.take() {
            Some(port) => port,
            None => crate::port::open(&self.name, self.baud).map_err(io::Error::other)?,
        };
        self.writer = Some(port.writer()?);
        if let Some(start) = self.profile.as_ref().and_then(|profile| profile.start.clone()) {
            self.write(start.as_bytes())?;
        }
        let (clock, handover) = (Arc::clone(&self.clock), Arc::clone(&self.handover));
        self.reader = Some(Reader::start(0, Box::new(port), clock, handover)?);
        Ok(())
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        let writer = self.writer.as_mut().ok_or(io::ErrorKind::NotConnected)?;
        writer.write_all(bytes)?;
        writer.flush()
    }

    fn close(&mut self) {
        self.writer = None;
        if let Some(reader) = self.reader.take() {
            reader.stop();
        }
    }
}

pub(super) struct Shell {
    pub(super) session: Session,
    pub(super) handover: Arc<Handover>,
    pub(super) clock: Arc<dyn Clock>,
    folder: PathBuf,
    pub(super) data: DataFolder,
    is_new: bool,
    health: Health,
    _visit: data_folder::Lock,
    name: String,
    terminal: Terminal,
    pub(super) signals: (Signal, Signal),
    pub(super) actions: tokio::sync::mpsc::Receiver<String>,
}

impl Shell {
    /// Everything that can be refused is refused before anything is written.
    pub(super) fn open(
        args: &Args,
        plan: Option<Plan>,
        consent: String,
        actions: tokio::sync::mpsc::Receiver<String>,
    ) -> anyhow::Result<Shell> {
        let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let handover = Handover::new(CAPACITY_BYTES);
        let name = match &args.port {
            Some(name) => name.clone(),
            None => known_port(args.data.as_deref())?,
        };
        let profile = args.profile.as_deref().map(read_profile).transpose()?;
        let baud = profile.as_ref().map_or(args.baud, |profile| profile.baud);
        let port = crate::port::open(&name, baud).map_err(advised)?;
        let data = DataFolder::open(args.data.as_deref()).map_err(advised)?;
        super::check::warn(data.path());
        crate::erase::complete_begun(&data).map_err(advised)?;
        super::recover::seal_abandoned(data.path(), SystemClock.utc_ns())?;
        let Start { folder, lock, recorder, clock, first, is_new } = match &args.resume {
            None => start::new(args, plan, consent, &data)?,
            Some(which) => start::resumed(args, which.as_deref(), &data)?,
        };
        let cable = SerialCable {
            name: name.clone(),
            baud,
            profile,
            clock: Arc::clone(&clock),
            handover: Arc::clone(&handover),
            waiting: Some(port),
            reader: None,
            writer: None,
        };
        let (hands, clocks) = (Arc::clone(&handover), Arc::clone(&clock));
        let mut shell = Shell {
            session: Session::on(clocks, hands, recorder, Box::new(cable), first).map_err(advised)?,
            handover,
            clock,
            folder,
            data,
            is_new,
            health: Health::default(),
            _visit: lock,
            name,
            terminal: Terminal::new(args.json),
            signals,
            actions,
        };
        for answer in &args.allow {
            shell.session.act(Examiner::Allow(answer.clone()).to_json())?;
        }
        Ok(shell)
    }

    /// Moves everything forward until there is a reason to end.
    async fn run(&mut self, seconds: Option<f64>) -> End {
        let mut tick = tokio::time::interval(Duration::from_nanos(TICK_NS));
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let handover = Arc::clone(&self.handover);
        loop {
            let mut signalled = None;
            let mut happened = Ok(());
            tokio::select! {
                () = handover.ready() => {}
                _ = tick.tick() => happened = self.tick(),
                _ = self.signals.0.recv() => signalled = Some("interrupted"),
                _ = self.signals.1.recv() => signalled = Some("terminated"),
                Some(action) = self.actions.recv() => happened = self.session.act(action),
            }
            if let Err(error) = happened.and_then(|()| self.session.drain()) {
                return End::Failed(advised(error));
            }
            self.tell();
            if let Some(failed) = self.refused() {
                return End::Failed(failed);
            }
            if signalled.is_some() && self.session.is_ending() {
                return End::AtOnce;
            }
            let reason = signalled.or_else(|| self.over(seconds)).filter(|_| !self.session.is_ending());
            if let Some(Err(error)) = reason.map(|reason| self.session.stop(reason)) {
                return End::Failed(advised(error));
            }
            if let Some(reason) = self.session.ended() {
                return End::Properly(reason.to_owned());
            }
        }
    }

    /// Why it is over, if it is.
    fn over(&self, seconds: Option<f64>) -> Option<&'static str> {
        if self.session.recorder().core().is_finished() {
            return Some("plan finished");
        }
        let (since_ns, seconds) = self.session.flowing_for_ns().zip(seconds)?;
        (since_ns as f64 >= seconds * 1e9).then_some("time over")
    }

    fn tick(&mut self) -> Result<(), JournalError> {
        self.session.tick()?;
        self.tell();
        let now_ns = self.clock.monotonic_ns();
        let faults = self.session.recorder().core().faults();
        let sync_age_ns = self.session.recorder().journal().progress().sync_age_ns(now_ns);
        self.terminal.tick(now_ns, &faults, sync_age_ns);
        Ok(())
    }

    /// The examiner sees what the core said.
    fn tell(&mut self) {
        for said in std::mem::take(&mut self.session.said) {
            self.show(&said);
        }
    }

    /// Something that the core said is remembered, counted and shown.
    pub(super) fn show(&mut self, said: &Said) {
        match said {
            Said::Pipeline(Output::Identified { identity, .. }) => self.remember(identity),
            Said::Pipeline(Output::Calibrated(_, of)) => {
                super::calibrate::warn_expired(of, self.clock.utc_ns());
            }
            _ => {}
        }
        self.health.hear(said);
        self.terminal.hear(said, &self.name);
    }

    /// Why the sensor cannot be used, before it has sent anything.
    pub(super) fn refused(&mut self) -> Option<anyhow::Error> {
        self.terminal.refusal.take().filter(|_| self.session.flowing_for_ns().is_none())
    }

    /// So that it is found without being named next time.
    fn remember(&self, identity: &SensorIdentity) {
        let ports = crate::port::find::find().unwrap_or_default();
        let resolved = Path::new(&self.name).canonicalize().unwrap_or_default();
        let port = ports.iter().find(|port| Path::new(&port.name) == resolved);
        let (usb, seen) = (port.and_then(|port| port.usb.as_ref()), super::rfc3339(self.clock.utc_ns()));
        let known = Known::new(identity, &self.name, usb, seen);
        if let Err(error) = sensors::remember(&**self.data.disk(), self.data.path(), &known) {
            tracing::warn!(%error, "this sensor could not be noted: name its port next time");
        }
    }

    pub(super) fn close(self, end: End) -> anyhow::Result<Recorded> {
        let Shell { session, mut terminal, mut health, folder, data, name, is_new, clock, .. } = self;
        let progress = session.recorder().journal().progress();
        let faults = session.recorder().core().faults();
        terminal.end();
        match end {
            End::Properly(reason) => {
                for said in session.finish(&reason).map_err(advised)? {
                    health.hear(&said);
                    terminal.hear(&said, &name);
                }
                terminal.end();
                let health = health.with(faults, &progress, clock.monotonic_ns());
                Ok(Recorded { folder, reason, failure: None, health })
            }
            End::AtOnce => anyhow::bail!(
                anyhow::anyhow!("stopped at once; the journal is in {}", folder.display())
                    .context(Hint::new(format!("fingerforced recover {}", folder.display())))
            ),
            End::Failed(error) if !session.is_identified() && is_new => {
                // Not one sample: a folder with nothing in it would only be in the way.
                drop(session);
                data_folder::discard(&**data.disk(), &folder).map_err(advised)?;
                Err(error)
            }
            End::Failed(error) => {
                let reason = format!("failed: {error:#}");
                session.give_up(&reason);
                let kept = format!("recording ended early; what was recorded is in {}", folder.display());
                let health = health.with(faults, &progress, clock.monotonic_ns());
                Ok(Recorded { folder, reason, failure: Some(error.context(kept)), health })
            }
        }
    }
}
