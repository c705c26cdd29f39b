//! Boards that are programmed in C, recorded by the daemon: the example of `firmware-protocol/c/example` as a program
//! behind a pseudo-terminal, and cross-compiled for a Cortex-M4 in an emulated machine whose UART is one.
//!
//! Each conversion's code follows from its number alone, so what was recorded shows of every sample which conversion it
//! was, whatever the machine's load: that, and what the board itself counted, is what is checked. How long anything took
//! is not, only that causes came before their effects on both clocks.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::journal::{Reader, Record, SystemDisk};
use firmware_protocol::frame::{self, Accumulator, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::message::{DeviceMessage, HostMessage, Identity};
use nix::libc::O_NOCTTY;
use nix::poll::{PollFd, PollFlags, poll};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::fd::AsFd;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use tests::{Place, Running, run, sealed, wait_for};

/// The simulated converter's true interval, ns (`SIMULATED_FAST_NS`); the board measures it.
const INTERVAL_NS: u32 = 12_537_500;
/// A converter ten times as fast and a board with little memory, so that a port that is not read is soon full.
const SMALL_AND_FAST: [&str; 4] = [
    "-DFAST_NS=1250000ul",
    "-DSIMULATED_FAST_NS=1253750ul",
    "-DFORCE_BOARD_BODY=128u",
    "-DFORCE_BOARD_QUEUE=260u",
];
const FAST_INTERVAL_NS: u32 = 1_253_750;
/// Clocks of two machines differ by less.
const CLOCKS_APART: f64 = 200e-6;
/// What the emulated board finds where a real one has a source of noise.
const BOOT: u32 = 0x5EED_B007;

fn c_folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../firmware-protocol/c")
}

/// Compiles files of the example, strictly.
fn compile(compiler: &str, options: &[&str], files: &[&str], program: &Path) {
    let mut command = Command::new(compiler);
    command
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-I"])
        .arg(c_folder())
        .args(options);
    command.args(files.iter().map(|file| c_folder().join("example").join(file)));
    // Libraries come after what needs them.
    command.args(if compiler == "gcc" { &[][..] } else { &["-lgcc"] }).arg("-o").arg(program);
    let output = run(&mut command);
    assert!(output.status.success(), "{}", tests::stderr(&output));
}

/// What a board says of its stream.
#[derive(Debug, Clone, Copy)]
struct Shown {
    produced: u64,
    dropped: u64,
    /// Bytes in its queue.
    waiting: u64,
}

/// A board that runs, its port linked from a [`Place`].
struct Board {
    child: Child,
    input: ChildStdin,
    output: BufReader<ChildStdout>,
    emulated: bool,
}

impl Board {
    fn start(command: &mut Command, emulated: bool) -> Board {
        let child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn();
        let mut child = child.unwrap_or_else(|error| panic!("cannot start {command:?}: {error}"));
        let (input, output) = (child.stdin.take().unwrap(), child.stdout.take().unwrap());
        Board { child, input, output: BufReader::new(output), emulated }
    }

    /// The example as a program, under the sanitizers.
    fn posix(place: &Place, options: &[&str]) -> Board {
        let program = place.path("board");
        let sanitized = ["-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"];
        compile("gcc", &[&sanitized, options].concat(), &["board.c", "posix/hardware.c"], &program);
        let board = Board::start(Command::new(program).arg(place.port()), false);
        wait_for("the board's port", || place.port().exists().then_some(()));
        board
    }

    /// The example on a Cortex-M4.
    fn emulated(place: &Place, options: &[&str]) -> Board {
        let firmware = place.path("board.elf");
        let memory = c_folder().join("example/mps2/memory.ld");
        let target = ["-Os", "-mcpu=cortex-m4", "-mthumb", "-ffreestanding", "-nostdlib", "-T"];
        let own = [memory.to_str().unwrap(), "-fno-tree-loop-distribute-patterns"];
        let files = ["board.c", "mps2/hardware.c", "mps2/start.c"];
        compile("arm-none-eabi-gcc", &[&target, &own[..], options].concat(), &files, &firmware);
        Board::flashed(place, &firmware)
    }

