#include "wrist_moves.h"

#include "moment.h"

enum {
    ADMINISTRATIVE_S = 25,
    /* Windows, as in controller/rules/settings.py and promises.py. */
    SAME_DOWN_MS = 6000,
    STOPPAGE_HOLDS_MS = 20000,
    OVERRULED_MS = 10000,
};
static const uint32_t BREAK_MS = 300000, LONG_BREAK_MS = 600000;

enum started_by { BY_DEAD_BALL, BY_READY, BY_REFEREE };

static const uint16_t word_of[] = {
    [TELL_FOUL] = FOUL,
    [TELL_FOUL_DEFENSE] = FOUL_DEFENSE,
    [TELL_CHARGED_TIMEOUT] = CHARGED_TIMEOUT,
    [TELL_OFFICIAL_TIMEOUT] = OFFICIAL_TIMEOUT,
    [TELL_INJURY] = INJURY_ANY,
    [TELL_INJURY_DEFENSE] = INJURY_DEFENSE,
};

static uint8_t put_up(struct wrist_down *down, uint8_t phase, uint8_t seconds)
{
    down->phase = phase;
    down->seconds = seconds;
    return RESULT_HELD;
}

static uint8_t run(struct wrist_down *down, uint8_t seconds, uint8_t by, uint32_t at)
{
    put_up(down, PHASE_RUNNING, seconds);
    down->started_by = by;
    down->instant = at + 1000 * (uint32_t)seconds;
    return RESULT_RUNNING;
}

static uint32_t started_at(const struct wrist_down *down)
{
    return down->instant - 1000 * (uint32_t)down->seconds;
}

static bool is_younger(uint32_t since, uint32_t at, uint32_t ms)
{
    return at - since < ms;
}

static bool has_just_started(const struct wrist_down *down, uint32_t at)
{
    return is_younger(started_at(down), at, SAME_DOWN_MS);
}

static void forget_words(struct wrist_down *down)
{
    down->named = down->before_ready = 0;
    down->stopped_lately = false;
}

/* Whether an end of play can only be that of the stoppage told last. */
static bool is_of_stoppage(const struct wrist_down *down, uint32_t at)
{
    return down->stopped_lately && is_younger(down->stoppage_at, at, STOPPAGE_HOLDS_MS);
}

static bool shows(const struct wrist_down *down, uint8_t seconds)
{
    return down->phase == PHASE_SET && down->seconds == seconds;
}

static uint8_t what_follows(const struct wrist_down *down)
{
    uint16_t ruling = words_ruling(coming_weighed(&down->coming, down->named));
    return ruling == 0 || ruling == ROUTINE_END ? ADMINISTRATIVE_S : words_seconds(ruling);
}

/* What an event does: the cells of controller/rules/transitions.py. Each gives its result. */

static uint8_t end_play(struct wrist_down *down, uint16_t before, uint32_t at)
{
    uint16_t named = before | ROUTINE_END;
    uint16_t ruling = words_ruling(coming_weighed(&down->coming, named));
    bool over = coming_is_over(&down->coming, named);
    coming_told(&down->coming, named);
    down->coming.put_up = over;
    down->coming.put_up_at = at;
    down->coming.between_periods = false;
    down->named = named;
    down->before_ready = 0;
    down->stopped_lately = over || down->coming.next != NO_PLAY;
    down->stoppage_at = at;
    uint8_t result = ruling == ROUTINE_END
        ? run(down, WRIST_ROUTINE_S, BY_DEAD_BALL, at)
        : put_up(down, PHASE_SET, words_seconds(ruling));
    return over ? RESULT_ASSUMED : result;
}

/* Of a down whose snap nobody pressed. */
static uint8_t new_down(struct wrist_down *down, uint32_t at)
{
    coming_snap(&down->coming, down->named);
    end_play(down, 0, at);
    return RESULT_ASSUMED;
}

static uint8_t same_down(struct wrist_down *down, uint32_t at)
{
    if (down->coming.next != NO_PLAY && down->coming.now == NO_PLAY)
        return new_down(down, at);
    return end_play(down, down->named, at);
}

static uint8_t end_of_play(struct wrist_down *down, uint32_t at)
{
    bool of_stoppage = is_of_stoppage(down, at);
    switch (down->phase) {
    case PHASE_SET:
        if (!down->stopped_lately)
            return same_down(down, at);
        if (!of_stoppage)
            return new_down(down, at);
        break;
    case PHASE_RUNNING:
        if (down->started_by != BY_DEAD_BALL || !has_just_started(down, at))
            return new_down(down, at);
        break;
    case PHASE_EXPIRED:
        return new_down(down, at);
    case PHASE_STOPPED:
        if (down->coming.next != NO_PLAY && !of_stoppage)
            return new_down(down, at);
        down->coming.carried = down->coming.next;
        return end_play(down, 0, at);
    default:
        return same_down(down, at);
    }
    down->named |= ROUTINE_END;
    coming_told(&down->coming, down->named);
    return RESULT_NO_CHANGE;
}

