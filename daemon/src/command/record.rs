//! `fingerforced record`: one visit from the terminal.
//!
//! A [`Shell`] whose audience is a terminal, whose orders come from keys and signals.

use super::keys::{self, Keys, Lines};
use super::sensor_ports::Ports;
use super::start::{self, Whose};
use crate::clock::{Clock, SystemClock};
use crate::core::{Begun, Said};
use crate::data_folder::DataFolder;
use crate::health::Health;
use crate::participant;
use crate::pipeline::Output;
use crate::port::DEFAULT_BAUD;
use crate::practice::Target;
use crate::shell::{self, Audience, Order, Recorded, Shell};
use crate::stderr;
use crate::terminal::Terminal;
use crate::typing::Typed;
use crate::visit::action::Examiner;
use crate::visit::engine::{Stage, Visit};
use crate::visit::gate::Clearance;
use crate::visit::plan::{Item, Plan, Sees};
use analysis::code;
use analysis::console::{Hint, Usage, advised};
use analysis::measures::repeats;
use analysis::recording::layout::TrialRow;
use analysis::trial::Side;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::mpsc::Sender;

/// What of the disk stays free for sealing where nobody says otherwise, MiB.
pub(super) const KEEP_FREE_MIB: u64 = 256;

/// Record one visit from the terminal
///
/// Examples:
///   fingerforced record --port /dev/serial/by-id/usb-… --plan plan.toml --participant P014
///   fingerforced record --port /tmp/sensor --seconds 30
///   fingerforced record --port /tmp/left --port /tmp/right
#[derive(Debug, Clone, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The ports.
    #[command(flatten)]
    pub ports: Ports,
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
    #[arg(long, value_name = "MIB", default_value_t = KEEP_FREE_MIB)]
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

impl Args {
    /// What a recording without a plan takes by itself.
    pub(super) fn plain() -> Args {
        Args {
            ports: Ports::one(None, DEFAULT_BAUD),
            plan: None,
            allow: Vec::new(),
            involved: None,
            screen: Screen::Examiner,
            participant: String::new(),
            about: Vec::new(),
            examiner: String::new(),
            consent_version: None,
            consent_date: None,
            resume: None,
            data: None,
            seconds: None,
            keep_free: KEEP_FREE_MIB,
            json: false,
            no_seal: false,
            practice: None,
        }
    }
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

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let (recorded, _) = record(args)?;
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
            stderr::report(&unsealed);
            Err(failure)
        }
    }
}

/// What a practice gave.
#[derive(Debug, Default)]
pub struct Practised {
    /// Loading rates of its pulls, N/s.
    pub rates_n_per_s: Vec<f64>,
    /// The sensor's serial number.
    pub sensor: String,
}

/// Records a visit; returns when its journal is complete.
pub fn record(args: &Args) -> anyhow::Result<(Recorded, Practised)> {
    let plan = read_plan(args)?;
    if args.seconds.is_some_and(|seconds| !(seconds > 0.0 && seconds < 1e7)) {
        return Err(Usage("--seconds takes a positive number".to_owned()).into());
    }
    let cleared = args.allow.iter().find_map(|answer| code::personal(&answer.free_text()));
    if let Some(found) = cleared {
        return Err(Usage(format!(
            "--allow: does `{found}` say who somebody is? Name a role in small letters, as in `cleared surgeon`"
        ))
        .into());
    }
    let today = super::day(SystemClock.utc_ns());
    if let Some(why) = args.allow.iter().find_map(|answer| answer.objection(today)) {
        return Err(Usage(format!("--allow: {why}")).into());
    }
    let whose = Whose {
        participant: args.participant.clone(),
        examiner: args.examiner.clone(),
        consent: args.consent_version.clone().zip(args.consent_date.clone()),
        about: args.about.clone(),
    };
    if args.resume.is_none() {
        start::checked(&whose, plan.as_ref(), SystemClock.utc_ns())?;
    }
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(async {
        let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
        let mut desk = Desk::new(args);
        let mut shell = open(args, &whose, plan, signals, &mut desk)?;
        let ended = shell.run(args.seconds).await;
        let recorded = shell.close(ended)?;
        Ok((recorded, desk.practised))
    })
}

