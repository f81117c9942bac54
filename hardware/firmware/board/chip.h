/* The chip under the main loop: what main.c needs besides hal.h. */

#ifndef CHIP_H
#define CHIP_H

#include <stdbool.h>
#include <stdint.h>

/* Ports, timers, UART and converter; interrupts on. Lamps stay dark. */
void chip_start(void);

/* The causes of the last reset, as in MCUSR. */
uint8_t chip_reset_causes(void);

/* The number that the jumpers give, 1-8. */
uint8_t chip_number(void);

/* The next byte of the line and when it came; false where there is none. */
bool chip_byte(uint8_t *byte, uint16_t *at);

/* True once for every millisecond. */
bool chip_tick(void);

void chip_feed_watchdog(void);

/* Sleep until there may be a byte or a tick; at once where there is one already. */
void chip_rest(void);

#endif
