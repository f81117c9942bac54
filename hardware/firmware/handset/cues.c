#include "cues.h"

#include "moment.h"

enum { MARKS = 8, ALL_MARKS = 0xFF, OWN_MARK = 0, ALARMS = BOARDS_OFF | FAULT };

/* In the order in which a count passes them; the first is at the seconds that the count brings,
 * which are more than 10. */
static const struct {
    uint8_t seconds, cue;
} marks[MARKS] = {
    {NO_MARK, CUE_OWN_MARK}, {10, CUE_MARK_10}, {5, CUE_MARK_TICK}, {4, CUE_MARK_TICK},
    {3, CUE_MARK_TICK}, {2, CUE_MARK_TICK}, {1, CUE_MARK_TICK}, {0, CUE_ZERO},
};

static uint32_t mark_at(const struct cues *cues, uint8_t mark)
{
    uint8_t seconds = mark == OWN_MARK ? cues->own_mark : marks[mark].seconds;
    return cues->zero_at - 1000 * (uint32_t)seconds;
}

static void pass_marks(struct cues *cues, uint32_t until, uint32_t now)
{
    uint8_t mark = 0;
    for (uint8_t left = cues->ahead; left != 0; left >>= 1, mark++) {
        if (!(left & 1))
            continue;
        if (!has_come(mark_at(cues, mark), until))
            return; /* those behind it come later */
        cues->ahead &= (uint8_t)~(1u << mark);
        thumb_play(cues->thumb, marks[mark].cue, now);
    }
}

static void flutter(struct cues *cues, uint32_t now)
{
    while (cues->fluttering && has_come(cues->flutter_at, now)) {
        thumb_play(cues->thumb, CUE_FLUTTER, now);
        cues->flutter_at += CUES_FLUTTER_MS;
    }
}

void cues_start(struct cues *cues, struct thumb *thumb)
{
    *cues = (struct cues){.thumb = thumb};
}

void cues_stop(struct cues *cues)
{
    cues->counting = false;
    cues->ahead = 0;
}

void cues_count(struct cues *cues, uint32_t zero_at, uint8_t own_mark, uint32_t now)
{
    int32_t moved_ms = (int32_t)(zero_at - cues->zero_at);
    bool same = cues->counting && moved_ms < CUES_SAME_COUNT_MS && moved_ms > -CUES_SAME_COUNT_MS;
    cues->zero_at = zero_at;
    if (!same) {
        cues->counting = true;
        cues->own_mark = own_mark;
        cues->ahead = own_mark == NO_MARK ? ALL_MARKS & ~(1 << OWN_MARK) : ALL_MARKS;
        for (uint8_t mark = 0; mark < MARKS; mark++)
            if (has_come(mark_at(cues, mark), now)) /* jumped over: not played */
                cues->ahead &= (uint8_t)~(1u << mark);
    }
    pass_marks(cues, now, now);
}

static void hear_alarms(struct cues *cues, uint8_t flags, uint32_t now)
{
    uint8_t alarms = flags & ALARMS;
    if (alarms & ~cues->flags) {
        cues->alarm = true;
        cues->fluttering = false;
    }
    cues->flags = flags;
    cues->alarm = cues->alarm && alarms;
    if (!cues->alarm) {
        cues->fluttering = false;
    } else if (!cues->fluttering) {
        cues->fluttering = true;
        cues->flutter_at = now;
        flutter(cues, now);
    }
}

/* What is to be felt once. */
static void hear_told(struct cues *cues, uint8_t cue, uint32_t now)
{
    bool is_news = cues->compares && cue != cues->told;
    cues->compares = true;
    cues->told = cue;
    if (is_news && cue_tells(cue) != TELLS_NOTHING)
        thumb_play(cues->thumb, (enum cue)(CUE_NUDGE - TELLS_NUDGE + cue_tells(cue)), now);
}

void cues_welcome(struct cues *cues)
{
    cues->compares = false;
}

void cues_hear(struct cues *cues, const struct state *state, uint32_t now)
{
    cues_pass_time(cues, now);
    cues->linked = true;
    cues->link_ends_at = now + CUES_LINK_LOST_MS;
    if (state->phase == PHASE_RUNNING) {
        uint32_t zero_at = now + 10 * (uint32_t)state->remaining_10ms - CUES_FLIGHT_MS;
        cues_count(cues, zero_at, state->mark, now);
    } else {
        if (state->phase == PHASE_EXPIRED && cues->counting && cues->ahead)
            thumb_play(cues->thumb, CUE_ZERO, now);
        cues_stop(cues);
    }
    hear_told(cues, state->cue, now);
    hear_alarms(cues, state->flags, now);
}

void cues_key(struct cues *cues)
{
    cues->alarm = cues->fluttering = false;
}

void cues_pass_time(struct cues *cues, uint32_t now)
{
    bool lost = cues->linked && has_come(cues->link_ends_at, now);
    uint32_t until = lost ? cues->link_ends_at : now;
    pass_marks(cues, until, now);
    flutter(cues, until);
    if (lost) {
        cues->linked = cues->fluttering = false;
        cues_stop(cues);
    }
}
