//! What a sensor does on the bench without known forces: its zero by attitude, its creep and recovery, its step response.

use super::Args;
use super::asked::Asked;
use super::outcome::Guided;
use crate::clock::rfc3339;
use crate::journal::SystemDisk;
use crate::sensors;
use analysis::console::{self, Hint, advised, clean};
use analysis::documents;
use analysis::report::sensor::NO_LABORATORY;
use analysis::sensor::attitude;
use analysis::sensor::certificate::Certificate;
use analysis::sensor::creep::{Creep, INITIAL_S, STANDARD_S};
use analysis::sensor::properties::{MeasuredAttitude, MeasuredCreep};
use analysis::sensor::step::Step;
use anyhow::{Context as _, anyhow};
use serde_json::Value;
use std::process::{Command, Stdio};

/// Before and after a step nothing changes for at least so long, s: the levels on either side are read there.
const STEP_STILL_S: f64 = 3.0;
/// Loading by hand is over after this, s.
const LOADING_S: f64 = 1.0;

/// Keeps and tells the zeros in six orientations.
pub(super) fn attitude(args: &Args, session: &Guided) -> anyhow::Result<()> {
    let identity = session.identity()?;
    let channel = identity.channels.get(args.asked.channel - 1).context("the channel is gone")?;
    let curves = session.guide.calibration().and_then(Certificate::curves);
    let force_n = |counts: f64| match &curves {
        Some(curves) => curves.force_n(counts),
        None => counts * channel.scale.n_per_count,
    };
    let of = attitude::of(&session.guide.points(), force_n).context("an orientation was not read")?;
    let measured =
        MeasuredAttitude { when_utc: rfc3339(session.utc_ns), attitude: of, visit_id: session.visit_id() };
    let serial = &identity.serial;
    let path = sensors::keep_attitude(&SystemDisk, &session.data, (serial, args.asked.channel), &measured);
    let path = path.map_err(advised)?;
    let text = if args.json {
        documents::json(documents::ATTITUDE, &measured)?
    } else {
        let scale = if curves.is_some() { "calibrated" } else { "nominal" };
        format!(
            "sensor {}, channel {} ({scale} scale)\n{}kept in {}\n",
            clean(serial),
            args.asked.channel,
            measured.attitude.words(),
            path.display()
        )
    };
    Ok(console::result(&text)?)
}

/// Has the recording judged, keeps and tells the creep.
pub(super) fn creep(args: &Args, load: &str, session: &Guided) -> anyhow::Result<()> {
    let lasts_s = 60.0 * args.asked.minutes;
    let of = judged(args, session, lasts_s)?;
    let read = |name: &str| serde_json::from_value::<Option<Creep>>(of[name].clone()).ok().flatten();
    let creep = read("creep").ok_or_else(|| {
        let notes: Vec<&str> =
            of["notes"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        anyhow!("no creep can be told from the recording: {}", clean(&notes.join("; ")))
            .context(Hint::new("load at once, stay away, and unload only when asked to; then do it again"))
    })?;
    let recovery = read("recovery");
    let measured = MeasuredCreep {
        when_utc: rfc3339(session.utc_ns),
        load_n: creep.load_n,
        lasted_s: creep.to_s,
        relative: (creep.change_n.value.abs() + creep.change_n.expanded) / creep.load_n.abs(),
        visit_id: session.visit_id(),
    };
    let serial = &session.identity()?.serial;
    let path = sensors::keep_creep(&SystemDisk, &session.data, (serial, args.asked.channel), &measured);
    let path = path.map_err(advised)?;
    let text = if args.json {
        let told = serde_json::json!({ "creep": creep, "recovery": recovery, "kept": measured });
        documents::json(documents::CREEP, &told)?
    } else {
        let figure = |of: &Creep| {
            let (change, third) = (of.change_n, of.last_third_n);
            format!(
                "{:+.4} ± {:.4} N from {:.0} s to {:.0} s, {:+.4} ± {:.4} N in the last third",
                change.value, change.expanded, of.from_s, of.to_s, third.value, third.expanded
            )
        };
        let standard = if creep.is_standard { "" } else { " (shorter than the 30 min of OIML R 60)" };
        format!(
            "sensor {}, channel {}, {load} ({:.2} N){standard}\ncreep: {}\nrecovery: {}\nin later budgets: ± {:.3} % of \
             the force\nkept in {}\n{NO_LABORATORY}\n",
            clean(serial),
            args.asked.channel,
            creep.load_n,
            figure(&creep),
            recovery.as_ref().map_or_else(|| "not told: unloaded for too short a time".to_owned(), figure),
            100.0 * measured.relative,
            path.display()
        )
    };
    Ok(console::result(&text)?)
}

/// How long nothing changes before and after a step, s.
pub(super) fn step_still_s(asked: &Asked) -> f64 {
    asked.still.max(STEP_STILL_S)
}

/// Has the recording judged, and tells the fastest step.
pub(super) fn step(args: &Args, load: &str, session: &Guided) -> anyhow::Result<()> {
    let of = judged(args, session, step_still_s(&args.asked))?["step"].take();
    let of = serde_json::from_value::<Option<Step>>(of).ok().flatten().ok_or_else(|| {
        anyhow!("no step can be told from the recording").context(Hint::new(
            "let the load hang still, take it off at once, and leave the sensor alone; then do it again",
        ))
    })?;
    let told = documents::json(documents::STEP, &serde_json::json!({ "load": load, "step": of }))?;
    let text = if args.json {
        told
    } else {
        format!(
            "sensor {}, channel {}, {load} ({:.2} N): the fastest step\n10 to 90 %: {:.4} s, known within {:.4} s; \
             overshoot {:.1} %; within 1 % after {:.3} s; bandwidth about {:.1} Hz\nA thread that is cut is a step; with a \
             hand that lifts, the hand is in it.\n{NO_LABORATORY}\n",
            clean(&session.identity()?.serial),
            args.asked.channel,
            of.size_n.abs(),
            of.rise_s,
            of.rise_within_s,
            of.overshoot_percent,
            of.settling_s,
            of.bandwidth_hz
        )
    };
    Ok(console::result(&text)?)
}

/// What `fingerforce sensor` says of the session's recording and channel, in a child: it opens an HDF5 file.
fn judged(args: &Args, session: &Guided, lasts_s: f64) -> anyhow::Result<Value> {
    // As the standard's 10 s are to its 30 min, so is the initial reading to a shorter test; loading alone takes a while.
    let initial_s = (INITIAL_S * lasts_s / STANDARD_S).clamp(LOADING_S, INITIAL_S);
    // Whoever loads takes a little, and so does a sensor to settle.
    let shortest_s = 0.8 * lasts_s;
    let recording = session.folder.join("recording-1.h5");
    let output = Command::new(std::env::current_exe()?)
        .arg("show")
        .arg(&recording)
        .args(["--sensor", "--initial", &initial_s.to_string(), "--shortest", &shortest_s.to_string()])
        .stderr(Stdio::inherit())
        .output()
        .context("cannot start the child that judges the recording")?;
    anyhow::ensure!(output.status.success(), "{} could not be judged", recording.display());
    let told: Value = serde_json::from_slice(&output.stdout)?;
    let all = told["validations"].as_array().map(Vec::as_slice).unwrap_or_default();
    let of = all.iter().find(|of| of["channel"].as_u64() == Some(args.asked.channel as u64));
    of.cloned().context("the recording has no such channel")
}
