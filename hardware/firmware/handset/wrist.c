#include "wrist.h"

#include <stddef.h>
#include <string.h>

#include "moment.h"

enum {
    ROUTINE_S = 40,
    ADMINISTRATIVE_S = 25,
    /* Windows of the gestures and of the down, as in controller/rules/gestures.py and settings.py. */
    REPEAT_MS = 600,
    HOLD_MS = 3000,
    TOGETHER_MS = 150,
    SAME_PRESS_MS = 1500,
    SAME_DOWN_MS = 6000,
    STOPPAGE_HOLDS_MS = 20000,
};

enum started_by { BY_DEAD_BALL, BY_READY, BY_REFEREE };

/* Endings, as bits of what was named for a down. */
enum { NAMED_ROUTINE = 1, NAMED_STOPPAGE = 2, NAMED_DEFENSE = 4 };

/* What put up a number. */
enum ruling { NO_RULING, BY_25_KEY, BY_40_KEY, BY_STOPPAGE, BY_DEFENSE, BY_ROUTINE, BY_SNAP, BY_RUN };

enum event {
    NOTHING,
    ROUTINE,
    STOPPAGE,
    DEFENSE, /* a stoppage for the defense alone */
    HOLD_25,
    HOLD_40,
    RUN_25,
    RUN_40,
    READY,
    SNAP,
    STOP,
    NO_COUNT,
    UNDO,
};

struct order {
    uint8_t event;
    bool amends;   /* takes the place of what the gesture did so far */
    bool doubtful; /* two number keys at once, and this one was taken */
    uint32_t at, gesture_at;
};

/* What one tap means, two and so on, and the hold. Further taps mean what the last one does. */
struct meaning {
    uint16_t key;
    uint8_t count, taps[3], held;
};

static const struct meaning twelve[] = {
    {KEY_DEAD_BALL, 1, {ROUTINE}, NOTHING},
    {KEY_READY, 1, {READY}, NOTHING},
    {KEY_25, 2, {HOLD_25, RUN_25}, NOTHING},
    {KEY_SNAP, 1, {SNAP}, NOTHING},
    {KEY_40, 2, {HOLD_40, RUN_40}, NOTHING},
    {KEY_STOP, 1, {STOP}, NOTHING},
    {KEY_FLAG, 2, {STOPPAGE, DEFENSE}, NOTHING},
    {KEY_TIME_OUT, 1, {STOPPAGE}, NOTHING},
    {KEY_INJURY, 2, {STOPPAGE, DEFENSE}, NOTHING},
    {KEY_UNDO, 1, {UNDO}, NOTHING},
    {KEY_NO_COUNT, 1, {NO_COUNT}, NOTHING},
    {0, 0, {0}, NOTHING},
};

static const struct meaning four[] = {
    {KEY_40, 3, {ROUTINE, ROUTINE, HOLD_40}, HOLD_40},
    {KEY_25, 2, {HOLD_25, RUN_25}, NOTHING},
    {KEY_READY, 1, {READY}, NOTHING},
    {KEY_UNDO, 1, {UNDO}, NOTHING},
    {0, 0, {0}, NOTHING},
};

/* Phases and rulings */

static uint8_t put_up(struct wrist_down *down, uint8_t phase, uint8_t seconds, uint8_t ruling)
{
    down->phase = phase;
    down->seconds = seconds;
    down->ruling = ruling;
    return RESULT_HELD;
}

static uint8_t run(struct wrist_down *down, uint8_t seconds, uint8_t ruling, uint8_t by, uint32_t at)
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
    return ruling == BY_STOPPAGE || ruling == BY_25_KEY ? ADMINISTRATIVE_S : ROUTINE_S;
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
        return run(down, ROUTINE_S, BY_ROUTINE, BY_DEAD_BALL, at);
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
    put_up(down, PHASE_LIVE, ROUTINE_S, BY_SNAP);
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

static uint8_t transition(struct wrist_down *down, const struct order *order)
{
    switch (order->event) {
    case ROUTINE:
        return routine(down, order->at);
    case STOPPAGE:
        return stoppage(down, NAMED_STOPPAGE, order->at);
    case DEFENSE:
        return stoppage(down, NAMED_DEFENSE, order->at);
    case HOLD_25:
        return hold(down, BY_25_KEY);
    case HOLD_40:
        return hold(down, BY_40_KEY);
    case RUN_25:
        return run(down, ADMINISTRATIVE_S, BY_RUN, BY_REFEREE, order->at);
    case RUN_40:
        return run(down, ROUTINE_S, BY_RUN, BY_REFEREE, order->at);
    case READY:
        return ready(down, order->at);
    case SNAP:
        return snap(down);
    case STOP:
        return stop(down, order->at);
    default:
        return no_count(down);
    }
}

/* Orders: controller/rules/play_clock.py for one handset */

static void expire(struct wrist_down *down, uint32_t now)
{
    if (down->phase == PHASE_RUNNING && has_come(down->zero_at, now))
        put_up(down, PHASE_EXPIRED, 0, down->ruling);
}

static uint8_t plain_result(const struct wrist *wrist)
{
    return wrist->now.down.phase == PHASE_RUNNING ? RESULT_RUNNING : RESULT_HELD;
}

static uint8_t undo(struct wrist *wrist)
{
    if (wrist->now.taken == 0)
        return RESULT_REFUSED;
    wrist->now.down = wrist->now.history[--wrist->now.taken];
    return plain_result(wrist);
}

static void push(struct wrist_memory *memory, const struct wrist_down *down)
{
    if (memory->taken == WRIST_UNDO_DEPTH)
        memmove(memory->history, memory->history + 1, --memory->taken * sizeof *memory->history);
    memory->history[memory->taken++] = *down;
}

