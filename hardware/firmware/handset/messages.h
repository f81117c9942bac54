/* PRESS, STATE, HELLO and WELCOME (PROTOCOL.md, "Handset link"). Pure. */

#ifndef MESSAGES_H
#define MESSAGES_H

#include <stdbool.h>
#include <stdint.h>

#include "blake2s.h"
#include "frame.h"

enum {
    SESSION = 8, /* bytes */

    PRESS = 0x23,
    PRESS_SIGNED = 15, /* bytes under the tag, but for the session */
    PRESS_LENGTH = PRESS_SIGNED + BLAKE2S_TAG,
    PRESS_FRAME = FRAME_LENGTH(PRESS_LENGTH),
    STATE = 0x24,
    STATE_SIGNED = 16, /* but for the session */
    STATE_LENGTH = STATE_SIGNED + BLAKE2S_TAG,
    HELLO = 0x25,
    HELLO_SIGNED = 8,
    HELLO_LENGTH = HELLO_SIGNED + BLAKE2S_TAG,
    HELLO_FRAME = FRAME_LENGTH(HELLO_LENGTH),
    WELCOME = 0x26,
    WELCOME_SIGNED = 18,
    WELCOME_LENGTH = WELCOME_SIGNED + BLAKE2S_TAG,

    HIGHEST_HANDSET = 254,
    OLDEST_AGE_10MS = 0xFF,
    BATTERY_UNKNOWN = 0xFF,
    MARGIN_NOT_MEASURED = 0xFF,

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
    ALL_FLAGS = 0x0F,

    NO_MARK = 0,
    LOWEST_MARK = 11, /* seconds left */
    HIGHEST_MARK = 99,

    TELLS_NOTHING = 0,
    TELLS_NUDGE,
    TELLS_COURTESY_WARNING,
    TELLS_COURTESY_OVER,

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
    uint32_t beat;
    uint8_t battery; /* hours of play left */
    uint8_t margin;  /* dB */
};

struct state {
    uint32_t beat;
    uint8_t phase;
    uint8_t numerals;
    uint16_t remaining_10ms;
    uint8_t flags;
    uint8_t mark; /* seconds left, or NO_MARK */
    uint8_t cue;  /* a number, and in the low nibble one of TELLS_ */
    uint8_t ack_handset;
    uint16_t ack_counter;
    uint8_t result;
};

struct hello {
    uint8_t handset;
    uint32_t counter;
    uint8_t layout; /* number of keys */
    uint8_t revision;
};

struct welcome {
    uint8_t handset;
    uint32_t counter; /* of the HELLO answered */
    const uint8_t *session; /* in the body */
    uint32_t beat;
};

/* What a STATE's cue byte tells. */
static inline uint8_t cue_tells(uint8_t cue)
{
    return cue & 0x0F;
}

/* Write the frame of a PRESS, tagged for `session`, PRESS_FRAME bytes. */
void press_write(uint8_t *frame, const struct press *press, const uint8_t *session,
                 const struct blake2s *handset_key);

/* Read a STATE of `session`. False where kind, length, tag or a field is wrong: then `state` means
 * nothing. */
bool state_read(struct state *state, const uint8_t *body, uint8_t length, const uint8_t *session,
                const struct blake2s *broadcast_key);

/* Write the frame of a HELLO, HELLO_FRAME bytes. */
void hello_write(uint8_t *frame, const struct hello *hello, const struct blake2s *handset_key);

/* Read a WELCOME. False where kind, length or tag is wrong: then `welcome` means nothing. */
bool welcome_read(struct welcome *welcome, const uint8_t *body, uint8_t length,
                  const struct blake2s *handset_key);

#endif
