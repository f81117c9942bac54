#include "thumb.h"

#include "moment.h"

/* On and off by turns, in 10 ms, ended by 0. A small motor takes about 50 ms to be felt (from
 * memory of data sheets), so nothing is shorter; the lengths of one gesture differ by half or
 * more, for a gloved thumb. */
enum { TICK = 5, SHORT = 12, MEDIUM = 30, LONG = 60, ZERO = 80, PAUSE = 12, APART = 40, FAST = 5 };

static const uint8_t patterns[CUES][8] = {
    [CUE_RUNNING] = {SHORT},
    [CUE_HELD] = {SHORT, PAUSE, SHORT},
    [CUE_NO_CHANGE] = {TICK},
    [CUE_REFUSED] = {LONG},
    [CUE_ASSUMED] = {SHORT, PAUSE, LONG},
    [CUE_NOT_HEARD] = {LONG},
    [CUE_NUDGE] = {TICK, APART, TICK},
    [CUE_COURTESY_WARNING] = {TICK, PAUSE, TICK, PAUSE, TICK},
    [CUE_COURTESY_OVER] = {SHORT, PAUSE, SHORT, PAUSE, SHORT},
    [CUE_OWN_MARK] = {MEDIUM},
    [CUE_MARK_10] = {MEDIUM, PAUSE, MEDIUM},
    [CUE_MARK_TICK] = {TICK},
    [CUE_ZERO] = {ZERO},
    [CUE_FLUTTER] = {FAST, FAST, FAST, FAST, FAST, FAST, FAST},
};

static void begin_cue(struct thumb *thumb, uint8_t cue, uint32_t now)
{
    thumb->playing = cue;
    thumb->step = 0;
    thumb->on = true;
    thumb->step_ends_at = now + 10u * patterns[cue][0];
}

/* Fall silent; the next cue may begin after a pause, at `step_ends_at`. */
static void pause(struct thumb *thumb, uint32_t now)
{
    thumb->on = false;
    thumb->step = sizeof patterns[0]; /* behind the pattern */
    thumb->step_ends_at = now + THUMB_PAUSE_MS;
}

static void take_out(struct thumb *thumb, uint8_t place)
{
    thumb->waiting_count--;
    for (; place < thumb->waiting_count; place++) {
        thumb->waiting[place] = thumb->waiting[place + 1];
        thumb->asked_at[place] = thumb->asked_at[place + 1];
    }
}

static void put_in(struct thumb *thumb, uint8_t place, uint8_t cue, uint32_t now)
{
    if (thumb->waiting_count == THUMB_WAITING) { /* the oldest goes, but never zero */
        take_out(thumb, thumb->waiting[0] == CUE_ZERO ? 1 : 0);
        if (place > 0)
            place--;
    }
    for (uint8_t at = thumb->waiting_count; at > place; at--) {
        thumb->waiting[at] = thumb->waiting[at - 1];
        thumb->asked_at[at] = thumb->asked_at[at - 1];
    }
    thumb->waiting[place] = cue;
    thumb->asked_at[place] = now;
    thumb->waiting_count++;
}

static bool is_late(const struct thumb *thumb, uint32_t now)
{
    uint8_t cue = thumb->waiting[0];
    return !cue_waits(cue) && cue != CUE_ZERO && now - thumb->asked_at[0] > THUMB_MARK_LATE_MS;
}

static void begin_next(struct thumb *thumb, uint32_t now)
{
    while (thumb->waiting_count > 0 && is_late(thumb, now))
        take_out(thumb, 0);
    if (thumb->waiting_count == 0) {
        thumb->playing = CUE_NONE;
        return;
    }
    uint8_t cue = thumb->waiting[0];
    take_out(thumb, 0);
    begin_cue(thumb, cue, now);
}

void thumb_play(struct thumb *thumb, enum cue cue, uint32_t now)
{
    bool idle = thumb->playing == CUE_NONE && thumb->waiting_count == 0;
    if (cue == CUE_FLUTTER && !idle)
        return;
    bool gives_way = thumb->playing == CUE_FLUTTER || cue == CUE_ZERO;
    uint8_t place = cue == CUE_ZERO ? 0 : thumb->waiting_count;
    if (gives_way && thumb->playing != CUE_NONE && thumb->step < sizeof patterns[0]) {
        if (cue_waits(thumb->playing))
            put_in(thumb, 0, thumb->playing, now);
        pause(thumb, now);
    }
    put_in(thumb, place, cue, now);
}

void thumb_pass_time(struct thumb *thumb, uint32_t now)
{
    if (thumb->playing == CUE_NONE)
        begin_next(thumb, now);
    while (thumb->playing != CUE_NONE && has_come(thumb->step_ends_at, now)) {
        uint8_t next = (uint8_t)(thumb->step + 1);
        if (thumb->step >= sizeof patterns[0]) {
            begin_next(thumb, thumb->step_ends_at);
        } else if (next < sizeof patterns[0] && patterns[thumb->playing][next] > 0) {
            thumb->step = next;
            thumb->on = !thumb->on;
            thumb->step_ends_at += 10u * patterns[thumb->playing][next];
        } else {
            pause(thumb, thumb->step_ends_at);
        }
    }
}
