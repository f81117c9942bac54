#include "reports.h"

#include "hal.h"
#include "moment.h"

void reports_start(struct reports *reports, struct thumb *thumb, struct memory *memory,
                   const struct identity *self, uint16_t seed, uint32_t now)
{
    *reports = (struct reports){
        .thumb = thumb,
        .memory = memory,
        .battery = BATTERY_UNKNOWN,
    };
    chance_start(&reports->chance, seed);
    session_start(&reports->session, self, memory, &reports->chance, now);
}

static bool is_under_way(const struct reports *reports)
{
    return reports->count > 0 && reports->queue[0].tries > 0;
}

static void close_oldest(struct reports *reports, enum cue cue, uint32_t now)
{
    reports->count--;
    for (uint8_t at = 0; at < reports->count; at++)
        reports->queue[at] = reports->queue[at + 1];
    if (reports->count > 0)
        reports->queue[0].next_at = now;
    thumb_play(reports->thumb, cue, now);
}

bool reports_take_welcome(struct reports *reports, const uint8_t *body, uint8_t length,
                          uint32_t now)
{
    enum welcomed welcomed = session_take_welcome(&reports->session, body, length, now);
    if (welcomed == WELCOMED_NOT)
        return false;
    if (welcomed == WELCOMED_ELSEWHERE && is_under_way(reports))
        close_oldest(reports, CUE_NOT_HEARD, now); /* the session before may have obeyed it */
    reports->state_follows = true;
    reports->state_until = now + STATE_FOLLOWS_MS;
    reports->greets = reports->count == 0;
    reports->presence_at = now + PRESENCE_MS;
    return true;
}

bool reports_take_state(struct reports *reports, struct state *state, const uint8_t *body,
                        uint8_t length, bool linked, uint32_t now)
{
    if (!session_take_state(&reports->session, state, body, length, now))
        return false;
    reports->state_follows = false;
    if (!linked && has_come(reports->presence_at, now)) /* not all handsets in the same instant */
        reports->presence_at = now + 50 + chance_below(&reports->chance, PRESENCE_SPREAD_MS - 50);
    if (is_under_way(reports) && state->ack_handset == reports->session.self->number
        && state->result != RESULT_NONE && state->ack_counter == (uint16_t)reports->queue[0].counter)
        close_oldest(reports, (enum cue)state->result, now);
    return true;
}

void reports_press(struct reports *reports, uint16_t keys, uint32_t edge_at, uint32_t now)
{
    if (reports->count - is_under_way(reports) >= REPORTS_WAITING) {
        thumb_play(reports->thumb, CUE_NOT_HEARD, now);
        return;
    }
    reports->queue[reports->count++] =
        (struct report){.keys = keys, .edge_at = edge_at, .next_at = now};
}

static void send(struct reports *reports, uint32_t counter, uint16_t keys, uint32_t age_ms)
{
    const struct press press = {
        .handset = reports->session.self->number,
        .counter = counter,
        .keys = keys,
        .age_10ms = age_ms / 10 < OLDEST_AGE_10MS ? (uint8_t)(age_ms / 10) : OLDEST_AGE_10MS,
        .beat = reports->session.beat,
        .battery = reports->battery,
        .margin = MARGIN_NOT_MEASURED,
    };
    uint8_t frame[PRESS_FRAME];
    press_write(frame, &press, reports->session.name, &reports->session.self->handset_key);
    hal_send(frame, sizeof frame);
}

/* Send the oldest report, again if it must be, or give it up. */
static void report_on(struct reports *reports, uint32_t now)
{
    struct report *report = &reports->queue[0];
    if (report->tries == 0) {
        report->began_at = now;
        if (!memory_next_counter(reports->memory, &report->counter))
            return; /* it is asked again */
    }
    uint32_t gives_up_at = report->began_at + REPORTS_GIVE_UP_MS;
    if (has_come(gives_up_at, now)) {
        close_oldest(reports, CUE_NOT_HEARD, now);
        return;
    }
    report->tries++;
    send(reports, report->counter, report->keys, now - report->edge_at);
    report->next_at = gives_up_at;
    if (report->tries < REPORTS_TRIES) {
        uint16_t spread_ms = REPORTS_RETRY_MAX_MS - REPORTS_RETRY_MIN_MS + 1;
        uint32_t next_at = now + REPORTS_RETRY_MIN_MS + chance_below(&reports->chance, spread_ms);
        if (has_come(next_at, gives_up_at))
            report->next_at = next_at;
    }
}

/* Whether what is due has to wait for the end of the frame that is being heard; noise does not
 * hold it for ever. */
static bool hold_back(struct reports *reports, bool line_is_busy, uint32_t now)
{
    if (!line_is_busy)
        return reports->held_back = false;
    if (!reports->held_back)
        reports->held_back_at = now;
    reports->held_back = true;
    return now - reports->held_back_at < LINE_LONGEST_MS;
}

/* What has waited too long for its turn, or for a session, is closed unsent. */
static void give_up_late(struct reports *reports, uint32_t now)
{
    while (reports->count > 0 && reports->queue[0].tries == 0
           && now - reports->queue[0].edge_at > REPORTS_OLDEST_MS)
        close_oldest(reports, CUE_NOT_HEARD, now);
}

static bool state_follows(struct reports *reports, uint32_t now)
{
    if (has_come(reports->state_until, now))
        reports->state_follows = false;
    return reports->state_follows;
}

enum due { NOTHING_DUE, HELLO_DUE, REPORT_DUE, PRESENCE_DUE };

/* HELLO never comes between the tries of a report: its counter is the higher one, and the
 * controller would take the next try for a recording. */
static enum due what_is_due(struct reports *reports, bool linked, uint32_t now)
{
    bool waits = reports->count > 0, under_way = is_under_way(reports);
    if (!under_way && session_owes_hello(&reports->session, waits, now))
        return HELLO_DUE;
    if (state_follows(reports, now) || !(under_way || reports->session.known))
        return NOTHING_DUE;
    if (waits)
        return has_come(reports->queue[0].next_at, now) ? REPORT_DUE : NOTHING_DUE;
    if (reports->greets || (linked && has_come(reports->presence_at, now)))
        return PRESENCE_DUE;
    return NOTHING_DUE;
}

static void send_due(struct reports *reports, enum due due, uint32_t now)
{
    uint32_t counter;
    if (due == HELLO_DUE) {
        session_hello(&reports->session, now);
    } else if (due == REPORT_DUE) {
        reports->greets = false; /* it says as much */
        report_on(reports, now);
    } else if (memory_next_counter(reports->memory, &counter)) {
        reports->greets = false;
        reports->presence_at = now + PRESENCE_MS;
        send(reports, counter, 0, 0);
    }
}

void reports_pass_time(struct reports *reports, bool linked, bool line_is_busy, uint32_t now)
{
    give_up_late(reports, now);
    enum due due = what_is_due(reports, linked, now);
    if (due == NOTHING_DUE) {
        reports->held_back = false;
        return;
    }
    if (hal_is_sending() || hold_back(reports, line_is_busy, now))
        return;
    reports->held_back = false;
    send_due(reports, due, now);
}
