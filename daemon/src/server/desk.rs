//! The desk: one visit or guided session after another, in a thread of its own that waits for no page.
//!
//! Comes in: what a page asks for ([`Asks`]), orders. Goes out: visits, recorded and sealed, told to a [`Board`]; calibrations,
//! which are kept when somebody says so, and checks.

use super::bench::{Bench, Judged};
use super::board::Board;
use super::view::Ended;
use crate::clock::{Clock, SystemClock};
use crate::command::calibrate::asked::{Asked, Task};
use crate::command::calibrate::check;
use crate::command::calibrate::outcome as calibrate;
use crate::command::practice;
use crate::command::record::arranged;
use crate::command::sensor_ports::Ports;
use crate::command::start::{self, Whose};
use crate::data_folder::DataFolder;
use crate::journal::SystemDisk;
use crate::participant;
use crate::sensors;
use crate::shell::{Order, Recorded, Shell};
use crate::visit::plan::{Plan, builtin};
use analysis::console::{self, Usage, advised};
use analysis::trial::Side;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::mpsc::{Receiver, Sender};
use tokio::sync::{oneshot, watch};
use utoipa::ToSchema;

/// A visit that somebody wants to begin.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Wanted {
    /// Participant's code; "" none.
    pub participant: String,
    /// Examiner's code; "" none.
    pub examiner: String,
    /// Name of a built-in plan; "" none.
    pub plan: String,
    /// A plan's text (TOML), instead of a name.
    pub plan_text: String,
    /// `left`, `right` or "": the involved side.
    pub involved: String,
    /// What else is known of the participant, by the names that `/api/setup` lists; "" not said.
    pub about: BTreeMap<String, String>,
    /// Version of the consent form that was signed; "" none.
    pub consent_version: String,
    /// When it was signed, YYYY-MM-DD; "" not.
    pub consent_date: String,
    /// Go on with the interrupted visit that waits; nothing else is asked for then.
    pub resume: bool,
}

/// A calibration or a check that somebody wants to be guided through.
#[derive(Debug, Clone, Default, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct WantedGuided {
    /// The sensor's port, one of those that `/api/setup` lists.
    pub port: String,
    /// What is done: a calibration, or a check.
    pub asked: Asked,
}

/// What the desk is asked for.
#[derive(Debug)]
pub enum Asks {
    /// A visit.
    Visit(Wanted),
    /// A guided session.
    Guided(Box<WantedGuided>),
    /// What came of it was seen.
    Seen {
        /// A calibration is kept.
        keep: bool,
    },
}

/// What the desk is asked, and where the answer goes.
pub type Request = (Asks, Answer);

/// Where the answer goes: why not, and what to do, where it is refused.
pub type Answer = oneshot::Sender<Result<(), (String, Option<String>)>>;

/// What everything here needs.
#[derive(Debug, Clone)]
pub struct Setting {
    /// The ports named on the command line.
    pub ports: Ports,
    /// What is kept free on the disk, MiB.
    pub keep_free: u64,
}

/// What is on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum On {
    /// A visit.
    Visit,
    /// A guided session.
    Guided,
}

/// The way to the visit or the guided session that is on.
#[derive(Debug, Default, Clone)]
pub struct Orders(Arc<Mutex<Option<Way>>>);

/// What is on, and where its orders go.
type Way = (On, Sender<Order>);

impl Orders {
    fn set(&self, orders: Option<Way>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = orders;
    }

    /// Where orders go, and to what, while something is on.
    pub fn get(&self) -> Option<Way> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// Folder of the visit that was sealed last.
pub type Last = Arc<Mutex<Option<PathBuf>>>;

/// What a guided session came to, until it was seen.
pub type Waiting = Arc<Mutex<Option<Judged>>>;

/// The desk.
pub struct Desk {
    /// Whose folder it works in.
    pub data: Arc<DataFolder>,
    /// How.
    pub setting: Setting,
    /// Who is told.
    pub board: Board,
    /// The way to the visit that is on.
    pub orders: Orders,
    /// The recording that was made last.
    pub last: Last,
    /// What came of the guided session.
    pub judged: Waiting,
    /// True once the program wants to end.
    pub closing: watch::Receiver<bool>,
}

impl Desk {
    /// Serves until the program wants to end. The visit that is on is ended by an order.
    ///
    /// # Errors
    /// The thread cannot wait.
    pub fn run(mut self, mut requests: Receiver<Request>) -> std::io::Result<()> {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
        runtime.block_on(async {
            loop {
                let (asks, answer) = tokio::select! {
                    biased;
                    () = super::over(&mut self.closing) => break,
                    Some(request) = requests.recv() => request,
                };
                if matches!(asks, Asks::Visit(_) | Asks::Guided(_)) && self.judged().is_some() {
                    // Whoever asked may have gone, here and below: nobody misses the answer then.
                    let why = "a calibration or a check waits to be looked at on the page";
                    let _ = answer.send(Err((why.to_owned(), None)));
                    continue;
                }
                let done = match asks {
                    Asks::Visit(wanted) => {
                        self.visit(&wanted, answer).await.map(|recorded| self.seal(&recorded))
                    }
                    Asks::Guided(wanted) => self.guided(&wanted, answer).await,
                    Asks::Seen { keep } => {
                        let _ = answer.send(self.seen(keep).map_err(|error| console::told(&error)));
                        continue;
                    }
                };
                if let Err(error) = done {
                    // What was wrong with a request says what somebody typed, perhaps a name: that is for the page only.
                    if error.is::<Usage>() {
                        tracing::warn!("a page's request was refused; it was told why");
                    } else {
                        let (told, hint) = console::told(&error);
                        tracing::warn!(hint, "nothing came of it: {told}");
                    }
                    if self.board.is_on() {
                        self.board.refuse(told(&error));
                    }
                }
            }
        });
        Ok(())
    }

