/* The wrist timer: the count of a crew without boards, kept by the handset alone. Pure.
 *
 * What the keys mean is what controller/rules has for them under the high school rules, boards
 * left out; a test drives both with the same keys. */

#ifndef WRIST_H
#define WRIST_H

#include <stdbool.h>
#include <stdint.h>

#include "layout.h"
#include "messages.h"
#include "wrist_words.h"

enum {
    WRIST_UNDO_DEPTH = 8, /* accepted presses that can be taken back */
};

/* One down, and all that UNDO gives back. */
struct wrist_down {
    uint8_t phase;         /* PHASE_IDLE ... */
    uint8_t seconds;       /* SET, LIVE: shown; RUNNING, STOPPED: begun from */
    uint8_t started_by;    /* RUNNING */
    bool stopped_lately;   /* stoppage_at holds */
    uint16_t named;        /* words told since the last snap or ready */
    uint16_t before_ready; /* words for which the last ready started its count */
    uint32_t instant;      /* RUNNING: of zero; IDLE: since when; STOPPED: the ms left */
    uint32_t stoppage_at;
    struct wrist_coming coming;
};

struct wrist_memory {
    struct wrist_down down, history[WRIST_UNDO_DEPTH];
    uint8_t taken; /* in history */
    uint8_t last_event; /* accepted last, or 0 */
    uint32_t last_at;
};

struct wrist {
    const struct layout *layout;
    struct wrist_memory now;
    /* The newest gesture that was accepted, and how it was before. */
    struct wrist_memory before;
    uint32_t gesture_at;
    bool gesture;
    /* Taps of one key that come close together. */
    uint16_t tapped;
    uint8_t taps;
    uint32_t first_tap_at, last_tap_at;
};

void wrist_start(struct wrist *wrist, const struct layout *layout);

/* Take a key edge, or KEY_HELD with the key, of `at`; not before the last one. Gives the RESULT
 * to cue. */
uint8_t wrist_press(struct wrist *wrist, uint16_t keys, uint32_t at);

/* Let time pass: a count that has run out is at zero. */
void wrist_pass_time(struct wrist *wrist, uint32_t now);

/* The seconds left at which the running count has its own mark: 25 of the routine number; else
 * NO_MARK. */
uint8_t wrist_mark(const struct wrist *wrist);

#endif
