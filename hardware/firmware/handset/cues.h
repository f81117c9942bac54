/* When a cue is due: counted by the own clock from the last STATE, or from the wrist timer's
 * count. The rules are those under the table of cues in PROTOCOL.md, "Rules of a handset";
 * drivers/handset/cues.py has the same for the simulated handset. Pure; cues go to thumb_play(). */

#ifndef CUES_H
#define CUES_H

#include <stdbool.h>
#include <stdint.h>

#include "messages.h"
#include "thumb.h"

enum {
    CUES_LINK_LOST_MS = 3000,
    CUES_FLUTTER_MS = 5000,
    /* A count whose zero moves by less than this is the same count. */
    CUES_SAME_COUNT_MS = 500,
    /* From the first byte of a STATE sent to its last byte heard: 8.07 ms of serial line alone.
     * A radio adds its own: see README.md, "Handset". */
    CUES_FLIGHT_MS = 8,
};

struct cues {
    struct thumb *thumb;
    bool linked;
    uint32_t link_ends_at;
    bool counting;
    uint32_t zero_at;
    uint8_t own_mark;   /* of this count, seconds left; or NO_MARK */
    uint8_t ahead;      /* marks that this count has still to pass: bit n is the nth of the table */
    uint8_t flags;      /* of the STATE heard last */
    bool compares;      /* a STATE of this session has been heard */
    uint8_t told;       /* its cue */
    bool alarm;
    bool fluttering;
    uint32_t flutter_at;
};

void cues_start(struct cues *cues, struct thumb *thumb);

/* A WELCOME has come: the cue of the next STATE is not news. */
void cues_welcome(struct cues *cues);

/* Take a STATE that is authentic and new, whose last byte came at `now`. */
void cues_hear(struct cues *cues, const struct state *state, uint32_t now);

/* A count runs that reaches zero at `zero_at`, with a mark of its own at `own_mark` seconds left, or
 * NO_MARK. */
void cues_count(struct cues *cues, uint32_t zero_at, uint8_t own_mark, uint32_t now);

/* No count runs any more. */
void cues_stop(struct cues *cues);

/* Any key stops the flutter. */
void cues_key(struct cues *cues);

/* Let time pass to `now`. */
void cues_pass_time(struct cues *cues, uint32_t now);

#endif
