/*
 * A 24-bit bridge converter that is not there, for the two boards that are not there either.
 *
 * Comes in: the time (us since boot), pulses of the clock line. Goes out: how many conversions have ended and when, and
 * the bits of the last one on the data line. Its code follows from the conversion's number alone (simulated_code), so
 * that a recording shows of each sample which conversion it was. Its clock is 0.3 % slow, as real ones are.
 */
#ifndef SIMULATED_CONVERTER_H
#define SIMULATED_CONVERTER_H

#include <stdbool.h>
#include <stdint.h>

#ifndef SIMULATED_FAST_NS
#define SIMULATED_FAST_NS 12537500ul
#endif
#define SIMULATED_SLOW_NS 100300000ul

struct simulated_converter {
    uint32_t interval_ns;
    uint64_t began_us;  /* when this interval began, */
    uint32_t before;    /* and the conversions before that */
    uint32_t shifted;   /* bits of the code that are still to be shifted out, from bit 23 on */
    unsigned pulses;    /* since the conversion was begun to be read */
    uint32_t reading;   /* the conversion that is being read */
};

/* Two's complement, 24 bits. All of the range, a new value for each of 2^24 conversions; but each 250th is at the end
 * of the range, above and below in turn. */
static inline uint32_t simulated_code(uint32_t conversion) {
    if (conversion % 250u == 249u) {
        return conversion % 500u == 249u ? 0x7FFFFFu : 0x800000u;
    }
    return conversion * 40503u & 0xFFFFFFu;
}

static inline uint32_t simulated_conversions(
    const struct simulated_converter *converter, uint64_t now_us, uint64_t *ended_us) {
    uint64_t ended = (now_us - converter->began_us) * 1000u / converter->interval_ns;
    *ended_us = converter->began_us + ended * converter->interval_ns / 1000u;
    return converter->before + (uint32_t)ended;
}

static inline void simulated_set_interval(
    struct simulated_converter *converter, uint64_t now_us, uint32_t interval_ns) {
    uint64_t ended_us = 0;
    if (converter->interval_ns != 0) {
        converter->before = simulated_conversions(converter, now_us, &ended_us);
    }
    converter->began_us = now_us;
    converter->interval_ns = interval_ns;
}

/* The clock line rises: the next bit stands on the data line. The first pulse takes the last conversion. */
static inline void simulated_pulse(struct simulated_converter *converter, uint64_t now_us) {
    uint64_t ended_us = 0;
    if (converter->pulses == 0) {
        converter->reading = simulated_conversions(converter, now_us, &ended_us);
        converter->shifted = simulated_code(converter->reading) << 7;
    }
    converter->shifted <<= 1;
    converter->pulses = (converter->pulses + 1u) % 25u;
}

static inline bool simulated_data(const struct simulated_converter *converter) {
    return (converter->shifted >> 31 & 1u) != 0;
}

#endif
