//! A visit runs: the daemon's session in the world, until it ends or is cut off.
//!
//! In: a script. Out: the truth, the disk as the run left it (after the crash, before any damage), and what the session
//! had said and been promised.

use super::bench::Bench;
use super::clock::WorldClock;
use super::disguise::Past;
use super::script::{Crash, Script};
use super::truth::Truth;
use daemon::clock::Clock;
use daemon::core::{Begun, Said};
use daemon::journal::simulated_disk::SimulatedDisk;
use daemon::journal::{JournalError, Options, Stamped, Writer, read};
use daemon::pipeline::Action;
use daemon::port::handover::{Handover, Item};
use daemon::session::{Cable, Session, TICK_NS};
use daemon::visit::plan::Plan;
use std::path::Path;
use std::sync::Arc;

/// Where the visit is on the simulated disk.
pub const FOLDER: &str = "/data/visits/one";
/// Within this time a session that was asked to stop must have ended, s.
const PATIENCE_S: f64 = 12.0;

/// What a run leaves.
pub struct Run {
    /// What the sensors sent, by port.
    pub truths: Vec<Truth>,
    /// The disk.
    pub disk: SimulatedDisk,
    /// What the session had said.
    pub said: Vec<Said>,
    /// The journal as it was before a crash took some of it: all that was appended.
    pub appended: Vec<Stamped>,
    /// How many records, from the first, were acknowledged as appended.
    pub appended_count: u64,
    /// How many were acknowledged as durable.
    pub synced_count: u64,
    /// Every byte that the session took from the hand-over and acknowledged.
    pub taken: Vec<u8>,
    /// Calls on the disk, from the first that may fail on.
    pub calls: u64,
    /// It ended properly.
    pub finished: bool,
    /// The journal refused something.
    pub refused: Option<String>,
    /// It was cut off, and how.
    pub crashed: Option<Crash>,
    /// Civil time at the end, ns since 1970.
    pub utc_ns: i64,
}

/// The plan of planned visits: more trials than the hand has efforts, so that it is never done.
pub fn plan() -> Result<Plan, String> {
    let item = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\ntrials = 5\nhold_s = 0.6\nrest_s = 1.0\n";
    Plan::parse(&format!("title = \"simulated\"\n{item}")).map_err(|error| error.to_string())
}

struct World<'a> {
    script: &'a Script,
    clock: Arc<WorldClock>,
    handover: Arc<Handover>,
    /// By port.
    benches: Vec<Bench>,
    taken: Vec<u8>,
}

/// The second sensor's seed is the visit's with these bits changed.
const SECOND: u64 = 0x5ec0_5ec0 << 32;

