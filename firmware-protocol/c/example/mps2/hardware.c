/*
 * The example on a Cortex-M4: the MPS2 board with its AN386 image, real or emulated
 * (qemu-system-arm -M mps2-an386). Its port is the first UART, its converter is simulated.
 *
 * Registers: Arm MPS2 and MPS2+ FPGA Prototyping Boards Technical Reference Manual (FPGA I/O), Cortex-M System Design
 * Kit Technical Reference Manual (UART), Armv7-M Architecture Reference Manual (SysTick, NVIC).
 */
#include "../hardware.h"
#include "../simulated_converter.h"

#define REGISTER(address) (*(volatile uint32_t *)(address))

#define UART_DATA REGISTER(0x40004000u)
#define UART_STATE REGISTER(0x40004004u)
#define UART_CTRL REGISTER(0x40004008u)
#define UART_INTCLEAR REGISTER(0x4000400Cu)
#define UART_BAUDDIV REGISTER(0x40004010u)
#define UART_TX_FULL 1u
#define UART_RX_FULL 2u
#define UART_TX_ENABLE 1u
#define UART_RX_ENABLE 2u
#define UART_RX_INTERRUPT 8u
#define UART_RX_CLEAR 2u

#define COUNTER REGISTER(0x40028018u) /* free-running, 25 MHz */
#define SYSTICK_CTRL REGISTER(0xE000E010u)
#define SYSTICK_LOAD REGISTER(0xE000E014u)
#define INTERRUPTS REGISTER(0xE000E100u)

#define CLOCK_MHZ 25u
#define BAUD 115200u

/* Memory that the program has nothing in, for whoever looks at it from outside (an emulator, a debugger). Before the
 * start a new number is put into the first word: on a real board this is a noise source's register. In the others the
 * board shows how it is. */
#define NOISE REGISTER(0x20300000u)
#define SHOWN_PRODUCED REGISTER(0x20300004u)
#define SHOWN_DROPPED REGISTER(0x20300008u)
#define SHOWN_WAITING REGISTER(0x2030000Cu) /* bytes in the queue */

static struct simulated_converter converter;

/* The port has room for one byte, so an interrupt takes each as it comes. Head is written by the interrupt only, tail
 * by the loop only. A byte for which there is no room is lost, as on the line: the host asks again. */
static volatile uint8_t heard[64];
static volatile uint32_t head;
static volatile uint32_t tail;

void uart_received(void) {
    UART_INTCLEAR = UART_RX_CLEAR;
    while (UART_STATE & UART_RX_FULL) {
        uint8_t byte = (uint8_t)UART_DATA;
        if (head - tail < sizeof heard) {
            heard[head % sizeof heard] = byte;
            head++;
        }
    }
}

void hardware_begin(int argc, char **argv) {
    (void)argc;
    (void)argv;
    UART_BAUDDIV = CLOCK_MHZ * 1000000u / BAUD;
    UART_CTRL = UART_TX_ENABLE | UART_RX_ENABLE | UART_RX_INTERRUPT;
    INTERRUPTS = 1u; /* the first: UART 0 has received */
    /* Only to wake the loop: ticks are not counted. */
    SYSTICK_LOAD = CLOCK_MHZ * 1000u - 1u;
    SYSTICK_CTRL = 7u;
    simulated_set_interval(&converter, hardware_clock_us(), SIMULATED_FAST_NS);
}

/* The counter's 32 bits come round every 171 s; the loop looks far more often. */
uint64_t hardware_clock_us(void) {
    static uint64_t ticks;
    ticks += (uint32_t)(COUNTER - (uint32_t)ticks);
    return ticks / CLOCK_MHZ;
}

uint32_t hardware_boot_number(void) { return NOISE; }

void hardware_wait(void) { __asm__ volatile("wfi"); }

void hardware_show(const struct force_board *board) {
    SHOWN_PRODUCED = (uint32_t)board->produced;
    SHOWN_DROPPED = (uint32_t)board->dropped;
    SHOWN_WAITING = (uint32_t)board->queued;
}

uint32_t converter_conversions(uint64_t *ended_us) {
    return simulated_conversions(&converter, hardware_clock_us(), ended_us);
}

void converter_clock_line(bool high) {
    if (high) simulated_pulse(&converter, hardware_clock_us());
}

bool converter_data_line(void) { return simulated_data(&converter); }

void converter_set_slow(bool slow) {
    simulated_set_interval(&converter, hardware_clock_us(), slow ? SIMULATED_SLOW_NS : SIMULATED_FAST_NS);
}

size_t port_read(uint8_t *bytes, size_t capacity) {
    size_t count = 0;
    for (; count < capacity && tail != head; count++) {
        bytes[count] = heard[tail % sizeof heard];
        tail++;
    }
    return count;
}

/* Under emulation a byte is gone at once. On a real line it takes 87 us: let the transmit interrupt or DMA take what is
 * handed over here, or only one byte goes out each time round. */
size_t port_write(const uint8_t *bytes, size_t size) {
    size_t count = 0;
    for (; count < size && !(UART_STATE & UART_TX_FULL); count++) {
        UART_DATA = bytes[count];
    }
    return count;
}
