/* Tags of the handset and pairing links: keyed BLAKE2s (RFC 7693) with a key of 16 bytes and a
 * digest of 8.
 *
 * The first block of a keyed digest is the key alone, so its state is made once for each key; a
 * message of at most 64 bytes then costs one compression. In C11, but for the
 * rounds on the chip. */

#ifndef BLAKE2S_H
#define BLAKE2S_H

#include <stdbool.h>
#include <stdint.h>

enum {
    BLAKE2S_KEY = 16,
    BLAKE2S_TAG = 8,
    BLAKE2S_BLOCK = 64,
};

/* The state behind the key's block. */
struct blake2s {
    uint32_t h[8];
};

/* RFC 7693, section 3.2: mix `block` into `h`. `length` is the bytes so far, this block's among
 * them. */
void blake2s_compress(uint32_t *h, const uint8_t *block, uint32_t length, bool last);

/* Make ready for tags with `key`. */
void blake2s_start(struct blake2s *keyed, const uint8_t *key);

/* The tag of a message of 1-64 bytes; it may take the message's place. */
void blake2s_tag(const struct blake2s *keyed, const uint8_t *message, uint8_t length, uint8_t *tag);

/* Whether two tags are the same, in a time that does not say where they differ. */
bool blake2s_same(const uint8_t *one, const uint8_t *other);

#endif