/// Runs a visit.
///
/// # Errors
/// A script that cannot be played, or a session that does not end although nothing is wrong any more.
pub fn run(script: &Script) -> Result<Run, String> {
    let mut world = World::new(script)?;
    if script.was_streaming
        && let Some(first) = world.benches.first_mut()
    {
        first.stream_for_somebody_else(&world.clock);
    }
    let disk = SimulatedDisk::new(script.seed);
    disk.set_short_writes(script.disk.short_writes);
    let plan = if script.planned { Some(plan()?) } else { None };
    let begun = begun(plan.as_ref());
    let options = Options {
        segment_bytes: script.disk.segment_bytes,
        sync_interval: None,
        reserve_bytes: script.disk.reserve_bytes,
        ..Options::default()
    };
    let journal = Writer::create(
        disk.shared(),
        Path::new(FOLDER),
        uuid::Uuid::from_u128(1),
        "simulated world",
        options,
    )
    .map_err(|error| error.to_string())?;
    if let Some(bytes) = script.disk.capacity_bytes {
        disk.set_capacity_bytes(bytes);
    }
    // Calls are counted from where the script has them fail.
    disk.fail(script.disk.fails.filter(|(at_s, _)| *at_s == 0.0).map(|(_, fail)| fail));
    let clock: Arc<dyn Clock> = world.clock.clone();
    let handover = Arc::clone(&world.handover);
    let cables = world.benches.iter().map(|bench| Box::new(bench.cable.clone()) as Box<dyn Cable>);
    let progress = journal.progress();
    let begin = Session::begin(clock, handover, journal, cables.collect(), plan, &begun);
    let end = match begin {
        Ok(session) => world.live(session, &disk)?,
        Err(error) => {
            End { said: Vec::new(), finished: false, refused: Some(error.to_string()), crashed: None }
        }
    };
    let calls = disk.calls();
    disk.fail(None);
    disk.set_capacity_bytes(u64::MAX);
    let appended = read::read_all(disk.shared(), Path::new(FOLDER)).map(|(records, _)| records);
    match end.crashed {
        Some(Crash::PowerLost) => disk.lose_power(),
        _ => disk.kill_process(),
    }
    Ok(Run {
        truths: world.benches.into_iter().map(|bench| bench.truth).collect(),
        disk,
        said: end.said,
        appended: appended.unwrap_or_default(),
        appended_count: progress.appended_number().map_or(0, |number| number + 1),
        synced_count: progress.synced_number().map_or(0, |number| number + 1),
        taken: world.taken,
        calls,
        finished: end.finished,
        refused: end.refused,
        crashed: end.crashed,
        utc_ns: world.clock.utc_ns(),
    })
}

/// What is known as the visit begins.
fn begun(plan: Option<&Plan>) -> Begun {
    Begun {
        visit_id: uuid::Uuid::from_u128(1).to_string(),
        participant: "P001".to_owned(),
        examiner: String::new(),
        consent: String::new(),
        about: Vec::new(),
        plan: plan.map(Plan::to_toml).unwrap_or_default(),
        software: "simulated world".to_owned(),
        started_utc: "2026-03-02T09:00:00Z".to_owned(),
        utc_offset: "+00:00".to_owned(),
    }
}

/// How a session ended.
struct End {
    said: Vec<Said>,
    finished: bool,
    refused: Option<String>,
    crashed: Option<Crash>,
}

/// When what is due next, ns of true time.
struct Due {
    tick_ns: u64,
    sync_ns: u64,
    sleep: Option<(u64, u64)>,
    civil: Option<(u64, i64)>,
    accept_ns: Option<u64>,
    disk_ns: Option<u64>,
    stop_ns: u64,
    give_up_ns: u64,
}

fn ns(seconds: f64) -> u64 {
    (seconds * 1e9) as u64
}

impl Due {
    fn new(script: &Script) -> Due {
        Due {
            tick_ns: 0,
            sync_ns: 0,
            sleep: script.host.sleeps.map(|(at_s, for_s)| (ns(at_s), ns(for_s))),
            civil: script.host.civil_step.map(|(at_s, by_s)| (ns(at_s), (by_s * 1e9) as i64)),
            accept_ns: script.accepted_s.map(ns),
            disk_ns: script.disk.fails.map(|(at_s, _)| ns(at_s)).filter(|at_ns| *at_ns > 0),
            stop_ns: ns(script.lasts_s),
            give_up_ns: u64::MAX,
        }
    }
}

impl<'a> World<'a> {
    fn new(script: &'a Script) -> Result<Self, String> {
        let faults = (&script.board, script.past, &script.cable);
        let mut benches = vec![Bench::new(script, (0, "SIM-0001", script.seed), faults)?];
        if let Some(second) = &script.second {
            let faults = (&second.board, Past::default(), &second.cable);
            benches.push(Bench::new(script, (1, "SIM-0101", script.seed ^ SECOND), faults)?);
        }
        let world = World {
            script,
            clock: Arc::new(WorldClock::default()),
            handover: Handover::new(script.host.handover_bytes),
            benches,
            taken: Vec::new(),
        };
        Ok(world)
    }

