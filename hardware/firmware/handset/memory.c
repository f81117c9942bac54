#include "memory.h"

#include <string.h>

#include "bytes.h"
#include "crc.h"
#include "hal.h"
#include "moment.h"

/* Two halves of the memory, each with a pairing and its counter. Byte 0 of the memory
 * stays unused: on older chips of the family a failing supply hit it first. */
enum {
    FIRST_HALF = 16,
    HALF = 80,
    COUNTER = 48,
    COPY = 16, /* from one copy of the counter to the other */

    MARKED = 0xA5,
    UNMARKED = 0x00,

    /* A pairing: generation, number, two keys, CRC, mark. */
    PAIRING_BODY = 2 + 1 + 2 * BLAKE2S_KEY,
    PAIRING = PAIRING_BODY + 3,
    /* A counter: generation, value, CRC, mark. */
    KEPT_BODY = 6,
};

static uint16_t crc_of(const uint8_t *bytes, uint8_t length)
{
    uint16_t crc = CRC_INITIAL;
    while (length-- > 0)
        crc = crc_update(crc, *bytes++);
    return crc;
}

static void read_bytes(uint16_t place, uint8_t *bytes, uint8_t length)
{
    while (length-- > 0)
        *bytes++ = hal_memory_read(place++);
}

/* Read a record of `body` bytes with CRC and mark behind. False where it is not whole. */
static bool read_record(uint16_t place, uint8_t *bytes, uint8_t body)
{
    read_bytes(place, bytes, (uint8_t)(body + 3));
    return bytes[body + 2] == MARKED && crc_of(bytes, body) == word_at(bytes + body);
}

static uint16_t half_at(uint8_t half)
{
    return (uint16_t)(FIRST_HALF + half * HALF);
}

/* Where a copy of the counter in force is. */
static uint16_t copy_at(const struct memory *memory, uint8_t copy)
{
    return (uint16_t)(half_at(memory->half) + COUNTER + (uint16_t)copy * COPY);
}

/* Find the higher of the two copies that are of this generation. */
static bool find_counter(struct memory *memory)
{
    bool found = false;
    for (uint8_t copy = 0; copy < 2; copy++) {
        uint8_t bytes[MEMORY_KEPT];
        if (!read_record(copy_at(memory, copy), bytes, KEPT_BODY)
            || word_at(bytes) != memory->generation)
            continue;
        uint32_t value = long_at(bytes + 2);
        if (!found || value > memory->committed) {
            memory->newest = copy;
            memory->committed = value;
        }
        found = true;
    }
    return found;
}

/* Find the newer whole pairing; its bytes go to `bytes`. */
static bool find_pairing(struct memory *memory, uint8_t *bytes)
{
    bool found = false;
    for (uint8_t half = 0; half < 2; half++) {
        uint8_t candidate[PAIRING];
        if (!read_record(half_at(half), candidate, PAIRING_BODY))
            continue;
        uint16_t generation = word_at(candidate);
        if (!found || (int16_t)(generation - memory->generation) > 0) {
            memory->half = half;
            memory->generation = generation;
            memcpy(bytes, candidate, PAIRING);
        }
        found = true;
    }
    return found;
}

void memory_start(struct memory *memory, struct pairing_record *record)
{
    uint8_t bytes[PAIRING];
    *memory = (struct memory){0};
    if (!find_pairing(memory, bytes))
        return;
    record->number = bytes[2];
    memcpy(record->handset_key, bytes + 3, BLAKE2S_KEY);
    memcpy(record->broadcast_key, bytes + 3 + BLAKE2S_KEY, BLAKE2S_KEY);
    memory->paired = find_counter(memory); /* lost, it would begin again under the same key */
    memory->used = memory->committed; /* all that was reserved may have been sent */
}

/* How many counters are to be reserved now. */
static uint8_t lacks(const struct memory *memory)
{
    uint32_t left = memory->committed - memory->used, above = UINT32_MAX - memory->committed;
    if (left > MEMORY_BLOCK / 2)
        return 0;
    return above < MEMORY_BLOCK ? (uint8_t)above : MEMORY_BLOCK;
}

bool memory_next_counter(struct memory *memory, uint32_t *counter)
{
    if (!memory->paired || memory->used >= memory->committed)
        return false;
    *counter = ++memory->used;
    return true;
}