/* An exact word told just after the ready, for a vague one before it: the count runs on with the
 * right number, from that ready. */
static bool told_after_ready(struct wrist_down *down, uint16_t word, uint32_t at)
{
    if (down->phase != PHASE_RUNNING || down->started_by != BY_READY
        || !has_just_started(down, at)
        || !(down->before_ready & words_in_force(down->before_ready) & words_less_exact(word)))
        return false;
    down->before_ready |= word;
    coming_told(&down->coming, down->before_ready);
    coming_promise(&down->coming, down->coming.next);
    run(down, words_seconds(words_ruling(down->before_ready)), BY_READY, started_at(down));
    return true;
}

static uint8_t stoppage(struct wrist_down *down, uint16_t word, uint32_t at)
{
    uint16_t named = down->named | word;
    bool at_zero = down->phase == PHASE_EXPIRED && (word & (FOUL | FOUL_DEFENSE));
    if (words_more_exact(word) & words_in_force(down->named))
        return RESULT_NO_CHANGE;
    if (told_after_ready(down, word, at))
        return RESULT_RUNNING;
    uint8_t seconds = words_seconds(words_ruling(coming_weighed(&down->coming, named)));
    if (named == down->named && (at_zero || shows(down, seconds)))
        return RESULT_NO_CHANGE;
    bool over = coming_is_over(&down->coming, named);
    coming_told(&down->coming, named);
    down->named = named;
    down->stopped_lately = true;
    down->stoppage_at = at;
    if (at_zero)
        return RESULT_HELD; /* zero stays until the penalty is completed */
    down->before_ready = 0;
    put_up(down, PHASE_SET, seconds);
    if (over)
        return RESULT_ASSUMED;
    down->coming.put_up = false;
    return RESULT_HELD;
}

/* A score told without saying which. */
static uint8_t score(struct wrist_down *down, uint32_t at)
{
    struct wrist_coming *coming = &down->coming;
    bool of_stoppage = is_of_stoppage(down, at);
    if (coming->now == TRY && (!coming->put_up || of_stoppage))
        return stoppage(down, TRY_OVER, at);
    if (of_stoppage && (down->named & TOUCHDOWN)) {
        down->named &= (uint16_t)~TOUCHDOWN;
        uint8_t result = stoppage(down, OTHER_SCORE, at);
        if (result == RESULT_NO_CHANGE)
            down->named |= TOUCHDOWN;
        return result;
    }
    if (coming->next == NO_PLAY || of_stoppage)
        return stoppage(down, TOUCHDOWN, at);
    uint16_t word = coming->next == TRY ? TRY_OVER : TOUCHDOWN;
    coming_snap(coming, down->named);
    forget_words(down);
    stoppage(down, word, at);
    return RESULT_ASSUMED; /* the snap */
}

/* Another number, given while the one that a promise put up is held: there was no such play. */
static void overrule(struct wrist_down *down, uint8_t seconds, uint32_t at)
{
    struct wrist_coming *coming = &down->coming;
    if (!coming->put_up || down->phase != PHASE_SET || down->seconds == seconds
        || !is_younger(coming->put_up_at, at, OVERRULED_MS))
        return;
    coming_promise(coming, NO_PLAY);
    coming->now = NO_PLAY;
    coming->put_up = false;
    down->stopped_lately = false;
}

static uint8_t hold(struct wrist_down *down, uint8_t seconds, uint32_t at)
{
    if (shows(down, seconds))
        return RESULT_NO_CHANGE;
    overrule(down, seconds, at);
    return put_up(down, PHASE_SET, seconds);
}

static uint8_t reset_and_run(struct wrist_down *down, uint8_t seconds, uint32_t at)
{
    overrule(down, seconds, at);
    return run(down, seconds, BY_REFEREE, at);
}

static uint8_t ready(struct wrist_down *down, uint32_t at)
{
    struct wrist_coming *coming = &down->coming;
    uint8_t seconds = ADMINISTRATIVE_S, result = RESULT_RUNNING;
    uint16_t before = coming_weighed(coming, down->named);
    if (down->phase == PHASE_RUNNING)
        return RESULT_NO_CHANGE;
    if (down->phase == PHASE_SET)
        seconds = down->seconds;
    else if (down->phase == PHASE_IDLE || down->phase == PHASE_LIVE)
        result = RESULT_ASSUMED; /* the administrative number */
    else
        seconds = what_follows(down);
    coming_ready(coming, down->named);
    if (coming->opening && down->phase == PHASE_SET && coming->next == NO_PLAY)
        coming_promise(coming, FREE_KICK); /* the opening kickoff */
    forget_words(down);
    down->before_ready = before;
    run(down, seconds, BY_READY, at);
    return result;
}

