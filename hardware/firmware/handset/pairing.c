#include "pairing.h"

#include <string.h>

#include "frame.h"
#include "hal.h"
#include "memory.h"
#include "messages.h"

/* Answer with what the lasting memory holds now. */
static void answer(const uint8_t *nonce, uint8_t keys, uint8_t revision)
{
    uint8_t body[HERE_LENGTH] = {HERE}, frame[FRAME_LENGTH(HERE_LENGTH)];
    struct memory memory;
    struct pairing_record record;
    memory_start(&memory, &record);
    memcpy(body + 1, nonce, NONCE);
    body[9] = keys;
    body[10] = revision;
    if (memory.paired) {
        struct blake2s keyed;
        body[11] = record.number;
        blake2s_start(&keyed, record.handset_key);
        blake2s_tag(&keyed, body, HERE_SIGNED, body + HERE_SIGNED);
        blake2s_start(&keyed, record.broadcast_key);
        blake2s_tag(&keyed, body, HERE_SIGNED, body + HERE_SIGNED + BLAKE2S_TAG);
    }
    hal_send(frame, frame_write(frame, body, HERE_LENGTH));
}

static bool is_zero(const uint8_t *key)
{
    uint8_t any = 0;
    for (uint8_t at = 0; at < BLAKE2S_KEY; at++)
        any |= key[at];
    return any == 0;
}

static bool store(const uint8_t *body)
{
    struct pairing_record record = {.number = body[1 + NONCE]};
    memcpy(record.handset_key, body + 2 + NONCE, BLAKE2S_KEY);
    memcpy(record.broadcast_key, body + 2 + NONCE + BLAKE2S_KEY, BLAKE2S_KEY);
    if (record.number < 1 || record.number > HIGHEST_HANDSET || is_zero(record.handset_key)
        || is_zero(record.broadcast_key) || memcmp(record.handset_key, record.broadcast_key, BLAKE2S_KEY) == 0)
        return false;
    memory_pair(&record); /* HERE says what came of it */
    return true;
}

bool pairing_take(const uint8_t *body, uint8_t length, uint8_t keys, uint8_t revision)
{
    if (hal_is_sending())
        return false;
    bool who = body[0] == WHO && length == WHO_LENGTH;
    if (!who && !(body[0] == KEYS_ORDER && length == KEYS_LENGTH && store(body)))
        return false;
    answer(body + 1, keys, revision);
    return true;
}
