//! A visit recorded in real time, whoever watches it: port, data folder, journal and clock around a [`Session`].
//!
//! Comes in: the port's bytes, time, orders from people. Goes out: a complete journal, and everything the core says, to
//! an [`Audience`]. What is recorded is decided in the core; nothing here waits for the audience.

use crate::clock::Clock;
use crate::core::{Begun, Said};
use crate::data_folder::{self, DataFolder, Lock};
use crate::health::Health;
use crate::journal::JournalError;
use crate::losses::Losses;
use crate::pipeline::{Output, SensorIdentity};
use crate::port::cable::{Line, SerialCable};
use crate::port::handover::{CAPACITY_BYTES, Handover};
use crate::recorder::Recorder;
use crate::sensors::{self, Known};
use crate::session::{Cable, Session, TICK_NS};
use crate::visit::engine::Visit;
use analysis::console::{Hint, advised};
use analysis::recording::layout::PLAN_FINISHED;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc::Receiver;

/// The ports' names, by number.
#[derive(Debug, Clone, Default)]
pub struct Ports(pub Vec<String>);

impl Ports {
    /// More than one sensor is recorded.
    pub fn several(&self) -> bool {
        self.0.len() > 1
    }

    /// A port's name.
    pub fn name(&self, port: u8) -> &str {
        self.0.get(usize::from(port)).map_or("", String::as_str)
    }
}

/// Who is shown what happens.
pub trait Audience {
    /// A visit begins, or goes on, by this clock.
    fn begin(&mut self, begun: &Begun, clock: &Arc<dyn Clock>);

    /// The core said this.
    fn hear(&mut self, said: &[Said], visit: Option<&Visit>, ports: &Ports);

    /// Time passed. Gives actions to be put into the journal.
    fn tick(&mut self, now_ns: u64, health: &Health) -> Vec<String>;

    /// Somebody typed this. Gives actions to be put into the journal.
    fn typed(&mut self, _bytes: &[u8], _now_ns: u64) -> Vec<String> {
        Vec::new()
    }

    /// Why it has seen enough, if it has.
    fn has_enough(&self) -> Option<&'static str> {
        None
    }

    /// Nothing follows.
    fn end(&mut self);

    /// Why the sensor cannot be used, once.
    fn refusal(&mut self) -> Option<anyhow::Error>;
}

/// What people want of a running visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Order {
    /// An action for the pipeline or the visit, as it goes into the journal.
    Act(String),
    /// Bytes from the keys: what they mean is the audience's to say.
    Typed(Vec<u8>),
    /// End properly, and why.
    End(&'static str),
    /// End at once: what is left is for `recover`.
    AtOnce,
}

/// A visit that can be recorded.
pub struct Start {
    /// Its folder.
    pub folder: PathBuf,
    /// The folder's lock.
    pub lock: Lock,
    /// Its journal and core.
    pub recorder: Recorder,
    /// Its clock.
    pub clock: Arc<dyn Clock>,
    /// Whose it is.
    pub begun: Begun,
    /// The records it begins with.
    pub first: Vec<crate::journal::Record>,
    /// What to do with the folder where not one sample comes: a new one goes, an old one stays.
    pub is_new: bool,
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

impl<A: Audience> Audience for &mut A {
    fn begin(&mut self, begun: &Begun, clock: &Arc<dyn Clock>) {
        A::begin(self, begun, clock);
    }

    fn hear(&mut self, said: &[Said], visit: Option<&Visit>, ports: &Ports) {
        A::hear(self, said, visit, ports);
    }

    fn tick(&mut self, now_ns: u64, health: &Health) -> Vec<String> {
        A::tick(self, now_ns, health)
    }

    fn typed(&mut self, bytes: &[u8], now_ns: u64) -> Vec<String> {
        A::typed(self, bytes, now_ns)
    }

    fn has_enough(&self) -> Option<&'static str> {
        A::has_enough(self)
    }

    fn end(&mut self) {
        A::end(self);
    }

