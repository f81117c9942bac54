/* A handset on a PC, led by lines on standard input. Bytes are hexadecimal, other numbers decimal.
 *
 *   start LAYOUT CONTACTS BYPOWER REVISION
 *                                   power on, with these keys down; the memory is as it was
 *   run MS                          milliseconds go by
 *   contacts KEYS                   these keys are down from now on
 *   hear BYTES                      bytes come over the line, four a millisecond
 *   battery MV
 *   cut N LEFT                      power goes at the Nth memory write from now, which leaves the byte LEFT
 *   memory BYTES                    the memory from its first byte on
 *   dump                            the whole memory
 *   counter N                       it has reserved its counters up to this one
 *   state                           mode, asleep, counter given out, link, session known, beat, session
 *   press KEY SESSION HANDSET COUNTER KEYS AGE BEAT BATTERY MARGIN
 *                                   the frame of a PRESS
 *   hello KEY HANDSET COUNTER LAYOUT REVISION
 *                                   the frame of a HELLO
 *   tag KEY MESSAGE                 keyed BLAKE2s
 *   compress H BLOCK LENGTH LAST    one compression of BLAKE2s; H as little-endian bytes
 *   open KEY SESSION BYTES          the STATE in a frame, or "refused"
 *   welcome KEY BYTES               the WELCOME in a frame, or "refused"
 *   wrist LAYOUT                    a fresh count of the wrist timer
 *   tap KEYS AT                     a key edge, or hold, for it
 *   hours MV                        what a battery stands for
 *
 * Every line is answered by its events, "AT what value", and then by "." with what it asked for. */

#include <setjmp.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "battery.h"
#include "hal.h"
#include "handset.h"
#include "moment.h"

enum { MEMORY = 1024 };

static struct handset handset;
static struct keys keys;
static struct wrist wrist;
static uint8_t memory[MEMORY];
static uint32_t now;
static uint16_t contacts, battery_mv = 4500;
static uint32_t sends_until;
static unsigned writes_left; /* until power goes; 0: it stays */
static uint8_t torn;
static bool dead;
static jmp_buf power_gone;
static int moving, lit, wrist_lit;

static void print_bytes(const uint8_t *data, size_t length)
{
    for (size_t at = 0; at < length; at++)
        printf("%02x", data[at]);
}

static size_t read_bytes(const char *text, uint8_t *bytes, size_t room)
{
    size_t count = 0;
    unsigned byte;
    while (count < room && sscanf(text, "%2x", &byte) == 1) {
        bytes[count++] = (uint8_t)byte;
        text += 2;
    }
    return count;
}

/* The hardware */

void hal_send(const uint8_t *frame, uint8_t length)
{
    printf("%u send ", now);
    print_bytes(frame, length);
    printf("\n");
    sends_until = now + length / 4;
}

bool hal_is_sending(void)
{
    return !has_come(sends_until, now);
}

void hal_connect(enum line line)
{
    printf("%u line %d\n", now, (int)line);
}

static void note(const char *what, int *level, bool on)
{
    if (*level != on)
        printf("%u %s %d\n", now, what, on);
    *level = on;
}

void hal_move(bool on)
{
    note("move", &moving, on);
}

void hal_light(bool on)
{
    note("light", &lit, on);
}

void hal_light_wrist(bool on)
{
    note("wrist", &wrist_lit, on);
}

uint16_t hal_battery_mv(void)
{
    return battery_mv;
}

bool hal_memory_ready(void)
{
    return true;
}

uint8_t hal_memory_read(uint16_t place)
{
    if (place >= MEMORY)
        abort();
    return memory[place];
}

void hal_memory_write(uint16_t place, uint8_t byte)
{
    if (place == 0 || place >= MEMORY)
        abort();
    if (writes_left > 0 && --writes_left == 0) {
        memory[place] = torn;
        longjmp(power_gone, 1);
    }
    memory[place] = byte;
    printf("%u write %u\n", now, place);
}

void hal_restart(void)
{
    printf("%u restart 1\n", now);
    keys_start(&keys, handset.layout, contacts);
    handset_start(&handset, handset.layout, contacts, false, 1, handset.self.revision, now);
}

/* Every cue that is asked for, whatever becomes of it. */
void __real_thumb_play(struct thumb *thumb, enum cue cue, uint32_t at);
void __wrap_thumb_play(struct thumb *thumb, enum cue cue, uint32_t at);

void __wrap_thumb_play(struct thumb *thumb, enum cue cue, uint32_t at)
{
    printf("%u cue %d\n", at, (int)cue);
    __real_thumb_play(thumb, cue, at);
}

/* Lines */

static void press_all(uint16_t which, uint16_t held)
{
    for (uint8_t bit = 0; bit < KEYS; bit++)
        if (which >> bit & 1)
            handset_press(&handset, (uint16_t)(1u << bit | held), now, now);
}

