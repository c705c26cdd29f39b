//! `fingerforced record`: one visit from the terminal.
//!
//! The shell around the core: opens the port, moves what the reader thread hands over into the journal, keeps the time,
//! writes what the core wants sent, and tells the examiner. What is recorded is decided in the core.

use crate::clock::{Clock, SystemClock};
use crate::core::{Begun, Core, Said};
use crate::data_folder::{self, DataFolder};
use crate::journal::{JournalError, Options, Record, SystemDisk, Writer};
use crate::pipeline::{Action, LinkState, Output};
use crate::port::handover::{CAPACITY_BYTES, Handover, Item, Reason};
use crate::port::reader::Reader;
use crate::port::{DEFAULT_BAUD, Port as _};
use crate::recorder::Recorder;
use crate::terminal::Terminal;
use crate::visit::action::Examiner;
use crate::visit::gate::Clearance;
use crate::visit::plan::{Plan, builtin};
use analysis::console::{Hint, Usage, advised};
use analysis::trial::Side;
use anyhow::Context;
use std::io::Write;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::signal::unix::{Signal, SignalKind, signal};

/// Time passes for the core in steps of this.
const TICK: Duration = Duration::from_millis(100);
/// Host clocks are read together this often.
const ANCHOR_NS: u64 = 60_000_000_000;
/// A port that is gone is looked for this often.
const REOPEN_NS: u64 = 250_000_000;

/// Record one visit from the terminal
///
/// Examples:
///   fingerforced record --port /dev/serial/by-id/usb-… --plan plan.toml --participant P014
///   fingerforced record --port /tmp/sensor --seconds 30
#[derive(Debug, Clone, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The serial port (or a link to one)
    #[arg(long)]
    pub port: String,
    /// Speed of the port
    #[arg(long, default_value_t = DEFAULT_BAUD)]
    pub baud: u32,
    /// What is to be tested: a TOML file, or a plan that is built in (`fingerforced plans` lists them); without one
    /// everything is recorded and no trial is named
    #[arg(long)]
    pub plan: Option<PathBuf>,
    /// An answer to the gate of an examination, asked where it is missing: SIDE [DIGIT] none|active|make|break pain 0-10
    /// [since DATE] [cleared BY WHOM]; repeatable
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
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let recorded = record(args)?;
    if args.no_seal {
        analysis::console::result(&format!("journal: {}\n", recorded.folder.display()))?;
    } else {
        super::seal_in_child(&recorded.folder, args.json)?;
    }
    recorded.failure.map_or(Ok(()), Err)
}

