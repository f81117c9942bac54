#include "blake2s.h"

#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FLASH_BYTE(place) pgm_read_byte(place)
#else
#define IN_FLASH
#define FLASH_BYTE(place) (*(place))
#endif

/* RFC 7693, section 2.6. */
static const uint32_t iv[8] = {
    0x6A09E667, 0xBB67AE85, 0x3C6EF372, 0xA54FF53A, 0x510E527F, 0x9B05688C, 0x1F83D9AB, 0x5BE0CD19,
};

/* RFC 7693, section 2.7; each word by where it begins in the message, which spares the chip to
 * work that out. */
#define WORDS(a, b, c, d, e, f, g, h, i, j, k, l, m, n, o, p)                                    \
    {                                                                                            \
        4 * a, 4 * b, 4 * c, 4 * d, 4 * e, 4 * f, 4 * g, 4 * h,                                  \
        4 * i, 4 * j, 4 * k, 4 * l, 4 * m, 4 * n, 4 * o, 4 * p,                                  \
    }
static const uint8_t sigma[10][16] IN_FLASH = {
    WORDS(0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15),
    WORDS(14, 10, 4, 8, 9, 15, 13, 6, 1, 12, 0, 2, 11, 7, 5, 3),
    WORDS(11, 8, 12, 0, 5, 2, 15, 13, 10, 14, 3, 6, 7, 1, 9, 4),
    WORDS(7, 9, 3, 1, 13, 12, 11, 14, 2, 6, 5, 10, 4, 0, 15, 8),
    WORDS(9, 0, 5, 7, 2, 4, 10, 15, 14, 1, 11, 12, 6, 8, 3, 13),
    WORDS(2, 12, 6, 10, 0, 11, 8, 3, 4, 13, 7, 5, 15, 14, 1, 9),
    WORDS(12, 5, 1, 15, 14, 13, 4, 10, 0, 7, 6, 3, 9, 2, 8, 11),
    WORDS(13, 11, 7, 14, 12, 1, 3, 9, 5, 0, 15, 4, 8, 6, 2, 10),
    WORDS(6, 15, 14, 9, 11, 3, 0, 8, 12, 2, 13, 7, 1, 4, 10, 5),
    WORDS(10, 2, 8, 4, 7, 6, 1, 5, 15, 11, 9, 14, 3, 12, 13, 0),
};

static inline uint32_t turned(uint32_t word, uint8_t right)
{
    return word >> right | word << (32 - right);
}

/* Turned right by 12 and by 7, both by way of a whole byte, which the chip turns by renaming
 * registers. For the rest avr-gcc would shift bit by bit in a loop, and a tag would take twice
 * as long. */
#ifdef __AVR__
static inline uint32_t turned_12(uint32_t word)
{
    uint8_t lowest, differs;
    word = turned(word, 8);
    __asm__("swap %A0\n\tswap %B0\n\tswap %C0\n\tswap %D0\n\t"
            "mov %1, %A0\n\t"
            "mov %2, %A0\n\teor %2, %B0\n\tandi %2, 0xF0\n\teor %A0, %2\n\t"
            "mov %2, %B0\n\teor %2, %C0\n\tandi %2, 0xF0\n\teor %B0, %2\n\t"
            "mov %2, %C0\n\teor %2, %D0\n\tandi %2, 0xF0\n\teor %C0, %2\n\t"
            "mov %2, %D0\n\teor %2, %1\n\tandi %2, 0xF0\n\teor %D0, %2"
            : "+r"(word), "=&r"(lowest), "=&d"(differs));
    return word;
}

static inline uint32_t turned_7(uint32_t word)
{
    word = turned(word, 8);
    __asm__("lsl %A0\n\trol %B0\n\trol %C0\n\trol %D0\n\tadc %A0, __zero_reg__" : "+r"(word));
    return word;
}
#else
static inline uint32_t turned_12(uint32_t word)
{
    return turned(word, 12);
}

static inline uint32_t turned_7(uint32_t word)
{
    return turned(word, 7);
}
#endif

