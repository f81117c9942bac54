/* The board node's receiver and rules under fuzz, held at every byte against a second node written
 * here from hardware/PROTOCOL.md alone: another COBS, another CRC, the rules in another order.
 *
 * With libFuzzer (clang -fsanitize=fuzzer) the input is a list of steps, so that coverage guides the
 * rules and not only the CRC. With NOISE it is a program of its own: `pc_fuzz SEED BYTES` sends that
 * many bytes, mostly SHOWs with eight bits of the CRC drawn by chance, and prints how many were obeyed. */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "node.h"
#include "pc_hal.h"
#include "pc_require.h"

/* The second node. */
static struct {
    uint8_t number;
    uint8_t run[70];
    unsigned length; /* of the run, without limit */
    bool bound;
    unsigned controller, stamp, ticks;
    uint8_t bad, foreign;
    uint16_t lamps;
    uint8_t brightness; /* 0 dark */
    unsigned answers;
} other;

static struct node node;
static uint16_t now;
static unsigned long frames_sent, frames_obeyed;

/* Bit by bit, the lowest of each byte first. */
static uint32_t crc_of(const uint8_t *data, unsigned length)
{
    uint32_t crc = 0xFFFFFFFF;
    for (unsigned bit = 0; bit < 8 * length; bit++) {
        unsigned in = data[bit / 8] >> bit % 8 & 1;
        unsigned out = crc & 1;
        crc = crc >> 1 ^ (in ^ out ? 0xEDB88320u : 0);
    }
    return ~crc;
}

static uint32_t long_at(const uint8_t *data)
{
    return (uint32_t)data[0] << 24 | (uint32_t)data[1] << 16 | (uint32_t)data[2] << 8 | data[3];
}

/* Gives the length of what was stuffed, or -1. */
static int unstuffed(const uint8_t *run, unsigned length, uint8_t *data)
{
    int count = 0;
    unsigned left = 0; /* until the next code */
    for (unsigned at = 0; at < length; at++) {
        if (left == 0) {
            if (at > 0)
                data[count++] = 0;
            left = run[at];
        } else {
            data[count++] = run[at];
        }
        left--;
    }
    return left == 0 ? count : -1;
}

static uint16_t lamps_for(unsigned numerals)
{
    static const char *const segments[] = {
        "abcdef", "bc", "abdeg", "abcdg", "bcfg", "acdfg", "acdefg", "abc", "abcdefg", "abcdfg",
    };
    if (numerals > 99)
        return numerals == 0xFE ? 0xFFFF : 0;
    unsigned lamps = 0;
    for (const char *each = segments[numerals % 10]; *each; each++)
        lamps |= 1u << (*each - 'a');
    for (const char *each = segments[numerals / 10]; *each && numerals > 9; each++)
        lamps |= 0x100u << (*each - 'a');
    return (uint16_t)lamps;
}

static void other_takes_show(const uint8_t *body)
{
    unsigned controller = body[1] * 256u + body[2], stamp = body[3] * 256u + body[4];
    unsigned numerals = body[5];
    if ((numerals > 99 && numerals < 0xFE) || body[6] == 0 || body[6] > 15 || body[7] > 8) {
        other.bad++;
        return;
    }
    if (other.bound && controller != other.controller) {
        other.foreign++;
        return;
    }
    unsigned ahead = (stamp + 65536 - other.stamp) % 65536;
    if (other.bound && (ahead == 0 || ahead >= 32768)) {
        other.bad++;
        return;
    }
    other.bound = true;
    other.controller = controller;
    other.stamp = stamp;
    other.ticks = 0;
    other.lamps = (body[8] & 1u << (other.number - 1)) ? lamps_for(numerals) : 0;
    other.brightness = other.lamps ? body[6] : 0;
    other.answers += body[7] == other.number;
    frames_obeyed++;
}

static void other_hears(uint8_t byte)
{
    if (byte != 0) {
        if (other.length < sizeof other.run)
            other.run[other.length] = byte;
        other.length++;
        if (other.length == 65)
            other.bad++;
        return;
    }
    unsigned length = other.length;
    other.length = 0;
    if (length == 0 || length > 64)
        return;
    uint8_t data[70];
    int count = unstuffed(other.run, length, data);
    if (count < 5 || crc_of(data, (unsigned)count - 4) != long_at(data + count - 4))
        other.bad++;
    else if (data[0] == 0x22 && count == 24)
        return;
    else if (data[0] != 0x21 || count != 13)
        other.bad++;
    else
        other_takes_show(data);
}

static void compare(void)
{
    REQUIRE((hardware.brightness ? hardware.latched : 0) == other.lamps);
    REQUIRE(hardware.brightness == other.brightness);
    REQUIRE(hardware.answers == other.answers);
    REQUIRE((uint8_t)(node.receiver.bad + node.refused_frames) == other.bad);
    REQUIRE(node.foreign_frames == other.foreign);
}

static void begin(uint8_t number)
{
    memset(&other, 0, sizeof other);
    other.number = number;
    hardware = (struct pc_hardware){.chain = 0xA55A, .latched = 0x5AA5};
    now = 0;
    node_start(&node, number, 1, 7);
    compare();
}

