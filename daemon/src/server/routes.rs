//! What is served: the page's files, the API, the live connection. `/openapi.json` is made from the code here; the copy in
//! the repository is held to it by a test.

use super::desk::{Asks, Last, On, Orders, Request, Setting, Waiting, Wanted, WantedGuided};
use super::earlier;
use super::guard::{self, BODY_BYTES, Guard, Problem, Refusal, Role, refusal};
use super::live::{Live, Page};
use super::metrics;
use super::setup;
use crate::check;
use crate::command::correct::Asked;
use crate::command::keys::Lines;
use crate::data_folder::DataFolder;
use crate::health::Health;
use crate::shell::Order;
use crate::visits::Visits;
use analysis::corrections::{Change, Mark};
use axum::extract::ws::{Message, WebSocket, WebSocketUpgrade};
use axum::extract::{DefaultBodyLimit, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Extension, Json, Router};
use serde::{Deserialize, Serialize};
use std::ffi::OsString;
use std::path::PathBuf;
use std::process::Stdio;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use tokio::io::AsyncWriteExt as _;
use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use utoipa::{OpenApi, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// The largest word of a page.
const WORD_BYTES: usize = 1024;
/// Pages at a time.
pub const PAGES: usize = 32;
/// A page is told no oftener than this.
const SPACING: Duration = Duration::from_millis(8);
/// … and no more seldom.
const HEARTBEAT: Duration = Duration::from_millis(100);
/// A page that takes nothing for this long is gone.
const STUCK: Duration = Duration::from_secs(5);

/// What the handlers need.
#[derive(Clone)]
pub struct App {
    /// The door.
    pub guard: Arc<Guard>,
    /// What pages are told.
    pub live: Arc<Live>,
    /// The counters.
    pub health: Arc<Mutex<Health>>,
    /// Where visits are asked for.
    pub requests: mpsc::Sender<Request>,
    /// The way to the visit that is on.
    pub orders: Orders,
    /// The data folder.
    pub data: Arc<DataFolder>,
    /// The port.
    pub setting: Setting,
    /// The recording that was made last.
    pub last: Last,
    /// What came of the guided session.
    pub judged: Waiting,
    /// What pages enter, line by line.
    pub lines: Arc<Mutex<Lines>>,
    /// Whose visits are whose.
    pub visits: Arc<Visits>,
    /// Room for pages.
    pub pages: Arc<Semaphore>,
    /// True once the program ends.
    pub ended: watch::Receiver<bool>,
}

#[derive(OpenApi)]
#[openapi(info(
    title = "finger-force",
    description = "The daemon's own API, for its page and for scripts on the same machine. Every request but /enter and /healthz \
                   needs the cookie that a link gives (/metrics takes the key in DATA/server/watch.key as a bearer token, too); every request that changes something needs an Origin header of the \
                   page's own address. /api/live is a WebSocket: DEVELOPERS.md says what travels on it."
))]
struct Document;

/// The routes, and their description.
fn described() -> (Router<App>, utoipa::openapi::OpenApi) {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(enter))
        .routes(routes!(healthz))
        .routes(routes!(numbers))
        .routes(routes!(openapi))
        .routes(routes!(live))
        .routes(routes!(setup::setup))
        .routes(routes!(begin))
        .routes(routes!(act))
        .routes(routes!(stop))
        .routes(routes!(end))
        .routes(routes!(guided))
        .routes(routes!(guided_act))
        .routes(routes!(judged))
        .routes(routes!(seen))
        .routes(routes!(link))
        .routes(routes!(results))
        .routes(routes!(trace))
        .routes(routes!(correct))
        .routes(routes!(earlier::visits))
        .routes(routes!(earlier::earlier))
        .routes(routes!(earlier::changes))
        .routes(routes!(earlier::report))
        .split_for_parts()
}

