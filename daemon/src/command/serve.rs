//! `fingerforced serve`: the page. Visits are begun there, recorded as `record` does, and sealed in a child.

use super::sensor_ports::Ports;
use crate::clock::{Clock, SystemClock};
use crate::data_folder::DataFolder;
use crate::health::Health;
use crate::server::board::Board;
use crate::server::desk::{Desk, Last, Orders, Setting, Waiting};
use crate::server::guard::{Guard, Role};
use crate::server::live::Live;
use crate::server::routes::{self, App, PAGES};
use crate::server::{self, tls};
use crate::shell::Order;
use analysis::console::{Hint, Usage, advised};
use anyhow::Context;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::{Semaphore, mpsc, oneshot, watch};
use tokio_rustls::TlsAcceptor;

/// Serve the page: begin visits there, follow them from two metres away, see their results
///
/// Prints a link that works once.
/// On any other address than this machine's own the connection is encrypted;
/// the fingerprint of the certificate is printed, to be compared with what the browser shows.
///
/// Examples:
///   fingerforced serve --port /dev/serial/by-id/usb-…
///   fingerforced serve --listen 192.168.1.20:7117 --name clinic-laptop.local
#[derive(Debug, Clone, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// The ports.
    #[command(flatten)]
    pub ports: Ports,
    /// Address and port to listen on; port 0 takes a free one
    #[arg(long, value_name = "ADDRESS", default_value = "127.0.0.1:7117")]
    pub listen: SocketAddr,
    /// Another name by which browsers reach this machine; repeatable
    #[arg(long, value_name = "NAME")]
    pub name: Vec<String>,
    /// Certificate chain (PEM), instead of one made here
    #[arg(long, value_name = "FILE", requires = "key")]
    pub cert: Option<PathBuf>,
    /// The certificate's key (PEM)
    #[arg(long, value_name = "FILE", requires = "cert")]
    pub key: Option<PathBuf>,
    /// Data folder [default: the XDG data home's finger-force, or $STATE_DIRECTORY]
    #[arg(long)]
    pub data: Option<PathBuf>,
    /// Stop while this much of the disk is still free, MiB (or three times the journal, where that is more)
    #[arg(long, value_name = "MIB", default_value_t = 256)]
    pub keep_free: u64,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if args.listen.ip().is_unspecified() && args.name.is_empty() {
        return Err(Usage(
            "on every address at once a browser's name for this machine is not known: say it with --name, or listen on one address"
                .to_owned(),
        )
        .into());
    }
    let data = Arc::new(DataFolder::open(args.data.as_deref()).map_err(advised)?);
    super::check::warn(data.path());
    crate::erase::complete_begun(&data).map_err(advised)?;
    super::recover::seal_abandoned(data.path(), SystemClock.utc_ns(), false)?;
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    runtime.block_on(serve(args, data))
}

