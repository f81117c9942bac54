/* Numbers by chance: what matters is only that two handsets do not wait alike. */

#ifndef CHANCE_H
#define CHANCE_H

#include <stdint.h>

struct chance {
    uint16_t word; /* not 0 */
};

/* Begin with any number that differs between handsets and times. */
void chance_start(struct chance *chance, uint16_t seed);

/* A number from 0 up to below `range`. */
uint16_t chance_below(struct chance *chance, uint16_t range);

#endif