/// Everything that is served.
pub fn router(app: App) -> Router {
    let (mut router, _) = described();
    for (path, kind, text) in FILES {
        router = router.route(path, get(move || async move { ([(header::CONTENT_TYPE, *kind)], *text) }));
    }
    router
        .route("/", get(index))
        .route("/participant", get(participant))
        // A browser asks for this by itself where a reload comes before the page's own link to its icon was read.
        .route(
            "/favicon.ico",
            get(async || ([(header::CONTENT_TYPE, "image/svg+xml")], include_str!("page/icon.svg"))),
        )
        .layer(DefaultBodyLimit::max(BODY_BYTES))
        .layer(axum::middleware::from_fn_with_state(Arc::clone(&app.guard), guard::check))
        .with_state(app)
}

macro_rules! files {
    ($($name:literal: $kind:literal),+ $(,)?) => {
        /// The page's files: path, kind, text.
        const FILES: &[(&str, &str, &str)] = &[$((concat!("/", $name), $kind, include_str!(concat!("page/", $name)))),+];
    };
}

files!(
    "page.css": "text/css; charset=utf-8",
    "examiner.js": "text/javascript; charset=utf-8",
    "participant.js": "text/javascript; charset=utf-8",
    "bench.js": "text/javascript; charset=utf-8",
    "connection.js": "text/javascript; charset=utf-8",
    "done.js": "text/javascript; charset=utf-8",
    "dom.js": "text/javascript; charset=utf-8",
    "hand.js": "text/javascript; charset=utf-8",
    "language.js": "text/javascript; charset=utf-8",
    "setup.js": "text/javascript; charset=utf-8",
    "sound.js": "text/javascript; charset=utf-8",
    "switch.js": "text/javascript; charset=utf-8",
    "trace.js": "text/javascript; charset=utf-8",
    "icon.svg": "image/svg+xml",
);

/// The page of whoever asks.
async fn index(Extension(role): Extension<Role>) -> Response {
    let text = match role {
        Role::Examiner => include_str!("page/examiner.html"),
        Role::Participant => include_str!("page/participant.html"),
    };
    ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response()
}

/// The participant's page, for a second window of the examiner's own browser too.
async fn participant() -> Response {
    index(Extension(Role::Participant)).await
}

/// As whom somebody speaks: the examiner's browser may show the participant's page.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
struct As {
    /// `participant`, or nothing.
    #[serde(rename = "as")]
    whom: Option<Role>,
}

impl As {
    fn role(&self, own: Role) -> Role {
        if self.whom == Some(Role::Participant) { Role::Participant } else { own }
    }
}

pub(super) fn examiners_only(role: Role) -> Result<(), Refusal> {
    match role {
        Role::Examiner => Ok(()),
        Role::Participant => {
            Err(refusal(StatusCode::FORBIDDEN, "this is the examiner's", "use the examiner's page"))
        }
    }
}

#[derive(Debug, Deserialize, utoipa::IntoParams)]
struct Entry {
    /// The link's key.
    key: String,
}

/// Uses up a link: sets the cookie that lets this browser in.
#[utoipa::path(get, path = "/enter", params(Entry), responses((status = 200, description = "a page that goes on to /"), (status = 401, body = Problem)))]
async fn enter(State(app): State<App>, Query(entry): Query<Entry>) -> Response {
    // It is written down, and a slow disk must not keep the pages waiting.
    let entered = tokio::task::spawn_blocking(move || app.guard.enter(&entry.key)).await.unwrap_or_default();
    let entered = entered.and_then(|(cookie, role)| Some((HeaderValue::from_str(&cookie).ok()?, role)));
    let Some((cookie, role)) = entered else {
        return refusal(
            StatusCode::UNAUTHORIZED,
            "this link was used already, or is none",
            "press Enter where `fingerforced serve` runs for a new one",
        )
        .into_response();
    };
    // A page that goes on by itself, not a redirect: so that the cookie is sent whatever led here.
    let mut headers = HeaderMap::new();
    headers.insert(header::SET_COOKIE, cookie);
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static("text/html; charset=utf-8"));
    let path = if role == Role::Participant { "/participant" } else { "/" };
    (headers, include_str!("page/enter.html").replace("PATH", path)).into_response()
}

