/* Numbers as they stand on the wire and in the memory: big-endian. */

#ifndef BYTES_H
#define BYTES_H

#include <stdint.h>

static inline uint16_t word_at(const uint8_t *bytes)
{
    return (uint16_t)(bytes[0] << 8 | bytes[1]);
}

static inline uint32_t long_at(const uint8_t *bytes)
{
    return (uint32_t)word_at(bytes) << 16 | word_at(bytes + 2);
}

static inline void put_word(uint8_t *bytes, uint16_t word)
{
    bytes[0] = (uint8_t)(word >> 8);
    bytes[1] = (uint8_t)word;
}

static inline void put_long(uint8_t *bytes, uint32_t word)
{
    put_word(bytes, (uint16_t)(word >> 16));
    put_word(bytes + 2, (uint16_t)word);
}

#endif
