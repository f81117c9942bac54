#include "layout.h"

/* Hold times: PROTOCOL.md, "PRESS". */
const struct layout layout_twelve = {
    .count = 12,
    .keys = 0x0FFF,
    .hold_ms = {[2] = 800, [10] = 1000, [11] = 1000},
};

const struct layout layout_four = {
    .count = 4,
    .keys = KEY_READY | KEY_25 | KEY_40 | KEY_UNDO,
    .hold_ms = {[2] = 800, [4] = 800, [9] = 1500},
};