/// The process is alive, and what the recording that is on, or was the last, has lost; whether anything can be recorded.
#[utoipa::path(get, path = "/healthz", responses((status = 200, description = "alive, and counters"), (status = 503, description = "alive, but nothing can be recorded, and why")))]
async fn healthz(State(app): State<App>) -> (StatusCode, String) {
    let health = *app.health.lock().unwrap_or_else(PoisonError::into_inner);
    let look = move || check::cannot_record(app.data.disk(), app.data.path());
    match tokio::task::spawn_blocking(look).await {
        Ok(Some(why)) => {
            (StatusCode::SERVICE_UNAVAILABLE, format!("alive, but nothing can be recorded: {why}\n"))
        }
        _ => {
            let Health { missing_samples, unknown_gaps, port_losses, failed_syncs, .. } = health;
            let lost = format!(
                "missing_samples {missing_samples}\nunknown_gaps {unknown_gaps}\nport_losses {port_losses}\nfailed_syncs {failed_syncs}\n"
            );
            (StatusCode::OK, format!("alive\n{lost}"))
        }
    }
}

/// Counters, as Prometheus reads them.
#[utoipa::path(get, path = "/metrics", responses((status = 200, description = "text exposition")))]
async fn numbers(State(app): State<App>) -> String {
    let health = *app.health.lock().unwrap_or_else(PoisonError::into_inner);
    metrics::text(&health, PAGES - app.pages.available_permits(), &app.live.served, &app.live.drawn)
}

/// This document.
#[utoipa::path(get, path = "/openapi.json", responses((status = 200, description = "OpenAPI 3.1")))]
async fn openapi() -> Json<utoipa::openapi::OpenApi> {
    Json(described().1)
}

/// Begins a visit. It goes on by itself once the sensor has its zero and the gate is answered.
#[utoipa::path(post, path = "/api/visit", request_body = Wanted, responses((status = 204, description = "it has begun"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn begin(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(wanted): Json<Wanted>,
) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    // What somebody insisted on before is asked about anew.
    *app.lines.lock().unwrap_or_else(PoisonError::into_inner) = Lines::default();
    ask(&app, Asks::Visit(wanted)).await
}

/// Asks the desk.
async fn ask(app: &App, asks: Asks) -> Result<StatusCode, Refusal> {
    let busy = || refusal(StatusCode::CONFLICT, "a visit or a calibration is on", "end it first");
    if app.orders.get().is_some() {
        return Err(busy());
    }
    let (answer, answered) = oneshot::channel();
    app.requests.try_send((asks, answer)).map_err(|_| busy())?;
    match answered.await {
        Ok(Ok(())) => Ok(StatusCode::NO_CONTENT),
        Ok(Err((why, hint))) => Err(refusal(StatusCode::BAD_REQUEST, &why, &hint.unwrap_or_default())),
        Err(_) => Err(refusal(StatusCode::SERVICE_UNAVAILABLE, "the program is ending", "start it again")),
    }
}

/// Something the examiner does.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Act {
    /// As it is typed in a terminal: "" press, `r`, `p 4`, `x`, `s`, `allow left break pain 0`, `o length: tight`, `t` …
    #[schema(example = "p 4")]
    line: String,
}

/// Tells the visit something.
#[utoipa::path(post, path = "/api/visit/act", request_body = Act, responses((status = 204, description = "told"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn act(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(act): Json<Act>,
) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    let action = app.lines.lock().unwrap_or_else(PoisonError::into_inner).read(&act.line);
    let action = action.map_err(|why| refusal(StatusCode::BAD_REQUEST, &why, ""))?;
    order(&app, On::Visit, Order::Act(action)).await
}

/// Stops what is on: the participant's own button.
#[utoipa::path(post, path = "/api/visit/stop", params(As), responses((status = 204, description = "stopped"), (status = 409, body = Problem)))]
async fn stop(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(whom): Query<As>,
) -> Result<StatusCode, Refusal> {
    let line = match whom.role(role) {
        Role::Participant => "x stopped by the participant",
        Role::Examiner => "x",
    };
    let action = Lines::default().read(line).map_err(|why| refusal(StatusCode::BAD_REQUEST, &why, ""))?;
    order(&app, On::Visit, Order::Act(action)).await
}

/// Ends the visit or the guided session properly and makes its recording.
#[utoipa::path(post, path = "/api/visit/end", responses((status = 204, description = "it ends"), (status = 409, body = Problem)))]
async fn end(State(app): State<App>, Extension(role): Extension<Role>) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    let (on, _) = app.orders.get().ok_or_else(nothing_is_on)?;
    order(&app, on, Order::End("ended by the examiner")).await
}

