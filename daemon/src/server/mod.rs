//! The daemon's server: the page, the API, the live connection, and the door before them.
//!
//! Comes in: connections. Goes out: answers. The visit runs at the [`desk`], in a thread of its own; pages follow it
//! through [`live`], which nobody waits for.

pub mod bench;
pub mod board;
pub mod desk;
pub mod earlier;
pub mod guard;
pub mod live;
pub mod metrics;
pub mod review;
pub mod routes;
pub mod setup;
pub mod tls;
pub mod view;

use axum::Router;
use axum::extract::Request;
use axum::response::Response;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::Service;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::VecDeque;
use std::convert::Infallible;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::task::{AbortHandle, JoinSet};
use tokio_rustls::TlsAcceptor;

/// Connections at a time.
const CONNECTIONS: usize = 128;
/// A client has this long for its handshake, and for the head of each request.
const PATIENCE: Duration = Duration::from_secs(10);
/// Connections are given this long to end when the program does.
const DRAIN: Duration = Duration::from_secs(2);

/// Serves until `ended` is true, and then until every connection has ended, or for a short while.
pub async fn serve(
    listener: TcpListener,
    tls: Option<TlsAcceptor>,
    router: Router,
    mut ended: watch::Receiver<bool>,
) {
    let (mut running, mut strangers) = (JoinSet::new(), VecDeque::new());
    loop {
        let accepted = tokio::select! {
            _ = over(&mut ended) => break,
            Some(_) = running.join_next() => continue,
            accepted = accept(&listener), if running.len() < CONNECTIONS || make_room(&mut strangers) => accepted,
        };
        match accepted {
            Ok(stream) => {
                let known = Arc::new(AtomicBool::new(false));
                let router = Known { router: router.clone(), known: Arc::clone(&known) };
                let (tls, ended) = (tls.clone(), ended.clone());
                let task = running.spawn(client(stream, tls, router, ended));
                strangers.push_back((known, task));
                strangers.retain(|(known, task)| !known.load(Ordering::Relaxed) && !task.is_finished());
            }
            Err(error) => {
                tracing::warn!(%error, "a connection could not be taken");
                // Out of descriptors: the next moment may be better.
                tokio::time::sleep(Duration::from_millis(100)).await;
            }
        }
    }
    // Whoever is still there after that is cut off.
    let _ = tokio::time::timeout(DRAIN, async { while running.join_next().await.is_some() {} }).await;
}

/// Waits until the program ends.
pub(crate) async fn over(ended: &mut watch::Receiver<bool>) {
    // Nobody is left to say so: that is an end too.
    let _ = ended.wait_for(|ended| *ended).await;
}

/// Connections that have not been answered anything but that they may not: whether one has been by now, and its task.
type Strangers = VecDeque<(Arc<AtomicBool>, AbortHandle)>;

/// Cuts the oldest stranger off, where there is one, so that a place is free for who comes next: whoever holds connections open keeps no page from its stop.
fn make_room(strangers: &mut Strangers) -> bool {
    while let Some((known, task)) = strangers.pop_front() {
        if !known.load(Ordering::Relaxed) && !task.is_finished() {
            task.abort();
            return true;
        }
    }
    false
}

/// The router, which notes that whoever asks has been let in.
#[derive(Clone)]
struct Known {
    router: Router,
    known: Arc<AtomicBool>,
}

impl Service<Request<Incoming>> for Known {
    type Response = Response;
    type Error = Infallible;
    type Future = Pin<Box<dyn Future<Output = Result<Response, Infallible>> + Send>>;

    fn call(&self, request: Request<Incoming>) -> Self::Future {
        let (router, known) = (TowerToHyperService::new(self.router.clone()), Arc::clone(&self.known));
        let for_all = guard::is_open(request.uri().path());
        Box::pin(async move {
            let answer = router.call(request).await?;
            if !for_all && !answer.status().is_client_error() {
                known.store(true, Ordering::Relaxed);
            }
            Ok(answer)
        })
    }
}

async fn accept(listener: &TcpListener) -> std::io::Result<TcpStream> {
    let (stream, _) = listener.accept().await?;
    stream.set_nodelay(true)?;
    Ok(stream)
}

async fn client(stream: TcpStream, tls: Option<TlsAcceptor>, router: Known, ended: watch::Receiver<bool>) {
    let Some(tls) = tls else { return talk(stream, router, ended).await };
    match tokio::time::timeout(PATIENCE, tls.accept(stream)).await {
        Ok(Ok(stream)) => talk(stream, router, ended).await,
        Ok(Err(error)) => tracing::debug!(%error, "no TLS"),
        Err(_) => {}
    }
}

async fn talk<S>(stream: S, router: Known, mut ended: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let talking = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(PATIENCE)
        .serve_connection(TokioIo::new(stream), router)
        .with_upgrades();
    tokio::pin!(talking);
    let done = tokio::select! {
        done = &mut talking => done,
        _ = over(&mut ended) => {
            talking.as_mut().graceful_shutdown();
            talking.await
        }
    };
    if let Err(error) = done {
        tracing::debug!(%error, "a connection ended early");
    }
}