static void pass_millisecond(void)
{
    now++;
    struct key_edges edges = keys_sample(&keys, contacts);
    press_all(edges.went_down, 0);
    press_all(edges.held, KEY_HELD);
    handset_tick(&handset, keys.since_start, now);
}

static void hear(const uint8_t *bytes, size_t count)
{
    for (size_t at = 0; at < count; at++) {
        handset_hear(&handset, bytes[at], now);
        if (at % 4 == 3)
            pass_millisecond();
    }
}

static const struct layout *layout_of(unsigned count)
{
    return count == 4 ? &layout_four : &layout_twelve;
}

static struct blake2s keyed_with(const char *text)
{
    uint8_t key[BLAKE2S_KEY] = {0};
    struct blake2s keyed;
    if (read_bytes(text, key, sizeof key) != sizeof key)
        abort();
    blake2s_start(&keyed, key);
    return keyed;
}

/* The body in a frame, or NULL. */
static const uint8_t *open_frame(struct frame_receiver *receiver, const char *text, uint8_t *length)
{
    uint8_t wire[256];
    size_t count = read_bytes(text, wire, sizeof wire);
    *receiver = (struct frame_receiver){0};
    *length = 0;
    for (size_t at = 0; at < count && *length == 0; at++)
        *length = frame_take(receiver, wire[at]);
    return *length ? frame_body(receiver) : NULL;
}

static void open_state(const char *key, const char *session_text, const char *wire)
{
    struct frame_receiver receiver;
    struct blake2s keyed = keyed_with(key);
    struct state state;
    uint8_t session[SESSION], length;
    if (read_bytes(session_text, session, sizeof session) != SESSION)
        abort();
    const uint8_t *body = open_frame(&receiver, wire, &length);
    if (body && state_read(&state, body, length, session, &keyed))
        printf(". %u %u %u %u %u %u %u %u %u %u\n", state.beat, state.phase, state.numerals,
               state.remaining_10ms, state.flags, state.mark, state.cue, state.ack_handset,
               state.ack_counter, state.result);
    else
        printf(". refused\n");
}

static void open_welcome(const char *key, const char *wire)
{
    struct frame_receiver receiver;
    struct blake2s keyed = keyed_with(key);
    struct welcome welcome;
    uint8_t length;
    const uint8_t *body = open_frame(&receiver, wire, &length);
    if (!body || !welcome_read(&welcome, body, length, &keyed)) {
        printf(". refused\n");
        return;
    }
    printf(". %u %u %u ", welcome.handset, welcome.counter, welcome.beat);
    print_bytes(welcome.session, SESSION);
    printf("\n");
}

static void print_press(const char *rest)
{
    char key[64] = "", session_text[64] = "";
    uint8_t session[SESSION] = {0}, frame[PRESS_FRAME];
    unsigned said[7] = {0};
    if (sscanf(rest, "%63s %63s %u %u %u %u %u %u %u", key, session_text, &said[0], &said[1],
               &said[2], &said[3], &said[4], &said[5], &said[6]) != 9)
        abort();
    const struct press press = {
        .handset = (uint8_t)said[0],
        .counter = said[1],
        .keys = (uint16_t)said[2],
        .age_10ms = (uint8_t)said[3],
        .beat = said[4],
        .battery = (uint8_t)said[5],
        .margin = (uint8_t)said[6],
    };
    struct blake2s keyed = keyed_with(key);
    read_bytes(session_text, session, sizeof session);
    press_write(frame, &press, session, &keyed);
    printf(". ");
    print_bytes(frame, sizeof frame);
    printf("\n");
}

static void print_hello(const char *rest)
{
    char key[64] = "";
    uint8_t frame[HELLO_FRAME];
    unsigned said[4] = {0};
    if (sscanf(rest, "%63s %u %u %u %u", key, &said[0], &said[1], &said[2], &said[3]) != 5)
        abort();
    const struct hello hello = {(uint8_t)said[0], said[1], (uint8_t)said[2], (uint8_t)said[3]};
    struct blake2s keyed = keyed_with(key);
    hello_write(frame, &hello, &keyed);
    printf(". ");
    print_bytes(frame, sizeof frame);
    printf("\n");
}

static void print_state(void)
{
    const struct session *session = &handset.reports.session;
    bool serves = handset.mode == SERVICE;
    printf(". %u %d %u %d %d %u ", handset.mode, handset.asleep, handset.memory.used,
           handset.cues.linked, serves && session->known, serves ? session->beat : 0);
    print_bytes(session->name, serves ? SESSION : 0);
    printf("\n");
}

