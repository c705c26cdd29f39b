//! A guided session at the terminal: the shell around a recording and a [`Guide`]. Says what to do, journals what was read.

use super::Args;
use super::asked::Asked;
use super::check::not_calibrated;
use super::outcome::{DONE, Guided};
use crate::clock::{Clock, SystemClock};
use crate::command::sensor_ports::Ports;
use crate::command::start::{self, Whose};
use crate::command::{check, keys, record};
use crate::core::{Begun, Said};
use crate::data_folder::DataFolder;
use crate::guide::programme::Step;
use crate::guide::{Guide, Out};
use crate::health::Health;
use crate::shell::{self, Audience, Shell};
use crate::stderr;
use crate::terminal::Terminal;
use crate::typing::{Typed, Typing};
use crate::visit::engine::Visit;
use analysis::console::{Hint, advised};
use analysis::report::sensor::NO_LABORATORY;
use anyhow::{Context as _, anyhow};
use std::path::Path;
use std::sync::Arc;
use tokio::signal::unix::{SignalKind, signal};

/// Goes through the steps with whoever loads the sensor, records and seals.
pub(super) async fn guided(args: &Args, steps: Vec<Step>) -> anyhow::Result<Guided> {
    let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let lines = Ports::one(args.port.clone(), args.baud).lines(args.data.as_deref())?;
    let whose = Whose { examiner: args.asked.operator.clone(), ..Whose::default() };
    start::checked(&whose, None, SystemClock.utc_ns())?;
    let (orders, waiting) = tokio::sync::mpsc::channel(16);
    let mut seen = Seen::new(args, steps);
    let mut place = None;
    let mut shell = Shell::open(&lines, &mut seen, waiting, || {
        let data = Arc::new(DataFolder::open(args.data.as_deref()).map_err(advised)?);
        check::warn(data.path());
        place = Some((data.path().to_owned(), SystemClock.utc_ns()));
        let start = start::new(&whose, None, lines.len(), record::KEEP_FREE_MIB, &data)?;
        Ok((data, start))
    })?;
    stderr::say(&format!("{NO_LABORATORY} Secure the masses; stay below the sensor's rated force."));
    tokio::spawn(record::obey(signals, orders.clone()));
    shell.audience().typing = keys::lines(orders);
    let ended = shell.run(None).await;
    let recorded = shell.close(ended)?;
    if let Some(failure) = recorded.failure {
        return Err(failure);
    }
    // The recording is made all the same; its samples are what the record stands on.
    seal(&recorded.folder, args.json)?;
    let (data, utc_ns) = place.unwrap_or_default();
    let session = Guided { guide: seen.guide, folder: recorded.folder, data, utc_ns };
    session.identity()?;
    Ok(session)
}

/// As JSON, stdout is for the result alone.
fn seal(folder: &Path, quietly: bool) -> anyhow::Result<()> {
    if !quietly {
        return crate::command::seal_in_child(folder, None);
    }
    let mut child = std::process::Command::new(std::env::current_exe()?);
    let output = child.arg("recover").arg(folder).stderr(std::process::Stdio::inherit()).output();
    let output = output.context("cannot start the child that seals")?;
    anyhow::ensure!(output.status.success(), "the recording in {} was not written", folder.display());
    Ok(())
}

/// Whoever loads the sensor: what they are told, what they type, what was read.
struct Seen {
    guide: Guide,
    asked: Asked,
    terminal: Terminal,
    typing: Typing,
}

impl Seen {
    fn new(args: &Args, steps: Vec<Step>) -> Seen {
        Seen {
            guide: Guide::new(steps, args.asked.still, args.asked.channel),
            asked: args.asked.clone(),
            terminal: Terminal::new(args.json),
            typing: Typing::new(false),
        }
    }
}

impl Audience for Seen {
    fn begin(&mut self, _: &Begun, _: &Arc<dyn Clock>) {}

    fn hear(&mut self, said: &[Said], _: Option<&Visit>, ports: &shell::Ports) {
        for said in said {
            // A load that hangs is no trial to be told of.
            if !matches!(said, Said::Trial(_)) {
                self.terminal.hear(said, ports);
            }
            if let Said::Pipeline(output) = said {
                self.guide.hear(output);
            }
        }
        self.terminal.refusal = unfit(&self.guide, &self.asked).or(self.terminal.refusal.take());
    }

    fn tick(&mut self, now_ns: u64, health: &Health) -> Vec<String> {
        self.terminal.tick(now_ns, &health.wire, health.sync_age_ns);
        let out = self.guide.take();
        for out in &out {
            match out {
                Out::Ask(words) | Out::Say(words) => self.terminal.line(words),
                Out::Read(reading) => {
                    let (known_n, samples) = (reading.reference_n, reading.samples);
                    self.terminal.line(&format!("  read: {known_n:.4} N known, {samples} samples"));
                }
                Out::Withdrawn(_) => self.terminal.line("  the last reading does not count"),
                Out::Step(_) | Out::Done => {}
            }
        }
        out.iter().filter_map(Out::to_json).collect()
    }

    fn typed(&mut self, bytes: &[u8], now_ns: u64) -> Vec<String> {
        for typed in self.typing.hear(bytes, now_ns, false) {
            if let Typed::Line(line) = typed {
                self.guide.typed(&line);
            }
        }
        Vec::new()
    }

    fn has_enough(&self) -> Option<&'static str> {
        self.guide.is_done().then_some(DONE)
    }

    fn end(&mut self) {
        stderr::clear();
    }

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.terminal.refusal.take()
    }
}

/// Why nothing can come of it with this sensor, once it has said who it is.
pub(crate) fn unfit(guide: &Guide, asked: &Asked) -> Option<anyhow::Error> {
    let (identity, channel) = (guide.identity()?, asked.channel);
    let there = identity.channels.len();
    if there < channel {
        let error = anyhow!("the sensor has no channel {channel}, only {there}");
        return Some(error.context(Hint::new("choose one with --channel")));
    }
    (asked.check && guide.calibration().is_none()).then(|| not_calibrated(&identity.serial))
}
