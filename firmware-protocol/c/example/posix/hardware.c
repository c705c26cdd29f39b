/*
 * The example on a computer with POSIX: its port is a pseudo-terminal, its converter is simulated.
 *
 * Call: example LINK. LINK becomes a symbolic link to the port. Goes out, besides the port: at SIGUSR1 and at
 * SIGTERM, which ends it, a line of JSON on stdout: what the board has counted since the last start, and the bytes that
 * wait in its queue.
 */
#define _XOPEN_SOURCE 700

#include "../hardware.h"
#include "../simulated_converter.h"

#include <fcntl.h>
#include <inttypes.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

static struct simulated_converter converter;
static struct timespec boot;
static int port = -1;
static volatile sig_atomic_t asked;

static void ask(int number) { asked = number; }

static void fail(const char *what) {
    perror(what);
    exit(1);
}

/* A terminal that changes no byte. */
static void make_raw(int terminal) {
    struct termios settings;
    if (tcgetattr(terminal, &settings) != 0) fail("tcgetattr");
    settings.c_iflag = 0;
    settings.c_oflag = 0;
    settings.c_lflag = 0;
    settings.c_cflag = CS8 | CREAD | CLOCAL;
    if (tcsetattr(terminal, TCSANOW, &settings) != 0) fail("tcsetattr");
}

void hardware_begin(int argc, char **argv) {
    struct sigaction action = {.sa_handler = ask};
    const char *name = NULL;
    int line = -1;
    if (argc != 2) {
        fprintf(stderr, "usage: %s LINK\n", argv[0]);
        exit(2);
    }
    clock_gettime(CLOCK_MONOTONIC, &boot);
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGUSR1, &action, NULL);
    port = posix_openpt(O_RDWR | O_NOCTTY);
    if (port < 0 || grantpt(port) != 0 || unlockpt(port) != 0 || (name = ptsname(port)) == NULL) fail("a port");
    /* Held open, so that the port stays while no host has it. */
    line = open(name, O_RDWR | O_NOCTTY);
    if (line < 0) fail(name);
    make_raw(line);
    if (fcntl(port, F_SETFL, O_NONBLOCK) != 0) fail("fcntl");
    unlink(argv[1]);
    if (symlink(name, argv[1]) != 0) fail(argv[1]);
    simulated_set_interval(&converter, hardware_clock_us(), SIMULATED_FAST_NS);
}

uint64_t hardware_clock_us(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)((now.tv_sec - boot.tv_sec) * 1000000 + now.tv_nsec / 1000 - boot.tv_nsec / 1000);
}

uint32_t hardware_boot_number(void) { return (uint32_t)getpid() ^ (uint32_t)boot.tv_nsec; }

void hardware_show(const struct force_board *board) {
    int number = asked;
    if (number == 0) return;
    asked = 0;
    printf(
        "{\"produced\": %" PRIu64 ", \"dropped\": %" PRIu64 ", \"waiting\": %zu}\n", board->produced, board->dropped,
        board->queued);
    fflush(stdout);
    if (number == SIGTERM) exit(0);
}

void hardware_wait(void) {
    struct pollfd wanted = {port, POLLIN, 0};
    poll(&wanted, 1, 1);
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
    ssize_t count = read(port, bytes, capacity);
    return count > 0 ? (size_t)count : 0;
}

size_t port_write(const uint8_t *bytes, size_t size) {
    ssize_t count = write(port, bytes, size);
    return count > 0 ? (size_t)count : 0;
}
