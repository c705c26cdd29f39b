/*
 * From reset to main, without a library: vectors, initial values, and the three functions that a C compiler calls on
 * its own account.
 */
#include <stddef.h>
#include <stdint.h>

extern uint32_t data_from[], data_begin[], data_end[], bss_begin[], bss_end[], stack_top[];

int main(int argc, char **argv);
void uart_received(void);

void *memcpy(void *to, const void *from, size_t size) {
    for (size_t at = 0; at < size; at++) {
        ((uint8_t *)to)[at] = ((const uint8_t *)from)[at];
    }
    return to;
}

void *memmove(void *to, const void *from, size_t size) {
    if ((uintptr_t)to <= (uintptr_t)from) {
        return memcpy(to, from, size);
    }
    while (size-- > 0) {
        ((uint8_t *)to)[size] = ((const uint8_t *)from)[size];
    }
    return to;
}

void *memset(void *to, int value, size_t size) {
    for (size_t at = 0; at < size; at++) {
        ((uint8_t *)to)[at] = (uint8_t)value;
    }
    return to;
}

/* After a fault the board falls silent: the host says so. */
static void halt(void) {
    for (;;) {
    }
}

static void woken(void) {}

void reset(void);
void reset(void) {
    uint32_t *from = data_from;
    for (uint32_t *to = data_begin; to < data_end; to++) {
        *to = *from++;
    }
    for (uint32_t *to = bss_begin; to < bss_end; to++) {
        *to = 0;
    }
    main(0, NULL);
    halt();
}

/* Initial stack, 15 exceptions, then the first interrupt. */
__attribute__((section(".vectors"), used)) static const uintptr_t vectors[17] = {
    (uintptr_t)stack_top, (uintptr_t)reset, (uintptr_t)halt, (uintptr_t)halt, (uintptr_t)halt, (uintptr_t)halt,
    (uintptr_t)halt,      0,                0,               0,               0,               (uintptr_t)halt,
    (uintptr_t)halt,      0,                (uintptr_t)halt, (uintptr_t)woken, (uintptr_t)uart_received};
