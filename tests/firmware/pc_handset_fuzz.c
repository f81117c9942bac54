/* The handset's receiver, keys, memory and modes under libFuzzer (clang -fsanitize=fuzzer).
 *
 * The input is a list of steps, so that coverage guides the rules and not only CRC and tag:
 * bytes as they are, WELCOMEs, STATEs and pairing orders that are right or harmed in one byte, keys,
 * time, power gone and back. After every step what PROTOCOL.md promises must hold, by counts that are
 * kept here. */

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "bytes.h"
#include "hal.h"
#include "handset.h"
#include "pairing.h"
#include "pc_require.h"

enum { MEMORY = 512, LONGEST_ON_MS = 800 };

static struct handset handset;
static struct keys keys;
static uint8_t memory[MEMORY];
static uint32_t now, moving_ms, last_counter, last_hello, hello_at, beat;
static uint16_t contacts, last_keys;
static unsigned good_states, good_welcomes;
static bool moving, restarted;

void hal_send(const uint8_t *frame, uint8_t length)
{
    struct frame_receiver receiver = {0};
    uint8_t body = 0;
    for (uint8_t at = 0; at < length; at++)
        body = frame_take(&receiver, frame[at]);
    REQUIRE(body > 0 && frame[0] == 0);
    const uint8_t *said = frame_body(&receiver);
    if (handset.mode == PAIRING) {
        REQUIRE(said[0] == HERE && body == HERE_LENGTH);
        return;
    }
    REQUIRE(handset.mode == SERVICE && !handset.asleep && said[1] == handset.self.number);
    uint32_t counter = long_at(said + 2);
    uint16_t pressed = word_at(said + 6);
    if (said[0] == HELLO) {
        REQUIRE(body == HELLO_LENGTH && counter > last_counter && said[6] == handset.layout->count);
        last_counter = last_hello = counter;
        hello_at = now;
        last_keys = 0xFFFF;
        return;
    }
    REQUIRE(said[0] == PRESS && body == PRESS_LENGTH && good_welcomes > 0);
    REQUIRE(counter > last_counter || (counter == last_counter && pressed == last_keys));
    REQUIRE((pressed & 0x7000) == 0 && (pressed & 0x0FFF & ((pressed & 0x0FFF) - 1)) == 0);
    REQUIRE(long_at(said + 9) == handset.reports.session.beat);
    last_counter = counter;
    last_keys = pressed;
}

bool hal_is_sending(void)
{
    return false;
}

void hal_connect(enum line line)
{
    REQUIRE(line != LINE_CABLE || handset.mode == PAIRING);
    REQUIRE(line != LINE_RADIO || handset.mode == SERVICE);
}

void hal_move(bool on)
{
    moving = on;
}

void hal_light(bool on)
{
    (void)on;
}

void hal_light_wrist(bool on)
{
    REQUIRE(on || handset.mode != WRIST || handset.asleep);
    REQUIRE(!on || handset.mode != SERVICE);
}

uint16_t hal_battery_mv(void)
{
    return (uint16_t)(now * 7);
}

bool hal_memory_ready(void)
{
    return true;
}

uint8_t hal_memory_read(uint16_t place)
{
    REQUIRE(place < MEMORY);
    return memory[place];
}

void hal_memory_write(uint16_t place, uint8_t byte)
{
    REQUIRE(place > 0 && place < 176);
    memory[place] = byte;
}

void hal_restart(void)
{
    restarted = true;
}

static void power_on(bool by_power)
{
    moving = false;
    moving_ms = 0;
    keys_start(&keys, &layout_twelve, contacts);
    handset_start(&handset, contacts & 1 ? &layout_four : &layout_twelve, contacts, by_power, 3, 1, now);
    good_states = good_welcomes = 0;
    if (handset.mode == SERVICE)
        REQUIRE(!handset.reports.session.welcomed && handset.memory.used >= last_counter);
}

