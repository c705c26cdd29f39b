//! `fingerforced ports`: lists serial ports and listens; with `--probe`, asks one device who it is.

use crate::clock::{Clock, SystemClock};
use crate::port::find::{Found, find};
use crate::port::handover::{CAPACITY_BYTES, Handover, Item, Reason};
use crate::port::listen::{Listener, Verdict};
use crate::port::propose::{Proposal, propose};
use crate::port::reader::Reader;
use crate::port::text::printable;
use crate::port::{DEFAULT_BAUD, Port, open};
use analysis::console::{self, Advice, Hint, Usage, advised};
use analysis::documents;
use anyhow::{Context as _, anyhow};
use firmware_protocol::frame::{MAX_FRAME, encode};
use firmware_protocol::message::{Direction, HostMessage, Identity, PROTOCOL_VERSION};
use serde::Serialize;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;

/// A device has this long to answer: opening a port resets many boards.
const PROBE_NS: u64 = 5_000_000_000;
/// It is asked again after this long.
const ASK_NS: u64 = 500_000_000;

/// Lists serial ports and listens; writes only with --probe
///
/// Says of each port what it hears: a finger-force sensor, lines of text, noise, or silence. A sensor that waits to be
/// started is silent until it is asked, which --probe does.
///
/// Of a device that prints lines of numbers, it proposes what they mean (a profile for `record --profile`), with its
/// reasons; --propose tries the usual speeds too.
///
/// Example: fingerforced ports --probe /dev/ttyACM0
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Ask the device at this port who it is (writes to the port)
    #[arg(long, value_name = "PORT")]
    probe: Option<String>,
    /// Listen to the device at this port at the usual speeds, and propose a profile of its lines (writes nothing)
    #[arg(long, value_name = "PORT", conflicts_with = "probe")]
    propose: Option<String>,
    /// Listen this long, s
    #[arg(long, value_name = "S", default_value_t = 2.0)]
    seconds: f64,
    /// Speed of the ports; USB devices ignore it
    #[arg(long, value_name = "BAUD", default_value_t = DEFAULT_BAUD)]
    baud: u32,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    if !(0.0..=3_600.0).contains(&args.seconds) {
        return Err(Usage(format!("--seconds is {}, must be from 0 to 3600", args.seconds)).into());
    }
    match (&args.probe, &args.propose) {
        (Some(port), _) => probe(args, port),
        (None, Some(port)) => propose_for(args, port),
        (None, None) => list(args),
    }
}

/// A port and what was heard there, for JSON.
#[derive(Debug, Serialize)]
struct Listed {
    name: String,
    by_id: Option<String>,
    usb: Option<ListedUsb>,
    /// `sensor`, `other version`, `text`, `noise`, `silence` or `not opened`.
    heard: &'static str,
    detail: String,
    serial: Option<String>,
    /// What its lines mean, as far as they say.
    proposal: Option<Proposal>,
}

#[derive(Debug, Serialize)]
struct ListedUsb {
    vendor_id: String,
    product_id: String,
    serial: Option<String>,
    manufacturer: Option<String>,
    product: Option<String>,
}

fn list(args: &Args) -> anyhow::Result<()> {
    let ports = find().context("the system cannot list its serial ports")?;
    if !ports.is_empty() {
        crate::stderr::say(&format!("listening to {} port(s) for {} s", ports.len(), args.seconds));
    }
    let listed = listen(args, ports)?;
    let text = if args.json {
        documents::json(documents::PORTS, &serde_json::json!({ "ports": listed }))?
    } else {
        table(&listed)
    };
    Ok(console::result(&text)?)
}

/// Listens to all ports at once.
fn listen(args: &Args, ports: Vec<Found>) -> anyhow::Result<Vec<Listed>> {
    let clock = Arc::new(SystemClock);
    let handover = Handover::new(CAPACITY_BYTES);
    let (mut readers, mut refused) = (Vec::new(), Vec::new());
    for (number, port) in (0_u8..).zip(&ports) {
        match open(&port.name, args.baud) {
            Ok(open) => {
                let handover = Arc::clone(&handover);
                readers.push(Reader::start(number, Box::new(open), clock.clone(), handover)?);
                refused.push(None);
            }
            Err(error) => refused.push(Some(format!("{error}; {}", error.hint()))),
        }
    }
    if !readers.is_empty() {
        clock.sleep_until_ns(clock.monotonic_ns() + (args.seconds * 1e9) as u64);
    }
    readers.into_iter().for_each(Reader::stop);
    let mut listeners: Vec<Listener> = ports.iter().map(|_| Listener::default()).collect();
    for item in handover.take() {
        if let Item::Chunk { port, bytes, .. } = item
            && let Some(listener) = listeners.get_mut(usize::from(port))
        {
            listener.hear(&bytes);
        }
    }
    let heard = listeners.iter().zip(refused);
    Ok(ports
        .into_iter()
        .zip(heard)
        .map(|(port, (listener, refused))| listed(port, listener, refused, args.baud))
        .collect())
}