/// Records a visit; returns when its journal is complete.
pub fn record(args: &Args) -> anyhow::Result<Recorded> {
    let plan = read_plan(args)?;
    for (what, code) in [("participant", &args.participant), ("examiner", &args.examiner)] {
        check_code(what, code)?;
    }
    if args.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds < 1e7)) {
        return Err(Usage("--seconds takes a positive number".to_owned()).into());
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut shell = Shell::open(args, plan)?;
        let ended = shell.run(args.seconds).await;
        shell.close(ended)
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

/// Codes stand in files; whatever could be a name, a path or a terminal command is refused.
fn check_code(what: &str, code: &str) -> anyhow::Result<()> {
    let allowed = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    let digits = code.chars().any(|c| c.is_ascii_digit());
    if code.is_empty() || (code.len() <= 32 && code.chars().all(allowed) && digits) {
        return Ok(());
    }
    Err(Usage(format!(
        "`{}` is no {what} code: use up to 32 letters, digits, - and _, with at least one digit (P014), never a name",
        analysis::console::clean(code)
    ))
    .into())
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

struct Shell {
    clock: Arc<dyn Clock>,
    handover: Arc<Handover>,
    recorder: Recorder,
    folder: PathBuf,
    _data: DataFolder,
    _visit: data_folder::Lock,
    name: String,
    baud: u32,
    reader: Option<Reader>,
    writer: Option<Box<dyn Write + Send>>,
    reopen_ns: u64,
    anchored_ns: u64,
    flowing_ns: Option<u64>,
    identified: bool,
    stopped: bool,
    ending: Option<String>,
    heard: Vec<Said>,
    outgoing: Vec<Vec<u8>>,
    terminal: Terminal,
    signals: (Signal, Signal),
    actions: tokio::sync::mpsc::Receiver<String>,
}

impl Shell {
    /// Everything that can be refused is refused before anything is written.
    fn open(args: &Args, plan: Option<Plan>) -> anyhow::Result<Shell> {
        let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let clock: Arc<dyn Clock> = Arc::new(SystemClock);
        let handover = Handover::new(CAPACITY_BYTES);
        let port = crate::port::open(&args.port, args.baud).map_err(advised)?;
        let writer = port.writer()?;
        let data = DataFolder::open(args.data.as_deref()).map_err(advised)?;
        super::recover::seal_abandoned(data.path(), clock.utc_ns())?;
        let (id, anchor) = (uuid::Uuid::new_v4(), clock.anchor());
        let (folder, visit) = data.new_visit(id, anchor.utc_ns).map_err(advised)?;
        let software = concat!("finger-force ", env!("CARGO_PKG_VERSION"));
        let disk = SystemDisk::shared();
        let options = Options { reserve_bytes: args.keep_free.saturating_mul(1 << 20), ..Options::default() };
        let journal = Writer::create(disk, &folder, id, software, options).map_err(|error| {
            // Nothing begins, so nothing stays; a folder that cannot be removed is only empty.
            let _ = data_folder::discard(&folder);
            advised(error)
        })?;
        let begun = Begun {
            visit_id: id.to_string(),
            participant: args.participant.clone(),
            examiner: args.examiner.clone(),
            plan: plan.as_ref().map(Plan::to_toml).unwrap_or_default(),
            software: software.to_owned(),
            started_utc: super::rfc3339(anchor.utc_ns),
            utc_offset: super::utc_offset(anchor.utc_ns),
        };
        let reader = Reader::start(0, Box::new(port), Arc::clone(&clock), Arc::clone(&handover))?;
        let mut shell = Shell {
            recorder: Recorder::new(journal, Core::new(plan)),
            anchored_ns: anchor.monotonic_ns,
            reopen_ns: anchor.monotonic_ns,
            clock,
            handover,
            folder,
            _data: data,
            _visit: visit,
            name: args.port.clone(),
            baud: args.baud,
            reader: Some(reader),
            writer: Some(writer),
            flowing_ns: None,
            identified: false,
            stopped: false,
            ending: None,
            heard: Vec::new(),
            outgoing: Vec::new(),
            terminal: Terminal::new(args.json),
            signals,
            actions: super::keys::listen(),
        };
        let at = anchor.monotonic_ns;
        shell.put(at, Record::Begun(serde_json::to_string(&begun)?))?;
        shell.put(at, Record::Anchor(anchor))?;
        shell.opened()?;
        for answer in &args.allow {
            shell.put(at, Record::Action(Examiner::Allow(answer.clone()).to_json()))?;
        }
        Ok(shell)
    }

    fn put(&mut self, monotonic_ns: u64, record: Record) -> Result<(), JournalError> {
        let mut heard = std::mem::take(&mut self.heard);
        let done = self.recorder.put(monotonic_ns, record, &mut heard);
        for said in heard.drain(..) {
            self.hear(said);
        }
        self.heard = heard;
        done?;
        self.send_waiting()
    }

    fn opened(&mut self) -> Result<(), JournalError> {
        let detail = serde_json::json!({ "name": self.name, "baud": self.baud }).to_string();
        self.put(self.clock.monotonic_ns(), Record::Opened { port: 0, detail })
    }

    /// Moves everything forward until there is a reason to end.
    async fn run(&mut self, seconds: Option<f64>) -> End {
        let mut tick = tokio::time::interval(TICK);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let handover = Arc::clone(&self.handover);
        loop {
            let mut action = None;
            tokio::select! {
                () = handover.ready() => {}
                _ = tick.tick() => {
                    if let Err(error) = self.tick() {
                        return End::Failed(advised(error));
                    }
                }
                _ = self.signals.0.recv() => action = Some("interrupted"),
                _ = self.signals.1.recv() => action = Some("terminated"),
                Some(text) = self.actions.recv() => {
                    if let Err(error) = self.put(self.clock.monotonic_ns(), Record::Action(text)) {
                        return End::Failed(advised(error));
                    }
                }
            }
            if let Err(error) = self.drain() {
                return End::Failed(advised(error));
            }
            if let Some(failed) = self.terminal.refusal.take().filter(|_| self.flowing_ns.is_none()) {
                return End::Failed(failed);
            }
            let over = self.flowing_ns.zip(seconds).is_some_and(|(since_ns, seconds)| {
                self.clock.monotonic_ns().saturating_sub(since_ns) as f64 >= seconds * 1e9
            });
            let reason = action.map(str::to_owned).or_else(|| {
                if self.recorder.core().is_finished() {
                    Some("plan finished".to_owned())
                } else {
                    over.then(|| "time over".to_owned())
                }
            });
            match (reason, &self.ending) {
                (Some(_), Some(_)) if action.is_some() => return End::AtOnce,
                (Some(reason), None) => {
                    if let Err(error) = self.stop(reason) {
                        return End::Failed(advised(error));
                    }
                }
                _ => {}
            }
            if let (true, Some(reason)) = (self.stopped, &self.ending) {
                return End::Properly(reason.clone());
            }
        }
    }

    fn stop(&mut self, reason: String) -> Result<(), JournalError> {
        self.ending = Some(reason.clone());
        let text = serde_json::to_string(&Action::Stop { reason }).unwrap_or_default();
        self.put(self.clock.monotonic_ns(), Record::Action(text))
    }

    /// What the reader thread has handed over goes into the journal.
    fn drain(&mut self) -> Result<(), JournalError> {
        for item in self.handover.take() {
            match item {
                Item::Chunk { port, monotonic_ns, bytes } => {
                    self.put(monotonic_ns, Record::Bytes { port, bytes })?
                }
                Item::Dropped { port, monotonic_ns, bytes } => {
                    tracing::error!(bytes, "bytes from the sensor were lost: the computer is too busy");
                    self.put(monotonic_ns, Record::Dropped { port, bytes })?;
                }
                Item::Gone { port, monotonic_ns, reason } => {
                    (self.reader, self.writer) = (None, None);
                    let reason = match reason {
                        Reason::Unplugged => "unplugged".to_owned(),
                        Reason::Error(text) => text,
                    };
                    self.put(monotonic_ns, Record::Closed { port, reason })?;
                }
            }
        }
        Ok(())
    }

    fn tick(&mut self) -> Result<(), JournalError> {
        let now_ns = self.clock.monotonic_ns();
        self.put(now_ns, Record::Tick)?;
        if now_ns.saturating_sub(self.anchored_ns) >= ANCHOR_NS {
            self.anchor()?;
        }
        if self.reader.is_none() && self.ending.is_none() && now_ns >= self.reopen_ns {
            self.reopen_ns = now_ns + REOPEN_NS;
            self.reopen()?;
        }
        let faults = self.recorder.core().faults();
        let sync_age_ns = self.recorder.journal().progress().sync_age_ns(now_ns);
        self.terminal.tick(now_ns, &faults, sync_age_ns);
        Ok(())
    }

    fn anchor(&mut self) -> Result<(), JournalError> {
        let anchor = self.clock.anchor();
        self.anchored_ns = anchor.monotonic_ns;
        self.put(anchor.monotonic_ns, Record::Anchor(anchor))
    }

    /// The port is gone: it is looked for until it returns.
    fn reopen(&mut self) -> Result<(), JournalError> {
        let Ok(port) = crate::port::open(&self.name, self.baud) else { return Ok(()) };
        let Ok(writer) = port.writer() else { return Ok(()) };
        let (clock, handover) = (Arc::clone(&self.clock), Arc::clone(&self.handover));
        let Ok(reader) = Reader::start(0, Box::new(port), clock, handover) else { return Ok(()) };
        (self.reader, self.writer) = (Some(reader), Some(writer));
        self.opened()
    }

    fn hear(&mut self, said: Said) {
        match &said {
            Said::Pipeline(Output::Send { bytes, .. }) => self.outgoing.push(bytes.clone()),
            Said::Pipeline(Output::Identified { .. }) => self.identified = true,
            Said::Pipeline(Output::Began(..)) => self.anchored_ns = 0,
            Said::Pipeline(Output::Link(_, LinkState::Flowing)) => {
                self.flowing_ns.get_or_insert(self.clock.monotonic_ns());
            }
            Said::Pipeline(Output::Link(_, LinkState::Stopped)) => self.stopped = true,
            Said::Pipeline(Output::Link(_, LinkState::Closed(_))) if self.ending.is_some() => {
                self.stopped = true
            }
            _ => {}
        }
        self.terminal.hear(&said, &self.name);
    }

    /// Writes to the board what the core wants sent; a write that fails is a port that is gone, which the reader sees.
    fn send_waiting(&mut self) -> Result<(), JournalError> {
        for bytes in std::mem::take(&mut self.outgoing) {
            let Some(writer) = &mut self.writer else { continue };
            let now_ns = self.clock.monotonic_ns();
            if let Err(error) = writer.write_all(&bytes).and_then(|()| writer.flush()) {
                tracing::debug!(%error, "a message to the sensor was not sent");
                continue;
            }
            self.put(now_ns, Record::Sent { port: 0, bytes })?;
        }
        if self.anchored_ns == 0 {
            self.anchor()?;
        }
        Ok(())
    }

    fn close(mut self, end: End) -> anyhow::Result<Recorded> {
        self.terminal.clear();
        if let Some(reader) = self.reader.take() {
            reader.stop();
        }
        let folder = self.folder.clone();
        match end {
            End::Properly(reason) => {
                self.drain().map_err(advised)?;
                self.put(self.clock.monotonic_ns(), Record::Finished(reason.clone())).map_err(advised)?;
                self.recorder.finish().map_err(advised)?;
                Ok(Recorded { folder, reason, failure: None })
            }
            End::AtOnce => anyhow::bail!(
                anyhow::anyhow!("stopped at once; the journal is in {}", folder.display())
                    .context(Hint::new(format!("fingerforced recover {}", folder.display())))
            ),
            End::Failed(error) if !self.identified => {
                // Not one sample: a folder with nothing in it would only be in the way.
                self.recorder.finish().map_err(advised)?;
                data_folder::discard(&folder).map_err(advised)?;
                Err(error)
            }
            End::Failed(error) => {
                let reason = format!("failed: {error:#}");
                // The journal may be what failed: its end is worth a try, and what it holds is kept either way.
                if let Err(error) = self.put(self.clock.monotonic_ns(), Record::Finished(reason.clone())) {
                    tracing::error!(%error, "the end could not be written to the journal");
                }
                if let Err(error) = self.recorder.finish() {
                    tracing::error!(%error, "the journal could not be brought to the disk");
                }
                let kept = format!("recording ended early; what was recorded is in {}", folder.display());
                Ok(Recorded { folder, reason, failure: Some(error.context(kept)) })
            }
        }
    }
}