    /// Everything goes on until there is an end.
    fn live(&mut self, mut session: Session, disk: &SimulatedDisk) -> Result<End, String> {
        let began_ns = self.clock.true_ns();
        let mut due = Due::new(self.script);
        let mut said = Vec::new();
        let stall = self.script.host.stalls.map(|(at_s, for_s)| ns(at_s)..ns(at_s + for_s));
        let crash = self.script.host.crash.map(|(at_s, crash)| (ns(at_s), crash));
        loop {
            let random = self.benches.first_mut().map_or(0, |first| first.random.below(16));
            self.clock.pass(2_000_000 + random as u64 * 1_000_000);
            let now_ns = self.clock.true_ns() - began_ns;
            self.benches.iter_mut().for_each(|bench| bench.go_on(&self.clock, &self.handover));
            self.surroundings(&mut due, now_ns, disk);
            if let Some((_, crash)) = crash.filter(|(at_ns, _)| *at_ns <= now_ns) {
                return Ok(End { said, finished: false, refused: None, crashed: Some(crash) });
            }
            if stall.as_ref().is_some_and(|stall| stall.contains(&now_ns)) {
                continue;
            }
            let happened = self.host(&mut session, &mut due, now_ns);
            said.append(&mut session.said);
            if let Err(error) = happened {
                let refused = Some(error.to_string());
                session.give_up("failed");
                return Ok(End { said, finished: false, refused, crashed: None });
            }
            if session.ended().is_some() {
                return Ok(self.finish(session, said));
            }
            if session.is_ending() && now_ns >= due.give_up_ns {
                return Err(format!("asked to stop, the session has not ended within {PATIENCE_S} s"));
            }
        }
    }

    fn finish(&mut self, session: Session, said: Vec<Said>) -> End {
        self.take_note_of_the_handover();
        match session.finish("time over") {
            Ok(_) => End { said, finished: true, refused: None, crashed: None },
            Err(error) => End { said, finished: false, refused: Some(error.to_string()), crashed: None },
        }
    }

    /// What happens to the host and its disk.
    fn surroundings(&mut self, due: &mut Due, now_ns: u64, disk: &SimulatedDisk) {
        if let Some((_, for_ns)) = due.sleep.take_if(|(at_ns, _)| *at_ns <= now_ns) {
            self.clock.sleep(for_ns);
            due.give_up_ns = due.give_up_ns.saturating_add(for_ns);
        }
        if let Some((_, by_ns)) = due.civil.take_if(|(at_ns, _)| *at_ns <= now_ns) {
            self.clock.step_civil(by_ns);
        }
        if due.disk_ns.take_if(|at_ns| *at_ns <= now_ns).is_some() {
            disk.fail(self.script.disk.fails.map(|(_, fail)| fail));
        }
        if now_ns >= due.stop_ns {
            self.benches.iter().for_each(|bench| bench.cable.heal());
        }
    }

    /// One round of the recording program.
    fn host(&mut self, session: &mut Session, due: &mut Due, now_ns: u64) -> Result<(), JournalError> {
        self.take_note_of_the_handover();
        session.drain()?;
        if now_ns >= due.tick_ns {
            due.tick_ns = now_ns + TICK_NS;
            session.tick()?;
        }
        if now_ns >= due.sync_ns {
            due.sync_ns = now_ns + ns(self.script.disk.sync_s);
            // As the sync thread does: it tries again next time.
            let _ = session.recorder().journal().sync_now();
        }
        if due.accept_ns.take_if(|at_ns| *at_ns <= now_ns).is_some() {
            session.act(Action::AcceptSensor.to_json())?;
        }
        if now_ns >= due.stop_ns && !session.is_ending() {
            due.give_up_ns = now_ns + ns(PATIENCE_S);
            session.stop("time over")?;
        }
        Ok(())
    }

    /// What the session is about to take.
    fn take_note_of_the_handover(&mut self) {
        for item in self.handover.take() {
            if let Item::Chunk { bytes, .. } = &item {
                self.taken.extend(bytes);
            }
            self.handover.push(item);
        }
    }
}