fn listed(port: Found, listener: &Listener, refused: Option<String>, baud: u32) -> Listed {
    let (heard, mut detail) = match refused {
        Some(reason) => ("not opened", reason),
        None => said(listener),
    };
    let mut proposal = None;
    if heard == "text" {
        match propose(listener.start(), baud) {
            Ok(proposed) => proposal = Some(proposed),
            Err(why) => detail += &format!("; no profile is proposed: {}", printable(&why)),
        }
    }
    let usb = port.usb.map(|usb| ListedUsb {
        vendor_id: format!("{:04x}", usb.vendor_id),
        product_id: format!("{:04x}", usb.product_id),
        serial: usb.serial,
        manufacturer: usb.manufacturer,
        product: usb.product,
    });
    let serial = listener.identity().map(|identity| identity.serial.as_str().to_owned());
    Listed { name: port.name, by_id: port.by_id, usb, heard, detail, serial, proposal }
}

fn said(listener: &Listener) -> (&'static str, String) {
    match listener.verdict() {
        Verdict::Silence => ("silence", "nothing; a sensor that waits answers only to --probe".to_owned()),
        Verdict::Sensor => match listener.identity() {
            Some(identity) => ("sensor", format!("a finger-force sensor, serial number {}", identity.serial)),
            None => ("sensor", format!("a finger-force sensor, {} messages", listener.messages())),
        },
        Verdict::OtherVersion(version) => ("other version", other_version(version)),
        Verdict::Text(line) => ("text", text(&line)),
        Verdict::Noise => ("noise", noise(listener)),
    }
}

fn text(line: &str) -> String {
    format!("lines of text, as `{line}`")
}

fn noise(listener: &Listener) -> String {
    format!("{} bytes that are neither frames nor text", listener.bytes())
}

fn other_version(version: u8) -> String {
    format!(
        "a finger-force sensor that speaks version {version} of the protocol, this program version {PROTOCOL_VERSION}"
    )
}

fn table(ports: &[Listed]) -> String {
    let mut text = String::new();
    for port in ports {
        let _ = writeln!(text, "{}", port.name);
        if let Some(by_id) = &port.by_id {
            let _ = writeln!(text, "  stable name  {by_id}");
        }
        if let Some(usb) = &port.usb {
            let names =
                [&usb.manufacturer, &usb.product, &usb.serial].map(|name| name.as_deref().unwrap_or("?"));
            let _ =
                writeln!(text, "  USB          {}:{} {}", usb.vendor_id, usb.product_id, names.join(", "));
        }
        let _ = writeln!(text, "  {:<12} {}", port.heard, port.detail.replace('\n', " "));
        if let Some(proposal) = &port.proposal {
            text += &proposed(proposal);
        }
    }
    if ports.is_empty() {
        text.push_str("this machine has no serial port now\n");
    }
    text
}

fn proposed(proposal: &Proposal) -> String {
    let reasons: String =
        proposal.reasons.iter().map(|reason| format!("  because      {}\n", printable(reason))).collect();
    format!(
        "{reasons}  proposed profile (check it, put it into a file, and give that to record --profile):\n\n{}\n",
        proposal.to_toml()
    )
}

/// The speeds that devices with lines of text have, the usual ones first.
const SPEEDS: [u32; 9] = [9_600, 115_200, 19_200, 38_400, 57_600, 4_800, 2_400, 230_400, 1_200];

/// Listens at one speed after another until the lines can be read.
fn propose_for(args: &Args, name: &str) -> anyhow::Result<()> {
    let clock = Arc::new(SystemClock);
    let mut refused = Vec::new();
    for baud in SPEEDS {
        let port = open(name, baud).map_err(advised)?;
        let handover = Handover::new(CAPACITY_BYTES);
        let reader = Reader::start(0, Box::new(port), clock.clone(), Arc::clone(&handover))?;
        clock.sleep_until_ns(clock.monotonic_ns() + (args.seconds * 1e9) as u64);
        reader.stop();
        let mut listener = Listener::default();
        hear(&handover, &mut listener, name)?;
        match propose(listener.start(), baud) {
            Ok(proposal) => {
                let text = if args.json {
                    documents::json(documents::PROFILE, &proposal)?
                } else {
                    format!("{name}: lines of text at {baud} baud\n{}", proposed(&proposal))
                };
                return Ok(console::result(&text)?);
            }
            Err(why) => refused.push(format!("at {baud} baud: {why}")),
        }
    }
    Err(anyhow!("no profile can be proposed for {name}: {}", printable(&refused.join("; "))).context(Hint::new(
        "make the device print its lines (a start command?), listen longer with --seconds, or write a profile by hand",
    )))
}

