//! `fingerforced record`: one visit from the terminal.
//!
//! The shell around a [`Session`]: opens the port and the data folder, keeps the time, hears signals and keys, and tells
//! the examiner. What is recorded is decided in the core.

use super::keys::{self, Keys};
use super::start::{self, Start};
use crate::clock::{Clock, SystemClock};
use crate::core::Said;
use crate::data_folder::{self, DataFolder};
use crate::health::Health;
use crate::journal::{JournalError, SystemDisk};
use crate::participant;
use crate::pipeline::{Output, SensorIdentity};
use crate::port::handover::{CAPACITY_BYTES, Handover};
use crate::port::open::Serial;
use crate::port::reader::Reader;
use crate::port::{DEFAULT_BAUD, Port as _};
use crate::practice::{self, Target};
use crate::sensors::{self, Known};
use crate::session::{Cable, Session, TICK_NS};
use crate::terminal::Terminal;
use crate::typing::Typed;
use crate::visit::action::Examiner;
use crate::visit::engine::{Stage, Visit};
use crate::visit::gate::Clearance;
use crate::visit::plan::{Item, Plan, Procedure, Sees, builtin};
use analysis::console::{Hint, Usage, advised};
use analysis::recording::layout::TrialRow;
use analysis::trial::Side;
use anyhow::Context;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

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
    /// Who can see this terminal: what the plan hides from them is not shown
    #[arg(long, value_enum, default_value_t)]
    pub screen: Screen,
    /// Participant's code: letters, digits, - and _; never a name
    #[arg(long, default_value = "")]
    pub participant: String,
    /// What else is known of the participant, NAME=VALUE: age (years), sex, dominant (left, right, both), condition,
    /// weeks-since (injury or surgery), hand-length (mm), protocol; repeatable
    #[arg(long, value_name = "NAME=VALUE", value_parser = participant::field)]
    pub about: Vec<(String, String)>,
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
        conflicts_with_all = ["plan", "involved", "participant", "about", "examiner", "consent_version"])]
    pub resume: Option<Option<PathBuf>>,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// End after this many seconds of samples
    #[arg(long)]
    pub seconds: Option<f64>,
    /// Stop while this much of the disk is still free, MiB (or three times the journal, where that is more): sealing
    /// needs room
    #[arg(long, value_name = "MIB", default_value_t = 256)]
    pub keep_free: u64,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
    /// Do not seal at the end: leave the journal for `fingerforced recover`
    #[arg(long)]
    pub no_seal: bool,
    /// A practice: its pulls are told, and it ends with the last.
    #[arg(skip)]
    pub practice: Option<Target>,
}

/// Who can see the terminal.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Screen {
    /// The examiner.
    #[default]
    Examiner,
    /// The participant.
    Participant,
    /// Both.
    Both,
}

