#include "messages.h"

#include <string.h>

#include "bytes.h"

void press_write(uint8_t *frame, const struct press *press, const uint8_t *session,
                 const struct blake2s *handset_key)
{
    uint8_t body[PRESS_LENGTH]; /* the session first stands where the tag comes */
    body[0] = PRESS;
    body[1] = press->handset;
    put_long(body + 2, press->counter);
    put_word(body + 6, press->keys);
    body[8] = press->age_10ms;
    put_long(body + 9, press->beat);
    body[13] = press->battery;
    body[14] = press->margin;
    memcpy(body + PRESS_SIGNED, session, SESSION);
    blake2s_tag(handset_key, body, PRESS_SIGNED + SESSION, body + PRESS_SIGNED);
    frame_write(frame, body, PRESS_LENGTH);
}

static bool in_range(const struct state *state)
{
    return state->phase <= PHASE_EXPIRED
        && (state->numerals <= HIGHEST_NUMERALS || state->numerals == NO_NUMERALS)
        && (state->flags & ~ALL_FLAGS) == 0
        && (state->mark == NO_MARK
            || (state->mark >= LOWEST_MARK && state->mark <= HIGHEST_MARK))
        && cue_tells(state->cue) <= TELLS_COURTESY_OVER
        && (cue_tells(state->cue) != TELLS_NOTHING || state->cue == 0)
        && state->ack_handset <= HIGHEST_HANDSET
        && state->result <= RESULT_NOT_HEARD;
}

static bool state_is_authentic(const uint8_t *body, const uint8_t *session,
                               const struct blake2s *broadcast_key)
{
    uint8_t message[STATE_SIGNED + SESSION];
    memcpy(message, body, STATE_SIGNED);
    memcpy(message + STATE_SIGNED, session, SESSION);
    blake2s_tag(broadcast_key, message, sizeof message, message);
    return blake2s_same(message, body + STATE_SIGNED);
}

bool state_read(struct state *state, const uint8_t *body, uint8_t length, const uint8_t *session,
                const struct blake2s *broadcast_key)
{
    if (length != STATE_LENGTH || body[0] != STATE
        || !state_is_authentic(body, session, broadcast_key))
        return false;
    *state = (struct state){
        .beat = long_at(body + 1),
        .phase = body[5],
        .numerals = body[6],
        .remaining_10ms = word_at(body + 7),
        .flags = body[9],
        .mark = body[10],
        .cue = body[11],
        .ack_handset = body[12],
        .ack_counter = word_at(body + 13),
        .result = body[15],
    };
    return in_range(state);
}

void hello_write(uint8_t *frame, const struct hello *hello, const struct blake2s *handset_key)
{
    uint8_t body[HELLO_LENGTH];
    body[0] = HELLO;
    body[1] = hello->handset;
    put_long(body + 2, hello->counter);
    body[6] = hello->layout;
    body[7] = hello->revision;
    blake2s_tag(handset_key, body, HELLO_SIGNED, body + HELLO_SIGNED);
    frame_write(frame, body, HELLO_LENGTH);
}

bool welcome_read(struct welcome *welcome, const uint8_t *body, uint8_t length,
                  const struct blake2s *handset_key)
{
    if (length != WELCOME_LENGTH || body[0] != WELCOME)
        return false;
    uint8_t tag[BLAKE2S_TAG];
    blake2s_tag(handset_key, body, WELCOME_SIGNED, tag);
    if (!blake2s_same(tag, body + WELCOME_SIGNED))
        return false;
    welcome->handset = body[1];
    welcome->counter = long_at(body + 2);
    welcome->session = body + 6;
    welcome->beat = long_at(body + 14);
    return true;
}
