#include "blake2s.h"

#include <string.h>

#ifdef __AVR__
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#else
#define IN_FLASH
#endif

_Static_assert(__BYTE_ORDER__ == __ORDER_LITTLE_ENDIAN__, "words are copied as RFC 7693 has them");

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

/* The message's words: in a fixed place the chip finds one sooner than on the stack. */
static uint32_t m[16];

#ifdef __AVR__

/* The ten rounds of RFC 7693, section 3.2, in the chip's own words: a fifth less time for a tag than
 * with what avr-gcc makes of C. A turn by whole bytes costs nothing, as the registers only change
 * their names; what is left of the turns by 12 and by 7 goes to the left, by 4 and by 1.
 *
 * Y is at v, Z in sigma, X at a word of m. a is r5:r2, b r9:r6, c r13:r10, d r17:r14. */
#define EACH(first, rest, x0, x1, x2, x3, y0, y1, y2, y3)                                        \
    first " " #x0 "," #y0 "\n\t" rest " " #x1 "," #y1 "\n\t"                                     \
    rest " " #x2 "," #y2 "\n\t" rest " " #x3 "," #y3 "\n\t"
#define ADD(...) EACH("add", "adc", __VA_ARGS__)
#define XOR(...) EACH("eor", "eor", __VA_ARGS__)
#define LOAD(at, x0, x1, x2, x3)                                                                 \
    "ldd " #x0 ",Y+4*" #at "\n\tldd " #x1 ",Y+4*" #at "+1\n\t"                                   \
    "ldd " #x2 ",Y+4*" #at "+2\n\tldd " #x3 ",Y+4*" #at "+3\n\t"
#define STORE(at, x0, x1, x2, x3)                                                                \
    "std Y+4*" #at "," #x0 "\n\tstd Y+4*" #at "+1," #x1 "\n\t"                                   \
    "std Y+4*" #at "+2," #x2 "\n\tstd Y+4*" #at "+3," #x3 "\n\t"
#define LEFT_1(x0, x1, x2, x3)                                                                   \
    "lsl " #x0 "\n\trol " #x1 "\n\trol " #x2 "\n\trol " #x3 "\n\t"                             \
    "adc " #x0 ",__zero_reg__\n\t"
#define LEFT_4(...) LEFT_1(__VA_ARGS__) LEFT_1(__VA_ARGS__) LEFT_1(__VA_ARGS__) LEFT_1(__VA_ARGS__)
#define ADD_WORD_TO_A                                                                            \
    "lpm r26,Z+\n\tldi r27,0\n\tsubi r26,lo8(-(%[m]))\n\tsbci r27,hi8(-(%[m]))\n\t"            \
    "ld r18,X+\n\tadd r2,r18\n\tld r18,X+\n\tadc r3,r18\n\t"                                   \
    "ld r18,X+\n\tadc r4,r18\n\tld r18,X+\n\tadc r5,r18\n\t"
#define MIX(a, b, c, d)                                                                          \
    LOAD(a, r2, r3, r4, r5) LOAD(b, r6, r7, r8, r9)                                              \
    LOAD(c, r10, r11, r12, r13) LOAD(d, r14, r15, r16, r17)                                      \
    ADD(r2, r3, r4, r5, r6, r7, r8, r9) ADD_WORD_TO_A                                            \
    XOR(r14, r15, r16, r17, r2, r3, r4, r5) /* and right by 16 */                                \
    ADD(r10, r11, r12, r13, r16, r17, r14, r15)                                                  \
    XOR(r6, r7, r8, r9, r10, r11, r12, r13) /* and right by 16 */                                \
    LEFT_4(r8, r9, r6, r7)                                                                       \
    ADD(r2, r3, r4, r5, r8, r9, r6, r7) ADD_WORD_TO_A                                            \
    XOR(r16, r17, r14, r15, r2, r3, r4, r5) /* and right by 8 */                                 \
    ADD(r10, r11, r12, r13, r17, r14, r15, r16)                                                  \
    XOR(r8, r9, r6, r7, r10, r11, r12, r13) /* and right by 8 */                                 \
    LEFT_1(r9, r6, r7, r8)                                                                       \
    STORE(a, r2, r3, r4, r5) STORE(b, r9, r6, r7, r8)                                            \
    STORE(c, r10, r11, r12, r13) STORE(d, r17, r14, r15, r16)

