/* What a handset keeps through power-off: number and keys, the counter's reserve and the highest
 * session.
 *
 * Power may go at any write. Everything stands behind a mark byte that is taken away before the
 * first byte changes and put back as the last write, after the rest has been read back; counter
 * and session have two copies each, written by turns. So at every instant one whole copy is
 * there, and it is the newest one or the one before. Pairing fills the other half of the memory,
 * and its mark puts the whole half in force.
 *
 * A write on the chip takes 3.4 ms a byte (data sheet, 8.4.3): memory_step() makes one and never
 * waits. */

#ifndef MEMORY_H
#define MEMORY_H

#include <stdbool.h>
#include <stdint.h>

#include "blake2s.h"

enum {
    /* Counters committed at once. A game has some 2,000 reports; 64 at a time is a write each
     * ten minutes, and 100,000 writes a cell (data sheet) last for 12 million reports. */
    MEMORY_BLOCK = 64,
    MEMORY_TRIES = 3,
    MEMORY_KEPT = 9, /* bytes of a kept value */
};

struct pairing_record {
    uint8_t number; /* 1-254 */
    uint8_t up_key[BLAKE2S_KEY], down_key[BLAKE2S_KEY];
};

/* A value that only rises, kept in two copies. */
struct kept {
    uint16_t place;      /* of the first copy */
    uint8_t newest;      /* copy that holds it */
    uint32_t committed;  /* in the memory, read back */
    uint32_t wanted;
};

struct memory {
    bool paired;          /* keys, counter and session are whole */
    bool fault;           /* the memory did not take a write, MEMORY_TRIES times */
    uint16_t generation;  /* of the pairing in force */
    uint8_t half;         /* that it is in */
    struct kept counter, session;
    uint32_t used;        /* counter given out last */
    struct kept *writing; /* or NULL */
    uint8_t bytes[MEMORY_KEPT];
    uint8_t step, tries;
};

/* Read what is kept. `record` is filled where memory->paired. */
void memory_start(struct memory *memory, struct pairing_record *record);

/* Give the next counter, committed. False while there is none. */
bool memory_next_counter(struct memory *memory, uint32_t *counter);

/* Keep `session`, if it is above the one kept. */
void memory_keep_session(struct memory *memory, uint32_t session);

/* Make the next write that is due, if the memory is ready for one. */
void memory_step(struct memory *memory);

/* Whether a write is under way or due. */
bool memory_is_busy(const struct memory *memory);

/* Store a pairing whole, or leave the one before in force; waits for every write, about 0.3 s.
 * Counter and session begin at 0, but for the number and keys in force already, which are left
 * alone. False where the memory did not take it. memory_start() reads it back. */
bool memory_pair(const struct pairing_record *record);

#endif
