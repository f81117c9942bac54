#include "wrist_moves.h"

#include "moment.h"

enum {
    ADMINISTRATIVE_S = 25,
    /* Windows of a down, as in controller/rules/settings.py. */
    SAME_DOWN_MS = 6000,
    STOPPAGE_HOLDS_MS = 20000,
};

enum started_by { BY_DEAD_BALL, BY_READY, BY_REFEREE };

/* Endings, as bits of what was named for a down. */
enum { NAMED_ROUTINE = 1, NAMED_STOPPAGE = 2, NAMED_DEFENSE = 4 };

/* What put up a number. */
enum ruling {
    NO_RULING,
    BY_25_KEY,
    BY_40_KEY,
    BY_STOPPAGE,
    BY_DEFENSE,
    BY_ROUTINE,
    BY_SNAP,
    BY_RUN,
};

static uint8_t put_up(struct wrist_down *down, uint8_t phase, uint8_t seconds, uint8_t ruling)
{
    down->phase = phase;
    down->seconds = seconds;
    down->ruling = ruling;
    return RESULT_HELD;
}

static uint8_t run(struct wrist_down *down, uint8_t seconds, uint8_t ruling, uint8_t by,
                   uint32_t at)
{
    put_up(down, PHASE_RUNNING, seconds, ruling);
    down->started_by = by;
    down->started_at = at;
    down->zero_at = at + 1000ul * seconds;
    return RESULT_RUNNING;
}

static void forget_names(struct wrist_down *down)
{
    down->named = 0;
    down->stopped_lately = false;
}

/* The ruling that waits for a ready and is in force for what was named, or NO_RULING. */
static uint8_t waiting_ruling(uint8_t named)
{
    if (named & NAMED_STOPPAGE) /* 25 on the ready comes before another number */
        return BY_STOPPAGE;
    return named & NAMED_DEFENSE ? BY_DEFENSE : NO_RULING;
}

static uint8_t seconds_of(uint8_t ruling)
{
    return ruling == BY_STOPPAGE || ruling == BY_25_KEY ? ADMINISTRATIVE_S : WRIST_ROUTINE_S;
}

static bool shows(const struct wrist_down *down, uint8_t seconds)
{
    return down->phase == PHASE_SET && down->seconds == seconds;
}

/* What an event does: the cells of controller/rules/transitions.py. Each gives its result. */

static uint8_t end_play(struct wrist_down *down, uint8_t named, uint32_t at)
{
    down->named = named | NAMED_ROUTINE;
    down->stopped_lately = false;
    uint8_t ruling = waiting_ruling(down->named);
    if (ruling == NO_RULING)
        return run(down, WRIST_ROUTINE_S, BY_ROUTINE, BY_DEAD_BALL, at);
    return put_up(down, PHASE_SET, seconds_of(ruling), ruling);
}

static uint8_t new_down(struct wrist_down *down, uint32_t at)
{
    end_play(down, 0, at);
    return RESULT_ASSUMED; /* a snap that nobody pressed */
}

static uint8_t routine(struct wrist_down *down, uint32_t at)
{
    switch (down->phase) {
    case PHASE_SET:
        if (!down->stopped_lately) {
            struct wrist_down before = *down;
            uint8_t result = end_play(down, down->named, at);
            bool same = result == RESULT_HELD && before.seconds == down->seconds
                && before.ruling == down->ruling && before.named == down->named;
            return same ? RESULT_NO_CHANGE : result;
        }
        if (at - down->stoppage_at >= STOPPAGE_HOLDS_MS)
            return new_down(down, at);
        down->named |= NAMED_ROUTINE;
        return RESULT_NO_CHANGE;
    case PHASE_RUNNING:
        if (down->started_by != BY_DEAD_BALL || at - down->started_at >= SAME_DOWN_MS)
            return new_down(down, at);
        down->named |= NAMED_ROUTINE;
        return RESULT_NO_CHANGE;
    case PHASE_EXPIRED:
        return new_down(down, at);
    case PHASE_STOPPED:
        return end_play(down, 0, at);
    default:
        return end_play(down, down->named, at);
    }
}