static void tick(unsigned count)
{
    while (count-- > 0) {
        now++;
        struct key_edges edges = keys_sample(&keys, contacts);
        for (uint8_t bit = 0; bit < KEYS; bit++) {
            if (edges.went_down >> bit & 1)
                handset_press(&handset, (uint16_t)(1u << bit), now, now);
            if (edges.held >> bit & 1)
                handset_press(&handset, (uint16_t)(1u << bit | KEY_HELD), now, now);
        }
        handset_tick(&handset, keys.since_start, now);
        moving_ms = moving ? moving_ms + 1 : 0;
        REQUIRE(moving_ms <= LONGEST_ON_MS);
        REQUIRE(handset.thumb.waiting_count <= THUMB_WAITING);
        if (handset.mode == SERVICE) {
            REQUIRE(handset.reports.count <= REPORTS_WAITING + 1);
            REQUIRE(!handset.cues.linked || good_states > 0);
            REQUIRE(!handset.reports.session.welcomed || good_welcomes > 0);
        }
        if (restarted) {
            restarted = false;
            power_on(false);
            REQUIRE(handset.mode != PAIRING && handset.mode != WRIST);
        }
    }
}

enum said { SOMETHING, A_STATE, A_WELCOME };

/* Let it hear bytes. `said` says that they are a STATE or a WELCOME that may count; nothing else
 * may. */
static void hear(const uint8_t *bytes, unsigned length, enum said said)
{
    struct session before = handset.reports.session;
    bool linked = handset.cues.linked, service = handset.mode == SERVICE;
    good_states += said == A_STATE;
    good_welcomes += said == A_WELCOME;
    for (unsigned at = 0; at < length; at++)
        handset_hear(&handset, bytes[at], now);
    if (!service)
        return;
    const struct session *after = &handset.reports.session;
    bool moved = after->beat != before.beat || after->known != before.known
        || after->welcomed != before.welcomed || memcmp(after->name, before.name, SESSION) != 0;
    REQUIRE(handset.mode == SERVICE);
    REQUIRE(said != SOMETHING || (!moved && handset.cues.linked == linked));
    REQUIRE(said != A_STATE || after->beat == before.beat
            || (after->beat > before.beat && after->beat - before.beat <= 256));
    REQUIRE(said == A_WELCOME || memcmp(after->name, before.name, SESSION) == 0);
    REQUIRE(said != A_WELCOME || !moved || (before.asked && now - hello_at <= 500));
}

static void send(const uint8_t *body, uint8_t length, uint8_t harm, uint8_t with, enum said said)
{
    uint8_t frame[FRAME_LENGTH(FRAME_LONGEST_BODY)];
    uint8_t end = frame_write(frame, body, length);
    if ((harm & 0x80) && with != 0) {
        frame[(harm & 0x7F) % end] ^= with;
        said = SOMETHING;
    }
    tick(2);
    hear((const uint8_t[]){0}, 1, SOMETHING);
    hear(frame, end, said);
}

static const uint8_t handset_key[BLAKE2S_KEY] = {1, 2, 3}, broadcast_key[BLAKE2S_KEY] = {4, 5, 6};

static void say_state(const uint8_t *given)
{
    uint8_t body[STATE_LENGTH] = {STATE}, message[STATE_SIGNED + SESSION] = {0};
    struct blake2s keyed;
    beat += given[0] < 0xF0 ? (uint32_t)(given[0] % 5) - 1 : given[1] * 4u;
    put_long(body + 1, beat);
    body[5] = given[2] % 7;
    body[6] = given[3];
    put_word(body + 7, (uint16_t)(given[4] * 32));
    body[9] = given[5] & 0x1F;
    body[10] = given[9] % 100;
    body[11] = given[8] & 0x80 ? 0 : given[8];
    body[12] = given[6] & 0x80 ? 1 : given[6];
    put_word(body + 13, (uint16_t)(last_counter - (given[7] & 1)));
    body[15] = given[7] % 8;
    blake2s_start(&keyed, broadcast_key);
    memcpy(message, body, STATE_SIGNED);
    memcpy(message + STATE_SIGNED, handset.reports.session.name, SESSION);
    message[STATE_SIGNED] ^= (uint8_t)(given[1] == 9);
    blake2s_tag(&keyed, message, sizeof message, body + STATE_SIGNED);
    bool harmed = (given[10] & 0x80) && given[11] != 0;
    if (harmed)
        body[given[10] % STATE_LENGTH] ^= given[11];
    bool good = !harmed && given[1] != 9;
    send(body, sizeof body, given[12], given[13], good ? A_STATE : SOMETHING);
}

