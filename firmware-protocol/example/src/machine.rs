//! The Cortex-M4 of the MPS2 board with its AN386 image, real or emulated (`qemu-system-arm -M mps2-an386`): clock, port,
//! and what is shown to whoever looks from outside. The only unsafe code: registers are memory.
//!
//! Registers: Arm MPS2 and MPS2+ FPGA Prototyping Boards Technical Reference Manual (FPGA I/O), Cortex-M System Design
//! Kit Technical Reference Manual (UART). Times in µs since boot.

use core::ptr::{read_volatile, write_volatile};
use cortex_m::peripheral::syst::SystClkSource;
use firmware_protocol::board::Board;

const CLOCK_HZ: u32 = 25_000_000;
const BAUD: u32 = 115_200;

const UART_DATA: usize = 0x4000_4000;
const UART_STATE: usize = 0x4000_4004;
const UART_CONTROL: usize = 0x4000_4008;
const UART_DIVIDER: usize = 0x4000_4010;
const TRANSMIT_FULL: u32 = 1;
const RECEIVED: u32 = 2;
/// Free-running, at the clock's rate.
const COUNTER: usize = 0x4002_8018;
/// Memory that the program has nothing in. Before the start a new number is put here: on a real board, a noise source.
const NOISE: usize = 0x2030_0000;
const SHOWN_PRODUCED: usize = 0x2030_0004;
const SHOWN_DROPPED: usize = 0x2030_0008;

fn read(register: usize) -> u32 {
    // SAFETY: the addresses above are this machine's registers or memory that nothing else uses; all are aligned words.
    unsafe { read_volatile(register as *const u32) }
}

fn write(register: usize, value: u32) {
    // SAFETY: as above.
    unsafe { write_volatile(register as *mut u32, value) }
}

pub struct Machine {
    ticks: u64,
}

impl Machine {
    /// Sets up port and wake-up; `None` where that was done before.
    pub fn begin() -> Option<Self> {
        let mut core = cortex_m::Peripherals::take()?;
        write(UART_DIVIDER, CLOCK_HZ / BAUD);
        write(UART_CONTROL, 3); // both directions
        // Only to wake the loop each millisecond: ticks are lost under load, so they are no clock.
        core.SYST.set_clock_source(SystClkSource::Core);
        core.SYST.set_reload(CLOCK_HZ / 1000 - 1);
        core.SYST.enable_counter();
        core.SYST.enable_interrupt();
        Some(Self { ticks: 0 })
    }

    /// The counter's 32 bits come round every 171 s; the loop looks far more often.
    pub fn now_us(&mut self) -> u64 {
        let since = read(COUNTER).wrapping_sub(self.ticks as u32);
        self.ticks += u64::from(since);
        self.ticks / u64::from(CLOCK_HZ / 1_000_000)
    }

    pub fn boot_id(&self) -> u32 {
        read(NOISE)
    }

    /// A byte from the host. A real port has room for one only: let an interrupt or DMA take them.
    pub fn receive(&mut self) -> Option<u8> {
        (read(UART_STATE) & RECEIVED != 0).then(|| read(UART_DATA) as u8)
    }

    /// How many of the bytes the port took.
    pub fn transmit(&mut self, bytes: &[u8]) -> usize {
        let mut taken = 0;
        for &byte in bytes {
            if read(UART_STATE) & TRANSMIT_FULL != 0 {
                break;
            }
            write(UART_DATA, u32::from(byte));
            taken += 1;
        }
        taken
    }

    pub fn show(&mut self, board: &Board) {
        write(SHOWN_PRODUCED, board.produced() as u32);
        write(SHOWN_DROPPED, board.dropped() as u32);
    }

    pub fn wait(&mut self) {
        cortex_m::asm::wfi();
    }
}
