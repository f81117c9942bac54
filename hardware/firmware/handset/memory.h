/* What a handset keeps through power-off: number and keys, and the counter's reserve.
 *
 * Power may go at any write. Everything stands behind a mark byte that is taken away before the
 * first byte changes and put back as the last write, after the rest has been read back; the
 * counter has two copies, written by turns. So at every instant one whole copy is there, and it
 * is the newest one or the one before. Pairing fills the other half of the memory, and its mark
 * puts the whole half in force.
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
    MEMORY_KEPT = 9, /* bytes of a copy of the counter */
};

struct pairing_record {
    uint8_t number; /* 1-254 */
    uint8_t handset_key[BLAKE2S_KEY], broadcast_key[BLAKE2S_KEY];
};

struct memory {
    bool paired;          /* keys and counter are whole, and the memory takes its writes */
    uint16_t generation;  /* of the pairing in force */
    uint8_t half;         /* that it is in */
    uint8_t newest;       /* copy that holds the counter */
    uint32_t committed;   /* counter reserved: in the memory, read back */
    uint32_t used;        /* given out last */
    bool writing;
    uint8_t bytes[MEMORY_KEPT];
    uint8_t step, tries;
};

/* Read what is kept. `record` is filled where memory->paired. */
void memory_start(struct memory *memory, struct pairing_record *record);

/* Give the next counter, committed. False while there is none; after FFFFFFFF, until the handset
 * is paired again. */
bool memory_next_counter(struct memory *memory, uint32_t *counter);

/* Make the next write that is due, if the memory is ready for one. */
void memory_step(struct memory *memory);

/* Whether a write is under way. */
bool memory_is_busy(const struct memory *memory);

/* Store a pairing whole, or leave the one before in force; waits for every write, about 0.3 s.
 * The counter begins at 0, but for the number and keys in force already, with which it goes on.
 * False where the memory did not take it. memory_start() reads it back. */
bool memory_pair(const struct pairing_record *record);

#endif
