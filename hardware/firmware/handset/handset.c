#include "handset.h"

#include "battery.h"
#include "hal.h"
#include "moment.h"
#include "pairing.h"

enum {
    CHOOSES_WRIST = KEY_READY,
    CHOOSES_PAIRING = KEY_40 | KEY_UNDO, /* PROTOCOL.md, "Pairing link" */
};

/* Read number and keys from the memory. */
static void remember(struct handset *handset)
{
    struct pairing_record record;
    memory_start(&handset->memory, &record);
    if (!handset->memory.paired)
        return;
    handset->self.number = record.number;
    blake2s_start(&handset->self.handset_key, record.handset_key);
    blake2s_start(&handset->self.broadcast_key, record.broadcast_key);
}

static void begin_service(struct handset *handset, uint16_t seed, uint32_t now)
{
    handset->mode = handset->memory.paired ? SERVICE : UNPAIRED;
    cues_start(&handset->cues, &handset->thumb);
    uint16_t own = (uint16_t)(handset->self.number << 8);
    uint16_t random = (uint16_t)(seed ^ handset->memory.used ^ own);
    reports_start(&handset->reports, &handset->thumb, &handset->memory, &handset->self, random,
                  now);
    handset->battery_at = now;
    handset->active_at = now;
    hal_connect(handset->mode == SERVICE ? LINE_RADIO : LINE_OFF);
}

static void begin_alone(struct handset *handset, uint8_t mode, uint32_t now)
{
    handset->mode = mode;
    handset->since = handset->active_at = now;
    if (mode == PAIRING)
        hal_connect(LINE_CABLE);
    if (mode == WRIST) {
        wrist_start(&handset->wrist, handset->layout);
        thumb_play(&handset->thumb, CUE_HELD, now);
    }
}

static void choose(struct handset *handset, uint16_t since_start, uint32_t now)
{
    if (since_start != handset->choice)
        begin_service(handset, (uint16_t)now, now);
    else if (now - handset->since >= HANDSET_CHOICE_MS)
        begin_alone(handset, handset->choice == CHOOSES_WRIST ? WRIST : PAIRING, now);
}

void handset_start(struct handset *handset, const struct layout *layout, uint16_t contacts,
                   bool by_power, uint16_t seed, uint8_t revision, uint32_t now)
{
    *handset = (struct handset){
        .layout = layout,
        .since = now,
        .self = {.layout = layout->count, .revision = revision},
    };
    remember(handset);
    handset->choice = contacts & layout->keys;
    cues_start(&handset->cues, &handset->thumb);
    if (by_power && (handset->choice == CHOOSES_WRIST || handset->choice == CHOOSES_PAIRING)) {
        handset->mode = CHOOSING;
        hal_connect(LINE_OFF);
    } else {
        begin_service(handset, seed, now);
    }
}

/* Bytes */

static void hear_air(struct handset *handset, const uint8_t *body, uint8_t length, uint32_t now)
{
    struct reports *reports = &handset->reports;
    struct state state;
    if (reports_take_welcome(reports, body, length, now)) {
        cues_welcome(&handset->cues);
    } else if (reports_take_state(reports, &state, body, length, handset->cues.linked, now)) {
        handset->active_at = now;
        cues_hear(&handset->cues, &state, now);
    }
}

void handset_hear(struct handset *handset, uint8_t byte, uint32_t now)
{
    handset->byte_at = now;
    uint8_t length = frame_take(&handset->receiver, byte);
    if (length == 0)
        return;
    const uint8_t *body = frame_body(&handset->receiver);
    if (handset->mode == SERVICE && !handset->asleep)
        hear_air(handset, body, length, now);
    else if (handset->mode == PAIRING
             && pairing_take(body, length, handset->self.layout, handset->self.revision))
        handset->since = now;
}

/* Keys */

static void wrist_key(struct handset *handset, uint16_t keys, uint32_t at, uint32_t now)
{
    struct wrist *wrist = &handset->wrist;
    uint8_t result = wrist_press(wrist, keys, at);
    if (wrist->now.down.phase == PHASE_RUNNING)
        cues_count(&handset->cues, wrist->now.down.instant, wrist_mark(wrist), now);
    else
        cues_stop(&handset->cues);
    thumb_play(&handset->thumb, (enum cue)result, now);
}