fn nothing_is_on() -> Refusal {
    refusal(StatusCode::CONFLICT, "nothing of the kind is on", "begin it first")
}

async fn order(app: &App, to: On, order: Order) -> Result<StatusCode, Refusal> {
    let (_, orders) = app.orders.get().filter(|(on, _)| *on == to).ok_or_else(nothing_is_on)?;
    orders.send(order).await.map_err(|_| nothing_is_on())?;
    Ok(StatusCode::NO_CONTENT)
}

/// Begins a calibration of a sensor, or a check with one mass, and records it. Its steps are told by /api/live.
#[utoipa::path(post, path = "/api/calibration", request_body = WantedGuided, responses((status = 204, description = "it has begun"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn guided(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(wanted): Json<WantedGuided>,
) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    ask(&app, Asks::Guided(Box::new(wanted))).await
}

/// What is done at the bench: "" the step is done, a number what the reference sensor shows (N), `r` takes a step back.
#[utoipa::path(post, path = "/api/calibration/act", request_body = Act, responses((status = 204, description = "told"), (status = 409, body = Problem)))]
async fn guided_act(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(act): Json<Act>,
) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    order(&app, On::Guided, Order::Typed(act.line.into_bytes())).await
}

/// What the calibration or the check came to.
#[utoipa::path(get, path = "/api/calibration", responses((status = 200, description = "`task` (calibration, check): the record as it would be kept and its figures; the check and its verdict"), (status = 409, body = Problem)))]
async fn judged(State(app): State<App>, Extension(role): Extension<Role>) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let judged = app.judged.lock().unwrap_or_else(PoisonError::into_inner).clone();
    judged.map(|judged| Json(judged).into_response()).ok_or_else(nothing_is_on)
}

/// Somebody has seen it.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
struct Seen {
    /// The calibration is used from now on. (A check is kept whatever is said here.)
    keep: bool,
}

/// Keeps the calibration with the sensor, or leaves it; either way its recording stays.
#[utoipa::path(post, path = "/api/calibration/seen", request_body = Seen, responses((status = 204, description = "done"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn seen(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(seen): Json<Seen>,
) -> Result<StatusCode, Refusal> {
    examiners_only(role)?;
    ask(&app, Asks::Seen { keep: seen.keep }).await
}

/// For whom a link is.
#[derive(Debug, Deserialize, ToSchema)]
struct Whom {
    role: Role,
}

/// A link that lets one more screen in.
#[derive(Debug, Serialize, ToSchema)]
struct Link {
    url: String,
}

/// Makes a link that works once.
#[utoipa::path(post, path = "/api/links", request_body = Whom, responses((status = 200, body = Link), (status = 403, body = Problem)))]
async fn link(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(whom): Json<Whom>,
) -> Result<Json<Link>, Refusal> {
    examiners_only(role)?;
    Ok(Json(Link { url: app.guard.link(whom.role) }))
}

/// The recording that was made last, and its visit's first one.
pub(super) fn recordings(app: &App) -> Result<(PathBuf, PathBuf), Refusal> {
    let last = app.last.lock().unwrap_or_else(PoisonError::into_inner).clone();
    let last = last.ok_or_else(|| refusal(StatusCode::CONFLICT, "no visit was recorded yet", "begin one"))?;
    Ok((last.with_file_name("recording-1.h5"), last))
}

/// Runs this program again, which opens the recording, and gives what it prints.
pub(super) async fn child(arguments: Vec<OsString>) -> Result<String, Refusal> {
    child_told(arguments, &[]).await
}

