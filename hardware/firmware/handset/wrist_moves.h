/* What an event does to the wrist timer's down: the cells of controller/rules/transitions.py
 * that a count needs. Pure. */

#ifndef WRIST_MOVES_H
#define WRIST_MOVES_H

#include <stdint.h>

#include "wrist.h"

enum { WRIST_ROUTINE_S = 40 };

enum event {
    NOTHING,
    END_OF_PLAY,
    /* Stoppages, each a word but for the score. */
    TELL_FOUL,
    TELL_FOUL_DEFENSE,
    TELL_CHARGED_TIMEOUT,
    TELL_OFFICIAL_TIMEOUT,
    TELL_INJURY,
    TELL_INJURY_DEFENSE,
    SCORE,
    HOLD_25,
    HOLD_40,
    RUN_25,
    RUN_40,
    READY,
    SNAP,
    STOP,
    NO_COUNT,
    PERIOD_OVER,
    UNDO,
};

/* Let `event`, which is neither NOTHING nor UNDO, act on the down at `at`; gives its RESULT.
 * With NO_CHANGE an ending may have been noted all the same; with REFUSED nothing has. */
uint8_t wrist_move(struct wrist_down *down, uint8_t event, uint32_t at);

/* A count that has run out by `now` is at zero. */
void wrist_expire(struct wrist_down *down, uint32_t now);

#endif
