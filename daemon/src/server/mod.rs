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
pub mod tls;
pub mod view;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
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
    let room = Arc::new(Semaphore::new(CONNECTIONS));
    let mut running = JoinSet::new();
    loop {
        let accepted = tokio::select! {
            _ = over(&mut ended) => break,
            Some(_) = running.join_next() => continue,
            accepted = accept(&listener, &room) => accepted,
        };
        match accepted {
            Ok((stream, place)) => {
                let (tls, router, ended) = (tls.clone(), router.clone(), ended.clone());
                running.spawn(async move {
                    client(stream, tls, router, ended).await;
                    drop(place);
                });
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

async fn accept(
    listener: &TcpListener,
    room: &Arc<Semaphore>,
) -> std::io::Result<(TcpStream, tokio::sync::OwnedSemaphorePermit)> {
    let place = Arc::clone(room).acquire_owned().await.map_err(std::io::Error::other)?;
    let (stream, _) = listener.accept().await?;
    stream.set_nodelay(true)?;
    Ok((stream, place))
}

async fn client(stream: TcpStream, tls: Option<TlsAcceptor>, router: Router, ended: watch::Receiver<bool>) {
    let Some(tls) = tls else { return talk(stream, router, ended).await };
    match tokio::time::timeout(PATIENCE, tls.accept(stream)).await {
        Ok(Ok(stream)) => talk(stream, router, ended).await,
        Ok(Err(error)) => tracing::debug!(%error, "no TLS"),
        Err(_) => {}
    }
}

async fn talk<S>(stream: S, router: Router, mut ended: watch::Receiver<bool>)
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let talking = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(PATIENCE)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router))
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
