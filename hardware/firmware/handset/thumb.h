/* What the thumb feels: cues as patterns on the vibration motor and the lamp. Pure.
 *
 * A cue is played to its end, with a pause of 0.1 s before the next, because one that is cut
 * short is felt as another. Only zero and the flutter differ: zero cuts off what is played,
 * which is played again behind it where it is no mark; the flutter gives way to every cue and
 * never waits. A result waits for its turn, and so does what the controller tells unasked; a mark
 * that cannot begin within 0.1 s is left out. */

#ifndef THUMB_H
#define THUMB_H

#include <stdbool.h>
#include <stdint.h>

/* The first six are the results of STATE. */
enum cue {
    CUE_NONE = 0,
    CUE_RUNNING,
    CUE_HELD,
    CUE_NO_CHANGE,
    CUE_REFUSED,
    CUE_ASSUMED,
    CUE_NOT_HEARD,
    CUE_NUDGE,
    CUE_COURTESY_WARNING,
    CUE_COURTESY_OVER,
    CUE_OWN_MARK, /* of the rule set */
    CUE_MARK_10,
    CUE_MARK_TICK,
    CUE_ZERO,
    CUE_FLUTTER,
    CUES,
};

enum {
    THUMB_WAITING = 7, /* a report under way, four waiting, what is told, and a mark */
    THUMB_PAUSE_MS = 100,
    THUMB_MARK_LATE_MS = 100,
};

struct thumb {
    bool on;                       /* motor and lamp, now */
    uint8_t playing;               /* a cue, in its pauses too; or CUE_NONE */
    uint8_t step;                  /* of its pattern */
    uint32_t step_ends_at;
    uint8_t waiting[THUMB_WAITING]; /* oldest first */
    uint32_t asked_at[THUMB_WAITING];
    uint8_t waiting_count;
};

/* Play a cue with the next millisecond, or as soon as those before it have ended. */
void thumb_play(struct thumb *thumb, enum cue cue, uint32_t now);

/* Let time pass to `now`; call it each millisecond. */
void thumb_pass_time(struct thumb *thumb, uint32_t now);

/* Whether `cue` waits for its turn, however long: it is the answer to a press, or told once. */
static inline bool cue_waits(uint8_t cue)
{
    return cue >= CUE_RUNNING && cue <= CUE_COURTESY_OVER;
}

#endif
