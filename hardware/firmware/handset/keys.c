#include "keys.h"

void keys_start(struct keys *keys, const struct layout *layout, uint16_t contacts)
{
    contacts &= layout->keys;
    *keys = (struct keys){.layout = layout, .down = contacts, .since_start = contacts};
}

static void sample_closed(struct keys *keys, uint8_t bit, uint16_t key, struct key_edges *edges)
{
    uint16_t hold_ms = keys->layout->hold_ms[bit];
    keys->up_ms[bit] = 0;
    if (!(keys->down & key)) {
        keys->down |= key;
        keys->unheld |= key;
        keys->down_ms[bit] = 0;
        edges->went_down |= key;
    } else if (keys->down_ms[bit] < UINT16_MAX) {
        keys->down_ms[bit]++;
    }
    if ((keys->unheld & key) && hold_ms > 0 && keys->down_ms[bit] >= hold_ms) {
        keys->unheld &= (uint16_t)~key;
        edges->held |= key;
    }
}

static void sample_open(struct keys *keys, uint8_t bit, uint16_t key)
{
    if (keys->down_ms[bit] < UINT16_MAX)
        keys->down_ms[bit]++;
    if (++keys->up_ms[bit] >= KEYS_BOUNCE_MS) {
        keys->down &= (uint16_t)~key;
        keys->unheld &= (uint16_t)~key;
        keys->up_ms[bit] = 0;
    }
}

struct key_edges keys_sample(struct keys *keys, uint16_t contacts)
{
    struct key_edges edges = {0, 0};
    contacts &= keys->layout->keys;
    keys->since_start &= contacts;
    if (contacts == 0 && keys->down == 0)
        return edges;
    uint16_t key = 1;
    for (uint8_t bit = 0; bit < KEYS; bit++, key = (uint16_t)(key << 1)) {
        if (contacts & key)
            sample_closed(keys, bit, key, &edges);
        else if (keys->down & key)
            sample_open(keys, bit, key);
    }
    return edges;
}
