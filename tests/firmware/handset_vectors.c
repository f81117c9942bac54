/* The handset's messages on the chip: a frame comes in over the line, an answer goes out.
 *
 *   'S' length bytes     a STATE's frame; the answer is 1 and its 16 bytes as read, or 0
 *   'P' session PRESS    4 bytes, and the 12 of the body; the answer is the frame */

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#include "bytes.h"
#include "frame.h"
#include "messages.h"

static uint8_t get(void)
{
    loop_until_bit_is_set(UCSR0A, RXC0);
    return UDR0;
}

static void put(const uint8_t *bytes, uint8_t length)
{
    while (length-- > 0) {
        loop_until_bit_is_set(UCSR0A, UDRE0);
        UDR0 = *bytes++;
    }
}

static uint8_t key[BLAKE2S_KEY];
static struct blake2s keyed;

static void make_key(uint8_t first)
{
    for (uint8_t at = 0; at < BLAKE2S_KEY; at++)
        key[at] = (uint8_t)(first + at);
    blake2s_start(&keyed, key);
}

static void read_state(void)
{
    struct frame_receiver receiver = {.length = 0};
    struct state state;
    uint8_t told[17] = {0};
    make_key(0xF0);
    for (uint8_t left = get(); left > 0; left--) {
        uint8_t length = frame_take(&receiver, get());
        if (length == 0 || !state_read(&state, frame_body(&receiver), length, &keyed))
            continue;
        told[0] = 1;
        told[1] = STATE;
        put_long(told + 2, state.session);
        put_word(told + 6, state.beat);
        told[8] = state.phase;
        told[9] = state.numerals;
        put_word(told + 10, state.remaining_10ms);
        told[12] = state.flags;
        told[13] = state.ack_handset;
        put_word(told + 14, state.ack_counter);
        told[16] = state.result;
    }
    put(told, told[0] ? sizeof told : 1);
}

static void make_press(void)
{
    uint8_t said[16], frame[PRESS_FRAME];
    for (uint8_t at = 0; at < sizeof said; at++)
        said[at] = get();
    const uint8_t *body = said + 4;
    const struct press press = {
        .handset = body[1],
        .counter = long_at(body + 2),
        .keys = word_at(body + 6),
        .age_10ms = body[8],
        .beat = word_at(body + 9),
        .battery = body[11],
    };
    make_key(0);
    press_write(frame, &press, long_at(said), &keyed);
    put(frame, sizeof frame);
}

int main(void)
{
    UBRR0 = 12;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0;
    sei();
    for (;;) {
        uint8_t what = get();
        if (what == 'S')
            read_state();
        else if (what == 'P')
            make_press();
    }
}