/// The same, with something on its stdin.
async fn child_told(arguments: Vec<OsString>, told: &[u8]) -> Result<String, Refusal> {
    let failed = |told: &str| {
        let told = told.trim().trim_start_matches("error: ");
        let (error, hint) = told.split_once("\nhint: ").unwrap_or((told, ""));
        refusal(StatusCode::BAD_REQUEST, error, hint)
    };
    let program = std::env::current_exe().map_err(|error| failed(&error.to_string()))?;
    let started = tokio::process::Command::new(program)
        .args(arguments)
        // What it says is read here.
        .env_remove(crate::stderr::FORMAT)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .kill_on_drop(true)
        .spawn();
    let mut child = started.map_err(|error| failed(&error.to_string()))?;
    if let Some(mut stdin) = child.stdin.take() {
        // One that has ended says why by itself.
        let _ = stdin.write_all(told).await;
    }
    let output = child.wait_with_output().await.map_err(|error| failed(&error.to_string()))?;
    if !output.status.success() {
        return Err(failed(&String::from_utf8_lossy(&output.stderr)));
    }
    Ok(String::from_utf8_lossy(&output.stdout).into_owned())
}

pub(super) fn json_text(text: String) -> Response {
    ([(header::CONTENT_TYPE, "application/json")], text).into_response()
}

/// The last visit's results, as the latest recording holds them.
#[utoipa::path(get, path = "/api/results", responses((status = 200, description = "trials, results, corrections, revision"), (status = 409, body = Problem)))]
async fn results(State(app): State<App>, Extension(role): Extension<Role>) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let (_, last) = recordings(&app)?;
    let mut arguments: Vec<OsString> = vec!["show".into(), last.into(), "--review".into()];
    arguments.extend(earlier::own_repeats(&app));
    child(arguments).await.map(json_text)
}

#[derive(Debug, Deserialize, utoipa::IntoParams)]
struct Which {
    /// The trial's order in the visit.
    trial: i64,
}

/// A trial's force and marks, as found by the program (`automatic`) and as they are now (`current`).
#[utoipa::path(get, path = "/api/trace", params(Which), responses((status = 200, description = "automatic and current"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn trace(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(which): Query<Which>,
) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let (first, last) = recordings(&app)?;
    let of = |recording: PathBuf| {
        child(vec!["show".into(), recording.into(), format!("--trace={}", which.trial).into()])
    };
    let (automatic, current) = (of(first).await?, of(last).await?);
    Ok(json_text(format!("{{\"automatic\":{automatic},\"current\":{current}}}")))
}

/// A correction: what is different, who says so and why.
#[derive(Debug, Deserialize, ToSchema)]
struct Correct {
    /// Who: a code.
    by: String,
    /// Why; no names.
    why: String,
    /// What.
    #[serde(flatten)]
    what: What,
}

/// What is different. Trials are named by their order in the visit.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(tag = "change", rename_all = "kebab-case")]
enum What {
    /// A mark stands elsewhere: `onset`, `break`, `release` or `end`, s since the segment's start.
    Mark { trial: i64, mark: String, at: f64 },
    /// Something was seen but not entered then; item from 1, -1 the visit.
    Observe { item: i64, kind: String, value: String, scale: String },
    /// A trial does not count.
    Exclude { trial: i64 },
    /// A trial counts after all.
    Include { trial: i64 },
}

impl What {
    fn free_texts(&self) -> Vec<&str> {
        match self {
            What::Observe { kind, value, scale, .. } => vec![kind, value, scale],
            What::Mark { .. } | What::Exclude { .. } | What::Include { .. } => Vec::new(),
        }
    }

    /// As a correction says it.
    fn change(self) -> Result<Change, Refusal> {
        Ok(match self {
            What::Mark { trial, mark, at } => {
                let found = Mark::ALL.into_iter().find(|known| known.word() == mark);
                let wrong =
                    || refusal(StatusCode::BAD_REQUEST, "no such mark", "onset, break, release or end");
                Change::Mark { trial, mark: found.ok_or_else(wrong)?, time_s: at }
            }
            What::Observe { item, kind, value, scale } => Change::Observation { item, kind, value, scale },
            What::Exclude { trial } => Change::Trial { trial, to: None, valid: Some(false) },
            What::Include { trial } => Change::Trial { trial, to: None, valid: Some(true) },
        })
    }
}

