//! A participant's earlier visits on the page: the last one with its conditions before a visit, the changes after it.
//!
//! Comes in: a code, or a visit chosen from the list. Goes out: what a child read from the recordings (HDF5 is opened
//! nowhere else).

use super::guard::{Problem, Refusal, Role, refusal};
use super::routes::{App, child, examiners_only, json_text, recordings};
use crate::data_folder::{self, FolderError};
use crate::seal;
use analysis::console::Advice;
use axum::extract::{Query, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::{Extension, Json};
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use utoipa::ToSchema;

/// The site's own measurement error, in the data folder: what `fingerforce reliability --json` printed. Changes are held
/// against it, and it stands beside each result.
const RELIABILITY: &str = "reliability.json";

/// A visit of which there is a recording.
#[derive(Debug, Serialize, ToSchema)]
pub(super) struct Past {
    /// By this it is asked for.
    visit: String,
    /// When it began (RFC 3339).
    began_utc: String,
}

#[derive(Debug, Deserialize, utoipa::IntoParams)]
pub(super) struct Whose {
    /// The participant's code.
    participant: String,
}

#[derive(Debug, Deserialize, utoipa::IntoParams)]
pub(super) struct Which {
    /// As it is listed.
    visit: String,
}

#[derive(Debug, Deserialize, utoipa::IntoParams)]
pub(super) struct Since {
    /// An earlier visit, as it is listed; "" none.
    #[serde(default)]
    since: String,
}

/// A participant's visits of which there is a recording, the newest first.
#[utoipa::path(get, path = "/api/visits", params(Whose), responses((status = 200, body = Vec<Past>), (status = 400, body = Problem)))]
pub(super) async fn visits(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(whose): Query<Whose>,
) -> Result<Json<Vec<Past>>, Refusal> {
    examiners_only(role)?;
    let code = whose.participant;
    if code.is_empty() {
        return Ok(Json(Vec::new()));
    }
    analysis::code::check("participant", &code)
        .map_err(|error| refusal(StatusCode::BAD_REQUEST, &error.to_string(), ""))?;
    let (known, data) = (Arc::clone(&app.visits), Arc::clone(&app.data));
    let found = tokio::task::spawn_blocking(move || known.of(data.disk(), data.path(), &code)).await;
    let found =
        found.map_err(|_| refusal(StatusCode::INTERNAL_SERVER_ERROR, "could not look", "try again"))?;
    let found = found.map_err(|error| refused(&error))?;
    Ok(Json(found.iter().filter_map(|recording| past(recording)).collect()))
}

fn refused(error: &FolderError) -> Refusal {
    refusal(StatusCode::INTERNAL_SERVER_ERROR, &error.to_string(), &error.hint())
}

fn past(recording: &Path) -> Option<Past> {
    let visit = recording.parent()?.file_name()?.to_string_lossy().into_owned();
    Some(Past { began_utc: data_folder::began_utc(&visit)?, visit })
}

/// The latest recording of a visit that is listed. Its name is looked for in the list: no path is made of it.
async fn recording(app: &App, visit: String) -> Result<PathBuf, Refusal> {
    let data = Arc::clone(&app.data);
    let find = move || {
        let folders = data_folder::visits(&**data.disk(), data.path())?;
        let folder = folders.into_iter().find(|folder| folder.file_name().is_some_and(|it| *it == *visit));
        let latest = folder.map(|folder| seal::recordings(&**data.disk(), &folder)).transpose()?;
        Ok(latest.and_then(|mut all| all.pop()).map(|(_, recording)| recording))
    };
    let found: Result<Result<_, FolderError>, _> = tokio::task::spawn_blocking(find).await;
    let none =
        || refusal(StatusCode::NOT_FOUND, "there is no recording of such a visit", "choose one of the list");
    found.map_err(|_| none())?.map_err(|error| refused(&error))?.ok_or_else(none)
}

/// A visit's results and how they were taken, for whoever begins the next one.
#[utoipa::path(get, path = "/api/earlier", params(Which), responses((status = 200, description = "when, by whom, items with their conditions, observations"), (status = 404, body = Problem)))]
pub(super) async fn earlier(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(which): Query<Which>,
) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let recording = recording(&app, which.visit).await?;
    child(vec!["show".into(), recording.into(), "--earlier".into()]).await.map(json_text)
}

/// The changes of the last visit since an earlier one, as `fingerforce compare` tells them.
#[utoipa::path(get, path = "/api/changes", params(Since), responses((status = 200, description = "changes, and what a reader must know"), (status = 400, body = Problem), (status = 409, body = Problem)))]
pub(super) async fn changes(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(since): Query<Since>,
) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let mut arguments = shown(&app)?;
    arguments.extend(since_arguments(&app, since.since).await?);
    child(arguments).await.map(json_text)
}

/// The last visit's report: one page for the chart; with the changes since an earlier visit, where one is named.
#[utoipa::path(get, path = "/report", params(Since), responses((status = 200, description = "a page without scripts"), (status = 400, body = Problem), (status = 409, body = Problem)))]
pub(super) async fn report(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(since): Query<Since>,
) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let mut arguments = shown(&app)?;
    arguments.push("--report".into());
    if since.since.is_empty() {
        arguments.extend(own_repeats(&app));
    } else {
        arguments.extend(since_arguments(&app, since.since).await?);
    }
    let page = child(arguments).await?;
    let policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'";
    let kinds =
        [(header::CONTENT_TYPE, "text/html; charset=utf-8"), (header::CONTENT_SECURITY_POLICY, policy)];
    Ok((kinds, page).into_response())
}

/// The last visit's latest recording, to be shown.
fn shown(app: &App) -> Result<Vec<OsString>, Refusal> {
    let (_, last) = recordings(app)?;
    Ok(vec!["show".into(), last.into()])
}

async fn since_arguments(app: &App, visit: String) -> Result<Vec<OsString>, Refusal> {
    let earlier = recording(app, visit).await?;
    let mut arguments: Vec<OsString> = vec!["--since".into(), earlier.into()];
    arguments.extend(own_repeats(app));
    Ok(arguments)
}

/// What names the site's own measurement error, where there is any.
pub(super) fn own_repeats(app: &App) -> Vec<OsString> {
    let own = app.data.path().join(RELIABILITY);
    if own.exists() { vec!["--reliability".into(), own.into()] } else { Vec::new() }
}