    /// The example in Rust on the same machine.
    fn emulated_rust(place: &Place) -> Board {
        let folder = c_folder().join("../example");
        let built = Path::new(env!("CARGO_TARGET_TMPDIR")).join("board");
        let mut cargo = Command::new(env!("CARGO"));
        cargo.args(["build", "--quiet", "--locked", "--release", "--target-dir"]).arg(&built);
        // Flags of the host's build would replace those of the example's .cargo/config.toml.
        let output = run(cargo.env_remove("RUSTFLAGS").current_dir(folder));
        assert!(output.status.success(), "{}", tests::stderr(&output));
        Board::flashed(place, &built.join("thumbv7em-none-eabihf/release/example-board"))
    }

    /// A Cortex-M4 with this program.
    fn flashed(place: &Place, firmware: &Path) -> Board {
        // Ends with this test, however that ends. It is asked over its standard input (QMP).
        let mut command = Command::new("setpriv");
        command.args(["--pdeathsig", "KILL", "qemu-system-arm", "-M", "mps2-an386", "-kernel"]).arg(firmware);
        command.args(["-display", "none", "-monitor", "none", "-qmp", "stdio", "-device"]);
        command.arg(format!("loader,addr=0x20300000,data={BOOT},data-len=4"));
        command.args(["-chardev", "pty,id=uart", "-serial", "chardev:uart"]);
        let mut board = Board::start(&mut command, true);
        board.qmp("qmp_capabilities", &json!({}));
        let devices = board.qmp("query-chardev", &json!({}));
        let named = |device: &&Value| device["label"] == "uart";
        let uart = devices.as_array().unwrap().iter().find(named).expect("the UART");
        let port =
            uart["filename"].as_str().and_then(|name| name.strip_prefix("pty:")).expect("its terminal");
        std::os::unix::fs::symlink(port, place.port()).unwrap();
        board
    }

    fn qmp(&mut self, execute: &str, arguments: &Value) -> Value {
        writeln!(self.input, "{}", json!({"execute": execute, "arguments": arguments})).unwrap();
        loop {
            // Events and the greeting come in between, and a line that is no JSON at all.
            let answer: Value = serde_json::from_str(&self.line()).unwrap_or_default();
            assert_eq!(answer["error"], Value::Null, "{execute}");
            if let Some(value) = answer.get("return") {
                return value.clone();
            }
        }
    }

    fn line(&mut self) -> String {
        let mut line = String::new();
        self.output.read_line(&mut line).unwrap();
        assert!(!line.is_empty(), "the board has ended: what it said stands above");
        line
    }

    fn shown(&mut self) -> Shown {
        if self.emulated {
            let words = json!({"command-line": "xp /3wx 0x20300004"});
            let text = self.qmp("human-monitor-command", &words);
            let (_, words) = text.as_str().unwrap().split_once(':').expect("address: words");
            let number = |word: &str| u64::from_str_radix(word.trim_start_matches("0x"), 16).unwrap();
            let [produced, dropped, waiting] = words.split_whitespace().map(number).collect::<Vec<_>>()[..]
            else {
                panic!("{words}")
            };
            return Shown { produced, dropped, waiting };
        }
        kill(Pid::from_raw(self.child.id() as i32), Signal::SIGUSR1).unwrap();
        let told: Value = serde_json::from_str(&self.line()).unwrap();
        let number = |name: &str| told[name].as_u64().unwrap();
        Shown { produced: number("produced"), dropped: number("dropped"), waiting: number("waiting") }
    }
}

