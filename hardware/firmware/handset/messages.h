/* PRESS and STATE (PROTOCOL.md, "Handset link"). Pure. */

#ifndef MESSAGES_H
#define MESSAGES_H

#include <stdbool.h>
#include <stdint.h>

#include "blake2s.h"
#include "frame.h"

enum {
    PRESS = 0x21,
    PRESS_SIGNED = 12, /* bytes under the tag, but for the session */
    PRESS_LENGTH = PRESS_SIGNED + BLAKE2S_TAG,
    PRESS_FRAME = FRAME_LENGTH(PRESS_LENGTH),
    STATE = 0x22,
    STATE_SIGNED = 16,
    STATE_LENGTH = STATE_SIGNED + BLAKE2S_TAG,

    HIGHEST_HANDSET = 254,
    OLDEST_AGE_10MS = 0xFF,
    BATTERY_UNKNOWN = 0xFF,

    PHASE_IDLE = 0,
    PHASE_SET,
    PHASE_RUNNING,
    PHASE_LIVE,
    PHASE_STOPPED,
    PHASE_EXPIRED,

    BOARDS_LIT = 1 << 0,
    BOARDS_OFF = 1 << 1,
    FAULT = 1 << 2,
    ASSUMED = 1 << 3,
    MARK_25 = 1 << 4,
    ALL_FLAGS = 0x1F,

    RESULT_NONE = 0,
    RESULT_RUNNING,
    RESULT_HELD,
    RESULT_NO_CHANGE,
    RESULT_REFUSED,
    RESULT_ASSUMED,
    RESULT_NOT_HEARD,

    NO_NUMERALS = 0xFF,
    HIGHEST_NUMERALS = 99,
};

struct press {
    uint8_t handset;
    uint32_t counter;
    uint16_t keys; /* 0 presence, else one of bits 0-11, and perhaps KEY_HELD */
    uint8_t age_10ms;
    uint16_t beat;
    uint8_t battery; /* hours of play left */
};

struct state {
    uint32_t session;
    uint16_t beat;
    uint8_t phase;
    uint8_t numerals;
    uint16_t remaining_10ms;
    uint8_t flags;
    uint8_t ack_handset;
    uint16_t ack_counter;
    uint8_t result;
};

/* Write the frame of a PRESS, tagged for `session`, PRESS_FRAME bytes. */
void press_write(uint8_t *frame, const struct press *press, uint32_t session,
                 const struct blake2s *up_key);

/* Read a STATE. False, with `state` as it was, where kind, length, tag or a field is wrong. */
bool state_read(struct state *state, const uint8_t *body, uint8_t length,
                const struct blake2s *down_key);

/* Whether `beat` is newer than `last` by the signed difference of 16 bits. */
bool beat_is_newer(uint16_t beat, uint16_t last);

#endif