static uint8_t apply(struct wrist *wrist, const struct order *order)
{
    if (order->event == UNDO)
        return undo(wrist);
    struct wrist_down before = wrist->now.down;
    uint8_t result = transition(&wrist->now.down, order);
    if (result != RESULT_NO_CHANGE && result != RESULT_REFUSED)
        push(&wrist->now, &before);
    return result;
}

static bool is_same_again(const struct wrist *wrist, const struct order *order)
{
    return order->event != UNDO && order->event == wrist->now.last_event
        && order->at - wrist->now.last_at < SAME_PRESS_MS;
}

static uint8_t judge(struct wrist *wrist, const struct order *order)
{
    if (is_same_again(wrist, order))
        return RESULT_NO_CHANGE;
    bool of_gesture = wrist->gesture && order->gesture_at == wrist->gesture_at;
    bool given_back = of_gesture && order->amends;
    struct wrist_memory before = wrist->now;
    if (given_back) {
        wrist->now = wrist->before;
        expire(&wrist->now.down, order->at);
    }
    uint8_t result = apply(wrist, order);
    if (result == RESULT_NO_CHANGE && given_back) {
        wrist->gesture = false;
        return plain_result(wrist); /* taking back the earlier tap was all that was needed */
    }
    if (result == RESULT_REFUSED) {
        wrist->now = before;
    } else if (result != RESULT_NO_CHANGE) {
        if (!of_gesture)
            wrist->before = before;
        wrist->gesture = true;
        wrist->gesture_at = order->gesture_at;
        wrist->now.last_event = order->event;
        wrist->now.last_at = order->at;
    }
    return result;
}

/* Gestures: controller/rules/gestures.py */

static const struct meaning *meaning_of(const struct wrist *wrist, uint16_t key)
{
    const struct meaning *meaning = wrist->layout == &layout_four ? four : twelve;
    for (; meaning->key != 0; meaning++)
        if (meaning->key == key)
            return meaning;
    return NULL;
}

static void begin_taps(struct wrist *wrist, uint16_t key, uint32_t first_at, uint32_t at)
{
    wrist->tapped = key;
    wrist->taps = 0;
    wrist->first_tap_at = first_at;
    wrist->last_tap_at = at;
}

static bool are_together(const struct wrist *wrist, uint16_t key, uint32_t at)
{
    const uint16_t numbers = KEY_25 | KEY_40;
    return (wrist->tapped & numbers) && (key & numbers) && wrist->tapped != key
        && at - wrist->last_tap_at < TOGETHER_MS;
}

/* One thumb on two number keys: 25 stands, which a crew in doubt uses. */
static struct order two_numbers(struct wrist *wrist, uint16_t key, uint32_t at)
{
    if (key != KEY_25)
        return (struct order){.event = NOTHING, .doubtful = true};
    begin_taps(wrist, key, wrist->first_tap_at, at);
    wrist->taps = 1;
    return (struct order){HOLD_25, true, true, at, wrist->first_tap_at};
}

static struct order tapped(struct wrist *wrist, const struct meaning *meaning, uint32_t at)
{
    if (are_together(wrist, meaning->key, at))
        return two_numbers(wrist, meaning->key, at);
    if (wrist->tapped != meaning->key || at - wrist->last_tap_at > REPEAT_MS)
        begin_taps(wrist, meaning->key, at, at);
    wrist->last_tap_at = at;
    if (wrist->taps < meaning->count)
        wrist->taps++;
    uint8_t index = wrist->taps - 1;
    bool amends = index > 0 && meaning->taps[index] != meaning->taps[index - 1];
    return (struct order){meaning->taps[index], amends, false, at, wrist->first_tap_at};
}

static struct order held(struct wrist *wrist, const struct meaning *meaning, uint32_t at)
{
    if (meaning->held == NOTHING)
        return (struct order){.event = NOTHING};
    if (wrist->tapped != meaning->key || at - wrist->last_tap_at > HOLD_MS)
        return (struct order){meaning->held, false, false, at, at};
    wrist->tapped = 0;
    return (struct order){meaning->held, true, false, at, wrist->first_tap_at};
}

void wrist_start(struct wrist *wrist, const struct layout *layout)
{
    *wrist = (struct wrist){.layout = layout};
}

uint8_t wrist_press(struct wrist *wrist, uint16_t keys, uint32_t at)
{
    const struct meaning *meaning = meaning_of(wrist, keys & (uint16_t)~KEY_HELD);
    wrist_pass_time(wrist, at);
    if (meaning == NULL)
        return RESULT_NO_CHANGE;
    struct order order = keys & KEY_HELD ? held(wrist, meaning, at) : tapped(wrist, meaning, at);
    if (order.event == NOTHING)
        return order.doubtful ? RESULT_ASSUMED : RESULT_NO_CHANGE;
    uint8_t result = judge(wrist, &order);
    wrist_pass_time(wrist, at);
    if (result == RESULT_NO_CHANGE || result == RESULT_REFUSED)
        return result;
    if (order.doubtful)
        return RESULT_ASSUMED;
    if (result == RESULT_RUNNING && wrist->now.down.phase != PHASE_RUNNING)
        return RESULT_HELD; /* what was given back has run out meanwhile */
    return result;
}

void wrist_pass_time(struct wrist *wrist, uint32_t now)
{
    expire(&wrist->now.down, now);
}

bool wrist_marks_25(const struct wrist *wrist)
{
    const struct wrist_down *down = &wrist->now.down;
    return down->phase == PHASE_RUNNING && down->seconds == ROUTINE_S;
}
