//! The other side of the page: the program that serves it, a simulated sensor with a hand that does what it is told, and
//! plain connections past the browser.

use crate::guided::{Ended, sensor, tell};
use crate::{Place, fingerforced};
use serde_json::Value;
use std::fs::OpenOptions;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{ChildStdin, Command, Stdio};

fn start(command: &mut Command, stderr: Stdio) -> Ended {
    let piped = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(stderr);
    Ended(piped.spawn().unwrap_or_else(|error| panic!("cannot start {command:?}: {error}")))
}

/// One muscle, both sides, everything short.
pub const PLAN: &str = r#"
title = "One muscle, both sides"
procedure = "examined"
sides = ["right", "left"]
tests = ["active-motion", "make", "break", "concentric"]

[defaults]
trials = 2
rest_s = 2.0
hold_s = 1.5
count = 3
say = "As I showed you."
participant_sees = "pace only"

[[muscle]]
muscle = "index abduction"
palm = "down"
contact_side = "radial"
examiner_pulls = "ulnar"
"#;

/// The environment's variables that say what is logged.
pub type Log = &'static [(&'static str, &'static str)];

/// Everything that a test needs.
pub struct Clinic {
    /// Where everything is.
    pub place: Place,
    /// The program that serves.
    pub serve: Ended,
    /// The link that it printed last, as far as it was read.
    pub link: String,
    /// Of the certificate, where there is one.
    pub fingerprint: String,
    told: BufReader<std::process::ChildStdout>,
    /// Simulated sensors that load what they are told: the first one's port is the place's own.
    sensors: Vec<(Ended, ChildStdin)>,
    told_hand: String,
    /// How it logs into the place's `log`; otherwise warnings are shown.
    log: Log,
    /// Pulls that the hand was told.
    pub pulls: usize,
}

impl Clinic {
    /// A sensor, and the program that serves it.
    pub fn open(options: &[&str]) -> Clinic {
        Clinic::with(PLAN, "127.0.0.1:0", options)
    }

    /// The same with this plan, and where it listens.
    pub fn with(plan: &str, listen: &str, options: &[&str]) -> Clinic {
        Clinic::of_sensors(plan, listen, options, &[&[]])
    }

    /// The same with these simulated sensors, by their options.
    pub fn of_sensors(plan: &str, listen: &str, options: &[&str], sensors: &[&[&str]]) -> Clinic {
        Clinic::started(plan, listen, options, sensors, &[])
    }

    /// One that is started as by a careless shell, with a umask that lets everybody read, and logs as these variables say.
    pub fn logged(log: Log, sensor: &[&str]) -> Clinic {
        Clinic::started(PLAN, "127.0.0.1:0", &[], &[sensor], log)
    }

    fn started(plan: &str, listen: &str, options: &[&str], sensors: &[&[&str]], log: Log) -> Clinic {
        let place = Place::default();
        std::fs::write(place.path("plan.toml"), plan).unwrap();
        let linked = |(at, options): (usize, &&[&str])| sensor(&place, &link(at), options);
        let sensors: Vec<_> = sensors.iter().enumerate().map(linked).collect();
        let more: Vec<String> =
            (1..sensors.len()).map(|at| format!("--port={}", place.path(&link(at)).display())).collect();
        let options: Vec<&str> = options.iter().copied().chain(more.iter().map(String::as_str)).collect();
        let served = serve(&place, listen, &options, log);
        let Served { serve, link, fingerprint, told } = served;
        Clinic { place, serve, link, fingerprint, told, sensors, told_hand: String::new(), log, pulls: 0 }
    }

    /// The program is killed and started again at the same address.
    pub fn restart(&mut self) {
        let address = self.address();
        let _ = self.serve.0.kill();
        let _ = self.serve.0.wait();
        let Served { serve, link, fingerprint, told } = serve(&self.place, &address, &[], self.log);
        (self.serve, self.link, self.fingerprint, self.told) = (serve, link, fingerprint, told);
    }

    /// `host:port`.
    pub fn address(&self) -> String {
        self.link.split('/').nth(2).unwrap().to_owned()
    }

    /// Another link.
    pub fn another_link(&mut self) -> String {
        writeln!(self.serve.0.stdin.as_mut().unwrap()).unwrap();
        line(&mut self.told, "open once: ")
    }

    /// The sensor is plugged in anew: a simulated hand's time begins with each host.
    pub fn another_sensor(&mut self) {
        // The one before ends first.
        self.sensors.clear();
        let _ = std::fs::remove_file(self.place.port());
        self.sensors.push(sensor(&self.place, &link(0), &[]));
    }

    /// Tells the hand what to do, once.
    pub fn hand(&mut self, order: &str) {
        self.hand_of(0, order);
    }

