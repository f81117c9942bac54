/* The handset's end of the pairing cable (PROTOCOL.md, "Pairing link"). Runs in pairing mode
 * alone. */

#ifndef PAIRING_H
#define PAIRING_H

#include <stdbool.h>
#include <stdint.h>

#include "blake2s.h"

enum {
    WHO = 0x27,
    NONCE = 8,
    WHO_LENGTH = 1 + NONCE,
    HERE = 0x28,
    HERE_SIGNED = 12,
    HERE_LENGTH = HERE_SIGNED + 2 * BLAKE2S_TAG,
    KEYS_ORDER = 0x29,
    KEYS_LENGTH = 1 + NONCE + 1 + 2 * BLAKE2S_KEY,

    PAIRING_SILENCE_MS = 60000u, /* pairing mode ends so long after the last good WHO or KEYS */
};

/* Take a body that came over the cable, and answer it. False where it is dropped. `keys` is the
 * number of this layout's keys. */
bool pairing_take(const uint8_t *body, uint8_t length, uint8_t keys, uint8_t revision);

#endif
