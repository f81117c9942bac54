#include "reports.h"

#include "hal.h"
#include "moment.h"

/* A number from 0 up to below `range`. Xorshift of 16 bits (7, 9, 8: full period): what matters
 * is only that two handsets do not wait alike. */
static uint16_t random_below(struct reports *reports, uint16_t range)
{
    uint16_t word = reports->random;
    word ^= (uint16_t)(word << 7);
    word ^= (uint16_t)(word >> 9);
    word ^= (uint16_t)(word << 8);
    reports->random = word;
    return word % range;
}

void reports_start(struct reports *reports, struct thumb *thumb, struct memory *memory,
                   const struct blake2s *up_key, uint8_t number, uint16_t seed)
{
    *reports = (struct reports){
        .thumb = thumb,
        .memory = memory,
        .up_key = up_key,
        .number = number,
        .battery = BATTERY_UNKNOWN,
        .random = seed ? seed : 1,
        .session = memory->session.committed,
    };
}

bool reports_is_news(const struct reports *reports, const struct state *state)
{
    if (!reports->heard || state->session != reports->session)
        return state->session >= reports->session;
    return beat_is_newer(state->beat, reports->beat);
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

void reports_hear(struct reports *reports, const struct state *state, bool linked, uint32_t now)
{
    reports->heard = true;
    reports->session = state->session;
    reports->beat = state->beat;
    memory_keep_session(reports->memory, state->session);
    if (!linked && has_come(reports->presence_at, now)) /* not all handsets in the same instant */
        reports->presence_at = now + 50 + random_below(reports, PRESENCE_SPREAD_MS - 50);
    const struct report *report = &reports->queue[0];
    if (reports->count > 0 && report->tries > 0 && state->ack_handset == reports->number
        && state->result != RESULT_NONE && state->ack_counter == (uint16_t)report->counter)
        close_oldest(reports, (enum cue)state->result, now);
}

void reports_press(struct reports *reports, uint16_t keys, uint32_t edge_at, uint32_t now)
{
    bool under_way = reports->count > 0 && reports->queue[0].tries > 0;
    if (!reports->heard || reports->count - under_way >= REPORTS_WAITING) {
        thumb_play(reports->thumb, CUE_NOT_HEARD, now);
        return;
    }
    reports->queue[reports->count++] =
        (struct report){.keys = keys, .edge_at = edge_at, .next_at = now};
}

static void send(struct reports *reports, uint32_t counter, uint16_t keys, uint32_t age_ms)
{
    const struct press press = {
        .handset = reports->number,
        .counter = counter,
        .keys = keys,
        .age_10ms = age_ms / 10 < OLDEST_AGE_10MS ? (uint8_t)(age_ms / 10) : OLDEST_AGE_10MS,
        .beat = reports->beat,
        .battery = reports->battery,
    };
    uint8_t frame[PRESS_FRAME];
    press_write(frame, &press, reports->session, reports->up_key);
    hal_send(frame, sizeof frame);
}

/* Begin the oldest report: its counter. False where it is closed unsent, or has to wait. */
static bool begin_report(struct reports *reports, struct report *report, uint32_t now)
{
    if (now - report->edge_at > REPORTS_OLDEST_MS) {
        close_oldest(reports, CUE_NOT_HEARD, now);
        return false;
    }
    report->began_at = now;
    return memory_next_counter(reports->memory, &report->counter); /* else it is asked again */
}

/* Send the oldest report, again if it must be, or give it up. */
static void report_on(struct reports *reports, uint32_t now)
{
    struct report *report = &reports->queue[0];
    if (report->tries == 0 && !begin_report(reports, report, now))
        return;
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
        uint32_t next_at = now + REPORTS_RETRY_MIN_MS + random_below(reports, spread_ms);
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

void reports_pass_time(struct reports *reports, bool linked, bool line_is_busy, uint32_t now)
{
    bool report_due = reports->count > 0 && has_come(reports->queue[0].next_at, now);
    bool presence_due = reports->count == 0 && linked && has_come(reports->presence_at, now);
    if (!report_due && !presence_due) {
        reports->held_back = false;
        return;
    }
    if (hal_is_sending() || hold_back(reports, line_is_busy, now))
        return;
    reports->held_back = false;
    uint32_t counter;
    if (report_due) {
        report_on(reports, now);
    } else if (memory_next_counter(reports->memory, &counter)) {
        reports->presence_at = now + PRESENCE_MS;
        send(reports, counter, 0, 0);
    }
}