static bool ask(const char *word, const char *rest)
{
    static uint8_t bytes[4096], key[64];
    unsigned a = 0, b = 0;
    char first[300] = "", second[300] = "", third[600] = "";
    if (strcmp(word, "dump") == 0) {
        printf(". ");
        print_bytes(memory, sizeof memory);
        printf("\n");
    } else if (strcmp(word, "state") == 0) {
        print_state();
    } else if (strcmp(word, "tag") == 0 && sscanf(rest, "%299s %299s", first, second) == 2) {
        uint8_t tag[BLAKE2S_TAG];
        struct blake2s keyed;
        read_bytes(first, key, sizeof key);
        blake2s_start(&keyed, key);
        blake2s_tag(&keyed, bytes, (uint8_t)read_bytes(second, bytes, 64), tag);
        printf(". ");
        print_bytes(tag, sizeof tag);
        printf("\n");
    } else if (strcmp(word, "compress") == 0 && sscanf(rest, "%299s %299s %u %u", first, second, &a, &b) == 4) {
        uint32_t h[8];
        read_bytes(first, (uint8_t *)h, sizeof h);
        read_bytes(second, bytes, 64);
        blake2s_compress(h, bytes, a, b);
        printf(". ");
        print_bytes((uint8_t *)h, sizeof h);
        printf("\n");
    } else if (strcmp(word, "press") == 0) {
        print_press(rest);
    } else if (strcmp(word, "hello") == 0) {
        print_hello(rest);
    } else if (strcmp(word, "open") == 0 && sscanf(rest, "%299s %299s %599s", first, second, third) == 3) {
        open_state(first, second, third);
    } else if (strcmp(word, "welcome") == 0 && sscanf(rest, "%299s %599s", first, third) == 2) {
        open_welcome(first, third);
    } else if (strcmp(word, "wrist") == 0 && sscanf(rest, "%u", &a) == 1) {
        wrist_start(&wrist, layout_of(a));
        printf(".\n");
    } else if (strcmp(word, "tap") == 0 && sscanf(rest, "%u %u", &a, &b) == 2) {
        uint8_t result = wrist_press(&wrist, (uint16_t)a, b);
        const struct wrist_down *down = &wrist.now.down;
        printf(". %u %u %u %u %u\n", result, down->phase, down->seconds, down->instant,
               wrist_mark(&wrist));
    } else if (strcmp(word, "hours") == 0 && sscanf(rest, "%u", &a) == 1) {
        printf(". %u\n", battery_hours((uint16_t)a));
    } else {
        return false;
    }
    return true;
}

/* By the firmware's own writes, a block before it and then the rest. */
static void reserve_up_to(uint32_t counter)
{
    struct memory reserved;
    struct pairing_record record;
    memory_start(&reserved, &record);
    reserved.used = reserved.committed = counter - MEMORY_BLOCK;
    do {
        memory_step(&reserved);
    } while (reserved.writing);
}

static void lead(const char *word, const char *rest)
{
    static uint8_t bytes[4096];
    unsigned a = 0, b = 0, c = 0, d = 0;
    if (strcmp(word, "start") == 0 && sscanf(rest, "%u %u %u %u", &a, &b, &c, &d) == 4) {
        dead = false;
        writes_left = 0;
        contacts = (uint16_t)b;
        sends_until = now;
        moving = lit = wrist_lit = 0;
        keys_start(&keys, layout_of(a), contacts);
        handset_start(&handset, layout_of(a), contacts, c, 1, (uint8_t)d, now);
    } else if (strcmp(word, "memory") == 0) {
        read_bytes(rest, memory, sizeof memory);
    } else if (strcmp(word, "counter") == 0 && sscanf(rest, "%u", &a) == 1) {
        reserve_up_to(a);
    } else if (strcmp(word, "battery") == 0 && sscanf(rest, "%u", &a) == 1) {
        battery_mv = (uint16_t)a;
    } else if (dead) {
        return;
    } else if (strcmp(word, "run") == 0 && sscanf(rest, "%u", &a) == 1) {
        while (a-- > 0)
            pass_millisecond();
    } else if (strcmp(word, "contacts") == 0 && sscanf(rest, "%u", &a) == 1) {
        contacts = (uint16_t)a;
    } else if (strcmp(word, "hear") == 0) {
        hear(bytes, read_bytes(rest, bytes, sizeof bytes));
    } else if (strcmp(word, "cut") == 0 && sscanf(rest, "%u %u", &a, &b) == 2) {
        writes_left = a;
        torn = (uint8_t)b;
    } else {
        abort();
    }
}

int main(void)
{
    static char line[16384];
    memset(memory, 0xFF, sizeof memory);
    while (fgets(line, sizeof line, stdin)) {
        char word[16] = "";
        sscanf(line, "%15s", word);
        const char *rest = line + strlen(word) + (line[strlen(word)] == ' ');
        if (ask(word, rest)) {
            fflush(stdout);
            continue;
        }
        if (setjmp(power_gone) == 0) {
            lead(word, rest);
        } else {
            dead = true;
            printf("%u gone 1\n", now);
        }
        printf(". %u\n", now);
        fflush(stdout);
    }
    return 0;
}
