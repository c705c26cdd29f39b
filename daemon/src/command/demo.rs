//! `fingerforced demo`: everything, without hardware, in under a minute.
//!
//! A simulated sensor on a real pseudo-terminal in a process of its own; a short plan of make tests; the journal; the
//! sealed recording; the table; the plots. Nothing in it is faked but the hand.

use super::record;
use super::sensor_ports::Ports;
use crate::port::DEFAULT_BAUD;
use crate::stderr;
use crate::visit::plan::Plan;
use anyhow::Context;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// Everything without hardware, in under a minute: a simulated sensor on a pseudo-terminal, a short plan of make tests
/// (12 trials), the journal, the sealed recording, the table and the plots
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Folder for all of it
    #[arg(long, default_value = "finger-force-demo")]
    pub out: PathBuf,
}

/// Two muscles, both sides; shortened so that the whole takes less than a minute.
const PLAN: &str = include_str!("demo.toml");
/// Peak of each item's efforts, N: an invented person, weaker on the right.
const PEAKS_N: [f64; 4] = [31.0, 17.5, 24.0, 13.0];
/// From one effort to the next, s.
const PERIOD_S: &str = "3.7";

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let plan = Plan::parse(PLAN)?;
    std::fs::create_dir_all(&args.out).with_context(|| format!("cannot make {}", args.out.display()))?;
    let out = args.out.canonicalize()?;
    let (port, plan_file) = (out.join("sensor"), out.join("plan.toml"));
    std::fs::write(&plan_file, PLAN)?;
    stderr::say(&format!(
        "{}: {} items. Holds and rests are shortened, the sensor and the hand are simulated.",
        plan.title,
        plan.items.len()
    ));
    let sensor = Simulated::start(&port)?;
    let recorded = record::record(&record::Args {
        ports: Ports::one(Some(port.display().to_string()), DEFAULT_BAUD),
        plan: Some(plan_file),
        allow: Vec::new(),
        involved: None,
        screen: record::Screen::Examiner,
        participant: "D001".to_owned(),
        examiner: "E01".to_owned(),
        data: Some(out.clone()),
        seconds: None,
        keep_free: 256,
        about: Vec::new(),
        consent_version: None,
        consent_date: None,
        resume: None,
        json: false,
        no_seal: true,
        practice: None,
    });
    drop(sensor);
    let (recorded, _) = recorded?;
    stderr::say("sealing the journal into a recording");
    super::seal_in_child(&recorded.folder, None)?;
    if let Some(failure) = recorded.failure {
        return Err(failure);
    }
    show(&recorded.folder, &out)
}

/// The table and the plots, in a child because they read the recording; then where everything is.
fn show(folder: &Path, out: &Path) -> anyhow::Result<()> {
    let (recording, plots) = (folder.join("recording-1.h5"), out.join("plots"));
    let status = Command::new(std::env::current_exe()?)
        .arg("show")
        .arg(&recording)
        .arg("--plots")
        .arg(&plots)
        .status()?;
    anyhow::ensure!(status.success(), "the recording could not be shown");
    analysis::console::result(&format!(
        "recording  {}\nplots      {}\njournal    {}\n",
        recording.display(),
        plots.display(),
        folder.join(crate::journal::segment_name(0)).display()
    ))?;
    Ok(())
}

/// The simulated sensor's process; it ends with this value.
struct Simulated(Child);

impl Simulated {
    fn start(link: &Path) -> anyhow::Result<Simulated> {
        // A link that an earlier run left behind leads nowhere; the wait below is for the new one.
        if std::fs::symlink_metadata(link).is_ok_and(|there| there.is_symlink()) {
            std::fs::remove_file(link)?;
        }
        let mut command = Command::new(std::env::current_exe()?);
        command
            .arg("simulate")
            .arg("--link")
            .arg(link)
            .args(["--first", "2.2", "--period", PERIOD_S, "--repeat"]);
        for peak_n in PEAKS_N {
            for _ in 0..3 {
                command.arg("--effort").arg(format!("make:{peak_n}:1.2"));
            }
        }
        let child = command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null()).spawn()?;
        let mut simulated = Simulated(child);
        for _ in 0..1000 {
            if link.exists() {
                return Ok(simulated);
            }
            anyhow::ensure!(simulated.0.try_wait()?.is_none(), "the simulated sensor ended at once");
            std::thread::sleep(Duration::from_millis(10));
        }
        anyhow::bail!("the simulated sensor made no port within 10 s")
    }
}

impl Drop for Simulated {
    fn drop(&mut self) {
        use nix::sys::signal::{Signal, kill};
        use nix::unistd::Pid;
        if let Ok(pid) = i32::try_from(self.0.id()) {
            // It may have ended by itself already.
            let _ = kill(Pid::from_raw(pid), Signal::SIGTERM);
        }
        let _ = self.0.wait();
    }
}