    fn judged(&self) -> MutexGuard<'_, Option<Judged>> {
        self.judged.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A guided session, until it is recorded, sealed and judged.
    async fn guided(&mut self, wanted: &WantedGuided, answer: Answer) -> anyhow::Result<()> {
        let (orders, waiting) = tokio::sync::mpsc::channel(16);
        let utc_ns = SystemClock.utc_ns();
        let opened = open_guided(&self.data, &self.setting, &mut self.board, wanted, waiting);
        let _ = answer.send(opened.as_ref().map(|_| ()).map_err(console::told));
        let (mut shell, task) = opened?;
        begin(&self.orders, &self.closing, On::Guided, orders);
        let end = shell.run(None).await;
        self.orders.set(None);
        let guide = shell.audience().take();
        let Recorded { folder, failure, .. } = shell.close(end)?;
        self.board.seal();
        let (sealed, status) = crate::command::seal_quietly(&folder)?;
        if let Some(failure) = failure {
            return Err(failure);
        }
        anyhow::ensure!(status.success(), "the recording was not written: {}", sealed["visits"][0]["error"]);
        let session = calibrate::Guided { guide, folder, data: self.data.path().to_owned(), utc_ns };
        let judged = match task {
            Task::Check(known) => Judged::check(check::checked(known, &session)?),
            Task::Calibration(gravity) => {
                Judged::calibration(calibrate::certificate(&wanted.asked, gravity, &session)?)
            }
            Task::Attitude | Task::Creep(_) | Task::Step(_) => anyhow::bail!(AT_THE_TERMINAL),
        };
        *self.judged() = Some(judged);
        self.board.judge();
        Ok(())
    }

    /// Somebody saw what a guided session came to: a calibration is kept where they say so. A check is kept already.
    fn seen(&mut self, keep: bool) -> anyhow::Result<()> {
        let judged = self.judged().clone();
        let judged = judged.ok_or_else(|| Usage("nothing waits to be looked at".to_owned()))?;
        if let Judged::Calibration { record, .. } = &judged
            && keep
        {
            sensors::keep_calibration(&SystemDisk, self.data.path(), record).map_err(advised)?;
        }
        *self.judged() = None;
        // Back to where a visit is begun, and nothing is wrong.
        self.board.refuse(String::new());
        Ok(())
    }

    /// One visit, until its journal is complete.
    async fn visit(&mut self, wanted: &Wanted, answer: Answer) -> anyhow::Result<Recorded> {
        let (orders, waiting) = tokio::sync::mpsc::channel(16);
        let opened = open(&self.data, &self.setting, &mut self.board, wanted, waiting);
        let _ = answer.send(opened.as_ref().map(|_| ()).map_err(console::told));
        let mut shell = opened?;
        begin(&self.orders, &self.closing, On::Visit, orders);
        let end = shell.run(None).await;
        self.orders.set(None);
        shell.close(end)
    }

