//! `fingerforced record`: one visit from the terminal.
//!
//! A [`Shell`] whose audience is a terminal, whose orders come from keys and signals.

use super::start::{self, Whose};
use crate::clock::{Clock, SystemClock};
use crate::core::{Begun, Said};
use crate::data_folder::{self, DataFolder};
use crate::health::Health;
use crate::journal::SystemDisk;
use crate::port::DEFAULT_BAUD;
use crate::sensors;
use crate::shell::{Audience, Order, Recorded, Shell};
use crate::terminal::Terminal;
use crate::visit::action::Examiner;
use crate::visit::engine::Visit;
use crate::visit::gate::Clearance;
use crate::visit::plan::{Plan, builtin};
use analysis::console::{Hint, Usage, advised};
use analysis::trial::Side;
use anyhow::Context;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc::Sender;

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
    #[arg(long, value_name = "MIB", default_value_t = 256)]
    pub keep_free: u64,
    /// Print the result as JSON
    #[arg(long)]
    pub json: bool,
    /// Do not seal at the end: leave the journal for `fingerforced recover`
    #[arg(long)]
    pub no_seal: bool,
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
    if args.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds < 1e7)) {
        return Err(Usage("--seconds takes a positive number".to_owned()).into());
    }
    let consent = args.consent_version.clone().zip(args.consent_date.clone());
    let whose = Whose { participant: args.participant.clone(), examiner: args.examiner.clone(), consent };
    if args.resume.is_none() {
        start::checked(&whose, plan.as_ref(), SystemClock.utc_ns())?;
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let mut shell = open(args, &whose, plan, signals)?;
        let ended = shell.run(args.seconds).await;
        shell.close(ended)
    })
}

/// Everything that can be refused is refused before anything is written.
fn open(
    args: &Args,
    whose: &Whose,
    plan: Option<Plan>,
    signals: (Signal, Signal),
) -> anyhow::Result<Shell<Terminal>> {
    let name = match &args.port {
        Some(name) => name.clone(),
        None => known_port(args.data.as_deref())?,
    };
    let (orders, waiting) = tokio::sync::mpsc::channel(16);
    let mut shell = Shell::open((&name, args.baud), Terminal::new(args.json), waiting, || {
        let data = Arc::new(DataFolder::open(args.data.as_deref()).map_err(advised)?);
        super::check::warn(data.path());
        crate::erase::complete_begun(&data).map_err(advised)?;
        super::recover::seal_abandoned(data.path(), SystemClock.utc_ns())?;
        let start = match &args.resume {
            None => start::new(whose, plan, args.keep_free, &data)?,
            Some(which) => start::resumed(which.as_deref(), args.keep_free, &data)?,
        };
        Ok((data, start))
    })?;
    // A visit that a page left behind may hold that nobody could warn.
    shell.act(Examiner::CanWarn { able: true }.to_json()).map_err(advised)?;
    for answer in &args.allow {
        shell.act(Examiner::Allow(answer.clone()).to_json()).map_err(advised)?;
    }
    tokio::spawn(obey(signals, orders.clone()));
    super::keys::listen(orders);
    Ok(shell)
}

/// The port with a sensor seen before. Ports of which nothing is known are not written to.
pub(crate) fn known_port(data: Option<&Path>) -> anyhow::Result<String> {
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
    let plan = Plan::parse(&text).map_err(|error| {
        anyhow::anyhow!("plan {}: {}", path.display(), error.to_string().trim().replace('\n', " | ")).context(
            Hint::new("`fingerforced plans NAME` prints a plan to begin from; README.md has the keys"),
        )
    })?;
    let plan = arranged(plan, args.involved);
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

/// The plan for this person, in the order in which it is run.
pub(crate) fn arranged(mut plan: Plan, involved: Option<Side>) -> Plan {
    plan.involved_side = involved.or(plan.involved_side);
    // A seed of the system's own random numbers; it is kept with the plan.
    let plan = plan.arrange(uuid::Uuid::new_v4().as_fields().0);
    tracing::debug!(seed = plan.seed, "the plan is arranged");
    plan
}

/// The first signal ends the recording properly, the second at once.
async fn obey(mut signals: (Signal, Signal), orders: Sender<Order>) {
    for insist in [false, true] {
        let reason = tokio::select! {
            _ = signals.0.recv() => "interrupted",
            _ = signals.1.recv() => "terminated",
        };
        let order = if insist { Order::AtOnce } else { Order::End(reason) };
        if orders.send(order).await.is_err() {
            return;
        }
    }
}

impl Audience for Terminal {
    fn begin(&mut self, _: &Begun, _: &Arc<dyn Clock>) {}

    fn hear(&mut self, said: &[Said], _: Option<&Visit>, port: &str) {
        said.iter().for_each(|said| Terminal::hear(self, said, port));
    }

    fn tick(&mut self, now_ns: u64, health: &Health) -> Option<String> {
        Terminal::tick(self, now_ns, &health.wire, health.sync_age_ns);
        None
    }

    fn end(&mut self) {
        Terminal::end(self);
    }

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.refusal.take()
    }
}