async fn serve(args: &Args, data: Arc<DataFolder>) -> anyhow::Result<()> {
    let signals = (signal(SignalKind::interrupt())?, signal(SignalKind::terminate())?);
    let listener = TcpListener::bind(args.listen)
        .await
        .with_context(|| format!("cannot listen on {}", args.listen))
        .map_err(|error| error.context(Hint::new("is it in use? Choose another with --listen")))?;
    let address = listener.local_addr()?;
    let tls = encryption(args, address, &data)?;
    let guard = Guard::new(hosts(args, address), tls.is_some());
    let guard = Arc::new(guard.remembering(Arc::clone(data.disk()), data.path()).map_err(advised)?);
    let (requests, asked) = mpsc::channel(1);
    let (close, closing) = watch::channel(false);
    let (end, ended) = watch::channel(false);
    let live = Live::new(Arc::new(SystemClock));
    let health = Arc::new(Mutex::new(Health::default()));
    let pages = Arc::new(Semaphore::new(PAGES));
    args.ports.profiles()?;
    let setting = Setting { ports: args.ports.clone(), keep_free: args.keep_free };
    let orders = Orders::default();
    let (last, judged) = (Last::default(), Waiting::default());
    let desk = Desk {
        data: Arc::clone(&data),
        setting: setting.clone(),
        board: Board::new(Arc::clone(&live), Arc::clone(&health)),
        orders: orders.clone(),
        last: Arc::clone(&last),
        judged: Arc::clone(&judged),
        closing,
    };
    let app = App {
        guard: Arc::clone(&guard),
        live,
        health,
        requests,
        orders: orders.clone(),
        data,
        setting,
        last,
        judged,
        visits: Arc::default(),
        lines: Arc::default(),
        pages: Arc::clone(&pages),
        ended: ended.clone(),
    };
    let (desk_ends, desk_ended) = oneshot::channel();
    let at_work = std::thread::Builder::new().name("acquisition".to_owned()).spawn(move || {
        let done = desk.run(asked);
        // The other side may have ended first.
        let _ = desk_ends.send(());
        done
    })?;
    let serving = tokio::spawn(server::serve(listener, tls, routes::router(app), ended));
    print_links(&guard)?;
    wait(signals, &orders, &close, desk_ended).await;
    end.send_replace(true);
    serving.await?;
    // Pages' connections are not the server's any more; each ends by itself, or with the program.
    let all_gone = pages.acquire_many(PAGES as u32);
    let _ = tokio::time::timeout(Duration::from_secs(2), all_gone).await;
    at_work.join().map_err(|_| anyhow::anyhow!("the acquiring thread failed"))??;
    Ok(())
}

/// Waits for the first signal, ends the visit that is on, and waits until that is sealed. The second signal ends at once:
/// what is left is for `recover`.
async fn wait(
    mut signals: (Signal, Signal),
    orders: &Orders,
    close: &watch::Sender<bool>,
    mut desk_ended: oneshot::Receiver<()>,
) {
    let mut next = async || tokio::select! { _ = signals.0.recv() => "interrupted", _ = signals.1.recv() => "terminated" };
    let reason = tokio::select! {
        reason = next() => reason,
        // It ends by itself only where something is wrong with it: its thread says what.
        _ = &mut desk_ended => return,
    };
    close.send_replace(true);
    if let Some((_, orders)) = orders.get() {
        // The visit may end by itself just now.
        let _ = orders.send(Order::End(reason)).await;
    }
    tokio::select! {
        _ = desk_ended => {}
        _ = next() => std::process::exit(1),
    }
}

/// The names of this host that a browser may use, with the port.
fn hosts(args: &Args, address: SocketAddr) -> Vec<String> {
    let port = address.port();
    let own = address.ip().is_loopback().then(|| format!("localhost:{port}"));
    let listened = (!address.ip().is_unspecified()).then(|| address.to_string());
    let named = args.name.iter().map(|name| format!("{name}:{port}"));
    listened.into_iter().chain(own).chain(named).collect()
}

/// TLS, wherever others could listen.
fn encryption(args: &Args, address: SocketAddr, data: &DataFolder) -> anyhow::Result<Option<TlsAcceptor>> {
    let pair = match (&args.cert, &args.key) {
        (Some(certificates), Some(key)) => tls::read(certificates, key)?,
        _ if address.ip().is_loopback() => return Ok(None),
        _ => {
            let mut names = args.name.clone();
            names.push(address.ip().to_string());
            tls::own(&**data.disk(), data.path(), &names)?
        }
    };
    let (acceptor, fingerprint) = pair.acceptor()?;
    analysis::console::result(&format!("certificate SHA-256 {fingerprint}\n"))?;
    Ok(Some(acceptor))
}

/// Prints a link, and another one at every Enter.
fn print_links(guard: &Arc<Guard>) -> anyhow::Result<()> {
    let print =
        |guard: &Guard| analysis::console::result(&format!("open once: {}\n", guard.link(Role::Examiner)));
    print(guard)?;
    let guard = Arc::clone(guard);
    std::thread::Builder::new().name("keys".to_owned()).spawn(move || {
        for line in std::io::stdin().lines() {
            if line.is_err() || print(&guard).is_err() {
                return;
            }
        }
    })?;
    Ok(())
}