static void hear(const uint8_t *bytes, unsigned length)
{
    for (unsigned at = 0; at < length; at++) {
        unsigned latches = hardware.latches, answers = hardware.answers;
        node_hear(&node, bytes[at], ++now);
        other_hears(bytes[at]);
        compare();
        REQUIRE(hardware.latches - latches <= 1); /* whole or not at all */
        if (hardware.answers != answers)
            REQUIRE(hardware.answer_length == 27 && hardware.answer_at == now);
    }
}

static void tick(unsigned count)
{
    while (count--) {
        node_tick(&node);
        if (other.bound && ++other.ticks >= 1520) {
            other.bound = false;
            other.lamps = 0;
            other.brightness = 0;
        }
        compare();
    }
}

#ifdef NOISE

static uint64_t state;

/* xorshift64* (Vigna, "An experimental exploration of Marsaglia's xorshift generators", 2016). */
static uint32_t drawn(void)
{
    state ^= state >> 12;
    state ^= state << 25;
    state ^= state >> 27;
    return (uint32_t)(state * 0x2545F4914F6CDD1DULL >> 32);
}

/* A SHOW that is right but for its CRC: eight neighbouring bits of it, the last one's neighbour
 * being the first, are drawn. */
static unsigned draw_show(uint8_t *frame)
{
    uint8_t numerals = (uint8_t)(drawn() % 100);
    unsigned stamp = (other.stamp + 1) % 65536;
    uint8_t data[13] = {
        0x21, 0x1A, 0x2B, (uint8_t)(stamp >> 8), (uint8_t)stamp, numerals,
        (uint8_t)(1 + drawn() % 15), 0, 0xFF,
    };
    unsigned place = drawn() % 32;
    uint64_t harm = (uint64_t)(drawn() % 256) << place;
    uint32_t crc = crc_of(data, 9) ^ (uint32_t)harm ^ (uint32_t)(harm >> 32);
    for (unsigned at = 9; at < sizeof data; at++)
        data[at] = (uint8_t)(crc >> (8 * (12 - at)));
    unsigned code = 1;
    frame[0] = 0;
    for (unsigned at = 0; at < sizeof data; at++) {
        frame[at + 2] = data[at];
        if (data[at] == 0) {
            frame[code] = (uint8_t)(at + 2 - code);
            code = at + 2;
        }
    }
    frame[code] = (uint8_t)(15 - code);
    frame[15] = 0;
    return 16;
}

int main(int count, char **words)
{
    if (count != 3)
        return 2;
    state = strtoull(words[1], NULL, 10) * 2 + 1;
    unsigned long left = strtoul(words[2], NULL, 10);
    begin(1);
    while (left > 0) {
        uint8_t bytes[64];
        unsigned length;
        if (drawn() % 8 == 0) {
            length = drawn() % sizeof bytes;
            for (unsigned at = 0; at < length; at++)
                bytes[at] = (uint8_t)drawn();
        } else {
            length = draw_show(bytes);
            frames_sent++;
        }
        length = length < left ? length : (unsigned)left;
        hear(bytes, length);
        left -= length;
        tick(length / 4);
    }
    printf("%lu %lu\n", frames_sent, frames_obeyed);
    return 0;
}

#else

/* A frame of the body, cut short or with a byte changed where `harm` says so. */
static void send(const uint8_t *body, uint8_t length, uint8_t harm, uint8_t with)
{
    uint8_t frame[FRAME_LENGTH(FRAME_LONGEST_BODY)];
    uint8_t end = frame_write(frame, body, length);
    if (harm & 0x80)
        frame[(harm & 0x7F) % end] ^= with;
    hear(frame, end);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    uint8_t stamp = 0;
    if (size == 0)
        return 0;
    begin((uint8_t)(1 + data[0] % 8));
    for (size_t at = 1; at < size;) {
        uint8_t step = data[at++];
        uint8_t given[64] = {0};
        uint8_t length = (uint8_t)(step & 0x1F);
        size_t there = size - at < length ? size - at : length;
        memcpy(given, data + at, there);
        at += there;
        switch (step >> 5) {
        case 0: /* bytes as they are */
            hear(given, length);
            break;
        case 1: /* a long run */
            for (unsigned times = 0; times < given[1]; times++)
                hear(given, 1);
            break;
        case 2: /* time */
            tick(given[0] * 8u);
            break;
        case 3: /* any body */
            if (length > 0)
                send(given, length, 0, 0);
            break;
        default: { /* a SHOW, whose fields are drawn near the ones allowed */
            uint8_t show[9] = {
                0x21, 0, given[0] & 1, (uint8_t)(given[1] & 0xC0), (uint8_t)(stamp + given[1] % 4),
                given[2], (uint8_t)(given[3] % 18), (uint8_t)(given[4] % 11), given[5],
            };
            stamp = show[4];
            if (given[6] & 0x80)
                show[given[6] % 9] ^= given[7];
            send(show, sizeof show, given[8], given[9]);
        }
        }
    }
    return 0;
}

#endif
