//! A force sensor's board in Rust: a load cell, a 24-bit bridge converter, a serial port.
//!
//! Comes in: conversions and the host's bytes, through `machine` and `converter`. Goes out: frames for the host. A loop
//! that never waits for one thing while another may need it.
#![no_std]
#![no_main]

mod converter;
mod machine;

use cortex_m_rt::{entry, exception};
use firmware_protocol::board::Board;
use firmware_protocol::counts::twos_complement;
use firmware_protocol::message::{ChannelIdentity, Channels, Direction, Identity, PROTOCOL_VERSION, Text};
use machine::Machine;

/// The converter's own clock is measured over so many conversions before the board says anything: what the host is told
/// is the true interval.
const MEASURED: u32 = 16;

/// After a fault the board falls silent: the host says so.
#[panic_handler]
fn silent(_: &core::panic::PanicInfo) -> ! {
    loop {
        cortex_m::asm::wfi();
    }
}

/// Wakes the loop.
#[exception]
fn SysTick() {}

#[entry]
fn main() -> ! {
    let _ = run();
    loop {
        cortex_m::asm::wfi();
    }
}

/// `None` where the machine or the identity is not as it must be.
fn run() -> Option<()> {
    let mut machine = Machine::begin()?;
    let (interval_ns, mut taken) = measured_interval(&mut machine);
    let mut board = Board::new(identity(machine.boot_id(), interval_ns)?, machine.now_us());
    loop {
        while let Some(byte) = machine.receive() {
            board.receive(&[byte], machine.now_us());
        }
        // This converter has one rate; the answer says which.
        let _ = board.take_interval_request();
        let (conversions, ended_us) = converter::ended(machine.now_us());
        while taken != conversions {
            taken = taken.wrapping_add(1);
            if taken == conversions {
                let reading = twos_complement(converter::code(conversions));
                board.sample(&[reading.counts], reading.saturated, ended_us);
            } else {
                board.sample(&[], false, ended_us); // the loop came too late for it: told, not hidden
            }
        }
        board.poll(machine.now_us());
        while let Some(bytes) = board.transmit() {
            let count = machine.transmit(bytes);
            board.advance(count);
            if count == 0 {
                break; // full: again next time round
            }
        }
        machine.show(&board);
        machine.wait();
    }
}

/// In ns by the board's clock, and how many conversions had ended then.
fn measured_interval(machine: &mut Machine) -> (u32, u32) {
    let mut first = None;
    loop {
        let (conversions, ended_us) = converter::ended(machine.now_us());
        match first {
            None if conversions > 0 => first = Some((conversions, ended_us)),
            Some((begun, begun_us)) if conversions - begun >= MEASURED => {
                let interval_ns = (ended_us - begun_us) * 1000 / u64::from(conversions - begun);
                return (u32::try_from(interval_ns).unwrap_or(converter::NOMINAL_NS), conversions);
            }
            _ => machine.wait(),
        }
    }
}

fn identity(boot_id: u32, interval_ns: u32) -> Option<Identity> {
    let channel = ChannelIdentity {
        zero_counts: 0,
        rated_counts: 4_194_304,
        rated_force_mn: 500_000,
        direction: Direction::Both,
    };
    Some(Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id,
        serial: Text::new("EX-0002")?,
        firmware: Text::new("example 1.0")?,
        interval_ns,
        group_delay_ns: 25_000_000,
        bandwidth_millihertz: 0,
        settling_ns: 50_000_000,
        device_time_us: 0,
        channels: Channels::new(&[channel])?,
    })
}
