/* What the handset's logic needs of the hardware. hal_avr.c is the chip; the tests on a PC bring
 * their own. */

#ifndef HAL_H
#define HAL_H

#include <stdbool.h>
#include <stdint.h>

/* Hand a frame to the radio or the pairing cable; it is copied. Not while hal_is_sending(). */
void hal_send(const uint8_t *frame, uint8_t length);

/* Whether bytes of a frame are still to leave. */
bool hal_is_sending(void);

/* What is at the serial line: nothing, the radio, which then has its supply, or the pairing
 * cable in its place. */
enum line { LINE_OFF, LINE_RADIO, LINE_CABLE };

void hal_connect(enum line line);

/* Motor, lamp and wrist lamp. */
void hal_move(bool on);
void hal_light(bool on);
void hal_light_wrist(bool on);

/* The battery in mV. */
uint16_t hal_battery_mv(void);

/* The memory that lasts: one byte at a time. Read and write only while it is ready. */
bool hal_memory_ready(void);
uint8_t hal_memory_read(uint16_t place);
void hal_memory_write(uint16_t place, uint8_t byte);

/* Begin again, as after power-on but with no mode chosen by keys. Comes back on a PC. */
void hal_restart(void);

#endif
