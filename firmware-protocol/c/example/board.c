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
#ifndef FAST_NS
#define FAST_NS 12500000ul
#endif
#define SLOW_NS 100000000ul
/* The interval is measured over so many conversions: before the board says anything, and later. A clock of 1 us sees
 * 5 and 1 millionths. */
#define MEASURED_FIRST 16u
#define MEASURED 80u
/* Each change begins a new segment at the host: only a true one is told, not the noise of the measurement. */
#define CHANGED_PER_MILLION 100u

static const struct force_identity identity = {
    .serial = "EX-0001", /* of your own: no two boards share it */
    .firmware = "example 1.0",
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
static bool slow;
/* Over which the interval is being measured. */
static struct {
    bool open;
    uint32_t first;
    uint64_t first_us;
} window;

/* Shifts 24 bits out, most significant first. One more pulse asks for the same input and gain again.
 * On real hardware keep interrupts off while the clock line is high: above 50 us is not allowed, above 60 us the
 * converter switches itself off (data sheet, as all that is said of it here: look at yours). 1 us is long enough. */
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
 * that the board's clock sees. Gives it each time that `over` more conversions have ended; 0 at all other times. */
static uint32_t measured_interval_ns(uint32_t conversions, uint64_t ended_us, uint32_t over) {
    uint32_t since = conversions - window.first;
    uint32_t interval_ns = 0;
    if (window.open && since < over) {
        return 0;
    }
    if (window.open) {
        interval_ns = (uint32_t)((ended_us - window.first_us) * 1000u / since);
    }
    window.open = conversions != 0;
    window.first = conversions;
    window.first_us = ended_us;
    return interval_ns;
}

static void follow_interval(uint32_t conversions, uint64_t ended_us) {
    uint32_t told_ns = board.identity.interval_ns;
    uint32_t now_ns = measured_interval_ns(conversions, ended_us, MEASURED);
    uint32_t apart_ns = now_ns > told_ns ? now_ns - told_ns : told_ns - now_ns;
    if (now_ns != 0 && apart_ns > told_ns / 1000000ul * CHANGED_PER_MILLION) {
        force_board_set_interval(&board, now_ns);
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
        follow_interval(conversions, ended_us);
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

/* The nearest that the converter can do. One oscillator makes both rates: what was measured of the one holds for the
 * other, so that the answer has the true interval at once. */
static void set_interval(void) {
    uint32_t wanted_ns = force_board_wanted_interval_ns(&board);
    bool want_slow = wanted_ns > (FAST_NS + SLOW_NS) / 2u;
    uint64_t interval_ns = board.identity.interval_ns;
    if (wanted_ns != 0 && want_slow != slow) {
        slow = want_slow;
        interval_ns = slow ? interval_ns * SLOW_NS / FAST_NS : interval_ns * FAST_NS / SLOW_NS;
        converter_set_slow(slow);
        force_board_set_interval(&board, (uint32_t)interval_ns);
        window.open = false;
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
    uint64_t ended_us = 0;
    hardware_begin(argc, argv);
    self.boot_id = hardware_boot_number();
    while (self.interval_ns == 0) {
        hardware_wait();
        taken = converter_conversions(&ended_us);
        self.interval_ns = measured_interval_ns(taken, ended_us, MEASURED_FIRST);
    }
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
