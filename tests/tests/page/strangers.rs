//! Who does not belong here is refused: wrong Host, Origin or key, an old link, too much, another account's browser.

use crate::browser::Browser;
use crate::clinic::Clinic;
use crate::crowd::connect;
use daemon::clock::{Clock, SystemClock};
use sha2::Digest;
use std::io::Read;
use std::process::Command;
use std::sync::Arc;
use tests::{fingerforced, run, stderr, wait_for};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio_rustls::TlsConnector;
use tokio_rustls::client::TlsStream;
use tokio_rustls::rustls::crypto::ring::default_provider;
use tokio_rustls::rustls::pki_types::pem::PemObject;
use tokio_rustls::rustls::pki_types::{CertificateDer, ServerName};
use tokio_rustls::rustls::{ClientConfig, RootCertStore};

fn status(answer: &str) -> &str {
    answer.split(' ').nth(1).unwrap_or("none")
}

/// Why, method, path, Host, more headers, body, and the status that is expected.
type Asked<'a> = (&'a str, &'a str, &'a str, String, String, &'a str, &'a str);

fn requests<'a>(address: &str, own: &str) -> Vec<Asked<'a>> {
    let here = || address.to_owned();
    let from = |origin: &str| format!("Origin: {origin}\r\n{own}");
    let ours = || from(&format!("http://{address}"));
    let elsewhere = || from("http://elsewhere.example");
    let key = || own.to_owned();
    let visit = "/api/visit";
    vec![
        ("another name for this address", "GET", "/", "elsewhere.example".to_owned(), key(), "", "403"),
        ("another port", "GET", "/", "127.0.0.1:1".to_owned(), key(), "", "403"),
        ("a page elsewhere reads", "GET", "/api/setup", here(), elsewhere(), "", "403"),
        ("a page elsewhere writes", "POST", visit, here(), elsewhere(), "{}", "403"),
        ("nobody says where it is from", "POST", visit, here(), key(), "{}", "403"),
        ("a wrong key", "GET", "/", here(), "Cookie: fingerforce=0123\r\n".to_owned(), "", "401"),
        ("too much", "POST", visit, here(), ours(), "", "413"),
        ("an unknown key in the body", "POST", visit, here(), ours(), "{\"a\":1}", "422"),
        ("no visit is on", "POST", "/api/visit/end", here(), ours(), "", "409"),
        ("a page elsewhere calibrates", "POST", "/api/calibration", here(), elsewhere(), "{}", "403"),
        (
            "a page elsewhere keeps",
            "POST",
            "/api/calibration/seen",
            here(),
            elsewhere(),
            "{\"keep\":true}",
            "403",
        ),
        ("no load is known", "POST", "/api/calibration", here(), ours(), "{}", "400"),
        ("no gravity is set", "POST", "/api/calibration", here(), ours(), "{\"asked\":{\"g\":9.81}}", "422"),
        ("no calibration is on", "POST", "/api/calibration/act", here(), ours(), "{\"line\":\"\"}", "409"),
        ("none waits", "GET", "/api/calibration", here(), key(), "", "409"),
        (
            "a name in a free text",
            "POST",
            "/api/visit/act",
            here(),
            ours(),
            "{\"line\":\"o text: Mr Example\"}",
            "400",
        ),
        ("a path that leads out", "GET", "/../Cargo.toml", here(), key(), "", "404"),
    ]
}

