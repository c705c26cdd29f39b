//! Who may come in: every request is checked before anything else sees it.
//!
//! Comes in: requests. Goes out: the same with their [`Role`], or a refusal. A link works once and gives a cookie; without
//! the cookie only `/enter` and `/healthz` answer, on loopback too, because other accounts of the machine reach it; and
//! `/metrics` to whoever has the key in `DATA/server/watch.key`, which is for that alone. Who was
//! let in is still in after the program is started again, for the rest of the working day: a page comes back by itself in
//! the middle of a visit. Only digests are written down; without that file (`DATA/server/sessions.json`) nobody is in. The
//! `Host` must be one of ours (a name elsewhere that resolves to us is not), and whatever a page elsewhere sends carries
//! an `Origin` that is not.

use crate::clock::{Clock, SystemClock};
use crate::files;
use crate::journal::{Disk, JournalError};
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use utoipa::ToSchema;

/// Links that wait to be used, at most; the oldest goes.
const LINKS: usize = 8;
/// Browsers that are let in, at most; the oldest goes.
const SESSIONS: usize = 32;
/// Names of the cookies: a browser may have both, a window for each.
const COOKIES: [(Role, &str); 2] =
    [(Role::Examiner, "fingerforce"), (Role::Participant, "fingerforce-participant")];
/// A browser is let in for this long, s: a working day.
const LASTS_S: u32 = 12 * 3600;

/// What everything but a report may load: what we serve.
const POLICY: &str =
    "default-src 'self'; object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'";

/// Whose page it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Everything.
    Examiner,
    /// What to do, and the stop button.
    Participant,
}

type Key = [u8; 32];

#[derive(Debug, Default)]
struct Keys {
    links: Vec<(Key, Role)>,
    sessions: Vec<Session>,
}

/// A browser that was let in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Session {
    key: Key,
    role: Role,
    /// Until when, s since 1970.
    until_s: i64,
}

/// The door.
#[derive(Debug)]
pub struct Guard {
    /// `host:port`, each as a browser writes it.
    hosts: Vec<String>,
    tls: bool,
    keys: Mutex<Keys>,
    /// Lets a machine read the counters.
    watch: Option<Key>,
    /// Where sessions are written down.
    kept: Option<Mutex<(Arc<dyn Disk>, PathBuf)>>,
}

/// Only a key's digest is kept and compared, so that nothing can be learnt from how long a comparison takes.
fn digest(key: &str) -> Key {
    Sha256::digest(key.as_bytes()).into()
}

/// 122 random bits of the system's.
fn new_key() -> String {
    uuid::Uuid::new_v4().simple().to_string()
}

/// Puts it at the end; where there is no room the oldest goes.
fn keep<T>(list: &mut Vec<T>, most: usize, it: T) {
    if list.len() >= most {
        list.remove(0);
    }
    list.push(it);
}

fn now_s() -> i64 {
    SystemClock.utc_ns().div_euclid(1_000_000_000)
}

impl Guard {
    /// A door at these hosts.
    pub fn new(hosts: Vec<String>, tls: bool) -> Guard {
        Guard { hosts, tls, keys: Mutex::default(), watch: None, kept: None }
    }

