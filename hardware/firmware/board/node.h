/* A board node: which SHOW it obeys, what it lights, when it goes dark, what it answers. The rules
 * are those of hardware/PROTOCOL.md, "Rules of a node". Pure: all hardware is behind hal.h. */

#ifndef NODE_H
#define NODE_H

#include <stdbool.h>
#include <stdint.h>

#include "frame.h"

enum {
    NODE_SHOW = 0x21,
    NODE_SHOW_LENGTH = 9,
    NODE_STATUS = 0x22,
    NODE_STATUS_LENGTH = 20,

    /* Flags of STATUS; the low four are the causes of the last reset, as in the chip's MCUSR. */
    NODE_RESET_CAUSES = 0x0F,
    NODE_DARK_BY_SILENCE = 0x10,
    NODE_CHAIN_FAULT = 0x20,
    NODE_LAMP_TEST = 0x40,

    /* Ticks of 1 ms without an obeyed SHOW until dark. The first tick comes up to 1 ms early, and
     * with 1 % of error in the clock this is still between 1.50 and 1.54 s. */
    NODE_SILENCE_TICKS = 1520,
};

struct node {
    struct frame_receiver receiver;
    uint8_t number;           /* 1-8 */
    uint8_t revision;         /* of the firmware */
    uint8_t flags;            /* reset causes, and the others since the last answer */
    bool bound;               /* obeys one controller, whose last stamp is known */
    uint16_t controller;      /* id of that one */
    uint16_t stamp;           /* of the SHOW last obeyed */
    uint16_t lamps;           /* shifted in last */
    uint8_t brightness;       /* of the SHOW last obeyed */
    uint8_t refused_frames;   /* good frames that were not obeyed, but foreign ones; modulo 256 */
    uint8_t foreign_frames;   /* modulo 256 */
    uint16_t silent_ticks;    /* since the SHOW last obeyed */
    uint16_t second_ticks;    /* since the last full second */
    uint16_t uptime_s;        /* stays at FFFF */
};

/* Begin, dark. `number` is 1-8, `reset_causes` the low nibble of MCUSR. */
void node_start(struct node *node, uint8_t number, uint8_t reset_causes, uint8_t revision);

/* Take one byte of the line. `at` is when it came, in the unit of hal_answer(). */
void node_hear(struct node *node, uint8_t byte, uint16_t at);

/* A millisecond has gone. */
void node_tick(struct node *node);

#endif