#[tokio::test]
async fn strangers_are_refused() {
    let mut clinic = Clinic::open(&[]);
    let address = clinic.address();
    let path = clinic.link.split_once(&address).unwrap().1.to_owned();
    assert_eq!(status(&clinic.get("/", "")), "401", "no key");
    assert_eq!(status(&clinic.get("/healthz", "")), "200", "only this is for everybody");
    let cookie = clinic.cookie(&clinic.link);
    assert_eq!(status(&clinic.get(&path, "")), "401", "the link was used");
    let own = format!("Cookie: {cookie}\r\n");
    let page = clinic.get("/", &own);
    assert_eq!(status(&page), "200");
    for header in [
        "content-security-policy: default-src 'self';",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
    ] {
        assert!(page.contains(header), "{header}: {page}");
    }
    assert!(!page.to_lowercase().contains("access-control-allow"), "{page}");
    for (why, method, path, host, more, body, expected) in requests(&address, &own) {
        let length = if why == "too much" { 9_000_000 } else { body.len() };
        let answer = clinic.raw(&format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\n{more}Connection: close\r\nContent-Type: application/json\r\n\
             Content-Length: {length}\r\n\r\n{body}"
        ));
        assert_eq!(status(&answer), expected, "{why}: {answer}");
    }
    assert_eq!(status(&clinic.raw(&format!("GET / HTTP/1.0\r\n{own}\r\n"))), "403", "no name");
    let ours = format!("http://{address}");
    assert!(connect(&clinic, &cookie, &ours).await.is_ok());
    assert!(connect(&clinic, &cookie, "http://elsewhere.example").await.is_err(), "another page's WebSocket");
    assert!(connect(&clinic, "fingerforce=0123", &ours).await.is_err(), "a WebSocket without the key");
    let link = clinic.another_link();
    assert_eq!(
        status(&clinic.get("/", &format!("Cookie: {}\r\n", clinic.cookie(&link)))),
        "200",
        "Enter gives a new link"
    );

    // A second daemon on the same data folder is refused, as `record` is.
    let mut second = fingerforced();
    second.args(["serve", "--listen", "127.0.0.1:0", "--data"]).arg(clinic.place.path("data"));
    let refused = run(&mut second);
    assert!(!refused.status.success() && stderr(&refused).contains("in use"), "{}", stderr(&refused));
    let refused = run(&mut clinic.place.record(&[]));
    assert!(!refused.status.success() && stderr(&refused).contains("in use"), "{}", stderr(&refused));
}

/// A connection that asks nothing is cut after 10 s anyway; until then it shows who had to go.
const SHOWS_S: u64 = 8;

/// Many connections of strangers; gives which of them are cut once the program has answered somebody else, or nothing where
/// the machine was too slow to tell.
fn cut(clinic: &Clinic, cookie: &str) -> Option<Vec<bool>> {
    /// More than the program takes at a time.
    const IDLE: usize = 300;
    let began_ns = SystemClock.monotonic_ns();
    let idle: Vec<_> = (0..IDLE)
        .map(|_| {
            let stream = std::net::TcpStream::connect(clinic.address()).unwrap();
            stream.set_nonblocking(true).unwrap();
            stream
        })
        .collect();
    let answer = clinic.post(cookie, "/api/visit/stop", &serde_json::json!({}));
    assert_eq!(status(&answer), "409", "nothing is on: {answer}");
    let is_cut = |mut stream: &std::net::TcpStream| match stream.read(&mut [0; 1]) {
        Ok(count) => count == 0,
        Err(error) => error.kind() != std::io::ErrorKind::WouldBlock,
    };
    // Each ends in a task of its own.
    let cut = wait_for("the oldest to go", || {
        let cut: Vec<bool> = idle.iter().map(is_cut).collect();
        (cut[0] && cut.iter().filter(|cut| **cut).count() >= 150).then_some(cut)
    });
    (SystemClock.monotonic_ns() - began_ns < SHOWS_S * 1_000_000_000).then_some(cut)
}

#[tokio::test]
async fn idle_connections_of_strangers_keep_nobody_out() {
    let clinic = Clinic::open(&[]);
    let cookie = clinic.cookie(&clinic.link);
    let ours = format!("http://{}", clinic.address());
    let page = connect(&clinic, &cookie, &ours).await.unwrap();
    // The oldest of them had to go for the new ones, at once; the newest and the page are there.
    let cut = (0..10).find_map(|_| cut(&clinic, &cookie)).expect("ten times slower than connections last");
    assert!(!cut[cut.len() - 1], "the newest had to go");
    drop(page);
    assert_eq!(status(&clinic.get("/", &format!("Cookie: {cookie}\r\n"))), "200");
}

