#include "session.h"

#include <string.h>

#include "hal.h"
#include "moment.h"

void session_start(struct session *session, const struct identity *self, struct memory *memory,
                   struct chance *chance, uint32_t now)
{
    *session = (struct session){
        .self = self,
        .memory = memory,
        .chance = chance,
        .hello_at = now,
        .next_at = now,
    };
}

/* All handsets lose a controller in the same instant: they do not call for it in one. */
static void hello_in(struct session *session, uint16_t ms, uint32_t now)
{
    session->next_at = now + ms + chance_below(session->chance, SESSION_SPREAD_MS + 1);
}

static void hear_controller(struct session *session, uint32_t now)
{
    session->known = true;
    hello_in(session, SESSION_SILENCE_MS, now);
}

/* No beat comes twice in a session, so there is no way round its end. */
static bool is_next(const struct session *session, uint32_t beat)
{
    return beat > session->beat && beat - session->beat <= SESSION_BEATS;
}

bool session_take_state(struct session *session, struct state *state, const uint8_t *body,
                        uint8_t length, uint32_t now)
{
    if (!session->welcomed
        || !state_read(state, body, length, session->name, &session->self->broadcast_key)
        || !is_next(session, state->beat))
        return false;
    session->beat = state->beat;
    hear_controller(session, now);
    return true;
}

enum welcomed session_take_welcome(struct session *session, const uint8_t *body, uint8_t length,
                                   uint32_t now)
{
    struct welcome welcome;
    if (!session->asked || now - session->hello_at > SESSION_ANSWER_MS
        || !welcome_read(&welcome, body, length, &session->self->handset_key)
        || welcome.handset != session->self->number || welcome.counter != session->hello_counter)
        return WELCOMED_NOT;
    bool same = session->welcomed && memcmp(session->name, welcome.session, SESSION) == 0;
    session->asked = false; /* once: the same one again would give back the beats since */
    session->welcomed = true;
    memcpy(session->name, welcome.session, SESSION);
    session->beat = welcome.beat;
    hear_controller(session, now);
    return same ? WELCOMED_AGAIN : WELCOMED_ELSEWHERE;
}

bool session_owes_hello(const struct session *session, bool report_waits, uint32_t now)
{
    return has_come(session->next_at, now)
        || (report_waits && !session->known && now - session->hello_at >= SESSION_HURRY_MS);
}

void session_hello(struct session *session, uint32_t now)
{
    struct hello hello = {
        .handset = session->self->number,
        .layout = session->self->layout,
        .revision = session->self->revision,
    };
    if (!memory_next_counter(session->memory, &hello.counter))
        return;
    session->known = false;
    session->asked = true;
    session->hello_counter = hello.counter;
    session->hello_at = now;
    hello_in(session, SESSION_AGAIN_MS, now);
    uint8_t frame[HELLO_FRAME];
    hello_write(frame, &hello, &session->self->handset_key);
    hal_send(frame, sizeof frame);
}
