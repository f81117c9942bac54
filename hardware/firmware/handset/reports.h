/* The handset's end of the radio: what is sent, and when (PROTOCOL.md, "Rules of a handset": report,
 * presence, and whose turn it is on the air). Pure but for hal_send(). */

#ifndef REPORTS_H
#define REPORTS_H

#include <stdbool.h>
#include <stdint.h>

#include "chance.h"
#include "memory.h"
#include "messages.h"
#include "session.h"
#include "thumb.h"

enum {
    REPORTS_WAITING = 4,
    REPORTS_OLDEST_MS = 1000,
    REPORTS_TRIES = 6,
    REPORTS_GIVE_UP_MS = 300,
    REPORTS_RETRY_MIN_MS = 25,
    REPORTS_RETRY_MAX_MS = 45,
    PRESENCE_MS = 10000,
    PRESENCE_SPREAD_MS = 1000,
    /* A frame that is being heard sends a byte each 0.26 ms, and is over after 64 of them. */
    LINE_QUIET_MS = 2,
    LINE_LONGEST_MS = 20,
    /* The STATE behind a WELCOME takes 8 ms, and a radio that sends does not hear it. */
    STATE_FOLLOWS_MS = 20,
};

struct report {
    uint16_t keys;
    uint32_t edge_at;
    uint32_t counter;
    uint32_t began_at;
    uint32_t next_at;
    uint8_t tries;
};

struct reports {
    struct thumb *thumb;
    struct memory *memory;
    struct session session;
    struct chance chance;
    uint8_t battery;       /* hours of play left */
    struct report queue[REPORTS_WAITING + 1];
    uint8_t count;
    bool greets;           /* a presence report answers the WELCOME */
    uint32_t presence_at;
    bool state_follows;    /* on a WELCOME, up to then */
    uint32_t state_until;
    uint32_t held_back_at; /* a frame has been waiting for the line since */
    bool held_back;
};

/* `seed` sets the random waits apart from those of other handsets. */
void reports_start(struct reports *reports, struct thumb *thumb, struct memory *memory,
                   const struct identity *self, uint16_t seed, uint32_t now);

/* Take a WELCOME. False where it is none for this handset now. */
bool reports_take_welcome(struct reports *reports, const uint8_t *body, uint8_t length,
                          uint32_t now);

/* Take a STATE. False where it is none that counts: then `state` means nothing. `linked` is whether
 * the link was up before it. */
bool reports_take_state(struct reports *reports, struct state *state, const uint8_t *body,
                        uint8_t length, bool linked, uint32_t now);

/* Report a key edge of `edge_at`. */
void reports_press(struct reports *reports, uint16_t keys, uint32_t edge_at, uint32_t now);

/* Send what is due; call it each millisecond. `line_is_busy` while a frame is being heard. */
void reports_pass_time(struct reports *reports, bool linked, bool line_is_busy, uint32_t now);

#endif
