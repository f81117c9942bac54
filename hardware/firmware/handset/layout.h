/* The keys of a handset and its two layouts (PROTOCOL.md, "PRESS"). */

#ifndef LAYOUT_H
#define LAYOUT_H

#include <stdint.h>

enum {
    KEYS = 12,

    KEY_DEAD_BALL = 1 << 0,
    KEY_READY = 1 << 1,
    KEY_25 = 1 << 2,
    KEY_SNAP = 1 << 3,
    KEY_40 = 1 << 4,
    KEY_STOP = 1 << 5,
    KEY_FLAG = 1 << 6,
    KEY_TIME_OUT = 1 << 7,
    KEY_INJURY = 1 << 8,
    KEY_UNDO = 1 << 9,
    KEY_NO_COUNT = 1 << 10,
    KEY_BOARDS_OFF = 1 << 11,
};

/* Set in the keys of a report: the key has been down for its hold time. */
#define KEY_HELD 0x8000u

struct layout {
    uint8_t count;          /* 12 or 4, as HERE has it */
    uint16_t keys;          /* those that it has */
    uint16_t hold_ms[KEYS]; /* hold time by bit; 0: this key is never reported HELD */
};

extern const struct layout layout_twelve, layout_four;

#endif