static void write_record(uint8_t *bytes, uint8_t body)
{
    put_word(bytes + body, crc_of(bytes, body));
    bytes[body + 2] = MARKED;
}

static void begin_write(struct memory *memory)
{
    memory->writing = true;
    memory->step = memory->tries = 0;
    put_word(memory->bytes, memory->generation);
    put_long(memory->bytes + 2, memory->committed + lacks(memory));
    write_record(memory->bytes, KEPT_BODY);
}

/* The memory differs from what was written: begin again, and in the end give up. */
static void write_failed(struct memory *memory)
{
    memory->step = 0;
    if (++memory->tries >= MEMORY_TRIES) {
        memory->writing = false;
        memory->paired = false;
    }
}

static bool reads_back(uint16_t place, const uint8_t *bytes, uint8_t length)
{
    while (length-- > 0)
        if (hal_memory_read(place++) != *bytes++)
            return false;
    return true;
}

static void write_on(struct memory *memory)
{
    uint8_t copy = memory->newest ^ 1;
    uint16_t place = copy_at(memory, copy);
    uint8_t last = MEMORY_KEPT - 1, step = memory->step++;
    if (step == 0) {
        hal_memory_write((uint16_t)(place + last), UNMARKED);
    } else if (step <= last) {
        hal_memory_write((uint16_t)(place + step - 1), memory->bytes[step - 1]);
    } else if (step == last + 1) {
        if (reads_back(place, memory->bytes, last))
            hal_memory_write((uint16_t)(place + last), MARKED);
        else
            write_failed(memory);
    } else if (!reads_back(place, memory->bytes, MEMORY_KEPT)) {
        write_failed(memory);
    } else {
        memory->newest = copy;
        memory->committed = long_at(memory->bytes + 2);
        memory->writing = false;
    }
}

void memory_step(struct memory *memory)
{
    if (!memory->paired || !hal_memory_ready())
        return;
    if (!memory->writing && lacks(memory) > 0)
        begin_write(memory);
    if (memory->writing)
        write_on(memory);
}

bool memory_is_busy(const struct memory *memory)
{
    return memory->writing;
}

/* Pairing: nothing else goes on, so here every write is waited for. */

static void write_now(uint16_t place, uint8_t byte)
{
    while (!hal_memory_ready())
        ;
    if (hal_memory_read(place) != byte)
        hal_memory_write(place, byte);
    while (!hal_memory_ready())
        ;
}

static bool write_all(uint16_t place, const uint8_t *bytes, uint8_t length)
{
    for (uint8_t at = 0; at < length; at++)
        write_now((uint16_t)(place + at), bytes[at]);
    return reads_back(place, bytes, length);
}

/* Make the two copies of a counter one that says 0. */
static bool clear_counter(uint16_t place, uint16_t generation)
{
    uint8_t bytes[MEMORY_KEPT] = {0};
    uint16_t other = (uint16_t)(place + COPY + MEMORY_KEPT - 1);
    put_word(bytes, generation);
    write_record(bytes, KEPT_BODY);
    write_now(other, UNMARKED);
    return hal_memory_read(other) == UNMARKED && write_all(place, bytes, MEMORY_KEPT);
}

bool memory_pair(const struct pairing_record *record)
{
    struct memory before;
    struct pairing_record old;
    memory_start(&before, &old);
    if (before.paired && memcmp(record, &old, sizeof old) == 0)
        return true; /* the counter may not begin again under the same key */
    uint8_t half = before.half ^ 1;
    uint16_t place = half_at(half), generation = (uint16_t)(before.generation + 1);
    uint8_t bytes[PAIRING];
    put_word(bytes, generation);
    bytes[2] = record->number;
    memcpy(bytes + 3, record->handset_key, BLAKE2S_KEY);
    memcpy(bytes + 3 + BLAKE2S_KEY, record->broadcast_key, BLAKE2S_KEY);
    write_record(bytes, PAIRING_BODY);
    write_now((uint16_t)(place + PAIRING - 1), UNMARKED);
    if (!clear_counter((uint16_t)(place + COUNTER), generation)
        || !write_all(place, bytes, PAIRING - 1))
        return false;
    write_now((uint16_t)(place + PAIRING - 1), MARKED);
    return hal_memory_read((uint16_t)(place + PAIRING - 1)) == MARKED;
}