/// Everything that can be refused is refused before anything is written.
fn open<'a>(
    args: &Args,
    whose: &Whose,
    plan: Option<Plan>,
    signals: (Signal, Signal),
    desk: &'a mut Desk,
) -> anyhow::Result<Shell<&'a mut Desk>> {
    let lines = args.ports.lines(args.data.as_deref())?;
    let (orders, waiting) = tokio::sync::mpsc::channel(64);
    let (mut practised, mut interrupted) = (None, None);
    let mut shell = Shell::open(&lines, desk, waiting, || {
        let data = Arc::new(DataFolder::open(args.data.as_deref()).map_err(advised)?);
        super::check::warn(data.path());
        crate::erase::complete_begun(&data).map_err(advised)?;
        super::recover::seal_abandoned(data.path(), SystemClock.utc_ns(), args.resume.is_some())?;
        practised = super::practice::noted(&data, plan.as_ref(), &whose.examiner)?;
        let start = match &args.resume {
            None => start::new(whose, plan, lines.len(), args.keep_free, &data)?,
            Some(which) => start::resumed(which.as_deref(), lines.len(), args.keep_free, &data)?,
        };
        interrupted = args.resume.as_ref().map(|_| start.begun.clone());
        Ok((data, start))
    })?;
    if let Some(begun) = interrupted {
        let told = gone_on_with(&begun, shell.visit());
        shell.audience().terminal.line(&told);
    }
    let shown = shown(shell.visit(), args.screen);
    shell.audience().terminal.plan(shown);
    // Whoever runs this sits at a terminal that prints and rings, or reads what it prints.
    shell.act(warner(true)).map_err(advised)?;
    if let Some(seen) = practised {
        shell.act(seen.to_json()).map_err(advised)?;
    }
    for answer in &args.allow {
        shell.act(Examiner::Allow(answer.clone()).to_json()).map_err(advised)?;
    }
    tokio::spawn(obey(signals, orders.clone()));
    shell.audience().keys = Some(keys::listen(orders));
    Ok(shell)
}

/// What an interrupted visit is, and how far it had come.
fn gone_on_with(begun: &Begun, visit: &Visit) -> String {
    let whose = if begun.participant.is_empty() {
        String::new()
    } else {
        format!(" of participant {}", begun.participant)
    };
    let began = analysis::plot::names::local(&begun.started_utc, &begun.utc_offset);
    let title = visit.plan().map_or("", |plan| &plan.title);
    let trials = match visit.results().attempts().len() {
        1 => "1 trial is recorded".to_owned(),
        n => format!("{n} trials are recorded"),
    };
    let minutes = (visit.remaining_s() / 60.0).ceil();
    format!(
        "going on with the visit{whose}, begun {began}, \"{title}\": {trials}, about \
         {minutes:.0} min are left. Nothing was recorded while the program was off; the report will say so."
    )
}

/// The plan in the order in which it is run; whoever sits down to it is told how long it will take.
fn read_plan(args: &Args) -> anyhow::Result<Option<Plan>> {
    let Some(path) = args.plan.as_deref() else { return Ok(None) };
    let text = super::plans::text_of(path)?;
    let plan = Plan::parse(&text).map_err(|error| {
        anyhow::anyhow!("plan {}: {error}", path.display()).context(Hint::new(
            "`fingerforced plans NAME` prints a plan to begin from; README.md has the keys",
        ))
    })?;
    let plan = arranged(plan, args.involved);
    if !args.json {
        stderr::say(analysis::cautions::CAUTIONS);
        stderr::say(&format!("{}: {}", plan.title, plan.duration()));
    }
    Ok(Some(plan))
}