    /// Tells this sensor's hand, from 0.
    pub fn hand_of(&mut self, sensor: usize, order: &str) {
        tell(&mut self.sensors[sensor].1, order);
    }

    /// The hand does what a person does at this place of the visit: `stage|item's test|trial|side`.
    pub fn follow(&mut self, at: &str) {
        if self.told_hand == at {
            return;
        }
        at.clone_into(&mut self.told_hand);
        let mut words = at.split('|');
        let order = match (words.next().unwrap_or(""), words.next().unwrap_or("")) {
            ("turn" | "zero", _) => "free",
            ("ready" | "rest" | "look", _) => "touch 1.5",
            ("pull", "make") => "make:20:1.9",
            ("pull", "break") => "break:24:0.3",
            ("pull", "concentric") => "concentric:18:2",
            _ => return,
        };
        if at.starts_with("pull") {
            self.pulls += 1;
            // Nobody pulls in the very moment of the cue: a person's reaction takes some tenths of a second.
            std::thread::sleep(std::time::Duration::from_millis(300));
        }
        self.hand(order);
    }

    /// The plan's file.
    pub fn plan(&self) -> PathBuf {
        self.place.path("plan.toml")
    }

    /// Sends this request as it is; gives the whole answer.
    pub fn raw(&self, request: &str) -> String {
        let mut stream = TcpStream::connect(self.address()).unwrap();
        stream.set_read_timeout(Some(std::time::Duration::from_secs(20))).unwrap();
        stream.write_all(request.as_bytes()).unwrap();
        let mut answer = Vec::new();
        // It may be cut off where the body is refused before it was read.
        let _ = stream.read_to_end(&mut answer);
        String::from_utf8_lossy(&answer).into_owned()
    }

    /// The cookie that a link gives.
    pub fn cookie(&self, link: &str) -> String {
        let path = link.split_once(&self.address()).unwrap().1;
        let answer = self.get(path, "");
        let cookie = answer.lines().find_map(|line| line.strip_prefix("set-cookie: ")).expect(&answer);
        cookie.split(';').next().unwrap().to_owned()
    }

    /// A plain GET.
    pub fn get(&self, path: &str, more: &str) -> String {
        let host = self.address();
        self.raw(&format!("GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n{more}\r\n"))
    }

    /// Posts a document.
    pub fn post(&self, cookie: &str, path: &str, body: &Value) -> String {
        let (address, body) = (self.address(), body.to_string());
        self.raw(&format!(
            "POST {path} HTTP/1.1\r\nHost: {address}\r\nOrigin: http://{address}\r\nCookie: {cookie}\r\nConnection: close\r\n\
             Content-Type: application/json\r\nContent-Length: {}\r\n\r\n{body}",
            body.len()
        ))
    }

    /// Resident memory of the program, bytes.
    pub fn memory_bytes(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.serve.0.id())).unwrap();
        let kib = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        kib.split_whitespace().next().unwrap().parse::<u64>().unwrap() * 1024
    }
}

fn line(told: &mut BufReader<std::process::ChildStdout>, begins: &str) -> String {
    let mut line = String::new();
    told.read_line(&mut line).unwrap();
    line.trim().strip_prefix(begins).unwrap_or_else(|| panic!("not `{begins}`: {line}")).to_owned()
}

/// A sensor's port is linked here in the place, from 0.
fn link(at: usize) -> String {
    if at == 0 { "sensor".to_owned() } else { format!("sensor-{}", at + 1) }
}

struct Served {
    serve: Ended,
    link: String,
    fingerprint: String,
    told: BufReader<std::process::ChildStdout>,
}

fn serve(place: &Place, listen: &str, options: &[&str], log: Log) -> Served {
    let mut command = fingerforced();
    command.args(["serve", "--listen", listen, "--port"]).arg(place.port());
    command.arg("--data").arg(place.path("data")).args(options);
    let mut serve = match log {
        [] => start(&mut command, Stdio::inherit()),
        said => {
            let log = OpenOptions::new().create(true).append(true).open(place.path("log")).unwrap();
            let mut shell = Command::new("sh");
            shell.args(["-c", "umask 000; exec \"$@\"", "sh"]).arg(command.get_program());
            start(shell.args(command.get_args()).envs(said.iter().copied()), log.into())
        }
    };
    let mut told = BufReader::new(serve.0.stdout.take().unwrap());
    let encrypted = !listen.starts_with("127.") || options.contains(&"--cert");
    let fingerprint = if encrypted { line(&mut told, "certificate SHA-256 ") } else { String::new() };
    let link = line(&mut told, "open once: ");
    Served { serve, link, fingerprint, told }
}