/// Corrects the last visit: appends who changed what and why, and makes the next recording. Both stay.
#[utoipa::path(post, path = "/api/correct", request_body = Correct, responses((status = 200, description = "the new recording"), (status = 400, body = Problem), (status = 409, body = Problem)))]
async fn correct(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Json(correct): Json<Correct>,
) -> Result<Response, Refusal> {
    examiners_only(role)?;
    let (_, last) = recordings(&app)?;
    let texts: Vec<&str> = [correct.why.as_str()].into_iter().chain(correct.what.free_texts()).collect();
    if let Some(why) = app.lines.lock().unwrap_or_else(PoisonError::into_inner).objection(&texts) {
        return Err(refusal(StatusCode::BAD_REQUEST, &why, ""));
    }
    let asked = Asked { who: correct.by, why: correct.why, change: correct.what.change()? };
    let asked = serde_json::to_vec(&asked).unwrap_or_default();
    // It was asked about above. Not as arguments: every account can read those.
    let arguments = ["correct", "--json", "--sure", "--stdin"].map(OsString::from);
    let told = child_told(arguments.into_iter().chain([last.into()]).collect(), &asked).await?;
    let made: serde_json::Value = serde_json::from_str(&told).unwrap_or_default();
    let recording = made["recording"].as_str().unwrap_or_default();
    if !recording.is_empty() {
        *app.last.lock().unwrap_or_else(PoisonError::into_inner) = Some(PathBuf::from(recording));
    }
    // What changed is told by the results, as far as the plan lets it be seen.
    Ok(json_text(serde_json::json!({ "recording": recording }).to_string()))
}

/// The live connection (WebSocket).
#[utoipa::path(get, path = "/api/live", params(As), responses((status = 101, description = "messages, DEVELOPERS.md"), (status = 503, body = Problem)))]
async fn live(
    State(app): State<App>,
    Extension(role): Extension<Role>,
    Query(whom): Query<As>,
    upgrade: WebSocketUpgrade,
) -> Response {
    let role = whom.role(role);
    let Ok(room) = Arc::clone(&app.pages).try_acquire_owned() else {
        return refusal(StatusCode::SERVICE_UNAVAILABLE, "too many pages are open", "close one")
            .into_response();
    };
    upgrade.max_message_size(WORD_BYTES).max_frame_size(WORD_BYTES).on_upgrade(move |socket| async move {
        follow(socket, &app.live, role, app.ended).await;
        drop(room);
    })
}

/// Tells one page everything until it goes or the program ends.
async fn follow(mut socket: WebSocket, live: &Live, role: Role, mut ended: watch::Receiver<bool>) {
    let mut page = Page::new(role);
    let mut changes = live.changes();
    changes.mark_changed();
    let mut told = tokio::time::Instant::now();
    loop {
        // In this order: a word of the page begins this wait anew, and news that was taken note of would be forgotten.
        let due = async {
            tokio::time::sleep_until(told + SPACING).await;
            // Whether it is the news or the heartbeat does not matter.
            let _ = tokio::time::timeout_at(told + HEARTBEAT, changes.changed()).await;
        };
        tokio::select! {
            _ = super::over(&mut ended) => break,
            heard = socket.recv() => match heard {
                Some(Ok(Message::Text(text))) => page.hear(&text, live),
                Some(Ok(Message::Close(_)) | Err(_)) | None => return,
                Some(Ok(_)) => {}
            },
            () = due => {
                let message = Message::Text(page.message(live).into());
                told = tokio::time::Instant::now();
                match tokio::time::timeout(STUCK, socket.send(message)).await {
                    Ok(Ok(())) => {}
                    Ok(Err(_)) | Err(_) => return,
                }
            }
        }
    }
    // It may be gone already.
    let _ = tokio::time::timeout(Duration::from_secs(1), socket.send(Message::Close(None))).await;
}

#[cfg(test)]
mod tests {
    use super::*;

    const COMMITTED: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/server/openapi.json");

    #[test]
    fn the_committed_document_is_the_codes() {
        let text = serde_json::to_string_pretty(&described().1).unwrap() + "\n";
        if std::env::var_os("WRITE_OPENAPI").is_some() {
            std::fs::write(COMMITTED, &text).unwrap();
        }
        let committed = std::fs::read_to_string(COMMITTED).unwrap();
        assert!(
            text == committed,
            "{COMMITTED} is old: WRITE_OPENAPI=1 cargo test -p daemon committed_document"
        );
    }
}