impl Drop for Board {
    fn drop(&mut self) {
        // A sanitizer's finding ends it too, and no test goes on without its board.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The code of a conversion as counts: `simulated_code` of the example, written again.
fn counts_of(conversion: u32) -> i32 {
    match conversion % 500 {
        249 => 0x7F_FFFF,
        499 => -0x80_0000,
        _ => (conversion.wrapping_mul(40_503) << 8).cast_signed() >> 8,
    }
}

/// The number of the conversion that was the stream's sample 0, from some of its counts.
fn first_conversion(some: &[(u32, i32)]) -> u32 {
    (0..1 << 24)
        .find(|&first| some.iter().all(|&(sample, counts)| counts_of(first + sample) == counts))
        .unwrap_or_else(|| panic!("no conversions in a row have these counts: {some:?}"))
}

/// Every sample is the conversion that its number says; every one that is missing was dropped by the board, which
/// counted the same; the board's times are those of its converter; its interval is the measured one.
fn check_recording(sealed: &Value, shown: Shown, interval_ns: u32) {
    println!("{shown:?}, {} recorded", sealed["samples"]);
    let total = sealed["samples"].as_u64().unwrap();
    assert_eq!(sealed["missing_samples"], shown.dropped, "{sealed:#} {shown:?}");
    assert_eq!(total + shown.dropped, shown.produced, "{sealed:#} {shown:?}");
    assert_eq!(sealed["unknown_gaps"], 0);

    let recording = Recording::open(sealed["recording"].as_str().unwrap().as_ref()).unwrap();
    recording.verify().unwrap();
    let samples = recording.samples(1, 0..total).unwrap();
    let frames = recording.frames(1).unwrap();
    let gaps = recording.gaps(1).unwrap();
    // Behind the last frame the host cannot know whose doing a gap was: only a frame would have told.
    let inside = gaps.iter().filter(|gap| gap.after_sample + 1 < total as i64);
    let others: Vec<_> = inside.filter(|gap| gap.reason != "device overrun").collect();
    assert!(others.is_empty(), "the line loses nothing: {others:?}");
    let [segment] = &recording.segments(1).unwrap()[..] else { panic!("one stream with one interval") };
    // 1 us over the 16 conversions of the first measurement.
    assert!((segment.interval_ns - i64::from(interval_ns)).abs() <= 1000 / 16 + 1, "{}", segment.interval_ns);

    let numbered: Vec<(u32, i32)> = frames
        .iter()
        .flat_map(|frame| (0..frame.samples).map(move |i| (frame.counter + i, frame.first_sample + i)))
        .map(|(counter, at)| (u32::try_from(counter).unwrap(), samples.counts[usize::try_from(at).unwrap()]))
        .collect();
    assert_eq!(numbered.len() as u64, total);
    let first = first_conversion(&numbered[..20]);
    for (sample, counts) in &numbered {
        assert_eq!(*counts, counts_of(first + sample), "sample {sample}");
    }
    let saturated = |counts: i32| counts == 0x7F_FFFF || counts == -0x80_0000;
    for frame in &frames {
        let range = frame.first_sample as usize..(frame.first_sample + frame.samples) as usize;
        let any = samples.counts[range].iter().any(|&counts| saturated(counts));
        assert_eq!(frame.status & 1 == 1, any, "frame {}", frame.sequence);
        let since_us = (frame.counter - frames[0].counter) as f64 * f64::from(interval_ns) * 1e-3;
        let told_us = (frame.device_time_us - frames[0].device_time_us) as f64;
        assert!((told_us - since_us).abs() <= 1.0, "frame {}: {told_us} us, not {since_us}", frame.sequence);
    }
}

/// A question to the board and its answer: the board's clock read `device_us` after the host's `sent_ns` and before its
/// `arrived_ns`.
#[derive(Debug, Clone, Copy)]
struct Exchange {
    sent_ns: u64,
    device_us: u64,
    arrived_ns: u64,
}

/// All pings of a visit, which must all have been answered, and the stop at its end.
fn exchanges(visit: &Path) -> Vec<Exchange> {
    let (mut pings, mut pongs, mut stop_ns, mut stopped) = (BTreeMap::new(), BTreeMap::new(), None, None);
    let (mut from_host, mut from_board) = (Accumulator::new(), Accumulator::new());
    for stamped in Reader::open(SystemDisk::shared(), visit).unwrap() {
        let stamped = stamped.unwrap();
        let now_ns = stamped.monotonic_ns;
        match stamped.record {
            Record::Sent { bytes, .. } => {
                let mut input = bytes.as_slice();
                while let Some(Ok(body)) = from_host.push(&mut input) {
                    match HostMessage::decode(body).unwrap() {
                        HostMessage::Ping { token } => assert_eq!(pings.insert(token, now_ns), None),
                        // What counts is the first stop after the last start.
                        HostMessage::Start => stop_ns = None,
                        HostMessage::Stop => stop_ns = stop_ns.or(Some(now_ns)),
                        _ => {}
                    }
                }
            }
            Record::Bytes { bytes, .. } => {
                let mut input = bytes.as_slice();
                while let Some(frame) = from_board.push(&mut input) {
                    match frame.map(DeviceMessage::decode) {
                        Ok(Ok(DeviceMessage::Pong(pong))) => {
                            pongs.insert(pong.token, (pong.device_time_us, now_ns));
                        }
                        Ok(Ok(DeviceMessage::Condition(condition))) if !condition.streaming => {
                            stopped = Some((condition.device_time_us, now_ns));
                        }
                        _ => {}
                    }
                }
            }
            _ => {}
        }
    }
    let exchange = |sent_ns, (device_us, arrived_ns)| Exchange { sent_ns, device_us, arrived_ns };
    assert!(!pings.is_empty(), "the host has asked for the time");
    let mut all: Vec<_> = pings.iter().map(|(token, &sent_ns)| exchange(sent_ns, pongs[token])).collect();
    all.push(exchange(stop_ns.expect("a stop"), stopped.expect("its answer")));
    all
}

/// On both clocks the same time passes between two exchanges, as far as their ends tell.
fn check_times(visit: &Path) {
    let all = exchanges(visit);
    println!("{all:?}");
    for (i, a) in all.iter().enumerate() {
        assert!(a.arrived_ns > a.sent_ns, "{a:?}");
        for b in &all[i + 1..] {
            let device_s = (b.device_us as f64 - a.device_us as f64) * 1e-6;
            let least_s = (b.sent_ns as f64 - a.arrived_ns as f64) * 1e-9;
            let most_s = (b.arrived_ns as f64 - a.sent_ns as f64) * 1e-9;
            let apart_s = device_s * CLOCKS_APART + 2e-6;
            assert!(device_s >= least_s - apart_s && device_s <= most_s + apart_s, "{a:?} {b:?}");
        }
    }
}

/// A board as it is for some seconds.
fn recorded(place: &Place, board: &mut Board) -> Value {
    // Not `run`: of a board that has died the daemon waits for the return.
    let recording = Running::start(&mut place.record(&["--seconds", "4", "--json"]));
    let sealed = sealed(&recording.output());
    check_recording(&sealed, board.shown(), INTERVAL_NS);
    check_times(&place.visit());
    sealed
}

#[test]
fn a_board_in_c_behind_a_pseudo_terminal() {
    let place = Place::default();
    let mut board = Board::posix(&place, &[]);
    recorded(&place, &mut board);
}

#[test]
fn a_cortex_m_with_its_uart() {
    let place = Place::default();
    let mut board = Board::emulated(&place, &[]);
    is_the_machine(&recorded(&place, &mut board));
}

#[test]
fn a_cortex_m_programmed_in_rust() {
    let place = Place::default();
    let mut board = Board::emulated_rust(&place);
    is_the_machine(&recorded(&place, &mut board));
}

/// The boot number is the one that was put into the emulated machine.
fn is_the_machine(sealed: &Value) {
    let recording = Recording::open(sealed["recording"].as_str().unwrap().as_ref()).unwrap();
    assert_eq!(recording.segments(1).unwrap()[0].boot_id, i64::from(BOOT));
}

/// The host stops reading until the port and then the board's queue are full, and goes on later: the board drops samples,
/// says so, and every one that is missing in the recording is one that it dropped.
fn stalled(place: &Place, board: &mut Board) {
    let recording = Running::start(&mut place.record(&["--json"]));
    wait_for("samples", || Some(board.shown()).filter(|shown| shown.produced > 200));
    recording.signal(Signal::SIGSTOP);
    // A queue that has no room for the next frame of 16 samples, and cannot get any.
    let full = |shown: Shown| shown.waiting > 260 - (2 + 32 + 16 * 4);
    let began = wait_for("the queue to be full", || Some(board.shown()).filter(|&shown| full(shown)));
    let frames_later = |shown: &Shown| full(*shown) && shown.produced >= began.produced + 8 * 16;
    let dropped = wait_for("frames to be dropped", || Some(board.shown()).filter(frames_later)).dropped;
    recording.signal(Signal::SIGCONT);
    let goes_on = |shown: &Shown| !full(*shown) && shown.produced > began.produced + 1000;
    wait_for("the stream to go on", || Some(board.shown()).filter(goes_on));
    recording.signal(Signal::SIGINT);
    let sealed = sealed(&recording.output());
    assert!(dropped >= began.dropped + 3 * 16, "{dropped} after {began:?}");
    check_recording(&sealed, board.shown(), FAST_INTERVAL_NS);
    check_times(&place.visit());
}

#[test]
fn a_board_in_c_whose_port_is_not_read() {
    let place = Place::default();
    let mut board = Board::posix(&place, &SMALL_AND_FAST);
    stalled(&place, &mut board);
}

#[test]
fn a_cortex_m_whose_uart_is_not_read() {
    let place = Place::default();
    let mut board = Board::emulated(&place, &SMALL_AND_FAST);
    stalled(&place, &mut board);
}

/// Sends a message to the port and waits for the identity that answers it.
fn answered(port: &mut std::fs::File, accumulator: &mut Accumulator, message: HostMessage) -> Identity {
    let (mut body, mut out) = ([0; MAX_MESSAGE], [0; MAX_FRAME]);
    let length = message.encode(&mut body).unwrap();
    let length = frame::encode(&body[..length], &mut out).unwrap();
    port.write_all(&[&[0], &out[..length]].concat()).unwrap();
    let mut bytes = [0; 4096];
    loop {
        let mut wanted = [PollFd::new(port.as_fd(), PollFlags::POLLIN)];
        assert_eq!(poll(&mut wanted, 60_000_u16).unwrap(), 1, "no answer to {message:?}");
        let count = port.read(&mut bytes).unwrap();
        let mut input = &bytes[..count];
        while let Some(frame) = accumulator.push(&mut input) {
            if let Ok(Ok(DeviceMessage::Identity(identity))) = frame.map(DeviceMessage::decode) {
                return identity;
            }
        }
    }
}

#[test]
fn a_wanted_interval_is_answered_with_the_nearest_true_one() {
    let place = Place::default();
    let _board = Board::posix(&place, &[]);
    let mut options = std::fs::OpenOptions::new();
    let mut port = options.read(true).write(true).custom_flags(O_NOCTTY).open(place.port()).unwrap();
    let mut accumulator = Accumulator::new();
    // The first identity that is heard may be the one that it sends by itself after its boot.
    answered(&mut port, &mut accumulator, HostMessage::Identify);
    answered(&mut port, &mut accumulator, HostMessage::Identify);
    for (wanted_ns, true_ns) in
        [(1, 12_537_500_i64), (90_000_000, 100_300_000), (u32::MAX, 100_300_000), (20_000_000, 12_537_500)]
    {
        let identity =
            answered(&mut port, &mut accumulator, HostMessage::SetInterval { interval_ns: wanted_ns });
        let off_ns = (i64::from(identity.interval_ns) - true_ns).abs();
        // 1 us over 16 conversions at the fast rate: 5 millionths.
        assert!(off_ns <= true_ns / 200_000 + 1, "{wanted_ns}: {identity:?}");
    }
}

/// Many boards are programmed in C++.
#[test]
fn the_header_compiles_as_cpp_too() {
    let place = Place::default();
    let source = place.path("board.cpp");
    std::fs::write(
        &source,
        "#include \"finger_force.h\"\nforce_board board;\n\
         bool begin(const force_identity &self) { return force_board_init(&board, &self, 0); }\n",
    )
    .unwrap();
    let mut compiler = Command::new("arm-none-eabi-g++");
    compiler.args([
        "-std=c++11",
        "-Wall",
        "-Wextra",
        "-Werror",
        "-pedantic",
        "-ffreestanding",
        "-fsyntax-only",
    ]);
    let output = run(compiler.arg("-I").arg(c_folder()).arg(source));
    assert!(output.status.success(), "{}", tests::stderr(&output));
}