static void say_welcome(const uint8_t *given)
{
    uint8_t body[WELCOME_LENGTH] = {WELCOME, (uint8_t)(given[0] == 7 ? 2 : 1)};
    struct blake2s keyed;
    put_long(body + 2, last_hello - (given[1] == 7) + (given[1] == 9));
    body[6] = body[13] = given[2] % 3;
    beat = given[3] < 0xF0 ? given[3] : 0xFFFFFFF0u + given[3];
    put_long(body + 14, beat);
    blake2s_start(&keyed, handset_key);
    blake2s_tag(&keyed, body, WELCOME_SIGNED, body + WELCOME_SIGNED);
    bool good = given[0] != 7 && given[1] != 7 && given[1] != 9;
    if ((given[4] & 0x80) && given[5] != 0) {
        body[given[4] % WELCOME_LENGTH] ^= given[5];
        good = false;
    }
    send(body, sizeof body, given[6], given[7], good ? A_WELCOME : SOMETHING);
}

static void say_keys(const uint8_t *given)
{
    uint8_t body[KEYS_LENGTH] = {KEYS_ORDER};
    body[9] = given[0];
    memcpy(body + 10, handset_key, sizeof handset_key);
    memcpy(body + 26, broadcast_key, sizeof broadcast_key);
    body[10] ^= given[1];
    uint16_t before = handset.memory.generation;
    send(body, sizeof body, given[2], given[3], SOMETHING);
    if (handset.mode == SERVICE)
        REQUIRE(handset.memory.generation == before);
}

static void pair_at_first(void)
{
    struct pairing_record record = {.number = 1};
    memcpy(record.handset_key, handset_key, sizeof handset_key);
    memcpy(record.broadcast_key, broadcast_key, sizeof broadcast_key);
    memset(memory, 0xFF, sizeof memory);
    REQUIRE(memory_pair(&record));
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    handset = (struct handset){0};
    now = last_counter = last_hello = hello_at = moving_ms = beat = 0;
    contacts = last_keys = 0;
    moving = restarted = false;
    pair_at_first();
    power_on(true);
    bool paired_again = false;
    for (size_t at = 0; at < size;) {
        uint8_t step = data[at++];
        uint8_t given[64] = {0}, length = step & 0x1F;
        size_t there = size - at < length ? size - at : length;
        memcpy(given, data + at, there);
        at += there;
        switch (step >> 5) {
        case 0:
            hear(given, length, SOMETHING);
            break;
        case 1:
            tick(given[0] < 0xF0 ? given[0] : given[1] * 16u);
            break;
        case 2:
            contacts = word_at(given) & 0x0FFF;
            tick(given[2] % 64);
            break;
        case 3:
            if (length > 0 && given[0] != STATE && given[0] != WELCOME)
                send(given, length, 0, 0, SOMETHING);
            break;
        case 4:
            if (given[0] == 1 && !paired_again) { /* a new pairing begins a new counter */
                contacts = KEY_40 | KEY_UNDO;
                power_on(true);
                tick(2001);
                REQUIRE(handset.mode == PAIRING);
                say_keys(given + 1);
                contacts = 0;
                last_counter = last_hello = 0;
                power_on(true);
                paired_again = true;
            } else {
                contacts = word_at(given) & 0x0FFF;
                power_on(given[2] & 1);
            }
            break;
        case 5:
            if (given[0] < 0x80)
                say_welcome(given + 1);
            else
                say_keys(given + 1);
            break;
        default:
            say_state(given);
        }
    }
    return 0;
}
