/* The board node's hardware on a PC: a chain of 16 lamps that the tests can look at and break. */

#ifndef PC_HAL_H
#define PC_HAL_H

#include <stdbool.h>
#include <stdint.h>

#include "hal.h"

struct pc_hardware {
    uint16_t chain;     /* what the registers hold */
    uint16_t upset;     /* lamps that the registers gain after each latch */
    uint16_t latched;   /* what the outputs drive */
    uint8_t brightness; /* 0 dark */
    struct readings readings;
    unsigned latches;
    unsigned answers;
    uint8_t answer[32]; /* the last one */
    uint8_t answer_length;
    uint16_t answer_at;
};

/* Nothing but a supply of 0 V. */
#define PC_READINGS                                                                      \
    {                                                                                    \
        .tens_ma = CURRENT_NOT_MEASURED, .units_ma = CURRENT_NOT_MEASURED,               \
        .temperature = TEMPERATURE_NOT_MEASURED, .light = LIGHT_NOT_MEASURED             \
    }

extern struct pc_hardware hardware;

#endif