/// The plan's items by name, with what is shown of the force at each.
fn shown(visit: &Visit, screen: Screen) -> Vec<(String, Sees)> {
    let items = (1..).map_while(|number| visit.item(number));
    let sees = |item: &Item| match screen {
        Screen::Examiner => item.examiner_sees,
        Screen::Participant => item.participant_sees,
        Screen::Both => item.examiner_sees.and(item.participant_sees),
    };
    items.map(|item| (item.name(), sees(item))).collect()
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
    /// Loading rates of a practice's pulls, N/s.
    pub rates_n_per_s: Vec<f64>,
    /// The sensor's serial number.
    pub sensor: String,
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
        let mut shell = Shell::open(args, plan, consent)?;
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

/// A terminal that takes nothing for so many ticks (half a second) warns nobody.
const BEHIND_TICKS: u32 = 5;

/// The terminal can warn, or cannot.
fn warner(able: bool) -> String {
    Examiner::Warner { able, by: "terminal".to_owned() }.to_json()
}

/// Why a recording ends.
enum End {
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
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    /// Opened already, when it was looked at first.
    waiting: Option<Serial>,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
}

impl Cable for SerialCable {
    fn detail(&self) -> String {
        serde_json::json!({ "name": self.name, "baud": self.baud }).to_string()
    }

    fn open(&mut self) -> io::Result<()> {
        let port = match self.waiting.take() {
            Some(port) => port,
            None => crate::port::open(&self.name, self.baud).map_err(io::Error::other)?,
        };
        self.writer = Some(port.writer()?);
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

struct Shell {
    session: Session,
    handover: Arc<Handover>,
    clock: Arc<dyn Clock>,
    folder: PathBuf,
    data: DataFolder,
    is_new: bool,
    health: Health,
    _visit: data_folder::Lock,
    name: String,
    terminal: Terminal,
    signals: (Signal, Signal),
    keys: Keys,
    /// For how many ticks the terminal has taken nothing.
    behind: u32,
    practice: Option<Target>,
    rates_n_per_s: Vec<f64>,
    sensor: String,
}

impl Shell {
    /// Everything that can be refused is refused before anything is written.
    fn open(args: &Args, plan: Option<Plan>, consent: String) -> anyhow::Result<Shell> {
        let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let handover = Handover::new(CAPACITY_BYTES);
        let name = match &args.port {
            Some(name) => name.clone(),
            None => known_port(args.data.as_deref())?,
        };
        let port = crate::port::open(&name, args.baud).map_err(advised)?;
        let data = DataFolder::open(args.data.as_deref()).map_err(advised)?;
        super::check::warn(data.path());
        crate::erase::complete_begun(&data).map_err(advised)?;
        super::recover::seal_abandoned(data.path(), SystemClock.utc_ns())?;
        let examined = plan.as_ref().is_some_and(|plan| plan.procedure == Procedure::Examined);
        let practised = if examined && !args.examiner.is_empty() {
            Some(
                practice::told(&**data.disk(), data.path(), &args.examiner, SystemClock.utc_ns())
                    .map_err(advised)?,
            )
        } else {
            None
        };
        let Start { folder, lock, recorder, clock, first, is_new } = match &args.resume {
            None => start::new(args, plan, consent, &data)?,
            Some(which) => start::resumed(args, which.as_deref(), &data)?,
        };
        let cable = SerialCable {
            name: name.clone(),
            baud: args.baud,
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
            keys: super::keys::listen(),
            behind: 0,
            practice: args.practice,
            rates_n_per_s: Vec::new(),
            sensor: String::new(),
        };
        shell.terminal.plan(shown(shell.session.recorder().core().visit(), args.screen));
        shell.session.act(warner(true))?;
        if let Some(practised) = practised {
            let scale = String::new();
            let seen =
                Examiner::Observe { kind: "practice".to_owned(), value: practised, scale, muscle: None };
            shell.session.act(seen.to_json())?;
        }
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
                Some(read) = self.keys.read.recv() => happened = self.typed(&read),
            }
            if let Err(error) = happened.and_then(|()| self.session.drain()) {
                return End::Failed(advised(error));
            }
            self.tell();
            if let Some(failed) =
                self.terminal.refusal.take().filter(|_| self.session.flowing_for_ns().is_none())
            {
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
        if self.practice.is_some_and(|target| self.rates_n_per_s.len() >= target.pulls) {
            return Some("practice done");
        }
        let (since_ns, seconds) = self.session.flowing_for_ns().zip(seconds)?;
        (since_ns as f64 >= seconds * 1e9).then_some("time over")
    }

    /// A terminal that takes nothing warns nobody: the visit is told so, and when it takes something again.
    fn watch_terminal(&mut self) -> Result<(), JournalError> {
        let before = self.behind < BEHIND_TICKS;
        self.behind = if crate::stderr::is_behind() { self.behind.saturating_add(1) } else { 0 };
        let able = self.behind < BEHIND_TICKS;
        if able == before { Ok(()) } else { self.session.act(warner(able)) }
    }

    fn is_loaded(&self) -> bool {
        matches!(self.session.recorder().core().visit().stage(), Stage::Pull { .. })
    }

    fn typed(&mut self, read: &[u8]) -> Result<(), JournalError> {
        let (now_ns, loaded) = (self.clock.monotonic_ns(), self.is_loaded());
        for typed in self.keys.typing.hear(read, now_ns, loaded) {
            self.meant(&typed)?;
        }
        self.terminal.typed(self.keys.typing.line());
        Ok(())
    }

    fn meant(&mut self, typed: &Typed) -> Result<(), JournalError> {
        match keys::action(typed) {
            Ok(action) => self.session.act(action),
            Err(why) => {
                self.terminal.line(&why);
                Ok(())
            }
        }
    }

    fn tick(&mut self) -> Result<(), JournalError> {
        self.session.tick()?;
        self.tell();
        self.watch_terminal()?;
        let now_ns = self.clock.monotonic_ns();
        if let Some(typed) = self.keys.typing.tick(now_ns, self.is_loaded()) {
            self.meant(&typed)?;
        }
        let faults = self.session.recorder().core().faults();
        let sync_age_ns = self.session.recorder().journal().progress().sync_age_ns(now_ns);
        self.terminal.tick(now_ns, &faults, sync_age_ns);
        Ok(())
    }

    /// The examiner sees what the core said.
    fn tell(&mut self) {
        for said in std::mem::take(&mut self.session.said) {
            if let Said::Pipeline(Output::Identified { identity, .. }) = &said {
                self.remember(identity);
                identity.serial.clone_into(&mut self.sensor);
            }
            if let (Said::Trial(row), Some(target)) = (&said, self.practice) {
                self.practise(row, &target);
                continue;
            }
            self.health.hear(&said);
            self.terminal.hear(&said, &self.name);
        }
    }

    fn practise(&mut self, row: &TrialRow, target: &Target) {
        let Some(rate) = practice::rate_n_per_s(row).filter(|_| self.rates_n_per_s.len() < target.pulls)
        else {
            return;
        };
        self.rates_n_per_s.push(rate);
        let number = self.rates_n_per_s.len();
        self.terminal.line(&format!("pull {number} of {}: {}", target.pulls, target.judged(rate)));
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

    fn close(self, end: End) -> anyhow::Result<Recorded> {
        let Shell { session, mut terminal, mut health, folder, data, name, is_new, clock, .. } = self;
        let (rates_n_per_s, sensor) = (self.rates_n_per_s, self.sensor);
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
                Ok(Recorded { folder, reason, failure: None, health, rates_n_per_s, sensor })
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
                let failure = Some(error.context(kept));
                Ok(Recorded { folder, reason, failure, health, rates_n_per_s, sensor })
            }
        }
    }
}