    /// The same, which lets in whoever was in before, and writes down who is.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn remembering(mut self, disk: Arc<dyn Disk>, data: &Path) -> Result<Guard, JournalError> {
        let folder = data.join("server");
        disk.make_folder(&folder).map_err(JournalError::io("make the folder", &folder))?;
        let path = folder.join("sessions.json");
        // What cannot be understood lets nobody in.
        self.keys().sessions = serde_json::from_slice(&files::read(&*disk, &path)?).unwrap_or_default();
        let watch = folder.join("watch.key");
        let mut key = String::from_utf8_lossy(&files::read(&*disk, &watch)?).trim().to_owned();
        // An empty one would let in everybody.
        if key.is_empty() {
            key = new_key();
            files::replace(&*disk, &watch, key.as_bytes())?;
        }
        self.watch = Some(digest(&key));
        self.kept = Some(Mutex::new((disk, path)));
        Ok(self)
    }

    /// One after the other, each with what is true by then; whoever asks who is in does not wait for the disk.
    fn write_down(&self) {
        let Some(kept) = &self.kept else { return };
        let kept = kept.lock().unwrap_or_else(PoisonError::into_inner);
        let (disk, path) = &*kept;
        let text = serde_json::to_vec(&self.keys().sessions).unwrap_or_default();
        if let Err(error) = files::replace(&**disk, path, &text) {
            tracing::warn!(%error, "who is let in now needs a new link after the next start");
        }
    }

    fn keys(&self) -> std::sync::MutexGuard<'_, Keys> {
        self.keys.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A link that works once.
    pub fn link(&self, role: Role) -> String {
        let key = new_key();
        keep(&mut self.keys().links, LINKS, (digest(&key), role));
        let host = self.hosts.first().map_or("", String::as_str);
        format!("{}://{host}/enter?key={key}", self.scheme())
    }

    fn scheme(&self) -> &'static str {
        if self.tls { "https" } else { "http" }
    }

    /// Uses up a link; gives the cookie that lets in from now on, and as whom.
    pub fn enter(&self, key: &str) -> Option<(String, Role)> {
        let digest = digest(key);
        let mut keys = self.keys();
        let at = keys.links.iter().position(|(known, _)| *known == digest)?;
        let (_, role) = keys.links.remove(at);
        let (session, now_s) = (new_key(), now_s());
        keys.sessions.retain(|session| session.until_s > now_s);
        let until_s = now_s + i64::from(LASTS_S);
        keep(&mut keys.sessions, SESSIONS, Session { key: self::digest(&session), role, until_s });
        drop(keys);
        self.write_down();
        let secure = if self.tls { "; Secure" } else { "" };
        let (_, name) = COOKIES.iter().find(|(of, _)| *of == role)?;
        let cookie =
            format!("{name}={session}; Path=/; Max-Age={LASTS_S}; HttpOnly; SameSite=Strict{secure}");
        Some((cookie, role))
    }

    /// As whom this browser was let in; as the examiner where as both.
    fn role(&self, headers: &HeaderMap) -> Option<Role> {
        let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
        let pairs: Vec<(&str, Key)> = cookies
            .flat_map(|value| value.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .map(|(name, key)| (name, digest(key)))
            .collect();
        let (keys, now_s) = (self.keys(), now_s());
        let knows = |key: &Key, role: Role| {
            let mut sessions = keys.sessions.iter().filter(|it| it.until_s > now_s);
            sessions.any(|it| it.key == *key && it.role == role)
        };
        let is_in =
            |(role, name): &&(Role, &str)| pairs.iter().any(|(own, key)| own == name && knows(key, *role));
        COOKIES.iter().find(is_in).map(|(role, _)| *role)
    }

    /// Whether it brings the key of those that watch.
    fn watches(&self, headers: &HeaderMap) -> bool {
        let told = headers.get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
        let key = told.and_then(|told| told.strip_prefix("Bearer "));
        key.is_some_and(|key| self.watch == Some(digest(key.trim())))
    }

    /// Why a request's headers are refused; no key is looked at.
    fn stranger(&self, method: &Method, headers: &HeaderMap) -> Option<&'static str> {
        let one = |name: HeaderName| {
            let mut all = headers.get_all(name).iter();
            let first = all.next().map(|value| value.to_str().unwrap_or(""));
            if all.next().is_some() { Some("") } else { first }
        };
        if !one(header::HOST)
            .is_some_and(|host| self.hosts.iter().any(|ours| ours.eq_ignore_ascii_case(host)))
        {
            return Some("this name is not the program's: use the link that it printed");
        }
        let changes = *method != Method::GET && *method != Method::HEAD;
        let upgrades = headers.contains_key(header::UPGRADE);
        let origin = one(header::ORIGIN);
        let ours = |origin: &str| {
            let host = origin.strip_prefix(self.scheme()).and_then(|rest| rest.strip_prefix("://"));
            host.is_some_and(|host| self.hosts.iter().any(|ours| ours.eq_ignore_ascii_case(host)))
        };
        if origin.is_some_and(|origin| !ours(origin)) || (origin.is_none() && (changes || upgrades)) {
            return Some("this came from another page");
        }
        let site = one(HeaderName::from_static("sec-fetch-site"));
        let foreign = site.is_some_and(|site| !matches!(site, "same-origin" | "none"));
        (foreign && (changes || upgrades)).then_some("this came from another page")
    }
}

/// The largest body of a request: a plan.
pub const BODY_BYTES: usize = 256 << 10;
/// A request has this long to be sent whole and answered.
const LIMIT: Duration = Duration::from_secs(30);

/// What went wrong.
#[derive(Debug, Serialize, ToSchema)]
pub struct Problem {
    error: String,
    hint: String,
}

/// An answer that refuses: why, and what to do.
#[derive(Debug)]
pub struct Refusal {
    status: StatusCode,
    problem: Problem,
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        (self.status, axum::Json(self.problem)).into_response()
    }
}

/// Refuses something.
pub fn refusal(status: StatusCode, error: &str, hint: &str) -> Refusal {
    Refusal { status, problem: Problem { error: error.to_owned(), hint: hint.to_owned() } }
}

/// Checks every request, and gives every answer its headers.
pub async fn check(State(guard): State<Arc<Guard>>, mut request: Request, next: Next) -> Response {
    let path = request.uri().path();
    let headers = request.headers();
    let open = is_open(path) || (path == "/metrics" && guard.watches(headers));
    let response = match (guard.stranger(request.method(), headers), guard.role(headers)) {
        (Some(why), _) => {
            refusal(StatusCode::FORBIDDEN, why, "open the page by its own address").into_response()
        }
        (None, None) if !open => refusal(
            StatusCode::UNAUTHORIZED,
            "this needs a key",
            "open the link that `fingerforced serve` printed; press Enter where it runs for a new one",
        )
        .into_response(),
        (None, _) if is_too_much(headers) => {
            refusal(StatusCode::PAYLOAD_TOO_LARGE, "this is too much", "send less").into_response()
        }
        (None, role) => {
            if let Some(role) = role {
                request.extensions_mut().insert(role);
            }
            answered(next.run(request)).await
        }
    };
    hardened(response)
}

