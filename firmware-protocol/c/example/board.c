/*
 * A force sensor's board: a load cell, a 24-bit bridge converter with two wires, a serial port.
 *
 * Comes in: conversions and the host's bytes, through hardware.h. Goes out: frames for the host. This file is the same
 * on every microcontroller: a loop that never waits for one thing while another may need it.
 *
 * Change for your own sensor: `identity`, the two intervals, and, where the converter is another one, read_code and the
 * line that turns its code into counts.
 */
#include "hardware.h"

/* The converter's nominal rates; its clock is its own, so the true interval is measured below. */
#define FAST_NS 12500000ul
#define SLOW_NS 100000000ul
/* The interval is measured over this many conversions: 1 us in 0.8 s. */
#define MEASURED 64u

static const struct force_identity identity = {
    .serial = "EX-0001", /* of your own: no two boards share it */
    .firmware = "example 1.0",
    .interval_ns = FAST_NS,
    /* Data sheet: a step has settled after four conversions, 50 ms at the fast rate. Half of that is the delay of a
     * filter whose response is symmetrical, which the data sheet does not say. Its bandwidth is unknown. */
    .group_delay_ns = 25000000ul,
    .bandwidth_millihertz = 0,
    .settling_ns = 50000000ul,
    .channels = 1,
    /* A cell of 2 mV/V and 500 N: of the converter's 20 mV in both directions at gain 128 and 5 V, that is half, or
     * 4194304 counts (2 mV/V * 5 V = 10 mV). */
    .channel = {{.zero_counts = 0, .rated_counts = 4194304, .rated_force_mn = 500000, .direction = FORCE_BOTH}},
};

static struct force_board board;
static uint32_t taken; /* conversions that were read, or counted as not read */

/* Shifts 24 bits out, most significant first. One more pulse asks for the same input and gain again.
 * On real hardware keep interrupts off while the clock line is high: above 60 us the converter switches itself off
 * (data sheet). A line that is high for 1 us is long enough. */
static uint32_t read_code(void) {
    uint32_t code = 0;
    for (int bit = 0; bit < 24; bit++) {
        converter_clock_line(true);
        code = code << 1 | (converter_data_line() ? 1u : 0u);
        converter_clock_line(false);
    }
    converter_clock_line(true);
    converter_clock_line(false);
    return code;
}

/* The converter has an oscillator of its own, easily some percent off: the interval that the host is told is the one
 * that the board's clock sees. */
static void measure_interval(bool restart, uint32_t conversions, uint64_t ended_us) {
    static uint32_t first;
    static uint64_t first_us;
    uint32_t since = conversions - first;
    if (restart) {
        first = 0;
    } else if (first == 0) {
        first = conversions;
        first_us = ended_us;
    } else if (since >= MEASURED) {
        force_board_set_interval(&board, (uint32_t)((ended_us - first_us) * 1000u / since));
        first = conversions;
        first_us = ended_us;
    }
}

/* Every conversion is told to the board, also one that was not read. */
static void skip_to(uint32_t conversions, uint64_t ended_us) {
    for (; taken != conversions; taken++) {
        force_board_sample(&board, NULL, 0, false, ended_us);
    }
}

static void take_conversion(void) {
    uint64_t ended_us = 0;
    uint64_t later_us = 0;
    uint32_t conversions = converter_conversions(&ended_us);
    uint32_t later = 0;
    int32_t counts = 0;
    if (conversions == taken) {
        return;
    }
    skip_to(conversions - 1u, ended_us);
    /* This converter sends two's complement. Is yours like that? README.md has the trap. */
    counts = force_code_twos_complement(read_code());
    later = converter_conversions(&later_us);
    if (later == conversions) {
        force_board_sample(&board, &counts, 1, force_code_saturated(counts), ended_us);
        taken = conversions;
        measure_interval(false, conversions, ended_us);
    } else {
        skip_to(later, later_us); /* another one ended meanwhile: which of the two was read nobody knows */
    }
}

static void hear(void) {
    uint8_t bytes[32];
    for (size_t size = port_read(bytes, sizeof bytes); size > 0; size = port_read(bytes, sizeof bytes)) {
        force_board_receive(&board, bytes, size, hardware_clock_us());
    }
}

/* The nearest that the converter can do. */
static void set_interval(void) {
    uint32_t wanted_ns = force_board_wanted_interval_ns(&board);
    if (wanted_ns != 0) {
        bool slow = wanted_ns > (FAST_NS + SLOW_NS) / 2u;
        converter_set_slow(slow);
        force_board_set_interval(&board, slow ? SLOW_NS : FAST_NS);
        measure_interval(true, 0, 0);
    }
}

static void send(void) {
    size_t size = 0;
    for (const uint8_t *bytes = force_board_transmit(&board, &size); bytes != NULL;
         bytes = force_board_transmit(&board, &size)) {
        size_t count = port_write(bytes, size);
        force_board_advance(&board, count);
        if (count == 0) {
            return; /* full: again next time; the board counts what it has to drop */
        }
    }
}

int main(int argc, char **argv) {
    struct force_identity self = identity;
    hardware_begin(argc, argv);
    self.boot_id = hardware_boot_number();
    if (!force_board_init(&board, &self, hardware_clock_us())) {
        return 1; /* the identity has something that the wire does not allow */
    }
    for (;;) {
        hear();
        set_interval();
        take_conversion();
        force_board_poll(&board, hardware_clock_us());
        send();
        hardware_show(&board);
        hardware_wait();
    }
}
