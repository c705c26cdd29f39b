//! What there is to choose from before a visit: sensors, plans, whether the machine is ready.

use super::desk::Setting;
use super::guard::{Problem, Refusal, Role, refusal};
use super::routes::{App, examiners_only};
use crate::check;
use crate::clock::{Clock, SystemClock};
use crate::journal::SystemDisk;
use crate::participant;
use crate::port::cable::Line;
use crate::sensors;
use crate::visit::plan::{Plan, builtin};
use axum::extract::State;
use axum::http::StatusCode;
use axum::{Extension, Json};
use serde::Serialize;
use std::path::Path;
use utoipa::ToSchema;

/// What there is to choose from before a visit.
#[derive(Debug, Serialize, ToSchema)]
pub struct Setup {
    /// The port on which a sensor is looked for; "" none is there.
    port: String,
    /// What is wrong with the sensor's port, "" nothing.
    port_problem: String,
    /// The sensors that are there, to be calibrated or checked.
    sensors: Vec<SensorChoice>,
    /// Whether the machine is ready.
    checks: Vec<Check>,
    /// The plans that are built in.
    plans: Vec<PlanChoice>,
    /// What may be said of a participant beside the code.
    about: Vec<participant::Asked>,
    /// An interrupted visit waits to be resumed.
    interrupted: bool,
}

/// A sensor that is there.
#[derive(Debug, Serialize, ToSchema)]
struct SensorChoice {
    port: String,
    /// Serial number of the sensor seen there before; "" none was.
    serial: String,
    /// It has a calibration.
    calibrated: bool,
    /// Why a check with one mass is due; "" none is.
    check_due: String,
}

/// A question about the machine, and its answer.
#[derive(Debug, Serialize, ToSchema)]
struct Check {
    what: String,
    /// `good`, `warning` or `failure`.
    state: String,
    told: String,
    hint: String,
}

/// A plan that is built in.
#[derive(Debug, Serialize, ToSchema)]
struct PlanChoice {
    name: String,
    title: String,
    /// How long it takes.
    duration: String,
    /// What a reader must know of it.
    note: String,
    /// It asks for consent.
    research: bool,
}

/// Whether the machine and the sensor are ready, and which plans there are.
#[utoipa::path(get, path = "/api/setup", responses((status = 200, body = Setup), (status = 403, body = Problem)))]
pub async fn setup(State(app): State<App>, Extension(role): Extension<Role>) -> Result<Json<Setup>, Refusal> {
    examiners_only(role)?;
    let looked = tokio::task::spawn_blocking(move || look(&app.setting, app.data.path())).await;
    looked.map(Json).map_err(|_| refusal(StatusCode::INTERNAL_SERVER_ERROR, "could not look", "try again"))
}

fn look(setting: &Setting, data: &Path) -> Setup {
    let names = &setting.ports.names;
    let (port, port_problem) = match names.iter().find(|name| !Path::new(name).exists()) {
        Some(name) => (String::new(), format!("{name} is not there")),
        None if names.is_empty() => known(data),
        None => (names.join(", "), String::new()),
    };
    let now_utc_ns = SystemClock.utc_ns();
    let checks = check::check(&SystemDisk::shared(), data, now_utc_ns);
    let word = |state: check::State| match state {
        check::State::Good => "good",
        check::State::Warning => "warning",
        check::State::Failure => "failure",
    };
    let checks = checks.into_iter().map(|line| Check {
        what: line.what.to_owned(),
        state: word(line.state).to_owned(),
        told: line.told,
        hint: line.hint,
    });
    let plans = builtin::ALL.iter().filter_map(|(name, text)| {
        let plan = Plan::parse(text).ok()?;
        Some(PlanChoice {
            name: (*name).to_owned(),
            duration: plan.duration(),
            title: plan.title,
            note: plan.note,
            research: plan.research,
        })
    });
    let interrupted = crate::command::start::interrupted(data);
    let there = port_problem.is_empty().then(|| setting.ports.lines(Some(data)).ok()).flatten();
    let sensor = |line: Line| {
        let serial = sensors::seen_on(&SystemDisk, data, &line.name);
        let (calibrated, check_due) = check::due(&SystemDisk, data, &serial, now_utc_ns);
        SensorChoice { port: line.name, serial, calibrated, check_due }
    };
    Setup {
        sensors: there.into_iter().flatten().map(sensor).collect(),
        port,
        port_problem,
        checks: checks.collect(),
        plans: plans.collect(),
        about: participant::asked().collect(),
        interrupted,
    }
}

/// The port with a sensor seen before.
fn known(data: &Path) -> (String, String) {
    let known = sensors::all(&SystemDisk, data).unwrap_or_default();
    let ports = crate::port::find::find().unwrap_or_default();
    match sensors::present(&known, &ports)[..] {
        [port] => (port.best_name().to_owned(), String::new()),
        [] => (
            String::new(),
            "no sensor that was seen before is plugged in; name its port with --port".to_owned(),
        ),
        [..] => (String::new(), "more than one known sensor is plugged in; name one with --port".to_owned()),
    }
}
