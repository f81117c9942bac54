/* The pins of PINS.md. */

#ifndef PINS_H
#define PINS_H

#include <avr/io.h>

enum {
    KEYS_B = 1 << PB0,
    MOTOR = 1 << PB1,
    RADIO_ON = 1 << PB2,
    WRIST_LAMP = 1 << PB3,
    MISO = 1 << PB4,
    LAMP = 1 << PB5,

    KEYS_C = 0x1F,
    BATTERY_CHANNEL = 5,

    RXD = 1 << PD0,
    TXD = 1 << PD1,
    KEYS_D = 0xFC,
};

#endif