    fn seal(&mut self, recorded: &Recorded) {
        self.board.seal();
        let mut ended = Ended {
            reason: recorded.reason.clone(),
            folder: recorded.folder.display().to_string(),
            error: recorded.failure.as_ref().map(told).unwrap_or_default(),
            ..Ended::default()
        };
        match crate::command::seal_quietly(&recorded.folder) {
            Ok((sealed, status)) if status.success() => {
                let recording = PathBuf::from(sealed["visits"][0]["recording"].as_str().unwrap_or_default());
                let name = recording.file_name().map(|name| name.to_string_lossy().into_owned());
                ended.recording = name.unwrap_or_default();
                *self.last.lock().unwrap_or_else(PoisonError::into_inner) = Some(recording);
            }
            Ok((sealed, _)) => {
                let why = sealed["visits"][0]["error"].as_str().unwrap_or("the recording was not written");
                ended.error = format!("{why}; the journal is whole: fingerforced recover {}", ended.folder);
            }
            Err(error) => ended.error = told(&error),
        }
        if !ended.error.is_empty() {
            tracing::error!(visit = ended.folder, "{}", ended.error);
        }
        self.board.done(ended);
    }
}

/// It takes orders from now on.
fn begin(to: &Orders, closing: &watch::Receiver<bool>, on: On, orders: Sender<Order>) {
    to.set(Some((on, orders.clone())));
    if *closing.borrow() {
        // It has room: nobody else knew it until now.
        let _ = orders.try_send(Order::End("terminated"));
    }
}

/// An error for a page: what happened, and what to do.
fn told(error: &anyhow::Error) -> String {
    let (told, hint) = console::told(error);
    [told].into_iter().chain(hint).collect::<Vec<_>>().join(" — ")
}

/// Everything that can be refused is refused before anything is written or shown.
fn open<'a>(
    data: &Arc<DataFolder>,
    setting: &Setting,
    board: &'a mut Board,
    wanted: &Wanted,
    orders: Receiver<Order>,
) -> anyhow::Result<Shell<&'a mut Board>> {
    let plan = if wanted.resume { None } else { plan(wanted)? };
    let whose = whose(wanted)?;
    if !wanted.resume {
        start::checked(&whose, plan.as_ref(), SystemClock.utc_ns())?;
    }
    let lines = setting.ports.lines(Some(data.path()))?;
    let practised = practice::noted(data, plan.as_ref(), &whose.examiner)?;
    let mut shell = Shell::open(&lines, board, orders, || {
        let start = if wanted.resume {
            start::resumed(None, lines.len(), setting.keep_free, data)?
        } else {
            start::new(&whose, plan, lines.len(), setting.keep_free, data)?
        };
        Ok((Arc::clone(data), start))
    })?;
    if let Some(seen) = practised {
        shell.act(seen.to_json()).map_err(advised)?;
    }
    Ok(shell)
}

/// What the page does not offer.
const AT_THE_TERMINAL: &str =
    "creep, step response and zeros by attitude are measured at the terminal: fingerforced calibrate";

/// The same for a guided session, of the one sensor that is meant.
fn open_guided<'a>(
    data: &Arc<DataFolder>,
    setting: &Setting,
    board: &'a mut Board,
    wanted: &WantedGuided,
    orders: Receiver<Order>,
) -> anyhow::Result<(Shell<Bench<'a>>, Task)> {
    let asked = &wanted.asked;
    let (task, steps) = asked.task()?;
    if matches!(task, Task::Attitude | Task::Creep(_) | Task::Step(_)) {
        return Err(Usage(AT_THE_TERMINAL.to_owned()).into());
    }
    let whose = Whose { examiner: asked.operator.clone(), ..Whose::default() };
    let mut lines = setting.ports.lines(Some(data.path()))?;
    lines.retain(|line| line.name == wanted.port);
    anyhow::ensure!(
        !lines.is_empty(),
        Usage(format!("no sensor is on `{}`: choose one that is listed", wanted.port))
    );
    let bench = Bench::new(board, steps, asked);
    let shell = Shell::open(&lines, bench, orders, || {
        Ok((Arc::clone(data), start::new(&whose, None, lines.len(), setting.keep_free, data)?))
    })?;
    Ok((shell, task))
}

fn whose(wanted: &Wanted) -> anyhow::Result<Whose> {
    let said = wanted.about.iter().filter(|(_, value)| !value.trim().is_empty());
    let about = said.map(|(name, value)| participant::field(&format!("{name}={value}")).map_err(Usage));
    let (version, date) = (wanted.consent_version.clone(), wanted.consent_date.clone());
    Ok(Whose {
        participant: wanted.participant.clone(),
        examiner: wanted.examiner.clone(),
        consent: (!version.is_empty() || !date.is_empty()).then_some((version, date)),
        about: about.collect::<Result<_, _>>()?,
    })
}

/// The plan that is wanted, in the order in which it is run; `None` records without one.
fn plan(wanted: &Wanted) -> anyhow::Result<Option<Plan>> {
    let text = match (wanted.plan.as_str(), wanted.plan_text.as_str()) {
        ("", "") => return Ok(None),
        ("", text) => text,
        (name, "") => builtin::text(name)
            .ok_or_else(|| Usage(format!("no plan of this name: there are {}", builtin::names())))?,
        _ => return Err(Usage("give a plan's name or its text, not both".to_owned()).into()),
    };
    let plan = Plan::parse(text).map_err(|error| Usage(format!("the plan: {error}")))?;
    let involved = match wanted.involved.as_str() {
        "" => None,
        side => Some(side.parse::<Side>().map_err(|error| Usage(error.to_string()))?),
    };
    Ok(Some(arranged(plan, involved)))
}