static void wake(struct handset *handset, uint32_t now)
{
    handset->asleep = false;
    if (handset->mode == WRIST)
        return;
    remember(handset);
    begin_service(handset, (uint16_t)now, now); /* as after power-on: no session */
}

void handset_press(struct handset *handset, uint16_t keys, uint32_t at, uint32_t now)
{
    if (handset->asleep)
        wake(handset, now);
    handset->active_at = now;
    cues_pass_time(&handset->cues, now);
    cues_key(&handset->cues);
    switch (handset->mode) {
    case SERVICE:
        reports_press(&handset->reports, keys, at, now);
        break;
    case WRIST:
        wrist_key(handset, keys, at, now);
        break;
    case UNPAIRED:
        thumb_play(&handset->thumb, CUE_NOT_HEARD, now);
        break;
    default:
        break;
    }
}

/* Time */

static void serve(struct handset *handset, uint32_t now)
{
    bool linked = handset->cues.linked;
    if (!handset->memory.paired)
        handset->mode = UNPAIRED; /* the memory has failed: a counter could come twice */
    bool hearing = handset->receiver.length > 0 && now - handset->byte_at <= LINE_QUIET_MS;
    reports_pass_time(&handset->reports, linked, hearing, now);
    /* It takes half a millisecond: after the reports, and not when a STATE's tag may be next. The
     * motor pulls the battery down. */
    if (has_come(handset->battery_at, now) && !handset->thumb.on && !hearing) {
        handset->battery_at = now + HANDSET_BATTERY_MS;
        handset->reports.battery = battery_hours(hal_battery_mv());
    }
    memory_step(&handset->memory);
}

/* What the lamps say besides cues, as rhythms that go on for two seconds. */

enum { RHYTHM_MS = 2000 };

static bool lamp(const struct handset *handset)
{
    uint16_t ms = handset->rhythm_ms;
    switch (handset->mode) {
    case CHOOSING:
        return true;
    case SERVICE: /* link lost: twice a second */
        return !handset->cues.linked && ms % 500 < 100;
    case UNPAIRED: /* three flashes and a rest */
        return ms < 1200 && ms % 400 < 100;
    case PAIRING: /* by turns with the wrist lamp */
        return ms % 500 < 250;
    default:
        return false;
    }
}

static bool wrist_lamp(const struct handset *handset)
{
    return handset->mode == WRIST || handset->mode == CHOOSING
        || (handset->mode == PAIRING && !lamp(handset));
}

static void show(struct handset *handset)
{
    if (++handset->rhythm_ms >= RHYTHM_MS)
        handset->rhythm_ms = 0;
    bool cue = handset->thumb.playing != CUE_NONE;
    hal_move(handset->thumb.on);
    hal_light(!handset->asleep && (cue ? handset->thumb.on : lamp(handset)));
    hal_light_wrist(!handset->asleep && wrist_lamp(handset));
}

static bool is_idle(const struct handset *handset)
{
    return handset->mode != CHOOSING && handset->mode != PAIRING && handset->cues.ahead == 0
        && handset->thumb.playing == CUE_NONE && handset->thumb.waiting_count == 0
        && !memory_is_busy(&handset->memory);
}

static void fall_asleep(struct handset *handset, uint32_t now)
{
    if (handset->asleep || now - handset->active_at < HANDSET_SLEEP_MS || !is_idle(handset))
        return;
    handset->asleep = true;
    hal_connect(LINE_OFF);
}

void handset_tick(struct handset *handset, uint16_t since_start, uint32_t now)
{
    if (handset->mode == CHOOSING)
        choose(handset, since_start, now);
    else if (handset->mode == PAIRING && now - handset->since >= PAIRING_SILENCE_MS)
        hal_restart();
    cues_pass_time(&handset->cues, now);
    if (handset->mode == WRIST)
        wrist_pass_time(&handset->wrist, now);
    else if (handset->mode == SERVICE && !handset->asleep)
        serve(handset, now);
    thumb_pass_time(&handset->thumb, now);
    fall_asleep(handset, now);
    show(handset);
}

bool handset_may_sleep(const struct handset *handset)
{
    return handset->asleep;
}
