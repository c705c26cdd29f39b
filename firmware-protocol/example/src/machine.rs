//! The Cortex-M4 of the MPS2 board with its AN386 image, real or emulated (`qemu-system-arm -M mps2-an386`): clock, port,
//! and what is shown to whoever looks from outside. The only unsafe code: registers are memory.
//!
//! Registers: Arm MPS2 and MPS2+ FPGA Prototyping Boards Technical Reference Manual (FPGA I/O), Cortex-M System Design
//! Kit Technical Reference Manual (UART). Times in µs since boot.

use cortex_m::peripheral::syst::SystClkSource;
use firmware_protocol::board::Board;
use register::{
    COUNTER, NOISE, SHOWN_DROPPED, SHOWN_PRODUCED, UART_CONTROL, UART_DATA, UART_DIVIDER, UART_STATE,
};

const CLOCK_HZ: u32 = 25_000_000;
const BAUD: u32 = 115_200;

const TRANSMIT_FULL: u32 = 1;
const RECEIVED: u32 = 2;

/// The words that this program reads and writes. Nobody outside can make another one.
mod register {
    use core::ptr::{read_volatile, write_volatile};

    /// The address of a word.
    #[derive(Clone, Copy)]
    pub struct Register(usize);

    pub const UART_DATA: Register = Register(0x4000_4000);
    pub const UART_STATE: Register = Register(0x4000_4004);
    pub const UART_CONTROL: Register = Register(0x4000_4008);
    pub const UART_DIVIDER: Register = Register(0x4000_4010);
    /// Free-running, at the clock's rate.
    pub const COUNTER: Register = Register(0x4002_8018);
    /// Memory that the program has nothing in. Before the start a new number is put here: on a real board, a noise source.
    pub const NOISE: Register = Register(0x2030_0000);
    pub const SHOWN_PRODUCED: Register = Register(0x2030_0004);
    pub const SHOWN_DROPPED: Register = Register(0x2030_0008);

    impl Register {
        pub fn read(self) -> u32 {
            // SAFETY: a `Register` is one of the addresses above: this machine's registers, or memory that nothing else uses;
            // all are aligned words.
            unsafe { read_volatile(self.0 as *const u32) }
        }

        pub fn write(self, value: u32) {
            // SAFETY: as above.
            unsafe { write_volatile(self.0 as *mut u32, value) }
        }
    }
}

pub struct Machine {
    ticks: u64,
}

impl Machine {
    /// Sets up port and wake-up; `None` where that was done before.
    pub fn begin() -> Option<Self> {
        let mut core = cortex_m::Peripherals::take()?;
        UART_DIVIDER.write(CLOCK_HZ / BAUD);
        UART_CONTROL.write(3); // both directions
        // Only to wake the loop each millisecond: ticks are lost under load, so they are no clock.
        core.SYST.set_clock_source(SystClkSource::Core);
        core.SYST.set_reload(CLOCK_HZ / 1000 - 1);
        core.SYST.enable_counter();
        core.SYST.enable_interrupt();
        Some(Self { ticks: 0 })
    }

    /// The counter's 32 bits come round every 171 s; the loop looks far more often.
    pub fn now_us(&mut self) -> u64 {
        let since = COUNTER.read().wrapping_sub(self.ticks as u32);
        self.ticks += u64::from(since);
        self.ticks / u64::from(CLOCK_HZ / 1_000_000)
    }

    pub fn boot_id(&self) -> u32 {
        NOISE.read()
    }

    /// A byte from the host. A real port has room for one only: let an interrupt or DMA take them.
    pub fn receive(&mut self) -> Option<u8> {
        (UART_STATE.read() & RECEIVED != 0).then(|| UART_DATA.read() as u8)
    }

    /// How many of the bytes the port took.
    pub fn transmit(&mut self, bytes: &[u8]) -> usize {
        let mut taken = 0;
        for &byte in bytes {
            if UART_STATE.read() & TRANSMIT_FULL != 0 {
                break;
            }
            UART_DATA.write(u32::from(byte));
            taken += 1;
        }
        taken
    }

    pub fn show(&mut self, board: &Board) {
        SHOWN_PRODUCED.write(board.produced() as u32);
        SHOWN_DROPPED.write(board.dropped() as u32);
    }

    pub fn wait(&mut self) {
        cortex_m::asm::wfi();
    }
}