    fn refusal(&mut self) -> Option<anyhow::Error> {
        A::refusal(self)
    }
}

/// Why a recording ends.
pub enum End {
    /// As planned or asked for.
    Properly(String),
    /// It cannot go on.
    Failed(anyhow::Error),
    /// Asked to end at once.
    AtOnce,
}

/// A visit being recorded.
pub struct Shell<A> {
    session: Session,
    handover: Arc<Handover>,
    clock: Arc<dyn Clock>,
    folder: PathBuf,
    data: Arc<DataFolder>,
    is_new: bool,
    health: Health,
    losses: Losses,
    _visit: Lock,
    ports: Ports,
    audience: A,
    /// Why the plan cannot be run with what is on the ports.
    misfit: Option<String>,
    orders: Receiver<Order>,
}

impl<A: Audience> Shell<A> {
    /// Begins. The ports are opened first: what can be refused is refused before `start` writes anything.
    ///
    /// # Errors
    /// A port cannot be had, or the journal takes nothing.
    pub fn open(
        lines: &[Line],
        mut audience: A,
        orders: Receiver<Order>,
        start: impl FnOnce() -> anyhow::Result<(Arc<DataFolder>, Start)>,
    ) -> anyhow::Result<Shell<A>> {
        let open = |line: &Line| crate::port::open(&line.name, line.baud).map_err(advised);
        let opened = lines.iter().map(open).collect::<anyhow::Result<Vec<_>>>()?;
        let (data, Start { folder, lock, recorder, clock, begun, first, is_new }) = start()?;
        audience.begin(&begun, &clock);
        let handover = Handover::new(CAPACITY_BYTES);
        let shared = || (Arc::clone(&clock), Arc::clone(&handover));
        let cables = (0..).zip(opened.into_iter().zip(lines)).map(|(number, (port, line))| {
            let (clock, handover) = shared();
            Box::new(SerialCable::new(number, port, line.clone(), clock, handover)) as Box<dyn Cable>
        });
        let (clocks, hands) = shared();
        let session = Session::on(clocks, hands, recorder, cables.collect(), first).map_err(advised)?;
        Ok(Shell {
            session,
            handover,
            clock,
            folder,
            data,
            is_new,
            health: Health::default(),
            losses: Losses::default(),
            _visit: lock,
            ports: Ports(lines.iter().map(|line| line.name.clone()).collect()),
            audience,
            misfit: None,
            orders,
        })
    }

    /// Puts an action into the journal before anything else happens.
    ///
    /// # Errors
    /// The journal takes it not.
    pub fn act(&mut self, action: String) -> Result<(), JournalError> {
        self.session.act(action)
    }

    /// The visit, to look at.
    pub fn visit(&self) -> &Visit {
        self.session.recorder().core().visit()
    }

    /// Who is shown what happens.
    pub fn audience(&mut self) -> &mut A {
        &mut self.audience
    }

    /// Moves everything forward until there is a reason to end: the plan is done, `seconds` of samples have come, an
    /// order, or a failure.
    pub async fn run(&mut self, seconds: Option<f64>) -> End {
        let mut tick = tokio::time::interval(Duration::from_nanos(TICK_NS));
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
        let handover = Arc::clone(&self.handover);
        loop {
            let mut asked = None;
            let mut happened = Ok(());
            tokio::select! {
                () = handover.ready() => {}
                _ = tick.tick() => happened = self.tick(),
                Some(order) = self.orders.recv() => match order {
                    Order::Act(action) => happened = self.session.act(action),
                    Order::Typed(bytes) => happened = self.typed(&bytes),
                    Order::End(reason) => asked = Some(reason),
                    Order::AtOnce => return End::AtOnce,
                },
            }
            if let Err(error) = happened.and_then(|()| self.session.drain()) {
                return End::Failed(advised(error));
            }
            self.tell();
            if let Some(why) = self.misfit.take() {
                let hint =
                    Hint::new("give the plan the channel that it is measured on, or use another sensor");
                return End::Failed(anyhow::anyhow!("the plan's {why}").context(hint));
            }
            if let Some(failed) = self.audience.refusal().filter(|_| self.session.flowing_for_ns().is_none())
            {
                return End::Failed(failed);
            }
            let reason = asked.or_else(|| self.over(seconds)).filter(|_| !self.session.is_ending());
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
            return Some(PLAN_FINISHED);
        }
        if let Some(enough) = self.audience.has_enough() {
            return Some(enough);
        }
        let (since_ns, seconds) = self.session.flowing_for_ns().zip(seconds)?;
        (since_ns as f64 >= seconds * 1e9).then_some("time over")
    }

