/* The chip under the main loop: what main.c needs besides hal.h. */

#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

#include "layout.h"

/* Ports, timers, UART and the keys of `layout`; interrupts on. The radio stays off. */
void chip_start(const struct layout *layout);

/* The keys that are down. */
uint16_t chip_contacts(void);

/* Whether the last reset was another one than the watchdog's. */
bool chip_started_by_power(void);

/* A number by chance: noise of the converter. */
uint16_t chip_noise(void);

/* Milliseconds since the start. */
uint32_t chip_now(void);

/* The keys that have been down without a break since the start. */
uint16_t chip_since_start(void);

/* The next byte heard; false where there is none. */
bool chip_byte(uint8_t *byte);

/* The next key edge, and KEY_HELD with a key whose hold time is over; false where there is none. */
bool chip_key(uint16_t *keys, uint32_t *at);

void chip_feed_watchdog(void);

/* Rest until there may be a byte, an edge or a millisecond. */
void chip_rest(void);

/* Stop all clocks until a key moves. */
void chip_sleep(void);

#endif
