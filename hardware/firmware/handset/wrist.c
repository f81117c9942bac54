#include "wrist.h"

#include <stddef.h>
#include <string.h>

#include "wrist_moves.h"

enum {
    /* Windows, as in controller/rules/gestures.py and settings.py. */
    REPEAT_MS = 600,
    HOLD_MS = 3000,
    TOGETHER_MS = 150,
    SAME_PRESS_MS = 1500,

    ROUTINE_MARK_S = 25,
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
    {KEY_DEAD_BALL, 1, {END_OF_PLAY}, NOTHING},
    {KEY_READY, 1, {READY}, NOTHING},
    {KEY_25, 3, {HOLD_25, RUN_25, SCORE}, SCORE},
    {KEY_SNAP, 1, {SNAP}, NOTHING},
    {KEY_40, 2, {HOLD_40, RUN_40}, NOTHING},
    {KEY_STOP, 1, {STOP}, NOTHING},
    {KEY_FLAG, 2, {TELL_FOUL, TELL_FOUL_DEFENSE}, NOTHING},
    {KEY_TIME_OUT, 2, {TELL_CHARGED_TIMEOUT, TELL_OFFICIAL_TIMEOUT}, NOTHING},
    {KEY_INJURY, 2, {TELL_INJURY, TELL_INJURY_DEFENSE}, NOTHING},
    {KEY_UNDO, 1, {UNDO}, NOTHING},
    {KEY_NO_COUNT, 3, {NO_COUNT, NO_COUNT, PERIOD_OVER}, PERIOD_OVER},
    {0, 0, {0}, NOTHING},
};

static const struct meaning four[] = {
    {KEY_40, 3, {END_OF_PLAY, END_OF_PLAY, HOLD_40}, HOLD_40},
    {KEY_25, 3, {HOLD_25, RUN_25, SCORE}, SCORE},
    {KEY_READY, 1, {READY}, NOTHING},
    {KEY_UNDO, 1, {UNDO}, NOTHING},
    {0, 0, {0}, NOTHING},
};

/* Orders: controller/rules/play_clock.py for one handset */

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
    uint8_t result = wrist_move(&wrist->now.down, order->event, order->at);
    if (result != RESULT_NO_CHANGE && result != RESULT_REFUSED)
        push(&wrist->now, &before);
    return result;
}

static bool is_same_again(const struct wrist *wrist, const struct order *order)
{
    return order->event != UNDO && order->event != STOP && order->event == wrist->now.last_event
        && order->at - wrist->now.last_at < SAME_PRESS_MS;
}

static uint8_t judge(struct wrist *wrist, const struct order *order)
{
    if (is_same_again(wrist, order))
        return RESULT_NO_CHANGE;
    bool of_gesture = wrist->gesture && order->gesture_at == wrist->gesture_at;
    bool given_back = of_gesture && order->amends;
    if (!of_gesture) {
        wrist->before = wrist->now;
        wrist->gesture = false;
    }
    if (given_back) {
        wrist->now = wrist->before;
        wrist_expire(&wrist->now.down, order->at);
    }
    bool twice = given_back && is_same_again(wrist, order);
    uint8_t result = twice ? RESULT_NO_CHANGE : apply(wrist, order);
    if (result == RESULT_NO_CHANGE && given_back) {
        wrist->gesture = false;
        return plain_result(wrist); /* taking back the earlier tap was all that was needed */
    }
    if (result != RESULT_REFUSED && result != RESULT_NO_CHANGE) {
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
    uint8_t index = (uint8_t)(wrist->taps - 1);
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
    wrist_expire(&wrist->now.down, now);
}

uint8_t wrist_mark(const struct wrist *wrist)
{
    const struct wrist_down *down = &wrist->now.down;
    bool is_routine = down->phase == PHASE_RUNNING && down->seconds == WRIST_ROUTINE_S;
    return is_routine ? ROUTINE_MARK_S : NO_MARK;
}