/// Asks until an identity comes.
fn probe(args: &Args, name: &str) -> anyhow::Result<()> {
    let clock = Arc::new(SystemClock);
    let port = open(name, args.baud).map_err(advised)?;
    let mut writer = port.writer().with_context(|| format!("cannot write to {name}"))?;
    let handover = Handover::new(CAPACITY_BYTES);
    let _reader = Reader::start(0, Box::new(port), clock.clone(), Arc::clone(&handover))?;
    let question = question()?;
    let mut listener = Listener::default();
    let until_ns = clock.monotonic_ns() + PROBE_NS;
    let mut ask_ns = 0;
    while clock.monotonic_ns() < until_ns {
        if clock.monotonic_ns() >= ask_ns {
            ask_ns = clock.monotonic_ns() + ASK_NS;
            // A device that takes nothing now may still say something.
            let _ = writer.write_all(&question);
        }
        if handover.wait(Duration::from_millis(50)) {
            hear(&handover, &mut listener, name)?;
        }
        if let Some(identity) = listener.identity() {
            return show(args, name, identity);
        }
    }
    Err(no_answer(name, &listener))
}

fn question() -> anyhow::Result<Vec<u8>> {
    let (mut body, mut frame) = ([0; 8], [0; MAX_FRAME]);
    let length = HostMessage::Identify.encode(&mut body)?;
    let length = encode(body.get(..length).unwrap_or_default(), &mut frame)?;
    // A delimiter first: what the device heard before, as when its cable was touched, must not spoil the question.
    Ok([&[0], frame.get(..length).unwrap_or_default()].concat())
}

fn hear(handover: &Handover, listener: &mut Listener, name: &str) -> anyhow::Result<()> {
    for item in handover.take() {
        match item {
            Item::Chunk { bytes, .. } => listener.hear(&bytes),
            Item::Dropped { .. } => {}
            Item::Gone { reason, .. } => {
                let reason = match reason {
                    Reason::Unplugged => "it was unplugged".to_owned(),
                    Reason::Error(text) => printable(&text),
                };
                let hint = Hint::new("plug the sensor in and try again");
                return Err(anyhow!("{name} is gone: {reason}").context(hint));
            }
        }
    }
    Ok(())
}

fn no_answer(name: &str, listener: &Listener) -> anyhow::Error {
    let unanswered = |heard: &str| format!("{name} did not say who it is within 5 s: {heard}");
    let (what, hint) = match listener.verdict() {
        Verdict::OtherVersion(version) => (
            format!("{name} is {}", other_version(version)),
            "bring the sensor's firmware and this program to the same version",
        ),
        Verdict::Silence => (
            unanswered("nothing was heard"),
            "check the cable, and that the board runs a finger-force sensor's firmware",
        ),
        Verdict::Noise => {
            (unanswered(&noise(listener)), "check the speed (--baud), and that this is the sensor's port")
        }
        Verdict::Text(line) => {
            (unanswered(&text(&line)), "this is another kind of device: `fingerforced ports` lists all")
        }
        Verdict::Sensor => {
            (unanswered("it sends samples but no identity"), "unplug it, plug it in again, and try again")
        }
    };
    anyhow!(what).context(Hint::new(hint))
}

/// An identity, for JSON.
#[derive(Debug, Serialize)]
struct Answer<'a> {
    port: &'a str,
    serial: &'a str,
    firmware: &'a str,
    protocol_version: u8,
    boot_id: u32,
    interval_ns: u32,
    group_delay_ns: u32,
    bandwidth_millihertz: u32,
    settling_ns: u32,
    channels: Vec<AnswerChannel>,
}

#[derive(Debug, Serialize)]
struct AnswerChannel {
    zero_counts: i32,
    rated_counts: i32,
    rated_force_n: f64,
    direction: &'static str,
}

fn show(args: &Args, name: &str, identity: &Identity) -> anyhow::Result<()> {
    let channels = identity.channels.iter().map(|channel| AnswerChannel {
        zero_counts: channel.zero_counts,
        rated_counts: channel.rated_counts,
        rated_force_n: f64::from(channel.rated_force_mn) / 1_000.0,
        direction: match channel.direction {
            Direction::Compression => "compression",
            Direction::Tension => "tension",
            Direction::Both => "both",
        },
    });
    let answer = Answer {
        port: name,
        serial: identity.serial.as_str(),
        firmware: identity.firmware.as_str(),
        protocol_version: identity.protocol_version,
        boot_id: identity.boot_id,
        interval_ns: identity.interval_ns,
        group_delay_ns: identity.group_delay_ns,
        bandwidth_millihertz: identity.bandwidth_millihertz,
        settling_ns: identity.settling_ns,
        channels: channels.collect(),
    };
    let text = if args.json { documents::json(documents::IDENTITY, &answer)? } else { told(&answer) };
    Ok(console::result(&text)?)
}

fn told(answer: &Answer<'_>) -> String {
    let milliseconds = |ns: u32| f64::from(ns) / 1e6;
    let mut text = format!(
        "{}: a finger-force sensor\n  serial number  {}\n  firmware       {} (protocol {})\n  rate           {:.3} Hz\n  \
         group delay    {:.3} ms\n",
        answer.port,
        answer.serial,
        answer.firmware,
        answer.protocol_version,
        1e9 / f64::from(answer.interval_ns),
        milliseconds(answer.group_delay_ns),
    );
    for (number, channel) in (1..).zip(&answer.channels) {
        let _ = writeln!(
            text,
            "  channel {number}      rated {} N ({}) at {} counts above {}",
            channel.rated_force_n, channel.direction, channel.rated_counts, channel.zero_counts
        );
    }
    text
}
