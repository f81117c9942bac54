#include "messages.h"

#include <string.h>

#include "bytes.h"

void press_write(uint8_t *frame, const struct press *press, uint32_t session,
                 const struct blake2s *up_key)
{
    uint8_t message[4 + PRESS_LENGTH];
    uint8_t *body = message + 4;
    put_long(message, session);
    body[0] = PRESS;
    body[1] = press->handset;
    put_long(body + 2, press->counter);
    put_word(body + 6, press->keys);
    body[8] = press->age_10ms;
    put_word(body + 9, press->beat);
    body[11] = press->battery;
    blake2s_tag(up_key, message, 4 + PRESS_SIGNED, body + PRESS_SIGNED);
    frame_write(frame, body, PRESS_LENGTH);
}

static bool in_range(const struct state *state)
{
    return state->phase <= PHASE_EXPIRED
        && (state->numerals <= HIGHEST_NUMERALS || state->numerals == NO_NUMERALS)
        && (state->flags & ~ALL_FLAGS) == 0
        && state->ack_handset <= HIGHEST_HANDSET
        && state->result <= RESULT_NOT_HEARD;
}

bool state_read(struct state *state, const uint8_t *body, uint8_t length,
                const struct blake2s *down_key)
{
    if (length != STATE_LENGTH || body[0] != STATE)
        return false;
    uint8_t tag[BLAKE2S_TAG];
    blake2s_tag(down_key, body, STATE_SIGNED, tag);
    if (!blake2s_same(tag, body + STATE_SIGNED))
        return false;
    struct state heard = {
        .session = long_at(body + 1),
        .beat = word_at(body + 5),
        .phase = body[7],
        .numerals = body[8],
        .remaining_10ms = word_at(body + 9),
        .flags = body[11],
        .ack_handset = body[12],
        .ack_counter = word_at(body + 13),
        .result = body[15],
    };
    if (!in_range(&heard))
        return false;
    *state = heard;
    return true;
}

bool beat_is_newer(uint16_t beat, uint16_t last)
{
    uint16_t difference = (uint16_t)(beat - last);
    return difference != 0 && difference < 0x8000u;
}