    fn typed(&mut self, bytes: &[u8]) -> Result<(), JournalError> {
        let actions = self.audience.typed(bytes, self.clock.monotonic_ns());
        actions.into_iter().try_for_each(|action| self.session.act(action))
    }

    fn tick(&mut self) -> Result<(), JournalError> {
        self.session.tick()?;
        self.tell();
        let now_ns = self.clock.monotonic_ns();
        self.losses.tick(now_ns);
        let recorder = self.session.recorder();
        let health = self.health.with(recorder.core().faults(), &recorder.journal().progress(), now_ns);
        let actions = self.audience.tick(now_ns, &health);
        actions.into_iter().try_for_each(|action| self.session.act(action))
    }

    /// The audience hears what the core said.
    fn tell(&mut self) {
        let said = std::mem::take(&mut self.session.said);
        for said in &said {
            match said {
                Said::Pipeline(Output::Identified { port, sensor, identity }) => {
                    self.remember(*port, identity);
                    let plan = self.visit().plan();
                    let misfit = plan.and_then(|plan| plan.misfit(*sensor, identity.channels.len()));
                    self.misfit = misfit.or(self.misfit.take());
                }
                Said::Pipeline(Output::Calibrated(_, of)) => sensors::warn_expired(of, self.clock.utc_ns()),
                _ => {}
            }
            self.health.hear(said);
            self.losses.hear(said, &self.ports);
        }
        self.audience.hear(&said, Some(self.session.recorder().core().visit()), &self.ports);
    }

    /// So that it is found without being named next time.
    fn remember(&self, port: u8, identity: &SensorIdentity) {
        let name = self.ports.name(port);
        let ports = crate::port::find::find().unwrap_or_default();
        let resolved = Path::new(name).canonicalize().unwrap_or_default();
        let port = ports.iter().find(|port| Path::new(&port.name) == resolved);
        let seen = crate::clock::rfc3339(self.clock.utc_ns());
        let known = Known::new(identity, name, port.and_then(|port| port.usb.as_ref()), seen);
        if let Err(error) = sensors::remember(&**self.data.disk(), self.data.path(), &known) {
            tracing::warn!(%error, "this sensor could not be noted: name its port next time");
        }
    }

    /// Ends the journal, as `end` says.
    ///
    /// # Errors
    /// There is nothing that was recorded, or it was to end at once.
    pub fn close(mut self, end: End) -> anyhow::Result<Recorded> {
        self.tell();
        let Shell {
            session, mut audience, mut health, mut losses, folder, data, ports, is_new, clock, ..
        } = self;
        let progress = session.recorder().journal().progress();
        let faults = session.recorder().core().faults();
        audience.end();
        losses.tell();
        let mut counted = |said: &[Said]| {
            said.iter().for_each(|said| {
                health.hear(said);
                losses.hear(said, &ports);
            });
            losses.tell();
        };
        match end {
            End::Properly(reason) => {
                let said = session.finish(&reason).map_err(advised)?;
                counted(&said);
                audience.hear(&said, None, &ports);
                audience.end();
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
                counted(&session.give_up(&reason));
                let kept = format!("recording ended early; what was recorded is in {}", folder.display());
                let health = health.with(faults, &progress, clock.monotonic_ns());
                Ok(Recorded { folder, reason, failure: Some(error.context(kept)), health })
            }
        }
    }
}
