/* From contacts to key edges and holds. Pure: one sample comes in each millisecond. */

#ifndef KEYS_H
#define KEYS_H

#include <stdint.h>

#include "layout.h"

enum { KEYS_BOUNCE_MS = 30 };

struct keys {
    const struct layout *layout;
    uint16_t down;          /* went down and has not been up for the whole bounce time since */
    uint16_t unheld;        /* down, and its hold not yet reported */
    uint16_t since_start;   /* down at the start and in every sample since */
    uint16_t down_ms[KEYS];
    uint8_t up_ms[KEYS];
};

/* What one sample brought: bits of keys. */
struct key_edges {
    uint16_t went_down, held;
};

/* Begin. A key that is down at the start makes no edge until it has been up. */
void keys_start(struct keys *keys, const struct layout *layout, uint16_t contacts);

/* Take the contacts that are closed in this millisecond. The first closed sample of a key is its
 * edge at once; it can make another one only after 30 ms open without a break. */
struct key_edges keys_sample(struct keys *keys, uint16_t contacts);

#endif