/// A TLS connection that trusts this certificate and no other.
async fn encrypted(
    clinic: &Clinic,
    host: &str,
    certificate: CertificateDer<'static>,
) -> TlsStream<TcpStream> {
    let mut trusted = RootCertStore::empty();
    trusted.add(certificate).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(trusted)
        .with_no_client_auth();
    let stream = TcpStream::connect(clinic.address()).await.unwrap();
    let name = ServerName::try_from(host.to_owned()).unwrap();
    TlsConnector::from(Arc::new(config)).connect(name, stream).await.unwrap()
}

#[tokio::test]
async fn with_a_certificate_only_tls_is_spoken() {
    let folder = tempfile::tempdir().unwrap();
    let (cert, key) = (folder.path().join("cert.pem"), folder.path().join("key.pem"));
    let made = rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned()]).unwrap();
    std::fs::write(&cert, made.cert.pem()).unwrap();
    std::fs::write(&key, made.signing_key.serialize_pem()).unwrap();
    let files = ["--cert", cert.to_str().unwrap(), "--key", key.to_str().unwrap()];
    let clinic = Clinic::open(&files);
    assert!(clinic.link.starts_with("https://127.0.0.1:"), "{}", clinic.link);
    let mut stream = encrypted(&clinic, "127.0.0.1", made.cert.der().clone()).await;
    let path = clinic.link.split_once(&clinic.address()).unwrap().1;
    let request = format!("GET {path} HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n", clinic.address());
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).await.unwrap();
    let answer = String::from_utf8_lossy(&answer);
    assert!(answer.contains("SameSite=Strict; Secure"), "{answer}");
    assert_ne!(status(&clinic.get("/healthz", "")), "200", "nothing is said in the clear");
}

/// An address of this machine that others reach.
fn own_address() -> String {
    let told = run(Command::new("hostname").arg("-I"));
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    let found =
        told.split_whitespace().find(|it| it.parse::<std::net::Ipv4Addr>().is_ok_and(|it| !it.is_loopback()));
    found
        .unwrap_or_else(|| {
            panic!(
                "this machine has only its own addresses: give it one, `ip address add 192.0.2.7/32 dev lo`"
            )
        })
        .to_owned()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn on_an_address_that_others_reach_the_page_is_encrypted_with_a_certificate_that_stays() {
    let address = own_address();
    let mut clinic = Clinic::with(crate::clinic::PLAN, &format!("{address}:0"), &[]);
    assert!(clinic.link.starts_with(&format!("https://{address}:")), "{}", clinic.link);
    assert_ne!(status(&clinic.get("/healthz", "")), "200", "nothing is said in the clear");
    // What is served is the certificate whose fingerprint was printed, and it is for this address.
    let mut files = std::fs::read_dir(clinic.place.path("data/server")).unwrap().map(|it| it.unwrap().path());
    let file = files.find(|it| it.extension().is_some_and(|it| it == "crt")).unwrap();
    let certificate = CertificateDer::from_pem_file(&file).unwrap();
    let digest: Vec<String> =
        sha2::Sha256::digest(&certificate).iter().map(|byte| format!("{byte:02X}")).collect();
    assert_eq!(digest.join(":"), clinic.fingerprint);
    let stream = encrypted(&clinic, &address, certificate.clone()).await;
    let served = stream.get_ref().1.peer_certificates().unwrap()[0].clone();
    assert_eq!(served, certificate);
    // A browser that was told to trust it sees the force.
    let browser = Browser::trusting().await;
    browser.client.goto(&clinic.link).await.unwrap();
    browser.until("the setup", "return document.querySelector('select[name=plan]') !== null").await;
    browser.js("document.querySelector('select[name=plan]').value = ''").await;
    browser.js("document.querySelector('form button.main').click()").await;
    browser.until("the force", "return parseFloat(document.getElementById('force')?.textContent) > -5").await;
    assert_eq!(browser.js("return lastSocket.url.startsWith('wss:')").await, true);
    let fingerprint = clinic.fingerprint.clone();
    clinic.restart();
    assert_eq!(clinic.fingerprint, fingerprint, "who trusts it goes on doing so");
    browser
        .until(
            "the page is back by itself",
            "return document.querySelector('input[name=participant]') !== null",
        )
        .await;
}