/// A terminal that takes nothing for so many ticks (half a second) warns nobody.
const BEHIND_TICKS: u32 = 5;

/// The terminal can warn, or cannot.
fn warner(able: bool) -> String {
    Examiner::Warner { able, by: "terminal".to_owned() }.to_json()
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
pub(super) async fn obey(mut signals: (Signal, Signal), orders: Sender<Order>) {
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

/// Whoever sits at the terminal: what they see, and what their keys mean.
struct Desk {
    terminal: Terminal,
    /// Once they are listened to.
    keys: Option<Keys>,
    /// What is typed.
    lines: Lines,
    /// For how many ticks the terminal has taken nothing.
    behind: u32,
    /// A pull is on.
    loaded: bool,
    practice: Option<Target>,
    practised: Practised,
}

impl Desk {
    fn new(args: &Args) -> Desk {
        Desk {
            terminal: Terminal::new(args.json),
            keys: None,
            lines: Lines::default(),
            behind: 0,
            loaded: false,
            practice: args.practice,
            practised: Practised::default(),
        }
    }

    /// A terminal that takes nothing warns nobody: the visit is told so, and when it takes something again.
    fn watched(&mut self) -> Option<String> {
        let before = self.behind < BEHIND_TICKS;
        self.behind = if stderr::is_behind() { self.behind.saturating_add(1) } else { 0 };
        let able = self.behind < BEHIND_TICKS;
        (able != before).then(|| warner(able))
    }

    /// The action that was meant; what means nothing is answered.
    fn meant(&mut self, typed: &Typed) -> Option<String> {
        self.lines.action(typed).map_err(|why| self.terminal.line(&why)).ok()
    }

    fn practise(&mut self, row: &TrialRow, target: &Target) {
        let rates = &mut self.practised.rates_n_per_s;
        let Some(rate) = repeats::known(row.pace_n_per_s).filter(|_| rates.len() < target.pulls) else {
            return;
        };
        rates.push(rate);
        let number = rates.len();
        self.terminal.line(&format!("pull {number} of {}: {}", target.pulls, target.judged(rate)));
    }
}

impl Audience for Desk {
    fn begin(&mut self, _: &Begun, _: &Arc<dyn Clock>) {}

    fn hear(&mut self, said: &[Said], visit: Option<&Visit>, ports: &shell::Ports) {
        if let Some(visit) = visit {
            self.terminal.measures(visit.place());
        }
        for said in said {
            match (said, self.practice) {
                (Said::Trial(row), Some(target)) => {
                    self.practise(row, &target);
                    continue;
                }
                (Said::Pipeline(Output::Identified { identity, .. }), _) => {
                    identity.serial.clone_into(&mut self.practised.sensor);
                }
                _ => {}
            }
            self.terminal.hear(said, ports);
        }
        self.loaded = visit.is_some_and(|visit| matches!(visit.stage(), Stage::Pull { .. }));
    }

    fn tick(&mut self, now_ns: u64, health: &Health) -> Vec<String> {
        let watched = self.watched();
        let loaded = self.loaded;
        let typed = self.keys.as_mut().and_then(|keys| keys.typing.tick(now_ns, loaded));
        let action = typed.and_then(|typed| self.meant(&typed));
        self.terminal.tick(now_ns, &health.wire, health.sync_age_ns);
        watched.into_iter().chain(action).collect()
    }

    fn typed(&mut self, bytes: &[u8], now_ns: u64) -> Vec<String> {
        let Some(keys) = &mut self.keys else { return Vec::new() };
        let typed = keys.typing.hear(bytes, now_ns, self.loaded);
        self.terminal.typed(keys.typing.line());
        typed.iter().filter_map(|typed| self.meant(typed)).collect()
    }

    fn has_enough(&self) -> Option<&'static str> {
        let target = self.practice?;
        (self.practised.rates_n_per_s.len() >= target.pulls).then_some("practice done")
    }

    fn end(&mut self) {
        stderr::clear();
    }

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.terminal.refusal.take()
    }
}