/* Not inline: it takes Y, with which a function finds what it has on the stack. */
static __attribute__((noinline)) void mix(uint32_t *v)
{
    __asm__ volatile(
        "movw r28,%[v]\n\tldi r30,lo8(%[sigma])\n\tldi r31,hi8(%[sigma])\n"
        "0:\t"
        MIX(0, 4, 8, 12) MIX(1, 5, 9, 13) MIX(2, 6, 10, 14) MIX(3, 7, 11, 15)
        MIX(0, 5, 10, 15) MIX(1, 6, 11, 12) MIX(2, 7, 8, 13) MIX(3, 4, 9, 14)
        "cpi r30,lo8(%[sigma]+160)\n\tbreq 1f\n\trjmp 0b\n1:"
        :
        : [v] "r"(v), [m] "i"(m), [sigma] "i"(sigma)
        : "r2", "r3", "r4", "r5", "r6", "r7", "r8", "r9", "r10", "r11", "r12", "r13", "r14", "r15",
          "r16", "r17", "r18", "r26", "r27", "r28", "r29", "r30", "r31", "memory");
}

#else

static uint32_t turned(uint32_t word, uint8_t right)
{
    return word >> right | word << (32 - right);
}

static uint32_t word_at(uint8_t place)
{
    return m[place / 4];
}

/* RFC 7693, section 3.1, with the words of the message that `order` names. */
static void mix_four(uint32_t *a, uint32_t *b, uint32_t *c, uint32_t *d, const uint8_t *order)
{
    *a += *b + word_at(order[0]);
    *d = turned(*d ^ *a, 16);
    *c += *d;
    *b = turned(*b ^ *c, 12);
    *a += *b + word_at(order[1]);
    *d = turned(*d ^ *a, 8);
    *c += *d;
    *b = turned(*b ^ *c, 7);
}

static void mix(uint32_t *v)
{
    for (const uint8_t *order = sigma[0]; order != sigma[10]; order += 16) {
        mix_four(v + 0, v + 4, v + 8, v + 12, order + 0);
        mix_four(v + 1, v + 5, v + 9, v + 13, order + 2);
        mix_four(v + 2, v + 6, v + 10, v + 14, order + 4);
        mix_four(v + 3, v + 7, v + 11, v + 15, order + 6);
        mix_four(v + 0, v + 5, v + 10, v + 15, order + 8);
        mix_four(v + 1, v + 6, v + 11, v + 12, order + 10);
        mix_four(v + 2, v + 7, v + 8, v + 13, order + 12);
        mix_four(v + 3, v + 4, v + 9, v + 14, order + 14);
    }
}

#endif

/* The working vector after the rounds, with the block that stands in m. `length` is the bytes so
 * far; its high word stays zero: no message here has 4 GB. */
static void work(uint32_t *v, const uint32_t *h, uint32_t length, bool last)
{
    memcpy(v, h, 8 * sizeof *v);
    memcpy(v + 8, iv, 8 * sizeof *v);
    v[12] ^= length;
    if (last)
        v[14] = ~v[14];
    mix(v);
}

void blake2s_compress(uint32_t *h, const uint8_t *block, uint32_t length, bool last)
{
    uint32_t v[16];
    memcpy(m, block, sizeof m);
    work(v, h, length, last);
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

/* As blake2s_compress, without what a tag leaves out. */
void blake2s_tag(const struct blake2s *keyed, const uint8_t *message, uint8_t length, uint8_t *tag)
{
    uint32_t v[16];
    memset(m, 0, sizeof m);
    memcpy(m, message, length);
    work(v, keyed->h, (uint32_t)BLAKE2S_BLOCK + length, true);
    for (uint8_t at = 0; at < BLAKE2S_TAG / 4; at++)
        v[at] ^= keyed->h[at] ^ v[at + 8];
    memcpy(tag, v, BLAKE2S_TAG);
}

bool blake2s_same(const uint8_t *one, const uint8_t *other)
{
    uint8_t difference = 0;
    for (uint8_t at = 0; at < BLAKE2S_TAG; at++)
        difference |= one[at] ^ other[at];
    return difference == 0;
}
