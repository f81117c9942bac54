/* The handset's end of the radio: which STATE counts, and the reports on their way (PROTOCOL.md,
 * "Rules of a handset": session, report, presence). Pure but for hal_send(). */

#ifndef REPORTS_H
#define REPORTS_H

#include <stdbool.h>
#include <stdint.h>

#include "memory.h"
#include "messages.h"
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
    const struct blake2s *up_key;
    uint8_t number;       /* of this handset */
    uint8_t battery;      /* hours of play left */
    uint16_t random;      /* state of the generator; not 0 */
    bool heard;           /* a STATE since power-on or sleep */
    uint32_t session;     /* the highest ever heard */
    uint16_t beat;        /* of the STATE heard last */
    struct report queue[REPORTS_WAITING + 1];
    uint8_t count;
    uint32_t presence_at;
    uint32_t held_back_at; /* a frame has been waiting for the line since */
    bool held_back;
};

/* `seed` sets the random waits apart from those of other handsets. */
void reports_start(struct reports *reports, struct thumb *thumb, struct memory *memory,
                   const struct blake2s *up_key, uint8_t number, uint16_t seed);

/* Whether an authentic STATE is news: of this session or a higher one, and newer. */
bool reports_is_news(const struct reports *reports, const struct state *state);

/* Take a STATE that is news. `linked` is whether the link was up before it. */
void reports_hear(struct reports *reports, const struct state *state, bool linked, uint32_t now);

/* Report a key edge of `edge_at`. */
void reports_press(struct reports *reports, uint16_t keys, uint32_t edge_at, uint32_t now);

/* Send what is due; call it each millisecond. `line_is_busy` while a frame is being heard. */
void reports_pass_time(struct reports *reports, bool linked, bool line_is_busy, uint32_t now);

#endif
