/* How long the battery lasts. Pure. */

#ifndef BATTERY_H
#define BATTERY_H

#include <stdint.h>

/* Hours of play that `mv` of three alkaline AA cells stand for, or BATTERY_UNKNOWN where nothing
 * that could run this handset is connected. */
uint8_t battery_hours(uint16_t mv);

#endif
