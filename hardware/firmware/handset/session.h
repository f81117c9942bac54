/* Which controller is believed: HELLO, WELCOME and which STATE counts (PROTOCOL.md, "Session" and
 * "Rules of a handset"). In RAM alone. Pure but for hal_send(). */

#ifndef SESSION_H
#define SESSION_H

#include <stdbool.h>
#include <stdint.h>

#include "chance.h"
#include "memory.h"
#include "messages.h"

enum {
    SESSION_SILENCE_MS = 1500, /* without a good STATE */
    SESSION_AGAIN_MS = 2000,
    SESSION_SPREAD_MS = 250,
    SESSION_HURRY_MS = 300,    /* between two HELLOs while a report waits for a session */
    SESSION_ANSWER_MS = 500,   /* a WELCOME that comes later is none */
    SESSION_BEATS = 256,       /* a STATE may be so far ahead */
};

/* A handset as it names itself, and its keys. */
struct identity {
    uint8_t number, layout, revision;
    struct blake2s handset_key, broadcast_key;
};

struct session {
    const struct identity *self;
    struct memory *memory;
    struct chance *chance;
    bool welcomed;          /* name and beat hold: a STATE may count */
    bool known;             /* and no HELLO had to be sent since: reports may go */
    uint8_t name[SESSION];
    uint32_t beat;          /* of the STATE or WELCOME taken last */
    bool asked;             /* a HELLO may still be answered */
    uint32_t hello_counter; /* of the HELLO sent last */
    uint32_t hello_at;      /* it was sent, or the handset switched on */
    uint32_t next_at;       /* the next HELLO is due */
};

/* What a WELCOME brought. */
enum welcomed { WELCOMED_NOT, WELCOMED_AGAIN, WELCOMED_ELSEWHERE };

/* Begin without a session, a HELLO due. */
void session_start(struct session *session, const struct identity *self, struct memory *memory,
                   struct chance *chance, uint32_t now);

/* Take a STATE. False where it is none that counts: then `state` means nothing. */
bool session_take_state(struct session *session, struct state *state, const uint8_t *body,
                        uint8_t length, uint32_t now);

/* Take a WELCOME, and say whether it is to the session known already or to another. */
enum welcomed session_take_welcome(struct session *session, const uint8_t *body, uint8_t length,
                                   uint32_t now);

/* Whether a HELLO is due. `report_waits` is whether one would go if the session were known. */
bool session_owes_hello(const struct session *session, bool report_waits, uint32_t now);

/* Send a HELLO, if there is a counter for it yet. */
void session_hello(struct session *session, uint32_t now);

#endif
