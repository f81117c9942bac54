/* Instants: milliseconds since power-on, modulo 2^32 (49 days). */

#ifndef MOMENT_H
#define MOMENT_H

#include <stdbool.h>
#include <stdint.h>

/* Whether `at` has come by `now`; the two are less than 24 days apart. */
static inline bool has_come(uint32_t at, uint32_t now)
{
    return (int32_t)(now - at) >= 0;
}

#endif