static inline uint32_t word_at(const uint32_t *m, uint8_t place)
{
    return *(const uint32_t *)((const uint8_t *)m + place);
}

/* RFC 7693, section 3.1, with the words of the message that `order` names. Inline, because
 * saving and giving back the registers of 80 calls is a quarter of the time; it costs 2.8 KB of
 * flash. */
static inline __attribute__((always_inline)) void
mix(uint32_t *at_a, uint32_t *at_b, uint32_t *at_c, uint32_t *at_d, const uint32_t *m,
    const uint8_t *order)
{
    uint32_t a = *at_a, b = *at_b, c = *at_c, d = *at_d;
    a += b + word_at(m, FLASH_BYTE(order));
    d = turned(d ^ a, 16);
    c += d;
    b = turned_12(b ^ c);
    a += b + word_at(m, FLASH_BYTE(order + 1));
    d = turned(d ^ a, 8);
    c += d;
    b = turned_7(b ^ c);
    *at_a = a;
    *at_b = b;
    *at_c = c;
    *at_d = d;
}

void blake2s_compress(uint32_t *h, const uint8_t *block, uint32_t length, bool last)
{
    static uint32_t m[16]; /* in a fixed place the chip finds a word sooner than on the stack */
    uint32_t v[16];
    for (uint8_t at = 0; at < 16; at++) {
        const uint8_t *four = block + 4 * at;
        m[at] = four[0] | (uint32_t)four[1] << 8 | (uint32_t)four[2] << 16
            | (uint32_t)four[3] << 24;
    }
    memcpy(v, h, 8 * sizeof *v);
    memcpy(v + 8, iv, 8 * sizeof *v);
    v[12] ^= length; /* its high word stays zero: no message here has 4 GB */
    if (last)
        v[14] = ~v[14];
    for (const uint8_t *order = sigma[0]; order != sigma[10]; order += 16) {
        mix(v + 0, v + 4, v + 8, v + 12, m, order + 0);
        mix(v + 1, v + 5, v + 9, v + 13, m, order + 2);
        mix(v + 2, v + 6, v + 10, v + 14, m, order + 4);
        mix(v + 3, v + 7, v + 11, v + 15, m, order + 6);
        mix(v + 0, v + 5, v + 10, v + 15, m, order + 8);
        mix(v + 1, v + 6, v + 11, v + 12, m, order + 10);
        mix(v + 2, v + 7, v + 8, v + 13, m, order + 12);
        mix(v + 3, v + 4, v + 9, v + 14, m, order + 14);
    }
    for (uint8_t at = 0; at < 8; at++)
        h[at] ^= v[at] ^ v[at + 8];
}

void blake2s_start(struct blake2s *keyed, const uint8_t *key)
{
    uint8_t block[BLAKE2S_BLOCK] = {0};
    memcpy(block, key, BLAKE2S_KEY);
    memcpy(keyed->h, iv, sizeof iv);
    keyed->h[0] ^= 0x01010000u | (uint32_t)BLAKE2S_KEY << 8 | BLAKE2S_TAG;
    blake2s_compress(keyed->h, block, BLAKE2S_BLOCK, false);
}

void blake2s_tag(const struct blake2s *keyed, const uint8_t *message, uint8_t length, uint8_t *tag)
{
    uint8_t block[BLAKE2S_BLOCK] = {0};
    uint32_t h[8];
    memcpy(block, message, length);
    memcpy(h, keyed->h, sizeof h);
    blake2s_compress(h, block, (uint32_t)BLAKE2S_BLOCK + length, true);
    for (uint8_t at = 0; at < BLAKE2S_TAG; at++)
        tag[at] = (uint8_t)(h[at / 4] >> 8 * (at % 4));
}

bool blake2s_same(const uint8_t *one, const uint8_t *other)
{
    uint8_t difference = 0;
    for (uint8_t at = 0; at < BLAKE2S_TAG; at++)
        difference |= one[at] ^ other[at];
    return difference == 0;
}