async fn answered(answering: impl Future<Output = Response>) -> Response {
    let late = || refusal(StatusCode::REQUEST_TIMEOUT, "this took too long", "try again").into_response();
    tokio::time::timeout(LIMIT, answering).await.unwrap_or_else(|_| late())
}

fn is_too_much(headers: &HeaderMap) -> bool {
    let length = headers.get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok());
    length.is_some_and(|length| length.parse::<usize>().map_or(true, |length| length > BODY_BYTES))
}

fn hardened(mut response: Response) -> Response {
    let headers = response.headers_mut();
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
    for (name, value) in [
        (header::CACHE_CONTROL, "no-store"),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "no-referrer"),
        (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
        (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
        (HeaderName::from_static("permissions-policy"), "camera=(), geolocation=(), microphone=()"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

/// Answered without a key.
pub(super) fn is_open(path: &str) -> bool {
    matches!(path, "/enter" | "/healthz")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&str, &str)]) -> HeaderMap {
        let pair = |(name, value): &(&str, &str)| {
            (name.parse::<HeaderName>().unwrap(), HeaderValue::from_str(value).unwrap())
        };
        let mut all = HeaderMap::new();
        for (name, value) in pairs.iter().map(pair) {
            all.append(name, value);
        }
        all
    }

    #[test]
    fn a_link_works_once_and_for_its_role() {
        let guard = Guard::new(vec!["127.0.0.1:1".to_owned()], true);
        let link = guard.link(Role::Participant);
        let key = link.split_once("key=").unwrap().1;
        let (cookie, role) = guard.enter(key).unwrap();
        assert_eq!(role, Role::Participant);
        assert!(cookie.contains("HttpOnly; SameSite=Strict; Secure"), "{cookie}");
        assert_eq!(guard.enter(key), None);
        let pair = format!("a=b; {}", cookie.split(';').next().unwrap());
        assert_eq!(guard.role(&headers(&[("cookie", &pair)])), Some(Role::Participant));
        assert_eq!(guard.role(&headers(&[("cookie", "fingerforce=guessed")])), None);
        assert_eq!(guard.role(&headers(&[])), None);
    }

    #[test]
    fn who_is_in_stays_in_over_a_restart_until_the_day_is_over_and_nobody_else_comes_in() {
        let data = tempfile::tempdir().unwrap();
        let file = data.path().join("server/sessions.json");
        let start = || {
            let guard = Guard::new(vec!["127.0.0.1:1".to_owned()], false);
            guard.remembering(crate::journal::SystemDisk::shared(), data.path()).unwrap()
        };
        let first = start();
        let link = first.link(Role::Examiner);
        let cookie = first.enter(link.split_once("key=").unwrap().1).unwrap().0;
        let pair = cookie.split(';').next().unwrap().to_owned();
        let role = |guard: &Guard| guard.role(&headers(&[("cookie", &pair)]));
        assert_eq!(role(&start()), Some(Role::Examiner));
        assert_eq!(start().enter(link.split_once("key=").unwrap().1), None, "a link is no session");
        let written = std::fs::read_to_string(&file).unwrap();
        assert!(!written.contains(pair.split_once('=').unwrap().1), "only a digest is kept");
        let text = written.replace(&first.keys().sessions[0].until_s.to_string(), "1000");
        assert_ne!(text, written);
        std::fs::write(&file, text).unwrap();
        assert_eq!(role(&start()), None, "the day is over");
        std::fs::write(&file, "nonsense").unwrap();
        assert_eq!(role(&start()), None);
        std::fs::remove_file(&file).unwrap();
        assert_eq!(role(&start()), None);
    }

    #[test]
    fn hosts_and_origins_that_are_not_ours_are_strangers() {
        let guard = Guard::new(vec!["127.0.0.1:7000".to_owned(), "localhost:7000".to_owned()], false);
        let (get, post) = (Method::GET, Method::POST);
        let own = ("host", "LOCALHOST:7000");
        for (method, pairs, comes_in) in [
            (&get, &[own][..], true),
            (&get, &[], false),
            (&get, &[("host", "elsewhere.example")], false),
            (&get, &[("host", "127.0.0.1:7001")], false),
            (&get, &[own, own], false),
            (&post, &[own], false),
            (&post, &[own, ("origin", "http://localhost:7000")], true),
            (&post, &[own, ("origin", "https://localhost:7000")], false),
            (&post, &[own, ("origin", "null")], false),
            (&get, &[own, ("origin", "http://elsewhere.example")], false),
            (&get, &[own, ("upgrade", "websocket")], false),
            (&post, &[own, ("origin", "http://localhost:7000"), ("sec-fetch-site", "same-site")], false),
        ] {
            assert_eq!(guard.stranger(method, &headers(pairs)).is_none(), comes_in, "{method} {pairs:?}");
        }
    }
}
