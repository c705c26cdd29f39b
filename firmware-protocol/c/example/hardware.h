/*
 * What a board supplies to the example: all of it that depends on the microcontroller.
 *
 * Times in us since boot, never going back; intervals in ns. None of these functions waits, except hardware_wait. They
 * are called from the main loop only.
 */
#ifndef HARDWARE_H
#define HARDWARE_H

#include "finger_force.h"

/* Sets up clock, converter and port. The arguments are main's: none on a microcontroller. */
void hardware_begin(int argc, char **argv);

/* The board's clock: from a free-running counter of the hardware. A tick counted in an interrupt is no clock: it stands
 * still while interrupts are off. */
uint64_t hardware_clock_us(void);

/* A number that two boots in a row do not share: from a noise source, or counted up in permanent memory. */
uint32_t hardware_boot_number(void);

/* Ends when there may be something to do, after 1 ms at the latest. */
void hardware_wait(void);

/* Shows how the board is: by lamps, on a display, or not at all. */
void hardware_show(const struct force_board *board);

/* Conversions that ended since boot, and when the last of them did. The converter's data line falls when a conversion
 * ends: let a timer count these edges and capture the time of the last. Then a conversion that the loop came too late
 * for is known, where a loop that looks at the line now and then can only guess. (Without such a timer an interrupt on
 * the line does nearly as well.) */
uint32_t converter_conversions(uint64_t *ended_us);

/* The converter's two lines: its clock is driven, its data read. */
void converter_clock_line(bool high);
bool converter_data_line(void);

/* The converter's rate pin: 10 or 80 conversions a second. */
void converter_set_slow(bool slow);

/* What came from the host, at most `capacity` bytes; how many. */
size_t port_read(uint8_t *bytes, size_t capacity);

/* Hands bytes to the port; how many it took: all, some, or none where it is full. */
size_t port_write(const uint8_t *bytes, size_t size);

#endif