static uint8_t snap(struct wrist_down *down)
{
    if (down->phase == PHASE_LIVE)
        return RESULT_NO_CHANGE;
    bool assumed = down->phase == PHASE_SET; /* the ready */
    coming_snap(&down->coming, down->named);
    forget_words(down);
    put_up(down, PHASE_LIVE, WRIST_ROUTINE_S);
    return assumed ? RESULT_ASSUMED : RESULT_HELD;
}

static uint8_t stop(struct wrist_down *down, uint32_t at)
{
    switch (down->phase) {
    case PHASE_RUNNING:
        down->phase = PHASE_STOPPED;
        down->instant -= at;
        return RESULT_HELD;
    case PHASE_STOPPED:
        return put_up(down, PHASE_SET, what_follows(down));
    case PHASE_IDLE:
    case PHASE_LIVE:
        return RESULT_REFUSED;
    default:
        return RESULT_NO_CHANGE;
    }
}

static uint8_t no_count(struct wrist_down *down, bool period_over, uint32_t at)
{
    struct wrist_coming *coming = &down->coming;
    if (down->phase == PHASE_IDLE && !(period_over && !coming->between_periods))
        return RESULT_NO_CHANGE;
    coming_ready(coming, down->named);
    coming->quiet = true;
    if (period_over)
        coming_period_over(coming);
    forget_words(down);
    down->instant = at;
    return put_up(down, PHASE_IDLE, 0);
}

/* Whether the next play, at `at`, is the first after the break between the halves. */
static bool begins_half(const struct wrist_down *down, uint32_t at)
{
    const struct wrist_coming *coming = &down->coming;
    if (down->phase != PHASE_IDLE || coming->next != NO_PLAY || !coming->quiet
        || coming->periods_over == PERIODS)
        return false;
    bool quarter = coming->between_periods && coming->periods_over % HALF != 0;
    if (coming->between_periods && !quarter)
        return true;
    return !is_younger(down->instant, at, quarter ? LONG_BREAK_MS : BREAK_MS);
}

/* Whether an opening kickoff is still due after an event that was accepted. */
static void follow_opening(struct wrist_coming *coming, uint8_t event)
{
    bool no_count = event == NO_COUNT || event == PERIOD_OVER;
    bool stoppage = event >= TELL_FOUL && event <= SCORE;
    bool waits = coming->next == NO_PLAY && (stoppage || no_count || event == STOP);
    if (!coming->begun)
        coming->opening = event == HOLD_25;
    else if (event != HOLD_25 && !waits)
        coming->opening = false;
    coming->begun = coming->begun || !no_count;
}

static uint8_t move(struct wrist_down *down, uint8_t event, uint32_t at)
{
    switch (event) {
    case END_OF_PLAY:
        return end_of_play(down, at);
    case SCORE:
        return score(down, at);
    case HOLD_25:
        return hold(down, ADMINISTRATIVE_S, at);
    case HOLD_40:
        return hold(down, WRIST_ROUTINE_S, at);
    case RUN_25:
        return reset_and_run(down, ADMINISTRATIVE_S, at);
    case RUN_40:
        return reset_and_run(down, WRIST_ROUTINE_S, at);
    case READY:
        return ready(down, at);
    case SNAP:
        return snap(down);
    case STOP:
        return stop(down, at);
    case NO_COUNT:
        return no_count(down, false, at);
    case PERIOD_OVER:
        return no_count(down, true, at);
    default:
        return stoppage(down, word_of[event], at);
    }
}

uint8_t wrist_move(struct wrist_down *down, uint8_t event, uint32_t at)
{
    bool may_begin = event == READY || event == SNAP || event == END_OF_PLAY || event == HOLD_25;
    if (may_begin && begins_half(down, at)) {
        coming_promise(&down->coming, FREE_KICK);
        if (down->coming.periods_over < HALF)
            down->coming.periods_over = HALF;
    }
    uint8_t result = move(down, event, at);
    if (result != RESULT_REFUSED && result != RESULT_NO_CHANGE)
        follow_opening(&down->coming, event);
    return result;
}

void wrist_expire(struct wrist_down *down, uint32_t now)
{
    if (down->phase == PHASE_RUNNING && has_come(down->instant, now))
        put_up(down, PHASE_EXPIRED, 0);
}