static uint8_t stoppage(struct wrist_down *down, uint8_t ending, uint32_t at)
{
    uint8_t named = down->named | ending, ruling = waiting_ruling(named);
    if (named == down->named && shows(down, seconds_of(ruling)))
        return RESULT_NO_CHANGE;
    down->named = named;
    down->stopped_lately = true;
    down->stoppage_at = at;
    return put_up(down, PHASE_SET, seconds_of(ruling), ruling);
}

static uint8_t hold(struct wrist_down *down, uint8_t ruling)
{
    if (shows(down, seconds_of(ruling)))
        return RESULT_NO_CHANGE;
    return put_up(down, PHASE_SET, seconds_of(ruling), ruling);
}

static uint8_t ready(struct wrist_down *down, uint32_t at)
{
    uint8_t seconds = ADMINISTRATIVE_S, ruling = BY_25_KEY, result = RESULT_RUNNING;
    if (down->phase == PHASE_RUNNING)
        return RESULT_NO_CHANGE;
    if (down->phase == PHASE_SET) {
        seconds = down->seconds;
        ruling = down->ruling;
    } else if (down->phase == PHASE_IDLE || down->phase == PHASE_LIVE) {
        result = RESULT_ASSUMED; /* the administrative number */
    } else if (waiting_ruling(down->named) != NO_RULING) {
        ruling = waiting_ruling(down->named);
        seconds = seconds_of(ruling);
    }
    forget_names(down);
    run(down, seconds, ruling, BY_READY, at);
    return result;
}

static uint8_t snap(struct wrist_down *down)
{
    if (down->phase == PHASE_LIVE)
        return RESULT_NO_CHANGE;
    bool assumed = down->phase == PHASE_SET; /* the ready */
    forget_names(down);
    put_up(down, PHASE_LIVE, WRIST_ROUTINE_S, BY_SNAP);
    return assumed ? RESULT_ASSUMED : RESULT_HELD;
}

static uint8_t stop(struct wrist_down *down, uint32_t at)
{
    switch (down->phase) {
    case PHASE_RUNNING:
        down->phase = PHASE_STOPPED;
        down->left_ms = down->zero_at - at;
        return RESULT_HELD;
    case PHASE_STOPPED: {
        uint8_t ruling = waiting_ruling(down->named);
        ruling = ruling == NO_RULING ? BY_25_KEY : ruling;
        return put_up(down, PHASE_SET, seconds_of(ruling), ruling);
    }
    case PHASE_IDLE:
    case PHASE_LIVE:
        return RESULT_REFUSED;
    default:
        return RESULT_NO_CHANGE;
    }
}

static uint8_t no_count(struct wrist_down *down)
{
    if (down->phase == PHASE_IDLE)
        return RESULT_NO_CHANGE;
    forget_names(down);
    return put_up(down, PHASE_IDLE, 0, NO_RULING);
}

uint8_t wrist_move(struct wrist_down *down, uint8_t event, uint32_t at)
{
    switch (event) {
    case ROUTINE:
        return routine(down, at);
    case STOPPAGE:
        return stoppage(down, NAMED_STOPPAGE, at);
    case DEFENSE:
        return stoppage(down, NAMED_DEFENSE, at);
    case HOLD_25:
        return hold(down, BY_25_KEY);
    case HOLD_40:
        return hold(down, BY_40_KEY);
    case RUN_25:
        return run(down, ADMINISTRATIVE_S, BY_RUN, BY_REFEREE, at);
    case RUN_40:
        return run(down, WRIST_ROUTINE_S, BY_RUN, BY_REFEREE, at);
    case READY:
        return ready(down, at);
    case SNAP:
        return snap(down);
    case STOP:
        return stop(down, at);
    default:
        return no_count(down);
    }
}

void wrist_expire(struct wrist_down *down, uint32_t now)
{
    if (down->phase == PHASE_RUNNING && has_come(down->zero_at, now))
        put_up(down, PHASE_EXPIRED, 0, down->ruling);
}
