/* A handset: what it is at power-on, and where bytes, keys and milliseconds go. All hardware is
 * behind hal.h. */

#ifndef HANDSET_H
#define HANDSET_H

#include <stdbool.h>
#include <stdint.h>

#include "blake2s.h"
#include "cues.h"
#include "frame.h"
#include "keys.h"
#include "layout.h"
#include "memory.h"
#include "reports.h"
#include "thumb.h"
#include "wrist.h"

enum {
    HANDSET_CHOICE_MS = 2000, /* keys held so long from power-on choose a mode */
    HANDSET_BATTERY_MS = 10000,
};

/* Without STATE or key for so long there is no game. A test that cannot wait sets its own. */
#ifndef HANDSET_SLEEP_MS
#define HANDSET_SLEEP_MS 600000u
#endif

enum mode {
    CHOOSING, /* keys that choose a mode are down since power-on */
    SERVICE,  /* the controller keeps the count */
    UNPAIRED, /* no keys, or a memory that is not whole */
    WRIST,    /* counts alone, until power-off */
    PAIRING,
};

struct handset {
    uint8_t mode;
    bool asleep;
    const struct layout *layout;
    uint16_t choice;        /* CHOOSING: the keys that are down */
    uint32_t since;         /* CHOOSING: power-on; PAIRING: the last good order */
    uint32_t active_at;     /* the last STATE, key or start */
    uint32_t battery_at;    /* it is looked at next */
    uint32_t byte_at;       /* the last byte heard */
    uint16_t rhythm_ms;     /* where the lamps are in their rhythm */
    struct frame_receiver receiver;
    struct memory memory;
    struct identity self;
    struct thumb thumb;
    struct cues cues;
    union { /* RAM is scarce, and nothing leads from one mode to the other but power-off */
        struct reports reports; /* SERVICE, UNPAIRED */
        struct wrist wrist;     /* WRIST */
    };
};

/* Begin at `now` with the keys that are down. `by_power` is false after a restart of its own,
 * where keys choose nothing. `seed` is any number that differs between handsets and times. */
void handset_start(struct handset *handset, const struct layout *layout, uint16_t contacts,
                   bool by_power, uint16_t seed, uint8_t revision, uint32_t now);

/* A byte came from the radio or the cable. */
void handset_hear(struct handset *handset, uint8_t byte, uint32_t now);

/* A key went down, or with KEY_HELD was down for its hold time, at `at`. */
void handset_press(struct handset *handset, uint16_t keys, uint32_t at, uint32_t now);

/* A millisecond has gone. `since_start` are the keys down without a break since power-on. */
void handset_tick(struct handset *handset, uint16_t since_start, uint32_t now);

/* True once there is nothing to do until a key moves: the radio is off and the chip may stop its
 * clocks. The next key wakes it. */
bool handset_may_sleep(const struct handset *handset);

#endif
